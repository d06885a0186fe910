//! What spectra load the bank with.

use polars::lazy::dsl::max_horizontal;
use polars::prelude::{DataType, Expr, LazyFrame, PolarsResult, col, lit};

use super::{Limited, limited, limits};
use crate::analysis::percentile::p95;
use crate::analysis::{PHASES, only, or_zero};

/// A row a bank and logger: THD, current, reactive power and crest of the spectra whose bank is not known to be out.
pub(super) fn of_spectra(spectra: LazyFrame) -> PolarsResult<LazyFrame> {
    let worst = |stem: &str| max_horizontal(PHASES.map(|phase| col(format!("{stem}_{phase}_percent"))));
    let good = || col("flagged").eq(lit(0));
    let hours = col("windows").cast(DataType::Float64) * lit(0.2 / 3600.0);
    let rows = spectra.filter(col("state").eq_missing(lit("open")).not()).select([
        col("bank"),
        col("device"),
        good().not().alias("is_flagged"),
        or_zero(good(), hours).alias("hours"),
        only(good(), worst("thd")?).alias("thd"),
        only(good(), worst("current_loading")?).alias("current"),
        only(good(), worst("reactive_loading")?).alias("reactive"),
        only(good(), worst("crest_loading")?).alias("crest"),
    ]);
    let mut columns = vec![
        col("hours").sum().alias("spectrum_hours"),
        col("is_flagged").cast(DataType::UInt32).sum().alias("flagged_spectra"),
    ];
    let mut percentiles: Vec<Expr> = Vec::new();
    for of in limits().iter().filter(|of| of.stem != "voltage") {
        columns.extend(limited(of));
        percentiles.push(p95(&of.p95()));
    }
    let thd = Limited { stem: "thd", words: "", limit_percent: f64::INFINITY };
    let [list, max, _] = limited(&thd);
    columns.extend([list, max]);
    percentiles.push(p95(&thd.p95()));
    Ok(rows.group_by([col("bank"), col("device")]).agg(columns).with_columns(percentiles))
}
