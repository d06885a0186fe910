//! Command line of the build program.
fn main() {}
