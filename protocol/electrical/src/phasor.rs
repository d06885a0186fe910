//! A sinusoid as a complex number.

use core::iter::Sum;
use core::ops::{Add, AddAssign, Mul, Neg, Sub, SubAssign};

use crate::trig;

/// An **rms** phasor, cosine reference: `√2·|p|·cos(ωt + ∠p)`. The unit is that of the quantity (V, A, or per unit).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Phasor {
    /// In-phase part.
    pub re: f32,
    /// Quadrature part, positive when leading.
    pub im: f32,
}

impl Phasor {
    /// Nothing.
    pub const ZERO: Self = Self::new(0.0, 0.0);
    /// 1∠0°.
    pub const ONE: Self = Self::new(1.0, 0.0);
    /// 1∠90°.
    pub const J: Self = Self::new(0.0, 1.0);
    /// The operator a of symmetrical components, 1∠+120°.
    pub const A: Self = Self::new(-0.5, 0.866_025_4);
    /// a² = 1∠−120°.
    pub const A2: Self = Self::new(-0.5, -0.866_025_4);

    /// From rectangular parts.
    #[must_use]
    pub const fn new(re: f32, im: f32) -> Self {
        Self { re, im }
    }

    /// From magnitude and angle in radians.
    #[must_use]
    pub fn from_polar(magnitude: f32, radians: f32) -> Self {
        let (sin, cos) = trig::sin_cos(radians);
        Self::new(magnitude * cos, magnitude * sin)
    }

    /// From magnitude and angle in degrees; quarter turns are exact.
    #[must_use]
    pub fn from_polar_degrees(magnitude: f32, degrees: f32) -> Self {
        let (sin, cos) = trig::sin_cos_degrees(degrees);
        Self::new(magnitude * cos, magnitude * sin)
    }

    /// The three phases of a balanced set: `magnitude` at 0°, −120°, +120° (A, B, C).
    #[must_use]
    pub fn balanced(magnitude: f32) -> [Self; 3] {
        [Self::ONE.scale(magnitude), Self::A2.scale(magnitude), Self::A.scale(magnitude)]
    }

    /// Square of the magnitude.
    #[must_use]
    pub fn magnitude_squared(self) -> f32 {
        self.re * self.re + self.im * self.im
    }

    /// Magnitude (rms). Good to an ulp or two between 1e-18 and 1e18; smaller ones fade to 0, larger ones give infinity
    /// (the price of doing without `hypotf`, see [`trig`]).
    #[must_use]
    pub fn magnitude(self) -> f32 {
        libm::sqrtf(self.magnitude_squared())
    }

    /// Angle in radians, −π to π; 0 for a zero phasor.
    #[must_use]
    pub fn angle(self) -> f32 {
        libm::atan2f(self.im, self.re)
    }

    /// Angle in degrees, −180 to 180; 0 for a zero phasor.
    #[must_use]
    pub fn angle_degrees(self) -> f32 {
        self.angle() * trig::DEGREES_PER_RADIAN
    }

    /// Complex conjugate.
    #[must_use]
    pub fn conj(self) -> Self {
        Self::new(self.re, -self.im)
    }

    /// Multiplied by a real number.
    #[must_use]
    pub fn scale(self, factor: f32) -> Self {
        Self::new(self.re * factor, self.im * factor)
    }

    /// Multiplied by j: a quarter turn forward, exact.
    #[must_use]
    pub fn times_j(self) -> Self {
        Self::new(-self.im, self.re)
    }

    /// Turned by an angle in radians, positive forward.
    #[must_use]
    pub fn rotate(self, radians: f32) -> Self {
        self * Self::from_polar(1.0, radians)
    }

    /// Turned by an angle in degrees, positive forward.
    #[must_use]
    pub fn rotate_degrees(self, degrees: f32) -> Self {
        self * Self::from_polar_degrees(1.0, degrees)
    }

    /// Whether both parts are finite.
    #[must_use]
    pub fn is_finite(self) -> bool {
        self.re.is_finite() && self.im.is_finite()
    }

    /// Quotient; `None` when the divisor is zero (or its square underflows, below about 1e-19) or the result is not
    /// finite.
    #[must_use]
    pub fn checked_div(self, divisor: Self) -> Option<Self> {
        let square = divisor.magnitude_squared();
        if square < f32::MIN_POSITIVE || !square.is_finite() {
            return None;
        }
        let product = self * divisor.conj();
        let quotient = Self::new(product.re / square, product.im / square);
        quotient.is_finite().then_some(quotient)
    }

    /// 1∠(own angle); `None` for a zero or non-finite phasor.
    #[must_use]
    pub fn direction(self) -> Option<Self> {
        let magnitude = self.magnitude();
        if magnitude > 0.0 && magnitude.is_finite() {
            Some(Self::new(self.re / magnitude, self.im / magnitude))
        } else {
            None
        }
    }
}

impl Add for Phasor {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self::new(self.re + other.re, self.im + other.im)
    }
}

impl AddAssign for Phasor {
    fn add_assign(&mut self, other: Self) {
        self.re += other.re;
        self.im += other.im;
    }
}

impl Sub for Phasor {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self::new(self.re - other.re, self.im - other.im)
    }
}

impl SubAssign for Phasor {
    fn sub_assign(&mut self, other: Self) {
        self.re -= other.re;
        self.im -= other.im;
    }
}

impl Mul for Phasor {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        Self::new(self.re * other.re - self.im * other.im, self.re * other.im + self.im * other.re)
    }
}

impl Mul<f32> for Phasor {
    type Output = Self;
    fn mul(self, factor: f32) -> Self {
        self.scale(factor)
    }
}

impl Neg for Phasor {
    type Output = Self;
    fn neg(self) -> Self {
        Self::new(-self.re, -self.im)
    }
}

impl Sum for Phasor {
    fn sum<I: Iterator<Item = Self>>(items: I) -> Self {
        items.fold(Self::ZERO, |total, item| total + item)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn constants_are_what_they_say() {
        assert_eq!(Phasor::J * Phasor::J, -Phasor::ONE);
        assert_eq!(Phasor::A.conj(), Phasor::A2);
        let sum = Phasor::ONE + Phasor::A + Phasor::A2;
        assert_eq!(sum, Phasor::ZERO);
        assert!((Phasor::A.angle_degrees() - 120.0).abs() < 1e-4);
        assert!((Phasor::A2.magnitude() - 1.0).abs() < 1e-7);
    }

    #[test]
    fn polar_there_and_back() {
        let p = Phasor::from_polar_degrees(7200.0, -122.5);
        assert!((p.magnitude() - 7200.0).abs() < 2e-3);
        assert!((p.angle_degrees() + 122.5).abs() < 2e-5);
        assert!((p.rotate_degrees(122.5).im).abs() < 2e-3);
        assert!((Phasor::from_polar(2.0, 1.0).rotate(-1.0).re - 2.0).abs() < 1e-6);
        assert_eq!(Phasor::from_polar_degrees(3.0, 90.0), Phasor::new(0.0, 3.0));
        assert_eq!(Phasor::new(3.0, 4.0).times_j(), Phasor::J * Phasor::new(3.0, 4.0));
    }

    #[test]
    fn division_never_gives_nan() {
        let p = Phasor::new(3.0, 4.0);
        assert_eq!((p * Phasor::new(1.0, 2.0)).checked_div(p), Some(Phasor::new(1.0, 2.0)));
        for divisor in
            [Phasor::ZERO, Phasor::new(1e-30, 0.0), Phasor::new(f32::NAN, 1.0), Phasor::new(1e30, 0.0)]
        {
            assert_eq!(p.checked_div(divisor), None, "{divisor:?}");
        }
        assert_eq!(Phasor::new(f32::NAN, 0.0).checked_div(p), None);
        assert_eq!(Phasor::ZERO.direction(), None);
        assert_eq!(Phasor::new(0.0, -7.0).direction(), Some(-Phasor::J));
    }
}
