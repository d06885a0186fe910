//! Which of the times that the clock was set to fit together.

use wyelog_protocol::record::ClockSource;

use super::{Anchor, DRIFT_LIMIT_PPM, to_ms};

/// Of references closer together than this in a start, in ms, the later is meant: drift cannot be told from so short a time.
const TOGETHER_MS: f64 = 600_000.0;
/// How long ago a battery-backed clock was set, where the log does not say, in ms: a year.
const LONG_AGO_MS: f64 = 365.0 * 86_400_000.0;

/// The anchors that fit together, in order, with the battery-backed clock's only in starts without a reference; and those that contradict
/// them. `lengths` are the frames of each start.
pub(super) fn choose(anchors: &[Anchor], lengths: &[u64]) -> (Vec<Anchor>, Vec<Anchor>) {
    let is_reference = |anchor: &&Anchor| anchor.source != ClockSource::Rtc;
    let mut references: Vec<Anchor> = Vec::new();
    for anchor in anchors.iter().filter(is_reference) {
        let replaces = references.last().is_some_and(|last| {
            last.start == anchor.start && to_ms(anchor.frame.saturating_sub(last.frame)) < TOGETHER_MS
        });
        if replaces {
            references.pop();
        }
        references.push(*anchor);
    }
    let before = befores(lengths);
    let (references, mut left) = longest(&references, &before, |_| 1);
    let mut all = references.clone();
    for anchor in anchors.iter().filter(|anchor| !is_reference(anchor)) {
        if references.iter().any(|reference| reference.start == anchor.start) {
            continue;
        }
        // A clock is set right at the start: of several, which nobody wrote, the last.
        all.retain(|other| other.start != anchor.start);
        let last = references.iter().rev().find(|reference| reference.start < anchor.start);
        let since = last.map_or(LONG_AGO_MS, |last| (anchor.utc_ms - last.utc_ms).max(0.0));
        let error_s = anchor.error_s + since * DRIFT_LIMIT_PPM * 1e-9;
        all.push(Anchor { error_s, ..*anchor });
    }
    all.sort_by_key(|anchor| (anchor.start, anchor.frame));
    // No number of battery-backed clocks outweighs a reference.
    let weight = |anchor: &Anchor| if is_reference(&anchor) { all.len() + 1 } else { 1 };
    let (kept, more) = longest(&all, &before, weight);
    left.extend(more);
    (kept, left)
}

/// The heaviest row of anchors of which each fits the one before; of as heavy ones that with the later anchors. And the others.
fn longest(
    anchors: &[Anchor],
    before: &[f64],
    weight: impl Fn(&Anchor) -> usize,
) -> (Vec<Anchor>, Vec<Anchor>) {
    // Of the heaviest row that ends with each: its weight, and the anchor before.
    let mut rows: Vec<(usize, Option<usize>)> = Vec::with_capacity(anchors.len());
    for (at, anchor) in anchors.iter().enumerate() {
        let mut best = (0, None);
        for (earlier, (other, (heavy, _))) in anchors.iter().zip(&rows).enumerate().take(at) {
            if *heavy >= best.0 && fits(other, anchor, before) {
                best = (*heavy, Some(earlier));
            }
        }
        rows.push((best.0 + weight(anchor), best.1));
    }
    let mut at = (0..rows.len()).max_by_key(|at| rows.get(*at).map_or(0, |row| row.0));
    let mut is_kept = vec![false; anchors.len()];
    while let Some(index) = at {
        if let Some(kept) = is_kept.get_mut(index) {
            *kept = true;
        }
        at = rows.get(index).and_then(|row| row.1);
    }
    let (mut kept, mut left) = (Vec::new(), Vec::new());
    for (anchor, is_kept) in anchors.iter().zip(is_kept) {
        if is_kept { kept.push(*anchor) } else { left.push(*anchor) }
    }
    (kept, left)
}

/// Whether the later anchor can be true if the earlier one is.
fn fits(earlier: &Anchor, later: &Anchor, before: &[f64]) -> bool {
    let errors = (earlier.error_s + later.error_s) * 1000.0;
    let at = |anchor: &Anchor| before.get(anchor.start).copied().unwrap_or(0.0) + to_ms(anchor.frame);
    // Time that the logger was awake between them.
    let awake = at(later) - at(earlier);
    let passed = later.utc_ms - earlier.utc_ms;
    let tolerance = errors + awake.abs() * DRIFT_LIMIT_PPM * 1e-6;
    if earlier.start == later.start {
        (passed - awake).abs() <= tolerance
    } else {
        passed >= awake - tolerance
    }
}

/// For each start, how long all those before it lasted, in ms.
fn befores(lengths: &[u64]) -> Vec<f64> {
    let mut sum = 0.0;
    let mut before = Vec::with_capacity(lengths.len());
    for length in lengths {
        before.push(sum);
        sum += to_ms(*length);
    }
    before
}
