//! What the tests of the device side share.

pub mod arbitrary;
pub mod arm;
pub mod describe;
pub mod detection;
pub mod measurement;
pub mod play;
pub mod python;
pub mod samples;
pub mod schema;
pub mod shape;
