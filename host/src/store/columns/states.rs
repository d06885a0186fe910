//! Which state the bank was in during a stretch of time: a spectrum does not say it.

use wyelog_protocol::record::{BankState, Record};

use super::SPECTRUM_FRAMES;
use crate::log::Sequenced;

/// What the intervals and operations of a log say of it; start of the logger first.
#[derive(Debug, Default)]
pub struct States {
    /// Middle of an interval in frames, and the state at its end.
    intervals: Vec<(u32, u64, BankState)>,
    /// First frame of an operation.
    operations: Vec<(u32, u64)>,
}

impl States {
    pub fn of(records: &[Sequenced]) -> Self {
        let mut states = Self::default();
        for kept in records {
            match &kept.record {
                Record::Interval(record) => {
                    let half = frames(record.windows) / 2;
                    let middle = record.stamp.frame.saturating_sub(half);
                    states.intervals.push((record.stamp.boot, middle, record.state));
                }
                Record::Operation(record) => {
                    states.operations.push((record.stamp.boot, record.begin.frame));
                }
                _ => {}
            }
        }
        states.intervals.sort_unstable_by_key(|(boot, frame, _)| (*boot, *frame));
        states.operations.sort_unstable();
        states
    }

    /// The state that all intervals say with their middle in the time of the spectrum that ends at `frame`; none if they differ,
    /// if there is none, or if the switch began to do something meanwhile.
    pub fn during(&self, boot: u32, frame: u64) -> Option<BankState> {
        let begin = (boot, frame.saturating_sub(SPECTRUM_FRAMES));
        let end = (boot, frame);
        let first = self.operations.partition_point(|at| *at <= begin);
        if self.operations.get(first).is_some_and(|at| *at <= end) {
            return None;
        }
        let first = self.intervals.partition_point(|(boot, frame, _)| (*boot, *frame) <= begin);
        let within = self.intervals.iter().skip(first).take_while(|(boot, frame, _)| (*boot, *frame) <= end);
        let mut within = within.map(|(_, _, state)| *state);
        let state = within.next()?;
        within.all(|other| other == state).then_some(state)
    }
}

/// Frames of windows of 200 ms.
const fn frames(windows: u16) -> u64 {
    windows as u64 * (wyelog_protocol::FRAMES_PER_SECOND as u64 / 5)
}

#[cfg(test)]
mod tests {
    use super::*;
    use BankState::{Closed, Open};

    /// Frames of minutes.
    const fn minute(number: u64) -> u64 {
        number * 60 * wyelog_protocol::FRAMES_PER_SECOND as u64
    }

    fn states(operations: &[u64]) -> States {
        // Ten minutes closed, ten open, minutes 21 to 25 closed; middles of the minutes. Another start before.
        let of = |number| if (11..=20).contains(&number) { Open } else { Closed };
        let mut intervals = vec![(1, minute(3), Open)];
        intervals.extend((1..=25).map(|number| (2, minute(number) - minute(1) / 2, of(number))));
        States { intervals, operations: operations.iter().map(|frame| (2, *frame)).collect() }
    }

    #[test]
    fn ten_minutes_have_one_state_or_none() {
        let during = |operations: &[u64], end| states(operations).during(2, minute(end));
        assert_eq!(during(&[], 10), Some(Closed));
        assert_eq!(during(&[], 20), Some(Open));
        // Five minutes open, five closed.
        assert_eq!(during(&[], 25), None);
        // It opened within them, or just when they end; what it did before is past.
        assert_eq!(during(&[minute(4)], 10), None);
        assert_eq!(during(&[minute(10)], 10), None);
        assert_eq!(during(&[minute(10)], 20), Some(Open));
        // Nothing is known of that time, nor by another start.
        assert_eq!(during(&[], 60), None);
        assert_eq!(states(&[]).during(3, minute(10)), None);
    }
}
