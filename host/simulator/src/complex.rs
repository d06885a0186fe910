//! Complex numbers in f64 for the solver: arithmetic only, so that no library's choice of float functions can
//! change a bit.

use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub};

/// A complex number.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Complex {
    /// Real part.
    pub re: f64,
    /// Imaginary part.
    pub im: f64,
}

impl Complex {
    /// Zero.
    pub const ZERO: Self = Self { re: 0.0, im: 0.0 };
    /// One.
    pub const ONE: Self = Self { re: 1.0, im: 0.0 };

    /// `re + j·im`.
    pub const fn new(re: f64, im: f64) -> Self {
        Self { re, im }
    }

    /// `size ∠ degrees`.
    pub fn polar(size: f64, degrees: f64) -> Self {
        let (sin, cos) = libm::sincos(degrees * (core::f64::consts::PI / 180.0));
        Self { re: size * cos, im: size * sin }
    }

    /// Size.
    pub fn abs(self) -> f64 {
        libm::hypot(self.re, self.im)
    }

    /// Angle in degrees, −180…180.
    pub fn degrees(self) -> f64 {
        libm::atan2(self.im, self.re) * (180.0 / core::f64::consts::PI)
    }

    /// The number times a real one.
    pub fn scaled(self, factor: f64) -> Self {
        Self { re: self.re * factor, im: self.im * factor }
    }
}

impl Add for Complex {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { re: self.re + other.re, im: self.im + other.im }
    }
}

impl AddAssign for Complex {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl Sub for Complex {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self { re: self.re - other.re, im: self.im - other.im }
    }
}

impl Neg for Complex {
    type Output = Self;
    fn neg(self) -> Self {
        Self { re: -self.re, im: -self.im }
    }
}

impl Mul for Complex {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        Self { re: self.re * other.re - self.im * other.im, im: self.re * other.im + self.im * other.re }
    }
}

impl Div for Complex {
    type Output = Self;
    fn div(self, other: Self) -> Self {
        let size = other.re * other.re + other.im * other.im;
        let product = self * Self { re: other.re, im: -other.im };
        Self { re: product.re / size, im: product.im / size }
    }
}
