//! The simulated sensors: where they sit and how wrong they are.

use serde::Deserialize;
use toml::Spanned;
use wyelog_protocol::bank::Location;

use super::check::Source;
use super::error::Error;
use super::phases::{Channel, Phase};

/// The simulated sensors.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensors {
    /// Which of the channels A, B, C, N have a sensor; the others read zero.
    pub present: [bool; 4],
    /// Where the voltage sensors of A, B, C really sit.
    pub location: [Location; 3],
    /// The phase that the channels A, B, C are wired to.
    pub wiring: [Phase; 3],
    /// Errors of the channels A, B, C, N.
    pub errors: [SensorError; 4],
    /// Leads that break, in time order.
    pub broken_wires: Vec<BrokenWire>,
    /// Other paths of the neutral current, in time order.
    pub second_paths: Vec<SecondPath>,
}

impl Default for Sensors {
    fn default() -> Self {
        Self {
            present: [true; 4],
            location: [Location::Line; 3],
            wiring: Phase::ALL,
            errors: [SensorError::default(); 4],
            broken_wires: Vec::new(),
            second_paths: Vec::new(),
        }
    }
}

/// How wrong one sensor is.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct SensorError {
    /// Gain error, in percent; −200 % is the polarity reversed.
    pub gain_percent: f64,
    /// How far the reading leads the truth, in degrees of the nominal frequency: a time, h times as far at order h.
    pub angle_deg: f64,
    /// Noise (rms), in percent of the rated rms value of the channel.
    pub noise_percent: f64,
    /// Constant added, in percent of the rated rms value of the channel.
    pub offset_percent: f64,
    /// Limit of the sensor's output in multiples of the rated crest, if it clips.
    pub clip_pu: Option<f64>,
    /// Further lead at order h, `h − 1` times this, in degrees of that order.
    pub slope_deg_per_order: f64,
    /// Further gain error of every order above the first, in percent.
    pub harmonic_ratio_percent: f64,
    /// A third harmonic that the sensor makes: in percent of the fundamental that it reads, and its angle against
    /// three times the angle of that, in degrees.
    pub third: (f64, f64),
    /// Of the neutral: a current that is not the bank's, in percent of the rated one while the feeder is as at the
    /// start, and its angle at time 0 against the positive sequence's, in degrees. It comes and goes with that.
    pub stray: (f64, f64),
    /// The same of the third harmonic; its angle against three times that of the positive sequence.
    pub stray_third: (f64, f64),
}

/// The lead of a sensor breaks and picks up its neighbour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BrokenWire {
    /// Whose lead.
    pub channel: Channel,
    /// When, in s.
    pub at_s: f64,
    /// When it is whole again, in s; infinite if never.
    pub until_s: f64,
    /// What is left: the part of the next phase's voltage that is read (for N: current in rated amperes per unit
    /// of the voltage of A).
    pub pickup: f64,
}

/// From some time on, part of the neutral current passes the sensor by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SecondPath {
    /// When, in s.
    pub at_s: f64,
    /// The part of the neutral current, 0…1.
    pub part: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct BrokenWireTable {
    channel: Channel,
    at_s: Spanned<f64>,
    until_s: Option<Spanned<f64>>,
    pickup: Spanned<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SecondPathTable {
    at_s: Spanned<f64>,
    percent: Spanned<f64>,
}

impl BrokenWireTable {
    pub fn check(&self, source: &Source, duration_s: f64) -> Result<BrokenWire, Error> {
        let at_s = source.number("sensors.broken_wire.at_s", &self.at_s, 0.0..=duration_s, "s")?;
        let until = self.until_s.as_ref();
        let until_s =
            source.number_or("sensors.broken_wire.until_s", until, f64::INFINITY, at_s..=1e9, "s")?;
        let pickup = source.number("sensors.broken_wire.pickup", &self.pickup, 0.0..=1.0, "(part)")?;
        Ok(BrokenWire { channel: self.channel, at_s, until_s, pickup })
    }
}

impl SecondPathTable {
    pub fn check(&self, source: &Source, duration_s: f64) -> Result<SecondPath, Error> {
        let percent = source.number("sensors.second_path.percent", &self.percent, 0.0..=100.0, "%")?;
        Ok(SecondPath {
            at_s: source.number("sensors.second_path.at_s", &self.at_s, 0.0..=duration_s, "s")?,
            part: percent / 100.0,
        })
    }
}
