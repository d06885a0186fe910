//! Shared arithmetic of the capacitor bank: phasors, sequences, unbalance, ratings, neutral current.
//!
//! Device and host compute with the same functions, so what the logger decided can be recomputed from its log. All
//! numbers are `f32` and every float function is a `libm` one (or [`trig`], which exists because `libm`'s single
//! precision sine computes in double precision, and the device links no double arithmetic). The same input therefore
//! gives the same bits on every machine.
//!
//! Conventions, everywhere in this crate:
//! - phasors are **rms**, cosine reference; rotation is A, B, C unless a [`Rotation`] says otherwise;
//! - arrays of three are phases A, B, C in this order;
//! - a capacitor's current leads its voltage: `I = +jωC·V`; the neutral current flows **from the star point to ground**;
//! - `y` is the connected capacitance of a phase over its rated capacitance: 1 is healthy, 0 is a blown fuse;
//! - a quantity that cannot be computed from its input (mean of zero, NaN, impossible counts) is `None`, never NaN.
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

pub mod aggregate;
pub mod capacitor;
pub mod fuse;
pub mod group;
pub mod neutral;
pub mod phasor;
pub mod sequence;
pub mod signature;
pub mod trig;
pub mod unbalance;

pub use aggregate::MeanSquare;
pub use capacitor::Loading;
pub use phasor::Phasor;
pub use sequence::{Rotation, SequenceComponents};
pub use signature::{LostPhases, SignatureMatch};

/// √3, the ratio of line-to-line to line-to-neutral voltage.
pub const SQRT_3: f32 = 1.732_050_8;

/// The value itself when it is a number one can go on with: the one place where NaN and infinity become `None`.
pub(crate) fn finite(value: f32) -> Option<f32> {
    value.is_finite().then_some(value)
}

/// The larger of two numbers. Not `f32::max`, whose answer for ±0 differs between builds; a NaN in `b` is ignored.
pub(crate) fn larger(a: f32, b: f32) -> f32 {
    if b > a { b } else { a }
}

/// The smaller of two numbers; a NaN in `b` is ignored.
pub(crate) fn smaller(a: f32, b: f32) -> f32 {
    if b < a { b } else { a }
}
