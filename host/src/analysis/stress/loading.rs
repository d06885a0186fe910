//! What spectra load the bank with.

use polars::lazy::dsl::max_horizontal;
use polars::prelude::{DataType, Expr, IntoLazy, LazyFrame, PolarsResult, col, lit};

use wyelog_protocol::FRAMES_PER_SECOND;

use super::{Limited, limits, sums};
use crate::analysis::PHASES;
use crate::analysis::slices::collect;
use crate::store::SPECTRUM_FRAMES;

const FRAMES_PER_HOUR: f64 = 3600.0 * FRAMES_PER_SECOND as f64;

/// Their columns, and what they are of [`limits`]; THD has none.
const STEMS: [(&str, &str); 4] = [
    ("thd", "thd"),
    ("current_loading", "current"),
    ("reactive_loading", "reactive"),
    ("crest_loading", "crest"),
];

/// A row a bank and logger: THD, current, reactive power and crest of the spectra whose bank is not known to be out.
pub(super) fn of_spectra(spectra: LazyFrame) -> PolarsResult<LazyFrame> {
    let mut rows = collect(values(spectra.clone(), |stem| Ok(col(format!("{stem}_percent"))))?)?;
    // An older program did not write the largest of the phases. Such rows are rare where it did: to look up to the phases again
    // changes nothing.
    if rows.column("current")?.null_count() > 0 {
        let largest = |stem: &str| max_horizontal(PHASES.map(|phase| col(format!("{stem}_{phase}_percent"))));
        rows = collect(values(spectra, largest)?)?;
    }
    let rows = collect(rows.lazy().with_columns(STEMS.map(|(_, name)| col(name).fill_null(lit(f64::NAN)))))?;
    let thd = Limited { stem: "thd", words: "", limit_percent: f64::INFINITY };
    let others = limits().into_iter().filter(|of| of.stem != "voltage");
    let all: Vec<Limited> = others.chain([thd]).collect();
    let sums = sums::sums(rows, ["spectrum_hours", "flagged_spectra"], &all)?;
    Ok(sums.drop(&thd.over())?.lazy())
}

/// The largest of the phases' values of each row, as `largest` has it.
fn values(spectra: LazyFrame, largest: impl Fn(&str) -> PolarsResult<Expr>) -> PolarsResult<LazyFrame> {
    // By its end alone: to look for the row before each would cost as much as all the rest.
    let frames = col("frame").fill_null(lit(0_u64)).clip_max(lit(SPECTRUM_FRAMES));
    let mut shown = vec![
        col("bank"),
        col("device"),
        col("flagged").fill_null(lit(1_u32)),
        (frames.cast(DataType::Float64) * lit(1.0 / FRAMES_PER_HOUR)).alias("hours"),
    ];
    for (stem, name) in STEMS {
        shown.push(largest(stem)?.alias(name));
    }
    Ok(spectra.filter(col("state").eq_missing(lit("open")).not()).select(shown))
}
