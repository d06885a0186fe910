//! How sure the kvar of a bank are, since when, and where the differences between its phases go.

use super::text::{civil, escape};
use crate::analysis::fleet::{FleetRow, Trust};
use crate::analysis::kvar::{LEAST_DAYS, LIMIT_PU, UNCORRECTED};
use crate::number::plain;

/// A paragraph for the bank's page.
pub fn trust(row: &FleetRow) -> String {
    let Trust { proven_ms, proven_by, trend_from_ms, slopes, crossing, common_slope, .. } = &row.trust;
    let mut sentences = Vec::new();
    if let Some(sigma) = row.trust.difference_sigma_pu {
        sentences.push(format!("Differences between phases: measured, ± {} %.", plain(100.0 * sigma, 1)));
    }
    if let (Some(sigma), Some(basis)) = (row.trust.common_sigma_pu, &row.trust.common_basis) {
        sentences.push(format!("What they have in common: {basis}, ± {} %.", plain(100.0 * sigma, 1)));
    }
    sentences.push(match (proven_ms, proven_by) {
        (Some(ms), Some(by)) => format!("Last proven on {} ({by}).", day(*ms)),
        _ => "Never proven: no opening, harmonics or baseline stands behind it.".to_owned(),
    });
    let each: Vec<String> = ["A", "B", "C"]
        .iter()
        .zip(slopes)
        .filter_map(|(phase, slope)| slope.map(|slope| format!("{phase} {}", in_percent(slope))))
        .collect();
    match trend_from_ms {
        Some(from) if !each.is_empty() => sentences.push(format!(
            "Differences from the mean of the phases since {}, % of a phase a year: {}.",
            day(*from),
            each.join(", ")
        )),
        _ => sentences
            .push(format!("No trend: fewer than {LEAST_DAYS} days since the last change of a phase.")),
    }
    if let Some((phase, ms)) = crossing {
        sentences.push(format!(
            "At this rate phase {phase} has changed by {} % on {}.",
            plain(100.0 * LIMIT_PU, 0),
            day(*ms)
        ));
    }
    if let Some(slope) = common_slope {
        sentences.push(format!("Mean of the phases: {} % a year, {UNCORRECTED}.", in_percent(*slope)));
    }
    format!("<p class=\"hint\"><b>How sure the kvar are.</b> {}</p>", escape(&sentences.join(" ")))
}

fn in_percent((slope, sigma): (f64, f64)) -> String {
    let sign = if slope > 0.0 { "+" } else { "" };
    format!("{sign}{} ± {}", plain(100.0 * slope, 2), plain(100.0 * sigma, 2))
}

fn day(ms: i64) -> String {
    let civil = civil(ms);
    format!("{:04}-{:02}-{:02}", civil.year, civil.month, civil.day)
}
