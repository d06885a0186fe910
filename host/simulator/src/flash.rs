//! Simulated NOR flash: [`NorMemory`] keeps the rules, [`FaultyFlash`] breaks what a real part breaks.
//!
//! Both implement the `embedded-storage` traits, so that the firmware's journal runs on them unchanged, in tests, in
//! examples and on the simulated board.

mod faulty;
mod memory;
mod tear;

pub use faulty::{FaultError, FaultyFlash, Flip, Torn};
pub use memory::{Cells, Counts, FlashError, ImageError, NorMemory};
pub use tear::{EraseModel, ProgramModel};
