//! What the records do not prove: a page that left it out would say too much.

use super::{Certificate, SOAK_DAYS, SOAK_IN_HOURS, SOAK_PART};
use crate::analysis::cells::Cells;
use crate::number::plain;

/// A sentence each. `settings` are the records of settings in order, `operations` openings and closings since the commissioning.
pub(super) fn not_proven(page: &Certificate, settings: Cells<'_>, operations: (usize, usize)) -> Vec<String> {
    let mut sentences = Vec::new();
    let mut say = |is_so: bool, text: &str| {
        if is_so {
            sentences.push(text.to_owned());
        }
    };
    let is_older = page.has_older_baseline();
    say(
        is_older,
        "When this upgrade was commissioned: the baseline was learned before the range, of what was there then; the first \
         interval of the range stands for it here.",
    );
    // What lies beside the range is not known here.
    let (learned, there) = match page.range {
        (None, None) => ("no baseline was ever learned", "there is no baseline."),
        _ => ("no baseline was learned in the range", "there is no baseline in the range."),
    };
    let text = format!("When the bank was commissioned: {learned}; the first interval stands for it here.");
    say(!page.has_commissioning && !is_older, &text);
    let state = page.baseline.as_ref().map(|baseline| baseline.state.clone());
    match state.as_deref() {
        Some("confirmed") => {}
        Some(state) => {
            let reason =
                page.baseline.as_ref().map_or("", |baseline| baseline.reason.as_str()).replace('_', " ");
            let text = format!(
                "That the bank repeats its baseline on a light and a heavy day and behind an operation: it is {state} ({reason})."
            );
            say(true, &text);
        }
        None => say(true, &format!("What the bank was like when it was sound: {there}")),
    }
    let soak = &page.soak;
    if !soak.is_over() {
        let text = format!("Seven days of soak: the records have {} of them.", plain(soak.days, 1));
        say(true, &text);
    } else if !soak.is_done() {
        let text = format!(
            "Seven days of soak: of {} hours {} are known with the bank in, and in {} it was open; {} % of them are needed, {} h in.",
            plain(SOAK_DAYS * 24.0, 0),
            plain(soak.values.known_hours, 1),
            plain(soak.values.open_hours, 1),
            plain(100.0 * SOAK_PART, 0),
            plain(SOAK_IN_HOURS, 0)
        );
        say(true, &text);
    }
    say(
        page.row.trust.proven_ms.is_none(),
        "What the three phases have in common: it rests on the nameplate; no opening, pole, harmonics or baseline has shown it.",
    );
    let (openings, closings) = operations;
    say(openings == 0, "That all three poles open: no opening has been recorded since the commissioning.");
    say(closings == 0, "That all three poles close: no closing has been recorded since the commissioning.");
    if let Some(last) = settings.rows().checked_sub(1) {
        let absent: Vec<&str> = ["a", "b", "c"]
            .into_iter()
            .filter(|phase| settings.text(&format!("sensor_{phase}"), last).as_deref() == Some("absent"))
            .collect();
        if !absent.is_empty() {
            let text = format!(
                "The voltage of phase {}: no sensor is there; 120 degrees are assumed.",
                absent.join(", ").to_uppercase()
            );
            say(true, &text);
        }
        say(
            settings.whole("has_contact", last) == Some(0),
            "That the bank follows its commands: no contact input is wired.",
        );
    } else {
        say(true, "The settings: the store has no record of them.");
    }
    // These no record can show: they belong to the technician's sheet.
    say(
        true,
        "That each voltage sensor sits on the phase it claims, that ratios and the polarity of the neutral sensor are right, and \
         that isolated inputs read zero: that is proven at the bench and at the pole, and stands in the technician's record.",
    );
    say(true, "That anything is dead, isolated, discharged or grounded: no record proves it.");
    sentences
}
