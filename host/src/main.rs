//! wyelog host tool.
fn main() {}
