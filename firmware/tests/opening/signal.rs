//! Openings of a grounded bank, as samples: a feeder, three capacitors whose poles clear at zeros of their own
//! currents, and sensors with errors.

use core::f64::consts::{SQRT_2, TAU};
use wyelog_electrical::Phasor;
use wyelog_firmware::frontend::{Frame, Scaling};
use wyelog_firmware::measure::history::History;
use wyelog_protocol::condition::Phases;

/// Frames a second.
pub const RATE: f64 = 4800.0;

/// Counts of rated voltage and of rated current.
const COUNTS: f64 = 2_000_000.0;

/// Random numbers (splitmix64).
pub struct Random(pub u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Between two numbers, uniformly.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * ((self.next() >> 11) as f64 / 9_007_199_254_740_992.0)
    }

    /// A whole number below `n`.
    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }

    fn sign(&mut self) -> f64 {
        if self.next() & 1 == 0 { -1.0 } else { 1.0 }
    }

    fn angle(&mut self) -> f64 {
        self.between(0.0, TAU)
    }

    /// Normal, with σ 1 (twelve uniform ones).
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.between(-0.5, 0.5)).sum()
    }
}

/// What is worse than usual.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Attack {
    /// Sensors without any error, noise or stray.
    Ideal,
    None,
    SensorThird,
    StrayThird,
    NeutralSlope,
    NeutralDelay,
    NeutralRatio,
    VoltageGain,
    LittleThird,
}

impl Attack {
    pub const ALL: [Self; 8] = [
        Self::None,
        Self::SensorThird,
        Self::StrayThird,
        Self::NeutralSlope,
        Self::NeutralDelay,
        Self::NeutralRatio,
        Self::VoltageGain,
        Self::LittleThird,
    ];
}

/// What goes wrong at the opening.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trouble {
    None,
    Clipped,
    StaysClosed,
    /// Of phase A, this part of a cycle behind its clearing, until the next zero but one.
    Restrike,
    /// The pole of phase A does not clear.
    PoleStays,
    /// A and B fall to 70 % while the poles clear.
    Sag,
}

/// A component: rms size and angle.
type Component = (f64, f64);

/// A phase of the feeder: fundamental, third, fifth, seventh.
type Voltage = [(f64, Component); 4];

pub struct Opening {
    pub hz: f64,
    pub y: [f64; 3],
    /// Frame of each pole's current zero.
    pub cleared: [f64; 3],
    /// An earliest moment as a trigger would say it.
    pub earliest: u64,
    pub history: History,
    pub scaling: Scaling,
}

fn value(voltage: &Voltage, w: f64, t: f64) -> f64 {
    voltage.iter().map(|(order, (size, angle))| SQRT_2 * size * libm::cos(order * w * t + angle)).sum()
}

/// Slope over that of a rated voltage: the current of the rated capacitor.
fn slope(voltage: &Voltage, w: f64, rated: f64, t: f64) -> f64 {
    -voltage
        .iter()
        .map(|(order, (size, angle))| order * w / rated * SQRT_2 * size * libm::sin(order * w * t + angle))
        .sum::<f64>()
}

fn connected(random: &mut Random) -> [f64; 3] {
    let mut y = [0; 3].map(|_| random.between(1.0, 1.1));
    let phase = random.below(3) as usize;
    match random.below(5) {
        0 => y[phase] *= [0.5, 0.667, 0.75, 0.9][random.below(4) as usize],
        1 => y[phase] *= [1.04, 1.1, 1.2, 1.33][random.below(4) as usize],
        2 => y[phase] = 0.0,
        3 => y = y.map(|y| y * random.between(0.5, 1.3)),
        _ => {}
    }
    y
}

/// One opening. `on_capacitor`: the sensors hang behind the switch.
pub fn opening(seed: u64, attack: Attack, on_capacitor: bool, trouble: Trouble) -> Opening {
    let mut random = Random(seed.wrapping_mul(0x5851_F42D_4C95_7F2D) ^ 0xA5A5);
    let r = &mut random;
    let rated_hz = if r.below(2) == 0 { 50.0 } else { 60.0 };
    let hz = rated_hz + r.between(-0.05, 0.05);
    let (w, rated) = (TAU * hz, TAU * rated_hz);
    let cycle = RATE / hz;

    // The feeder.
    let third = if attack == Attack::LittleThird { 0.000_03 } else { r.between(0.001, 0.02) };
    let (third_angle, turn, size) = (r.angle(), r.angle(), r.between(0.95, 1.05));
    let zero = (r.between(0.0, 0.012), r.angle());
    let negative = (r.between(0.0, 0.02), r.angle());
    let fifth = (r.between(0.0, 0.02), r.angle());
    let seventh = (r.between(0.0, 0.01), r.angle());
    let feeder: [Voltage; 3] = [0.0, 1.0, 2.0].map(|p| {
        let third_turn = TAU / 3.0 * p;
        let mut sum = (0.0, 0.0);
        for (size, angle) in
            [(size, -third_turn), (size * zero.0, zero.1), (size * negative.0, negative.1 + third_turn)]
        {
            sum = (sum.0 + size * libm::cos(angle + turn), sum.1 + size * libm::sin(angle + turn));
        }
        let fundamental = (libm::hypot(sum.0, sum.1), libm::atan2(sum.1, sum.0));
        let third = (third * r.between(0.9, 1.1), third_angle + r.between(-0.1, 0.1));
        let (fifth, seventh) = ((fifth.0, fifth.1 + third_turn), (seventh.0, seventh.1 - third_turn));
        [(1.0, fundamental), (3.0, third), (5.0, fifth), (7.0, seventh)]
    });

    // The bank, and its poles.
    let y = connected(r);
    let part = (7.0 * cycle + r.between(0.0, cycle)) / RATE;
    let cleared = feeder.map(|voltage| {
        let mut t = part + r.between(0.0, 0.004);
        let first = slope(&voltage, w, rated, t);
        let mut step = 1e-4;
        while step > 1e-7 {
            if slope(&voltage, w, rated, t + step) * first > 0.0 {
                t += step;
            } else {
                step *= 0.5;
            }
        }
        t
    });
    let mut until = cleared;
    match trouble {
        Trouble::StaysClosed => until = [f64::INFINITY; 3],
        Trouble::PoleStays => until[0] = f64::INFINITY,
        _ => {}
    }
    let lifted = r.between(0.0, 0.02);
    let leak = [0; 3].map(|_| r.between(5.0, 300.0));

    // The sensors.
    let ideal = if attack == Attack::Ideal { 0.0 } else { 1.0 };
    let (gain_error, angle_error) =
        if attack == Attack::VoltageGain { (0.03, 1.5) } else { (0.006 * ideal, 0.3 * ideal) };
    let turns_alike = r.below(2) == 0;
    let filtered = r.below(2) == 0;
    let gains = [0; 3].map(|_| 1.0 + r.between(-gain_error, gain_error));
    let delays = [0; 3].map(|_| r.between(-angle_error, angle_error).to_radians() / w);
    let made = if attack == Attack::SensorThird { (0.0003, 0.003) } else { (0.0, 0.002 * ideal) };
    let made = [0; 3].map(|_| (r.between(made.0, made.1), r.angle()));
    let neutral_gain = 1.0 + ideal * r.between(-0.006, 0.006);
    let above = if attack == Attack::NeutralRatio { 1.0 + r.sign() * r.between(0.03, 0.1) } else { 1.0 };
    let degrees = r.sign() * r.between(0.5, 2.0);
    let per_order = if attack == Attack::NeutralSlope { degrees.to_radians() } else { 0.0 };
    let late = if attack == Attack::NeutralDelay { degrees.abs().to_radians() / w } else { 0.0 };
    let stray = (ideal * r.between(0.0, 0.015), r.angle());
    let stray_third = if attack == Attack::StrayThird { (0.002, 0.01) } else { (0.0, 0.006 * ideal) };
    let stray_third = (r.between(stray_third.0, stray_third.1), r.angle());

    let seen: [Voltage; 3] = core::array::from_fn(|p| {
        let extra = if turns_alike { w * delays[p] } else { 0.0 };
        feeder[p].map(|(order, (size, angle))| (order, (size, angle + (order - 1.0) * extra)))
    });
    let through: [Voltage; 3] = feeder.map(|voltage| {
        voltage.map(|(order, (size, angle))| {
            let above = if order > 1.5 { above } else { 1.0 };
            (order, (size * above, angle + per_order * (order - 1.0)))
        })
    });
    let depth = |p: usize, t: f64| {
        let along = ((t - part - 0.002) / 0.001).clamp(0.0, 1.0);
        if trouble == Trouble::Sag && p < 2 { 1.0 - 0.3 * along * along * (3.0 - 2.0 * along) } else { 1.0 }
    };
    let sample = |t: f64| -> [f64; 4] {
        let mut channels = [0.0; 4];
        for p in 0..3 {
            let td = t - delays[p];
            let mut v = value(&seen[p], w, td) * depth(p, td);
            let open = td > until[p];
            if open && on_capacitor {
                v = value(&seen[p], w, until[p]) * libm::exp(-(td - until[p]) / leak[p]);
            } else {
                let (_, (size, angle)) = feeder[p][0];
                v -= if open { lifted * y[p] * SQRT_2 * size * libm::cos(w * td + angle) } else { 0.0 };
                v += SQRT_2 * made[p].0 * libm::cos(3.0 * w * t + made[p].1);
            }
            channels[p] = gains[p] * v;
            let tl = t - late;
            let restruck = trouble == Trouble::Restrike && p == 0 && {
                let behind = (tl - until[0]) * hz;
                (0.4..1.0).contains(&behind)
            };
            if tl < until[p] || restruck {
                let dv = slope(&through[p], w, rated, tl) * depth(p, tl);
                let ddepth = (depth(p, tl + 1e-6) - depth(p, tl - 1e-6)) / 2e-6 / rated;
                channels[3] += y[p] * (dv + value(&through[p], w, tl) * ddepth);
            }
        }
        channels[3] *= neutral_gain;
        channels[3] += SQRT_2 * stray.0 * libm::cos(w * t + stray.1);
        channels[3] += SQRT_2 * stray_third.0 * libm::cos(3.0 * w * t + stray_third.1);
        channels
    };

    let mut history = History::new();
    let frames = (14.0 * cycle) as u64;
    for n in 0..frames {
        let t = n as f64 / RATE;
        let mut channels = sample(t);
        if filtered {
            let (before, behind) = (sample(t - 1.0 / RATE), sample(t + 1.0 / RATE));
            for ((now, before), behind) in channels.iter_mut().zip(before).zip(behind) {
                *now = 0.5 * *now + 0.25 * (before + behind);
            }
        }
        let counts = core::array::from_fn(|channel| {
            let noise = ideal * if channel == 3 { 0.0015 } else { 0.0004 };
            let counts = libm::round((channels[channel] + noise * r.normal()) * COUNTS);
            let limit =
                if trouble == Trouble::Clipped && channel == 3 { 0.9 * COUNTS } else { f64::INFINITY };
            if counts.abs() > limit { counts.signum() as i32 * 8_388_607 } else { counts as i32 }
        });
        history.push(&Frame { channels: counts });
    }
    let first = cleared.iter().copied().fold(f64::INFINITY, f64::min) * RATE;
    let scale = (1.0 / COUNTS) as f32;
    Opening {
        hz,
        y,
        cleared: cleared.map(|t| t * RATE),
        earliest: (first - r.between(0.0, 1.4) * cycle) as u64,
        history,
        scaling: Scaling {
            voltage: [scale; 3],
            neutral: scale,
            base_voltage: 7200.0,
            base_current: 28.0,
            unit_ratio: 1.0,
            rated_hz: rated_hz as f32,
            rated: [1.0; 3],
            lag: [Phasor::ONE; 4],
            measured: Phases::ABC,
        },
    }
}
