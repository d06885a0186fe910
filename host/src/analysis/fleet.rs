//! The whole fleet, a row a bank, what needs a crew first.

mod alarms;
mod observe;
mod rank;
mod recent;
mod rows;

pub use alarms::{AlarmRow, RECURRING};
pub use observe::{FLAGGED_PERCENT, NEUTRAL, Observation, SILENT_MS, UNEXPLAINED_PU};
pub use rank::{HAZARDS, OBSERVED, Rank, UNANNOUNCED, certainty, rank};
pub use recent::{Phasor, Recent};

use super::Filter;
use crate::store::{Store, StoreError};
use rows::Rows;
use wyelog_electrical::Rotation;
use wyelog_protocol::condition::{Condition, Route};

/// What a bank needs, most urgent first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum State {
    /// An open alarm of route `hazard`.
    Hazard,
    /// An open alarm of route `crew`.
    Crew,
    /// No alarm, but its numbers do not fit: somebody has to look.
    Look,
    /// An open alarm of route `engineer`.
    Engineer,
    /// Something to know, nothing to do: an open alarm of route `log_only`, or one that was never announced; a silent
    /// logger; much flagged time.
    Note,
    /// Nothing found.
    Nothing,
}

impl State {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Hazard => "crew now",
            Self::Crew => "crew",
            Self::Look => "look",
            Self::Engineer => "engineer",
            Self::Note => "note",
            Self::Nothing => "nothing found",
        }
    }

    /// Whether a crew has to go.
    pub const fn needs_crew(self) -> bool {
        matches!(self, Self::Hazard | Self::Crew)
    }
}

/// The nameplate that was in force last.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Plate {
    /// How many phases the bank has.
    pub phases: Option<u32>,
    /// Of all its phases together.
    pub rated_kvar: Option<f64>,
    /// Line to line, in V.
    pub system_voltage_v: Option<f64>,
    /// Of the units, line to neutral, in V.
    pub unit_voltage_v: Option<f64>,
    /// In Hz.
    pub rated_hz: Option<f64>,
    /// Equal units in parallel in each phase.
    pub units_per_phase: Option<u64>,
}

/// How sure the connected capacitance of a bank is, since when, and where it goes; see [`kvar`](super::kvar::kvar_with).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trust {
    /// Standard deviation of the differences between the phases, in pu.
    pub difference_sigma_pu: Option<f64>,
    /// Of what they have in common.
    pub common_sigma_pu: Option<f64>,
    /// What the latter rests on.
    pub common_basis: Option<String>,
    /// When that was last measured: UTC ms.
    pub proven_ms: Option<i64>,
    /// By what.
    pub proven_by: Option<String>,
    /// First day of the trend.
    pub trend_from_ms: Option<i64>,
    /// Slope a year of the differences of A, B, C from their mean, and its standard deviation, in pu.
    pub slopes: [Option<(f64, f64)>; 3],
    /// The first phase to cross the limit of a change, and when: UTC ms.
    pub crossing: Option<(String, i64)>,
    /// Slope a year of the mean of the phases, and its standard deviation, in pu.
    pub common_slope: Option<(f64, f64)>,
}

/// A bank of the fleet.
#[derive(Clone, Debug)]
pub struct FleetRow {
    /// Name on the nameplate; may be empty.
    pub bank: String,
    /// From `banks.toml`.
    pub feeder: Option<String>,
    /// Serial number of its logger. Two loggers with one bank name are two rows.
    pub device: String,
    /// What it needs.
    pub state: State,
    /// Every alarm that began before the end of the range, the newest first.
    pub alarms: Vec<AlarmRow>,
    /// What the numbers show though no logger raised an alarm.
    pub observations: Vec<Observation>,
    /// The nameplate.
    pub plate: Plate,
    /// Mean delivered by each phase over the range, as [`kvar`](super::kvar::delivered) has it.
    pub kvar: [Option<f64>; 3],
    /// Hours that this is the mean of, and all that were measured.
    pub known_hours: Option<(f64, f64)>,
    /// Rated of a phase.
    pub rated_kvar_phase: Option<f64>,
    /// Delivered over what whole phases would have given, in percent.
    pub available_percent: Option<f64>,
    /// How sure the connected capacitance is, and where it goes.
    pub trust: Trust,
    /// What whole phases would have given less what was delivered, over the range, of all phases together.
    pub kvarh_lost: Option<f64>,
    /// The same for a day of known hours.
    pub kvarh_lost_per_day: Option<f64>,
    /// 95th percentile of u2 over the range, as [`unbalance`](super::unbalance::unbalance) has it.
    pub u2_p95_percent: Option<f64>,
    /// The last day of the records.
    pub recent: Recent,
    /// End of the first interval in UTC ms; `None`: no interval with a time.
    pub first_ms: Option<i64>,
    /// End of the last one.
    pub last_ms: Option<i64>,
    /// Number of the logger's last start.
    pub last_boot: u32,
    /// Length of an interval in s.
    pub interval_s: f64,
    /// Intervals in the range.
    pub intervals: u64,
    /// Intervals that an interruption, a clipped channel or lost frames touched.
    pub flagged: u64,
}

impl FleetRow {
    /// The alarms that have not ended, the most urgent first, then the oldest.
    pub fn open(&self) -> Vec<&AlarmRow> {
        let mut open: Vec<&AlarmRow> = self.alarms.iter().filter(|alarm| alarm.is_open).collect();
        open.sort_by_key(|alarm| (alarm.urgency(), alarm.begin.boot, alarm.begin.frame));
        open
    }

    /// The open alarms; what was dangerous and over at once in the last [`PENDING_MS`] of its records: a restrike, a charged
    /// closing; and the newest of what was [announced again and again](AlarmRow::recurs) in that time.
    pub fn pending(&self) -> Vec<&AlarmRow> {
        let is_passed =
            |alarm: &AlarmRow| alarm.is_passed_hazard() && alarm.is_late(self.last_ms, self.last_boot);
        let counts = |alarm: &&AlarmRow| alarm.is_open || is_passed(alarm) || alarm.recurs.is_some();
        let mut pending: Vec<&AlarmRow> = self.alarms.iter().filter(counts).collect();
        pending.sort_by_key(|alarm| (alarm.urgency(), alarm.begin.boot, alarm.begin.frame));
        pending
    }

    /// Rotation of its feeder, where the records tell it: an open alarm of its logger says ACB. No record says ABC; that no alarm
    /// contradicts it proves nothing of a logger with one voltage.
    pub fn rotation(&self) -> Option<Rotation> {
        let is_reversed =
            |alarm: &AlarmRow| alarm.is_open && alarm.condition == Some(Condition::PhaseRotationReversed);
        self.alarms.iter().any(is_reversed).then_some(Rotation::Acb)
    }

    /// Rated of all its phases together, by what the intervals say of one.
    pub fn rated_kvar(&self) -> Option<f64> {
        let phases = f64::from(self.plate.phases.unwrap_or(3));
        self.rated_kvar_phase.map(|phase| phase * phases).filter(|rated| *rated > 0.0)
    }

    /// Delivered by all phases together, mean over the range.
    pub fn total_kvar(&self) -> Option<f64> {
        let [a, b, c] = self.kvar;
        Some(a? + b? + c?)
    }
}

/// How long a hazard that was over at once, or what recurs, is pending: 30 days. Our choice.
pub const PENDING_MS: i64 = 2_592_000_000;

/// One row a bank and logger, ordered by its [`Rank`]: hazards by their kind, then by kvarh lost per day × certainty, then by
/// kvarh lost per day over the range, feeder and name.
///
/// The records of the store end at the latest moment that two banks have records of (of two banks: the later one).
///
/// An alarm is open when its end is not in the records; see [`AlarmRow::is_open`]. The range of `filter` holds for the
/// measured values; alarms count from the beginning of the records to the end of the range.
///
/// # Errors
/// The store cannot be read.
pub fn fleet(store: &Store, filter: &Filter) -> Result<Vec<FleetRow>, StoreError> {
    let mut rows = Rows::default();
    rows.spans(store, filter)?;
    rows.answers(store, filter)?;
    rows.plates(store, filter)?;
    let until = Filter { from_ms: None, ..filter.clone() };
    for (key, alarm) in alarms::read(store, &until)? {
        rows.row(key).alarms.push(alarm);
    }
    let mut rows: Vec<FleetRow> = rows.into_rows();
    let last = end_of_store(rows.iter().filter_map(|row| row.last_ms).collect());
    recent::set(store, &mut rows)?;
    for row in &mut rows {
        alarms::mark_recurring(&mut row.alarms, row.last_ms, row.last_boot);
        row.observations = observe::observe(row, last);
        observe::date(store, row)?;
        row.state = state(row);
    }
    sort(&mut rows);
    Ok(rows)
}

/// The fleet over all times after further logs of one logger came in: as [`fleet`] has it, but only that logger's rows are read.
///
/// # Errors
/// The store cannot be read.
pub fn fleet_after(store: &Store, before: Vec<FleetRow>, device: &str) -> Result<Vec<FleetRow>, StoreError> {
    let mut rows = fleet(&store.of_device(device), &Filter::default())?;
    rows.extend(before.into_iter().filter(|row| row.device != device));
    let last = end_of_store(rows.iter().filter_map(|row| row.last_ms).collect());
    for row in &mut rows {
        // Whether a logger is silent depends on the others; since when a current does not follow is known.
        let dated = row.observations.iter().find_map(Observation::since_ms);
        row.observations = observe::observe(row, last);
        for observation in &mut row.observations {
            observation.set_since_ms(dated);
        }
        row.state = state(row);
    }
    sort(&mut rows);
    Ok(rows)
}

fn sort(rows: &mut [FleetRow]) {
    rows.sort_by(|a, b| {
        let lost = |row: &FleetRow| row.kvarh_lost_per_day.unwrap_or(f64::NEG_INFINITY);
        (rank(a).order(&rank(b)))
            .then(a.state.cmp(&b.state))
            .then(lost(b).total_cmp(&lost(a)))
            .then_with(|| (&a.feeder, &a.bank, &a.device).cmp(&(&b.feeder, &b.bank, &b.device)))
    });
}

/// The latest moment that two banks have records of, where there are three or more: one logger whose clock runs ahead must not
/// make all others silent.
pub(crate) fn end_of_store(mut ends: Vec<i64>) -> Option<i64> {
    ends.sort_unstable_by(|a, b| b.cmp(a));
    if ends.len() > 2 { ends.get(1).copied() } else { ends.first().copied() }
}

fn state(row: &FleetRow) -> State {
    let of_alarm = |alarm: &&AlarmRow| match alarm.route {
        _ if !alarm.is_announced() => State::Note,
        Some(Route::Hazard) => State::Hazard,
        Some(Route::Crew) => State::Crew,
        Some(Route::Engineer) => State::Engineer,
        Some(Route::LogOnly) => State::Note,
        // A condition of a newer logger: who has to know is not known here.
        None => State::Look,
    };
    let alarms = row.pending();
    let alarms = alarms.iter().map(of_alarm);
    alarms.chain(row.observations.iter().map(Observation::state)).min().unwrap_or(State::Nothing)
}

#[cfg(test)]
mod tests;
