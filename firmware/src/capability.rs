//! What a bank's set of sensors, its contact input, its switch and its fuses let this logger find, and what not.

use wyelog_protocol::bank::{Fusing, Location, Settings, Switching};
use wyelog_protocol::condition::Condition;

/// How well a condition can be found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Capability {
    /// As well as it can be.
    Full,
    /// In some cases only, or mistaken for something else in others.
    Limited(Reason),
    /// Not at all.
    Unavailable(Reason),
}

/// What stands in the way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// The bank has no fuses.
    NoFuse,
    /// Each unit has a fuse of its own: one that operates takes a unit away, not the phase.
    FusedByUnit,
    /// A voltage sensor sits behind the fuse, where voltage and current go together: a blown fuse must be told from an open
    /// phase upstream by what is left.
    BehindTheFuse,
    /// The bank has one phase: without its current it looks like an open one.
    OnePhaseOnly,
    /// Phases without a voltage sensor are not seen.
    OtherPhasesUnseen,
    /// The voltage sensors sit behind the switch and see the feeder while the bank is closed only.
    OnlyWhileClosed,
    /// One voltage is missing and has to be concluded from the others.
    VoltageAssumed,
    /// Too few voltages are measured to say what the neutral current should be, to a few percent.
    TooFewVoltages,
    /// The change it makes is smaller than the least that counts.
    StepBelowLimit,
    /// A phase has one unit: to lose it is to lose the phase.
    OneUnit,
    /// A unit has one series section: when it shorts, the fuse goes.
    OneSection,
    /// No contact input tells what the switch was told.
    NoContact,
    /// The bank is not switched.
    NotSwitched,
    /// The settings do not say which phase feeds the controls.
    ControlPhaseUnknown,
    /// The phase in question has no voltage sensor.
    NoSensorThere,
}

impl Reason {
    /// Every reason.
    pub const ALL: [Self; 15] = [
        Self::NoFuse,
        Self::FusedByUnit,
        Self::BehindTheFuse,
        Self::OnePhaseOnly,
        Self::OtherPhasesUnseen,
        Self::OnlyWhileClosed,
        Self::VoltageAssumed,
        Self::TooFewVoltages,
        Self::StepBelowLimit,
        Self::OneUnit,
        Self::OneSection,
        Self::NoContact,
        Self::NotSwitched,
        Self::ControlPhaseUnknown,
        Self::NoSensorThere,
    ];

    /// Name in JSON.
    pub const fn name(self) -> &'static str {
        match self {
            Self::NoFuse => "no_fuse",
            Self::FusedByUnit => "fused_by_unit",
            Self::BehindTheFuse => "behind_the_fuse",
            Self::OnePhaseOnly => "one_phase_only",
            Self::OtherPhasesUnseen => "other_phases_unseen",
            Self::OnlyWhileClosed => "only_while_closed",
            Self::VoltageAssumed => "voltage_assumed",
            Self::TooFewVoltages => "too_few_voltages",
            Self::StepBelowLimit => "step_below_limit",
            Self::OneUnit => "one_unit",
            Self::OneSection => "one_section",
            Self::NoContact => "no_contact",
            Self::NotSwitched => "not_switched",
            Self::ControlPhaseUnknown => "control_phase_unknown",
            Self::NoSensorThere => "no_sensor_there",
        }
    }
}

/// How well `condition` can be found with these settings.
pub fn of(settings: &Settings, condition: Condition) -> Capability {
    let set = Set::of(settings);
    let worst = |limits: &[Capability]| limits.iter().copied().fold(Capability::Full, worse);
    match condition {
        Condition::BlownFuse => worst(&[set.fuse(), set.one_phase(), set.place()]),
        Condition::IntermittentPhase => worst(&[set.one_phase(), set.place()]),
        Condition::ElementShort => worst(&[set.section(), set.differences()]),
        Condition::UnitOut => worst(&[set.unit(), set.differences()]),
        Condition::NeutralSignalLost => worst(&[set.differences(), set.state()]),
        Condition::SecondNeutralPath => worst(&[set.common_part(), set.differences()]),
        Condition::SettingsMismatch => match set.differences() {
            Capability::Full => Capability::Full,
            Capability::Limited(why) | Capability::Unavailable(why) => Capability::Limited(why),
        },
        Condition::PoleFailedToOpen => worst(&[set.switch(), set.state()]),
        Condition::PhaseMissingAtClose => worst(&[set.switch(), set.one_phase()]),
        Condition::ClosedWhileCharged | Condition::Restrike | Condition::FrequentSwitching => set.switch(),
        Condition::FailedToOperate | Condition::UnexpectedOperation => worst(&[set.contact(), set.switch()]),
        Condition::EnergisedWithFeeder | Condition::CapacitorOverload | Condition::Overvoltage => {
            set.unseen()
        }
        Condition::Interruption | Condition::Sag | Condition::Swell | Condition::Undervoltage => {
            worst(&[set.unseen(), set.behind_switch()])
        }
        Condition::OpenPhaseUpstream => worst(&[set.unseen_of_feeder(), set.place()]),
        Condition::VoltageUnbalance => worst(&[set.voltages(3), set.behind_switch()]),
        Condition::PhaseRotationReversed => set.voltages(2),
        Condition::VoltageSignalLost => match set.measured {
            0 | 1 => Capability::Limited(Reason::OtherPhasesUnseen),
            _ => Capability::Full,
        },
        Condition::ControlPowerLost => worst(&[set.control_power(), set.unseen_of_feeder()]),
    }
}

/// The worse of two; of two alike the first.
const fn worse(a: Capability, b: Capability) -> Capability {
    match (a, b) {
        (Capability::Unavailable(_), _)
        | (Capability::Limited(_), Capability::Full | Capability::Limited(_)) => a,
        _ => b,
    }
}

/// What matters of the settings.
struct Set<'s> {
    settings: &'s Settings,
    /// Phases that the bank has.
    phases: u32,
    /// Phases of the bank with a voltage sensor.
    seen: u32,
    /// Voltage sensors in all.
    measured: u32,
}

impl<'s> Set<'s> {
    fn of(settings: &'s Settings) -> Self {
        let phases = settings.nameplate.build.phases;
        let (mut seen, mut measured) = (0_u32, 0_u32);
        for (index, sensor) in settings.sensors.voltage.iter().enumerate() {
            if sensor.is_present() {
                measured = measured.saturating_add(1);
                seen = seen.saturating_add(u32::from(phases.contains(index)));
            }
        }
        let count = (0..3).filter(|&index| phases.contains(index)).count();
        Self { settings, phases: u32::try_from(count).unwrap_or(0), seen, measured }
    }

    fn any_at(&self, is_it: fn(Location) -> bool) -> bool {
        self.settings.sensors.voltage.iter().any(|sensor| sensor.is_present() && is_it(sensor.location))
    }

    fn is_switched(&self) -> bool {
        self.settings.nameplate.build.switching != Switching::None
    }

    const fn fuse(&self) -> Capability {
        match self.settings.nameplate.build.fusing {
            Fusing::None => Capability::Unavailable(Reason::NoFuse),
            Fusing::Individual if self.settings.nameplate.units_per_phase > 1 => {
                Capability::Limited(Reason::FusedByUnit)
            }
            Fusing::Individual | Fusing::Group => Capability::Full,
        }
    }

    const fn one_phase(&self) -> Capability {
        if self.phases > 1 { Capability::Full } else { Capability::Limited(Reason::OnePhaseOnly) }
    }

    fn place(&self) -> Capability {
        let is_behind = self.any_at(|location| location != Location::Line);
        if is_behind { Capability::Limited(Reason::BehindTheFuse) } else { Capability::Full }
    }

    /// Differences of a few percent between phases: what the neutral current should be rests on every voltage.
    const fn differences(&self) -> Capability {
        match (self.phases.saturating_sub(self.seen), self.seen) {
            (0, _) => Capability::Full,
            (1, 2..) => Capability::Limited(Reason::VoltageAssumed),
            _ => Capability::Unavailable(Reason::TooFewVoltages),
        }
    }

    /// Units that share the capacitance of a phase.
    fn units(&self) -> u8 {
        let plate = &self.settings.nameplate;
        plate.units_per_phase.saturating_add(plate.build.second_step_units).max(1)
    }

    /// One unit less in a phase.
    fn unit(&self) -> Capability {
        match self.units() {
            1 => Capability::Unavailable(Reason::OneUnit),
            units => self.step(1.0 / f32::from(units)),
        }
    }

    /// One section shorted: 1/((s−1)·m) of the phase.
    fn section(&self) -> Capability {
        match self.settings.nameplate.build.sections {
            0 => Capability::Full,
            1 => Capability::Unavailable(Reason::OneSection),
            sections => self.step(1.0 / (f32::from(sections.saturating_sub(1)) * f32::from(self.units()))),
        }
    }

    fn step(&self, part: f32) -> Capability {
        let least = self.settings.limits.least_change.value_or_nan();
        if part < least { Capability::Unavailable(Reason::StepBelowLimit) } else { Capability::Full }
    }

    /// Whether an open bank can be told from one whose neutral current does not arrive.
    fn state(&self) -> Capability {
        let is_known = self.settings.sensors.has_contact || !self.is_switched();
        if is_known { Capability::Full } else { Capability::Limited(Reason::NoContact) }
    }

    /// What all phases have in common: from openings, else from harmonics, which seldom suffice.
    fn common_part(&self) -> Capability {
        match (self.phases, self.is_switched()) {
            (0 | 1, _) => Capability::Unavailable(Reason::OnePhaseOnly),
            (_, true) => Capability::Full,
            (_, false) => Capability::Limited(Reason::NotSwitched),
        }
    }

    fn switch(&self) -> Capability {
        if self.is_switched() { Capability::Full } else { Capability::Unavailable(Reason::NotSwitched) }
    }

    /// Without being told of commands, nothing can be said against them.
    const fn contact(&self) -> Capability {
        if self.settings.sensors.has_contact {
            Capability::Full
        } else {
            Capability::Unavailable(Reason::NoContact)
        }
    }

    const fn unseen(&self) -> Capability {
        if self.seen < self.phases {
            Capability::Limited(Reason::OtherPhasesUnseen)
        } else {
            Capability::Full
        }
    }

    const fn unseen_of_feeder(&self) -> Capability {
        if self.measured < 3 { Capability::Limited(Reason::OtherPhasesUnseen) } else { Capability::Full }
    }

    fn behind_switch(&self) -> Capability {
        let is_behind = self.any_at(|location| location == Location::Capacitor);
        if is_behind { Capability::Limited(Reason::OnlyWhileClosed) } else { Capability::Full }
    }

    const fn voltages(&self, needed: u32) -> Capability {
        if self.measured < needed {
            Capability::Unavailable(Reason::TooFewVoltages)
        } else {
            Capability::Full
        }
    }

    fn control_power(&self) -> Capability {
        let fed = self.settings.sensors.control_power;
        if fed.count() == 0 {
            return Capability::Unavailable(Reason::ControlPhaseUnknown);
        }
        let sensors = self.settings.sensors.voltage.iter().enumerate();
        let is_seen =
            sensors.filter(|(index, _)| fed.contains(*index)).all(|(_, sensor)| sensor.is_present());
        if is_seen { Capability::Full } else { Capability::Unavailable(Reason::NoSensorThere) }
    }
}

#[cfg(test)]
mod tests;
