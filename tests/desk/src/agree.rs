//! Answers of the tool beside those of a reference.

use serde_json::Value;

/// What a row is about; what a question does not have is null on both sides.
const KEY: [&str; 5] = ["bank", "device", "boot", "occurrence", "condition"];

/// The same where the reference has it.
const NAMES: [&str; 3] = ["id", "level", "feeder"];

/// Every value of `references` is in the answer's row about the same thing, numbers to two millionths.
///
/// # Panics
/// It is not.
pub fn assert_agree(question: &str, answers: &[Value], references: &[Value]) {
    assert_eq!(answers.len(), references.len());
    for reference in references {
        let same = |answer: &&Value| {
            let mut names = NAMES.iter().filter(|name| reference.get(**name).is_some());
            KEY.iter().all(|name| answer[*name] == reference[*name])
                && names.all(|name| answer[*name] == reference[*name])
        };
        let answer = answers.iter().find(same);
        let answer = answer.unwrap_or_else(|| panic!("{question}: no row like {reference}"));
        for (name, expected) in reference.as_object().unwrap() {
            let (Some(expected), Some(value)) = (expected.as_f64(), answer[name].as_f64()) else {
                assert_eq!(&answer[name], expected, "{question}: {name}");
                continue;
            };
            assert!(
                (value - expected).abs() <= 2e-6 * expected.abs().max(1.0),
                "{question}: {name}: {value}, not {expected}"
            );
        }
    }
}
