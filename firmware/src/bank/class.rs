//! What the sensors may be wrong by, and how wrong they seem to be.
//!
//! Errors of size and of angle come in pairs: accuracy classes allow about as much of the one as of the other (IEC 61869-2 and
//! 61869-11, from memory: class 1 is 1 % and 1.2 or 1.8 crad, class 3 is 3 % and 3.5 crad or nothing). Errors of size leave no
//! trace, errors of angle do. So what can be seen of sensors tells how far what cannot be seen is to be trusted.

use wyelog_protocol::bank::SensorClass;

/// Ratio of the neutral current's sensor, σ: ±0.6 %.
const NEUTRAL: f32 = 0.004;

/// Before anything is seen sensors are taken to be so much better than they may be, and that counts as much as one value seen.
const LIKELY: f32 = 0.3;

/// Ratio error of good sensors as they hang there (common practice, no source).
const GOOD: f32 = 0.006;

/// The largest errors, per unit.
#[derive(Clone, Copy, Debug)]
pub struct Class {
    /// Ratio of a voltage sensor.
    pub ratio: f32,
    /// Angle of a voltage sensor against the neutral's, in rad.
    pub angle: f32,
    /// Third harmonic that a voltage sensor makes.
    pub own_third: f32,
    /// Fundamental in the neutral that is not the bank's.
    pub stray: f32,
    /// Third harmonic in the neutral that is not the bank's.
    pub stray_third: f32,
}

impl Class {
    /// Resistive dividers and capacitive line-post sensors as they hang there.
    pub const DEFAULT: Self =
        Self { ratio: 0.03, angle: 0.026_18, own_third: 0.002, stray: 0.015, stray_third: 0.006 };

    /// As the settings state it; what they do not state is that of [`Self::DEFAULT`].
    pub fn new(stated: &SensorClass) -> Self {
        const PERCENT: f32 = 0.01;
        const RADIANS: f32 = core::f32::consts::PI / 180.0;
        let or =
            |value: Option<f32>, unit: f32, default: f32| value.map_or(default, |value| value.abs() * unit);
        let default = Self::DEFAULT;
        Self {
            ratio: or(stated.ratio.value(), PERCENT, default.ratio),
            angle: or(stated.displacement.value(), RADIANS, default.angle),
            own_third: or(stated.own_third.value(), PERCENT, default.own_third),
            stray: or(stated.stray.value(), PERCENT, default.stray),
            stray_third: or(stated.stray_third.value(), PERCENT, default.stray_third),
        }
    }
}

/// σ of what lies anywhere between plus and minus one: the root of a third.
const UNIFORM: f32 = 0.577;

impl Class {
    /// How far a voltage that a sensor shows may be from the true one.
    pub fn largest(&self) -> f32 {
        libm::sqrtf(self.ratio * self.ratio + self.angle * self.angle)
    }

    /// σ of the ratio of a voltage sensor.
    pub fn ratio_sigma(&self) -> f32 {
        UNIFORM * self.ratio
    }

    /// σ of its angle.
    pub fn angle_sigma(&self) -> f32 {
        UNIFORM * self.angle
    }

    /// σ of the ratio of the neutral current's sensor.
    pub const fn neutral_sigma(&self) -> f32 {
        NEUTRAL
    }

    /// σ of a phase's difference from the mean as a window shows it: three ratios, three angles, stray current; `scale` as by
    /// [`Self::scale`]: of stray current it says nothing.
    pub fn difference_sigma(&self, scale: f32) -> f32 {
        // (2/3)·(1/3) of each square; of stray current of any size up to the largest and any angle two thirds in one direction.
        let of_sensors = (self.ratio * self.ratio + self.angle * self.angle) * scale * scale;
        libm::sqrtf(0.222 * of_sensors + 0.074 * self.stray * self.stray)
    }

    /// How wrong the sensors are by what they have shown; 1 for all over what the class allows. Tolerances that cancel what is wrong
    /// with sensors hide it: no better than good ones are.
    pub fn scale(&self, shown: Shown) -> f32 {
        let least = GOOD / self.ratio;
        let least = if least < 1.0 { least } else { 1.0 };
        let scale = shown.scale();
        if scale > least { scale } else { least }
    }

    /// σ of a phase that carries alone, or beside another one, whose angle then counts as well; `scale` as by [`Self::scale`].
    pub fn alone_sigma(&self, scale: f32, is_alone: bool) -> f32 {
        let angle = if is_alone { 0.0 } else { 1.15 * self.angle_sigma() };
        let ratio = self.ratio_sigma();
        let of_sensors = (ratio * ratio + angle * angle) * scale * scale;
        libm::sqrtf(of_sensors + NEUTRAL * NEUTRAL + 0.167 * self.stray * self.stray)
    }
}

/// What has been seen of sensors.
#[derive(Clone, Copy, Debug)]
pub struct Shown {
    /// Squares of values, each over the σ that the class gives it.
    pub squares: f32,
    /// How many.
    pub count: f32,
}

impl Shown {
    /// Two differences that are as wrong as the class allows, as long as none has been seen.
    pub const UNSEEN: Self = Self { squares: 2.0, count: 2.0 };

    /// The same with one more sum of squares.
    #[must_use]
    pub fn and(self, squares: f32, count: f32) -> Self {
        Self { squares: self.squares + squares, count: self.count + count }
    }

    /// How wrong the sensors are by that; 1 for all over what their class allows.
    pub fn scale(self) -> f32 {
        libm::sqrtf((LIKELY * LIKELY + self.squares) / (1.0 + self.count))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use wyelog_protocol::quantity::Percent;

    /// Sensors drawn all over their class, and three times better: the mean of the squares of what they show, over that of what is
    /// then said of them.
    #[test]
    fn the_scale_is_that_of_what_was_seen() {
        let nothing = Shown { squares: 0.0, count: 0.0 };
        let scale = |squares, count| nothing.and(squares, count).scale();
        assert!((scale(3.0, 3.0) - 0.88).abs() < 0.01, "{}", scale(3.0, 3.0));
        let good = scale(3.0 * 0.04, 3.0);
        assert!((0.2..0.3).contains(&good), "{good}");
        // All three at the largest that the class allows: three times the variance.
        assert!((scale(9.0, 3.0) - 1.51).abs() < 0.01);
        // With nothing but a few values a sensor is never perfect, and without any not known to be good.
        assert!((0.1..0.2).contains(&scale(0.0, 3.0)) && (0.8..1.0).contains(&Shown::UNSEEN.scale()));
        // The more is seen the less does it matter what was thought.
        let shown = nothing.and(1.0, 2.0).and(2.0, 3.0);
        assert!((shown.scale() - scale(3.0, 5.0)).abs() < 1e-6);
    }

    #[test]
    fn the_default_is_that_of_the_settings() {
        let (ours, stated) = (Class::DEFAULT, Class::new(&SensorClass::DEFAULT));
        for (ours, stated) in [
            (ours.ratio, stated.ratio),
            (ours.angle, stated.angle),
            (ours.own_third, stated.own_third),
            (ours.stray, stated.stray),
            (ours.stray_third, stated.stray_third),
        ] {
            assert!((ours - stated).abs() < 1e-5, "{ours} {stated}");
        }
        let better =
            SensorClass { ratio: Percent::quantise(0.6), own_third: Percent::ABSENT, ..SensorClass::DEFAULT };
        let better = Class::new(&better);
        assert!((better.ratio - 0.006).abs() < 1e-6 && (better.own_third - 0.002).abs() < 1e-6);
    }

    #[test]
    fn a_difference_is_of_three_sensors_and_stray_current() {
        let class = Class::DEFAULT;
        let difference = class.difference_sigma(1.0);
        let sensors = 2.0 / 9.0 * (0.03 * 0.03 + 0.026_18 * 0.026_18);
        let by_hand = libm::sqrtf(sensors + 4.0 / 9.0 / 6.0 * 0.015 * 0.015);
        assert!((difference - by_hand).abs() < 1e-4, "{difference} {by_hand}");
        assert!(class.alone_sigma(1.0, false) > class.alone_sigma(1.0, true));
        assert!(class.alone_sigma(0.0, true) > NEUTRAL);
    }
}
