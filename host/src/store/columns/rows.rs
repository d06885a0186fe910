//! Records into rows of the tables.

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::{
    DataFrame, IntoLazy, LazyFrame, PlSmallStr, PolarsResult, SortMultipleOptions, UnionArgs, concat,
};
use wyelog_protocol::bank::Settings;
use wyelog_protocol::condition::Phases;
use wyelog_protocol::quantity::{Quantity, Scale};
use wyelog_protocol::record::{Capture, Event, Follows, Interval, Quality, Record, Status, StatusRecord};

use super::builder::{Builder, Cell};
use super::spectra::spectrum;
use super::states::States;
use super::{
    BANK, BASELINES, CAPTURES, DAYS, EVENTS, INTERVALS, OPERATIONS, SETTINGS, SPECTRA, STATUS, Table,
    bank_rows, days,
};
use crate::clock::{Time, Timeline};
use crate::log::Sequenced;
use crate::time::{self, EARLIEST_MS};

/// Month of the files whose time is not known.
pub const NO_MONTH: &str = "unknown";

/// 2090: later than any logger of today will run (our choice).
const FAR_MS: u64 = 3_786_912_000_000;

/// The tables of one log.
#[derive(Debug)]
pub struct Rows {
    device: String,
    /// Settings in force; before the first settings record, those of the first.
    settings: Option<Settings>,
    timeline: Timeline,
    states_of_bank: States,
    intervals: BTreeMap<String, Builder>,
    spectra: BTreeMap<String, Builder>,
    events: Builder,
    captures: Builder,
    status: Builder,
    nameplates: Builder,
    operations: Builder,
    states: Builder,
    baselines: Builder,
    /// Name of the bank by them.
    bank: PlSmallStr,
    /// Day since 1970 of the last interval or spectrum, and its month: writing it anew for each row takes longer than the rest of it.
    month: Option<(u64, String)>,
    /// Names of the banks seen.
    pub banks: BTreeSet<String>,
    /// Records whose clock stood before 2000.
    pub clock_before_2000: u64,
    /// Records whose time is in 2090 or later.
    pub time_after_2090: u64,
}

/// A table, a month if it is split by month, and its rows.
pub type Split = (&'static Table, Option<String>, DataFrame);

impl Rows {
    /// Of the records of one logger of which `is_new` says so; the others tell which bank it hangs on. `earlier` are its
    /// settings by an earlier log, `timeline` says when they were.
    pub fn new(
        device: &str,
        records: &[Sequenced],
        is_new: impl Fn(&Sequenced) -> bool,
        earlier: Option<Settings>,
        timeline: Timeline,
    ) -> Self {
        let first = records.iter().find_map(|kept| match &kept.record {
            Record::Settings(record) => Some(record.settings.clone()),
            _ => None,
        });
        let mut rows = Self {
            device: device.to_owned(),
            settings: earlier.or(first),
            timeline,
            states_of_bank: States::of(records),
            intervals: BTreeMap::new(),
            spectra: BTreeMap::new(),
            events: Builder::new(&EVENTS),
            captures: Builder::new(&CAPTURES),
            status: Builder::new(&STATUS),
            nameplates: Builder::new(&SETTINGS),
            operations: Builder::new(&OPERATIONS),
            states: Builder::new(&BANK),
            baselines: Builder::new(&BASELINES),
            bank: PlSmallStr::EMPTY,
            month: None,
            banks: BTreeSet::new(),
            clock_before_2000: 0,
            time_after_2090: 0,
        };
        rows.name_bank();
        for kept in records {
            if let Record::Settings(record) = &kept.record {
                rows.settings = Some(record.settings.clone());
                rows.name_bank();
            }
            if is_new(kept) {
                rows.take(kept);
            }
        }
        rows
    }

    /// The tables, without the empty ones.
    ///
    /// # Errors
    /// The table engine refuses.
    pub fn finish(self) -> PolarsResult<Vec<Split>> {
        let finished = |table: &'static Table, months: BTreeMap<String, Builder>| {
            let of_month = move |(month, rows): (_, Builder)| Ok((table, Some(month), rows.finish()?));
            months.into_iter().map(of_month).collect::<PolarsResult<Vec<Split>>>()
        };
        let mut tables = finished(&INTERVALS, self.intervals)?;
        if !tables.is_empty() {
            let intervals: Vec<LazyFrame> = tables.iter().map(|(_, _, rows)| rows.clone().lazy()).collect();
            let days = days::of_intervals(concat(intervals, UnionArgs::default())?);
            let order = SortMultipleOptions::default();
            tables.push((&DAYS, None, days.sort(["bank", "time", "sequence"], order).collect()?));
        }
        tables.extend(finished(&SPECTRA, self.spectra)?);
        let others = [
            (&EVENTS, self.events),
            (&CAPTURES, self.captures),
            (&STATUS, self.status),
            (&SETTINGS, self.nameplates),
            (&OPERATIONS, self.operations),
            (&BANK, self.states),
            (&BASELINES, self.baselines),
        ];
        for (table, rows) in others {
            if !rows.is_empty() {
                tables.push((table, None, rows.finish()?));
            }
        }
        Ok(tables)
    }

    fn name_bank(&mut self) {
        self.bank = self.settings.as_ref().map_or("", |settings| settings.nameplate.name.as_str()).into();
    }

    /// Keeps the month of a row with this time in `month`.
    fn find_month(&mut self, time: &Time) -> &str {
        let Some(ms) = time.utc_ms else { return NO_MONTH };
        let day = ms / 86_400_000;
        if self.month.as_ref().is_none_or(|(known, _)| *known != day) {
            self.month = Some((day, time::utc(ms).chars().take(7).collect()));
        }
        self.month.as_ref().map_or(NO_MONTH, |(_, month)| month)
    }

    fn take(&mut self, kept: &Sequenced) {
        let stamp = *kept.record.stamp();
        if stamp.utc_ms.is_some_and(|ms| ms < EARLIEST_MS) {
            self.clock_before_2000 += 1;
        }
        let time = self.timeline.at(stamp.boot, stamp.frame);
        self.time_after_2090 += u64::from(time.utc_ms.is_some_and(|ms| ms >= FAR_MS));
        let head = [
            self.device.as_str().into(),
            Cell::Text(Some(self.bank.clone())),
            kept.sequence.into(),
            stamp.boot.into(),
            stamp.frame.into(),
            Cell::Whole(time.utc_ms),
            utc(stamp.utc_ms),
            time.quality.name().into(),
            Cell::Real(time.error_s),
        ];
        let month = match &kept.record {
            Record::Interval(_) | Record::Spectrum(_) => self.find_month(&time).to_owned(),
            _ => String::new(),
        };
        let at = |frame: u64| Cell::Whole(self.timeline.at(stamp.boot, frame).utc_ms);
        match &kept.record {
            Record::Interval(record) => {
                let cells = interval(record, self.settings.as_ref());
                let rows = self.intervals.entry(month).or_insert_with(|| Builder::new(&INTERVALS));
                rows.row(head.into_iter().chain(cells));
            }
            Record::Spectrum(record) => {
                let rows = self.spectra.entry(month).or_insert_with(|| Builder::new(&SPECTRA));
                let state = self.states_of_bank.during(stamp.boot, stamp.frame, record.windows);
                rows.row(head.into_iter().chain(spectrum(record, self.settings.as_ref(), state)));
            }
            Record::Capture(record) => self.captures.row(head.into_iter().chain(capture(record))),
            Record::Event(record) => self.events.row(head.into_iter().chain(event(record, at))),
            Record::Status(record) => self.status.row(head.into_iter().chain(status(record))),
            Record::Settings(record) => {
                self.nameplates.row(head.into_iter().chain(bank_rows::settings(record)));
            }
            Record::Operation(record) => {
                self.operations
                    .row(head.into_iter().chain(bank_rows::operation(record, at(record.begin.frame))));
            }
            Record::Bank(record) => self.states.row(head.into_iter().chain(bank_rows::bank(record))),
            Record::Baseline(record) => {
                self.baselines.row(head.into_iter().chain(bank_rows::baseline(record)));
            }
        }
        if !self.banks.contains(self.bank.as_str()) {
            self.banks.insert(self.bank.to_string());
        }
    }
}

fn utc(utc_ms: Option<u64>) -> Cell {
    Cell::Whole(utc_ms.filter(|ms| *ms >= EARLIEST_MS))
}

pub(super) fn real<S: Scale>(quantity: Quantity<S>) -> Cell {
    Cell::Real(quantity.value_f64())
}

fn interval(record: &Interval, settings: Option<&Settings>) -> Vec<Cell> {
    let [a, b, c] = &record.voltage;
    let nameplate = settings.map(|settings| &settings.nameplate);
    let phases = nameplate.map_or(Phases::NONE, |plate| plate.build.phases);
    let letters: String = phases.letters().collect();
    // The rating is that of all the phases the bank has.
    let count = f64::from(phases.count().max(1));
    let rated_kvar = nameplate.and_then(|plate| plate.rated_power.value_f64()).map(|kvar| kvar / count);
    let unit_voltage = nameplate.and_then(|plate| plate.unit_voltage.value_f64());
    let rated_hz = nameplate.map(|plate| f64::from(plate.frequency.hz()));
    let frequency = record.frequency.value_f64();
    let kvar = |phase: usize| {
        if nameplate.is_some() && !phases.contains(phase) {
            return Some(0.0);
        }
        let connected = record.connected.get(phase)?.value_f64()?;
        let volts = record.voltage.get(phase)?.rms.value_f64()?;
        // Q_p = y_p · Q_r · (V/V_r)² · (f/f_r); IEEE 1036, and `wyelog_electrical::capacitor::delivered`.
        let ratio = volts / unit_voltage?;
        Some(connected * rated_kvar? * ratio * ratio * frequency? / rated_hz?)
    };
    let mut cells = Vec::with_capacity(INTERVALS.columns.len());
    cells.extend([
        Cell::Real(settings.map(|settings| f64::from(settings.interval_s))),
        u32::from(record.windows).into(),
        u32::from(record.flagged).into(),
        Cell::Real(frequency),
    ]);
    cells.extend([a, b, c].map(|range| real(range.rms)));
    cells.extend([a, b, c].map(|range| real(range.min)));
    cells.extend([a, b, c].map(|range| real(range.max)));
    cells.extend([real(record.neutral.rms), real(record.neutral.min), real(record.neutral.max)]);
    cells.push(real(record.residual));
    cells.extend([real(record.neutral_phasor.size), real(record.neutral_phasor.angle)]);
    cells.extend([real(record.residual_phasor.size), real(record.residual_phasor.angle)]);
    cells.extend([real(record.u2), real(record.u0), real(record.nema)]);
    cells.extend(record.connected.map(real));
    cells.extend([real(record.quality.difference_sigma), real(record.quality.common_sigma)]);
    cells.extend([basis(&record.quality), record.state.name().into()]);
    cells.push(Cell::Text(nameplate.map(|_| letters.as_str().into())));
    cells.extend([Cell::Real(rated_kvar), Cell::Real(unit_voltage), Cell::Real(rated_hz)]);
    cells.extend([0, 1, 2].map(|phase| Cell::Real(kvar(phase))));
    cells
}

/// What the common part rests on, if it can be told.
pub(super) fn basis(quality: &Quality) -> Cell {
    Cell::Text(quality.common_sigma.value().map(|_| quality.common_basis.name().into()))
}

fn event(record: &Event, at: impl Fn(u64) -> Cell) -> Vec<Cell> {
    let phases: String = record.phases.letters().collect();
    let causes = record.causes.iter().map(|cause| cause.name()).collect::<Vec<_>>().join(", ");
    let end = record.end.as_ref();
    let evidence = &record.evidence;
    let mut cells = vec![
        record.occurrence.into(),
        record.condition.name().into(),
        record.condition.route().name().into(),
        record.change.name().into(),
        phases.as_str().into(),
        real(record.fraction),
        Cell::Text(Some(causes.as_str().into()).filter(|_| !causes.is_empty())),
        record.begin.frame.into(),
        at(record.begin.frame),
        Cell::Whole(end.map(|end| end.frame)),
        end.map_or(Cell::Whole(None), |end| at(end.frame)),
    ];
    cells.extend(evidence.voltage.map(real));
    cells.extend([real(evidence.neutral), real(evidence.residual), real(evidence.residual_angle)]);
    cells.extend(evidence.connected_before.map(real));
    cells.extend(evidence.connected_after.map(real));
    cells
}

/// Where the waveforms are, not they themselves: those are in the raw log.
fn capture(record: &Capture) -> Vec<Cell> {
    let follows = match record.follows {
        Follows::More => "more",
        Follows::Nothing => "nothing",
        Follows::Lost => "lost",
    };
    let samples = wyelog_protocol::waveform::Samples::new(&record.samples).count();
    vec![(samples as u32).into(), follows.into()]
}

fn status(record: &StatusRecord) -> Vec<Cell> {
    let (name, detail) = match &record.status {
        Status::Boot { firmware, schema, reset, torn_records } => (
            "boot",
            serde_json::json!({
                "firmware": firmware.as_str(), "schema": format!("{schema:016x}"),
                "after_crash": matches!(reset, wyelog_protocol::record::Reset::Crash), "torn_records": torn_records,
            }),
        ),
        Status::Crash { cause, address, schema } => (
            "crash",
            serde_json::json!({
                "cause": format!("{cause:?}"), "address": address, "schema": format!("{schema:016x}"),
            }),
        ),
        Status::FramesLost { count } => ("frames_lost", serde_json::json!({ "count": count })),
        Status::RecordsLost { count } => ("records_lost", serde_json::json!({ "count": count })),
        Status::ClockSet { before_ms, after_ms, source } => (
            "clock_set",
            serde_json::json!({ "before_ms": before_ms, "after_ms": after_ms, "source": source.name() }),
        ),
        Status::JournalFailed { count } => ("journal_failed", serde_json::json!({ "count": count })),
        Status::FlashFaults { sectors, records, numbers } => (
            "flash_faults",
            serde_json::json!({ "sectors": sectors, "records": records, "numbers": numbers }),
        ),
        Status::CapturesLost { triggers, frames } => {
            ("captures_lost", serde_json::json!({ "triggers": triggers, "frames": frames }))
        }
    };
    vec![name.into(), detail.to_string().as_str().into()]
}
