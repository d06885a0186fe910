//! `[[feeder.event]]`: what happens on the feeder.

use serde::Deserialize;
use toml::Spanned;

use super::check::Source;
use super::error::Error;
use super::phases::{Phase, Phases};

/// Something that happens on the feeder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FeederEvent {
    /// Start, in s.
    pub at_s: f64,
    /// Length, in s; infinite for what stays so.
    pub duration_s: f64,
    /// What happens.
    pub kind: FeederEventKind,
}

/// What happens on the feeder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FeederEventKind {
    /// The source is gone, in all phases.
    Interruption,
    /// The source is gone, in all phases, and then comes back within `ramp_s`, evenly.
    Outage {
        /// How long the return takes after the event's end, in s; 0: at once.
        ramp_s: f64,
    },
    /// The source falls by `depth` (0…1) in `phases`.
    Sag {
        /// Phases that fall.
        phases: Phases,
        /// Part of the voltage that is lost.
        depth: f64,
    },
    /// The source rises by `rise` (0…1) in `phases`.
    Swell {
        /// Phases that rise.
        phases: Phases,
        /// Part of the voltage that is gained.
        rise: f64,
    },
    /// An earth fault elsewhere on the feeder: its phase falls by `depth`, the star of the other two moves away
    /// from it by `shift`.
    GroundFaultElsewhere {
        /// The faulted phase.
        phase: Phase,
        /// Part of its voltage that is lost.
        depth: f64,
        /// Shift of the others, per unit of the faulted phase's voltage.
        shift: f64,
    },
    /// A load comes or goes: the fundamental moves in size and angle.
    LoadStep {
        /// Phases that it concerns.
        phases: Phases,
        /// Size after over size before.
        factor: f64,
        /// How far it turns, in degrees.
        angle_deg: f64,
    },
    /// A regulator upstream changes its tap, in `phases`.
    RegulatorStep {
        /// Phases of which the tap moves.
        phases: Phases,
        /// Voltage after over voltage before.
        factor: f64,
    },
    /// A phase opens upstream and is fed back through the loads of the others.
    SinglePhasing {
        /// The open phase.
        phase: Phase,
        /// Its voltage over the one it had.
        size: f64,
        /// How far it is turned from where it was, in degrees.
        angle_deg: f64,
        /// Its third harmonic and its fifth over its fundamental.
        third_and_fifth: (f64, f64),
    },
}

/// A tap of a step-voltage regulator: 10 % in 16 steps.
const REGULATOR_STEP: f64 = 0.006_25;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum EventWord {
    Interruption,
    Outage,
    Reclose,
    Sag,
    Swell,
    GroundFaultElsewhere,
    LoadStep,
    RegulatorStep,
    SinglePhasing,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct EventTable {
    kind: EventWord,
    at_s: Spanned<f64>,
    duration_s: Option<Spanned<f64>>,
    phases: Option<Spanned<Phases>>,
    phase: Option<Spanned<Phase>>,
    depth_percent: Option<Spanned<f64>>,
    shift_percent: Option<Spanned<f64>>,
    rise_percent: Option<Spanned<f64>>,
    ramp_s: Option<Spanned<f64>>,
    dead_s: Option<Spanned<Vec<Spanned<f64>>>>,
    live_s: Option<Spanned<f64>>,
    fault_s: Option<Spanned<f64>>,
    percent: Option<Spanned<f64>>,
    steps: Option<Spanned<i64>>,
    size_pu: Option<Spanned<f64>>,
    angle_deg: Option<Spanned<f64>>,
    third_percent: Option<Spanned<f64>>,
    fifth_percent: Option<Spanned<f64>>,
}

impl EventTable {
    /// Refuses the fields that this kind has no use for.
    fn only_its_own(&self, source: &Source) -> Result<(), Error> {
        use EventWord::{GroundFaultElsewhere, Interruption, LoadStep, Outage, Reclose, RegulatorStep, Sag};
        use EventWord::{SinglePhasing, Swell};
        fn at<T>(value: Option<&Spanned<T>>) -> Option<usize> {
            value.map(|value| value.span().start)
        }
        let whole = "takes all phases away wholly; use a sag for less";
        let by_phases = "names its phases in `phases`, such as \"B\" or \"AC\"";
        let by_phase = "names its one phase in `phase`";
        let refused = match self.kind {
            Interruption | Outage => [
                ("phase", at(self.phase.as_ref())),
                ("phases", at(self.phases.as_ref())),
                ("depth_percent", at(self.depth_percent.as_ref())),
            ]
            .into_iter()
            .find_map(|(name, at)| Some((name, at?, whole))),
            Sag | Swell | LoadStep | RegulatorStep | Reclose => {
                at(self.phase.as_ref()).map(|at| ("phase", at, by_phases))
            }
            GroundFaultElsewhere | SinglePhasing => {
                at(self.phases.as_ref()).map(|at| ("phases", at, by_phase))
            }
        };
        let fields: [(&str, Option<usize>, &[EventWord], &str); 13] = [
            (
                "depth_percent",
                at(self.depth_percent.as_ref()),
                &[Sag, GroundFaultElsewhere, Reclose],
                "belongs to a sag, an earth fault and a reclose",
            ),
            (
                "shift_percent",
                at(self.shift_percent.as_ref()),
                &[GroundFaultElsewhere],
                "belongs to an earth fault",
            ),
            ("rise_percent", at(self.rise_percent.as_ref()), &[Swell], "belongs to a swell"),
            ("ramp_s", at(self.ramp_s.as_ref()), &[Outage], "belongs to an outage"),
            ("dead_s", at(self.dead_s.as_ref()), &[Reclose], "belongs to a reclose"),
            ("live_s", at(self.live_s.as_ref()), &[Reclose], "belongs to a reclose"),
            ("fault_s", at(self.fault_s.as_ref()), &[Reclose], "belongs to a reclose"),
            ("percent", at(self.percent.as_ref()), &[LoadStep], "belongs to a load_step"),
            ("steps", at(self.steps.as_ref()), &[RegulatorStep], "belongs to a regulator_step"),
            ("size_pu", at(self.size_pu.as_ref()), &[SinglePhasing], "belongs to single_phasing"),
            (
                "angle_deg",
                at(self.angle_deg.as_ref()),
                &[LoadStep, SinglePhasing],
                "belongs to a load_step and to single_phasing",
            ),
            ("third_percent", at(self.third_percent.as_ref()), &[SinglePhasing], "belongs to single_phasing"),
            ("fifth_percent", at(self.fifth_percent.as_ref()), &[SinglePhasing], "belongs to single_phasing"),
        ];
        let stray = fields.into_iter().find_map(|(name, at, kinds, reason)| {
            at.filter(|_| !kinds.contains(&self.kind)).map(|at| (name, at, reason))
        });
        match refused.or(stray) {
            Some((name, at, reason)) => Err(source.at(at, format!("feeder.event.{name}: {reason}"))),
            None => Ok(()),
        }
    }

    /// The event; a reclose is a sag and an interruption for each of its dead times.
    pub fn check(&self, source: &Source, scenario_s: f64) -> Result<Vec<FeederEvent>, Error> {
        let at_s = source.number("feeder.event.at_s", &self.at_s, 0.0..=scenario_s, "s")?;
        self.only_its_own(source)?;
        let percent = |name: &str, value: &Option<Spanned<f64>>, default, range| {
            let name = format!("feeder.event.{name}");
            source.number_or(&name, value.as_ref(), default, range, "%").map(|percent| percent / 100.0)
        };
        let phases = self.phases.as_ref().map_or(Phases::ALL, |phases| *phases.get_ref());
        let one = |kind| Ok(vec![FeederEvent { at_s, duration_s: self.duration(source)?, kind }]);
        match self.kind {
            EventWord::Interruption => one(FeederEventKind::Interruption),
            EventWord::Outage => one(FeederEventKind::Outage {
                ramp_s: source.number_or(
                    "feeder.event.ramp_s",
                    self.ramp_s.as_ref(),
                    0.0,
                    0.0..=600.0,
                    "s",
                )?,
            }),
            EventWord::Sag => one(FeederEventKind::Sag {
                phases,
                depth: percent("depth_percent", &self.depth_percent, 30.0, 0.0..=100.0)?,
            }),
            EventWord::Swell => one(FeederEventKind::Swell {
                phases,
                rise: percent("rise_percent", &self.rise_percent, 20.0, 0.0..=100.0)?,
            }),
            EventWord::GroundFaultElsewhere => one(FeederEventKind::GroundFaultElsewhere {
                phase: self.phase(source, "an earth fault")?,
                depth: percent("depth_percent", &self.depth_percent, 50.0, 0.0..=100.0)?,
                shift: percent("shift_percent", &self.shift_percent, 15.0, 0.0..=100.0)?,
            }),
            EventWord::LoadStep => one(FeederEventKind::LoadStep {
                phases,
                factor: 1.0 + percent("percent", &self.percent, -1.0, -20.0..=20.0)?,
                angle_deg: self.angle(source, 0.0, 30.0)?,
            }),
            EventWord::RegulatorStep => {
                let steps = source.whole_or("feeder.event.steps", self.steps.as_ref(), 1, -32..=32)?;
                one(FeederEventKind::RegulatorStep { phases, factor: 1.0 + REGULATOR_STEP * steps as f64 })
            }
            EventWord::SinglePhasing => one(FeederEventKind::SinglePhasing {
                phase: self.phase(source, "single phasing")?,
                size: source.number_or(
                    "feeder.event.size_pu",
                    self.size_pu.as_ref(),
                    0.5,
                    0.05..=0.95,
                    "pu",
                )?,
                angle_deg: self.angle(source, 150.0, 360.0)?,
                third_and_fifth: (
                    percent("third_percent", &self.third_percent, 8.0, 0.0..=50.0)?,
                    percent("fifth_percent", &self.fifth_percent, 5.0, 0.0..=50.0)?,
                ),
            }),
            EventWord::Reclose => self.reclose(source, at_s, phases),
        }
    }

    fn angle(&self, source: &Source, default: f64, high: f64) -> Result<f64, Error> {
        source.number_or("feeder.event.angle_deg", self.angle_deg.as_ref(), default, -high..=high, "degrees")
    }

    fn phase(&self, source: &Source, what: &str) -> Result<Phase, Error> {
        let missing = || {
            source.at(self.at_s.span().start, format!("feeder.event: {what} needs its `phase` (A, B or C)"))
        };
        self.phase.as_ref().map(|phase| *phase.get_ref()).ok_or_else(missing)
    }

    /// How long it lasts. Steps of a load or a regulator and single phasing stay unless stated.
    fn duration(&self, source: &Source) -> Result<f64, Error> {
        let stays =
            matches!(self.kind, EventWord::LoadStep | EventWord::RegulatorStep | EventWord::SinglePhasing);
        match &self.duration_s {
            Some(duration) => source.number("feeder.event.duration_s", duration, 0.001..=86_400.0, "s"),
            None if stays => Ok(f64::INFINITY),
            None => Err(source.at(self.at_s.span().start, "feeder.event: missing field `duration_s`")),
        }
    }

    /// A fault, seen as a sag for `fault_s`, then dead; live for `live_s` before the fault shows again, and so on;
    /// after the last dead time it is gone.
    fn reclose(&self, source: &Source, at_s: f64, phases: Phases) -> Result<Vec<FeederEvent>, Error> {
        source.unused(
            "feeder.event.duration_s",
            self.duration_s.as_ref(),
            "a reclose lasts as its `dead_s` say",
        )?;
        let Some(dead_s) = self.dead_s.as_ref().filter(|dead_s| (1..=4).contains(&dead_s.get_ref().len()))
        else {
            let what =
                "feeder.event: a reclose needs its dead times `dead_s`, one to four, such as [0.5, 15]";
            let at = self.dead_s.as_ref().map_or(self.at_s.span().start, |dead_s| dead_s.span().start);
            return Err(source.at(at, what));
        };
        let depth = self.depth_percent.as_ref();
        let depth = source.number_or("feeder.event.depth_percent", depth, 50.0, 0.0..=100.0, "%")? / 100.0;
        let fault_s =
            source.number_or("feeder.event.fault_s", self.fault_s.as_ref(), 0.1, 0.01..=10.0, "s")?;
        let live_s = source.number_or("feeder.event.live_s", self.live_s.as_ref(), 0.0, 0.0..=60.0, "s")?;
        let mut events = Vec::new();
        let mut begin_s = at_s;
        for dead in dead_s.get_ref() {
            let dead_s = source.number("feeder.event.dead_s", dead, 0.05..=600.0, "s")?;
            let sag = FeederEventKind::Sag { phases, depth };
            events.push(FeederEvent { at_s: begin_s, duration_s: fault_s, kind: sag });
            let kind = FeederEventKind::Interruption;
            events.push(FeederEvent { at_s: begin_s + fault_s, duration_s: dead_s, kind });
            begin_s += fault_s + dead_s + live_s;
        }
        Ok(events)
    }
}

impl FeederEvent {
    /// When it is over, in s, the return of an outage included.
    pub fn end_s(&self) -> f64 {
        let ramp_s = if let FeederEventKind::Outage { ramp_s } = self.kind { ramp_s } else { 0.0 };
        self.at_s + self.duration_s + ramp_s
    }

    /// Whether it is a matter of the steady state alone, with no transient worth the name.
    pub fn is_gentle(&self) -> bool {
        matches!(self.kind, FeederEventKind::LoadStep { .. } | FeederEventKind::RegulatorStep { .. })
    }
}
