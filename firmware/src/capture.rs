//! Waveforms around every event and every operation: at least three cycles before, twelve after.
//!
//! A trigger makes a run of frames, which begins in the past: a cursor walks along it through the [`History`], a few frames
//! a step, until it has caught up, and puts what it finds into the queue to the Keeper. While that is full the cursor
//! waits; the history holds 280 ms more. What has left the history by then is lost, and counted.
//!
//! | trigger | from | to |
//! |---|---|---|
//! | a step of 5 % of a voltage or of the neutral current (`steps`) | earliest moment it can have begun | now |
//! | a condition is detected | its begin | its begin |
//! | the contact changes | now | now |
//!
//! The step comes first because a window is too slow: when it finds a lost phase, the moment has left the history.
//!
//! A trigger within a run extends it, up to `LONGEST`; then the next run begins, without a gap. A feeder that never rests
//! must not fill the flash: there are `STORED` runs to spend, one more each `REFILL_FRAMES`, and steps alone leave
//! `RESERVED` of them. What is not taken is counted.

mod item;
mod steps;
#[cfg(test)]
mod tests;

use wyelog_protocol::record::Status;
use wyelog_protocol::waveform::{FULL_SCALE, Sample};

use crate::FRAMES_PER_SECOND;
use crate::clock::Clock;
use crate::frontend::{Frame, Scaling};
use crate::measure::history::{self, Counts, History};
use crate::outbox::Outbox;
pub use item::{Item, Packed};
use steps::Steps;

/// Cycles before a trigger, doubled: half a cycle more than promised.
const TWICE_BEFORE: u64 = 7;

/// Cycles behind a trigger, doubled.
const TWICE_AFTER: u64 = 25;

/// Cycles of the longest run.
const LONGEST: u64 = 60;

/// Runs that can follow each other at once.
const STORED: u8 = 20;

/// Runs kept for conditions and operations.
const RESERVED: u8 = 10;

/// Frames in which one more run may be taken: a minute.
const REFILL_FRAMES: u64 = FRAMES_PER_SECOND as u64 * 60;

/// Most items that go into the queue at a frame. More than one, so that the past is caught up with; few, so that a step
/// stays short.
const ITEMS_PER_FRAME: u8 = 4;

/// Frames of a window: how much too early the begin of what it finds may be.
const WINDOW: u64 = FRAMES_PER_SECOND as u64 / 5;

/// How far back a run may begin: 16 frames of the history may be gone before they are read.
const REACH: u64 = history::FRAMES as u64 - 16;

/// Takes captures.
#[derive(Debug)]
pub struct Captures {
    steps: Steps,
    /// Earliest frame at which the last step can have begun, until it is asked for.
    stepped: Option<u64>,
    rated_cycle: u64,
    run: Option<Run>,
    next: Option<Wanted>,
    /// First frame of the last run, and first frame that none has taken.
    begun: u64,
    free: u64,
    /// Runs that may be taken.
    stored: u8,
    /// Frame at which there will be one more.
    refill: u64,
    lost: Lost,
}

/// What was not taken since it was last told.
#[derive(Clone, Copy, Debug, Default)]
struct Lost {
    triggers: u32,
    frames: u32,
}

/// A run under way.
#[derive(Debug)]
struct Run {
    stage: Stage,
    /// Next frame to be taken.
    cursor: u64,
    end: u64,
    /// Its end at the latest.
    limit: u64,
    lost: bool,
}

/// What of a run goes into the queue next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    Begin,
    Time,
    Samples,
    End,
}

/// A run to come.
#[derive(Clone, Copy, Debug)]
struct Wanted {
    begin: u64,
    end: u64,
    /// Nothing but steps wants it.
    steps_only: bool,
}

impl Captures {
    /// Nothing taken yet; `rated_cycle` is the length of a cycle of the rated frequency in frames.
    pub const fn new(rated_cycle: u16) -> Self {
        Self {
            steps: Steps::new(rated_cycle / 2),
            stepped: None,
            rated_cycle: rated_cycle as u64,
            run: None,
            next: None,
            begun: 0,
            free: 0,
            stored: STORED,
            refill: REFILL_FRAMES,
            lost: Lost { triggers: 0, frames: 0 },
        }
    }

    /// Takes the frame that was pushed last, and moves a few frames on. Returns what is to be told of losses.
    pub fn frame(
        &mut self,
        frame: &Frame,
        (scaling, frequency): (&Scaling, f32),
        history: &History,
        clock: &Clock,
        out: &mut impl Outbox,
    ) -> Option<Status> {
        let now = history.count();
        if let Some(age) = self.steps.push(frame, scaling, frequency) {
            self.stepped = Some(now.saturating_sub(age));
            self.trigger(now.saturating_sub(age), now, true);
        }
        for _ in 0..ITEMS_PER_FRAME {
            // Nearly always.
            if self.run.is_none() && self.next.is_none() {
                break;
            }
            if !self.move_on(history, clock, out) {
                break;
            }
        }
        if now < self.refill {
            return None;
        }
        self.refill = now.saturating_add(REFILL_FRAMES);
        self.stored = self.stored.saturating_add(1).min(STORED);
        let Lost { triggers, frames } = core::mem::take(&mut self.lost);
        (triggers > 0 || frames > 0).then_some(Status::CapturesLost { triggers, frames })
    }

    /// The earliest frame at which a step of a voltage or of the neutral current can have begun, once for each.
    pub const fn stepped(&mut self) -> Option<u64> {
        self.stepped.take()
    }

    /// The contact has changed at frame `now`.
    pub fn contact(&mut self, now: u64) {
        self.trigger(now, now, false);
    }

    /// A condition that began at frame `begin` has been detected at frame `now`.
    pub fn detected(&mut self, begin: u64, now: u64) {
        // What a window finds began somewhere in it. A begin that is neither in the last run nor in the history is as near as
        // the history reaches.
        let is_taken = begin.saturating_add(WINDOW) >= self.begun && begin < self.end();
        let nearest = if is_taken { begin } else { begin.max(oldest(now).saturating_add(self.before())) };
        self.trigger(nearest, nearest, false);
    }

    /// `count` frames were lost behind frame `now`: a run ends there, and what is left of it begins behind them.
    pub fn frames_lost(&mut self, now: u64, count: u32) {
        self.steps.interrupt();
        let behind = now.saturating_add(u64::from(count));
        if let Some(run) = self.run.as_mut().filter(|run| run.stage != Stage::End && run.end > now) {
            let rest = Wanted { begin: behind, end: run.end, steps_only: false };
            self.next = Some(join(self.next, rest));
            run.end = now;
            run.lost = true;
        }
        self.free = behind;
    }

    /// Goes on at frame `now` as if nothing had been: after a time without frames.
    pub fn restart(&mut self, now: u64) {
        self.steps.interrupt();
        if let Some(run) = &mut self.run {
            run.end = run.cursor;
        }
        self.next = None;
        self.free = now;
        self.refill = now.saturating_add(REFILL_FRAMES);
    }

    /// The longer of the present and the rated cycle.
    fn cycle(&self) -> u64 {
        self.steps.cycle().max(self.rated_cycle)
    }

    fn before(&self) -> u64 {
        self.cycle().saturating_mul(TWICE_BEFORE) / 2
    }

    /// End of what has been taken or is going to be.
    fn end(&self) -> u64 {
        self.run.as_ref().map_or(self.free, |run| run.end)
    }

    /// Wants what lies from before frame `from` to behind frame `to`.
    #[inline(never)]
    fn trigger(&mut self, from: u64, to: u64, steps_only: bool) {
        let begin = from.saturating_sub(self.before());
        let end = to.saturating_add(self.cycle().saturating_mul(TWICE_AFTER) / 2);
        let wanted = Wanted { begin, end, steps_only };
        match &mut self.run {
            Some(run) if run.stage != Stage::End && begin <= run.end && !run.lost => {
                run.end = end.min(run.limit).max(run.end);
                if end > run.limit {
                    self.next = Some(join(self.next, Wanted { begin: run.limit, ..wanted }));
                }
            }
            _ if end > self.free => self.next = Some(join(self.next, wanted)),
            _ => {}
        }
    }

    /// Puts the next item into the queue; false when there is none, or no room. Not inlined: the loop would hold four of it.
    #[inline(never)]
    fn move_on(&mut self, history: &History, clock: &Clock, out: &mut impl Outbox) -> bool {
        let now = history.count();
        let Some(run) = &mut self.run else { return self.open(now) };
        match run.stage {
            Stage::Begin => {
                let sent = out.sample(Item::Begin(run.cursor).pack());
                if sent {
                    run.stage = Stage::Time;
                }
                sent
            }
            Stage::Time => {
                let sent =
                    clock.utc_ms(run.cursor).is_none_or(|utc_ms| out.sample(Item::Time(utc_ms).pack()));
                if sent {
                    run.stage = Stage::Samples;
                }
                sent
            }
            Stage::Samples if run.cursor >= run.end => {
                run.stage = Stage::End;
                true
            }
            Stage::Samples if run.cursor >= now => false,
            Stage::Samples => {
                let Some(counts) = history.get(run.cursor) else {
                    let frames = run.end.saturating_sub(run.cursor);
                    self.lost.frames =
                        self.lost.frames.saturating_add(u32::try_from(frames).unwrap_or(u32::MAX));
                    run.lost = true;
                    run.stage = Stage::End;
                    return true;
                };
                let sent = out.sample(Item::Sample(sample(counts)).pack());
                if sent {
                    run.cursor = run.cursor.saturating_add(1);
                }
                sent
            }
            Stage::End => {
                let sent = out.sample(Item::End { lost: run.lost }.pack());
                if sent {
                    self.free = self.free.max(run.cursor);
                    self.run = None;
                }
                sent
            }
        }
    }

    /// Begins the run that is wanted, if one may be taken; true if it does.
    fn open(&mut self, now: u64) -> bool {
        let Some(Wanted { begin, end, steps_only }) = self.next.take() else { return false };
        let begin = begin.max(self.free).max(oldest(now));
        if begin >= end {
            return false;
        }
        let kept = if steps_only { RESERVED } else { 0 };
        if self.stored <= kept {
            self.lost.triggers = self.lost.triggers.saturating_add(1);
            return false;
        }
        self.stored = self.stored.saturating_sub(1);
        let limit = begin.saturating_add(self.cycle().saturating_mul(LONGEST));
        if end > limit {
            self.next = Some(Wanted { begin: limit, end, steps_only });
        }
        self.begun = begin;
        self.run = Some(Run { stage: Stage::Begin, cursor: begin, end: end.min(limit), limit, lost: false });
        true
    }
}

/// Both, and what is between them.
fn join(one: Option<Wanted>, two: Wanted) -> Wanted {
    one.map_or(two, |one| Wanted {
        begin: one.begin.min(two.begin),
        end: one.end.max(two.end),
        steps_only: one.steps_only && two.steps_only,
    })
}

/// The oldest frame that is surely there when its turn comes.
const fn oldest(now: u64) -> u64 {
    now.saturating_sub(REACH)
}

/// Counts of 24 bits as 16, to the nearest.
fn sample(counts: &Counts) -> Sample {
    counts.map(|counts| {
        #[expect(clippy::cast_possible_truncation, reason = "24 bits")]
        let nearest = (counts as i32).wrapping_add(128) >> 8;
        i16::try_from(nearest).unwrap_or(FULL_SCALE).max(-FULL_SCALE)
    })
}
