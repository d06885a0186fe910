//! Records into rows of the tables.

use std::collections::BTreeSet;

use polars::prelude::{DataFrame, PlSmallStr, PolarsResult};
use wyelog_protocol::bank::Settings;
use wyelog_protocol::quantity::{Quantity, Scale};
use wyelog_protocol::record::{Capture, Event, Follows, Quality, Record, Status, StatusRecord};

use super::builder::{Builder, Cell};
use super::day_sums::{DaySums, OfDay};
use super::interval::Plate;
use super::states::States;
use super::{
    BANK, BASELINES, CAPTURES, DAYS, EVENTS, INTERVALS, OPERATIONS, SETTINGS, SPECTRA, STATUS, Table,
    bank_rows, interval, spectra,
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
    intervals: Months,
    days: DaySums,
    spectra: Months,
    events: Builder,
    captures: Builder,
    status: Builder,
    nameplates: Builder,
    operations: Builder,
    states: Builder,
    baselines: Builder,
    /// Name of the bank by them, and what they say of intervals.
    bank: PlSmallStr,
    plate: Plate,
    month: Month,
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
            intervals: Months::new(),
            days: DaySums::new(device),
            spectra: Months::new(),
            events: Builder::new(&EVENTS),
            captures: Builder::new(&CAPTURES),
            status: Builder::new(&STATUS),
            nameplates: Builder::new(&SETTINGS),
            operations: Builder::new(&OPERATIONS),
            states: Builder::new(&BANK),
            baselines: Builder::new(&BASELINES),
            bank: PlSmallStr::EMPTY,
            plate: Plate::default(),
            month: Month::default(),
            banks: BTreeSet::new(),
            clock_before_2000: 0,
            time_after_2090: 0,
        };
        rows.apply_settings();
        for kept in records {
            if let Record::Settings(record) = &kept.record {
                rows.settings = Some(record.settings.clone());
                rows.apply_settings();
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
        let finished = |table: &'static Table, mut months: Months| {
            months.sort_by(|(month, _), (other, _)| month.cmp(other));
            let of_month = move |(month, rows): (_, Builder)| Ok((table, Some(month), rows.finish()?));
            months.into_iter().map(of_month).collect::<PolarsResult<Vec<Split>>>()
        };
        let mut tables = finished(&INTERVALS, self.intervals)?;
        tables.extend(finished(&SPECTRA, self.spectra)?);
        let others = [
            (&DAYS, self.days.into_rows()),
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

    fn apply_settings(&mut self) {
        let settings = self.settings.as_ref();
        self.bank = settings.map_or("", |settings| settings.nameplate.name.as_str()).into();
        self.plate = Plate::of(settings);
    }

    fn take(&mut self, kept: &Sequenced) {
        let stamp = *kept.record.stamp();
        if stamp.utc_ms.is_some_and(|ms| ms < EARLIEST_MS) {
            self.clock_before_2000 += 1;
        }
        let time = self.timeline.at(stamp.boot, stamp.frame);
        self.time_after_2090 += u64::from(time.utc_ms.is_some_and(|ms| ms >= FAR_MS));
        let time_logger = logger_ms(stamp.utc_ms);
        let at = |frame: u64| Cell::Whole(self.timeline.at(stamp.boot, frame).utc_ms);
        let rows = match &kept.record {
            Record::Interval(_) => of_month(&INTERVALS, &mut self.intervals, self.month.of(&time)),
            Record::Spectrum(_) => of_month(&SPECTRA, &mut self.spectra, self.month.of(&time)),
            Record::Capture(_) => &mut self.captures,
            Record::Event(_) => &mut self.events,
            Record::Status(_) => &mut self.status,
            Record::Settings(_) => &mut self.nameplates,
            Record::Operation(_) => &mut self.operations,
            Record::Bank(_) => &mut self.states,
            Record::Baseline(_) => &mut self.baselines,
        };
        let mut row = rows.begin();
        row.text(Some(&self.device));
        row.text(Some(&self.bank));
        row.whole(Some(u64::from(kept.sequence)));
        row.whole(Some(u64::from(stamp.boot)));
        row.whole(Some(stamp.frame));
        row.whole(time.utc_ms);
        row.whole(time_logger);
        row.text(Some(time.quality.name()));
        row.real(time.error_s);
        match &kept.record {
            Record::Interval(record) => {
                let kvar = self.plate.kvar(record);
                interval::write(record, &self.plate, kvar, &mut row);
                let of_day = OfDay { record, sequence: kept.sequence, stamp, time, time_logger, kvar };
                self.days.add(&self.bank, &self.plate, &of_day);
            }
            Record::Spectrum(record) => {
                let state = self.states_of_bank.during(stamp.boot, stamp.frame);
                spectra::write(record, self.settings.as_ref(), state, &mut row);
            }
            Record::Capture(record) => row.cells(capture(record)),
            Record::Event(record) => row.cells(event(record, at)),
            Record::Status(record) => row.cells(status(record)),
            Record::Settings(record) => row.cells(bank_rows::settings(record)),
            Record::Operation(record) => row.cells(bank_rows::operation(record, at(record.begin.frame))),
            Record::Bank(record) => row.cells(bank_rows::bank(record)),
            Record::Baseline(record) => row.cells(bank_rows::baseline(record)),
        }
        drop(row);
        if !self.banks.contains(self.bank.as_str()) {
            self.banks.insert(self.bank.to_string());
        }
    }
}

/// Rows by months, of which a log has few.
type Months = Vec<(String, Builder)>;

/// Where the rows of a month grow.
fn of_month<'r>(table: &'static Table, months: &'r mut Months, month: &str) -> &'r mut Builder {
    let known = months.iter().rposition(|(name, _)| name == month);
    let place = known.unwrap_or_else(|| {
        months.push((month.to_owned(), Builder::new(table)));
        months.len() - 1
    });
    &mut months[place].1
}

/// Day since 1970 of the last interval or spectrum, and its month: writing it anew for each row takes longer than the rest of it.
#[derive(Debug, Default)]
struct Month(Option<(u64, String)>);

impl Month {
    fn of(&mut self, time: &Time) -> &str {
        let Some(ms) = time.utc_ms else { return NO_MONTH };
        let day = ms / 86_400_000;
        if self.0.as_ref().is_none_or(|(known, _)| *known != day) {
            self.0 = Some((day, time::utc(ms).chars().take(7).collect()));
        }
        self.0.as_ref().map_or(NO_MONTH, |(_, month)| month)
    }
}

/// UTC as the logger had it, unless its clock stood before 2000.
fn logger_ms(utc_ms: Option<u64>) -> Option<u64> {
    utc_ms.filter(|ms| *ms >= EARLIEST_MS)
}

pub(super) fn real<S: Scale>(quantity: Quantity<S>) -> Cell {
    Cell::Real(quantity.value_f64())
}

/// What the common part rests on, if it can be told.
pub(super) fn basis(quality: &Quality) -> Option<&'static str> {
    quality.common_sigma.value().map(|_| quality.common_basis.name())
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
