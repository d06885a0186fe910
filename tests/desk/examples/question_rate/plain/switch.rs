//! What the switch did, and whether anybody uses it.

use polars::lazy::dsl::{max_horizontal, mean_horizontal, min_horizontal};
use polars::prelude::*;
use wyelog::store::Store;

use super::{Rows, bank, good, hours, left, ms, rows, scan};

pub fn switching(store: &Store) -> Rows {
    let watched = scan(store, "intervals")?
        .group_by(bank())
        .agg([(hours().sum() / lit(24.0)).alias("watched_days"), col("time").max().alias("until")]);
    let poles = || ["pole_a_us", "pole_b_us", "pole_c_us"].map(|name| col(name).cast(DataType::Float64));
    let spread = (max_horizontal(poles())? - min_horizontal(poles())?) / lit(1000.0);
    let is = |action: &str| col("action").eq(lit(action));
    let operations = scan(store, "operations")?.with_column(spread.alias("spread_ms"));
    let trend = |name: &'static str, of: Expr| {
        let value = || col(name).filter(of.clone());
        let slope =
            cov(ms("begin_time").filter(of.clone()), value(), 1) / ms("begin_time").filter(of.clone()).var(1);
        [
            value().median().alias(format!("{name}_median")),
            value().max().alias(format!("{name}_max")),
            value().last().alias(format!("{name}_last")),
            slope.alias(format!("{name}_slope")),
        ]
    };
    let mut columns = vec![
        len().alias("operations"),
        is("opened").sum().alias("openings"),
        is("closed").sum().alias("closings"),
        col("told").eq(lit(1)).sum().alias("told_operations"),
        col("begin_time").min().alias("first"),
        col("begin_time").max().alias("last"),
        col("since_opening_s").min(),
    ];
    columns.extend(trend("spread_ms", is("opened")));
    columns.extend(trend("neutral_peak_a", is("closed")));
    let operations = operations.sort(["begin_time"], SortMultipleOptions::default());
    let operations = operations.group_by(bank()).agg(columns);
    let charged = scan(store, "events")?.filter(col("condition").eq(lit("closed_while_charged")));
    let charged = charged.group_by(bank()).agg([len().alias("charged")]);
    rows(watched.join(operations, bank(), bank(), left()).join(charged, bank(), bank(), left()))
}

pub fn usage(store: &Store) -> Rows {
    let is = |state: &str| col("state").eq(lit(state));
    let mut columns = vec![hours().sum().alias("hours"), col("state").last(), col("time").max()];
    for state in ["closed", "open", "partly_closed", "unknown"] {
        columns.push(hours().filter(is(state)).sum().alias(format!("{state}_hours")));
    }
    columns.push(col("time").filter(is("closed")).max().alias("last_closed"));
    let volts = ["voltage_a_v", "voltage_b_v", "voltage_c_v"].map(col);
    let percent = lit(100.0 * 3.0_f64.sqrt() / 12_470.0) * mean_horizontal(volts, true)?;
    for (name, level) in [("low", percent.clone().lt(lit(97.5))), ("high", percent.gt(lit(105.0)))] {
        for state in ["closed", "open"] {
            let counts = level.clone().and(good()).and(is(state));
            columns.push(hours().filter(counts).sum().alias(format!("{name}_{state}_hours")));
        }
    }
    let states = scan(store, "intervals")?.group_by(bank()).agg(columns);
    let operations = scan(store, "operations")?;
    let operations = operations.group_by(bank()).agg([len(), col("told").eq(lit(0)).sum()]);
    let events = scan(store, "events")?.group_by(bank()).agg([
        col("condition").eq(lit("failed_to_operate")).sum().alias("failed"),
        col("condition").eq(lit("frequent_switching")).sum().alias("hunting"),
    ]);
    let visits = scan(store, "status")?.filter(col("status").eq(lit("clock_set")));
    let visits = visits.group_by(bank()).agg([col("time").max().alias("visit")]);
    let all = states.join(operations, bank(), bank(), left()).join(events, bank(), bank(), left());
    rows(all.join(visits, bank(), bank(), left()))
}
