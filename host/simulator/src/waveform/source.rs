//! The feeder without the bank: source phasors by harmonic, as events change them.

use super::noise::Noise;
use crate::civil::SECONDS_PER_DAY;
use crate::complex::Complex;
use crate::scenario::{
    Daily, Feeder, FeederEvent, FeederEventKind, Harmonic, Phase, Phases, Scenario, Sequence,
};

/// Peak phasors of A, B, C at one harmonic. The instantaneous value is `Re(phasor · e^(j·h·θ))`.
pub(super) type Triple = [Complex; 3];

/// With a daily load the source is solved anew after this long.
pub(super) const DAILY_REFRESH_S: f64 = 60.0;
/// How much of a phase's wandering is left a minute later.
const PERSISTENCE: f64 = 0.97;

/// The source.
#[derive(Debug, Clone)]
pub(super) struct Source {
    /// Orders present, the fundamental first, then upwards.
    pub orders: Vec<u32>,
    /// Undisturbed phasors of the harmonics by order, in V.
    harmonics: Vec<Triple>,
    /// Peak of the nominal voltage, in V.
    peak: f64,
    /// Second of the day at time 0.
    start_s: f64,
    /// Relative deviation of each phase, minute by minute.
    wander: Vec<[f64; 3]>,
}

impl Source {
    pub fn new(scenario: &Scenario) -> Self {
        let feeder = &scenario.feeder;
        let peak = feeder.kv_ll * 1000.0 / libm::sqrt(3.0) * libm::sqrt(2.0);
        let v1 = feeder.sequence.v1_pu * peak;
        let mut orders = vec![1];
        let mut found: Vec<Triple> = Vec::new();
        let mut harmonics = feeder.harmonics.clone();
        harmonics.extend(made_elsewhere(scenario));
        harmonics.sort_by_key(|harmonic| harmonic.order);
        for harmonic in harmonics {
            let phasor = Complex::polar(v1 * harmonic.percent / 100.0, harmonic.angle_deg);
            let triple = turning(phasor, harmonic.sequence);
            match found.last_mut() {
                Some(last) if orders.last() == Some(&harmonic.order) => *last = add(*last, triple),
                _ => {
                    orders.push(harmonic.order);
                    found.push(triple);
                }
            }
        }
        Self {
            orders,
            harmonics: found,
            peak,
            start_s: scenario.start_utc_s.rem_euclid(SECONDS_PER_DAY) as f64,
            wander: wander(scenario),
        }
    }

    /// Phasors by order at time `at_s`. Events that overlap multiply.
    pub fn phasors(&self, feeder: &Feeder, at_s: f64) -> Vec<Triple> {
        let mut phasors = self.undisturbed(feeder, at_s);
        for event in feeder.events.iter().filter(|event| event.at_s <= at_s && at_s < event.end_s()) {
            disturb(&mut phasors, &self.orders, event, at_s);
        }
        phasors
    }

    /// The positive sequence of these phasors, in parts of what it is at the start.
    pub fn strength(&self, feeder: &Feeder, phasors: &[Triple]) -> f64 {
        let whole = 3.0 * feeder.sequence.v1_pu * self.peak;
        let Some(triple) = phasors.first().filter(|_| whole > 0.0) else { return 0.0 };
        let [a, b, c] = if feeder.is_reversed { swapped(*triple) } else { *triple };
        (a + b * Complex::polar(1.0, 120.0) + c * Complex::polar(1.0, -120.0)).abs() / whole
    }

    /// What the day makes of the feeder.
    fn undisturbed(&self, feeder: &Feeder, at_s: f64) -> Vec<Triple> {
        let sequence = &feeder.sequence;
        let load = |daily: &Daily| daily.load(self.start_s + at_s);
        let part = |of: fn(&Daily) -> f64| feeder.daily.as_ref().map_or(0.0, |daily| of(daily) * load(daily));
        let v1 = sequence.v1_pu * self.peak * (1.0 - part(|daily| daily.v1_drop_percent) / 100.0);
        let relative = |(percent, angle): (f64, f64), rise: f64| {
            Complex::polar(v1 * (percent + rise) / 100.0, sequence.v1_angle_deg + angle)
        };
        let positive = turning(Complex::polar(v1, sequence.v1_angle_deg), Sequence::Positive);
        let u2 = relative(sequence.u2, part(|daily| daily.u2_rise_percent));
        let u0 = relative(sequence.u0, part(|daily| daily.u0_rise_percent));
        let fundamental = add(add(positive, turning(u2, Sequence::Negative)), turning(u0, Sequence::Zero));
        let growth = 1.0 + part(|daily| daily.harmonics_rise_percent) / 100.0;
        let minute = libm::floor(at_s / DAILY_REFRESH_S) as usize;
        let wander = self.wander.get(minute).copied().unwrap_or_default();
        let harmonics = self.harmonics.iter().map(|triple| triple.map(|phase| phase.scaled(growth)));
        let triples = std::iter::once(fundamental).chain(harmonics).map(|triple| {
            let [a, b, c] = if feeder.is_reversed { swapped(triple) } else { triple };
            let [x, y, z] = wander.map(|deviation| 1.0 + deviation);
            [a.scaled(x), b.scaled(y), c.scaled(z)]
        });
        triples.collect()
    }
}

fn swapped([a, b, c]: Triple) -> Triple {
    [a, c, b]
}

/// Each phase's own wandering: nearly normal, and much of it still there a minute later.
fn wander(scenario: &Scenario) -> Vec<[f64; 3]> {
    let Some(daily) = scenario.feeder.daily.filter(|daily| daily.wander_percent > 0.0) else {
        return Vec::new();
    };
    let mut noise = Noise::new(scenario.seed, 200);
    let size = daily.wander_percent / 100.0;
    let fresh = size * libm::sqrt(1.0 - PERSISTENCE * PERSISTENCE);
    let mut now = [0.0; 3].map(|_: f64| size * noise.normal());
    let minutes = libm::ceil(scenario.duration_s / DAILY_REFRESH_S) as usize + 1;
    let mut each = || {
        let before = now;
        now = now.map(|deviation| PERSISTENCE * deviation + fresh * noise.normal());
        before
    };
    (0..minutes).map(|_| each()).collect()
}

/// Orders that are not the feeder's from the start, without a size: sensors and backfed phases make them.
fn made_elsewhere(scenario: &Scenario) -> Vec<Harmonic> {
    let is_backfed = |event: &FeederEvent| matches!(event.kind, FeederEventKind::SinglePhasing { .. });
    let errors = &scenario.sensors.errors;
    let is_made = errors.iter().any(|error| error.third.0 > 0.0 || error.stray_third.0 > 0.0);
    let orders: &[u32] = match (scenario.feeder.events.iter().any(is_backfed), is_made) {
        (true, _) => &[3, 5],
        (false, true) => &[3],
        (false, false) => &[],
    };
    let is_new = |order: &&u32| scenario.feeder.harmonics.iter().all(|known| known.order != **order);
    let without_size = |&order| Harmonic { order, percent: 0.0, angle_deg: 0.0, sequence: Sequence::Zero };
    orders.iter().filter(is_new).map(without_size).collect()
}

/// Steps of the return of an outage.
pub(super) fn ramp_steps(ramp_s: f64) -> u32 {
    libm::ceil(10.0 * ramp_s).clamp(0.0, 200.0) as u32
}

/// Changes the phasors, by order, as the event does at this time.
fn disturb(phasors: &mut [Triple], orders: &[u32], event: &FeederEvent, at_s: f64) {
    match event.kind {
        FeederEventKind::LoadStep { phases, factor, angle_deg } => {
            let turn = Complex::polar(factor, angle_deg);
            if let Some(fundamental) = phasors.first_mut() {
                for phase in phases.iter() {
                    let slot = of(fundamental, phase);
                    *slot = *slot * turn;
                }
            }
        }
        FeederEventKind::Outage { ramp_s } => {
            let since_s = at_s - (event.at_s + event.duration_s);
            let steps = f64::from(ramp_steps(ramp_s));
            // The middle of the step that this time is in, a rounding of its start aside.
            let back = if since_s < 0.0 {
                0.0
            } else {
                (libm::floor(since_s / ramp_s * steps + 1e-6) + 0.5) / steps
            };
            for triple in phasors {
                *triple = triple.map(|phasor| phasor.scaled(back));
            }
        }
        FeederEventKind::SinglePhasing { phase, size, angle_deg, third_and_fifth: (third, fifth) } => {
            let Some(fundamental) = phasors.first_mut() else { return };
            let slot = of(fundamental, phase);
            *slot = *slot * Complex::polar(size, angle_deg);
            let backfed = *slot;
            for (triple, &order) in phasors.iter_mut().zip(orders).skip(1) {
                let slot = of(triple, phase);
                *slot = slot.scaled(size);
                let part = match order {
                    3 => third,
                    5 => fifth,
                    _ => continue,
                };
                // Both peak against the fundamental: the flat top of a saturated transformer.
                let degrees = f64::from(order) * backfed.degrees() + if order == 3 { 180.0 } else { 0.0 };
                *slot += Complex::polar(backfed.abs() * part, degrees);
            }
        }
        kind => {
            for triple in phasors {
                *triple = disturbed(*triple, kind);
            }
        }
    }
}

fn of([a, b, c]: &mut Triple, phase: Phase) -> &mut Complex {
    match phase {
        Phase::A => a,
        Phase::B => b,
        Phase::C => c,
    }
}

/// What changes all orders alike.
fn disturbed(triple: Triple, kind: FeederEventKind) -> Triple {
    let scale = |phases: Phases, factor: f64| {
        let [a, b, c] = triple;
        let [x, y, z] = Phase::ALL.map(|phase| if phases.contains(phase) { factor } else { 1.0 });
        [a.scaled(x), b.scaled(y), c.scaled(z)]
    };
    match kind {
        FeederEventKind::Interruption => [Complex::ZERO; 3],
        FeederEventKind::Sag { phases, depth } => scale(phases, 1.0 - depth),
        FeederEventKind::Swell { phases, rise } => scale(phases, 1.0 + rise),
        FeederEventKind::RegulatorStep { phases, factor } => scale(phases, factor),
        FeederEventKind::GroundFaultElsewhere { phase, depth, shift } => {
            let [a, b, c] = triple;
            let faulted = *of(&mut [a, b, c], phase);
            let moved = faulted.scaled(shift);
            let mut result = [a - moved, b - moved, c - moved];
            *of(&mut result, phase) = faulted.scaled(1.0 - depth);
            result
        }
        // These change one order alone, or go with time.
        FeederEventKind::LoadStep { .. }
        | FeederEventKind::Outage { .. }
        | FeederEventKind::SinglePhasing { .. } => triple,
    }
}

/// Three phasors from that of A.
fn turning(a: Complex, sequence: Sequence) -> Triple {
    let third = Complex::polar(1.0, 120.0);
    let back = Complex::polar(1.0, -120.0);
    match sequence {
        Sequence::Positive => [a, a * back, a * third],
        Sequence::Negative => [a, a * third, a * back],
        Sequence::Zero => [a, a, a],
    }
}

fn add([a, b, c]: Triple, [x, y, z]: Triple) -> Triple {
    [a + x, b + y, c + z]
}
