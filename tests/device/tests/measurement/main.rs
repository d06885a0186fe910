//! The measurement, judged: limits over the whole range, sags, numpy and scipy beside it, the worst signals on the ARM image.
//!
//! The limits are those of `measurement::tally`: about a tenth of the standards', which are from memory.

mod emulated;
mod limits;
mod outside;
