//! What the voltages load the capacitors of each bank with, beside the continuous limits of IEEE Std 18.

mod loading;
mod resonance;

use polars::lazy::dsl::max_horizontal;
use polars::prelude::{
    DataFrame, DataType, Expr, IntoLazy, JoinArgs, JoinType, LazyFrame, NamedFrom, PolarsResult, Series,
    SortMultipleOptions, col, lit,
};
use wyelog_electrical::capacitor::{LIMIT_CURRENT, LIMIT_PEAK_VOLTAGE, LIMIT_REACTIVE, LIMIT_RMS_VOLTAGE};

pub use resonance::{LEAST_RISE_PERCENT, LEAST_RISE_RATIO, LEAST_VALUES, RECENT_MS};

use super::percentile::{listed, p95};
use super::slices::{MOST_ROWS, by_banks};
use super::{Filter, PHASES, has_phase, hours, only, or_zero};
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
///   `spectrum_hours`, `flagged_spectra`: the same of the ten minutes that have a spectrum;
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
    let volts = by_banks(&filter.rows(store, &INTERVALS, "time")?, MOST_ROWS, of_intervals)?;
    let volts = store.with_feeders(volts.lazy());
    let spectra = filter.rows(store, &SPECTRA, "time")?;
    let loads = by_banks(&spectra, MOST_ROWS, loading::of_spectra)?.lazy();
    let steps = resonance::steps(store, filter)?;
    let rows = volts.join(loads, of_bank(), of_bank(), left()).join(steps, of_bank(), of_bank(), left());
    let over: Vec<Expr> =
        limits().iter().map(|of| col(format!("{}_over_hours", of.stem)).fill_null(lit(0.0))).collect();
    let over = over.into_iter().fold(lit(0.0), |sum, hours| sum + hours);
    let worst =
        SortMultipleOptions::default().with_order_descending_multi([true, true, false]).with_nulls_last(true);
    let by = ["over", "current_p95_percent", "bank"];
    let rows = rows.with_column(over.alias("over")).sort(by, worst);
    let mut frame = rows.drop(polars::prelude::cols(["over"])).collect()?;
    resonance::columns(&spectra, &mut frame)?;
    Ok(frame)
}

/// Values for the [95th percentile](p95), largest value and hours over the limit of the column `stem`, which is null where it
/// does not count.
fn limited(of: &Limited) -> [Expr; 3] {
    let value = || col(of.stem);
    let is_over = value().gt(lit(of.limit_percent));
    [
        listed(of.stem, &of.p95()),
        value().max().alias(format!("{}_max_percent", of.stem)),
        or_zero(is_over, col("hours")).sum().alias(format!("{}_over_hours", of.stem)),
    ]
}

fn of_intervals(intervals: LazyFrame) -> PolarsResult<LazyFrame> {
    let volts = PHASES.map(|phase| {
        let ratio = lit(100.0) * col(format!("voltage_{phase}_v")) / col("unit_voltage_v");
        only(has_phase(phase), ratio)
    });
    let is_good = || col("flagged").eq(lit(0));
    let is_loaded = || col("state").eq(lit("open")).not();
    let counts = || is_good().and(is_loaded());
    // A bank that was never in has a row too: it was not loaded.
    let loaded = intervals.select([
        col("bank"),
        col("device"),
        is_good().not().and(is_loaded()).alias("is_flagged"),
        or_zero(counts(), hours()).alias("hours"),
        only(counts(), max_horizontal(volts)?).alias("voltage"),
    ]);
    let mut columns = vec![
        col("hours").sum().alias("loaded_hours"),
        col("is_flagged").cast(DataType::UInt32).sum().alias("flagged_intervals"),
    ];
    let [voltage, ..] = limits();
    columns.extend(limited(&voltage));
    let rows = loaded.group_by([col("bank"), col("device")]).agg(columns);
    Ok(rows.with_column(p95(&voltage.p95())))
}

/// Adds a column of texts.
fn add_text(frame: &mut DataFrame, name: &str, values: Vec<String>) -> PolarsResult<()> {
    frame.with_column(Series::new(name.into(), values).into()).map(drop)
}
