//! From frames to numbers.
//!
//! Every frame goes into the [`history::History`]; [`cycles`] watches the frequency, [`half_cycle`] the rms of each
//! cycle, refreshed each half cycle. When a window of 10 or 12 cycles of the measured frequency ([`pace`]) is complete,
//! [`window`] resamples it to 1024 points and transforms them, a slice at each of the frames that follow, so that
//! no step is long; [`harmonics`] reads the transform. [`burst`] watches for neutral current that the voltages do not explain.
//!
//! A crate of its own because these are the lines that run at every frame: it is compiled for speed, the rest of the firmware for
//! size.
#![no_std]
#![forbid(unsafe_code)]
#![cfg_attr(
    not(test),
    deny(
        clippy::indexing_slicing,
        clippy::arithmetic_side_effects,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_possible_wrap,
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic
    )
)]

pub mod burst;
pub mod cycles;
pub mod frame;
pub mod half_cycle;
pub mod harmonics;
pub mod history;
pub mod kernel;
pub mod pace;
pub mod position;
pub mod window;

pub use wyelog_protocol::FRAMES_PER_SECOND;
