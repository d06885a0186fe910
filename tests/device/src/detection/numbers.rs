//! The numbers that the firmware is held to, each with what it should reach and what it does.

use wyelog_protocol::condition::Route;
use wyelog_protocol::record::Basis;

use super::class::{Class, Group};
use super::judge::{Accuracy, Outcome};
use super::study::{Judged, Share, false_calls, outcomes, quantile};

/// A number.
#[derive(Clone, Debug)]
pub struct Number {
    /// Of what.
    pub name: String,
    /// What it should be.
    pub goal: String,
    /// What it is.
    pub got: String,
    /// Of how many.
    pub of: usize,
    /// Whether it is what it should be.
    pub holds: bool,
}

fn at_least(name: &str, share: Share, percent: f64) -> Number {
    Number {
        name: name.to_owned(),
        goal: if percent < 100.0 { format!("≥ {percent} %") } else { "100 %".to_owned() },
        got: format!("{:.2} % ({} of {})", share.percent(), share.right, share.of),
        of: share.of,
        holds: share.of > 0 && share.percent() >= percent,
    }
}

fn at_most(name: &str, unit: &str, values: &[f64], got: f64, limit: f64) -> Number {
    let of = values.iter().filter(|value| value.is_finite()).count();
    let got_text = if of == 0 { "–".to_owned() } else { format!("{got:.2} {unit}") };
    Number {
        name: name.to_owned(),
        goal: format!("≤ {limit} {unit}"),
        got: got_text,
        of,
        holds: of > 0 && got <= limit,
    }
}

/// Pickup of a dead neutral lead, per unit of rated current, at most.
pub const PICKUP: f64 = 0.02;

/// Whether the neutral current was more than a dead lead would show, if it is the neutral's that broke.
pub fn is_tellable(judged: &Judged) -> bool {
    judged.class != Class::NeutralLead || judged.verdict.neutral_before > PICKUP
}

/// All numbers of a study.
pub fn numbers(judged: &[Judged]) -> Vec<Number> {
    let mut all = Vec::new();
    let group = |group: Group| move |record: &Judged| record.class.group() == group;
    for (place, name) in [
        ("line", "whole-phase faults, sensors on the line"),
        ("fuse_switch", "whole-phase faults, sensors between fuse and switch"),
        ("capacitor", "whole-phase faults, sensors at the capacitors"),
        ("mixed", "whole-phase faults, sensors in different places"),
    ] {
        let is_there = move |record: &Judged| {
            let [a, b, c] = record.places;
            let own = if a == b && b == c { a } else { "mixed" };
            record.class.group() == Group::Whole && own == place
        };
        all.push(at_least(name, Share::of(outcomes(judged, is_there).map(Outcome::is_right)), 100.0));
    }
    let exact = |which| Share::of(outcomes(judged, group(which)).map(Outcome::is_exact));
    let counted = |outcome: &Outcome| outcome.is_exact() && outcome.fraction_error.abs() < 1.0 / 6.0;
    let units = Share::of(outcomes(judged, group(Group::UnitOut)).map(counted));
    all.push(at_least("unit out: phase and count", units, 99.5));
    all.push(at_least("section shorted, 15 % and more", exact(Group::LargeShort), 99.5));
    all.push(at_least("section shorted, 4 to 15 %, with health before", exact(Group::SmallShort), 98.0));
    let told = |record: &Judged| record.class.group() == Group::Told;
    let right = |is_meant: &dyn Fn(&Judged) -> bool| {
        Share::of(judged.iter().filter(|record| told(record) && is_meant(record)).map(Judged::is_right))
    };
    all.push(at_least(
        "lost signals, failed and unexpected operation, single phasing: each by its name and nothing else",
        right(&|_| true),
        99.5,
    ));
    all.push(at_least(
        "the same, without neutral currents that were no larger than a dead lead's pickup (2 % of rated)",
        right(&is_tellable),
        99.5,
    ));
    all.push(at_least("intermittent phase, restrike, charged closing", exact(Group::Switching), 99.5));
    let one = Share::of(outcomes(judged, group(Group::OneSensor)).map(Outcome::is_right));
    all.push(at_least("one voltage sensor: whole lost phase", one, 99.9));
    calls(judged, &mut all);
    delays(judged, &mut all);
    accuracies(judged, &mut all);
    all
}

fn calls(judged: &[Judged], all: &mut Vec<Number>) {
    for (route, who) in [(Route::Hazard, "hazard"), (Route::Crew, "crew"), (Route::Engineer, "engineer")] {
        let called = false_calls(judged, route, |record| record.class.group() == Group::Sound);
        all.push(Number {
            name: format!("false calls to {who}, on health and every disturbance"),
            goal: "0".to_owned(),
            got: format!("{} of {} records", called.right, called.of),
            of: called.of,
            holds: called.of > 0 && called.right == 0,
        });
    }
    let besides = Share::of(
        judged
            .iter()
            .filter(|record| record.class.group() != Group::Sound)
            .map(|record| record.calls().next().is_some()),
    );
    all.push(Number {
        name: "false calls beside a fault that is there".to_owned(),
        goal: "0".to_owned(),
        got: format!("{} of {} records", besides.right, besides.of),
        of: besides.of,
        holds: besides.of > 0 && besides.right == 0,
    });
}

fn delays(judged: &[Judged], all: &mut Vec<Number>) {
    let is_whole = |record: &Judged| matches!(record.class.group(), Group::Whole | Group::OneSensor);
    let delays = |is_meant: &dyn Fn(&Judged) -> bool, at_operation: Option<bool>| -> Vec<f64> {
        judged
            .iter()
            .filter(|record| is_meant(record))
            .flat_map(|record| &record.verdict.outcomes)
            .filter(|outcome| outcome.found)
            .filter(|outcome| at_operation.is_none_or(|at| at == outcome.expected.at_operation))
            .map(|outcome| outcome.delay_s)
            .collect()
    };
    let spontaneous = delays(&is_whole, Some(false));
    let median = quantile(spontaneous.iter().copied(), 0.5);
    all.push(at_most("fault to detected, whole phase, median", "s", &spontaneous, median, 1.0));
    let worst = |values: &[f64]| quantile(values.iter().copied(), 1.0);
    all.push(at_most("the same, worst", "s", &spontaneous, worst(&spontaneous), 3.0));
    let operated = delays(&is_whole, Some(true));
    all.push(at_most("the same after an operation, worst", "s", &operated, worst(&operated), 4.0));
    let others = delays(&|record| !is_whole(record), None);
    all.push(at_most("fault to detected, all others, worst", "s", &others, worst(&others), 10.0));
}

/// How far differences move against a baseline on another day.
pub fn against_a_baseline(changes: &[f64]) -> Number {
    let percent: Vec<f64> = changes.iter().map(|change| 100.0 * change).collect();
    let name = "change of the differences of y against a baseline on another day, 95th percentile";
    at_most(name, "%", &percent, quantile(percent.iter().copied(), 0.95), 1.0)
}

fn accuracies(judged: &[Judged], all: &mut Vec<Number>) {
    let known: Vec<(&Judged, Accuracy)> =
        judged.iter().filter_map(|record| Some((record, record.verdict.accuracy?))).collect();
    let largest = |values: &[f64]| quantile(values.iter().copied(), 0.95);
    let differences: Vec<f64> = known.iter().map(|(_, accuracy)| 100.0 * accuracy.difference).collect();
    let name = "largest error of the differences of y, no baseline, 95th percentile";
    all.push(at_most(name, "%", &differences, largest(&differences), 2.5));
    let changes = |is_meant: &dyn Fn(Group) -> bool| -> Vec<f64> {
        let meant = known.iter().filter(|(record, _)| is_meant(record.class.group()));
        meant.map(|(_, accuracy)| 100.0 * accuracy.change).collect()
    };
    let part = changes(&|group| matches!(group, Group::UnitOut | Group::LargeShort | Group::SmallShort));
    let name = "their change by a partial fault, against the seconds before it, 95th percentile";
    all.push(at_most(name, "%", &part, largest(&part), 1.0));
    let whole = changes(&|group| group == Group::Whole);
    all.push(Number {
        name: "the same of a whole lost phase: what the others carry alone".to_owned(),
        goal: "told only".to_owned(),
        got: format!("{:.2} %", largest(&whole)),
        of: whole.iter().filter(|value| value.is_finite()).count(),
        holds: true,
    });
    let opened: Vec<Accuracy> =
        known.iter().filter(|(record, _)| record.verdict.has_opened).map(|(_, accuracy)| *accuracy).collect();
    let tested = |accuracy: &&Accuracy| accuracy.basis == Basis::Opening;
    let common: Vec<f64> =
        opened.iter().filter(tested).map(|accuracy| 100.0 * accuracy.common.abs()).collect();
    let name = "error of the common part after an opening, 95th percentile";
    all.push(at_most(name, "%", &common, largest(&common), 2.0));
    let used = Share { right: common.len(), of: opened.len() };
    all.push(Number {
        name: "openings that gave a common part".to_owned(),
        goal: "told only".to_owned(),
        got: format!("{:.1} % ({} of {})", used.percent(), used.right, used.of),
        of: used.of,
        holds: used.of > 0,
    });
    let errors: Vec<f64> = known.iter().flat_map(|(_, accuracy)| accuracy.errors).collect();
    all.extend(coverage("y", &errors));
    let apart: Vec<f64> = known.iter().flat_map(|(_, accuracy)| accuracy.apart).collect();
    all.extend(coverage("its differences from the common part", &apart));
}

/// How many of these errors, in standard deviations, lie within two, and the worst.
pub fn coverage(name: &str, errors: &[f64]) -> [Number; 2] {
    let inside = Share::of(errors.iter().map(|error| error.abs() <= 2.0));
    let worst = quantile(errors.iter().map(|error| error.abs()), 1.0);
    [
        Number {
            name: format!("{name} within two standard deviations"),
            goal: "90 to 99.9 %".to_owned(),
            got: format!("{:.2} % ({} of {})", inside.percent(), inside.right, inside.of),
            of: inside.of,
            holds: inside.of > 0 && (90.0..=99.9).contains(&inside.percent()),
        },
        Number {
            name: format!("worst error of {name}"),
            goal: "≤ 4 standard deviations".to_owned(),
            got: format!("{worst:.2}"),
            of: inside.of,
            holds: inside.of > 0 && worst <= 4.0,
        },
    ]
}

/// The numbers as a table.
pub fn table(numbers: &[Number]) -> String {
    let mut text = "| number | to be reached | reached | of | |\n|---|---|---|---|---|\n".to_owned();
    for Number { name, goal, got, of, holds } in numbers {
        let mark = if *holds { "yes" } else { "**no**" };
        text += &format!("| {name} | {goal} | {got} | {of} | {mark} |\n");
    }
    text
}
