//! Reactive power of each bank and phase: delivered against rated, and what was lost.

use polars::prelude::{DataFrame, SortMultipleOptions, col, cols, lit, when};
use wyelog_protocol::record::Basis;

use super::{Filter, PHASES, expected_kvar, hours};
use crate::store::{INTERVALS, Store, StoreError};

/// Where the numbers come from, for every table that shows them; a bank's own row says what its logger knew better.
pub const BASIS: &str = "differences between phases: measured; what they have in common: nameplate";

/// The same where the common part rests on something else.
const fn basis(of: Basis) -> &'static str {
    match of {
        Basis::Nameplate => BASIS,
        Basis::Opening => {
            "differences between phases: measured; what they have in common: openings of the bank"
        }
        Basis::Pole => {
            "differences between phases: measured; what they have in common: poles operated one at a time"
        }
        Basis::Harmonics => {
            "differences between phases: measured; what they have in common: zero-sequence harmonics"
        }
        Basis::Baseline => "differences between phases: measured; what they have in common: baseline",
    }
}

/// One row a bank: hours with voltage known, rated kvar of a phase, and of each phase
///
/// - `kvar_x`: mean delivered, weighted by time;
/// - `kvarh_x`: delivered;
/// - `kvarh_lost_x`: what a whole phase would have delivered at the voltage and frequency there were, less what was
///   delivered; negative where units have more capacitance than rated;
/// - `available_percent`: delivered over that, of all phases.
///
/// Only hours count in which the connected capacitance was known: `known_hours`. `basis` says how, by the latest interval.
///
/// # Errors
/// The store cannot be read.
pub fn kvar(store: &Store, filter: &Filter) -> Result<DataFrame, StoreError> {
    let intervals = filter.apply(store.scan(&INTERVALS)?, "time");
    let known =
        || col("kvar_a").is_not_null().and(col("kvar_b").is_not_null()).and(col("kvar_c").is_not_null());
    let known_hours = || hours().filter(known()).sum();
    let delivered = |phase: &str| (col(format!("kvar_{phase}").as_str()) * hours()).filter(known()).sum();
    let expected = |phase: &str| (expected_kvar(phase) * hours()).filter(known()).sum();
    let mut columns = vec![
        hours().sum().alias("hours"),
        known_hours().alias("known_hours"),
        col("rated_kvar_phase").last(),
        col("common_basis").drop_nulls().last().alias("basis"),
    ];
    for phase in PHASES {
        columns.push((delivered(phase) / known_hours()).alias(format!("kvar_{phase}").as_str()));
    }
    for phase in PHASES {
        columns.push(delivered(phase).alias(format!("kvarh_{phase}").as_str()));
    }
    for phase in PHASES {
        columns.push((expected(phase) - delivered(phase)).alias(format!("kvarh_lost_{phase}").as_str()));
    }
    let sum = |of: &dyn Fn(&str) -> polars::prelude::Expr| {
        PHASES.iter().map(|phase| of(phase)).fold(lit(0.0), |a, b| a + b)
    };
    columns.push((lit(100.0) * sum(&delivered) / sum(&expected)).alias("available_percent"));
    let by = [col("bank"), col("feeder"), col("device")];
    let worst = SortMultipleOptions::default().with_nulls_last(true);
    let rows = intervals.group_by_stable(by).agg(columns).sort(["available_percent"], worst);
    let in_words = Basis::ALL.iter().fold(lit(BASIS), |otherwise, of| {
        when(col("basis").eq(lit(of.name()))).then(lit(basis(*of))).otherwise(otherwise)
    });
    // Last, as before it had words.
    Ok(rows
        .with_column(in_words.alias("words"))
        .drop(cols(["basis"]))
        .rename(["words"], ["basis"], true)
        .collect()?)
}
