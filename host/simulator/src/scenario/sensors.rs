//! `[sensors]` and `[channels]`: what is measured, where, and how wrong it is.

use serde::Deserialize;
use toml::Spanned;
use wyelog_protocol::bank::Location;

use super::bank::Bank;
use super::check::Source;
use super::error::Error;
use super::installed::{Fields, InstalledSensor, Place, SensorKind};
use super::phases::{Channel, Phase, Phases};
use crate::comtrade::ChannelNames;

/// The simulated sensors.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Sensors {
    /// Errors of the channels A, B, C, N.
    pub errors: [SensorError; 4],
    /// Leads that break, in time order.
    pub broken_wires: Vec<BrokenWire>,
}

/// How wrong one sensor is.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct SensorError {
    /// Gain error, in percent.
    pub gain_percent: f64,
    /// How far the reading leads the truth, in degrees of the nominal frequency.
    pub angle_deg: f64,
    /// Noise (rms), in percent of the rated rms value of the channel.
    pub noise_percent: f64,
    /// Constant added, in percent of the rated rms value of the channel.
    pub offset_percent: f64,
    /// Limit of the sensor's output in multiples of the rated crest, if it clips.
    pub clip_pu: Option<f64>,
}

/// The lead of a sensor breaks and picks up its neighbour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BrokenWire {
    /// Whose lead.
    pub channel: Channel,
    /// When, in s.
    pub at_s: f64,
    /// What is left: the part of the next phase's voltage that is read (for N: current in rated amperes per unit
    /// of the voltage of A).
    pub pickup: f64,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SensorsTable {
    location: Option<Spanned<Place>>,
    control_power: Option<Phase>,
    #[serde(rename = "A")]
    a: Option<SensorTable>,
    #[serde(rename = "B")]
    b: Option<SensorTable>,
    #[serde(rename = "C")]
    c: Option<SensorTable>,
    #[serde(rename = "N")]
    n: Option<SensorTable>,
    #[serde(default)]
    broken_wire: Vec<Spanned<BrokenWireTable>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct SensorTable {
    location: Option<Spanned<Place>>,
    present: Option<Spanned<bool>>,
    gain_percent: Option<Spanned<f64>>,
    angle_deg: Option<Spanned<f64>>,
    noise_percent: Option<Spanned<f64>>,
    offset_percent: Option<Spanned<f64>>,
    clip_pu: Option<Spanned<f64>>,
    kind: Option<Spanned<SensorKind>>,
    ratio: Option<Spanned<toml::Value>>,
    phase_deg: Option<Spanned<f64>>,
    burden_ohm: Option<Spanned<f64>>,
    clip: Option<Spanned<f64>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct BrokenWireTable {
    channel: Channel,
    at_s: Spanned<f64>,
    pickup: Spanned<f64>,
}

impl SensorsTable {
    fn channels(&self) -> [(&'static str, Option<&SensorTable>); 4] {
        let [a, b, c, n] = [&self.a, &self.b, &self.c, &self.n].map(Option::as_ref);
        [("sensors.A", a), ("sensors.B", b), ("sensors.C", c), ("sensors.N", n)]
    }

    /// Where the voltage sensors of A, B, C sit.
    pub fn locations(&self, source: &Source) -> Result<[Location; 3], Error> {
        let all = self.location.as_ref().map_or(Place::Line, |place| *place.get_ref());
        let [a, b, c, n] = self.channels().map(|(_, table)| table?.location.as_ref());
        if let Some(place) = n {
            let what = "sensors.N.location: the neutral current has one place only; remove it";
            return Err(source.at(place.span().start, what));
        }
        Ok([a, b, c].map(|place| place.map_or(all, |place| *place.get_ref()).location()))
    }

    /// The phase that feeds the controls, if it is stated.
    pub fn control_power(&self) -> Option<Phases> {
        self.control_power.map(Phases::one)
    }

    /// Which of the voltage sensors of A, B, C are there.
    pub fn present(&self, source: &Source) -> Result<[bool; 3], Error> {
        let [a, b, c, n] = self.channels().map(|(_, table)| table?.present.as_ref());
        if let Some(stated) = n.filter(|stated| !stated.get_ref()) {
            let must = "must be there: without the neutral current nothing can be said of the bank";
            return Err(source.wrong(stated, "sensors.N.present", must));
        }
        let present = [a, b, c].map(|stated| stated.is_none_or(|stated| *stated.get_ref()));
        if let Some(stated) = a.filter(|_| present == [false; 3]) {
            let must = "one voltage sensor must be there at least";
            return Err(source.wrong(stated, "sensors.A.present", must));
        }
        Ok(present)
    }

    /// Refuses what a scenario cannot simulate or has no use for.
    pub fn only_simulated(&self, source: &Source) -> Result<(), Error> {
        let by_phase = self.channels().into_iter().filter_map(|(_, table)| table?.location.as_ref());
        for place in self.location.iter().chain(by_phase) {
            if *place.get_ref() != Place::Line {
                let quoted = Spanned::new(place.span(), format!("\"{}\"", place.get_ref().word()));
                return Err(source.wrong(&quoted, "sensors.location", "not supported yet; must be \"line\""));
            }
        }
        for (name, table) in self.channels() {
            if let Some((at, field)) = table.and_then(|table| table.installed().first()) {
                let what = format!("{name}.{field}: belongs in a bank file, not in a scenario; remove it");
                return Err(source.at(at, what));
            }
        }
        Ok(())
    }

    /// The sensors of A, B, C and the neutral of a bank file; refuses what only a scenario may say.
    pub fn installed(&self, source: &Source, bank: &Bank) -> Result<[InstalledSensor; 4], Error> {
        let reason = "belongs in a scenario, not in a bank file; remove it";
        source.unused("sensors.broken_wire", self.broken_wire.first(), reason)?;
        let mut sensors = [InstalledSensor::default(); 4];
        for ((slot, channel), (name, table)) in sensors.iter_mut().zip(Channel::ALL).zip(self.channels()) {
            let Some(table) = table else { continue };
            for (field, value) in table.fields() {
                source.unused(&format!("{name}.{field}"), value, reason)?;
            }
            *slot = table.installed().check(source, name, channel, bank)?;
        }
        Ok(sensors)
    }

    pub fn check(&self, source: &Source, duration_s: f64) -> Result<Sensors, Error> {
        let mut sensors = Sensors::default();
        for (slot, (name, table)) in sensors.errors.iter_mut().zip(self.channels()) {
            if let Some(table) = table {
                *slot = table.check(source, name)?;
            }
        }
        for wire in &self.broken_wire {
            let wire = wire.get_ref();
            sensors.broken_wires.push(BrokenWire {
                channel: wire.channel,
                at_s: source.number("sensors.broken_wire.at_s", &wire.at_s, 0.0..=duration_s, "s")?,
                pickup: source.number("sensors.broken_wire.pickup", &wire.pickup, 0.0..=1.0, "(part)")?,
            });
        }
        sensors.broken_wires.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        Ok(sensors)
    }
}

impl SensorTable {
    fn fields(&self) -> [(&'static str, Option<&Spanned<f64>>); 5] {
        [
            ("gain_percent", self.gain_percent.as_ref()),
            ("angle_deg", self.angle_deg.as_ref()),
            ("noise_percent", self.noise_percent.as_ref()),
            ("offset_percent", self.offset_percent.as_ref()),
            ("clip_pu", self.clip_pu.as_ref()),
        ]
    }

    fn installed(&self) -> Fields<'_> {
        Fields {
            kind: self.kind.as_ref(),
            ratio: self.ratio.as_ref(),
            phase_deg: self.phase_deg.as_ref(),
            burden_ohm: self.burden_ohm.as_ref(),
            clip: self.clip.as_ref(),
        }
    }

    fn check(&self, source: &Source, name: &str) -> Result<SensorError, Error> {
        let number = |field: &str, value: &Option<Spanned<f64>>, range, unit| {
            source.number_or(&format!("{name}.{field}"), value.as_ref(), 0.0, range, unit)
        };
        Ok(SensorError {
            gain_percent: number("gain_percent", &self.gain_percent, -300.0..=300.0, "%")?,
            angle_deg: number("angle_deg", &self.angle_deg, -30.0..=30.0, "degrees")?,
            noise_percent: number("noise_percent", &self.noise_percent, 0.0..=20.0, "%")?,
            offset_percent: number("offset_percent", &self.offset_percent, -50.0..=50.0, "%")?,
            clip_pu: self
                .clip_pu
                .as_ref()
                .map(|clip| source.number(&format!("{name}.clip_pu"), clip, 0.1..=100.0, "pu"))
                .transpose()?,
        })
    }
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ChannelsTable {
    #[serde(rename = "A")]
    a: Option<String>,
    #[serde(rename = "B")]
    b: Option<String>,
    #[serde(rename = "C")]
    c: Option<String>,
    #[serde(rename = "N")]
    n: Option<String>,
    contact: Option<String>,
}

impl ChannelsTable {
    pub fn names(self) -> ChannelNames {
        ChannelNames { voltage: [self.a, self.b, self.c], neutral: self.n, contact: self.contact }
    }
}
