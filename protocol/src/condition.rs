//! What the logger can find wrong, in plain words of the trade, and who has to know.

use serde::{Deserialize, Serialize};

macro_rules! conditions {
    ($($(#[$doc:meta])* $variant:ident = $name:literal, $route:ident, $subject:ident;)*) => {
        /// A condition of the bank, of a sensor or of the feeder. The enum only grows: the number on the wire is for ever.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum Condition {
            $($(#[$doc])* $variant,)*
        }

        impl Condition {
            /// Every condition of this version, in the order of the wire.
            pub const ALL: [Self; [$($name),*].len()] = [$(Self::$variant),*];

            /// Name in logs, JSON and tables.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }

            /// Who has to know.
            pub const fn route(self) -> Route {
                match self { $(Self::$variant => Route::$route,)* }
            }

            /// What it is a statement about.
            pub const fn subject(self) -> Subject {
                match self { $(Self::$variant => Subject::$subject,)* }
            }
        }
    };
}

// One row a condition: its name, who has to know, and what it is about.
conditions! {
    /// A phase that carried current has stopped while the bank stays closed: its fuse has operated.
    BlownFuse = "blown_fuse", Crew, Bank;
    /// All voltages below the interruption threshold (IEC 61000-4-30 5.5): the feeder is dead.
    Interruption = "interruption", LogOnly, Feeder;
    /// A voltage below the sag threshold (the voltage dip of IEC 61000-4-30 5.4); the phases are those that were. An
    /// interruption lies within a sag.
    Sag = "sag", LogOnly, Feeder;
    /// A voltage above the swell threshold (IEC 61000-4-30 5.4); the phases are those that were.
    Swell = "swell", LogOnly, Feeder;
    /// A phase has gained capacitance: a series section of a unit is shorted.
    ElementShort = "element_short", Hazard, Bank;
    /// The neutral current no longer reaches the logger while the bank is closed: sensor lead or star-point ground.
    NeutralSignalLost = "neutral_signal_lost", Hazard, Sensor;
    /// A phase still carries current after the bank was opened: its switch pole is stuck.
    PoleFailedToOpen = "pole_failed_to_open", Hazard, Bank;
    /// A phase dropped out and came back three times in ten minutes.
    IntermittentPhase = "intermittent_phase", Hazard, Bank;
    /// The bank was closed while its capacitors could still hold charge of the last opening.
    ClosedWhileCharged = "closed_while_charged", Hazard, Switching;
    /// A pole carried current again after it had cleared, within the same opening.
    Restrike = "restrike", Hazard, Switching;
    /// A phase did not carry current when the bank was closed.
    PhaseMissingAtClose = "phase_missing_at_close", Crew, Bank;
    /// The bank was told to operate and no phase changed.
    FailedToOperate = "failed_to_operate", Crew, Bank;
    /// The phase that feeds the controls is dead while the others are alive.
    ControlPowerLost = "control_power_lost", Crew, Sensor;
    /// A phase has lost one unit or several of those in parallel.
    UnitOut = "unit_out", Engineer, Bank;
    /// A voltage sensor shows nothing that its phase could be, while the bank says that the phase is alive.
    VoltageSignalLost = "voltage_signal_lost", Engineer, Sensor;
    /// Part of the neutral current passes by its sensor: all phases seem low alike.
    SecondNeutralPath = "second_neutral_path", Engineer, Bank;
    /// The bank opened or closed without being told.
    UnexpectedOperation = "unexpected_operation", Engineer, Switching;
    /// More operations in a day than the limit.
    FrequentSwitching = "frequent_switching", Engineer, Switching;
    /// A voltage above the overvoltage limit for ten minutes.
    Overvoltage = "overvoltage", Engineer, Feeder;
    /// Current, reactive power or crest voltage beyond what the units withstand (IEEE Std 18).
    CapacitorOverload = "capacitor_overload", Engineer, Feeder;
    /// The phases follow each other in the other order than before.
    PhaseRotationReversed = "phase_rotation_reversed", Engineer, Feeder;
    /// A phase of the feeder is open upstream: single phasing.
    OpenPhaseUpstream = "open_phase_upstream", LogOnly, Feeder;
    /// A voltage below the undervoltage limit for more than a minute (IEEE 1159).
    Undervoltage = "undervoltage", LogOnly, Feeder;
    /// The negative-sequence voltage is above the limit.
    VoltageUnbalance = "voltage_unbalance", LogOnly, Feeder;
    /// The bank came back with the feeder: not an operation.
    EnergisedWithFeeder = "energised_with_feeder", LogOnly, Switching;
    /// What hangs there is not what the settings say.
    SettingsMismatch = "settings_mismatch", Engineer, Bank;
}

impl Condition {
    /// Whether it is a statement about the bank or its sensors, which a disturbance of the feeder could imitate: its
    /// announcement waits until all voltages have been good for a while.
    pub const fn concerns_bank(self) -> bool {
        matches!(self.subject(), Subject::Bank | Subject::Sensor)
    }
}

/// What a condition is a statement about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Subject {
    /// Capacitors, fuses, switch poles, settings.
    Bank,
    /// What the switch did: over once it has been said.
    Switching,
    /// A sensor, its wiring, or what feeds the controls.
    Sensor,
    /// The feeder.
    Feeder,
}

/// Who has to know of a condition, most urgent first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Route {
    /// People may be in danger: a crew goes now.
    Hazard,
    /// A crew goes when it can.
    Crew,
    /// An engineer looks at it.
    Engineer,
    /// It is part of the history, nothing more.
    LogOnly,
}

impl Route {
    /// Name in logs, JSON and tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Hazard => "hazard",
            Self::Crew => "crew",
            Self::Engineer => "engineer",
            Self::LogOnly => "log_only",
        }
    }
}

/// A step in the life of one occurrence of a condition.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Change {
    /// The evidence is there: journalled at once.
    Detected,
    /// It has persisted for the announcement delay of its route.
    Announced,
    /// It is gone, and has stayed so for the return time.
    Ended,
}

impl Change {
    /// Name in logs, JSON and tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Detected => "detected",
            Self::Announced => "announced",
            Self::Ended => "ended",
        }
    }
}

/// A set of channels: bit 0 phase A, bit 1 phase B, bit 2 phase C, bit 3 the neutral. Other bits are dropped when
/// read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(from = "u8")]
pub struct Phases(u8);

impl Phases {
    /// No channel.
    pub const NONE: Self = Self(0);
    /// All three phases.
    pub const ABC: Self = Self(0b111);

    /// The set with these bits; bits above the neutral's are dropped.
    pub const fn from_bits(bits: u8) -> Self {
        Self(bits & 0b1111)
    }

    /// Phase 0 (A), 1 (B), 2 (C), or 3 for the neutral; empty for any other number.
    pub const fn single(index: usize) -> Self {
        match index {
            0 => Self(1),
            1 => Self(2),
            2 => Self(4),
            3 => Self(8),
            _ => Self(0),
        }
    }

    /// Bit 0 phase A, bit 1 phase B, bit 2 phase C, bit 3 the neutral.
    pub const fn bits(self) -> u8 {
        self.0
    }

    /// Whether the set holds phase `index` (0 to 2), or the neutral (3).
    pub const fn contains(self, index: usize) -> bool {
        self.0 & Self::single(index).0 != 0
    }

    /// How many channels.
    pub const fn count(self) -> u32 {
        self.0.count_ones()
    }

    /// The letters of the channels in the set, in order: "A", "N".
    pub fn letters(self) -> impl Iterator<Item = &'static str> {
        ["A", "B", "C", "N"].into_iter().enumerate().filter_map(move |(i, l)| self.contains(i).then_some(l))
    }
}

impl From<u8> for Phases {
    fn from(bits: u8) -> Self {
        Self::from_bits(bits)
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;

    #[test]
    fn no_bit_without_meaning_enters() {
        assert_eq!(postcard::from_bytes::<Phases>(&[0xF3]).unwrap(), Phases::from_bits(0b0011));
    }

    #[test]
    fn numbers_on_the_wire_are_the_order_of_all() {
        for (number, condition) in Condition::ALL.into_iter().enumerate() {
            let bytes = postcard::to_stdvec(&condition).unwrap();
            assert_eq!(bytes.as_slice(), [u8::try_from(number).unwrap()]);
        }
    }

    #[test]
    fn phases_have_letters() {
        use std::vec::Vec;
        assert_eq!(Phases::from_bits(0b1101).letters().collect::<Vec<_>>(), ["A", "C", "N"]);
        assert_eq!(Phases::from_bits(0xF0), Phases::NONE);
        assert_eq!(Phases::single(9), Phases::NONE);
    }
}
