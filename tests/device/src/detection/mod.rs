//! How well the firmware finds and names what is wrong: a randomised study. Records are drawn over the ranges that the numbers
//! in `firmware/DETECTION.md` are stated for, written in the scenario language, played to the firmware's Meter in process, and
//! judged against the simulator's truth.

pub mod another_day;
pub mod attack;
pub mod class;
pub mod curve;
pub mod curve_plot;
pub mod expected;
pub mod heard;
pub mod judge;
pub mod matrix;
pub mod numbers;
pub mod parallel;
pub mod random;
pub mod record;
pub mod report;
pub mod site;
pub mod study;
pub mod years;
