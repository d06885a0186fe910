//! The AN386: its interrupt lines, its vector table and how a register is reached.
//!
//! Addresses and lines: ARM application note 386, "ARM Cortex-M4 SMM on V2M-MPS2", memory map and interrupts.

use cortex_m::asm;
use cortex_m::interrupt::{self, InterruptNumber};
use cortex_m::peripheral::NVIC;
use cortex_m::peripheral::scb::SystemHandler;

/// The interrupt lines in use.
#[derive(Clone, Copy)]
#[repr(u16)]
pub enum Line {
    /// UART 0 has received a byte.
    UartReceive = 0,
    /// UART 0 has sent a byte.
    UartTransmit = 1,
    /// The frame timer has run down.
    Frame = 10,
}

// SAFETY: the numbers are those of the machine's vector table below.
#[expect(unsafe_code, reason = "cortex-m asks for a promise that line numbers are stable")]
unsafe impl InterruptNumber for Line {
    fn number(self) -> u16 {
        self as u16
    }
}

type Handler = extern "C" fn();

/// Where the processor goes for each line.
#[expect(unsafe_code, reason = "the vector table has a fixed place and name (cortex-m-rt, feature `device`)")]
#[expect(clippy::indexing_slicing, reason = "the compiler does it: no such line, no image")]
#[unsafe(link_section = ".vector_table.interrupts")]
#[unsafe(no_mangle)]
static __INTERRUPTS: [Handler; 32] = {
    let mut table: [Handler; 32] = [crate::fault::unexpected; 32];
    table[Line::UartReceive as usize] = crate::uart_receive;
    table[Line::UartTransmit as usize] = crate::uart_transmit;
    table[Line::Frame as usize] = crate::frame;
    table
};

/// No access, no code, 2^28 bytes, in use: the attributes and size of a region of the MPU.
const NOTHING_IN_256_MIB: u32 = (1 << 28) | (27 << 1) | 1;
/// The MPU is on, except in the handler of hard faults, and leaves what is in no region as it was.
const MPU_ON: u32 = 0b101;

/// Puts up the guard below the stack, and gives each interrupt its place in the table at the top of `main`: the smaller
/// the number, the more it preempts. To be called first of all.
///
/// Without the guard a stack that overflows reads zeros there: nothing lies from 0x1000_0000 to the RAM, and this machine
/// does not mind who asks for it.
pub fn prepare() {
    let Some(mut peripherals) = cortex_m::Peripherals::take() else { return };
    // SAFETY: nothing of this program lies in the region; no critical section rests on priorities, and no interrupt is
    // enabled yet.
    #[expect(unsafe_code, reason = "cortex-m cannot know what lies where, and what rests on priorities")]
    unsafe {
        peripherals.MPU.rnr.write(0);
        peripherals.MPU.rbar.write(0x1000_0000);
        peripherals.MPU.rasr.write(NOTHING_IN_256_MIB);
        peripherals.MPU.ctrl.write(MPU_ON);
        peripherals.NVIC.set_priority(Line::Frame, 0x20);
        peripherals.NVIC.set_priority(Line::UartReceive, 0x40);
        peripherals.NVIC.set_priority(Line::UartTransmit, 0x40);
        peripherals.SCB.set_priority(SystemHandler::PendSV, 0x60);
    }
    asm::dsb();
    asm::isb();
}

/// Lets the interrupts come.
pub fn unmask() {
    for line in [Line::Frame, Line::UartReceive, Line::UartTransmit] {
        // SAFETY: what they work with has been given to them.
        #[expect(unsafe_code, reason = "cortex-m cannot know what rests on masked lines")]
        unsafe {
            NVIC::unmask(line);
        }
    }
}

/// Waits for the next interrupt, unless there is `work` already.
///
/// Interrupts are off from the question to the wait: one that comes between stays pending, and ends the wait all the
/// same (ARMv7-M Architecture Reference Manual, "Wait For Interrupt"). With them on it would be served before the wait,
/// which nothing might then end.
pub fn sleep_unless(work: impl FnOnce() -> bool) {
    interrupt::free(|_| {
        if !work() {
            asm::wfi();
        }
    });
}

/// One 32-bit register of the machine.
pub struct Register(usize);

impl Register {
    /// The register at `address`, which must be one of the application note's.
    pub const fn at(address: usize) -> Self {
        Self(address)
    }

    /// Reads it.
    pub fn read(&self) -> u32 {
        // SAFETY: registers are made from the constants of this crate only, each a device register of the machine.
        #[expect(unsafe_code, reason = "memory-mapped IO")]
        unsafe {
            core::ptr::with_exposed_provenance::<u32>(self.0).read_volatile()
        }
    }

    /// Writes it.
    pub fn write(&self, value: u32) {
        // SAFETY: as for `read`; none of these registers makes the machine touch memory.
        #[expect(unsafe_code, reason = "memory-mapped IO")]
        unsafe {
            core::ptr::with_exposed_provenance_mut::<u32>(self.0).write_volatile(value);
        }
    }
}
