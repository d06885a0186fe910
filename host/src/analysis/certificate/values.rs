//! What was measured in a stretch of time, in a few numbers.

use polars::prelude::{DataType, Expr, col, lit};

use crate::analysis::cells::Cells;
use crate::analysis::{Filter, PHASES, hours};
use crate::store::{INTERVALS, Store, StoreError};

/// Medians over the good intervals of a stretch of time; lowest and highest half-cycle values over all of them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Values {
    /// Hours with records, also flagged ones.
    pub hours: f64,
    /// Hours of flagged intervals.
    pub flagged_hours: f64,
    /// Hours in which the bank was closed.
    pub closed_hours: f64,
    /// Hours in which it was open.
    pub open_hours: f64,
    /// Hours in which the connected capacitance of all phases was known.
    pub known_hours: f64,
    /// Voltage to ground of A, B, C in V.
    pub voltage_v: [Option<f64>; 3],
    /// Connected over rated capacitance.
    pub connected: [Option<f64>; 3],
    /// Delivered, in kvar, while closed.
    pub kvar: [Option<f64>; 3],
    /// Neutral current in A.
    pub neutral_a: Option<f64>,
    /// What of it the voltages do not explain, in pu.
    pub residual_pu: Option<f64>,
    /// Negative over positive sequence, in percent.
    pub u2_percent: Option<f64>,
}

/// Of the intervals that end from `from_ms` on, to just before `to_ms`.
pub(super) fn values(store: &Store, filter: &Filter, from_ms: i64, to_ms: i64) -> Result<Values, StoreError> {
    let range = Filter { from_ms: Some(from_ms), to_ms: Some(to_ms), ..filter.clone() };
    let good = || col("flagged").eq(lit(0));
    let closed = || col("state").eq(lit("closed"));
    let open = || col("state").eq_missing(lit("open"));
    let known =
        PHASES.iter().fold(lit(true), |all, phase| all.and(col(format!("kvar_{phase}")).is_not_null()));
    let of = |name: String, when: Expr| col(name.as_str()).filter(when).median();
    let mut columns = vec![
        hours().sum().alias("hours"),
        hours().filter(good().not()).sum().alias("flagged_hours"),
        hours().filter(closed()).sum().alias("closed_hours"),
        hours().filter(open()).sum().alias("open_hours"),
        hours().filter(known.and(open().not())).sum().alias("known_hours"),
    ];
    for phase in PHASES {
        columns.push(of(format!("voltage_{phase}_v"), good()));
        columns.push(of(format!("connected_{phase}"), good().and(closed())));
        columns.push(of(format!("kvar_{phase}"), good().and(closed())));
    }
    columns.extend(["neutral_a", "residual_pu"].map(|name| of(name.to_owned(), good().and(closed()))));
    columns.push(of("u2_percent".to_owned(), good()));
    let columns = columns.into_iter().map(|column| column.cast(DataType::Float64)).collect::<Vec<_>>();
    let frame = range.scan(store, &INTERVALS, "time")?.select(columns).collect()?;
    let cells = Cells(&frame);
    let three = |stem: &str, unit: &str| PHASES.map(|phase| cells.real(&format!("{stem}_{phase}{unit}"), 0));
    let zero = |name: &str| cells.real(name, 0).unwrap_or(0.0);
    Ok(Values {
        hours: zero("hours"),
        flagged_hours: zero("flagged_hours"),
        closed_hours: zero("closed_hours"),
        open_hours: zero("open_hours"),
        known_hours: zero("known_hours"),
        voltage_v: three("voltage", "_v"),
        connected: three("connected", ""),
        kvar: three("kvar", ""),
        neutral_a: cells.real("neutral_a", 0),
        residual_pu: cells.real("residual_pu", 0),
        u2_percent: cells.real("u2_percent", 0),
    })
}
