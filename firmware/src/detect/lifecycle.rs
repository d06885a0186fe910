//! The life of an occurrence: suspected, detected, announced, ended.

use wyelog_protocol::condition::Change;

use super::Scene;

/// What one window or half cycle says of a condition.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Observation {
    /// It is there.
    Present,
    /// It is not there.
    Absent,
    /// This window is no evidence either way: everything stays as it is.
    Unknown,
}

/// How long things take, in frames.
#[derive(Clone, Copy, Debug)]
pub struct Timing {
    /// Observations in a row that make a detection.
    pub confirmations: u8,
    /// From the detection to the announcement.
    pub announce: u64,
    /// For how long all voltages must have been good before an announcement.
    pub voltages_good: u64,
    /// For how long it must have been gone before it has ended.
    pub back: u64,
}

/// A change of the occurrence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// What changed.
    pub change: Change,
    /// Number of the occurrence.
    pub occurrence: u32,
    /// Frame since which it has been so.
    pub begin: u64,
    /// Frame since which it has been gone; only of interest once it has ended.
    pub end: u64,
}

/// One condition, on one phase or on all.
#[derive(Clone, Copy, Debug, Default)]
pub struct Lifecycle {
    state: State,
}

#[derive(Clone, Copy, Debug, Default)]
enum State {
    #[default]
    Idle,
    Suspected {
        begin: u64,
        seen: u8,
    },
    Active(Active),
}

#[derive(Clone, Copy, Debug)]
struct Active {
    occurrence: u32,
    begin: u64,
    detected: u64,
    announced: bool,
    gone_since: Option<u64>,
}

impl Lifecycle {
    /// Takes one observation; `begin` is since when what it says may have been so, if this is the first to say it. At most
    /// one change a call.
    pub fn observe(
        &mut self,
        observation: Observation,
        begin: u64,
        scene: &Scene,
        timing: &Timing,
        occurrences: &mut u32,
    ) -> Option<Step> {
        let step = |change, Active { occurrence, begin, gone_since, .. }| Step {
            change,
            occurrence,
            begin,
            end: gone_since.unwrap_or(scene.now),
        };
        let (state, change) = match (self.state, observation) {
            // What has been seen before a gap in the evidence does not count behind it.
            (State::Idle | State::Suspected { .. }, Observation::Unknown) => (State::Idle, None),
            (State::Active(active), Observation::Unknown) => {
                (State::Active(Active { gone_since: None, ..active }), None)
            }
            (State::Idle | State::Suspected { .. }, Observation::Absent) => (State::Idle, None),
            (State::Idle, Observation::Present) => confirm(begin, 1, scene.now, timing, occurrences),
            (State::Suspected { begin, seen }, Observation::Present) => {
                confirm(begin, seen.saturating_add(1), scene.now, timing, occurrences)
            }
            (State::Active(active), Observation::Absent) => {
                let since = active.gone_since.unwrap_or(begin);
                let active = Active { gone_since: Some(since), ..active };
                if scene.now.saturating_sub(since) >= timing.back {
                    (State::Idle, Some((Change::Ended, active)))
                } else {
                    (State::Active(active), None)
                }
            }
            (State::Active(active), Observation::Present) => {
                let mut active = Active { gone_since: None, ..active };
                let due = scene.now.saturating_sub(active.detected) >= timing.announce
                    && scene.voltages_good >= timing.voltages_good;
                if due && !active.announced {
                    active.announced = true;
                    (State::Active(active), Some((Change::Announced, active)))
                } else {
                    (State::Active(active), None)
                }
            }
        };
        self.state = state;
        change.map(|(change, active)| step(change, active))
    }

    /// Whether an occurrence is under way.
    pub const fn is_active(&self) -> bool {
        matches!(self.state, State::Active(_))
    }

    /// The frame at which the occurrence under way began.
    pub const fn active_since(&self) -> Option<u64> {
        match self.state {
            State::Active(Active { begin, .. }) => Some(begin),
            _ => None,
        }
    }
}

fn confirm(
    begin: u64,
    seen: u8,
    now: u64,
    timing: &Timing,
    occurrences: &mut u32,
) -> (State, Option<(Change, Active)>) {
    if seen < timing.confirmations {
        return (State::Suspected { begin, seen }, None);
    }
    *occurrences = occurrences.wrapping_add(1);
    let active =
        Active { occurrence: *occurrences, begin, detected: now, announced: false, gone_since: None };
    (State::Active(active), Some((Change::Detected, active)))
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use Observation::{Absent, Present, Unknown};
    use std::vec::Vec;
    use wyelog_protocol::record::Evidence;

    const TIMING: Timing = Timing { confirmations: 2, announce: 60, voltages_good: 30, back: 10 };

    /// Observations at frames 0, 1, 2 … with voltages good since frame `good`.
    fn changes(
        observations: impl IntoIterator<Item = Observation>,
        good: u64,
    ) -> Vec<(u64, Change, u64, u64)> {
        let (mut lifecycle, mut occurrences, mut out) = (Lifecycle::default(), 0, Vec::new());
        for (now, observation) in (0_u64..).zip(observations) {
            let voltages_good = now.saturating_sub(good);
            let scene = Scene { now, voltages_good, evidence: Evidence::default() };
            let step = lifecycle.observe(observation, now, &scene, &TIMING, &mut occurrences);
            out.extend(step.map(|step| (now, step.change, step.begin, step.end)));
        }
        out
    }

    fn runs(runs: &[(Observation, usize)]) -> Vec<Observation> {
        runs.iter().flat_map(|(observation, times)| std::iter::repeat_n(*observation, *times)).collect()
    }

    #[test]
    fn detected_announced_ended() {
        let seen = changes(runs(&[(Absent, 5), (Present, 80), (Absent, 20)]), 0);
        let expected =
            [(6, Change::Detected, 5, 6), (66, Change::Announced, 5, 66), (95, Change::Ended, 5, 85)];
        assert_eq!(seen, expected);
    }

    #[test]
    fn one_observation_alone_is_nothing() {
        assert_eq!(
            changes(runs(&[(Absent, 5), (Present, 1), (Absent, 20), (Present, 1), (Absent, 3)]), 0),
            []
        );
    }

    #[test]
    fn the_announcement_waits_for_good_voltages() {
        let seen = changes(runs(&[(Present, 200)]), 100);
        assert_eq!(seen[1], (130, Change::Announced, 0, 130));
    }

    #[test]
    fn no_evidence_changes_nothing() {
        let seen =
            changes(runs(&[(Present, 5), (Unknown, 300), (Present, 1), (Unknown, 99), (Absent, 11)]), 0);
        assert_eq!(
            seen.iter().map(|s| s.1).collect::<Vec<_>>(),
            [Change::Detected, Change::Announced, Change::Ended]
        );
    }

    #[test]
    fn a_gap_in_the_evidence_joins_nothing() {
        // Once gone before a gap and once behind it is not gone for the return time; once there and once there is not
        // confirmed.
        let seen = changes(runs(&[(Present, 5), (Absent, 1), (Unknown, 300), (Absent, 1), (Present, 9)]), 0);
        assert_eq!(seen.iter().map(|s| s.1).collect::<Vec<_>>(), [Change::Detected, Change::Announced]);
        assert_eq!(changes(runs(&[(Present, 1), (Unknown, 300), (Present, 1), (Absent, 9)]), 0), []);
    }

    #[test]
    fn the_announcement_waits_from_the_detection_however_long_ago_it_began() {
        let (mut lifecycle, mut occurrences) = (Lifecycle::default(), 0);
        let mut announced = None;
        for now in 1000..1100 {
            let scene = Scene { now, voltages_good: 1000, evidence: Evidence::default() };
            let step = lifecycle.observe(Present, 3, &scene, &TIMING, &mut occurrences);
            announced = announced.or(step.filter(|s| s.change == Change::Announced).map(|_| now));
        }
        assert_eq!(announced, Some(1061));
    }

    #[test]
    fn a_flicker_shorter_than_the_return_time_is_the_same_occurrence() {
        let seen = changes(runs(&[(Present, 5), (Absent, 9), (Present, 5), (Absent, 9), (Present, 5)]), 0);
        assert_eq!(seen.len(), 1);
    }
}
