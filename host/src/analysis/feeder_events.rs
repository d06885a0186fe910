//! One event of a feeder that many banks saw is one event: found by the shape of the voltage, not by clocks alone.
//!
//! What one bank saw within a second is an *episode*: a sag, the interruption in it, the bank coming back with the feeder.
//! Episodes of different banks of a feeder are one event where the same phases were touched, as long, to about the same
//! voltages. Clocks only bound where to look: their error is added to the window.

mod shape;

use std::collections::BTreeMap;

use polars::prelude::{Column, DataFrame, NamedFrom, Series, col};
use wyelog_protocol::condition::{Condition, Route};

use super::cells::Cells;
use super::{Filter, PHASES, times};
use crate::analysis::alarm_history::alarm_history;
use crate::store::{SETTINGS, Store, StoreError};
use shape::{Episode, Seen, cluster, episodes};

/// How far apart two clocks may be beyond what they admit to, in s. Our choice.
pub const WINDOW_S: f64 = 5.0;
/// Error of a clock that admits to none, in s. Our choice: the battery-backed clock of a logger after some months.
pub const UNKNOWN_ERROR_S: f64 = 600.0;
/// Voltages of one event differ along a feeder by no more than this, in per unit. Our choice.
pub const DEPTH_PU: f64 = 0.1;
/// Durations of one event differ by no more than this part, or three cycles. Our choice.
pub const DURATION_PART: f64 = 0.1;
/// A bank that lost something this soon after an event did not come back from it, in s. Our choice.
pub const AFTER_S: f64 = 600.0;

/// What belongs to the shape of a voltage event.
const SHAPES: [Condition; 5] = [
    Condition::Sag,
    Condition::Swell,
    Condition::Interruption,
    Condition::OpenPhaseUpstream,
    Condition::EnergisedWithFeeder,
];

/// An event of a feeder.
#[derive(Clone, Debug, PartialEq)]
pub struct FeederEvent {
    /// The id of the earliest of its alarms.
    pub id: String,
    /// Name of the feeder; none: a bank of which no feeder is known, alone.
    pub feeder: Option<String>,
    /// Rows of the history that belong to it.
    pub rows: Vec<usize>,
    /// Banks that saw it.
    pub banks: Vec<String>,
    /// By the best of the clocks: UTC ms, and its error in s.
    pub begin_ms: Option<i64>,
    /// In s; `None`: a bound is missing.
    pub error_s: Option<f64>,
    /// Median, in s.
    pub duration_s: f64,
    /// Conditions, such as "sag, interruption".
    pub conditions: String,
    /// Phases, such as "AB".
    pub phases: String,
    /// Median of the voltages to ground at their worst, in per unit of the system's.
    pub depths: [Option<f64>; 3],
    /// Latest less earliest begin by the loggers' own clocks, in s.
    pub spread_s: Option<f64>,
    /// It goes on for one of them.
    pub is_open: bool,
    /// Banks of the feeder that did not come back: with an open alarm for a crew or an engineer that began in it or within
    /// [`AFTER_S`], or that are still without voltage.
    pub lost: Vec<String>,
}

/// The events in a [history](alarm_history), in the order in which they began.
///
/// # Errors
/// The store cannot be read.
pub fn find(store: &Store, filter: &Filter, history: &DataFrame) -> Result<Vec<FeederEvent>, StoreError> {
    let nominal = nominal_voltages(store, filter)?;
    let cells = Cells(history);
    let seen: Vec<Seen> = (0..cells.rows()).filter_map(|row| seen(cells, row, &nominal)).collect();
    let clusters = cluster(episodes(seen));
    let mut events: Vec<FeederEvent> =
        clusters.into_iter().filter_map(|cluster| event(cells, &cluster)).collect();
    events.sort_by(|a, b| (a.begin_ms, &a.id).cmp(&(b.begin_ms, &b.id)));
    find_lost(cells, &mut events);
    Ok(events)
}

/// Voltage to ground of the system at each bank and logger, in V.
fn nominal_voltages(store: &Store, filter: &Filter) -> Result<BTreeMap<(String, String), f64>, StoreError> {
    let always = Filter { from_ms: None, to_ms: None, ..filter.clone() };
    let settings = always.scan(store, &SETTINGS, "time")?.collect()?;
    let cells = Cells(&settings);
    let of = |row: usize| {
        let key = (cells.text("bank", row)?, cells.text("device", row)?);
        Some((key, cells.real("system_voltage_v", row)? / libm::sqrt(3.0)))
    };
    Ok((0..cells.rows()).filter_map(of).collect())
}

fn seen(cells: Cells<'_>, row: usize, nominal: &BTreeMap<(String, String), f64>) -> Option<Seen> {
    let name = cells.text("condition", row)?;
    let condition = SHAPES.into_iter().find(|condition| condition.name() == name)?;
    let (bank, device) = (cells.text("bank", row)?, cells.text("device", row)?);
    let nominal = nominal.get(&(bank.clone(), device.clone())).copied();
    let depth = |phase: &str| Some(cells.real(&format!("voltage_{phase}_v"), row)? / nominal?);
    Some(Seen {
        row,
        condition,
        feeder: cells.text("feeder", row),
        bank,
        device,
        boot: cells.whole("boot", row)?,
        begin_frame: cells.whole("begin_frame", row)?,
        begin_ms: cells.ms("begin_time", row),
        error_s: cells.real("time_error_s", row),
        duration_s: cells.real("duration_s", row).unwrap_or(0.0),
        phases: cells.text("phases", row).unwrap_or_default(),
        depths: PHASES.map(depth),
        is_open: cells.is_true("is_open", row),
    })
}

fn event(cells: Cells<'_>, cluster: &[Episode]) -> Option<FeederEvent> {
    let best = cluster.iter().min_by(|a, b| {
        let error =
            |episode: &Episode| (episode.begin_ms.is_none(), episode.error_s.unwrap_or(f64::INFINITY));
        error(a).partial_cmp(&error(b)).unwrap_or(std::cmp::Ordering::Equal)
    })?;
    let earliest = cluster.iter().min_by_key(|episode| (episode.begin_ms, &episode.device))?;
    let begins = || cluster.iter().filter_map(|episode| episode.begin_ms);
    let mut conditions: Vec<&str> = Vec::new();
    for condition in SHAPES {
        if cluster.iter().any(|episode| episode.conditions.contains(&condition)) {
            conditions.push(condition.name());
        }
    }
    let phases = ["A", "B", "C"].into_iter();
    let phases = phases.filter(|phase| cluster.iter().any(|episode| episode.phases.contains(*phase)));
    let middle =
        |of: &dyn Fn(&Episode) -> Option<f64>| shape::median(cluster.iter().filter_map(of).collect());
    let mut event = FeederEvent {
        id: cells.text("id", *earliest.rows.first()?)?,
        feeder: best.feeder.clone(),
        rows: cluster.iter().flat_map(|episode| episode.rows.clone()).collect(),
        banks: cluster.iter().map(|episode| episode.bank.clone()).collect(),
        begin_ms: best.begin_ms,
        error_s: best.error_s,
        duration_s: middle(&|episode| Some(episode.duration_s)).unwrap_or(0.0),
        conditions: conditions.join(", "),
        phases: phases.collect(),
        depths: [0, 1, 2].map(|phase| middle(&|episode| episode.depths.get(phase).copied().flatten())),
        spread_s: begins().max().zip(begins().min()).map(|(last, first)| (last - first) as f64 / 1000.0),
        is_open: cluster.iter().any(|episode| episode.is_open),
        lost: Vec::new(),
    };
    event.banks.sort();
    event.banks.dedup();
    Some(event)
}

/// Says of each event which banks did not come back from it, and what they lack. An alarm belongs to one event: the one
/// that it began in or soonest after, the later one of two.
fn find_lost(cells: Cells<'_>, events: &mut [FeederEvent]) {
    let slack_s = |error: Option<f64>| WINDOW_S + error.unwrap_or(UNKNOWN_ERROR_S);
    for row in 0..cells.rows() {
        let (Some(bank), Some(name)) = (cells.text("bank", row), cells.text("condition", row)) else {
            continue;
        };
        let Some(own) = cells.ms("since_time", row).filter(|_| cells.is_true("is_open", row)) else {
            continue;
        };
        let condition = Condition::ALL.into_iter().find(|condition| condition.name() == name);
        let counts = condition.is_none_or(|condition| {
            condition == Condition::Interruption
                || (condition.concerns_bank() && condition.route() != Route::LogOnly)
        });
        if !counts {
            continue;
        }
        let feeder = cells.text("feeder", row);
        let own_slack = slack_s(cells.real("since_time_error_s", row));
        let after_s = |event: &FeederEvent| {
            let is_here = event.feeder == feeder && (feeder.is_some() || event.banks.contains(&bank));
            // Nobody loses anything to a swell alone, nor hours into a dip that goes on.
            let is_dip = is_here && event.conditions != Condition::Swell.name();
            let slack = own_slack + slack_s(event.error_s);
            let since_begin = (own - event.begin_ms.filter(|_| is_dip)?) as f64 / 1000.0;
            let since_end = since_begin - event.duration_s;
            let late = (since_end - slack).max(0.0);
            (since_begin >= -slack && late <= AFTER_S).then_some(late)
        };
        let best = events.iter_mut().filter_map(|event| Some((after_s(event)?, event)));
        // The last of equals is the later one.
        let best = best.min_by(|(a, one), (b, other)| a.total_cmp(b).then(other.begin_ms.cmp(&one.begin_ms)));
        let Some((_, event)) = best else { continue };
        let phases = cells.text("phases", row).unwrap_or_default();
        let text = format!("{bank}: {} {phases}", name.replace('_', " "));
        let text = text.trim_end().to_owned();
        if !event.lost.contains(&text) {
            event.lost.push(text);
        }
    }
    events.iter_mut().for_each(|event| event.lost.sort());
}

/// One row an event, the newest first: see [`FeederEvent`]. `seen_by` counts the banks that saw it, `feeder_banks` those of
/// the feeder in the store; `did_not_come_back` names banks and what they lack.
///
/// # Errors
/// The store cannot be read.
pub fn feeder_events(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let history = alarm_history(store, filter)?;
    let mut events = find(store, filter, &history)?;
    events.reverse();
    let banks = banks_of_feeders(store, filter)?;
    let text = |name: &str, of: &dyn Fn(&FeederEvent) -> Option<String>| -> Column {
        Series::new(name.into(), events.iter().map(of).collect::<Vec<_>>()).into()
    };
    let real = |name: &str, of: &dyn Fn(&FeederEvent) -> Option<f64>| -> Column {
        Series::new(name.into(), events.iter().map(of).collect::<Vec<_>>()).into()
    };
    let listed = |texts: &[String]| Some(texts.join("; ")).filter(|text| !text.is_empty());
    let mut columns = vec![
        text("id", &|event| Some(event.id.clone())),
        text("feeder", &|event| event.feeder.clone()),
        times("begin_time", events.iter().map(|event| event.begin_ms).collect())?,
        real("time_error_s", &|event| event.error_s),
        real("duration_s", &|event| Some(event.duration_s)),
        text("conditions", &|event| Some(event.conditions.clone())),
        text("phases", &|event| Some(event.phases.clone())),
    ];
    for (phase, letter) in PHASES.iter().enumerate() {
        columns
            .push(real(&format!("voltage_{letter}_pu"), &|event| event.depths.get(phase).copied().flatten()));
    }
    columns.push(real("seen_by", &|event| Some(event.banks.len() as f64)));
    columns.push(real("feeder_banks", &|event| {
        event.feeder.as_ref().and_then(|feeder| banks.get(feeder)).map(|count| *count as f64)
    }));
    columns.push(text("banks", &|event| listed(&event.banks)));
    columns.push(real("spread_s", &|event| event.spread_s));
    columns.push(text("did_not_come_back", &|event| listed(&event.lost)));
    let open: Vec<bool> = events.iter().map(|event| event.is_open).collect();
    columns.push(Series::new("is_open".into(), open).into());
    Ok(DataFrame::new_infer_height(columns)?)
}

/// How many banks of each feeder are in the store.
fn banks_of_feeders(store: &Store, filter: &Filter) -> Result<BTreeMap<String, usize>, StoreError> {
    let always = Filter { from_ms: None, to_ms: None, banks: Vec::new(), ..filter.clone() };
    let by = [col("bank"), col("feeder")];
    let banks = always.scan(store, &SETTINGS, "time")?.group_by(by).agg([]).collect()?;
    let cells = Cells(&banks);
    let mut counts = BTreeMap::new();
    for row in 0..cells.rows() {
        if let Some(feeder) = cells.text("feeder", row) {
            *counts.entry(feeder).or_insert(0) += 1;
        }
    }
    Ok(counts)
}
