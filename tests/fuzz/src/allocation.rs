//! How much memory a thread holds at most: an allocator that counts.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

struct Counting;

#[global_allocator]
static COUNTING: Counting = Counting;

thread_local! {
    static HELD: Cell<usize> = const { Cell::new(0) };
    static MOST: Cell<usize> = const { Cell::new(0) };
}

/// The most bytes that this thread has held since the last call.
pub(crate) fn take_most() -> usize {
    MOST.replace(HELD.get())
}

#[expect(unsafe_code, reason = "an allocator is unsafe by its trait; this one hands everything on")]
// SAFETY: every call goes to the system's allocator as it came.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        let held = HELD.get().saturating_add(layout.size());
        HELD.set(held);
        MOST.set(MOST.get().max(held));
        // SAFETY: as the caller promised.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, memory: *mut u8, layout: Layout) {
        HELD.set(HELD.get().saturating_sub(layout.size()));
        // SAFETY: as the caller promised.
        unsafe { System.dealloc(memory, layout) }
    }
}
