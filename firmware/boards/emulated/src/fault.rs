//! Where the processor goes when it cannot go on: each way leads to a [`note`] and a reset.

use crate::note;
use core::arch::naked_asm;
use cortex_m_rt::exception;

/// Hands the stacked pc to [`hard_fault_at`]; 0 unless the frame that holds it lies wholly in the stack.
///
/// The fault may be that the stack overflowed: the stack pointer goes back to its start before anything is pushed.
/// What lay there is needed no more. The frame is eight words, the pc its seventh (ARMv7-M Architecture Reference
/// Manual, "Exception entry behavior"); the process stack is not in use.
#[unsafe(naked)]
#[allow(unsafe_code, reason = "the handler's name is cortex-m-rt's; a naked function takes no expect")]
#[unsafe(export_name = "HardFault")]
extern "C" fn hard_fault() -> ! {
    naked_asm!(
        "mrs r0, MSP",
        "movw r1, #:lower16:_stack_start",
        "movt r1, #:upper16:_stack_start",
        "movw r2, #:lower16:_stack_end",
        "movt r2, #:upper16:_stack_end",
        "msr MSP, r1",
        "sub r1, #32",
        "cmp r0, r2",
        "blo 1f",
        "cmp r0, r1",
        "bhi 1f",
        "ldr r0, [r0, #24]",
        "b {at}",
        "1: mov r0, #0",
        "b {at}",
        at = sym hard_fault_at,
    )
}

extern "C" fn hard_fault_at(address: u32) -> ! {
    note::hard_fault(address)
}

/// An interrupt that nobody had enabled is a fault of the processor, at no instruction.
pub extern "C" fn unexpected() {
    note::hard_fault(0)
}

#[exception]
#[allow(
    unsafe_code,
    reason = "cortex-m-rt's signature; its macro makes two functions of one: expect would fail"
)]
unsafe fn DefaultHandler(_number: i16) -> ! {
    note::hard_fault(0)
}
