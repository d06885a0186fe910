//! What is known of the bank, and what its switch did.

use serde::{Deserialize, Serialize};

use super::{Moment, Stamp};
use crate::quantity::{Current, PerUnit};

/// Whether the bank is in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum BankState {
    /// It cannot be told.
    #[default]
    Unknown,
    /// No phase carries current because the switch is open.
    Open,
    /// Every phase that the bank has is meant to carry current.
    Closed,
    /// Some poles are open and others closed.
    PartlyClosed,
}

impl BankState {
    /// Every state, in the order of the wire.
    pub const ALL: [Self; 4] = [Self::Unknown, Self::Open, Self::Closed, Self::PartlyClosed];

    /// Name in logs, JSON and tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::Open => "open",
            Self::Closed => "closed",
            Self::PartlyClosed => "partly_closed",
        }
    }
}

/// What the common part of the three connected capacitances rests on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Basis {
    /// The nameplate and the tolerance of IEEE Std 18.
    #[default]
    Nameplate,
    /// The staggered clearing of the poles at an opening.
    Opening,
    /// Poles that were operated one at a time.
    Pole,
    /// Zero-sequence harmonics of the voltages.
    Harmonics,
    /// What was learned at commissioning.
    Baseline,
}

impl Basis {
    /// Every basis, in the order of the wire.
    pub const ALL: [Self; 5] = [Self::Nameplate, Self::Opening, Self::Pole, Self::Harmonics, Self::Baseline];

    /// Name in logs, JSON and tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Nameplate => "nameplate",
            Self::Opening => "opening",
            Self::Pole => "pole",
            Self::Harmonics => "harmonics",
            Self::Baseline => "baseline",
        }
    }
}

/// How good the connected capacitances beside it are: standard deviations, absent where nothing can be said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Quality {
    /// Of the difference of a phase from the common part.
    pub difference_sigma: PerUnit,
    /// Of the common part.
    pub common_sigma: PerUnit,
    /// What the common part rests on.
    pub common_basis: Basis,
}

/// What is known of the bank, written when that changes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BankRecord {
    /// When it was decided.
    pub stamp: Stamp,
    /// Whether the bank is in.
    pub state: BankState,
    /// Connected capacitance of A, B, C over its rated one; absent where it cannot be identified.
    pub connected: [PerUnit; 3],
    /// Standard deviation of each.
    pub sigma: [PerUnit; 3],
    /// How good the differences and the common part are.
    pub quality: Quality,
}

/// What the switch did.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Action {
    /// It opened.
    Opened,
    /// It closed.
    Closed,
}

impl Action {
    /// Name in logs, JSON and tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Opened => "opened",
            Self::Closed => "closed",
        }
    }
}

/// An operation of the bank's switch, as the currents and voltages show it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Operation {
    /// When it was decided.
    pub stamp: Stamp,
    /// What the switch did.
    pub action: Action,
    /// Whether the contact input had told it to; nothing when no contact is wired.
    pub told: Option<bool>,
    /// When the first phase changed.
    pub begin: Moment,
    /// From `begin` to the current zero at which the pole of A, B, C cleared, in µs: the spacing of current zeros, not of
    /// the contacts. Nothing where it could not be seen, and at a closing.
    pub poles_us: [Option<u32>; 3],
    /// Largest instantaneous neutral current around it, in the band of the sampling (below 2.4 kHz): the crest of an inrush
    /// is higher.
    pub neutral_peak: Current,
    /// Change of the positive-sequence voltage, of the rated voltage; absent when the voltages were no evidence.
    pub voltage_step: PerUnit,
    /// Time since the last opening in ms, if one was seen since the start.
    pub since_opening_ms: Option<u64>,
}
