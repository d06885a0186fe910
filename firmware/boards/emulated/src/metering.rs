//! The Meter's interrupt: inputs from the queue, records into the Keeper's.

use crate::clock;
use crate::log;
use crate::options::Trip;
use crate::owned::Owned;
use core::hint::black_box;
use core::sync::atomic::Ordering;
use heapless::spsc::Consumer;
use wyelog_firmware::FRAMES_PER_SECOND;
use wyelog_firmware::meter::Meter;
use wyelog_firmware::outbox::Queues;
use wyelog_firmware::tape::{self, Item};

/// What the interrupt works with.
pub static METERING: Owned<Metering> = Owned::empty();

/// The Meter between its queues.
pub struct Metering {
    meter: Meter<'static>,
    inputs: Consumer<'static, Item>,
    out: Queues<'static>,
    cost: Cost,
    trip: Option<Trip>,
}

impl Metering {
    /// With `trip` the first input brings the logger down.
    pub const fn new(
        meter: Meter<'static>,
        inputs: Consumer<'static, Item>,
        out: Queues<'static>,
        trip: Option<Trip>,
    ) -> Self {
        Self { meter, inputs, out, cost: Cost::new(), trip }
    }

    /// Works off everything that waits.
    pub fn run(&mut self) {
        // None but whole items enter the queue.
        while let Some(input) = self.inputs.dequeue().and_then(|item| tape::decode(&item)) {
            match self.trip {
                Some(Trip::Panic) => trip(),
                Some(Trip::HardFault) => cortex_m::asm::udf(),
                Some(Trip::StackOverflow) => drop(overflow(0)),
                None => {}
            }
            let start = clock::now();
            self.meter.input(input, &mut self.out);
            self.cost.add(self.meter.frames(), clock::now().wrapping_sub(start));
        }
        // The low word is enough for a log line.
        #[expect(clippy::cast_possible_truncation, reason = "wraps after ten days")]
        log::FRAMES.store(self.meter.frames() as u32, Ordering::Relaxed);
    }

    /// Says in the log what the steps took.
    pub fn log_cost(&self) {
        let Cost { steps, ticks, worst } = self.cost;
        defmt::info!(
            "meter after 10 s: {=u32} steps, {=u64} ticks, worst step {=u32} ticks",
            steps,
            ticks,
            worst
        );
    }
}

#[expect(clippy::panic, reason = "asked for by trip=panic")]
#[inline(never)]
fn trip() -> ! {
    panic!("trip=panic")
}

/// Needs the result of the next call for its own, so that it cannot become a loop.
#[expect(unconditional_recursion, reason = "asked for by trip=stack")]
#[inline(never)]
fn overflow(depth: u32) -> u32 {
    black_box(depth) ^ overflow(black_box(depth.wrapping_add(1)))
}

/// Ticks of the free-running timer that the Meter's steps took, from the tenth second on. Where the emulator counts an
/// instruction as a nanosecond, a tick is 40 instructions.
struct Cost {
    steps: u32,
    ticks: u64,
    worst: u32,
}

impl Cost {
    const fn new() -> Self {
        Self { steps: 0, ticks: 0, worst: 0 }
    }

    fn add(&mut self, frame: u64, ticks: u32) {
        if frame > u64::from(FRAMES_PER_SECOND) * 10 {
            self.steps = self.steps.saturating_add(1);
            self.ticks = self.ticks.saturating_add(u64::from(ticks));
            self.worst = self.worst.max(ticks);
        }
    }
}
