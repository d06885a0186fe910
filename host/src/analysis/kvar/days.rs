//! A row a bank and day, and what the days come to.

use polars::prelude::{DataFrame, DataType, Expr, IntoLazy, NULL, SortMultipleOptions, col, cols, lit, when};
use wyelog_protocol::record::Basis;

use super::{BASIS, basis};
use crate::analysis::slices::collect;
use crate::analysis::{Filter, PHASES, days, only};
use crate::store::{Store, StoreError};

/// Sums of each bank, logger and day (`day`: whole days since 1970-01-01; null while the time is not known), by day.
pub(super) fn by_day(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    // Where the time is not known, the number of the start and the frame tell what was later.
    let unknown = col("boot").cast(DataType::Int64) * lit(1_i64 << 40)
        + col("basis_frame").cast(DataType::Int64) / lit(5);
    let order = col("basis_time").to_physical().fill_null(unknown);
    // The place of the basis behind its time: the largest is the latest.
    let place = Basis::ALL.iter().zip(0_i64..).fold(lit(-1_i64), |otherwise, (of, place)| {
        when(col("common_basis").eq(lit(of.name()))).then(lit(place)).otherwise(otherwise)
    });
    let latest = order * lit(Basis::ALL.len() as i64) + place;
    let rows = days::days(store, filter)?.with_columns([
        days::day().alias("day"),
        when(col("common_basis").is_not_null()).then(latest).otherwise(lit(NULL)).alias("latest_basis"),
        col("harmonics_time").to_physical().alias("harmonics_ms"),
    ]);
    let mut sums: Vec<Expr> = SUMS.map(|name| col(name).sum()).to_vec();
    for stem in ["kvarh", "whole_kvarh", "difference", "difference_hours"] {
        sums.extend(PHASES.map(|phase| col(format!("{stem}_{phase}")).sum()));
    }
    // Means over the intervals that have one; of none, null.
    for stem in ["difference", "common"] {
        let count = || col(format!("{stem}_sigmas")).sum();
        let mean = col(format!("{stem}_sigma_sum")).sum() / count();
        sums.push(only(count().gt(lit(0)), mean).alias(format!("{stem}_sigma_pu")));
    }
    sums.extend(["rated_kvar_phase", "latest_basis", "harmonics_ms"].map(|name| col(name).max()));
    let by = [col("bank"), col("device"), col("day")];
    let days = store.with_feeders(rows.group_by(by).agg(sums));
    Ok(collect(days)?.sort(["bank", "device", "day"], SortMultipleOptions::default())?)
}

const SUMS: [&str; 6] =
    ["hours", "known_hours", "closed_hours", "open_hours", "good_hours", "connected_hours"];

/// What the days come to: see [`delivered`](super::delivered).
pub(super) fn sums(days: DataFrame) -> Result<DataFrame, StoreError> {
    let sum = |name: &str| col(name).sum();
    let total = |stem: &str| {
        let phases = PHASES.iter().map(|phase| sum(&format!("{stem}_{phase}")));
        phases.fold(lit(0.0), |all, phase| all + phase)
    };
    let mut columns: Vec<Expr> =
        ["hours", "known_hours", "closed_hours", "open_hours"].into_iter().map(sum).collect();
    columns.push(col("rated_kvar_phase").drop_nulls().last());
    for phase in PHASES {
        let mean = sum(&format!("kvarh_{phase}")) / sum("known_hours");
        // Nothing was ever known of a bank that was out all the time: 0/0.
        let mean = only(sum("known_hours").gt(lit(0.0)), mean);
        columns.push(mean.alias(format!("kvar_{phase}").as_str()));
    }
    columns.extend(PHASES.map(|phase| sum(&format!("kvarh_{phase}"))));
    for phase in PHASES {
        let lost = sum(&format!("whole_kvarh_{phase}")) - sum(&format!("kvarh_{phase}"));
        columns.push(lost.alias(format!("kvarh_lost_{phase}").as_str()));
    }
    let available = lit(100.0) * total("kvarh") / total("whole_kvarh");
    let available = only(total("whole_kvarh").gt(lit(0.0)), available);
    columns.push(available.alias("available_percent"));
    columns.push((lit(100.0) * col("common_sigma_pu").drop_nulls().last()).alias("available_sigma_percent"));
    columns.extend(["difference_sigma_pu", "common_sigma_pu"].map(|name| col(name).drop_nulls().last()));
    columns.push(col("latest_basis").max());
    let by = [col("bank"), col("feeder"), col("device")];
    let worst = SortMultipleOptions::default().with_nulls_last(true);
    let rows = days.lazy().group_by_stable(by).agg(columns).sort(["available_percent"], worst);
    let place = || {
        col("latest_basis")
            - col("latest_basis").floor_div(lit(Basis::ALL.len() as i64)) * lit(Basis::ALL.len() as i64)
    };
    let name = Basis::ALL.iter().zip(0_i64..).fold(lit(NULL), |otherwise, (of, number)| {
        when(place().eq(lit(number))).then(lit(of.name())).otherwise(otherwise)
    });
    let in_words = Basis::ALL.iter().fold(lit(BASIS), |otherwise, of| {
        when(col("common_basis").eq(lit(of.name()))).then(lit(basis(*of))).otherwise(otherwise)
    });
    let rows = rows.with_column(name.cast(DataType::String).alias("common_basis"));
    Ok(rows.with_column(in_words.alias("basis")).drop(cols(["latest_basis"])).collect()?)
}
