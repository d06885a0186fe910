//! What the bank was like when it was commissioned: learned on order, seen to repeat, confirmed; or refused, or invalidated.
//!
//! The sensors' errors are in it as they are in every later window, and drop out of the difference: a change against it is known
//! several times better than the capacitances themselves.

use wyelog_protocol::bank::{Settings, Switching};
use wyelog_protocol::message::Replaced;
use wyelog_protocol::quantity::{PerUnit, Voltage};
use wyelog_protocol::record::{
    Action, BankState, BaselineReason, BaselineRecord, BaselineState, Quality, SettingsRecord, Stamp,
};

use super::estimate::Estimate;
use crate::FRAMES_PER_SECOND;
use crate::frontend::Order;

/// Frames that are learned from: two minutes.
const LEARNED: u64 = 120 * FRAMES_PER_SECOND as u64;
/// Without a window for longer than this, learning takes two minutes from there.
const UNSEEN: u64 = 60 * FRAMES_PER_SECOND as u64;
/// Frames between two looks, and that a fault must last to be one.
const LOOK: u64 = 600 * FRAMES_PER_SECOND as u64;
const FAULT: u64 = 60 * FRAMES_PER_SECOND as u64;
/// Looks in an hour.
const LOOKS: u8 = 6;

/// The phases must stand still against each other within this while they are learned.
const STEADY: f32 = 0.01;
/// Units of +10 % beside two of 0 % (IEEE Std 18), and sensors of 3 %.
const TOLERANCE: f32 = 0.09;
/// A bank that repeats comes back to within three standard deviations of a change.
const REPEATS: f32 = 3.0;
/// Standard deviation of a later change of a difference, where stray current stands still.
const CHANGE: f32 = 0.004;
/// Stray current wanders by a third of what it may be, in the end.
const WANDERS: f32 = 0.33;
/// Capacitance goes with the temperature, by some 0.04 % for each °C (from memory): 40 °C between commissioning and now.
const TEMPERATURE: f32 = 0.016;

/// A light and a heavy day lie so far apart in voltage, of the rated one; a week has both (common practice, no source).
const APART: f32 = 0.01;
const DAYS_HOURS: u16 = 48;
const WEEK_HOURS: u16 = 168;
const DAY_HOURS: u16 = 24;

/// What a window says of the bank.
#[derive(Clone, Copy, Debug)]
pub struct Sight<'e> {
    /// Its end.
    pub now: u64,
    /// Whether the bank is in.
    pub state: BankState,
    /// Whether what is connected can be said.
    pub is_identifiable: bool,
    /// Whether nothing is wrong with bank and sensors.
    pub is_healthy: bool,
    /// What is connected.
    pub estimate: &'e Estimate,
    /// Mean voltage to ground of the phases in V.
    pub voltage: f32,
}

/// What is being learned.
#[derive(Clone, Copy, Debug)]
struct Lesson {
    until: u64,
    /// When the bank was last seen.
    seen: u64,
    least: [f32; 3],
    most: [f32; 3],
}

/// The baseline, and what becomes of it.
#[derive(Debug)]
pub struct Baseline {
    record: Option<BaselineRecord>,
    /// Whether something of it has not been written yet.
    is_news: bool,
    lesson: Option<Lesson>,
    /// Since when the next look is made, sum and number of the voltages in it.
    look: (u64, f32, f32),
    looks: u8,
    /// Since when something has been wrong.
    wrong: Option<u64>,
    /// Whether that has lasted.
    was_fault: bool,
    settings: u32,
    change_sigma: f32,
    is_switched: bool,
}

impl Baseline {
    /// None yet.
    pub fn new(settings: &Settings) -> Self {
        let stray = WANDERS * settings.sensors.class.stray.value().unwrap_or(0.0) / 100.0;
        Self {
            record: None,
            is_news: false,
            lesson: None,
            look: (0, 0.0, 0.0),
            looks: 0,
            wrong: None,
            was_fault: false,
            settings: SettingsRecord::sum(settings),
            change_sigma: libm::sqrtf(CHANGE * CHANGE + stray * stray),
            is_switched: settings.nameplate.build.switching != Switching::None,
        }
    }

    /// Goes on with what was last written of it.
    pub fn resume(&mut self, kept: BaselineRecord) {
        let is_other = kept.settings != self.settings;
        self.record = Some(kept);
        if is_other {
            self.discard(BaselineReason::SettingsChanged);
        }
    }

    /// Connected capacitances by a baseline that holds, and the standard deviation of their common part by now.
    pub fn known(&self) -> Option<([f32; 3], f32)> {
        let record = self.record.as_ref().filter(|record| record.state.holds())?;
        let sigma = record.quality.common_sigma.value_or_nan();
        let sigma = libm::sqrtf(sigma * sigma + TEMPERATURE * TEMPERATURE);
        Some((record.connected.map(PerUnit::value_or_nan), sigma))
    }

    /// Somebody says something of it.
    pub fn order(&mut self, order: Order, now: u64) {
        self.lesson = None;
        match order {
            Order::Learn => {
                self.lesson = Some(Lesson {
                    until: now.saturating_add(LEARNED),
                    seen: now,
                    least: [f32::INFINITY; 3],
                    most: [f32::NEG_INFINITY; 3],
                });
            }
            Order::Discard(replaced) => self.discard(match replaced {
                Replaced::Link => BaselineReason::LinkReplaced,
                Replaced::Unit => BaselineReason::UnitReplaced,
                Replaced::Sensor => BaselineReason::SensorReplaced,
            }),
        }
    }

    /// The switch did something.
    pub fn operated(&mut self, action: Action) {
        if let Some(record) = self.provisional() {
            let count = match action {
                Action::Opened => &mut record.openings,
                Action::Closed => &mut record.closings,
            };
            *count = count.saturating_add(1);
            self.is_news = true;
        }
    }

    /// Takes a window that is evidence; gives what is to be written.
    pub fn window(&mut self, sight: &Sight<'_>, stamp: Stamp) -> Option<BaselineRecord> {
        self.learn(sight);
        self.watch_faults(sight);
        let is_good = sight.state == BankState::Closed && sight.is_identifiable && sight.is_healthy;
        if is_good {
            self.watch(sight);
        } else {
            self.look = (sight.now, 0.0, 0.0);
        }
        if !core::mem::take(&mut self.is_news) {
            return None;
        }
        let record = self.record.as_mut()?;
        record.stamp = stamp;
        Some(record.clone())
    }

    fn learn(&mut self, sight: &Sight<'_>) {
        let Some(mut lesson) = self.lesson.take() else { return };
        // A dead feeder teaches nothing: two minutes without a gap.
        if sight.now.saturating_sub(lesson.seen) > UNSEEN {
            lesson.until = sight.now.saturating_add(LEARNED);
        }
        lesson.seen = sight.now;
        let y = sight.estimate.y;
        let common = sight.estimate.common();
        let differences = y.map(|y| y - common);
        for ((least, most), difference) in lesson.least.iter_mut().zip(&mut lesson.most).zip(differences) {
            *least = if difference < *least { difference } else { *least };
            *most = if difference > *most { difference } else { *most };
        }
        let moves = lesson.least.iter().zip(lesson.most).any(|(least, most)| most - least > STEADY);
        let reason = if !sight.is_healthy {
            BaselineReason::Fault
        } else if sight.state != BankState::Closed || !sight.is_identifiable {
            BaselineReason::NotIdentifiable
        } else if moves {
            BaselineReason::Unsteady
        } else if differences.iter().any(|difference| difference.abs() > TOLERANCE) {
            BaselineReason::BeyondTolerance
        } else if sight.now < lesson.until {
            self.lesson = Some(lesson);
            return;
        } else {
            BaselineReason::Sound
        };
        let is_sound = reason == BaselineReason::Sound;
        self.record = Some(BaselineRecord {
            stamp: Stamp::default(),
            state: if is_sound { BaselineState::Provisional } else { BaselineState::Refused },
            reason,
            connected: y.map(PerUnit::quantise),
            quality: Quality {
                difference_sigma: PerUnit::quantise(sight.estimate.difference_sigma),
                common_sigma: PerUnit::quantise(sight.estimate.common_sigma),
                common_basis: sight.estimate.basis,
            },
            change_sigma: PerUnit::quantise(self.change_sigma),
            lowest: Voltage::ABSENT,
            highest: Voltage::ABSENT,
            hours: 0,
            openings: 0,
            closings: 0,
            settings: self.settings,
        });
        self.is_news = true;
        self.looks = 0;
        self.look = (sight.now, 0.0, 0.0);
    }

    /// A fault that has lasted and is gone: somebody has been at the bank.
    fn watch_faults(&mut self, sight: &Sight<'_>) {
        let is_fault = !sight.is_healthy;
        if is_fault == self.was_fault {
            self.wrong = None;
            return;
        }
        let since = *self.wrong.get_or_insert(sight.now);
        if sight.now.saturating_sub(since) >= FAULT {
            self.was_fault = is_fault;
            if !is_fault {
                self.discard(BaselineReason::Repaired);
            }
        }
    }

    /// Watches a healthy bank, and judges the baseline by it every ten minutes.
    fn watch(&mut self, sight: &Sight<'_>) {
        let (since, sum, count) = self.look;
        let (sum, count) = (sum + sight.voltage, count + 1.0);
        self.look = (since, sum, count);
        if sight.now.saturating_sub(since) < LOOK {
            return;
        }
        self.look = (sight.now, 0.0, 0.0);
        let looks = self.looks.saturating_add(1);
        let is_hour = looks >= LOOKS;
        self.looks = if is_hour { 0 } else { looks };
        let limit = REPEATS * self.change_sigma;
        let is_switched = self.is_switched;
        let Some(record) = self.provisional() else { return };
        let volts = sum / count;
        let is_lower = record.lowest.value().is_none_or(|lowest| volts < lowest);
        let is_higher = record.highest.value().is_none_or(|highest| volts > highest);
        record.lowest = if is_lower { Voltage::quantise(volts) } else { record.lowest };
        record.highest = if is_higher { Voltage::quantise(volts) } else { record.highest };
        record.hours = record.hours.saturating_add(u16::from(is_hour));
        let is_day = is_hour && record.hours.is_multiple_of(DAY_HOURS);
        let learned = record.connected.map(PerUnit::value_or_nan);
        let then = learned.iter().sum::<f32>() / 3.0;
        let now = sight.estimate.common();
        let moved = |(y, learned): (&f32, &f32)| ((y - now) - (learned - then)).abs() > limit;
        if sight.estimate.y.iter().zip(&learned).any(moved) {
            (record.state, record.reason) = (BaselineState::Refused, BaselineReason::NotRepeated);
            self.is_news = true;
            return;
        }
        let spread = record.highest.value_or_nan() - record.lowest.value_or_nan();
        let is_apart = spread > APART * record.highest.value_or_nan();
        let days = record.hours >= WEEK_HOURS || (record.hours >= DAYS_HOURS && is_apart);
        let operated = !is_switched || (record.openings > 0 && record.closings > 0);
        if days && operated {
            record.state = BaselineState::Confirmed;
        }
        self.is_news |= is_day || days && operated;
    }

    fn provisional(&mut self) -> Option<&mut BaselineRecord> {
        self.record.as_mut().filter(|record| record.state == BaselineState::Provisional)
    }

    /// What holds holds no more.
    fn discard(&mut self, reason: BaselineReason) {
        if let Some(record) = self.record.as_mut().filter(|record| record.state.holds()) {
            (record.state, record.reason) = (BaselineState::Invalid, reason);
            self.is_news = true;
        }
    }
}

#[cfg(test)]
mod tests;
