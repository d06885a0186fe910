//! Published values through the generator and a double-precision Fourier transform.
use super::*;
