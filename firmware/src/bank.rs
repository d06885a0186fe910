//! What the measurement says of the bank.

pub mod opening;
