//! The same answers as plain queries of polars over the files of a store, as one would write them who knows the schema.

use std::error::Error;

use polars::lazy::dsl::{max_horizontal, min_horizontal};
use polars::prelude::*;
use wyelog::store::Store;

type Rows = Result<usize, Box<dyn Error>>;

fn scan(store: &Store, table: &str) -> PolarsResult<LazyFrame> {
    let files = store.marks().iter().flat_map(|mark| &mark.files).filter(|file| file.starts_with(table));
    let files = files.map(|file| store.dir().join(file).to_string_lossy().as_ref().into()).collect();
    let mut args = ScanArgsParquet { glob: false, ..ScanArgsParquet::default() };
    args.hive_options.enabled = Some(false);
    LazyFrame::scan_parquet_files(files, args)
}

fn rows(answer: LazyFrame) -> Rows {
    Ok(answer.collect_with_engine(Engine::Streaming)?.unwrap_single().height())
}

fn hours() -> Expr {
    col("windows").cast(DataType::Float64)
        * lit(0.2 / 3600.0)
        * (col("rated_hz") / col("frequency_hz")).fill_null(lit(1.0))
}

fn whole(phase: &str) -> Expr {
    let ratio = col(format!("voltage_{phase}_v").as_str()) / col("unit_voltage_v");
    let whole = col("rated_kvar_phase") * ratio.clone() * ratio * col("frequency_hz") / col("rated_hz");
    when(col("bank_phases").str().contains_literal(lit(phase.to_uppercase()))).then(whole).otherwise(lit(0.0))
}

pub fn unbalance(store: &Store) -> Rows {
    let volts = || ["voltage_a_v", "voltage_b_v", "voltage_c_v"].map(col);
    let mean = || volts().into_iter().fold(lit(0.0), |sum, volts| sum + volts) / lit(3.0);
    let deviations = volts().map(|volts| (volts - mean()).abs());
    let frame = scan(store, "intervals/")?.with_columns([
        (lit(100.0) * max_horizontal(deviations)? / mean()).alias("pvur_percent"),
        (lit(100.0) * (max_horizontal(volts())? - min_horizontal(volts())?) / mean())
            .alias("ieee_936_percent"),
    ]);
    let good = || col("flagged").eq(lit(0));
    let mut columns = vec![hours().sum().alias("hours"), good().not().sum().alias("flagged_intervals")];
    for name in ["u2_percent", "u0_percent", "nema_percent", "pvur_percent", "ieee_936_percent"] {
        let value = || col(name).filter(good());
        columns.push((value() * value()).mean().sqrt().alias(format!("{name}_mean").as_str()));
        columns
            .push(value().quantile(lit(0.95), QuantileMethod::Linear).alias(format!("{name}_p95").as_str()));
        columns.push(value().max().alias(format!("{name}_max").as_str()));
    }
    rows(frame.group_by([col("bank"), col("device")]).agg(columns))
}

pub fn kvar(store: &Store) -> Rows {
    let known = || {
        ["kvar_a", "kvar_b", "kvar_c"]
            .into_iter()
            .fold(lit(true), |all, name| all.and(col(name).is_not_null()))
    };
    let mut columns = vec![hours().sum().alias("hours"), hours().filter(known()).sum().alias("known_hours")];
    for phase in ["a", "b", "c"] {
        let delivered = col(format!("kvar_{phase}").as_str()) * hours();
        columns.push(delivered.filter(known()).sum().alias(format!("kvarh_{phase}").as_str()));
        columns.push((whole(phase) * hours()).filter(known()).sum().alias(format!("whole_{phase}").as_str()));
    }
    columns.extend([col("rated_kvar_phase").last(), col("common_basis").drop_nulls().last()]);
    rows(scan(store, "intervals/")?.group_by([col("bank"), col("device")]).agg(columns))
}

pub fn alarms(store: &Store) -> Rows {
    let key = || ["device", "boot", "occurrence", "condition", "begin_frame"].map(col);
    let alarms = scan(store, "events/")?.group_by(key()).agg([
        col("bank").first(),
        col("phases").last(),
        col("fraction").drop_nulls().last(),
        col("begin_time").first(),
        col("end_frame").drop_nulls().last(),
    ]);
    let logger = || [col("device"), col("boot")];
    let last = scan(store, "intervals/")?.group_by(logger()).agg([col("frame").max().alias("last_frame")]);
    let alarms = alarms.join(last, logger(), logger(), JoinArgs::new(JoinType::Left));
    let until = col("end_frame").fill_null(col("last_frame"));
    let takes =
        ["blown_fuse", "phase_missing_at_close", "unit_out"].map(|name| col("condition").eq(lit(name)));
    let takes = takes.into_iter().fold(lit(false), Expr::or);
    let losing = alarms.clone().filter(takes).with_column(until.alias("until"));
    let intervals = scan(store, "intervals/")?.select([
        col("device"),
        col("boot"),
        col("frame"),
        hours().alias("h"),
        whole("a").alias("a"),
        whole("b").alias("b"),
        whole("c").alias("c"),
    ]);
    let both = losing.join(intervals, logger(), logger(), JoinArgs::new(JoinType::Inner));
    let real = |name: &str| col(name).cast(DataType::Float64);
    let length = col("h") * lit(3600.0 * 4800.0);
    let overlap = min_horizontal([real("frame"), real("until")])?
        - max_horizontal([real("frame") - length.clone(), real("begin_frame")])?;
    let part = max_horizontal([overlap / length, lit(0.0)])?;
    let lost = ["a", "b", "c"].into_iter().fold(lit(0.0), |sum, phase| {
        let named = col("phases").str().contains_literal(lit(phase.to_uppercase()));
        sum + when(named).then(col(phase)).otherwise(lit(0.0))
    });
    let lost =
        both.group_by(key()).agg([(lost * col("h") * part * col("fraction").fill_null(lit(1.0))).sum()]);
    rows(alarms.join(lost, key(), key(), JoinArgs::new(JoinType::Left)))
}
