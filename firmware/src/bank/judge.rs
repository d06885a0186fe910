//! What is wrong with the bank, from the windows in their order: cause comes from history, not from the instant alone.

mod capacitance;
mod findings;
mod mismatch;
mod switching;
mod voltages;

use wyelog_electrical::{Phasor, Rotation};
use wyelog_protocol::bank::{Fusing, Location, Settings};
use wyelog_protocol::record::BankState;

use super::carry::{self, Carry, Mask};
use super::class::Class;
use super::estimate::Estimate;
use super::look::{Look, Past};
use super::opening::Clearing;
use super::operation::Seen;
use crate::FRAMES_PER_SECOND;
use crate::measure::burst::Burst;
use mismatch::Mismatch;
use voltages::VoltageVerdict;

/// Frames in so many seconds.
const fn seconds(seconds: u16) -> u64 {
    (seconds as u64).saturating_mul(FRAMES_PER_SECOND as u64)
}

/// Windows must differ by less than this, per unit, to be of one level.
const STEADY: f32 = 0.03;
/// Poles and contacts have settled so long after the first change of an operation: 1.2 s.
const SETTLED: u64 = FRAMES_PER_SECOND as u64 * 6 / 5;
/// A partial change must be there in so many windows.
const PERSISTENT: u8 = 5;
/// The least change that counts when a voltage is not measured: whole phases only.
const UNMEASURED: f32 = 0.25;

/// What has become of a phase of the bank.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) enum Phase {
    #[default]
    Healthy,
    /// It carried and stopped.
    Lost { begin: u64, from_start: bool },
    /// It did not come at a closing; whether it had carried before the opening.
    Missing { begin: u64, carried: bool },
    /// It goes on carrying though the bank was opened.
    Stuck { begin: u64 },
    /// It has lost (positive) or gained part of its capacitance.
    Less { begin: u64, fraction: f32 },
}

/// What has become of the neutral current.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) enum Neutral {
    #[default]
    Good,
    Lost {
        begin: u64,
        /// Whether this bank is known to have drawn one: in this start, or by its baseline.
        ever: bool,
    },
    Divided {
        begin: u64,
        share: f32,
    },
}

/// The contact input changed.
#[derive(Clone, Copy, Debug)]
struct Command {
    at: u64,
}

/// Something that is over once it has been said.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Shot {
    begin: u64,
    until: u64,
    phases: Mask,
}

/// What the fit of the last opening said.
#[derive(Clone, Copy, Debug)]
struct Cleared {
    /// Frame that the zeros are counted from.
    begin: u64,
    /// Frames from it to the current zero of each pole; NaN where there is none.
    zeros: [f32; 3],
    /// Connected capacitance.
    y: [f32; 3],
    /// Standard deviations of their common part, and of a phase's difference from it.
    common_sigma: f32,
    difference_sigma: f32,
}

/// The window before.
#[derive(Clone, Copy, Debug)]
struct Before {
    neutral: Phasor,
    voltage: [Phasor; 3],
}

/// Watches the bank.
#[derive(Debug)]
pub struct Judge {
    /// Phases that the bank has, and those whose voltage is measured.
    all: Mask,
    measured: Mask,
    location: [Location; 3],
    control_power: Mask,
    units: f32,
    fusing: Fusing,
    lost_phase: f32,
    least_change: f32,
    operate: u64,
    per_day: u8,

    /// What the contact input says.
    told: Option<bool>,
    command: Option<Command>,
    /// Phases that carry, once that is known.
    carrying: Option<Mask>,
    /// Phases that carried before the last opening.
    carried: Mask,
    estimate: Estimate,
    /// Whether the estimate is of this bank, and not of its nameplate.
    has_past: bool,
    past: Past,
    /// Connected capacitances that the residuals of `past` are against: they stand still.
    reference: [f32; 3],
    before: Option<Before>,
    /// First frame of the windows that are not of the level of those before.
    moved: Option<u64>,
    /// Windows in a row that showed a change of the residual, and the first frame of the first.
    changed: u8,
    change_begin: u64,
    /// Voltage level of the last steady window, per unit.
    level: f32,
    dead: Option<u64>,
    /// Frame at which the feeder came back.
    returned: Option<u64>,
    opened: Option<u64>,
    /// Operations in the day that began at the frame beside.
    operations: (u8, u64),
    clearing: Option<Cleared>,

    phase: [Phase; 3],
    neutral: Neutral,
    voltage: [VoltageVerdict; 3],
    mismatch: Option<Mismatch>,
    /// Whether the neutral sensor is turned round.
    is_reversed: bool,
    /// Windows in a row in which a sensor showed a voltage that should be gone.
    alive: u8,
    failed: Option<u64>,
    unexpected: Option<u64>,
    /// Drop-outs of each phase: how many, and when the first of them began.
    drops: [(u8, u64); 3],
    /// Phases that a window showed missing.
    glimpsed: Mask,
    restrike: Shot,
    charged: Shot,
    energised: Shot,
    frequent: Shot,
}

/// What else the judge has to know of a window.
#[derive(Clone, Copy, Debug)]
pub struct Circumstances {
    /// The last frame so far.
    pub now: u64,
    /// Order of the phases.
    pub rotation: Rotation,
    /// Whether a frame in it, or in the ten cycles before it, was clipped or lost.
    pub in_doubt: bool,
    /// What went on from frame to frame since it was last cleared.
    pub burst: Option<Burst>,
}

/// What the judge made of a window.
#[derive(Clone, Copy, Debug, Default)]
pub struct Judged {
    /// Whether it was evidence.
    pub is_evidence: bool,
    /// An operation that is now known.
    pub operation: Option<Seen>,
    /// Whether the burst has been dealt with.
    pub burst_done: bool,
}

impl Judge {
    /// With the settings.
    pub fn new(settings: &Settings) -> Self {
        let build = &settings.nameplate.build;
        let sensors = &settings.sensors;
        let mut measured = 0;
        for (sensor, bit) in sensors.voltage.iter().zip([1, 2, 4]) {
            measured |= if sensor.is_present() { bit } else { 0 };
        }
        Self {
            all: build.phases.bits() & 0b111,
            measured,
            location: sensors.voltage.map(|sensor| sensor.location),
            control_power: sensors.control_power.bits() & 0b111,
            units: f32::from(settings.nameplate.units_per_phase.max(1)),
            fusing: build.fusing,
            lost_phase: settings.limits.lost_phase.value_or_nan(),
            least_change: settings.limits.least_change.value_or_nan(),
            operate: seconds(settings.limits.operate_s),
            per_day: settings.limits.operations_per_day,
            told: None,
            command: None,
            carrying: None,
            carried: 0,
            estimate: Estimate::new(Class::new(&sensors.class)),
            has_past: false,
            past: Past::NONE,
            reference: [1.0; 3],
            before: None,
            moved: None,
            changed: 0,
            change_begin: 0,
            level: f32::NAN,
            dead: None,
            returned: None,
            opened: None,
            operations: (0, 0),
            clearing: None,
            phase: [Phase::Healthy; 3],
            neutral: Neutral::Good,
            voltage: [VoltageVerdict::Good; 3],
            mismatch: None,
            is_reversed: false,
            alive: 0,
            failed: None,
            unexpected: None,
            drops: [(0, 0); 3],
            glimpsed: 0,
            restrike: Shot::default(),
            charged: Shot::default(),
            energised: Shot::default(),
            frequent: Shot::default(),
        }
    }

    /// The contact input says that the bank is told to be closed or open, at frame `at`.
    pub fn told(&mut self, closed: bool, at: u64) {
        let before = self.told.replace(closed);
        if before != Some(closed) && (before.is_some() || self.carrying.is_some()) {
            self.command = Some(Command { at });
            self.failed = None;
            self.unexpected = None;
        }
    }

    /// What the fit of an opening said; it counts if the bank is then found to be open.
    pub fn cleared(&mut self, clearing: &Clearing) {
        let (_, common_sigma) = clearing.common();
        let difference_sigma = clearing.difference_sigma();
        let zeros = clearing.zero_frame.map(|zero| zero.unwrap_or(f32::NAN));
        self.clearing =
            Some(Cleared { begin: clearing.begin, zeros, y: clearing.y, common_sigma, difference_sigma });
    }

    /// Connected capacitances and how sure they are.
    pub const fn estimate(&self) -> &Estimate {
        &self.estimate
    }

    /// Whether the bank is in.
    pub fn state(&self) -> BankState {
        let Some(carrying) = self.carrying else { return BankState::Unknown };
        let poles =
            self.phase.iter().any(|phase| matches!(phase, Phase::Stuck { .. } | Phase::Missing { .. }));
        match carrying {
            0 => BankState::Open,
            _ if self.all & !carrying == 0 || !poles => BankState::Closed,
            _ => BankState::PartlyClosed,
        }
    }

    /// Whether what is connected can be said.
    pub fn is_identifiable(&self) -> bool {
        self.carrying.is_some() && self.neutral == Neutral::Good && self.estimate.is_known()
    }

    /// Connected capacitance of A, B, C: that of a phase whose fuse is out is zero.
    pub fn connected(&self) -> [f32; 3] {
        let gone = |phase: Phase| matches!(phase, Phase::Lost { .. } | Phase::Missing { .. });
        let mut y = carry::masked(self.estimate.y, self.all);
        for (y, phase) in y.iter_mut().zip(self.phase) {
            if gone(phase) {
                *y = 0.0;
            }
        }
        y
    }

    /// The same; NaN when it cannot be said.
    pub fn connected_if_known(&self) -> [f32; 3] {
        if self.is_identifiable() { self.connected() } else { [f32::NAN; 3] }
    }

    /// Whether nothing is wrong with the bank and its sensors.
    pub fn is_healthy(&self) -> bool {
        self.phase.iter().all(|phase| *phase == Phase::Healthy)
            && self.neutral == Neutral::Good
            && self.voltage.iter().all(|verdict| *verdict == VoltageVerdict::Good)
            && self.mismatch.is_none()
    }

    /// Begins with a baseline: connected capacitances, and the standard deviation of their common part.
    pub const fn resume(&mut self, y: [f32; 3], common_sigma: f32) {
        self.has_past = true;
        self.reference = y;
        self.estimate.begin_with(y, common_sigma);
    }

    /// What each phase is expected to carry, for the burst. A voltage whose lead is broken is made of the others: less their sum.
    pub fn expected(&self) -> [f32; 3] {
        let mut expected = carry::masked(self.estimate.y, self.carrying.unwrap_or(self.all));
        for (phase, verdict) in self.voltage.iter().enumerate() {
            if matches!(verdict, VoltageVerdict::Lead { .. }) {
                let broken = expected.get_mut(phase).map(core::mem::take).unwrap_or_default();
                for (other, y) in expected.iter_mut().enumerate() {
                    *y -= if other == phase { 0.0 } else { broken };
                }
            }
        }
        expected
    }

    /// Phases whose voltage says nothing about the feeder: its sensor is broken, or sits behind an open fuse or pole.
    pub fn blind(&self) -> Mask {
        let mut blind = 0;
        for ((verdict, bit), (index, location)) in
            self.voltage.iter().zip([1, 2, 4]).zip(self.location.iter().enumerate())
        {
            let behind = *location != Location::Line
                && self.carrying.is_some_and(|carrying| !carry::has(carrying, index));
            if matches!(verdict, VoltageVerdict::Lead { .. }) || behind {
                blind |= bit;
            }
        }
        blind
    }

    /// Phases whose voltage is not what the others make of it.
    pub fn odd(&self) -> Mask {
        let mut odd = 0;
        for (verdict, bit) in self.voltage.iter().zip([1, 2, 4]) {
            odd |= if *verdict == VoltageVerdict::Good { 0 } else { bit };
        }
        odd
    }

    /// Takes a window in which the feeder is alive.
    pub fn window(&mut self, look: &Look, circumstances: &Circumstances) -> Judged {
        let mut judged = Judged::default();
        if self.dead.take().is_some() {
            // Somewhere in this window.
            self.returned = Some(look.begin.midpoint(look.end));
            self.past = Past::NONE;
        }
        let mut look = *look;
        self.put_right(&mut look);
        let before = self.before.replace(Before { neutral: look.neutral, voltage: look.shown });
        if circumstances.in_doubt {
            self.moved.get_or_insert(look.begin);
            self.before = None;
            return judged;
        }
        let is_steady = before.is_some_and(|before| {
            let moved = |a: &Phasor, b: &Phasor| (*a - *b).magnitude() > STEADY;
            !moved(&before.neutral, &look.neutral)
                && !before.voltage.iter().zip(&look.shown).any(|(a, b)| moved(a, b))
        });
        // A window in which something began says neither what was before nor what came.
        let begins = circumstances.burst.is_some_and(|burst| burst.begin > look.begin);
        if !is_steady || begins {
            if !begins {
                self.glimpse(&look);
            }
            self.moved.get_or_insert(look.begin);
            self.changed = 0;
            return judged;
        }
        if self.must_wait(circumstances) {
            return judged;
        }
        let Some(live) = self.see_voltages(&mut look, circumstances) else { return judged };
        judged.is_evidence = true;
        // Units of several in parallel are told from the whole, where the voltages are measured.
        let units = if self.is_measured() { self.units } else { 1.0 };
        let limit = self.lost_phase
            * if units > 2.5 {
                0.55
            } else if units > 1.5 {
                0.75
            } else {
                1.0
            };
        let carry = carry::carry(&look, self.estimate.y, live, limit);
        let now = match carry {
            Carry::Part(mask) => Some(mask),
            Carry::NoneOrAll => self.none_or_all(&look, live, circumstances),
            Carry::Unclear => self.carrying.filter(|carrying| carrying & !live == 0).or(Some(live)),
        };
        let is_new = now != self.carrying;
        if let Some(now) = now {
            self.follow(now, &look, circumstances, &mut judged);
        }
        self.weigh(&look, circumstances, is_new);
        if let Some(carrying) = self.carrying {
            self.compare_places(&look, carrying);
        }
        self.level = look.level();
        self.moved = None;
        judged
    }

    /// Takes a window of a dead feeder. `charged` when a capacitor behind an open pole keeps its charge: then it was the bank that
    /// opened.
    pub fn dead(&mut self, begin: u64, charged: bool, circumstances: &Circumstances) -> Judged {
        let mut judged = Judged::default();
        self.before = None;
        let behind = self.location.iter().all(|location| *location == Location::Capacitor);
        let told_open = self.told == Some(false);
        if !behind && told_open && charged && self.command.is_some() {
            self.mismatches(begin, mismatch::LOCATION);
        }
        if behind && (charged || told_open) && self.carrying != Some(0) && !circumstances.in_doubt {
            if !self.must_wait(circumstances) {
                judged.is_evidence = true;
                let look = Look::dark(begin, circumstances.now);
                self.follow(0, &look, circumstances, &mut judged);
            }
        } else if behind && self.carrying == Some(0) {
            judged.is_evidence = true;
            self.nothing_happened(0, circumstances);
        } else if self.dead.is_none() {
            self.dead = Some(begin);
            self.past = Past::NONE;
        }
        judged
    }
}

#[cfg(test)]
mod tests;
