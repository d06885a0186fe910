//! Spectra: whether the bank was in, and what they load it with.

use polars::lazy::dsl::max_horizontal;
use polars::prelude::{
    DataType, Expr, IntoLazy, JoinArgs, JoinType, LazyFrame, NULL, SortMultipleOptions, UniqueKeepStrategy,
    col, concat, lit, when,
};

use super::{Limited, limited, limits};
use crate::analysis::ten_minutes::{TEN_MINUTES_MS, block_end};
use crate::analysis::{Filter, PHASES, only, or_zero};
use crate::store::{INTERVALS, OPERATIONS, SETTINGS, Store, StoreError};

/// Harmonics of a spectrum.
pub(super) const ORDERS: std::ops::RangeInclusive<u32> = 2..=25;

/// The clock's ten minutes that end at about `time`, in UTC ms: by their middle.
fn end_of(time: Expr) -> Expr {
    let middle = time.to_physical() - lit(TEN_MINUTES_MS / 2);
    (middle.floor_div(lit(TEN_MINUTES_MS)) + lit(1_i64)) * lit(TEN_MINUTES_MS)
}

/// Spectra with their `side`, of banks that were in all the time and of the others.
pub(super) struct Sided {
    always: LazyFrame,
    /// Of banks that were open in some interval; none, if there is no such bank.
    pub switched: Option<LazyFrame>,
}

impl Sided {
    /// All of them.
    pub fn all(self) -> Result<LazyFrame, StoreError> {
        match self.switched {
            Some(switched) => Ok(concat([self.always, switched], Default::default())?),
            None => Ok(self.always),
        }
    }
}

/// Adds `side`: `in` or `out` where all intervals of a spectrum's ten minutes say so and the switch did nothing in them; null
/// otherwise. Banks of which no interval says that they were open are in, or of unknown state, all the time: no join for them.
pub(super) fn with_state(store: &Store, filter: &Filter, spectra: LazyFrame) -> Result<Sided, StoreError> {
    let intervals = filter.apply(store.scan(&INTERVALS)?, "time");
    let opened = intervals.clone().filter(col("state").eq(lit("open"))).select([col("device")]);
    let opened = opened.unique(None, UniqueKeepStrategy::Any).collect()?;
    let is_in = || lit("in").alias("side");
    if opened.height() == 0 {
        return Ok(Sided { always: spectra.with_column(is_in()), switched: None });
    }
    let opened = opened.lazy();
    let device = || [col("device")];
    let always = spectra.clone().join(opened.clone(), device(), device(), JoinArgs::new(JoinType::Anti));
    let sometimes = spectra.join(opened.clone(), device(), device(), JoinArgs::new(JoinType::Semi));
    let intervals = intervals.join(opened, device(), device(), JoinArgs::new(JoinType::Semi));
    let timed = intervals.filter(col("time").is_not_null());
    let states = timed.select([col("device"), block_end().alias("block_end"), col("state")]);
    let all = |state: &str| col("state").eq(lit(state)).all(true);
    let side = when(all("closed"))
        .then(lit("in"))
        .otherwise(when(all("open")).then(lit("out")).otherwise(lit(NULL)));
    let key = || [col("device"), col("block_end")];
    let states = states.group_by(key()).agg([side.alias("side")]);
    let operations = store.scan(&OPERATIONS)?.filter(col("begin_time").is_not_null());
    let begin = col("begin_time").to_physical().floor_div(lit(TEN_MINUTES_MS));
    let begin = ((begin + lit(1_i64)) * lit(TEN_MINUTES_MS)).alias("block_end");
    let states =
        states.join(operations.select([col("device"), begin]), key(), key(), JoinArgs::new(JoinType::Anti));
    let sometimes = sometimes.with_column(end_of(col("time")).alias("block_end"));
    let sometimes = sometimes.join(states, key(), key(), JoinArgs::new(JoinType::Left));
    let sometimes = sometimes.drop(polars::prelude::cols(["block_end"]));
    Ok(Sided { always: always.with_column(is_in()), switched: Some(sometimes) })
}

/// Rated voltage to ground of the system over that of the units, of the settings that came into force last.
fn unit_ratios(store: &Store) -> Result<LazyFrame, StoreError> {
    let settings = store.scan(&SETTINGS)?.sort(["boot", "sequence"], SortMultipleOptions::default());
    let ratio = col("system_voltage_v") / lit(3.0_f64.sqrt()) / col("unit_voltage_v");
    Ok(settings.group_by([col("bank"), col("device")]).agg([ratio.last().alias("unit_ratio")]))
}

/// A row a bank and logger: THD, current, reactive power and crest of the spectra whose bank is not known to be out.
pub(super) fn of_spectra(store: &Store, spectra: LazyFrame) -> Result<LazyFrame, StoreError> {
    let of_bank = || [col("bank"), col("device")];
    let spectra = spectra.join(unit_ratios(store)?, of_bank(), of_bank(), JoinArgs::new(JoinType::Left));
    let worst = |of: &dyn Fn(&str) -> Expr| max_horizontal(PHASES.map(of));
    let named = |stem: &'static str| move |phase: &str| col(format!("{stem}_{phase}_percent"));
    let good = || col("flagged").eq(lit(0));
    let hours = col("windows").cast(DataType::Float64) * lit(0.2 / 3600.0);
    let rows = spectra.filter(col("side").eq_missing(lit("out")).not()).select([
        col("bank"),
        col("device"),
        good().not().alias("is_flagged"),
        or_zero(good(), hours).alias("hours"),
        only(good(), worst(&named("thd"))?).alias("thd"),
        only(good(), worst(&named("current_loading"))?).alias("current"),
        only(good(), worst(&named("reactive_loading"))?).alias("reactive"),
        only(good(), worst(&crest)?).alias("crest"),
    ]);
    let mut columns = vec![
        col("hours").sum().alias("spectrum_hours"),
        col("is_flagged").cast(DataType::UInt32).sum().alias("flagged_spectra"),
    ];
    for of in limits().iter().filter(|of| of.stem != "voltage") {
        columns.extend(limited(of));
    }
    let thd = Limited { stem: "thd", words: "", limit_percent: f64::INFINITY };
    let [p95, max, _] = limited(&thd);
    columns.extend([p95, max]);
    Ok(rows.group_by(of_bank()).agg(columns))
}

/// Fundamental and harmonics of a phase if all their crests meet, in percent of the units' rated crest. The reactive loading
/// is Σ h·V_h², so it gives the fundamental.
fn crest(phase: &str) -> Expr {
    let harmonic = |order: u32| {
        let percent = col(format!("voltage_{phase}_h{order}_percent")).fill_null(lit(0.0));
        percent * col("unit_ratio") / lit(100.0)
    };
    let sum = |of: &dyn Fn(u32) -> Expr| ORDERS.map(of).fold(lit(0.0), |sum, part| sum + part);
    let weighted = sum(&|order| lit(f64::from(order)) * harmonic(order) * harmonic(order));
    let square = col(format!("reactive_loading_{phase}_percent")) / lit(100.0) - weighted;
    let fundamental = when(square.clone().gt(lit(0.0))).then(square.sqrt()).otherwise(lit(0.0));
    let is_known = col(format!("reactive_loading_{phase}_percent")).is_not_null();
    when(is_known).then(lit(100.0) * (fundamental + sum(&harmonic))).otherwise(lit(NULL))
}
