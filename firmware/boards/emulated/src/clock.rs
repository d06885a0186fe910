//! The machine's dual timer: one half strikes for every frame, the other runs free and times everything else.
//!
//! Registers: ARM "Cortex-M System Design Kit", dual timer. The single timers will not do: a write to their reload
//! register starts the period anew, and 25 MHz does not divide by 4800.

use crate::machine::Register;

/// Both halves count at 25 MHz.
pub const TICKS_PER_SECOND: u32 = 25_000_000;

/// One half: 32 bits, downwards, from BGLOAD again when it has passed zero.
struct Half {
    load: Register,
    value: Register,
    control: Register,
    int_clear: Register,
    background_load: Register,
}

impl Half {
    const fn at(base: usize) -> Self {
        Self {
            load: Register::at(base),
            value: Register::at(base.wrapping_add(0x04)),
            control: Register::at(base.wrapping_add(0x08)),
            int_clear: Register::at(base.wrapping_add(0x0C)),
            background_load: Register::at(base.wrapping_add(0x18)),
        }
    }
}

const FREE: Half = Half::at(0x4000_2000);
const FRAME: Half = Half::at(0x4000_2020);

const ENABLE_PERIODIC_32_BIT: u32 = 0xC2;
const WITH_INTERRUPT: u32 = 0x20;

/// Starts the free-running half.
pub fn start() {
    FREE.load.write(u32::MAX);
    FREE.background_load.write(u32::MAX);
    FREE.control.write(ENABLE_PERIODIC_32_BIT);
}

/// Ticks since some moment; wraps after 171 s.
pub fn now() -> u32 {
    !FREE.value.read()
}

/// Spends `ticks`; interrupts go on.
pub fn wait(ticks: u32) {
    let start = now();
    while now().wrapping_sub(start) < ticks {}
}

/// The 4800 Hz of the frames: 25 MHz / 4800 = 5208⅓, so every third period is one tick longer.
pub struct FrameTimer {
    phase: u8,
}

impl FrameTimer {
    /// Starts it.
    pub fn start() -> Self {
        let mut timer = Self { phase: 0 };
        FRAME.load.write(timer.next_load());
        FRAME.control.write(ENABLE_PERIODIC_32_BIT | WITH_INTERRUPT);
        FRAME.background_load.write(timer.next_load());
        timer
    }

    /// To be called in its interrupt: takes the strike back and sets the period after the one that runs.
    pub fn strike(&mut self) {
        FRAME.int_clear.write(1);
        FRAME.background_load.write(self.next_load());
    }

    /// Stops it.
    pub fn stop(&self) {
        FRAME.control.write(0);
        FRAME.int_clear.write(1);
    }

    /// The counter passes through zero: a period is one tick longer than the value it starts from.
    fn next_load(&mut self) -> u32 {
        self.phase = if self.phase >= 2 { 0 } else { self.phase.wrapping_add(1) };
        if self.phase == 2 { 5208 } else { 5207 }
    }
}
