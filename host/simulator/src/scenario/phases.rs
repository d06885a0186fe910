//! Phases and channels by letter.

use std::fmt;

use serde::Deserialize;

/// A phase. Phases are A, B, C by letter, whatever their rotation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum Phase {
    /// Phase A.
    A,
    /// Phase B.
    B,
    /// Phase C.
    C,
}

impl Phase {
    /// All three, in order.
    pub const ALL: [Self; 3] = [Self::A, Self::B, Self::C];

    /// 0, 1, 2.
    pub const fn index(self) -> usize {
        self as usize
    }
}

impl fmt::Display for Phase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Debug::fmt(self, f)
    }
}

/// One or more phases, written as their letters: `"B"`, `"AC"`, `"ABC"`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct Phases([bool; 3]);

impl Phases {
    /// All three.
    pub const ALL: Self = Self([true; 3]);

    /// One alone.
    pub const fn one(phase: Phase) -> Self {
        Self([matches!(phase, Phase::A), matches!(phase, Phase::B), matches!(phase, Phase::C)])
    }

    /// How many.
    pub fn count(self) -> f64 {
        self.iter().map(|_| 1.0).sum()
    }

    /// One by one, in order.
    pub fn iter(self) -> impl Iterator<Item = Phase> {
        Phase::ALL.into_iter().filter(move |&phase| self.contains(phase))
    }

    /// Whether `phase` is one of them.
    pub fn contains(self, phase: Phase) -> bool {
        let [a, b, c] = self.0;
        match phase {
            Phase::A => a,
            Phase::B => b,
            Phase::C => c,
        }
    }
}

impl Phases {
    /// The set as it stands in settings and records.
    pub fn wire(self) -> wyelog_protocol::condition::Phases {
        let bits = self.iter().fold(0, |bits, phase| bits | 1 << phase.index());
        wyelog_protocol::condition::Phases::from_bits(bits)
    }
}

impl fmt::Display for Phases {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.iter().try_for_each(|phase| write!(f, "{phase}"))
    }
}

impl TryFrom<String> for Phases {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let has = |letter| text.matches(letter).count();
        let counts = [has('A'), has('B'), has('C')];
        let total: usize = counts.iter().sum();
        if total == 0 || total != text.chars().count() || counts.iter().any(|&count| count > 1) {
            return Err(format!(
                "phases \"{text}\": must be one or more of the letters ABC, such as \"B\" or \"AC\""
            ));
        }
        Ok(Self(counts.map(|count| count == 1)))
    }
}

/// A channel of the logger: three voltages and the neutral current.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum Channel {
    /// Voltage of phase A.
    A,
    /// Voltage of phase B.
    B,
    /// Voltage of phase C.
    C,
    /// Neutral current.
    N,
}

impl Channel {
    /// All four, in the order of a frame.
    pub const ALL: [Self; 4] = [Self::A, Self::B, Self::C, Self::N];

    /// 0…3, its place in a frame.
    pub const fn index(self) -> usize {
        self as usize
    }
}
