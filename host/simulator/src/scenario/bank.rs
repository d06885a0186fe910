//! `[bank]`: the nameplate, shared by scenarios and bank files, and what happens to a simulated bank.

use serde::Deserialize;
use toml::Spanned;
use wyelog_protocol::bank::{Nameplate, RatedFrequency};
use wyelog_protocol::quantity::{ReactivePower, Voltage};

use super::check::Source;
use super::error::Error;
use super::phases::{Phase, Phases};
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
    /// Whether it is closed when the scenario begins.
    pub closed_at_start: bool,
    /// What happens to it, in time order.
    pub events: Vec<BankEvent>,
}

/// Something that happens to the bank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BankEvent {
    /// When it begins, in s.
    pub at_s: f64,
    /// What happens.
    pub kind: BankEventKind,
}

/// What happens to the bank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum BankEventKind {
    /// The fuse of `phase` clears at the next zero of its current, after `fault_cycles` of fault current.
    FuseBlows {
        /// Whose fuse.
        phase: Phase,
        /// Cycles for which the phase is shorted to the star point first.
        fault_cycles: f64,
    },
    /// `count` units of `phase` are disconnected by their own fuses.
    UnitOut {
        /// In which phase.
        phase: Phase,
        /// How many units.
        count: u8,
    },
    /// Told to open; the poles of `phases` part `delay_s` later and clear at their own current zeros.
    Opens {
        /// Poles that obey.
        phases: Phases,
        /// From the command to the poles, in s.
        delay_s: f64,
    },
    /// Told to close; the poles of `phases` make `delay_s` later, each up to `spread_s` after that.
    Closes {
        /// Poles that obey.
        phases: Phases,
        /// From the command to the first pole, in s.
        delay_s: f64,
        /// Largest random lag of a pole, in s.
        spread_s: f64,
    },
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
    closed_at_start: Option<Spanned<bool>>,
    #[serde(default)]
    event: Vec<Spanned<EventTable>>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum EventWord {
    FuseBlows,
    UnitOut,
    Opens,
    Closes,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct EventTable {
    kind: EventWord,
    at_s: Spanned<f64>,
    phase: Option<Spanned<Phase>>,
    phases: Option<Spanned<Phases>>,
    fault_cycles: Option<Spanned<f64>>,
    count: Option<Spanned<i64>>,
    delay_ms: Option<Spanned<f64>>,
    spread_ms: Option<Spanned<f64>>,
}

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
        let closed_at_start = self.closed_at_start.as_ref().is_none_or(|closed| *closed.get_ref());
        Ok(SimulatedBank { nameplate, tolerance_percent, closed_at_start, events })
    }
}

impl EventTable {
    fn check(&self, source: &Source, bank: &Bank, duration_s: f64) -> Result<BankEvent, Error> {
        let at_s = source.number("bank.event.at_s", &self.at_s, 0.0..=duration_s, "s")?;
        let is_switching = matches!(self.kind, EventWord::Opens | EventWord::Closes);
        if is_switching {
            let reason = "an operation names its poles in `phases`, such as \"AC\"; all three unless stated";
            source.unused("bank.event.phase", self.phase.as_ref(), reason)?;
        } else {
            let reason = "a fault names its one phase in `phase`";
            source.unused("bank.event.phases", self.phases.as_ref(), reason)?;
            source.unused("bank.event.delay_ms", self.delay_ms.as_ref(), "belongs to opens and closes")?;
        }
        if self.kind != EventWord::FuseBlows {
            source.unused("bank.event.fault_cycles", self.fault_cycles.as_ref(), "belongs to fuse_blows")?;
        }
        if self.kind != EventWord::UnitOut {
            source.unused("bank.event.count", self.count.as_ref(), "belongs to unit_out")?;
        }
        if self.kind != EventWord::Closes {
            source.unused("bank.event.spread_ms", self.spread_ms.as_ref(), "belongs to closes")?;
        }
        let phase = || match &self.phase {
            Some(phase) => Ok(*phase.get_ref()),
            None => {
                let what = "bank.event: a fault needs its `phase` (A, B or C)";
                Err(source.at(self.at_s.span().start, what))
            }
        };
        let phases = self.phases.as_ref().map_or(Phases::ALL, |phases| *phases.get_ref());
        let seconds = |name: &str, value: &Option<Spanned<f64>>, default| {
            source.number_or(name, value.as_ref(), default, 0.0..=5_000.0, "ms").map(|ms| ms / 1000.0)
        };
        let kind = match self.kind {
            EventWord::FuseBlows => BankEventKind::FuseBlows {
                phase: phase()?,
                fault_cycles: source.number_or(
                    "bank.event.fault_cycles",
                    self.fault_cycles.as_ref(),
                    0.0,
                    0.0..=100.0,
                    "cycles",
                )?,
            },
            EventWord::UnitOut => BankEventKind::UnitOut {
                phase: phase()?,
                count: source.whole_or(
                    "bank.event.count",
                    self.count.as_ref(),
                    1,
                    1..=i64::from(bank.units_per_phase),
                )? as u8,
            },
            EventWord::Opens => BankEventKind::Opens {
                phases,
                delay_s: seconds("bank.event.delay_ms", &self.delay_ms, 20.0)?,
            },
            EventWord::Closes => BankEventKind::Closes {
                phases,
                delay_s: seconds("bank.event.delay_ms", &self.delay_ms, 20.0)?,
                spread_s: seconds("bank.event.spread_ms", &self.spread_ms, 3.0)?,
            },
        };
        Ok(BankEvent { at_s, kind })
    }
}
