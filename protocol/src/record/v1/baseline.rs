//! What a bank was like when it was commissioned, and what has become of that.

use serde::{Deserialize, Serialize};

use super::{Quality, Stamp};
use crate::quantity::{PerUnit, Voltage};

/// How far a baseline is to be trusted. The enum only grows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum BaselineState {
    /// Learned, and not yet seen to repeat.
    Provisional,
    /// It repeated on a light and on a heavy day, and behind an opening and a closing.
    Confirmed,
    /// It is none: what was learned is no health.
    Refused,
    /// It was one, of a bank that has been changed since.
    Invalid,
}

impl BaselineState {
    /// Every state, in the order of the wire.
    pub const ALL: [Self; 4] = [Self::Provisional, Self::Confirmed, Self::Refused, Self::Invalid];

    /// Name in logs, JSON and tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Provisional => "provisional",
            Self::Confirmed => "confirmed",
            Self::Refused => "refused",
            Self::Invalid => "invalid",
        }
    }

    /// Whether the bank may be compared with it.
    pub const fn holds(self) -> bool {
        matches!(self, Self::Provisional | Self::Confirmed)
    }
}

/// Why a baseline was refused, or is invalid. The enum only grows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum BaselineReason {
    /// Nothing speaks against it.
    #[default]
    Sound,
    /// A condition of the bank or of a sensor was there, or came before it was confirmed.
    Fault,
    /// What is connected could not be told: the bank was not closed, or a voltage is not measured.
    NotIdentifiable,
    /// The phases moved against each other while it was learned.
    Unsteady,
    /// The phases differ by more than the units' tolerance (IEEE Std 18) and the sensors' errors together.
    BeyondTolerance,
    /// The bank did not come back to it on another day, or behind an operation.
    NotRepeated,
    /// A fuse link was replaced.
    LinkReplaced,
    /// A capacitor unit was replaced.
    UnitReplaced,
    /// A sensor was replaced.
    SensorReplaced,
    /// A fault of the bank has ended: somebody has been at it.
    Repaired,
    /// The settings are others.
    SettingsChanged,
}

impl BaselineReason {
    /// Every reason, in the order of the wire.
    pub const ALL: [Self; 11] = [
        Self::Sound,
        Self::Fault,
        Self::NotIdentifiable,
        Self::Unsteady,
        Self::BeyondTolerance,
        Self::NotRepeated,
        Self::LinkReplaced,
        Self::UnitReplaced,
        Self::SensorReplaced,
        Self::Repaired,
        Self::SettingsChanged,
    ];

    /// Name in logs, JSON and tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Sound => "sound",
            Self::Fault => "fault",
            Self::NotIdentifiable => "not_identifiable",
            Self::Unsteady => "unsteady",
            Self::BeyondTolerance => "beyond_tolerance",
            Self::NotRepeated => "not_repeated",
            Self::LinkReplaced => "link_replaced",
            Self::UnitReplaced => "unit_replaced",
            Self::SensorReplaced => "sensor_replaced",
            Self::Repaired => "repaired",
            Self::SettingsChanged => "settings_changed",
        }
    }
}

/// The baseline: written when it is learned, when something becomes of it, once a day until it is confirmed, at each start and
/// so often that a copy begins each sector in which the flash keeps rare records for longer: it is never overwritten.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BaselineRecord {
    /// When it was written: the first record with these contents is of when it was decided.
    pub stamp: Stamp,
    /// How far it is to be trusted.
    pub state: BaselineState,
    /// Why it is not.
    pub reason: BaselineReason,
    /// Connected capacitance of A, B, C over its rated one, as it was learned.
    pub connected: [PerUnit; 3],
    /// How good that was then.
    pub quality: Quality,
    /// Standard deviation of a later change of a difference against it: the errors of the sensors stay the same, and drop out.
    pub change_sigma: PerUnit,
    /// Lowest ten-minute mean of the voltages to ground since.
    pub lowest: Voltage,
    /// Highest one.
    pub highest: Voltage,
    /// Whole hours that the bank has been watched closed and healthy since, to judge it by.
    pub hours: u16,
    /// Openings since, 255 meaning that many or more.
    pub openings: u8,
    /// Closings since.
    pub closings: u8,
    /// CRC-32 (ISO-HDLC) of the settings that it was learned with, as a settings record with a stamp of zeros.
    pub settings: u32,
}
