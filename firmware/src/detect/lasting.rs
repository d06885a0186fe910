//! What must last before it counts: voltages too high or too low for minutes, unbalance, overload, and settings that cannot be.

use wyelog_electrical::Rotation;
use wyelog_protocol::bank::{Limits, Settings};
use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::{Condition, Phases};

use crate::FRAMES_PER_SECOND;
use crate::bank::finding::{Finding, Findings};
use crate::identify::{Fundamental, Measured};

/// Seconds that each must last.
const OVERVOLTAGE_S: u64 = 600;
const OVERLOAD_S: u64 = 600;
const UNBALANCE_S: u64 = 600;
const UNDERVOLTAGE_S: u64 = 60;
const REVERSED_S: u64 = 5;
const MISMATCH_S: u64 = 3;

/// All three voltages this far from 1/√3 or √3 of the rated one: the nameplate has line-to-line and line-to-neutral mixed up.
const MIXED_UP: f32 = 0.12;

/// What is being waited for.
#[derive(Clone, Copy, Debug, Default)]
struct Lasting {
    since: Option<u64>,
    phases: u8,
}

impl Lasting {
    /// Takes which phases a window says it of; the finding once it has lasted.
    fn observe(
        &mut self,
        phases: u8,
        measured: &Measured,
        seconds: u64,
        condition: Condition,
        causes: &'static [Cause],
    ) -> Option<Finding> {
        if phases == 0 {
            *self = Self::default();
            return None;
        }
        let since = *self.since.get_or_insert(measured.begin);
        self.phases |= phases;
        let has_lasted =
            measured.end.saturating_sub(since) >= seconds.saturating_mul(u64::from(FRAMES_PER_SECOND));
        has_lasted.then(|| Finding::new(condition, Phases::from_bits(self.phases), since, causes))
    }
}

/// Watches all of them.
#[derive(Debug)]
pub struct Limited {
    overvoltage: f32,
    undervoltage: f32,
    interruption: f32,
    unbalance: f32,
    overload: f32,
    peak: f32,
    unit_ratio: f32,
    /// Whether the voltages have been near the rated one since the start: then a deep sag is no wrong nameplate.
    was_right: bool,
    lasting: [Lasting; 6],
}

impl Limited {
    /// With the limits of the settings; `unit_ratio` is the rated voltage of the system over that of the units.
    pub fn new(settings: &Settings, unit_ratio: f32) -> Self {
        let Limits { overvoltage, undervoltage, interruption, unbalance, overload, peak, .. } =
            settings.limits;
        let part = |percent: wyelog_protocol::quantity::Percent| percent.value_or_nan() / 100.0;
        Self {
            overvoltage: part(overvoltage),
            undervoltage: part(undervoltage),
            interruption: part(interruption),
            unbalance: unbalance.value_or_nan(),
            overload: part(overload),
            peak: part(peak),
            unit_ratio,
            was_right: false,
            lasting: [Lasting::default(); 6],
        }
    }

    /// Whether the nameplate has the voltages mixed up: what else they say is then no news.
    pub fn is_mixed_up(&self, measured: &Measured) -> bool {
        let Some(fundamental) = &measured.fundamental else { return false };
        !self.was_right && (all_near(fundamental, 0.577_35) || all_near(fundamental, 1.732_05))
    }

    /// Takes a window; `loaded` are the phases whose capacitors carry, `blind` those whose voltage says nothing of the feeder.
    pub fn window(&mut self, measured: &Measured, loaded: u8, blind: u8, out: &mut Findings) {
        self.was_right |= measured.fundamental.as_ref().is_some_and(|f| all_near(f, 1.0));
        let mixed_up = self.is_mixed_up(measured);
        let wrong_frequency = measured.frequency_is_foreign;
        let (mut over, mut under, mut overload) = (0, 0, 0);
        let each = measured.voltage_rms.iter().zip(&measured.voltage_peak).zip(&measured.loading);
        for (((rms, peak), loading), bit) in each.zip([1_u8, 2, 4]) {
            if blind & bit != 0 {
                continue;
            }
            over |= if rms * self.unit_ratio > self.overvoltage { bit } else { 0 };
            under |= if *rms < self.undervoltage && *rms > self.interruption { bit } else { 0 };
            let crest = peak * self.unit_ratio / core::f32::consts::SQRT_2;
            let is_loaded = loading
                .as_ref()
                .is_some_and(|loading| loading.current > self.overload || loading.reactive > self.overload);
            overload |= if is_loaded || crest > self.peak { bit & loaded } else { 0 };
        }
        let fundamental = measured.fundamental.as_ref();
        let unbalance = if fundamental.and_then(|f| f.u2).is_some_and(|u2| u2 > self.unbalance) && blind == 0
        {
            7
        } else {
            0
        };
        let reversed =
            fundamental.is_some_and(|f| f.rotation == Rotation::Acb && f.u2.is_some_and(|u2| u2 < 20.0));
        let reversed = if reversed && blind == 0 { 7 } else { 0 };
        let mismatch = if mixed_up || wrong_frequency { 7 } else { 0 };
        let silent = |phases: u8| if mixed_up || measured.in_doubt { 0 } else { phases };
        let says: [(u8, u64, Condition, &[Cause]); 6] = [
            (
                silent(over),
                OVERVOLTAGE_S,
                Condition::Overvoltage,
                &[Cause::FeederVoltage, Cause::NameplateWrong],
            ),
            (silent(under), UNDERVOLTAGE_S, Condition::Undervoltage, &[Cause::FeederVoltage]),
            (
                unbalance,
                UNBALANCE_S,
                Condition::VoltageUnbalance,
                &[Cause::FeederUnbalance, Cause::PhaseOpenUpstream],
            ),
            (
                silent(overload),
                OVERLOAD_S,
                Condition::CapacitorOverload,
                &[Cause::Harmonics, Cause::FeederVoltage],
            ),
            (reversed, REVERSED_S, Condition::PhaseRotationReversed, &[Cause::PhasesSwapped]),
            (mismatch, MISMATCH_S, Condition::SettingsMismatch, &[Cause::NameplateWrong]),
        ];
        for (lasting, (phases, seconds, condition, causes)) in self.lasting.iter_mut().zip(says) {
            if let Some(finding) = lasting.observe(phases, measured, seconds, condition, causes) {
                let _ = out.push(finding);
            }
        }
    }

    /// Nothing is known for a while: what must last begins anew.
    pub fn interrupt(&mut self) {
        self.lasting = [Lasting::default(); 6];
    }
}

/// Whether all voltages are near this part of the rated one.
fn all_near(fundamental: &Fundamental, part: f32) -> bool {
    fundamental.voltage.iter().all(|v| (v.magnitude() / part - 1.0).abs() < MIXED_UP)
}

#[cfg(test)]
mod tests;
