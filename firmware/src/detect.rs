//! From measurements to conditions.
//!
//! One mechanism for all: a condition's own file says of each window or half cycle whether it is there, gone, or cannot
//! be told; [`lifecycle`] makes an occurrence of it — detected, announced, ended. A new condition is one file here and a row in
//! [`wyelog_protocol::condition`].

pub mod blown_fuse;
pub mod lifecycle;
pub mod rms_event;

use wyelog_protocol::bank::{Limits, Settings};
use wyelog_protocol::cause::Causes;
use wyelog_protocol::condition::{Change, Condition, Phases, Route};
use wyelog_protocol::quantity::{PerUnit, Voltage};
use wyelog_protocol::record::{Event, Evidence};

use crate::FRAMES_PER_SECOND;
use crate::clock::Clock;
use crate::identify::{Identified, Measured};
use blown_fuse::BlownFuse;
use lifecycle::{Step, Timing};
use rms_event::RmsEvent;

/// What every condition can look at.
#[derive(Clone, Copy, Debug)]
pub struct Scene {
    /// Frame of the decision: the end of a half cycle, or 120 frames behind the end of a window.
    pub now: u64,
    /// For how many frames all voltages have been good.
    pub voltages_good: u64,
    /// What the decision would rest on; `connected_before` is filled in by the lifecycle.
    pub evidence: Evidence,
}

/// All conditions of one logger.
#[derive(Debug)]
pub struct Detector {
    limits: Limits,
    occurrences: u32,
    blown_fuse: BlownFuse,
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
            blown_fuse: BlownFuse::new(&limits),
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
    /// been so since frame `begin`; `base` is the rated voltage in V.
    pub fn half_cycle(
        &mut self,
        rms: [f32; 3],
        begin: u64,
        base: f32,
        mut scene: Scene,
        clock: &Clock,
        out: &mut dyn FnMut(Event),
    ) {
        if !rms.iter().all(|rms| GOOD.contains(rms)) {
            self.bad_voltage = scene.now;
        }
        scene.voltages_good = scene.now.saturating_sub(self.bad_voltage);
        for rms_event in &mut self.rms_events {
            let timing = timing(rms_event.condition, &self.limits);
            let observation = rms_event.observe(rms);
            let lifecycle = &mut rms_event.lifecycle;
            let step = lifecycle.observe(observation, begin, &scene, &timing, &mut self.occurrences);
            if let Some(step) = step {
                let voltage = rms_event.extreme().map(|rms| Voltage::quantise(rms * base));
                scene.evidence.voltage = voltage;
                out(event(rms_event.condition, rms_event.phases(), step, &scene, clock));
            }
        }
    }

    /// Takes a window and what it says of the bank. `told_open` when the contact input says that the bank is open.
    pub fn window(
        &mut self,
        measured: &Measured,
        identified: Option<&Identified>,
        told_open: bool,
        mut scene: Scene,
        clock: &Clock,
        out: &mut dyn FnMut(Event),
    ) {
        scene.voltages_good = scene.now.saturating_sub(self.bad_voltage);
        let timing = timing(Condition::BlownFuse, &self.limits);
        let identified = identified.filter(|_| !told_open);
        let begin = self.blown_fuse.begin(measured, identified, told_open);
        for (phase, lifecycle) in self.blown_fuse.phases.iter_mut().enumerate() {
            let observation = blown_fuse::observe(phase, identified, self.blown_fuse.limit);
            let step = lifecycle.observe(observation, begin, &scene, &timing, &mut self.occurrences);
            if let Some(step) = step {
                out(event(Condition::BlownFuse, Phases::single(phase), step, &scene, clock));
            }
        }
    }
}

fn timing(condition: Condition, limits: &Limits) -> Timing {
    let frames = |seconds: u16| u64::from(seconds).saturating_mul(u64::from(FRAMES_PER_SECOND));
    let delay = match condition.route() {
        Route::Hazard | Route::Crew => limits.crew_delay_s,
        Route::Engineer => limits.engineer_delay_s,
        Route::LogOnly => limits.log_delay_s,
    };
    let (voltages_good, confirmations, back) = if condition.concerns_bank() {
        (frames(limits.voltages_good_s), 2, frames(limits.return_s))
    } else {
        (0, 1, 0)
    };
    Timing { confirmations, announce: frames(delay), voltages_good, back }
}

fn event(condition: Condition, phases: Phases, step: Step, scene: &Scene, clock: &Clock) -> Event {
    Event {
        stamp: clock.stamp(scene.now),
        occurrence: step.occurrence,
        condition,
        change: step.change,
        phases,
        fraction: PerUnit::ABSENT,
        causes: Causes::new(),
        begin: clock.moment(step.begin),
        end: (step.change == Change::Ended).then(|| clock.moment(step.end)),
        evidence: Evidence { connected_before: step.connected_before, ..scene.evidence },
    }
}
