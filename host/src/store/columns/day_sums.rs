//! The rows of [`DAYS`] while a log becomes rows: what [`of_intervals`](super::days::of_intervals) says of the finished table,
//! which reads them all again.

use std::collections::BTreeMap;

use polars::prelude::PlSmallStr;
use wyelog_protocol::record::{BankState, Basis, Interval, Stamp};

use super::DAYS;
use super::builder::{Builder, Cell};
use super::days::DAY_MS;
use super::interval::Plate;
use crate::clock::{Quality, Time};

/// What makes rows the same row: bank, start, day since 1970-01-01, the bits of the intervals' length, how their time is known.
type Key = (PlSmallStr, u32, Option<u64>, Option<u64>, Quality);

/// An interval on its way into the sums.
pub struct OfDay<'r> {
    pub record: &'r Interval,
    pub sequence: u32,
    pub stamp: Stamp,
    pub time: Time,
    /// UTC in ms as the logger had it.
    pub time_logger: Option<u64>,
    pub kvar: [Option<f64>; 3],
}

#[derive(Debug)]
pub struct DaySums {
    device: PlSmallStr,
    days: BTreeMap<Key, Day>,
    /// The day that grows: most intervals are of the same day as the one before.
    last: Option<(Key, Day)>,
}

#[derive(Clone, Debug, Default)]
struct Day {
    sequences: Option<(u32, u32)>,
    frame: u64,
    /// Ends of the intervals, in ms.
    ends: Vec<u64>,
    begin_ms: Option<i64>,
    time_logger: Option<u64>,
    time_error_s: Option<f64>,
    intervals: u32,
    flagged: u32,
    unbounded: u32,
    /// Measured, known, closed, open, partly closed, in an unknown state, good; and the mean of the phases × hours.
    hours: [f64; 8],
    kvarh: [f64; 3],
    whole_kvarh: [f64; 3],
    differences: [f64; 3],
    difference_hours: [f64; 3],
    rated_kvar: Option<f64>,
    unit_voltage_v: Option<f64>,
    difference_sigmas: (f64, u32),
    common_sigmas: (f64, u32),
    basis: Option<(u64, Basis)>,
    basis_ms: Option<u64>,
    harmonics_ms: Option<u64>,
    state: Option<(u64, BankState)>,
    last_in_ms: Option<u64>,
}

impl DaySums {
    pub fn new(device: &str) -> Self {
        Self { device: device.into(), days: BTreeMap::new(), last: None }
    }

    pub fn add(&mut self, bank: &PlSmallStr, plate: &Plate, row: &OfDay<'_>) {
        let length = plate.interval_s().map(f64::to_bits);
        let day = row.time.utc_ms.map(|ms| ms / DAY_MS.unsigned_abs());
        let rest = (row.stamp.boot, day, length, row.time.quality);
        let is_same = |(key, _): &(Key, Day)| key.0 == *bank && (key.1, key.2, key.3, key.4) == rest;
        if !self.last.as_ref().is_some_and(is_same) {
            self.put_back();
            let key = (bank.clone(), rest.0, rest.1, rest.2, rest.3);
            let day = self.days.remove(&key).unwrap_or_default();
            self.last = Some((key, day));
        }
        if let Some((_, day)) = &mut self.last {
            day.add(plate, row);
        }
    }

    fn put_back(&mut self) {
        self.days.extend(self.last.take());
    }

    /// The rows, in the order of banks and time.
    pub fn into_rows(mut self) -> Builder {
        self.put_back();
        let mut rows = Builder::new(&DAYS);
        let sorted = |(key, mut day): (Key, Day)| {
            day.ends.sort_unstable();
            (key, day)
        };
        let mut days: Vec<(Key, Day)> = self.days.into_iter().map(sorted).collect();
        days.sort_by(|((bank, ..), day), ((other, ..), another)| {
            (bank, day.ends.last(), day.sequences).cmp(&(other, another.ends.last(), another.sequences))
        });
        for (key, day) in days {
            rows.begin().cells(day.into_cells(&self.device, key));
        }
        rows
    }
}

impl Day {
    fn add(&mut self, plate: &Plate, row: &OfDay<'_>) {
        let OfDay { record, sequence, stamp, time, time_logger, kvar } = row;
        let (first, last) = self.sequences.unwrap_or((*sequence, *sequence));
        self.sequences = Some((first.min(*sequence), last.max(*sequence)));
        self.frame = self.frame.max(stamp.frame);
        let length_ms = (plate.interval_s().unwrap_or(0.0) * 1000.0) as i64;
        let end_ms = time.utc_ms.and_then(|ms| i64::try_from(ms).ok());
        let begin_ms = end_ms.map(|ms| ms.saturating_sub(length_ms));
        self.begin_ms = self.begin_ms.into_iter().chain(begin_ms).min();
        self.ends.extend(time.utc_ms);
        self.time_logger = self.time_logger.max(*time_logger);
        self.time_error_s = larger(self.time_error_s, time.error_s);
        self.intervals += 1;
        self.flagged += u32::from(record.flagged > 0);
        self.unbounded += u32::from(time.utc_ms.is_some() && time.error_s.is_none());
        self.rated_kvar = larger(self.rated_kvar, plate.rated_kvar());
        self.unit_voltage_v = larger(self.unit_voltage_v, plate.unit_voltage_v());
        self.powers(plate, row, kvar);
        if self.state.is_none_or(|(frame, _)| frame <= stamp.frame) {
            self.state = Some((stamp.frame, record.state));
        }
        if matches!(record.state, BankState::Closed | BankState::PartlyClosed) {
            self.last_in_ms = self.last_in_ms.max(time.utc_ms);
        }
        let quality = &record.quality;
        for (sum, sigma) in [
            (&mut self.difference_sigmas, quality.difference_sigma.value_f64()),
            (&mut self.common_sigmas, quality.common_sigma.value_f64()),
        ] {
            sum.0 += sigma.unwrap_or(0.0);
            sum.1 += u32::from(sigma.is_some());
        }
        if quality.common_sigma.value_f64().is_some() {
            let basis = quality.common_basis;
            if self.basis.is_none_or(|(frame, _)| frame <= stamp.frame) {
                self.basis = Some((stamp.frame, basis));
            }
            self.basis_ms = self.basis_ms.max(time.utc_ms);
            if basis == Basis::Harmonics {
                self.harmonics_ms = self.harmonics_ms.max(time.utc_ms);
            }
        }
    }

    /// Hours, energies and differences.
    fn powers(&mut self, plate: &Plate, row: &OfDay<'_>, kvar: &[Option<f64>; 3]) {
        let record = row.record;
        let hours = plate.hours(record);
        let connected = record.connected.map(|part| part.value_f64());
        let present = connected.iter().flatten().count();
        let mean = connected.iter().flatten().sum::<f64>() / present as f64;
        let is_known = kvar.iter().all(Option::is_some);
        let is = |state: BankState| record.state == state;
        let is_good = is_known
            && record.flagged == 0
            && is(BankState::Closed)
            && present >= 1
            && row.time.utc_ms.is_some();
        let states =
            [BankState::Closed, BankState::Open, BankState::PartlyClosed, BankState::Unknown].map(is);
        let counted = [true, is_known].into_iter().chain(states).chain([is_good]);
        let [all @ .., connected_hours] = &mut self.hours;
        for (sum, counts) in all.iter_mut().zip(counted) {
            *sum += if counts { hours } else { 0.0 };
        }
        if is_good {
            *connected_hours += mean * hours;
        }
        if !is_known {
            return;
        }
        for (sum, kvar) in self.kvarh.iter_mut().zip(kvar) {
            *sum += kvar.unwrap_or(0.0) * hours;
        }
        for (phase, sum) in self.whole_kvarh.iter_mut().enumerate() {
            *sum += plate.whole_kvar(record, phase).unwrap_or(0.0) * hours;
        }
        if is_good && present >= 2 {
            let sums = self.differences.iter_mut().zip(&mut self.difference_hours);
            for ((difference, measured), part) in sums.zip(connected) {
                let Some(part) = part else { continue };
                *difference += (part - mean) * hours;
                *measured += hours;
            }
        }
    }

    /// Its row. The ends must be sorted.
    fn into_cells(self, device: &PlSmallStr, key: Key) -> Vec<Cell> {
        let (bank, boot, _, length, quality) = key;
        let steps = self.ends.iter().zip(self.ends.iter().skip(1)).map(|(a, b)| b.saturating_sub(*a));
        let longest = steps.max().map(|ms| ms as f64 / 1000.0);
        let (first, last) = self.sequences.unwrap_or_default();
        let mut cells = vec![
            Cell::Text(Some(device.clone())),
            Cell::Text(Some(bank)),
            last.into(),
            boot.into(),
            self.frame.into(),
            Cell::Whole(self.ends.last().copied()),
            Cell::Whole(self.time_logger),
            quality.name().into(),
            Cell::Real(self.time_error_s),
            Cell::Real(length.map(f64::from_bits)),
            first.into(),
            Cell::Whole(self.ends.first().copied()),
            Cell::Whole(self.begin_ms.and_then(|ms| u64::try_from(ms).ok())),
            Cell::Real(longest),
            self.intervals.into(),
            self.flagged.into(),
            self.unbounded.into(),
        ];
        let phases = [self.kvarh, self.whole_kvarh, self.differences, self.difference_hours];
        let sums = self.hours.into_iter().chain(phases.into_iter().flatten());
        cells.extend(sums.map(|sum| Cell::Real(Some(sum))));
        cells.extend([self.rated_kvar, self.unit_voltage_v].map(Cell::Real));
        for (sum, count) in [self.difference_sigmas, self.common_sigmas] {
            cells.extend([Cell::Real(Some(sum)), count.into()]);
        }
        cells.push(Cell::Text(self.basis.map(|(_, basis)| basis.name().into())));
        cells.push(Cell::Whole(self.basis.map(|(frame, _)| frame)));
        cells.extend([self.basis_ms, self.harmonics_ms].map(Cell::Whole));
        cells.push(Cell::Text(self.state.map(|(_, state)| state.name().into())));
        cells.push(Cell::Whole(self.last_in_ms));
        cells
    }
}

fn larger(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    a.into_iter().chain(b).reduce(f64::max)
}
