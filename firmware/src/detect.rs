//! From what is there to conditions: detected, announced, ended.
//!
//! One mechanism for all. The judge of the bank and the limits say of each window what is there; [`rms_event`] of each half
//! cycle; [`lifecycle`] makes an occurrence of it. A new condition is a row in [`wyelog_protocol::condition`], a place in the list
//! below and whoever finds it.

pub mod lasting;
pub mod lifecycle;
pub mod rms_event;

use wyelog_protocol::bank::{Limits, Settings};
use wyelog_protocol::cause::{Cause, Causes};
use wyelog_protocol::condition::{Change, Condition, Phases, Route, Subject};
use wyelog_protocol::quantity::{PerUnit, Voltage};
use wyelog_protocol::record::{Event, Evidence};

use crate::FRAMES_PER_SECOND;
use crate::bank::finding::{Finding, Findings};
use crate::clock::Clock;
use lifecycle::{Lifecycle, Observation, Step, Timing};
use rms_event::RmsEvent;

/// What every condition can look at.
#[derive(Clone, Copy, Debug)]
pub struct Scene {
    /// Frame of the decision: the end of a half cycle, or 120 frames behind the end of a window.
    pub now: u64,
    /// For how many frames all voltages have been good.
    pub voltages_good: u64,
    /// What the decision would rest on.
    pub evidence: Evidence,
}

/// Conditions of which each phase has its own.
const BY_PHASE: [Condition; 5] = [
    Condition::BlownFuse,
    Condition::UnitOut,
    Condition::ElementShort,
    Condition::IntermittentPhase,
    Condition::VoltageSignalLost,
];

/// Conditions of the bank as a whole.
const WHOLE: [Condition; 18] = [
    Condition::NeutralSignalLost,
    Condition::PoleFailedToOpen,
    Condition::ClosedWhileCharged,
    Condition::Restrike,
    Condition::PhaseMissingAtClose,
    Condition::FailedToOperate,
    Condition::ControlPowerLost,
    Condition::SecondNeutralPath,
    Condition::UnexpectedOperation,
    Condition::FrequentSwitching,
    Condition::Overvoltage,
    Condition::CapacitorOverload,
    Condition::PhaseRotationReversed,
    Condition::OpenPhaseUpstream,
    Condition::Undervoltage,
    Condition::VoltageUnbalance,
    Condition::EnergisedWithFeeder,
    Condition::SettingsMismatch,
];

/// Places for what the judge and the limits can find.
pub const PLACES: usize = OF_PHASES + WHOLE.len();

/// The first of them: three each.
const OF_PHASES: usize = 3 * BY_PHASE.len();

/// One place: an occurrence, and what was last said of it.
#[derive(Clone, Copy, Debug, Default)]
struct Place {
    lifecycle: Lifecycle,
    phases: Phases,
    fraction: f32,
    causes: &'static [Cause],
}

/// All conditions of one logger.
#[derive(Debug)]
pub struct Detector {
    limits: Limits,
    occurrences: u32,
    places: [Place; PLACES],
    rms_events: [RmsEvent; 3],
    /// Last frame at which a voltage was not good.
    bad_voltage: u64,
}

/// Half-cycle rms voltages outside this range of the rated one are not good (common practice, no source).
const GOOD: core::ops::RangeInclusive<f32> = 0.8..=1.2;

impl Detector {
    /// With the limits of the settings.
    pub fn new(settings: &Settings) -> Self {
        let limits = settings.limits;
        Self {
            limits,
            occurrences: 0,
            places: [Place::default(); PLACES],
            rms_events: RmsEvent::all(&limits),
            bad_voltage: 0,
        }
    }

    /// The frame since which there has been a sag, swell or interruption at frame `now`, if there is one. A sag or swell of more
    /// than a minute is an undervoltage or overvoltage (IEEE 1159, from memory): what is measured in it is as good as ever.
    pub fn disturbed_since(&self, now: u64) -> Option<u64> {
        const MINUTE: u64 = 60 * FRAMES_PER_SECOND as u64;
        let disturbs = |event: &&RmsEvent| {
            let young = |since: u64| now.saturating_sub(since) < MINUTE;
            event.condition == Condition::Interruption || event.lifecycle.active_since().is_some_and(young)
        };
        self.rms_events.iter().filter(disturbs).filter_map(|event| event.lifecycle.active_since()).min()
    }

    /// Takes the half-cycle rms of A, B, C, per unit of the rated voltage; NaN where it is no evidence. What changed has
    /// been so since frame `begin`; `base` is the rated voltage in V. A voltage that says nothing of the feeder, one of the phases
    /// `blind`, need not be good for a condition of the bank to be announced.
    #[expect(clippy::too_many_arguments, reason = "what a half cycle brings")]
    pub fn half_cycle(
        &mut self,
        rms: [f32; 3],
        blind: Phases,
        begin: u64,
        base: f32,
        mut scene: Scene,
        clock: &Clock,
        out: &mut dyn FnMut(Event),
    ) {
        let is_good = |(phase, rms): (usize, &f32)| GOOD.contains(rms) || blind.contains(phase);
        if !rms.iter().enumerate().all(is_good) {
            self.bad_voltage = scene.now;
        }
        scene.voltages_good = scene.now.saturating_sub(self.bad_voltage);
        for rms_event in &mut self.rms_events {
            let timing = timing(rms_event.condition, &self.limits);
            let observation = rms_event.observe(rms, blind);
            let lifecycle = &mut rms_event.lifecycle;
            let step = lifecycle.observe(observation, begin, &scene, &timing, &mut self.occurrences);
            if let Some(step) = step {
                let voltage = rms_event.extreme().map(|rms| Voltage::quantise(rms * base));
                scene.evidence.voltage = voltage;
                let finding = Finding::new(rms_event.condition, rms_event.phases(), 0, &[]);
                out(event(&finding, step, &scene, clock));
            }
        }
    }

    /// What becomes of place number `place` (below [`PLACES`]) when this is found; `is_evidence` when what is not found is not
    /// there.
    pub fn place(
        &mut self,
        place: usize,
        findings: &Findings,
        is_evidence: bool,
        mut scene: Scene,
        clock: &Clock,
    ) -> Option<Event> {
        let (condition, phase) = match place.checked_sub(OF_PHASES) {
            Some(whole) => (*WHOLE.get(whole)?, None),
            None => (*BY_PHASE.get(place / 3)?, Some(place % 3)),
        };
        let found = findings.iter().find(|finding| {
            finding.condition == condition && phase.is_none_or(|phase| finding.phases.contains(phase))
        });
        let slot = self.places.get_mut(place)?;
        let observation = match found {
            Some(found) => {
                slot.phases = phase.map_or(found.phases, Phases::single);
                (slot.fraction, slot.causes) = (found.fraction, found.causes);
                Observation::Present
            }
            None if is_evidence => Observation::Absent,
            None => Observation::Unknown,
        };
        scene.voltages_good = scene.now.saturating_sub(self.bad_voltage);
        let timing = timing(condition, &self.limits);
        let begin = found.map_or(scene.now, |found| found.begin);
        let step = slot.lifecycle.observe(observation, begin, &scene, &timing, &mut self.occurrences)?;
        let finding =
            Finding { condition, phases: slot.phases, begin, fraction: slot.fraction, causes: slot.causes };
        Some(event(&finding, step, &scene, clock))
    }
}

fn timing(condition: Condition, limits: &Limits) -> Timing {
    let frames = |seconds: u16| u64::from(seconds).saturating_mul(u64::from(FRAMES_PER_SECOND));
    let delay = match condition.route() {
        // Over once it has been said: there is nothing to wait for.
        _ if matches!(condition.subject(), Subject::Switching) => 0,
        Route::Hazard | Route::Crew => limits.crew_delay_s,
        Route::Engineer => limits.engineer_delay_s,
        Route::LogOnly => limits.log_delay_s,
    };
    // Poles may be on their way until the operate time-out.
    let is_of_poles = matches!(
        condition,
        Condition::FailedToOperate | Condition::PoleFailedToOpen | Condition::PhaseMissingAtClose
    );
    let delay = if is_of_poles { delay.max(limits.operate_s) } else { delay };
    let is_rms = matches!(condition, Condition::Interruption | Condition::Sag | Condition::Swell);
    let voltages_good = if condition.concerns_bank() { frames(limits.voltages_good_s) } else { 0 };
    let back = if is_rms { 0 } else { frames(limits.return_s) };
    Timing { confirmations: 1, announce: frames(delay), voltages_good, back }
}

fn event(finding: &Finding, step: Step, scene: &Scene, clock: &Clock) -> Event {
    let mut causes = Causes::new();
    for cause in finding.causes {
        let _ = causes.push(*cause);
    }
    Event {
        stamp: clock.stamp(scene.now),
        occurrence: step.occurrence,
        condition: finding.condition,
        change: step.change,
        phases: finding.phases,
        fraction: PerUnit::quantise(finding.fraction),
        causes,
        begin: clock.moment(step.begin),
        end: (step.change == Change::Ended).then(|| clock.moment(step.end)),
        evidence: scene.evidence,
    }
}

#[cfg(test)]
mod tests;
