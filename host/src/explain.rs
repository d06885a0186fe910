//! What a condition means, in plain words: what probably happened, what else it could be, what to look for and bring, what to
//! beware of. One place, which alarms, replay, report and `wyelog explain` share; a row for each condition and each cause.

mod bank;
mod cause;
mod cautions;
mod feeder;
mod sensor;
mod switching;
mod words;

use serde_json::{Value, json};
use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::{Condition, Phases};

pub use cause::{what, why_lower};

use crate::number::plain;
use words::words;

/// What is to be explained: a condition, and what an occurrence of it says beyond that.
#[derive(Clone, Debug, PartialEq)]
pub struct Case {
    /// Which condition.
    pub condition: Condition,
    /// Which phases; none: not a certain occurrence.
    pub phases: Phases,
    /// How much of a phase was lost (positive) or gained (negative), of its rated capacitance.
    pub fraction: Option<f64>,
    /// What may be behind it, the likeliest first; empty: what usually is.
    pub causes: Vec<Cause>,
}

impl Case {
    /// A condition, and nothing known of an occurrence.
    pub const fn only(condition: Condition) -> Self {
        Self { condition, phases: Phases::NONE, fraction: None, causes: Vec::new() }
    }
}

/// A condition in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Explanation {
    /// What probably happened.
    pub happened: String,
    /// What else it could be, the likelier first, each with why it stands behind.
    pub otherwise: Vec<String>,
    /// What a crew or an engineer should look for.
    pub look: Vec<&'static str>,
    /// What a crew should bring.
    pub bring: Vec<&'static str>,
    /// What to beware of.
    pub cautions: Vec<&'static str>,
}

/// "B", "A and C", "A, B and C".
pub fn letters(phases: Phases) -> String {
    let letters: Vec<&str> = phases.letters().collect();
    match letters.as_slice() {
        [before @ .., last] if !before.is_empty() => format!("{} and {last}", before.join(", ")),
        letters => letters.join(""),
    }
}

/// "phase B", "phases A and C", and "a phase" where none is named.
fn phases_in_words(phases: Phases) -> String {
    let noun = if phases.count() == 1 { "phase" } else { "phases" };
    if phases == Phases::NONE { "a phase".to_owned() } else { format!("{noun} {}", letters(phases)) }
}

/// A condition in half a sentence: "fuse of phase B most likely blown".
pub fn in_short(condition: Condition, phases: Phases) -> String {
    words(condition).short.replace("{phases}", &phases_in_words(phases))
}

/// What is usually behind a condition, the likeliest first.
pub const fn usual_causes(condition: Condition) -> &'static [Cause] {
    words(condition).causes
}

/// The words for a case.
pub fn explain(case: &Case) -> Explanation {
    let words = words(case.condition);
    let mut happened = capital(&words.happened.replace("{phases}", &phases_in_words(case.phases)));
    if let Some(fraction) = case.fraction.filter(|fraction| *fraction != 0.0) {
        let verb = if fraction > 0.0 { "lost" } else { "gained" };
        let percent = plain(100.0 * fraction.abs(), 1);
        happened.push_str(&format!(" {} % of the phase's rated capacitance {verb}.", percent));
    }
    let causes = if case.causes.is_empty() { words.causes } else { case.causes.as_slice() };
    if let Some(likeliest) = causes.first() {
        happened.push_str(&format!(" Likeliest cause: {}.", what(*likeliest)));
    }
    let others =
        causes.iter().skip(1).map(|cause| format!("{}. {}", capital(what(*cause)), why_lower(*cause)));
    let also = words.also.iter().map(|text| (*text).to_owned());
    let informs = std::iter::once(cautions::INFORMS);
    Explanation {
        happened,
        otherwise: others.chain(also).collect(),
        look: words.look.to_vec(),
        bring: words.bring.to_vec(),
        cautions: words.cautions.iter().copied().chain(informs).collect(),
    }
}

/// An explanation for programs.
pub fn to_json(case: &Case) -> Value {
    let Explanation { happened, otherwise, look, bring, cautions } = explain(case);
    let causes = if case.causes.is_empty() { usual_causes(case.condition) } else { &case.causes };
    json!({
        "type": "explanation",
        "condition": case.condition.name(),
        "route": case.condition.route().name(),
        "in_short": in_short(case.condition, case.phases),
        "causes": causes.iter().map(|cause| cause.name()).collect::<Vec<_>>(),
        "happened": happened,
        "otherwise": otherwise,
        "look_for": look,
        "bring": bring,
        "cautions": cautions,
    })
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

#[cfg(test)]
mod tests;
