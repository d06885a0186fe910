//! Nothing is missing, nothing is said twice, and what an occurrence knows is said.

use std::collections::BTreeSet;

use wyelog_protocol::condition::{Route, Subject};

use super::*;

#[test]
fn every_condition_has_all_its_words() {
    let mut short = BTreeSet::new();
    for condition in Condition::ALL {
        let words = explain(&Case::only(condition));
        let name = condition.name();
        assert!(words.happened.len() > 60 && words.happened.ends_with('.'), "{name}: {}", words.happened);
        assert!(!words.happened.contains('{'), "{name}: {}", words.happened);
        assert!(!words.otherwise.is_empty() && !words.look.is_empty(), "{name}");
        assert!(words.cautions.len() > 1, "{name}");
        assert!(words.cautions.last().is_some_and(|last| last.starts_with("This tool informs.")), "{name}");
        let crew = matches!(condition.route(), Route::Hazard | Route::Crew);
        // A crew that is sent has something to bring; nobody else needs it.
        assert!(!crew || !words.bring.is_empty(), "{name}");
        assert!(condition.route() != Route::LogOnly || words.bring.is_empty(), "{name}");
        assert!(short.insert(in_short(condition, Phases::single(1))), "{name}");
        // Whoever goes to the bank or its sensors reads that capacitors hold charge and screens isolate nothing.
        if crew || matches!(condition.subject(), Subject::Sensor) {
            for part in ["charged", "no isolation"] {
                assert!(words.cautions.iter().any(|caution| caution.contains(part)), "{name}: {part}");
            }
        }
        let causes: BTreeSet<_> = usual_causes(condition).iter().collect();
        assert!(!causes.is_empty() && causes.len() == usual_causes(condition).len(), "{name}");
    }
}

#[test]
fn every_cause_has_words_of_its_own() {
    let mut said = BTreeSet::new();
    for cause in Cause::ALL {
        assert!(what(cause).len() > 10 && !what(cause).ends_with('.'), "{}", cause.name());
        assert!(why_lower(cause).len() > 20 && why_lower(cause).ends_with('.'), "{}", cause.name());
        assert!(said.insert(what(cause)) && said.insert(why_lower(cause)), "{}", cause.name());
    }
}

#[test]
fn the_causes_of_an_occurrence_are_told_in_their_order() {
    let case = Case {
        phases: Phases::single(1),
        fraction: Some(1.0),
        causes: vec![Cause::CutoutOpen, Cause::PoleOpened, Cause::FuseOperated],
        ..Case::only(Condition::BlownFuse)
    };
    let words = explain(&case);
    assert!(words.happened.starts_with("Phase B carried"), "{}", words.happened);
    assert!(words.happened.contains("100.0 % of the phase's rated capacitance lost."), "{}", words.happened);
    assert!(
        words.happened.ends_with("Likeliest cause: a cutout or a jumper of the phase is open."),
        "{}",
        words.happened
    );
    assert!(words.otherwise[0].starts_with("The switch pole of the phase opened"), "{:?}", words.otherwise);
    assert!(words.otherwise[1].starts_with("The fuse of the phase has operated."), "{:?}", words.otherwise);
    assert_eq!(to_json(&case)["causes"], json!(["cutout_open", "pole_opened", "fuse_operated"]));
    let gained = explain(&Case { fraction: Some(-0.04), ..Case::only(Condition::ElementShort) });
    assert!(
        gained.happened.contains("4.0 % of the phase's rated capacitance gained."),
        "{}",
        gained.happened
    );
}

#[test]
fn phases_are_named_as_people_say_them() {
    assert_eq!(in_short(Condition::BlownFuse, Phases::single(1)), "fuse of phase B most likely blown");
    assert_eq!(in_short(Condition::Sag, Phases::from_bits(0b101)), "voltage sag, phases A and C");
    assert_eq!(letters(Phases::ABC), "A, B and C");
    assert_eq!(in_short(Condition::UnitOut, Phases::NONE), "unit of a phase out");
}
