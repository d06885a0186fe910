//! Whether an alarm goes on: one rule for every answer.

use wyelog_protocol::condition::{Condition, Phases};

/// A phase with more than this connected has its fuse again.
pub(super) const CARRIES: f64 = 0.5;

/// What of an alarm says whether it goes on.
#[derive(Clone, Copy, Debug)]
pub(super) struct Standing {
    /// The condition; `None`: a newer logger's.
    pub condition: Option<Condition>,
    /// Its phases.
    pub phases: Phases,
    /// Its end is in the records.
    pub has_ended: bool,
    /// Number of the logger's start in which it began.
    pub boot: u64,
    /// Number of the logger's last start that has intervals; 0: none has.
    pub last_boot: u64,
}

impl Standing {
    /// Its end is not in the records, and nothing later shows that it is over: what is a statement about the feeder or an
    /// operation does not outlast a restart of the logger; a lost phase does, unless it carries again after one.
    ///
    /// `connected` of A, B, C is the median over the last day of the last start, as a part of the rated capacitance; where it
    /// is not known, the phase does not carry.
    pub fn goes_on(&self, connected: [Option<f64>; 3]) -> bool {
        if self.has_ended || !self.is_before_restart() {
            return !self.has_ended;
        }
        let carries = |(phase, connected): (usize, Option<f64>)| {
            !self.phases.contains(phase) || connected.is_some_and(|connected| connected > CARRIES)
        };
        let is_repaired = self.loses_phase() && connected.into_iter().enumerate().all(carries);
        self.condition.is_none_or(Condition::concerns_bank) && !is_repaired
    }

    /// Whether that depends on what is connected.
    pub fn depends_on_connected(&self) -> bool {
        !self.has_ended && self.is_before_restart() && self.loses_phase()
    }

    const fn is_before_restart(&self) -> bool {
        self.boot < self.last_boot
    }

    fn loses_phase(&self) -> bool {
        self.condition.is_some_and(loses_phase)
    }
}

/// Whether a condition is that a whole phase is gone.
pub(super) const fn loses_phase(condition: Condition) -> bool {
    matches!(condition, Condition::BlownFuse | Condition::PhaseMissingAtClose)
}

/// Phases by their letters.
pub(super) fn phases(letters: &str) -> Phases {
    let all = ["A", "B", "C", "N"].iter().zip([1, 2, 4, 8]);
    Phases::from_bits(all.filter(|(letter, _)| letters.contains(**letter)).map(|(_, bit)| bit).sum())
}

#[cfg(test)]
mod tests;
