//! The sums of a day: what most questions ask of intervals, once for all.

use polars::prelude::{DataType, Expr, LazyFrame, NULL, col, len, lit, when};
use wyelog_protocol::record::{BankState, Basis};

use super::{Kind, Table, columns};
use crate::intervals::{PHASES, expected_kvar, hours, longest_step, only, or_zero};

/// A day of UTC in ms.
pub const DAY_MS: i64 = 86_400_000;

/// A row a bank, logger, start, day (UTC), nominal length of the intervals and quality of their time: sums of those of the
/// intervals of one log. The sums of several rows add up.
pub const DAYS: Table = Table {
    name: "days",
    by_month: false,
    columns: columns![
        ("interval_s", Kind::F64),
        ("first_sequence", Kind::U32),
        ("first_time", Kind::Time),
        ("begin_time", Kind::Time),
        ("longest_step_s", Kind::F64),
        ("intervals", Kind::U32),
        ("flagged_intervals", Kind::U32),
        ("unbounded_times", Kind::U32),
        ("hours", Kind::F64),
        ("known_hours", Kind::F64),
        ("closed_hours", Kind::F64),
        ("open_hours", Kind::F64),
        ("partly_closed_hours", Kind::F64),
        ("unknown_hours", Kind::F64),
        ("good_hours", Kind::F64),
        ("connected_hours", Kind::F64),
        ("kvarh_a", Kind::F64),
        ("kvarh_b", Kind::F64),
        ("kvarh_c", Kind::F64),
        ("whole_kvarh_a", Kind::F64),
        ("whole_kvarh_b", Kind::F64),
        ("whole_kvarh_c", Kind::F64),
        ("difference_a", Kind::F64),
        ("difference_b", Kind::F64),
        ("difference_c", Kind::F64),
        ("difference_hours_a", Kind::F64),
        ("difference_hours_b", Kind::F64),
        ("difference_hours_c", Kind::F64),
        ("rated_kvar_phase", Kind::F64),
        ("unit_voltage_v", Kind::F64),
        ("difference_sigma_sum", Kind::F64),
        ("difference_sigmas", Kind::U32),
        ("common_sigma_sum", Kind::F64),
        ("common_sigmas", Kind::U32),
        ("common_basis", Kind::Text),
        ("basis_frame", Kind::U64),
        ("basis_time", Kind::Time),
        ("harmonics_time", Kind::Time),
        ("state", Kind::Text),
        ("last_in_time", Kind::Time),
    ],
};

/// The rows of [`DAYS`] of rows of intervals.
pub fn of_intervals(intervals: LazyFrame) -> LazyFrame {
    let key = ["bank", "device", "boot", "day", "interval_s", "time_quality"].map(col);
    let rows = intervals.select(prepared()).group_by(key).agg(sums());
    let rows = rows.with_columns([
        (col("steps").list().agg(longest_step()).cast(DataType::Float64) / lit(1000.0))
            .alias("longest_step_s"),
        text_of(col("latest_basis"), &names(Basis::ALL, Basis::name)).alias("common_basis"),
        col("latest_basis").floor_div(lit(PLACES)).alias("basis_frame"),
        text_of(col("latest_state"), &names(BankState::ALL, BankState::name)).alias("state"),
    ]);
    let types = DAYS.columns.iter().map(|(name, kind)| col(*name).cast(kind.data_type()));
    rows.select(types.collect::<Vec<_>>())
}

/// Texts of a column that are told apart: fewer than this.
const PLACES: i64 = 8;

/// The frame of a row, and behind it which of `texts` it has: of several rows, the largest is that of the latest. Null for a row
/// that has none of them.
fn latest_of(text: Expr, texts: &[&'static str]) -> Expr {
    let place = texts.iter().zip(0_i64..).fold(lit(NULL), |otherwise, (of, place)| {
        when(text.clone().eq(lit(*of))).then(lit(place)).otherwise(otherwise)
    });
    col("frame").cast(DataType::Int64) * lit(PLACES) + place
}

/// That text.
fn text_of(latest: Expr, texts: &[&'static str]) -> Expr {
    let place = latest.clone() - latest.floor_div(lit(PLACES)) * lit(PLACES);
    let text = texts.iter().zip(0_i64..).fold(lit(NULL), |otherwise, (of, number)| {
        when(place.clone().eq(lit(number))).then(lit(*of)).otherwise(otherwise)
    });
    text.cast(DataType::String)
}

fn names<T, const N: usize>(all: [T; N], name: fn(T) -> &'static str) -> [&'static str; N] {
    all.map(name)
}

/// What a group sums up, in columns of its own.
fn prepared() -> Vec<Expr> {
    let known =
        || col("kvar_a").is_not_null().and(col("kvar_b").is_not_null()).and(col("kvar_c").is_not_null());
    let connected = |phase: &str| col(format!("connected_{phase}").as_str());
    let present = || {
        let has = PHASES.iter().map(|phase| connected(phase).is_not_null().cast(DataType::Float64));
        has.fold(lit(0.0), |sum, has| sum + has)
    };
    let total = || PHASES.iter().fold(lit(0.0), |sum, phase| sum + connected(phase).fill_null(lit(0.0)));
    let is = |state: &str| col("state").eq(lit(state));
    let timed = || col("time").is_not_null();
    let good = || {
        let good = known().and(col("flagged").eq(lit(0))).and(is("closed"));
        good.and(present().gt_eq(lit(1.0))).and(timed())
    };
    let count = |is: Expr| is.fill_null(lit(false)).cast(DataType::UInt32);
    let time_ms = || col("time").to_physical();
    let length_ms = (col("interval_s").fill_null(lit(0.0)) * lit(1000.0)).cast(DataType::Int64);
    let has_basis = || col("common_basis").is_not_null();
    let mut columns =
        ["bank", "device", "sequence", "boot", "frame", "time", "time_logger"].map(col).to_vec();
    columns.extend(["time_quality", "time_error_s", "interval_s"].map(col));
    columns.extend([
        time_ms().floor_div(lit(DAY_MS)).alias("day"),
        time_ms().alias("ms"),
        (time_ms() - length_ms).alias("begin_ms"),
        count(col("flagged").gt(lit(0))).alias("flagged_intervals"),
        count(timed().and(col("time_error_s").is_null())).alias("unbounded_times"),
        hours().alias("hours"),
        or_zero(known(), hours()).alias("known_hours"),
        or_zero(is("closed"), hours()).alias("closed_hours"),
        or_zero(is("open"), hours()).alias("open_hours"),
        or_zero(is("partly_closed"), hours()).alias("partly_closed_hours"),
        or_zero(is("unknown"), hours()).alias("unknown_hours"),
        or_zero(good(), hours()).alias("good_hours"),
        or_zero(good(), total() / present() * hours()).alias("connected_hours"),
        col("rated_kvar_phase"),
        col("unit_voltage_v"),
        col("difference_sigma_pu"),
        col("common_sigma_pu"),
        latest_of(col("common_basis"), &names(Basis::ALL, Basis::name)).alias("latest_basis"),
        only(has_basis(), col("time")).alias("basis_time"),
        only(col("common_basis").eq(lit(Basis::Harmonics.name())), col("time")).alias("harmonics_time"),
        latest_of(col("state"), &names(BankState::ALL, BankState::name)).alias("latest_state"),
        only(is("closed").or(is("partly_closed")), col("time")).alias("last_in_time"),
    ]);
    for phase in PHASES {
        let kvar = col(format!("kvar_{phase}").as_str());
        let difference = (connected(phase) - total() / present()) * hours();
        let has = good().and(connected(phase).is_not_null()).and(present().gt_eq(lit(2.0)));
        columns.extend([
            or_zero(known(), kvar * hours()).alias(format!("kvarh_{phase}")),
            or_zero(known(), expected_kvar(phase) * hours()).alias(format!("whole_kvarh_{phase}")),
            or_zero(has.clone(), difference).alias(format!("difference_{phase}")),
            or_zero(has, hours()).alias(format!("difference_hours_{phase}")),
        ]);
    }
    columns
}

fn sums() -> Vec<Expr> {
    let largest = ["sequence", "frame", "time", "time_logger", "time_error_s", "rated_kvar_phase"];
    let mut sums: Vec<Expr> = largest.iter().map(|name| col(*name).max()).collect();
    sums.extend(
        ["unit_voltage_v", "latest_basis", "basis_time", "harmonics_time", "latest_state", "last_in_time"]
            .map(|name| col(name).max()),
    );
    sums.extend(ADDED.map(|name| col(name).sum()));
    for stem in ["kvarh", "whole_kvarh", "difference", "difference_hours"] {
        sums.extend(PHASES.map(|phase| col(format!("{stem}_{phase}")).sum()));
    }
    for stem in ["difference", "common"] {
        let sigma = || col(format!("{stem}_sigma_pu"));
        sums.push(sigma().sum().alias(format!("{stem}_sigma_sum")));
        sums.push(sigma().count().alias(format!("{stem}_sigmas")));
    }
    sums.extend([
        col("sequence").min().alias("first_sequence"),
        col("time").min().alias("first_time"),
        col("begin_ms").min().alias("begin_time"),
        col("ms").implode(false).alias("steps"),
        len().alias("intervals"),
    ]);
    sums
}

/// Those that are summed up under their own names.
const ADDED: [&str; 10] = [
    "flagged_intervals",
    "unbounded_times",
    "hours",
    "known_hours",
    "closed_hours",
    "open_hours",
    "partly_closed_hours",
    "unknown_hours",
    "good_hours",
    "connected_hours",
];
