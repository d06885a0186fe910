//! `[[bank.event]]`: what happens to a simulated bank.

use serde::Deserialize;
use toml::Spanned;

use super::bank::Bank;
use super::check::Source;
use super::error::Error;
use super::phases::{Phase, Phases};

/// Something that happens to the bank. A fault at time 0 was there before the scenario.
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
    /// Series sections of a unit of `phase` fail to a short: its capacitance grows.
    ElementShort {
        /// In which phase.
        phase: Phase,
        /// By this part of the rated capacitance of the phase.
        gain: f64,
    },
    /// A loose contact at the cutout of `phase` parts at the next zero of its current and makes again.
    DropsOut {
        /// Which phase.
        phase: Phase,
        /// For so long, in s.
        duration_s: f64,
    },
    /// Fuses, units and contacts of `phases` are as new; the capacitors were discharged for it.
    Repaired {
        /// Which phases.
        phases: Phases,
    },
    /// The poles of `phases` part and clear at their own current zeros.
    Opens {
        /// Poles that obey.
        phases: Phases,
        /// From the command to the poles, in s.
        delay_s: f64,
        /// What comes to that for each pole and at random, and who says so.
        manner: Manner,
        /// Poles that re-ignite once.
        restrikes: Option<Phases>,
        /// From the clearing to the re-ignition, in s.
        restrike_s: f64,
    },
    /// The poles of `phases` make.
    Closes {
        /// Poles that obey.
        phases: Phases,
        /// From the command to the first pole, in s.
        delay_s: f64,
        /// What comes to that for each pole and at random, and who says so.
        manner: Manner,
    },
    /// Told to close or to open, and no pole moves.
    FailsToOperate {
        /// What was told.
        closed: bool,
    },
}

/// How an operation goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Manner {
    /// Whether the contact input shows it.
    pub told: bool,
    /// Lag of the poles A, B, C, in s.
    pub lag_s: [f64; 3],
    /// Largest random lag of a pole, in s.
    pub spread_s: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum EventWord {
    FuseBlows,
    UnitOut,
    ElementShort,
    DropsOut,
    Repaired,
    Opens,
    Closes,
    FailsToOpen,
    FailsToClose,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct EventTable {
    kind: EventWord,
    at_s: Spanned<f64>,
    phase: Option<Spanned<Phase>>,
    phases: Option<Spanned<Phases>>,
    fault_cycles: Option<Spanned<f64>>,
    count: Option<Spanned<i64>>,
    sections: Option<Spanned<i64>>,
    percent: Option<Spanned<f64>>,
    duration_s: Option<Spanned<f64>>,
    told: Option<Spanned<bool>>,
    delay_ms: Option<Spanned<f64>>,
    lag_ms: Option<Spanned<[Spanned<f64>; 3]>>,
    spread_ms: Option<Spanned<f64>>,
    restrikes: Option<Spanned<Phases>>,
    restrike_ms: Option<Spanned<f64>>,
}

impl EventTable {
    /// Refuses the fields that this kind has no use for.
    fn only_its_own(&self, source: &Source) -> Result<(), Error> {
        use EventWord::{Closes, DropsOut, ElementShort, FailsToClose, FailsToOpen, FuseBlows, Opens};
        use EventWord::{Repaired, UnitOut};
        fn at<T>(value: Option<&Spanned<T>>) -> Option<usize> {
            value.map(|value| value.span().start)
        }
        let by_poles = "an operation names its poles in `phases`, such as \"AC\"; all three unless stated";
        let by_phase = "a fault names its one phase in `phase`";
        let nothing = "nothing moves: remove it";
        let (phase, phases) = (at(self.phase.as_ref()), at(self.phases.as_ref()));
        let refused = match self.kind {
            Opens | Closes | Repaired => phase.map(|at| ("phase", at, by_poles)),
            FailsToOpen | FailsToClose => {
                phase.map(|at| ("phase", at, nothing)).or(phases.map(|at| ("phases", at, nothing)))
            }
            FuseBlows | UnitOut | ElementShort | DropsOut => phases.map(|at| ("phases", at, by_phase)),
        };
        let operations: &[EventWord] = &[Opens, Closes];
        let fields: [(&str, Option<usize>, &[EventWord], &str); 11] = [
            ("delay_ms", at(self.delay_ms.as_ref()), operations, "belongs to opens and closes"),
            ("fault_cycles", at(self.fault_cycles.as_ref()), &[FuseBlows], "belongs to fuse_blows"),
            (
                "count",
                at(self.count.as_ref()),
                &[UnitOut, ElementShort],
                "belongs to unit_out and element_short",
            ),
            ("sections", at(self.sections.as_ref()), &[ElementShort], "belongs to element_short"),
            ("percent", at(self.percent.as_ref()), &[ElementShort], "belongs to element_short"),
            ("duration_s", at(self.duration_s.as_ref()), &[DropsOut], "belongs to drops_out"),
            ("told", at(self.told.as_ref()), operations, "belongs to opens and closes"),
            ("lag_ms", at(self.lag_ms.as_ref()), operations, "belongs to opens and closes"),
            ("spread_ms", at(self.spread_ms.as_ref()), operations, "belongs to opens and closes"),
            ("restrikes", at(self.restrikes.as_ref()), &[Opens], "belongs to opens"),
            ("restrike_ms", at(self.restrike_ms.as_ref()), &[Opens], "belongs to opens"),
        ];
        let stray = fields.into_iter().find_map(|(name, at, kinds, reason)| {
            at.filter(|_| !kinds.contains(&self.kind)).map(|at| (name, at, reason))
        });
        match refused.or(stray) {
            Some((name, at, reason)) => Err(source.at(at, format!("bank.event.{name}: {reason}"))),
            None => Ok(()),
        }
    }

    pub fn check(&self, source: &Source, bank: &Bank, duration_s: f64) -> Result<BankEvent, Error> {
        let at_s = source.number("bank.event.at_s", &self.at_s, 0.0..=duration_s, "s")?;
        self.only_its_own(source)?;
        let kind = match self.kind {
            EventWord::FuseBlows => BankEventKind::FuseBlows {
                phase: self.phase(source, bank)?,
                fault_cycles: source.number_or(
                    "bank.event.fault_cycles",
                    self.fault_cycles.as_ref(),
                    0.0,
                    0.0..=100.0,
                    "cycles",
                )?,
            },
            EventWord::UnitOut => BankEventKind::UnitOut {
                phase: self.phase(source, bank)?,
                count: source.whole_or(
                    "bank.event.count",
                    self.count.as_ref(),
                    1,
                    1..=i64::from(bank.units_per_phase),
                )? as u8,
            },
            EventWord::ElementShort => BankEventKind::ElementShort {
                phase: self.phase(source, bank)?,
                gain: self.element_gain(source, bank)?,
            },
            EventWord::DropsOut => BankEventKind::DropsOut {
                phase: self.phase(source, bank)?,
                duration_s: source.number_or(
                    "bank.event.duration_s",
                    self.duration_s.as_ref(),
                    1.0,
                    0.01..=86_400.0,
                    "s",
                )?,
            },
            EventWord::Repaired => BankEventKind::Repaired { phases: self.poles() },
            EventWord::Opens => self.opens(source)?,
            EventWord::Closes => BankEventKind::Closes {
                phases: self.poles(),
                delay_s: seconds(source, "bank.event.delay_ms", self.delay_ms.as_ref(), 20.0)?,
                manner: self.manner(source, 3.0)?,
            },
            EventWord::FailsToOpen => BankEventKind::FailsToOperate { closed: false },
            EventWord::FailsToClose => BankEventKind::FailsToOperate { closed: true },
        };
        Ok(BankEvent { at_s, kind })
    }

    fn phase(&self, source: &Source, bank: &Bank) -> Result<Phase, Error> {
        let Some(phase) = &self.phase else {
            let what = "bank.event: a fault needs its `phase` (A, B or C)";
            return Err(source.at(self.at_s.span().start, what));
        };
        if !bank.phases.contains(*phase.get_ref()) {
            let quoted = Spanned::new(phase.span(), format!("\"{}\"", phase.get_ref()));
            return Err(source.wrong(
                &quoted,
                "bank.event.phase",
                format!("must be one that the bank has ({})", bank.phases),
            ));
        }
        Ok(*phase.get_ref())
    }

    fn poles(&self) -> Phases {
        self.phases.as_ref().map_or(Phases::ALL, |phases| *phases.get_ref())
    }

    fn opens(&self, source: &Source) -> Result<BankEventKind, Error> {
        let phases = self.poles();
        if let Some(stated) = &self.restrikes
            && let Some(other) = stated.get_ref().iter().find(|&phase| !phases.contains(phase))
        {
            let quoted = Spanned::new(stated.span(), format!("\"{}\"", stated.get_ref()));
            let must = format!("must be poles that open; {other} is not among `phases`");
            return Err(source.wrong(&quoted, "bank.event.restrikes", must));
        }
        // Half a cycle after its current zero a pole bears twice the crest.
        let restrike =
            source.number_or("bank.event.restrike_ms", self.restrike_ms.as_ref(), 8.0, 0.5..=20.0, "ms")?;
        Ok(BankEventKind::Opens {
            phases,
            delay_s: seconds(source, "bank.event.delay_ms", self.delay_ms.as_ref(), 20.0)?,
            manner: self.manner(source, 0.0)?,
            restrikes: self.restrikes.as_ref().map(|phases| *phases.get_ref()),
            restrike_s: restrike / 1000.0,
        })
    }

    fn manner(&self, source: &Source, spread_ms: f64) -> Result<Manner, Error> {
        let mut lag_s = [0.0; 3];
        if let Some(stated) = &self.lag_ms {
            for (slot, value) in lag_s.iter_mut().zip(stated.get_ref()) {
                *slot = seconds(source, "bank.event.lag_ms", Some(value), 0.0)?;
            }
        }
        Ok(Manner {
            told: self.told.as_ref().is_none_or(|told| *told.get_ref()),
            lag_s,
            spread_s: seconds(source, "bank.event.spread_ms", self.spread_ms.as_ref(), spread_ms)?,
        })
    }

    /// Part of the phase's rated capacitance that comes to it: as stated, or that of one of its `m` units with `count`
    /// of `sections` shorted, `(s/(s − k) − 1)/m` (IEEE C37.99).
    fn element_gain(&self, source: &Source, bank: &Bank) -> Result<f64, Error> {
        if let Some(percent) = &self.percent {
            let reason = "give `percent` or `sections` and `count`, not both";
            source.unused("bank.event.sections", self.sections.as_ref(), reason)?;
            source.unused("bank.event.count", self.count.as_ref(), reason)?;
            return Ok(source.number("bank.event.percent", percent, 0.1..=100.0, "%")? / 100.0);
        }
        let Some(sections) = &self.sections else {
            let what = "bank.event: element_short needs its `percent`, or its `sections`";
            return Err(source.at(self.at_s.span().start, what));
        };
        let total = source.whole("bank.event.sections", sections, 2..=40)?;
        let shorted = source.whole_or("bank.event.count", self.count.as_ref(), 1, 1..=total - 1)?;
        Ok(shorted as f64 / (total - shorted) as f64 / f64::from(bank.units_per_phase))
    }
}

fn seconds(source: &Source, name: &str, value: Option<&Spanned<f64>>, default: f64) -> Result<f64, Error> {
    source.number_or(name, value, default, 0.0..=5_000.0, "ms").map(|ms| ms / 1000.0)
}
