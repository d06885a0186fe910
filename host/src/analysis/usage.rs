//! Is anybody using this bank? How long it is in, whether that is when the voltages ask for it, and what its control does.

mod visits;

use polars::lazy::dsl::mean_horizontal;
use polars::prelude::{
    DataFrame, DataType, Expr, IntoLazy, JoinArgs, JoinType, LazyFrame, NamedFrom, PolarsResult, Series,
    SortMultipleOptions, col, lit,
};
use wyelog_protocol::condition::Condition;
use wyelog_protocol::record::BankState;

use super::cells::Cells;
use super::slices::collect;
use super::{Filter, PHASES, days, has_phase, hours, only, or_zero};
use crate::store::{EVENTS, INTERVALS, OPERATIONS, SETTINGS, Store, StoreError};

/// What counts as low and as high: mean of the phases' voltages to ground, in percent of the system's rated voltage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Levels {
    /// Below it the feeder is short of kvar, as far as voltages tell.
    pub low_percent: f64,
    /// Above it the feeder has more than it needs.
    pub high_percent: f64,
}

impl Default for Levels {
    /// Range A of ANSI C84.1 above 600 V (from memory).
    fn default() -> Self {
        Self { low_percent: 97.5, high_percent: 105.0 }
    }
}

/// One row a bank and logger:
///
/// - `use`: `never_in`, `left_open`, `always_in`, `switched` (also: came and went with nobody seeing an operation), or `unknown`;
/// - `hours`, `closed_hours`, `open_hours`, `partly_closed_hours`, `unknown_hours`: measured, by the state at the end of an
///   interval;
/// - `low_closed_hours`, `low_open_hours`, `high_closed_hours`, `high_open_hours`: of these, without flagged intervals, with a
///   voltage below or above `levels`: the feeder needs kvar, or has more than it needs, as far as voltages tell (common practice,
///   no source; the bank raises the voltage that it is judged by); `in_when_low_percent`, `in_when_high_percent`: the part of
///   them with the bank closed;
/// - `operations`, `untold_operations` (told by no contact that is wired), `failed_operations` (`failed_to_operate`), `stuck_poles`
///   (`pole_failed_to_open`), `hunting` (`frequent_switching`): occurrences that began in the range;
/// - `state`, `last_time`: of the last interval; `last_closed_time`: end of the last one that was not open, unknown left out;
/// - `visit_time`, `visit`: when somebody was last there, up to the end of the range, and what they did: `clock_set` by a host,
///   `settings_changed`, `baseline_learned`, `baseline_discarded`; `left_open_hours`: from that visit to the last interval, if the
///   bank has been open since; null otherwise.
///
/// The least used first.
///
/// # Errors
/// The store cannot be read.
pub fn usage(store: &Store, filter: &Filter, levels: Levels) -> Result<DataFrame, StoreError> {
    let key = || [col("bank"), col("device")];
    let left = || JoinArgs::new(JoinType::Left);
    let of_levels = at_levels(filter.rows(store, &INTERVALS, "time")?, rated_voltages(store)?, levels)?;
    let states = states(store, filter)?.join(of_levels, key(), key(), left());
    let states = states.with_columns(OF_LEVELS.map(|name| col(name).fill_null(lit(0.0))));
    let states = store.with_feeders(collect(states)?.lazy());
    let events = filter.rows(store, &EVENTS, "begin_time")?;
    let operations = filter.rows(store, &OPERATIONS, "begin_time")?.group_by(key()).agg([
        col("action").count().cast(DataType::UInt32).alias("operations"),
        col("told").eq(lit(0)).fill_null(lit(false)).cast(DataType::UInt32).sum().alias("untold_operations"),
    ]);
    let rows = states.join(operations, key(), key(), left()).join(occurrences(events), key(), key(), left());
    let counts = COUNTS.map(|name| col(name).fill_null(lit(0_u32)));
    let part = |closed: &str, open: &str| {
        let all = col(closed) + col(open);
        only(all.clone().gt(lit(0.0)), lit(100.0) * col(closed) / all)
    };
    let rows = rows.with_columns(counts).with_columns([
        part("low_closed_hours", "low_open_hours").alias("in_when_low_percent"),
        part("high_closed_hours", "high_open_hours").alias("in_when_high_percent"),
    ]);
    let mut frame = rows.collect()?;
    visits::columns(store, filter, &mut frame)?;
    verdict(&mut frame)?;
    let order = SortMultipleOptions::default().with_nulls_last(true);
    let frame = frame.sort(["rank", "bank", "device"], order)?;
    Ok(frame.drop("rank")?)
}

const COUNTS: [&str; 5] = ["operations", "untold_operations", "failed_operations", "stuck_poles", "hunting"];

/// Bank, logger, hours by state, `state` of the latest interval, and times.
fn states(store: &Store, filter: &Filter) -> Result<LazyFrame, StoreError> {
    let mut sums = vec![col("hours").sum()];
    sums.extend(STATES.map(|state| col(format!("{}_hours", state.name())).sum()));
    sums.extend([
        col("state").drop_nulls().last(),
        col("time").max().alias("last_time"),
        col("last_in_time").max().alias("last_closed_time"),
    ]);
    // The latest day is the last one of the last start.
    let days = days::days(store, filter)?.sort(["boot", "frame"], SortMultipleOptions::default());
    Ok(days.group_by_stable([col("bank"), col("device")]).agg(sums))
}

/// In the order in which their hours are shown.
const STATES: [BankState; 4] = BankState::ALL;

/// Hours without flag, of the closed and of the open bank, at which the voltage is low or high. Few are: the others are left out
/// before anything is summed up.
fn at_levels(intervals: LazyFrame, rated: LazyFrame, levels: Levels) -> PolarsResult<LazyFrame> {
    let key = || [col("bank"), col("device")];
    let volts = PHASES.map(|phase| only(has_phase(phase), col(format!("voltage_{phase}_v"))));
    let percent = lit(100.0) * mean_horizontal(volts, true)? / col("rated_v");
    let is = |state: &str| col("state").eq(lit(state));
    let counted = intervals.filter(col("flagged").eq(lit(0)).and(is("closed").or(is("open"))));
    let shown =
        [key().to_vec(), vec![col("state"), hours().alias("hours"), percent.alias("percent")]].concat();
    let rows = counted.join(rated, key(), key(), JoinArgs::new(JoinType::Left)).select(shown);
    let low = || col("percent").lt(lit(levels.low_percent));
    let high = || col("percent").gt(lit(levels.high_percent));
    let of = |name: &str| {
        let level = if name.starts_with("low") { low() } else { high() };
        let state = if name.contains("closed") { is("closed") } else { is("open") };
        or_zero(state.and(level), col("hours")).alias(name)
    };
    let rows = rows.filter(low().or(high())).select([key().to_vec(), OF_LEVELS.map(of).to_vec()].concat());
    Ok(rows.group_by(key()).agg(OF_LEVELS.map(|name| col(name).sum())))
}

const OF_LEVELS: [&str; 4] = ["low_closed_hours", "low_open_hours", "high_closed_hours", "high_open_hours"];

/// Bank, logger and the rated voltage to ground of the system, of the settings that came into force last.
fn rated_voltages(store: &Store) -> Result<LazyFrame, StoreError> {
    let settings = store.scan(&SETTINGS)?.sort(["boot", "sequence"], SortMultipleOptions::default());
    let volts = (col("system_voltage_v") / lit(3.0_f64.sqrt())).last().alias("rated_v");
    Ok(settings.group_by([col("bank"), col("device")]).agg([volts]))
}

fn occurrences(events: LazyFrame) -> LazyFrame {
    let wanted = [
        (Condition::FailedToOperate, "failed_operations"),
        (Condition::PoleFailedToOpen, "stuck_poles"),
        (Condition::FrequentSwitching, "hunting"),
    ];
    let is = |condition: Condition| col("condition").eq(lit(condition.name()));
    let any = wanted.iter().map(|(condition, _)| is(*condition)).fold(lit(false), Expr::or);
    let occurrence = ["bank", "device", "boot", "occurrence", "condition", "begin_frame"].map(col);
    let once = events.filter(any).group_by(occurrence).agg([col("change").first()]);
    let count = |(condition, name): (Condition, &str)| is(condition).cast(DataType::UInt32).sum().alias(name);
    once.group_by([col("bank"), col("device")]).agg(wanted.map(count))
}

/// Adds `left_open_hours`, `use`, and `rank` to sort by.
fn verdict(frame: &mut DataFrame) -> Result<(), StoreError> {
    let cells = Cells(frame);
    let (mut left_open, mut words, mut ranks) = (Vec::new(), Vec::new(), Vec::new());
    for row in 0..cells.rows() {
        let hours = |state: &str| cells.real(&format!("{state}_hours"), row).unwrap_or(0.0);
        let (closed, open) = (hours("closed") + hours("partly_closed"), hours("open"));
        let is_open = cells.text("state", row).as_deref() == Some("open");
        let visit = cells.ms("visit_time", row).filter(|visit| {
            is_open && cells.ms("last_closed_time", row).is_none_or(|closed| closed <= *visit)
        });
        let since =
            visit.zip(cells.ms("last_time", row)).map(|(visit, last)| (last - visit) as f64 / 3_600_000.0);
        let since = since.filter(|hours| *hours > 0.0);
        let (word, rank) = match (closed > 0.0, open > 0.0) {
            (false, true) => ("never_in", 0_u32),
            (true, true) if since.is_some() => ("left_open", 1),
            (true, true) => ("switched", 2),
            (true, false) => ("always_in", 3),
            (false, false) => ("unknown", 4),
        };
        left_open.push(since);
        words.push(word);
        ranks.push(rank);
    }
    frame.with_column(Series::new("left_open_hours".into(), left_open).into())?;
    frame.with_column(Series::new("use".into(), words).into())?;
    frame.with_column(Series::new("rank".into(), ranks).into())?;
    Ok(())
}
