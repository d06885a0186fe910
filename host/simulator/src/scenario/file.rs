//! The two files as a whole: a scenario, and a bank file.

use std::path::Path;

use serde::Deserialize;
use toml::Spanned;
use wyelog_protocol::bank::{self, Limits, Location, SensorClass, Settings, VoltageSensor};
use wyelog_protocol::condition;
use wyelog_protocol::quantity::{Current, Voltage};

use super::air::{Air, AirTable};
use super::bank::{Bank, BankTable, SimulatedBank};
use super::check::Source;
use super::commissioning::{Commissioning, CommissioningTable};
use super::error::Error;
use super::feeder::{Feeder, FeederTable};
use super::installed::{InstalledSensor, SensorKind};
use super::limits::LimitsTable;
use super::phases::Phases;
use super::sensors::{ChannelsTable, SensorsTable};
use super::simulated::Sensors;
use super::told::ToldTable;
use crate::civil::Civil;
use crate::comtrade::{ChannelNames, Corrections};

/// A scenario: a feeder, a bank, its sensors, and what happens.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// Name.
    pub name: String,
    /// Seed of everything random in it.
    pub seed: u64,
    /// Length, in s.
    pub duration_s: f64,
    /// UTC at its start, in s since 1970.
    pub start_utc_s: i64,
    /// The feeder.
    pub feeder: Feeder,
    /// The bank.
    pub bank: SimulatedBank,
    /// The sensors.
    pub sensors: Sensors,
    /// Whether the contact input is wired.
    pub has_contact: bool,
    /// Temperature of the air; `None`: the capacitors are as at 25 °C.
    pub air: Option<Air>,
    /// The nameplate as the logger is told it, which may be wrong.
    pub told_nameplate: Bank,
    /// What the logger is told besides the nameplate.
    pub told: Told,
    /// What it is told of its baseline while it runs, in order.
    pub commissioning: Vec<Commissioning>,
}

/// What the logger is told besides the nameplate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Told {
    /// Where the voltage sensors of A, B, C sit.
    pub location: [Location; 3],
    /// Which of them are there.
    pub present: [bool; 3],
    /// The phase that feeds the controls; empty when it is not known.
    pub control_power: condition::Phases,
    /// How wrong they may be.
    pub class: SensorClass,
    /// When a value becomes a condition.
    pub limits: Limits,
    /// Length of an interval record, in s.
    pub interval_s: u16,
}

/// A bank file: what the logger is told about a bank whose signals come from elsewhere.
#[derive(Debug, Clone, PartialEq)]
pub struct BankFile {
    /// The nameplate.
    pub bank: Bank,
    /// What the logger is told besides.
    pub told: Told,
    /// The sensors of A, B, C and the neutral current.
    pub sensors: [InstalledSensor; 4],
    /// Names of the channels in a record, where its phases and units do not tell; `none` for sensors that are not there.
    pub channels: ChannelNames,
    /// Whether a contact input is wired, if the file says so.
    pub contact: Option<bool>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct ScenarioTable {
    name: String,
    seed: Option<Spanned<i64>>,
    duration_s: Spanned<f64>,
    start_utc: Option<Spanned<String>>,
    interval_s: Option<Spanned<i64>>,
    feeder: FeederTable,
    bank: BankTable,
    #[serde(default)]
    sensors: SensorsTable,
    #[serde(default)]
    contact: ContactTable,
    air: Option<AirTable>,
    #[serde(default)]
    told: ToldTable,
    #[serde(default)]
    commissioning: Vec<CommissioningTable>,
    #[serde(default)]
    limits: LimitsTable,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct ContactTable {
    present: Option<bool>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct BankFileTable {
    interval_s: Option<Spanned<i64>>,
    bank: BankTable,
    #[serde(default)]
    sensors: SensorsTable,
    #[serde(default)]
    limits: LimitsTable,
    #[serde(default)]
    channels: ChannelsTable,
    #[serde(default)]
    contact: ContactTable,
}

/// Word for a channel that is not to be taken.
const NONE: &str = "none";

/// Sixty days.
const LONGEST_S: f64 = 5_184_000.0;

impl Scenario {
    /// Reads a scenario file.
    pub fn read(path: &Path) -> Result<Self, Error> {
        Self::parse(&path.display().to_string(), &text(path)?)
    }

    /// Reads a scenario from its text; `file` names it in messages.
    pub fn parse(file: &str, text: &str) -> Result<Self, Error> {
        let source = Source { file, text };
        let table: ScenarioTable = source.table()?;
        let duration_s = source.number("duration_s", &table.duration_s, 0.1..=LONGEST_S, "s")?;
        let feeder = table.feeder.check(&source, duration_s)?;
        let bank = table.bank.simulated(&source, feeder.frequency_hz, duration_s)?;
        table.sensors.only_simulated(&source)?;
        table.feeder.check_against(&source, &feeder, &bank.nameplate)?;
        let mut sensors = table.sensors.check(&source, duration_s)?;
        let mut told = told(&source, &table.sensors, &table.limits, table.interval_s.as_ref())?;
        let told_nameplate =
            table.told.check(&source, &bank.nameplate, &mut told.location, &mut sensors.wiring)?;
        let said = table.commissioning.iter().map(|said| said.check(&source, duration_s));
        let mut commissioning = said.collect::<Result<Vec<_>, _>>()?;
        commissioning.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        Ok(Self {
            name: table.name,
            seed: source.whole_or("seed", table.seed.as_ref(), 1, 0..=i64::MAX)?.unsigned_abs(),
            duration_s,
            start_utc_s: match &table.start_utc {
                // 2030-01-01T00:00:00Z.
                None => 1_893_456_000,
                Some(stated) => utc(&source, stated)?,
            },
            feeder,
            bank,
            sensors,
            has_contact: table.contact.present.unwrap_or(true),
            air: table.air.as_ref().map(|air| air.check(&source)).transpose()?,
            told_nameplate,
            told,
            commissioning,
        })
    }

    /// What the logger of this bank is told.
    pub fn settings(&self) -> Settings {
        let kinds = self.told.present.map(|present| kind(present, None));
        let mut settings = settings(&self.told_nameplate, &self.told, kinds, [None; 4]);
        settings.sensors.has_contact = self.has_contact;
        settings
    }
}

impl BankFile {
    /// Reads a bank file.
    pub fn read(path: &Path) -> Result<Self, Error> {
        Self::parse(&path.display().to_string(), &text(path)?)
    }

    /// Reads a bank file from its text; `file` names it in messages.
    pub fn parse(file: &str, text: &str) -> Result<Self, Error> {
        let source = Source { file, text };
        let table: BankFileTable = source.table()?;
        table.bank.only_nameplate(&source)?;
        let bank = table.bank.nameplate(&source, None)?;
        let told = told(&source, &table.sensors, &table.limits, table.interval_s.as_ref())?;
        let mut channels = table.channels.names();
        for (name, present) in channels.voltage.iter_mut().zip(told.present) {
            if !present {
                *name = Some(NONE.to_owned());
            }
        }
        let named = channels.contact.as_ref().map(|name| name != NONE);
        Ok(Self {
            sensors: table.sensors.installed(&source, &bank)?,
            bank,
            told,
            channels,
            contact: table.contact.present.or(named),
        })
    }

    /// What the logger of this bank is told. A record of the bank may have a contact that the file does not know of:
    /// [`crate::tape::from_signals`] adds it.
    pub fn settings(&self) -> Settings {
        let [a, b, c, _] = self.sensors.map(|sensor| sensor.kind);
        let [has_a, has_b, has_c] = self.told.present;
        let kinds = [kind(has_a, a), kind(has_b, b), kind(has_c, c)];
        let mut settings = settings(&self.bank, &self.told, kinds, self.sensors.map(|sensor| sensor.clip));
        settings.sensors.has_contact = self.contact == Some(true);
        settings
    }

    /// What the sensors' papers put right in a record of them.
    pub fn corrections(&self) -> Corrections {
        let degrees_per_s = 360.0 * f64::from(self.bank.frequency.hz());
        Corrections {
            lead_s: self.sensors.map(|sensor| sensor.phase_deg / degrees_per_s),
            ratio: self.sensors.map(|sensor| sensor.ratio),
        }
    }
}

fn text(path: &Path) -> Result<String, Error> {
    let bytes = std::fs::read(path).map_err(|source| Error::File { path: path.to_owned(), source })?;
    String::from_utf8(bytes).map_err(|error| {
        let offset = error.utf8_error().valid_up_to();
        Error::NoText { path: path.to_owned(), offset }
    })
}

fn told(
    source: &Source,
    sensors: &SensorsTable,
    limits: &LimitsTable,
    interval_s: Option<&Spanned<i64>>,
) -> Result<Told, Error> {
    let seconds = source.whole_or("interval_s", interval_s, 60, 10..=3600)?;
    if let Some(stated) = interval_s.filter(|_| 3600 % seconds != 0) {
        return Err(source.wrong(stated, "interval_s", "must divide an hour (3600 s)"));
    }
    Ok(Told {
        location: sensors.locations(source)?,
        present: sensors.present(source)?,
        control_power: sensors.control_power().map_or(condition::Phases::NONE, Phases::wire),
        class: sensors.class.check(source)?,
        limits: limits.check(source)?,
        interval_s: seconds as u16,
    })
}

/// Seconds since 1970 of a UTC time such as `2030-01-01T00:00:00Z`.
fn utc(source: &Source, stated: &Spanned<String>) -> Result<i64, Error> {
    let parsed = stated.get_ref().parse::<toml::value::Datetime>().ok();
    let seconds = parsed.and_then(|time| {
        let (date, clock) = (time.date?, time.time?);
        let is_utc =
            matches!(time.offset?, toml::value::Offset::Z | toml::value::Offset::Custom { minutes: 0 });
        let civil = Civil {
            year: i64::from(date.year),
            month: i64::from(date.month),
            day: i64::from(date.day),
            hour: i64::from(clock.hour),
            minute: i64::from(clock.minute),
            second: i64::from(clock.second.unwrap_or(0)),
        };
        civil.unix_seconds().filter(|&seconds| is_utc && seconds >= 0)
    });
    seconds.ok_or_else(|| {
        let quoted = Spanned::new(stated.span(), format!("\"{}\"", stated.get_ref()));
        source.wrong(
            &quoted,
            "start_utc",
            "must be a UTC time from 1970 on, such as \"2030-01-01T00:00:00Z\"",
        )
    })
}

/// Full scale of a voltage channel, in crests of the rated line-to-neutral voltage, unless the sensor clips elsewhere.
const VOLTAGE_CRESTS: f64 = 2.5;
/// Full scale of the neutral channel, in crests of the rated current: fault current of a failed unit clips.
const NEUTRAL_CRESTS: f64 = 20.0;

/// How a voltage sensor works, as the logger is told it.
const fn kind(is_present: bool, stated: Option<SensorKind>) -> bank::SensorKind {
    match (is_present, stated) {
        (false, _) => bank::SensorKind::Absent,
        (true, Some(SensorKind::Transformer)) => bank::SensorKind::Transformer,
        (true, _) => bank::SensorKind::Divider,
    }
}

fn settings(nameplate: &Bank, told: &Told, kinds: [bank::SensorKind; 3], clip: [Option<f64>; 4]) -> Settings {
    let crest = libm::sqrt(2.0);
    let [clip_a, clip_b, clip_c, clip_n] = clip;
    let [place_a, place_b, place_c] = told.location;
    let [kind_a, kind_b, kind_c] = kinds;
    let sensor = |kind, location, clip: Option<f64>| {
        let volts = clip.unwrap_or(VOLTAGE_CRESTS * crest * nameplate.system_volts());
        VoltageSensor { kind, ..VoltageSensor::new(location, Voltage::quantise(volts as f32)) }
    };
    let voltage =
        [sensor(kind_a, place_a, clip_a), sensor(kind_b, place_b, clip_b), sensor(kind_c, place_c, clip_c)];
    let amps = clip_n.unwrap_or(NEUTRAL_CRESTS * crest * nameplate.rated_amps());
    Settings {
        nameplate: nameplate.nameplate(),
        sensors: bank::Sensors {
            control_power: told.control_power,
            class: told.class,
            ..bank::Sensors::new(voltage, Current::quantise(amps as f32))
        },
        limits: told.limits,
        interval_s: told.interval_s,
    }
}
