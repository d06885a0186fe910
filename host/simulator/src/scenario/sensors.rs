//! `[sensors]` and `[channels]`: what is measured, where, and how wrong it is.

use serde::Deserialize;
use toml::Spanned;
use wyelog_protocol::bank::Location;

use super::bank::Bank;
use super::check::Source;
use super::class::ClassTable;
use super::error::Error;
use super::installed::{Fields, InstalledSensor, Place, SensorKind};
use super::phases::{Channel, Phase, Phases};
use super::simulated::{BrokenWireTable, SecondPathTable, SensorError, Sensors};
use crate::comtrade::ChannelNames;

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SensorsTable {
    location: Option<Spanned<Place>>,
    control_power: Option<Phase>,
    #[serde(default)]
    pub class: ClassTable,
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
    #[serde(default)]
    second_path: Vec<Spanned<SecondPathTable>>,
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
    slope_deg_per_order: Option<Spanned<f64>>,
    harmonic_ratio_percent: Option<Spanned<f64>>,
    third_percent: Option<Spanned<f64>>,
    third_angle_deg: Option<Spanned<f64>>,
    stray_percent: Option<Spanned<f64>>,
    stray_angle_deg: Option<Spanned<f64>>,
    stray_third_percent: Option<Spanned<f64>>,
    stray_third_angle_deg: Option<Spanned<f64>>,
    kind: Option<Spanned<SensorKind>>,
    ratio: Option<Spanned<toml::Value>>,
    phase_deg: Option<Spanned<f64>>,
    burden_ohm: Option<Spanned<f64>>,
    clip: Option<Spanned<f64>>,
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
        let [a, b, c, _] = self.channels().map(|(_, table)| table?.present.as_ref());
        let present = [a, b, c].map(|stated| stated.is_none_or(|stated| *stated.get_ref()));
        if let Some(stated) = a.filter(|_| present == [false; 3]) {
            let must = "one voltage sensor must be there at least";
            return Err(source.wrong(stated, "sensors.A.present", must));
        }
        Ok(present)
    }

    /// Refuses what a scenario cannot simulate or has no use for.
    pub fn only_simulated(&self, source: &Source) -> Result<(), Error> {
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
        source.unused("sensors.second_path", self.second_path.first(), reason)?;
        if let Some(stated) =
            self.n.as_ref().and_then(|table| table.present.as_ref()).filter(|stated| !stated.get_ref())
        {
            let must = "must be there: without the neutral current nothing can be said of the bank";
            return Err(source.wrong(stated, "sensors.N.present", must));
        }
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
        let mut sensors = Sensors { location: self.locations(source)?, ..Sensors::default() };
        for ((channel, (name, table)), (error, present)) in Channel::ALL
            .into_iter()
            .zip(self.channels())
            .zip(sensors.errors.iter_mut().zip(&mut sensors.present))
        {
            if let Some(table) = table {
                *error = table.check(source, name, channel)?;
                *present = table.present.as_ref().is_none_or(|present| *present.get_ref());
            }
        }
        let wires = self.broken_wire.iter().map(|wire| wire.get_ref().check(source, duration_s));
        sensors.broken_wires = wires.collect::<Result<_, _>>()?;
        sensors.broken_wires.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let paths = self.second_path.iter().map(|path| path.get_ref().check(source, duration_s));
        sensors.second_paths = paths.collect::<Result<_, _>>()?;
        sensors.second_paths.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        Ok(sensors)
    }
}

impl SensorTable {
    fn fields(&self) -> [(&'static str, Option<&Spanned<f64>>); 13] {
        [
            ("gain_percent", self.gain_percent.as_ref()),
            ("angle_deg", self.angle_deg.as_ref()),
            ("noise_percent", self.noise_percent.as_ref()),
            ("offset_percent", self.offset_percent.as_ref()),
            ("clip_pu", self.clip_pu.as_ref()),
            ("slope_deg_per_order", self.slope_deg_per_order.as_ref()),
            ("harmonic_ratio_percent", self.harmonic_ratio_percent.as_ref()),
            ("third_percent", self.third_percent.as_ref()),
            ("third_angle_deg", self.third_angle_deg.as_ref()),
            ("stray_percent", self.stray_percent.as_ref()),
            ("stray_angle_deg", self.stray_angle_deg.as_ref()),
            ("stray_third_percent", self.stray_third_percent.as_ref()),
            ("stray_third_angle_deg", self.stray_third_angle_deg.as_ref()),
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

    fn check(&self, source: &Source, name: &str, channel: Channel) -> Result<SensorError, Error> {
        if channel != Channel::N {
            let stray = self.fields().into_iter().find_map(|(field, value)| {
                value.filter(|_| field.starts_with("stray")).map(|value| (field, value))
            });
            if let Some((field, value)) = stray {
                let what = format!("{name}.{field}: belongs to the neutral current, sensors.N");
                return Err(source.at(value.span().start, what));
            }
        }
        let number = |field: &str, value: &Option<Spanned<f64>>, range, unit| {
            source.number_or(&format!("{name}.{field}"), value.as_ref(), 0.0, range, unit)
        };
        let turn =
            |field: &str, value: &Option<Spanned<f64>>| number(field, value, -360.0..=360.0, "degrees");
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
            slope_deg_per_order: number(
                "slope_deg_per_order",
                &self.slope_deg_per_order,
                -5.0..=5.0,
                "degrees",
            )?,
            harmonic_ratio_percent: number(
                "harmonic_ratio_percent",
                &self.harmonic_ratio_percent,
                -50.0..=50.0,
                "%",
            )?,
            third: (
                number("third_percent", &self.third_percent, 0.0..=10.0, "%")?,
                turn("third_angle_deg", &self.third_angle_deg)?,
            ),
            stray: (
                number("stray_percent", &self.stray_percent, 0.0..=50.0, "%")?,
                turn("stray_angle_deg", &self.stray_angle_deg)?,
            ),
            stray_third: (
                number("stray_third_percent", &self.stray_third_percent, 0.0..=50.0, "%")?,
                turn("stray_third_angle_deg", &self.stray_third_angle_deg)?,
            ),
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
