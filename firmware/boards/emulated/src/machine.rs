//! The AN386: its interrupt lines, its vector table and how a register is reached.
//!
//! Addresses and lines: ARM application note 386, "ARM Cortex-M4 SMM on V2M-MPS2", memory map and interrupts.

use cortex_m::interrupt::InterruptNumber;
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
    let mut table: [Handler; 32] = [crate::note::unexpected; 32];
    table[Line::UartReceive as usize] = crate::uart_receive;
    table[Line::UartTransmit as usize] = crate::uart_transmit;
    table[Line::Frame as usize] = crate::frame;
    table
};

/// Gives each interrupt its place in the table at the top of `main`: the smaller the number, the more it preempts.
pub fn set_priorities() {
    let Some(mut peripherals) = cortex_m::Peripherals::take() else { return };
    // SAFETY: no critical section rests on priorities, and no interrupt is enabled yet.
    #[expect(unsafe_code, reason = "cortex-m cannot know what rests on priorities")]
    unsafe {
        peripherals.NVIC.set_priority(Line::Frame, 0x20);
        peripherals.NVIC.set_priority(Line::UartReceive, 0x40);
        peripherals.NVIC.set_priority(Line::UartTransmit, 0x40);
        peripherals.SCB.set_priority(SystemHandler::PendSV, 0x60);
    }
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
