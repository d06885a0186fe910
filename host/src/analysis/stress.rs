//! What the voltages load the capacitors of each bank with, beside the continuous limits of IEEE Std 18.

mod loading;
mod resonance;
mod sums;

use polars::lazy::dsl::max_horizontal;
use polars::prelude::{
    DataFrame, DataType, Expr, IntoLazy, JoinArgs, JoinType, LazyFrame, NamedFrom, PolarsResult, Series,
    SortMultipleOptions, col, lit, when,
};
use wyelog_electrical::capacitor::{LIMIT_CURRENT, LIMIT_PEAK_VOLTAGE, LIMIT_REACTIVE, LIMIT_RMS_VOLTAGE};

pub use resonance::{LEAST_RISE_PERCENT, LEAST_RISE_RATIO, LEAST_VALUES, RECENT_MS};

use super::slices::{MOST_ROWS, by_counted_banks, collect};
use super::{Filter, PHASES, days, has_phase, hours, only};
use crate::store::{INTERVALS, SPECTRA, Store, StoreError};

/// A quantity with a continuous limit of IEEE Std 18, of which [`stress`] has `x_p95_percent`, `x_max_percent`, `x_over_hours`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limited {
    /// Its name in columns.
    pub stem: &'static str,
    /// What it is, in words.
    pub words: &'static str,
    /// The limit in percent of the rating.
    pub limit_percent: f64,
}

impl Limited {
    /// The column of its 95th percentile.
    fn p95(&self) -> String {
        format!("{}_p95_percent", self.stem)
    }

    /// The column of the largest value.
    fn max(&self) -> String {
        format!("{}_max_percent", self.stem)
    }

    /// The column of the hours above the limit.
    fn over(&self) -> String {
        format!("{}_over_hours", self.stem)
    }
}

/// Percent without the dust of a conversion: 1.1 is no short binary fraction.
fn percent(limit: f32) -> f64 {
    libm::round(f64::from(limit) * 1000.0) / 10.0
}

/// All of them.
pub fn limits() -> [Limited; 4] {
    let of = |stem, words, limit| Limited { stem, words, limit_percent: percent(limit) };
    [
        of("voltage", "rms voltage", LIMIT_RMS_VOLTAGE),
        of("crest", "crest voltage", LIMIT_PEAK_VOLTAGE),
        of("current", "current", LIMIT_CURRENT),
        of("reactive", "reactive power", LIMIT_REACTIVE),
    ]
}

/// One row a bank and logger, in percent of the units' ratings, of its worst phase, while the bank is not open:
///
/// - `loaded_hours`, `flagged_intervals`: hours of intervals, without the flagged ones, and how many those are;
///   `spectrum_hours`, `flagged_spectra`: the same of the ten minutes that have a spectrum, each of which stands for its ten
///   minutes, or for the time since the logger's start where that is less, however many windows were looked at in it;
/// - `x_p95_percent`, `x_max_percent`, `x_over_hours` of each of [`limits`]: the 95th percentile (linear between ranks), the
///   largest value, and the hours above the limit. `voltage` is of the intervals, the others are of ten minutes.
///   `crest` is the sum of the fundamental and all harmonics, as if all crests met: the true crest is at most that. The
///   fundamental is taken out of the reactive loading, at rated frequency; it was computed at ingest. Current and reactive power are those of units as
///   rated at these voltages;
/// - `thd_p95_percent`, `thd_max_percent`: of the voltage's fundamental; it has no limit in IEEE Std 18;
/// - `resonance`, in words, and `rising_harmonic`, `rising_in_percent`, `rising_out_percent`, `in_values`, `out_values`: which
///   harmonic of the voltage is higher with the bank in than with it out, of ten-minute values at the same hours of the day, so
///   that day and night are not taken for the bank (a value is in or out where the bank was all its ten minutes), in the last
///   [`RECENT_MS`] of its spectra;
///   `resonant_order`: the order at which bank and feeder resonate by the
///   voltage step of `step_closings` closings, √(1/step), if the feeder is an inductance and no other bank is in.
///
/// The most loaded first: by hours over a limit, then by current.
///
/// # Errors
/// The store cannot be read.
pub fn stress(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let of_bank = || [col("bank"), col("device")];
    let left = || JoinArgs::new(JoinType::Left);
    let intervals = filter.rows(store, &INTERVALS, "time")?;
    let counts = days::counts(store, filter)?;
    // Few columns are held, and each group opens all files again: larger groups.
    let volts = by_counted_banks(&intervals, &counts, 2 * MOST_ROWS, of_intervals)?;
    let volts = store.with_feeders(volts.lazy());
    let spectra = filter.rows(store, &SPECTRA, "time")?;
    let loggers = collect(loggers(days::days(store, filter)?))?;
    let counts = loggers.clone().lazy().group_by([col("bank")]).agg([col("rows").sum()]).collect()?;
    let loads = by_counted_banks(&spectra, &counts, 2 * MOST_ROWS, loading::of_spectra)?.lazy();
    let steps = resonance::steps(store, filter)?;
    let rows = volts.join(loads, of_bank(), of_bank(), left()).join(steps, of_bank(), of_bank(), left());
    let over: Vec<Expr> = limits().iter().map(|of| col(of.over()).fill_null(lit(0.0))).collect();
    let over = over.into_iter().fold(lit(0.0), |sum, hours| sum + hours);
    let worst =
        SortMultipleOptions::default().with_order_descending_multi([true, true, false]).with_nulls_last(true);
    let by = ["over", "current_p95_percent", "bank"];
    let rows = rows.with_column(over.alias("over")).sort(by, worst);
    let mut frame = rows.drop(polars::prelude::cols(["over"])).collect()?;
    resonance::columns(&spectra, &loggers, &mut frame)?;
    Ok(frame)
}

/// A row a bank and logger that has intervals: `last_ms`, the time of the last of them, and `rows`, about how many spectra go with
/// them.
fn loggers(days: LazyFrame) -> LazyFrame {
    let rows = (lit(6.0) * col("hours").sum()).ceil().cast(DataType::UInt64) + lit(1_u64);
    days.group_by([col("bank"), col("device")])
        .agg([rows.alias("rows"), col("time").max().to_physical().alias("last_ms")])
}

fn of_intervals(intervals: LazyFrame) -> PolarsResult<LazyFrame> {
    let volts = PHASES.map(|phase| only(has_phase(phase), col(format!("voltage_{phase}_v"))));
    let voltage = lit(100.0) * max_horizontal(volts)? / col("unit_voltage_v");
    // A bank that was never in has a row too: it was not loaded.
    let is_open = col("state").eq_missing(lit("open"));
    let rows = intervals.select([
        col("bank"),
        col("device"),
        col("flagged").fill_null(lit(1_u32)),
        when(is_open).then(lit(f64::NAN)).otherwise(hours().fill_null(lit(0.0))).alias("hours"),
        voltage.fill_null(lit(f64::NAN)).alias("voltage"),
    ]);
    let [voltage, ..] = limits();
    Ok(sums::sums(collect(rows)?, ["loaded_hours", "flagged_intervals"], &[voltage])?.lazy())
}

/// Adds a column of texts.
fn add_text(frame: &mut DataFrame, name: &str, values: Vec<String>) -> PolarsResult<()> {
    frame.with_column(Series::new(name.into(), values).into()).map(drop)
}
