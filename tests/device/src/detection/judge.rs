//! Holds what was said of a record against what should have been said.

use wyelog_protocol::condition::{Change, Condition, Phases, Route};
use wyelog_protocol::record::{Basis, Event};
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::waveform::{Fact, Truth, What};

use super::expected::{Expected, causes, expected};
use super::heard::{Heard, seconds};

/// What became of an expected condition.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// What was expected.
    pub expected: Expected,
    /// The condition under which it was found.
    pub named: Option<Condition>,
    /// Whether it was found at all.
    pub found: bool,
    /// In the right phases.
    pub phases_right: bool,
    /// Under its own name.
    pub kind_right: bool,
    /// From begin to detection, in s.
    pub delay_s: f64,
    /// Measured less true fraction; NaN where that makes no sense.
    pub fraction_error: f64,
}

impl Outcome {
    /// Right phases, and right kind or named among the causes.
    pub fn is_right(&self) -> bool {
        self.found && self.phases_right
    }

    /// Right phases and right kind.
    pub fn is_exact(&self) -> bool {
        self.is_right() && self.kind_right
    }
}

/// Something said that is not so.
#[derive(Clone, Copy, Debug)]
pub struct FalseCall {
    /// What was said.
    pub condition: Condition,
    /// Of which phases.
    pub phases: Phases,
    /// When, in s.
    pub at_s: f64,
}

impl FalseCall {
    /// Whether somebody would have to act on it.
    pub fn counts(&self) -> bool {
        self.condition.route() != Route::LogOnly
    }
}

/// How near what is said at the end is to the truth.
#[derive(Clone, Copy, Debug)]
pub struct Accuracy {
    /// Largest error of the differences between two phases.
    pub difference: f64,
    /// Largest error of how these have changed since before the fault; NaN without one.
    pub change: f64,
    /// Error of the common part.
    pub common: f64,
    /// What that rests on.
    pub basis: Basis,
    /// Errors of the three `y` over their standard deviation.
    pub errors: [f64; 3],
    /// Errors of their differences from the common part over the standard deviation of these.
    pub apart: [f64; 3],
}

/// What became of a record.
#[derive(Clone, Debug, Default)]
pub struct Verdict {
    /// What should have been found.
    pub outcomes: Vec<Outcome>,
    /// What should not have been said.
    pub false_calls: Vec<FalseCall>,
    /// Of the connected capacitances; `None` where they do not count or were said not to be identifiable.
    pub accuracy: Option<Accuracy>,
    /// Whether all three poles cleared, as in an opening that tests the capacitances.
    pub has_opened: bool,
    /// Neutral current before the first thing expected, fundamental and third, per unit of the rated one; NaN without any.
    pub neutral_before: f64,
}

/// Something cannot be said so long before it is so, in s: the frame that a window begins at.
const EARLY_S: f64 = 0.25;

/// Judges what was said of a scenario.
pub fn judge(scenario: &Scenario, heard: &Heard) -> Verdict {
    let truth = scenario.truth();
    let expected = expected(&truth);
    let said: Vec<&Event> = heard.events.iter().filter(|event| event.change == Change::Detected).collect();
    let mut used = vec![false; said.len()];
    let outcomes = expected.iter().map(|one| outcome(one, &expected, &said, &mut used)).collect();
    let loose = expected.iter().find(|one| one.condition == Condition::IntermittentPhase);
    let is_false = |event: &&Event| {
        // Each drop-out of a loose contact is a fuse that has blown, until it comes back.
        !loose.is_some_and(|loose| {
            event.condition == Condition::BlownFuse && Some(event.phases) == loose.phases
        })
    };
    let unused = said.into_iter().zip(used).filter(|(_, used)| !used).map(|(event, _)| event);
    let false_calls = unused
        .filter(is_false)
        .map(|event| FalseCall {
            condition: event.condition,
            phases: event.phases,
            at_s: seconds(event.stamp.frame),
        })
        .collect();
    let clears = truth.events.iter().filter(|event| event.what == Fact::Bank(What::PoleClears));
    Verdict {
        outcomes,
        false_calls,
        accuracy: accuracy(scenario, &truth, &expected, heard),
        has_opened: clears.count() == 3,
        neutral_before: expected.first().map_or(f64::NAN, |one| heard.neutral_at(one.earliest_s)),
    }
}

fn outcome(one: &Expected, all: &[Expected], said: &[&Event], used: &mut [bool]) -> Outcome {
    // Two losses of one kind may be told in one event or in two.
    let alike = all.iter().filter(|other| other.condition == one.condition).filter_map(|other| other.phases);
    let together = Phases::from_bits(alike.fold(0, |bits, phases| bits | phases.bits()));
    let mut best: Option<((bool, bool), Outcome)> = None;
    for (event, used) in said.iter().zip(used) {
        let kind_right = event.condition == one.condition;
        let is_cause = event.causes.iter().any(|cause| causes(one.condition).contains(cause));
        if !kind_right && !is_cause {
            continue;
        }
        let at_s = seconds(event.stamp.frame);
        let is_early = at_s < one.earliest_s - EARLY_S;
        let phases_right = one.phases.is_none_or(|phases| {
            event.phases == phases || (event.phases == together && together.bits() & phases.bits() != 0)
        });
        if is_early {
            continue;
        }
        if one.phases.is_none() || event.phases.bits() & !together.bits() == 0 {
            *used = true;
        }
        let rank = (phases_right, kind_right);
        if best.as_ref().is_some_and(|(other, _)| *other >= rank) {
            continue;
        }
        let fraction = event.fraction.value_f64().unwrap_or(f64::NAN);
        let outcome = Outcome {
            expected: *one,
            named: Some(event.condition),
            found: true,
            phases_right,
            kind_right,
            delay_s: at_s - one.begin_s,
            fraction_error: fraction - one.fraction,
        };
        best = Some((rank, outcome));
    }
    best.map_or(
        Outcome {
            expected: *one,
            named: None,
            found: false,
            phases_right: false,
            kind_right: false,
            delay_s: f64::NAN,
            fraction_error: f64::NAN,
        },
        |(_, outcome)| outcome,
    )
}

/// Conditions behind which the connected capacitances are still to be known.
const IDENTIFIABLE: [Condition; 6] = [
    Condition::BlownFuse,
    Condition::UnitOut,
    Condition::ElementShort,
    Condition::UnexpectedOperation,
    Condition::FailedToOperate,
    Condition::Restrike,
];

fn accuracy(scenario: &Scenario, truth: &Truth, expected: &[Expected], heard: &Heard) -> Option<Accuracy> {
    let counts = expected.iter().all(|one| IDENTIFIABLE.contains(&one.condition));
    if !counts || scenario.sensors.present.contains(&false) {
        return None;
    }
    let state = heard.last()?;
    let is = truth.y(scenario.duration_s);
    let errors: [f64; 3] = core::array::from_fn(|phase| state.y[phase] - is[phase]);
    let largest = |errors: [f64; 3]| {
        let [a, b, c] = errors;
        (a - b).abs().max((b - c).abs()).max((c - a).abs())
    };
    let before = expected.first().filter(|one| one.fraction.is_finite() && one.begin_s > 5.0);
    let change = before.and_then(|one| {
        let at_s = one.earliest_s - 1.0;
        let (was, said) = (truth.y(at_s), heard.at(at_s)?);
        Some(largest(core::array::from_fn(|phase| errors[phase] - (said.y[phase] - was[phase]))))
    });
    let sigma = state.sigma_of_one();
    let [difference_sigma, _] = state.sigma;
    let common = errors.iter().sum::<f64>() / 3.0;
    Some(Accuracy {
        difference: largest(errors),
        change: change.unwrap_or(f64::NAN),
        common,
        basis: state.basis,
        errors: errors.map(|error| error / sigma),
        apart: errors.map(|error| (error - common) / difference_sigma),
    })
}
