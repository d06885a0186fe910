//! `[feeder]`: the source behind its impedance, and what happens on the feeder.

use serde::Deserialize;
use toml::Spanned;

use super::bank::Bank;
use super::check::Source;
use super::daily::{Daily, DailyTable};
use super::error::Error;
use super::feeder_event::{EventTable, FeederEvent};

/// The feeder as the bank sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct Feeder {
    /// Nominal line-to-line voltage in kV.
    pub kv_ll: f64,
    /// Frequency at the start, in Hz.
    pub frequency_hz: f64,
    /// Steady change of the frequency, in Hz/s.
    pub frequency_drift_hz_per_s: f64,
    /// Order of the phases: false is A-B-C, true is A-C-B.
    pub is_reversed: bool,
    /// Positive-sequence source impedance at the nominal frequency, in ohms: resistance and reactance.
    pub impedance_ohm: (f64, f64),
    /// Zero-sequence source impedance, in ohms: resistance and reactance.
    pub zero_impedance_ohm: (f64, f64),
    /// Source voltages by sequence, the bank open.
    pub sequence: SequenceVoltages,
    /// Source harmonics.
    pub harmonics: Vec<Harmonic>,
    /// What happens on the feeder, in time order of their start.
    pub events: Vec<FeederEvent>,
    /// How it goes through the day; `None`: it stands still.
    pub daily: Option<Daily>,
}

/// Source voltages by sequence, the bank open.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SequenceVoltages {
    /// Positive sequence, per unit of the nominal voltage.
    pub v1_pu: f64,
    /// Angle of the positive sequence at time 0, in degrees (cosine reference).
    pub v1_angle_deg: f64,
    /// Negative sequence in percent of the positive, and its angle to it in degrees.
    pub u2: (f64, f64),
    /// Zero sequence in percent of the positive, and its angle to it in degrees.
    pub u0: (f64, f64),
}

/// Which way a harmonic turns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sequence {
    /// As the fundamental.
    Positive,
    /// Against the fundamental.
    Negative,
    /// All three phases alike.
    Zero,
}

/// A source harmonic, equal in size in the three phases.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Harmonic {
    /// Order, 2…40.
    pub order: u32,
    /// Size in percent of the positive sequence.
    pub percent: f64,
    /// Angle of phase A at time 0, in degrees.
    pub angle_deg: f64,
    /// Which way it turns; by its order (3n zero, 3n+1 positive, 3n+2 negative) unless stated.
    pub sequence: Sequence,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FeederTable {
    kv_ll: Spanned<f64>,
    frequency_hz: Spanned<f64>,
    frequency_drift_hz_per_s: Option<Spanned<f64>>,
    rotation: Option<Rotation>,
    r_ohm: Option<Spanned<f64>>,
    x_ohm: Option<Spanned<f64>>,
    r0_ohm: Option<Spanned<f64>>,
    x0_ohm: Option<Spanned<f64>>,
    v1_pu: Option<Spanned<f64>>,
    v1_angle_deg: Option<Spanned<f64>>,
    u2_percent: Option<Spanned<f64>>,
    u2_angle_deg: Option<Spanned<f64>>,
    u0_percent: Option<Spanned<f64>>,
    u0_angle_deg: Option<Spanned<f64>>,
    #[serde(default)]
    harmonics: Vec<HarmonicTable>,
    #[serde(default)]
    event: Vec<EventTable>,
    daily: Option<DailyTable>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
enum Rotation {
    #[serde(rename = "ABC")]
    Abc,
    #[serde(rename = "ACB")]
    Acb,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct HarmonicTable {
    order: Spanned<i64>,
    percent: Spanned<f64>,
    angle_deg: Option<Spanned<f64>>,
    sequence: Option<Sequence>,
}

impl FeederTable {
    pub fn check(&self, source: &Source, duration_s: f64) -> Result<Feeder, Error> {
        let angle = |name: &str, value: &Option<Spanned<f64>>| {
            source.number_or(name, value.as_ref(), 0.0, -360.0..=360.0, "degrees")
        };
        let ohm = |name: &str, value: &Option<Spanned<f64>>, default| {
            source.number_or(name, value.as_ref(), default, 0.0..=100.0, "ohms")
        };
        let percent = |name: &str, value: &Option<Spanned<f64>>, high| {
            source.number_or(name, value.as_ref(), 0.0, 0.0..=high, "%")
        };
        let frequency_hz = source.number("feeder.frequency_hz", &self.frequency_hz, 42.5..=69.0, "Hz")?;
        let drift = &self.frequency_drift_hz_per_s;
        let frequency_drift_hz_per_s =
            source.number_or("feeder.frequency_drift_hz_per_s", drift.as_ref(), 0.0, -1.0..=1.0, "Hz/s")?;
        let last_hz = frequency_hz + frequency_drift_hz_per_s * duration_s;
        if let Some(drift) = drift.as_ref().filter(|_| !(42.5..=69.0).contains(&last_hz)) {
            let must = format!("leads to {last_hz:.2} Hz at the end; must stay within 42.5…69 Hz");
            return Err(source.wrong(drift, "feeder.frequency_drift_hz_per_s", must));
        }
        let r = ohm("feeder.r_ohm", &self.r_ohm, 0.0)?;
        let x = ohm("feeder.x_ohm", &self.x_ohm, 0.0)?;
        // Three times the positive sequence: common practice for an overhead line, no source.
        let zero_impedance_ohm =
            (ohm("feeder.r0_ohm", &self.r0_ohm, 3.0 * r)?, ohm("feeder.x0_ohm", &self.x0_ohm, 3.0 * x)?);
        let sequence = SequenceVoltages {
            v1_pu: source.number_or("feeder.v1_pu", self.v1_pu.as_ref(), 1.0, 0.0..=1.5, "pu")?,
            v1_angle_deg: angle("feeder.v1_angle_deg", &self.v1_angle_deg)?,
            u2: (
                percent("feeder.u2_percent", &self.u2_percent, 50.0)?,
                angle("feeder.u2_angle_deg", &self.u2_angle_deg)?,
            ),
            u0: (
                percent("feeder.u0_percent", &self.u0_percent, 50.0)?,
                angle("feeder.u0_angle_deg", &self.u0_angle_deg)?,
            ),
        };
        let mut events = Vec::new();
        for event in &self.event {
            events.extend(event.check(source, duration_s)?);
        }
        events.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        Ok(Feeder {
            kv_ll: source.number("feeder.kv_ll", &self.kv_ll, 1.0..=46.0, "kV")?,
            frequency_hz,
            frequency_drift_hz_per_s,
            is_reversed: matches!(self.rotation, Some(Rotation::Acb)),
            impedance_ohm: (r, x),
            zero_impedance_ohm,
            sequence,
            harmonics: self.harmonics.iter().map(|h| h.check(source)).collect::<Result<_, _>>()?,
            events,
            daily: self.daily.as_ref().map(|daily| daily.check(source)).transpose()?,
        })
    }
}

/// Largest share of its own reactance that a bank may meet in the source, by sequence: beyond, the two resonate
/// near the fundamental and no feeder is like that.
const LARGEST_SHARE: (f64, f64) = (0.25, 0.75);

impl FeederTable {
    /// Refuses a source impedance that no bank of this size could hang on.
    pub fn check_against(&self, source: &Source, feeder: &Feeder, bank: &Bank) -> Result<(), Error> {
        let bank_ohm = 1000.0 * bank.unit_kv / bank.rated_amps();
        let (share, zero_share) = (feeder.impedance_ohm.1 / bank_ohm, feeder.zero_impedance_ohm.1 / bank_ohm);
        let must = |largest: f64| {
            let largest_ohm = largest * bank_ohm;
            format!(
                "must be at most {largest_ohm:.3} ohms, {largest} of the bank's reactance of {bank_ohm:.3} ohms"
            )
        };
        let (largest, largest_zero) = LARGEST_SHARE;
        match (&self.x_ohm, &self.x0_ohm) {
            (Some(x), _) if share > largest => Err(source.wrong(x, "feeder.x_ohm", must(largest))),
            (_, Some(x0)) if zero_share > largest_zero => {
                Err(source.wrong(x0, "feeder.x0_ohm", must(largest_zero)))
            }
            _ => Ok(()),
        }
    }
}

impl HarmonicTable {
    fn check(&self, source: &Source) -> Result<Harmonic, Error> {
        let order = source.whole("feeder.harmonics.order", &self.order, 2..=40)?;
        let by_order = match order % 3 {
            0 => Sequence::Zero,
            1 => Sequence::Positive,
            _ => Sequence::Negative,
        };
        Ok(Harmonic {
            order: order as u32,
            percent: source.number("feeder.harmonics.percent", &self.percent, 0.0..=30.0, "%")?,
            angle_deg: source.number_or(
                "feeder.harmonics.angle_deg",
                self.angle_deg.as_ref(),
                0.0,
                -360.0..=360.0,
                "degrees",
            )?,
            sequence: self.sequence.unwrap_or(by_order),
        })
    }
}
