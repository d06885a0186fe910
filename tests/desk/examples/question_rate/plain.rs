//! The same answers as plain queries of polars over the files of a store, as one would write them who knows the schema, and
//! that intervals here are of ten minutes.

mod stress;
mod switch;

use std::error::Error;

use polars::lazy::dsl::{max_horizontal, min_horizontal};
use polars::prelude::*;
use wyelog::store::Store;

pub use stress::stress;
pub use switch::{switching, usage};

type Rows = Result<usize, Box<dyn Error>>;

const DAY_MS: i64 = 86_400_000;

fn scan(store: &Store, table: &str) -> PolarsResult<LazyFrame> {
    let files = store.marks().iter().flat_map(|mark| &mark.files);
    let files = files.filter(|file| file.split('/').next() == Some(table));
    let files = files.map(|file| store.dir().join(file).to_string_lossy().as_ref().into()).collect();
    let mut args = ScanArgsParquet { glob: false, ..ScanArgsParquet::default() };
    args.hive_options.enabled = Some(false);
    LazyFrame::scan_parquet_files(files, args)
}

fn rows(answer: LazyFrame) -> Rows {
    Ok(answer.collect_with_engine(Engine::Streaming)?.unwrap_single().height())
}

fn bank() -> [Expr; 2] {
    [col("bank"), col("device")]
}

fn left() -> JoinArgs {
    JoinArgs::new(JoinType::Left)
}

fn good() -> Expr {
    col("flagged").eq(lit(0))
}

fn ms(name: &str) -> Expr {
    col(name).cast(DataType::Int64)
}

fn p95(value: Expr) -> Expr {
    value.quantile(lit(0.95), QuantileMethod::Linear)
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
    let frame = scan(store, "intervals")?.with_columns([
        (lit(100.0) * max_horizontal(deviations)? / mean()).alias("pvur_percent"),
        (lit(100.0) * (max_horizontal(volts())? - min_horizontal(volts())?) / mean())
            .alias("ieee_936_percent"),
    ]);
    let mut columns = vec![hours().sum().alias("hours"), good().not().sum().alias("flagged_intervals")];
    for name in ["u2_percent", "u0_percent", "nema_percent", "pvur_percent", "ieee_936_percent"] {
        let value = || col(name).filter(good());
        columns.push((value() * value()).mean().sqrt().alias(format!("{name}_mean").as_str()));
        columns.push(p95(value()).alias(format!("{name}_p95").as_str()));
        columns.push(value().max().alias(format!("{name}_max").as_str()));
    }
    let all = frame.group_by(bank()).agg(columns);
    let monday = lit(4 * DAY_MS);
    let week = (ms("time") - lit(1) - monday).floor_div(lit(7 * DAY_MS)).alias("week");
    let (mut of_week, mut of_bank) = (Vec::new(), vec![col("week").last()]);
    for name in ["u2_percent", "u0_percent", "nema_percent"] {
        let named = |rest: &str| format!("{name}_{rest}");
        of_week.push(p95(col(name)).alias(named("week_p95").as_str()));
        of_week.push(hours().filter(col(name).gt(lit(2.0))).sum().alias(named("over_hours").as_str()));
        of_bank.push(col(named("week_p95").as_str()).max());
        of_bank.push(col(named("over_hours").as_str()).sum());
    }
    let weeks = scan(store, "intervals")?.filter(good()).group_by([bank().to_vec(), vec![week]].concat());
    let weeks = weeks.agg(of_week).group_by(bank()).agg(of_bank);
    rows(all.join(weeks, bank(), bank(), left()))
}

/// Daily sums, for the trend of the differences too.
pub fn kvar(store: &Store) -> Rows {
    let phases = ["a", "b", "c"];
    let named = |stem: &str, phase: &str| format!("{stem}_{phase}");
    let known =
        || phases.iter().fold(lit(true), |all, phase| all.and(col(named("kvar", phase)).is_not_null()));
    let day = ms("time").floor_div(lit(DAY_MS)).alias("day");
    let mean = || phases.iter().fold(lit(0.0), |sum, phase| sum + col(named("connected", phase))) / lit(3.0);
    let sound = || known().and(good()).and(col("state").eq(lit("closed")));
    let mut of_day = vec![
        hours().sum().alias("hours"),
        hours().filter(known()).sum().alias("known_hours"),
        hours().filter(col("state").eq(lit("closed"))).sum().alias("closed_hours"),
        hours().filter(col("state").eq(lit("open"))).sum().alias("open_hours"),
        hours().filter(sound()).sum().alias("good_hours"),
        col("difference_sigma_pu").mean(),
        col("common_sigma_pu").mean(),
        col("rated_kvar_phase").last(),
        col("common_basis").drop_nulls().last(),
    ];
    let mut of_bank = vec![col("hours").sum(), col("known_hours").sum(), col("closed_hours").sum()];
    of_bank.extend(["rated_kvar_phase", "common_basis", "common_sigma_pu"].map(|name| col(name).last()));
    for phase in phases {
        let delivered = col(named("kvar", phase)) * hours();
        of_day.push(delivered.filter(known()).sum().alias(named("kvarh", phase)));
        of_day.push((whole(phase) * hours()).filter(known()).sum().alias(named("whole", phase)));
        let difference = (col(named("connected", phase)) - mean()) * hours();
        of_day.push(
            (difference.filter(sound()).sum() / hours().filter(sound()).sum())
                .alias(named("difference", phase)),
        );
        of_bank.extend(["kvarh", "whole"].map(|stem| col(named(stem, phase)).sum()));
        let slope = cov(col("day"), col(named("difference", phase)), 1) / col("day").var(1);
        of_bank.push(slope.alias(named("slope", phase)));
    }
    let days = scan(store, "intervals")?.group_by([bank().to_vec(), vec![day]].concat()).agg(of_day);
    rows(days.group_by(bank()).agg(of_bank))
}

pub fn alarms(store: &Store) -> Rows {
    let key = || ["device", "boot", "occurrence", "condition", "begin_frame"].map(col);
    let alarms = scan(store, "events")?.group_by(key()).agg([
        col("bank").first(),
        col("phases").last(),
        col("fraction").drop_nulls().last(),
        col("begin_time").first(),
        col("end_frame").drop_nulls().last(),
    ]);
    let logger = || [col("device"), col("boot")];
    let last = scan(store, "intervals")?.group_by(logger()).agg([col("frame").max().alias("last_frame")]);
    let alarms = alarms.join(last, logger(), logger(), left());
    let until = col("end_frame").fill_null(col("last_frame"));
    let takes =
        ["blown_fuse", "phase_missing_at_close", "unit_out"].map(|name| col("condition").eq(lit(name)));
    let takes = takes.into_iter().fold(lit(false), Expr::or);
    let losing = alarms.clone().filter(takes).with_column(until.alias("until"));
    let intervals = scan(store, "intervals")?.select([
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
    rows(alarms.join(lost, key(), key(), left()))
}

/// Runs of intervals above each limit, and which of them touch an announced alarm.
pub fn whatif(store: &Store) -> Rows {
    alarms(store)?;
    let known = good().and(col("residual_pu").is_not_null());
    let years = scan(store, "intervals")?.filter(known.clone()).select([hours().sum()]);
    rows(years)?;
    let over = scan(store, "intervals")?.filter(known.and(col("residual_pu").gt_eq(lit(0.25))));
    let over = over.select([
        col("device"),
        col("boot"),
        col("frame"),
        (hours() * lit(3600.0 * 4800.0)).alias("length"),
        col("residual_pu"),
    ]);
    let over = over.sort(["device", "boot", "frame"], SortMultipleOptions::default());
    let over = over.collect_with_engine(Engine::Streaming)?.unwrap_single();
    let mut limits = 0;
    for limit in [0.25, 0.5] {
        let goes_on = (col("frame") - col("frame").shift(lit(1))).cast(DataType::Float64);
        let goes_on = goes_on
            .lt_eq(lit(1.5) * col("length"))
            .and(col("device").eq(col("device").shift(lit(1))))
            .fill_null(lit(false));
        let run = goes_on.not().cast(DataType::UInt32).cum_sum(false).alias("run");
        let runs = over.clone().lazy().filter(col("residual_pu").gt_eq(lit(limit))).with_column(run);
        let runs = runs.group_by([col("run")]).agg([col("device").first(), col("frame").max()]);
        limits += usize::from(rows(runs)? > 0);
    }
    Ok(limits)
}

pub fn quality(store: &Store) -> Rows {
    let tables = ["intervals", "spectra", "events", "status", "settings", "operations", "baselines"];
    let spans = tables.iter().map(|table| {
        Ok(scan(store, table)?.group_by(bank()).agg([
            len().alias("records"),
            col("time").min().alias("first"),
            col("time").max().alias("last"),
        ]))
    });
    let spans = concat(spans.collect::<PolarsResult<Vec<_>>>()?, UnionArgs::default())?;
    let spans = spans.group_by(bank()).agg([col("records").sum(), col("first").min(), col("last").max()]);
    let mut columns = vec![
        len().alias("intervals"),
        col("flagged").gt(lit(0)).sum().alias("flagged_intervals"),
        hours().sum().alias("hours"),
        ms("time").sort(SortOptions::default()).diff(lit(1), polars::series::ops::NullBehavior::Ignore).max(),
        col("interval_s").first(),
        col("time_error_s").max(),
        col("time_error_s").is_null().sum().alias("unbounded"),
    ];
    for quality in ["synced", "corrected", "rtc", "guessed", "unknown"] {
        columns.push(col("time_quality").eq(lit(quality)).sum().alias(quality));
    }
    let intervals = scan(store, "intervals")?.group_by(bank()).agg(columns);
    let status = scan(store, "status")?.group_by(bank()).agg([col("status").eq(lit("crash")).sum()]);
    rows(spans.join(intervals, bank(), bank(), left()).join(status, bank(), bank(), left()))
}
