//! How much of the stack was ever used: start-up paints it (cortex-m-rt, feature `paint-stack`), and use takes the
//! paint off.

use cortex_m_rt::STACK_PAINT_VALUE;

#[expect(unsafe_code, reason = "the stack's ends are symbols of memory.x")]
unsafe extern "C" {
    static _stack_start: u32;
    static _stack_end: u32;
}

/// Bytes of the stack that have been used, and that there are.
pub fn used() -> (usize, usize) {
    let (lowest, start) = ((&raw const _stack_end).addr(), (&raw const _stack_start).addr());
    let painted =
        (lowest..start).step_by(size_of::<u32>()).take_while(|address| is_painted(*address)).count();
    let size = start.saturating_sub(lowest);
    (size.saturating_sub(painted.saturating_mul(size_of::<u32>())), size)
}

fn is_painted(address: usize) -> bool {
    // SAFETY: a word of the stack, and any bits make a number; volatile, for it may be unused so far.
    #[expect(unsafe_code, reason = "the stack is looked at from outside")]
    let word = unsafe { core::ptr::with_exposed_provenance::<u32>(address).read_volatile() };
    word == STACK_PAINT_VALUE
}
