//! A place for a value that is used from an interrupt, but made in `main`.

use core::cell::UnsafeCell;
use core::hint::black_box;
use core::mem::MaybeUninit;
use core::sync::atomic::{AtomicBool, Ordering};

/// Holds a `T` once it was given, and lends it to one user at a time.
///
/// Empty it is all zero, so that it takes no room in flash.
pub struct Owned<T> {
    /// Whether there is a value that nobody uses just now.
    free: AtomicBool,
    value: UnsafeCell<MaybeUninit<T>>,
}

// SAFETY: `free` lets one context at the value; it is handed over from context to context, so it must be `Send`.
#[expect(unsafe_code, reason = "the cell is a static that interrupts reach")]
unsafe impl<T: Send> Sync for Owned<T> {}

impl<T> Owned<T> {
    /// A cell without a value.
    pub const fn empty() -> Self {
        Self { free: AtomicBool::new(false), value: UnsafeCell::new(MaybeUninit::uninit()) }
    }

    /// Puts the value in. Called from `main`, once, before the interrupt that uses it is enabled.
    pub fn give(&self, value: T) {
        // SAFETY: while `free` is false nobody else touches the value, and only `main` gives.
        #[expect(unsafe_code, reason = "interior mutability of a static")]
        unsafe {
            (*self.value.get()).write(value);
        }
        self.free.store(true, Ordering::Release);
    }

    /// Lends the value to `work`. `None` if there is none yet, or somebody else has it.
    pub fn with<R>(&self, work: impl FnOnce(&mut T) -> R) -> Option<R> {
        if !self.free.swap(false, Ordering::Acquire) {
            return None;
        }
        // SAFETY: `free` was true, so a value was given; it is false now, so nobody else borrows it.
        // The compiler must not know where it is: it would make every access from the address, which takes more instructions
        // than an offset from a pointer.
        #[expect(unsafe_code, reason = "interior mutability of a static")]
        let result = work(unsafe { (*black_box(self.value.get())).assume_init_mut() });
        self.free.store(true, Ordering::Release);
        Some(result)
    }
}
