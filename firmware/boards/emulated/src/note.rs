//! What a dying logger leaves for the one that starts after it.
//!
//! ```text
//! magic · cause · address · schema, low word · high word · CRC-32      six words in RAM that no start-up code clears
//! ```
//! The address is that of the faulting instruction, 0 if it is not known (after a stack overflow, say); for a panic, that
//! of the `core::panic::Location` of its place in the source. Both can be looked up in the image's ELF file.

use core::cell::UnsafeCell;
use core::mem::MaybeUninit;
use core::panic::PanicInfo;
use cortex_m::peripheral::SCB;
use wyelog_firmware::keeper::Crash;
use wyelog_protocol::SCHEMA;
use wyelog_protocol::frame::CRC32;
use wyelog_protocol::record::CrashCause;

const MAGIC: u32 = 0x7759_4521;
const PANIC: u32 = 1;
const HARD_FAULT: u32 = 2;

type Words = [u32; 6];

struct Paper(UnsafeCell<MaybeUninit<Words>>);

// SAFETY: written once, right before a reset, and read once, before interrupts are on.
#[expect(unsafe_code, reason = "the note is a static")]
unsafe impl Sync for Paper {}

#[expect(unsafe_code, reason = "start-up must not clear the note")]
#[unsafe(link_section = ".uninit.note")]
static PAPER: Paper = Paper(UnsafeCell::new(MaybeUninit::uninit()));

/// The note of the last run, if it left one. It is gone afterwards.
pub fn take() -> Option<Crash> {
    // SAFETY: any bits make a `Words`; volatile, because the writer is a run that this program knows nothing of.
    #[expect(unsafe_code, reason = "memory that survived a reset")]
    let words = unsafe { PAPER.0.get().cast::<Words>().read_volatile() };
    write([0; 6]);
    let [magic, cause, address, low, high, crc] = words;
    if magic != MAGIC || crc != checksum(cause, address, low, high) {
        return None;
    }
    let cause = match cause {
        PANIC => CrashCause::Panic,
        HARD_FAULT => CrashCause::HardFault,
        _ => return None,
    };
    Some(Crash { cause, address, schema: u64::from(low) | (u64::from(high) << 32) })
}

/// Leaves a note of a fault at the instruction of that address, or 0, and starts the machine anew.
pub fn hard_fault(address: u32) -> ! {
    stop(HARD_FAULT, address)
}

/// Leaves a note and starts the machine anew. Without floats: the processor might stack theirs late, where the stack
/// overflowed.
fn stop(cause: u32, address: u32) -> ! {
    let [a, b, c, d, e, f, g, h] = SCHEMA.to_le_bytes();
    let (low, high) = (u32::from_le_bytes([a, b, c, d]), u32::from_le_bytes([e, f, g, h]));
    write([MAGIC, cause, address, low, high, checksum(cause, address, low, high)]);
    SCB::sys_reset()
}

fn write(words: Words) {
    // SAFETY: see `Paper`.
    #[expect(unsafe_code, reason = "interior mutability of a static")]
    unsafe {
        PAPER.0.get().cast::<Words>().write_volatile(words);
    }
}

fn checksum(cause: u32, address: u32, low: u32, high: u32) -> u32 {
    let mut digest = CRC32.digest();
    for word in [MAGIC, cause, address, low, high] {
        digest.update(&word.to_le_bytes());
    }
    digest.finalize()
}

#[panic_handler]
fn panic(info: &PanicInfo) -> ! {
    let place = info.location().map_or(0, |location| core::ptr::from_ref(location).addr());
    stop(PANIC, u32::try_from(place).unwrap_or(0))
}
