//! Loading and resonance.

use polars::lazy::dsl::max_horizontal;
use polars::prelude::*;
use wyelog::store::Store;

use super::{Rows, bank, good, hours, left, ms, p95, rows, scan};

fn limited(name: &str, limit: f64) -> [Expr; 3] {
    [
        p95(col(name)).alias(format!("{name}_p95")),
        col(name).max().alias(format!("{name}_max")),
        col("hours").filter(col(name).gt(lit(limit))).sum().alias(format!("{name}_over")),
    ]
}

pub fn stress(store: &Store) -> Rows {
    let phases = ["a", "b", "c"];
    let volts = phases.map(|phase| lit(100.0) * col(format!("voltage_{phase}_v")) / col("unit_voltage_v"));
    let loaded = scan(store, "intervals")?.filter(good().and(col("state").neq(lit("open"))));
    let loaded = loaded.select([
        col("bank"),
        col("device"),
        hours().alias("hours"),
        max_horizontal(volts)?.alias("voltage"),
    ]);
    let volts = loaded.group_by(bank()).agg(limited("voltage", 110.0));
    let spectra = scan(store, "spectra")?.filter(good());
    let loads = spectra.clone().filter(col("state").neq(lit("open"))).select([
        col("bank"),
        col("device"),
        (col("frame").clip_max(lit(2_880_000_u64)).cast(DataType::Float64) * lit(1.0 / 17_280_000.0))
            .alias("hours"),
        col("thd_percent").alias("thd"),
        col("current_loading_percent").alias("current"),
        col("reactive_loading_percent").alias("reactive"),
        col("crest_loading_percent").alias("crest"),
    ]);
    let names = [("thd", f64::INFINITY), ("current", 135.0), ("reactive", 135.0), ("crest", 120.0)];
    let columns: Vec<Expr> = names.iter().flat_map(|(name, limit)| limited(name, *limit)).collect();
    let loads = loads.group_by(bank()).agg(columns);
    let hour = ms("time").floor_div(lit(3_600_000));
    let hour = hour.clone() - hour.floor_div(lit(24)) * lit(24);
    let square = |order: u32| {
        let phases = phases.map(|phase| col(format!("voltage_{phase}_h{order}_percent")));
        let sum = phases.into_iter().fold(lit(0.0), |sum, phase| sum + phase.clone() * phase);
        (sum / lit(3.0)).mean().alias(format!("h{order}"))
    };
    let mut of_hour = vec![len().alias("values")];
    of_hour.extend((2..=25).map(square));
    let by = [bank().to_vec(), vec![col("state"), hour.alias("hour")]].concat();
    let opened = spectra.clone().filter(col("state").eq(lit("open"))).select([col("device")]);
    let opened = opened.unique(None, UniqueKeepStrategy::Any);
    // Of the last thirty days.
    let end = spectra.clone().select([ms("time").max()]).collect()?;
    let end = end.column("time")?.i64()?.get(0).unwrap_or(0);
    let recent = spectra.filter(ms("time").gt(lit(end - 30 * 86_400_000)));
    let switched = recent.semi_join(opened, col("device"), col("device"));
    rows(switched.group_by(by).agg(of_hour))?;
    let steps = scan(store, "operations")?.filter(col("action").eq(lit("closed")));
    let steps = steps.group_by(bank()).agg([len().alias("closings"), col("voltage_step_pu").median()]);
    rows(volts.join(loads, bank(), bank(), left()).join(steps, bank(), bank(), left()))
}
