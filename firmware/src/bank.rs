//! What is known of the bank: which phases carry current, how much capacitance each has, and what is wrong with it.
//!
//! [`baseline`] is what the bank was like when it was commissioned; [`look`] is a window as the judge sees it; [`class`] is what the
//! sensors may be wrong by; [`carry`] tells which phases carry; [`change`] names a change of the residual;
//! [`estimate`] keeps the connected capacitances with their standard deviations; [`opening`] is what the staggered clearing of
//! the poles tells of them; [`operation`] is what the switch did; [`judge`] puts them together and says what is there now, as
//! [`finding`]s.

pub mod baseline;
pub mod carry;
pub mod change;
pub mod class;
pub mod estimate;
pub mod finding;
pub mod judge;
pub mod look;
pub mod opening;
pub mod operation;
