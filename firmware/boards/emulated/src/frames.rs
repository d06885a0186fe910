//! The frame interrupt: the next inputs of the tape go into the Meter's queue.

use crate::backlog::Backlog;
use crate::clock::FrameTimer;
use crate::owned::Owned;
use crate::tape_file::TapeFile;
use core::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use heapless::spsc::Producer;
use wyelog_firmware::frontend::Input;
use wyelog_firmware::tape::{self, Item};

/// Most inputs between two frames.
const INPUTS_PER_FRAME: usize = 24;

/// Frames for each interrupt where time does not matter.
const FREE_BATCH: usize = 32;

/// What the interrupt works with.
pub static FRAMES: Owned<Frames> = Owned::empty();

/// Whether the tape has come to its end, and all of it is on its way to the Meter.
pub static ENDED: AtomicBool = AtomicBool::new(false);

/// Whether that was because it is damaged there.
pub static DAMAGED: AtomicBool = AtomicBool::new(false);

/// What came over the link, or from the battery-backed clock, for the Meter.
pub static ASKED: Owned<Option<Input>> = Owned::empty();

/// Frames that found the queue full.
pub static LOST: AtomicU32 = AtomicU32::new(0);

/// Most inputs that ever waited in the queue.
pub static DEEPEST: AtomicU32 = AtomicU32::new(0);

/// The tape and the near end of the queue.
pub struct Frames {
    tape: TapeFile,
    /// Inputs as on the tape, where they take the least room.
    queue: Producer<'static, Item>,
    /// What strikes for each frame; `None` where the main thread does.
    timer: Option<FrameTimer>,
    backlog: Backlog,
    /// Nothing more comes from the tape.
    over: bool,
}

impl Frames {
    /// Frames from `tape`, whose head has been read.
    pub const fn new(tape: TapeFile, queue: Producer<'static, Item>, timer: Option<FrameTimer>) -> Self {
        Self { tape, queue, timer, backlog: Backlog::new(), over: false }
    }

    /// One strike of the timer, or one call of the main thread.
    pub fn strike(&mut self) {
        let batch = match &mut self.timer {
            Some(timer) => {
                timer.strike();
                1
            }
            None => FREE_BATCH,
        };
        for _ in 0..batch {
            self.next_frame();
        }
        if self.over && self.backlog.flow(&mut self.queue) {
            self.end();
        }
        let waiting = u32::try_from(self.queue.len()).unwrap_or(u32::MAX);
        DEEPEST.fetch_max(waiting, Ordering::Relaxed);
    }

    fn next_frame(&mut self) {
        if let Some(input) = ASKED.with(Option::take).flatten() {
            self.push(input);
        }
        for _ in 0..INPUTS_PER_FRAME {
            let Some(item) = self.next_item() else { return };
            let Some(input) = tape::decode(&item) else {
                DAMAGED.store(true, Ordering::Relaxed);
                defmt::error!("the tape is damaged: {=[u8]:02x}", item);
                self.over = true;
                return;
            };
            self.push(input);
            if matches!(input, Input::Frame(_)) {
                return;
            }
        }
    }

    fn next_item(&mut self) -> Option<Item> {
        let item = if self.over { None } else { self.tape.next() };
        self.over = item.is_none();
        item
    }

    fn push(&mut self, input: Input) {
        if self.backlog.flow(&mut self.queue) && self.queue.enqueue(tape::encode(&input)).is_ok() {
            return;
        }
        if matches!(input, Input::Frame(_)) {
            LOST.fetch_add(1, Ordering::Relaxed);
        }
        self.backlog.add(input);
    }

    fn end(&mut self) {
        if let Some(timer) = &self.timer {
            timer.stop();
        }
        ENDED.store(true, Ordering::Relaxed);
    }
}
