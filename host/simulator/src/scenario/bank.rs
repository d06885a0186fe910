//! `[bank]`: the nameplate, shared by scenarios and bank files, and what happens to a simulated bank.

use serde::Deserialize;
use toml::Spanned;
use wyelog_protocol::bank::{Nameplate, RatedFrequency};
use wyelog_protocol::quantity::{ReactivePower, Voltage};

use super::bank_event::{BankEvent, EventTable};
use super::check::Source;
use super::error::Error;
use super::phases::Phases;
use super::shape::{self, Built, FusingWord, SwitchingWord};

/// Ratings of a bank.
#[derive(Debug, Clone, PartialEq)]
pub struct Bank {
    /// Name, at most 32 bytes.
    pub name: String,
    /// Phases that it has: all three, or those of a single-phase or two-phase bank.
    pub phases: Phases,
    /// Rated reactive power of its phases together at the units' voltage, in kvar.
    pub rated_kvar: f64,
    /// Rated line-to-line voltage of the system, in kV.
    pub rated_kv_ll: f64,
    /// Rated voltage of the units, line to neutral, in kV.
    pub unit_kv: f64,
    /// Rated frequency.
    pub frequency: RatedFrequency,
    /// Equal units in parallel in each phase.
    pub units_per_phase: u8,
    /// How it is built beyond that.
    pub built: Built,
}

/// A bank that hangs on a simulated feeder.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedBank {
    /// What its nameplate says.
    pub nameplate: Bank,
    /// Deviation of the capacitance of A, B, C from the rated one, in percent.
    pub tolerance_percent: [f64; 3],
    /// Change of the capacitance from that at 25 °C, in percent per °C of the air.
    pub percent_per_celsius: f64,
    /// Whether it is closed when the scenario begins.
    pub closed_at_start: bool,
    /// What happens to it, in time order.
    pub events: Vec<BankEvent>,
}

impl Bank {
    /// Rated voltage of the system, line to neutral, in V.
    pub fn system_volts(&self) -> f64 {
        self.rated_kv_ll * 1000.0 / libm::sqrt(3.0)
    }

    /// Rated current of a phase at the units' own voltage and frequency, in A: `Q/V`.
    pub fn rated_amps(&self) -> f64 {
        self.rated_kvar / self.phases.count() / self.unit_kv
    }

    /// Rated capacitance of a phase in F: `Q/(2π f V²)` (IEEE C37.99).
    pub fn rated_farads(&self) -> f64 {
        let omega = core::f64::consts::TAU * f64::from(self.frequency.hz());
        self.rated_kvar / self.phases.count() / (omega * self.unit_kv * self.unit_kv * 1000.0)
    }

    /// The nameplate as the logger is told it.
    pub fn nameplate(&self) -> Nameplate {
        Nameplate {
            name: wyelog_protocol::text(&self.name),
            connection: shape::connection(self.phases),
            rated_power: ReactivePower::quantise(self.rated_kvar as f32),
            system_voltage: Voltage::quantise((self.rated_kv_ll * 1000.0) as f32),
            unit_voltage: Voltage::quantise((self.unit_kv * 1000.0) as f32),
            frequency: self.frequency,
            units_per_phase: self.units_per_phase,
            build: self.built.build(self.phases),
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct BankTable {
    name: Option<Spanned<String>>,
    connection: Spanned<String>,
    phases: Option<Spanned<Phases>>,
    rated_kvar: Spanned<f64>,
    rated_kv_ll: Spanned<f64>,
    unit_kv: Option<Spanned<f64>>,
    frequency_hz: Option<Spanned<f64>>,
    units_per_phase: Option<Spanned<i64>>,
    sections_per_unit: Option<Spanned<i64>>,
    switching: Option<SwitchingWord>,
    fusing: Option<FusingWord>,
    second_step_units: Option<Spanned<i64>>,
    tolerance_percent: Option<Spanned<[Spanned<f64>; 3]>>,
    percent_per_celsius: Option<Spanned<f64>>,
    closed_at_start: Option<Spanned<bool>>,
    #[serde(default)]
    event: Vec<Spanned<EventTable>>,
}

/// Film capacitance falls by so much (common practice, no source).
const FILM_PERCENT_PER_CELSIUS: f64 = -0.04;

impl BankTable {
    /// The nameplate. `feeder_hz` stands in for a rated frequency that is not stated.
    pub fn nameplate(&self, source: &Source, feeder_hz: Option<f64>) -> Result<Bank, Error> {
        let phases = shape::phases(source, &self.connection, self.phases.as_ref())?;
        let rated_kvar = source.number("bank.rated_kvar", &self.rated_kvar, 10.0..=20_000.0, "kvar")?;
        let rated_kv_ll = source.number("bank.rated_kv_ll", &self.rated_kv_ll, 1.0..=46.0, "kV")?;
        let system_kv = rated_kv_ll / libm::sqrt(3.0);
        let unit_kv = source.number_or("bank.unit_kv", self.unit_kv.as_ref(), system_kv, 0.4..=30.0, "kV")?;
        if let Some(unit) = self.unit_kv.as_ref().filter(|_| !(0.7..=1.5).contains(&(unit_kv / system_kv))) {
            let must = format!(
                "must be the units' line-to-neutral voltage, 0.7…1.5 times the system's {system_kv:.3} kV"
            );
            return Err(source.wrong(unit, "bank.unit_kv", must));
        }
        let frequency = match (&self.frequency_hz, feeder_hz) {
            (Some(hz), _) if *hz.get_ref() == 50.0 => RatedFrequency::Hz50,
            (Some(hz), _) if *hz.get_ref() == 60.0 => RatedFrequency::Hz60,
            (Some(hz), _) => return Err(source.wrong(hz, "bank.frequency_hz", "must be 50 or 60 Hz")),
            (None, Some(hz)) if hz < 55.0 => RatedFrequency::Hz50,
            (None, Some(_)) => RatedFrequency::Hz60,
            (None, None) => {
                let what = "bank.frequency_hz is missing: must be 50 or 60 Hz";
                return Err(source.at(self.rated_kvar.span().start, what));
            }
        };
        let units = source.whole_or("bank.units_per_phase", self.units_per_phase.as_ref(), 1, 1..=24)?;
        let name = self.name.as_ref();
        if let Some(long) = name.filter(|name| name.get_ref().len() > 32) {
            return Err(source.wrong(long, "bank.name", "must be at most 32 bytes"));
        }
        let bank = Bank {
            name: name.map_or_else(|| "bank".to_owned(), |name| name.get_ref().clone()),
            phases,
            rated_kvar,
            rated_kv_ll,
            unit_kv,
            frequency,
            units_per_phase: units as u8,
            built: self.built(source)?,
        };
        if bank.rated_amps() > 2_000.0 {
            let must =
                format!("makes {:.0} A a phase at this voltage; must be at most 2000 A", bank.rated_amps());
            return Err(source.wrong(&self.rated_kvar, "bank.rated_kvar", must));
        }
        Ok(bank)
    }

    fn built(&self, source: &Source) -> Result<Built, Error> {
        let whole = |name: &str, value: &Option<Spanned<i64>>, most| {
            source.whole_or(name, value.as_ref(), 0, 0..=most).map(|units| units as u8)
        };
        let usual = Built::default();
        Ok(Built {
            sections_per_unit: whole("bank.sections_per_unit", &self.sections_per_unit, 40)?,
            switching: self.switching.map_or(usual.switching, SwitchingWord::switching),
            fusing: self.fusing.map_or(usual.fusing, FusingWord::fusing),
            second_step_units: whole("bank.second_step_units", &self.second_step_units, 24)?,
        })
    }

    /// Refuses what only a scenario may say.
    pub fn only_nameplate(&self, source: &Source) -> Result<(), Error> {
        let reason = "belongs in a scenario, not in a bank file; remove it";
        source.unused("bank.percent_per_celsius", self.percent_per_celsius.as_ref(), reason)?;
        source.unused("bank.tolerance_percent", self.tolerance_percent.as_ref(), reason)?;
        source.unused("bank.closed_at_start", self.closed_at_start.as_ref(), reason)?;
        source.unused("bank.event", self.event.first(), reason)
    }

    pub fn simulated(
        &self,
        source: &Source,
        feeder_hz: f64,
        duration_s: f64,
    ) -> Result<SimulatedBank, Error> {
        let nameplate = self.nameplate(source, Some(feeder_hz))?;
        let mut tolerance_percent = [0.0; 3];
        if let Some(stated) = &self.tolerance_percent {
            for (slot, value) in tolerance_percent.iter_mut().zip(stated.get_ref()) {
                *slot = source.number("bank.tolerance_percent", value, -20.0..=20.0, "%")?;
            }
        }
        let check = |event: &Spanned<EventTable>| event.get_ref().check(source, &nameplate, duration_s);
        let mut events = self.event.iter().map(check).collect::<Result<Vec<_>, _>>()?;
        events.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let percent_per_celsius = source.number_or(
            "bank.percent_per_celsius",
            self.percent_per_celsius.as_ref(),
            FILM_PERCENT_PER_CELSIUS,
            -0.2..=0.2,
            "% per °C",
        )?;
        let closed_at_start = self.closed_at_start.as_ref().is_none_or(|closed| *closed.get_ref());
        Ok(SimulatedBank { nameplate, tolerance_percent, percent_per_celsius, closed_at_start, events })
    }
}
