//! The one pass over the intervals: a row a bank and day, and what the days come to.

use polars::prelude::{DataFrame, DataType, Expr, IntoLazy, SortMultipleOptions, col, cols, lit, when};
use wyelog_protocol::record::Basis;

use super::{BASIS, basis};
use crate::analysis::slices::collect;
use crate::analysis::{Filter, PHASES, expected_kvar, hours, only};
use crate::store::{INTERVALS, Store, StoreError};

/// A day.
pub(super) const DAY_MS: i64 = 86_400_000;

/// Sums of each bank, logger and day (`day`: whole days since 1970-01-01; null while the time is not known), by day.
pub(super) fn by_day(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let intervals = filter.rows(store, &INTERVALS, "time")?;
    let known =
        || col("kvar_a").is_not_null().and(col("kvar_b").is_not_null()).and(col("kvar_c").is_not_null());
    let connected = |phase: &str| col(format!("connected_{phase}").as_str());
    let present = || {
        let has = PHASES.iter().map(|phase| connected(phase).is_not_null().cast(DataType::Float64));
        has.fold(lit(0.0), |sum, has| sum + has)
    };
    let total = || PHASES.iter().fold(lit(0.0), |sum, phase| sum + connected(phase).fill_null(lit(0.0)));
    let good = || {
        known()
            .and(col("flagged").eq(lit(0)))
            .and(col("state").eq(lit("closed")))
            .and(present().gt_eq(lit(1.0)))
            .and(col("time").is_not_null())
    };
    let of = only;
    let time_ms = || col("time").cast(DataType::Int64);
    // Where the time is not known, the number of the start and the frame tell what was later.
    let order = || {
        let unknown = col("boot").cast(DataType::Int64) * lit(1_i64 << 40)
            + col("frame").cast(DataType::Int64) / lit(5);
        time_ms().fill_null(unknown)
    };
    // The place of the basis behind its time: the largest is the latest.
    let place = Basis::ALL.iter().zip(0_i64..).fold(lit(-1_i64), |otherwise, (of, place)| {
        when(col("common_basis").eq(lit(of.name()))).then(lit(place)).otherwise(otherwise)
    });
    let mut columns = vec![
        col("bank"),
        col("device"),
        time_ms().floor_div(lit(DAY_MS)).alias("day"),
        hours().alias("hours"),
        of(known(), hours()).alias("known_hours"),
        of(col("state").eq(lit("closed")), hours()).alias("closed_hours"),
        of(col("state").eq(lit("open")), hours()).alias("open_hours"),
        of(good(), hours()).alias("good_hours"),
        of(good(), total() / present() * hours()).alias("common"),
        col("rated_kvar_phase"),
        col("difference_sigma_pu"),
        col("common_sigma_pu"),
        when(col("common_basis").is_not_null())
            .then(order() * lit(Basis::ALL.len() as i64) + place)
            .otherwise(lit(polars::prelude::NULL))
            .alias("latest_basis"),
        when(col("common_basis").eq(lit(Basis::Harmonics.name())))
            .then(time_ms())
            .otherwise(lit(polars::prelude::NULL))
            .alias("harmonics_ms"),
    ];
    let mut sums = vec!["hours", "known_hours", "closed_hours", "open_hours", "good_hours", "common"]
        .into_iter()
        .map(str::to_owned)
        .collect::<Vec<_>>();
    for phase in PHASES {
        let kvar = col(format!("kvar_{phase}").as_str());
        let difference = (connected(phase) - total() / present()) * hours();
        let has = good().and(connected(phase).is_not_null()).and(present().gt_eq(lit(2.0)));
        for (name, value) in [
            (format!("kvarh_{phase}"), of(known(), kvar * hours())),
            (format!("whole_{phase}"), of(known(), expected_kvar(phase) * hours())),
            (format!("difference_{phase}"), of(has.clone(), difference)),
            (format!("difference_hours_{phase}"), of(has, hours())),
        ] {
            columns.push(value.alias(name.as_str()));
            sums.push(name);
        }
    }
    let mut aggregates: Vec<Expr> = sums.iter().map(|name| col(name.as_str()).sum()).collect();
    aggregates.push(col("rated_kvar_phase").max());
    aggregates.extend(["difference_sigma_pu", "common_sigma_pu"].map(|name| col(name).mean()));
    aggregates.extend(["latest_basis", "harmonics_ms"].map(|name| col(name).max()));
    let by = [col("bank"), col("device"), col("day")];
    let days = store.with_feeders(intervals.select(columns).group_by(by).agg(aggregates));
    // Never all intervals at once.
    Ok(collect(days)?.sort(["bank", "device", "day"], SortMultipleOptions::default())?)
}

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
        columns.push(mean.alias(format!("kvar_{phase}").as_str()));
    }
    columns.extend(PHASES.map(|phase| sum(&format!("kvarh_{phase}"))));
    for phase in PHASES {
        let lost = sum(&format!("whole_{phase}")) - sum(&format!("kvarh_{phase}"));
        columns.push(lost.alias(format!("kvarh_lost_{phase}").as_str()));
    }
    columns.push((lit(100.0) * total("kvarh") / total("whole")).alias("available_percent"));
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
    let name = Basis::ALL.iter().zip(0_i64..).fold(lit(polars::prelude::NULL), |otherwise, (of, number)| {
        when(place().eq(lit(number))).then(lit(of.name())).otherwise(otherwise)
    });
    let in_words = Basis::ALL.iter().fold(lit(BASIS), |otherwise, of| {
        when(col("common_basis").eq(lit(of.name()))).then(lit(basis(*of))).otherwise(otherwise)
    });
    let rows = rows.with_column(name.cast(DataType::String).alias("common_basis"));
    Ok(rows.with_column(in_words.alias("basis")).drop(cols(["latest_basis"])).collect()?)
}
