//! defmt into a file of the host, to be decoded there with the image at hand.
//!
//! What a log line encodes to is gathered and written when the line is complete.

use crate::semihosting::{File, Mode};
use core::cell::UnsafeCell;
use core::sync::atomic::{AtomicU32, Ordering};
use cortex_m::{interrupt, register::primask};
use defmt::Encoder;
use heapless::Vec;

/// Opens the file; without it lines are dropped.
pub fn open(name: &[u8]) {
    // The emulator opens for appending, but stands at the start.
    let file = File::open(name, Mode::Append).and_then(|file| file.seek(file.length()?).map(|()| file));
    interrupt::free(|_| state(|inner| inner.sink.file = file));
}

/// Frames taken so far: the time stamp of every line.
pub static FRAMES: AtomicU32 = AtomicU32::new(0);

defmt::timestamp!("frame {=u32}", FRAMES.load(Ordering::Relaxed));

/// Gathers encoded bytes and hands them to the file.
struct Sink {
    line: Vec<u8, 256>,
    file: Option<File>,
}

impl Sink {
    fn add(&mut self, bytes: &[u8]) {
        for piece in bytes.chunks(64) {
            if self.line.extend_from_slice(piece).is_err() {
                self.flush();
                // It fits now: the piece is shorter than the room.
                let _ = self.line.extend_from_slice(piece);
            }
        }
    }

    fn flush(&mut self) {
        if let Some(file) = &self.file {
            // A log that cannot be written must not stop the logger.
            let _ = file.write(&self.line);
        }
        self.line.clear();
    }
}

struct Inner {
    encoder: Encoder,
    sink: Sink,
    interrupts_were_on: bool,
}

struct State(UnsafeCell<Inner>);

// SAFETY: touched with interrupts off only, on a machine with one core.
#[expect(unsafe_code, reason = "the log's state is a static that every priority reaches")]
unsafe impl Sync for State {}

static STATE: State = State(UnsafeCell::new(Inner {
    encoder: Encoder::new(),
    sink: Sink { line: Vec::new(), file: None },
    interrupts_were_on: false,
}));

/// Lends the state to `work`; interrupts must be off, and `work` must not log.
fn state<R>(work: impl FnOnce(&mut Inner) -> R) -> R {
    // SAFETY: see `State`.
    #[expect(unsafe_code, reason = "interior mutability of a static")]
    work(unsafe { &mut *STATE.0.get() })
}

#[defmt::global_logger]
struct Logger;

// SAFETY: `acquire` turns interrupts off and `release` turns them on again if they were: lines do not mix.
#[expect(unsafe_code, reason = "defmt asks for a promise that lines do not mix")]
unsafe impl defmt::Logger for Logger {
    fn acquire() {
        let interrupts_were_on = primask::read().is_active();
        interrupt::disable();
        state(|inner| {
            inner.interrupts_were_on = interrupts_were_on;
            let Inner { encoder, sink, .. } = inner;
            encoder.start_frame(|bytes| sink.add(bytes));
        });
    }

    unsafe fn write(bytes: &[u8]) {
        state(|Inner { encoder, sink, .. }| encoder.write(bytes, |bytes| sink.add(bytes)));
    }

    unsafe fn flush() {
        state(|inner| inner.sink.flush());
    }

    unsafe fn release() {
        let interrupts_were_on = state(|inner| {
            let Inner { encoder, sink, .. } = &mut *inner;
            encoder.end_frame(|bytes| sink.add(bytes));
            inner.sink.flush();
            inner.interrupts_were_on
        });
        if interrupts_were_on {
            // SAFETY: they were on before `acquire`.
            unsafe { interrupt::enable() };
        }
    }
}
