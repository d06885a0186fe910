//! Random numbers of a record: one stream for each record, so that any of them can be drawn alone.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng;

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub struct Random(Pcg64);

impl Random {
    /// The stream of record `index` of a study with this seed.
    pub fn new(seed: u64, index: u64) -> Self {
        // An odd constant spreads small seeds over the whole state.
        let state = u128::from(seed).wrapping_mul(0x9e37_79b9_7f4a_7c15_f39c_c060_5ced_c835);
        Self(Pcg64::new(state, u128::from(index)))
    }

    /// Uniform in 0…1, the 1 left out.
    pub fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / 9_007_199_254_740_992.0
    }

    /// Uniform between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Between two positive numbers, uniform in the logarithm.
    pub fn log_between(&mut self, low: f64, high: f64) -> f64 {
        low * libm::pow(high / low, self.uniform())
    }

    /// Any angle, in degrees.
    pub fn angle(&mut self) -> f64 {
        self.between(-180.0, 180.0)
    }

    /// Whether something of this probability happens.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }

    /// One of `count`, from 0.
    pub fn below(&mut self, count: usize) -> usize {
        ((self.uniform() * count as f64) as usize).min(count.saturating_sub(1))
    }

    /// A sign.
    pub fn sign(&mut self) -> f64 {
        if self.chance(0.5) { 1.0 } else { -1.0 }
    }

    /// One of these.
    ///
    /// # Panics
    /// There is none.
    pub fn of<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[self.below(choices.len())]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_record_has_a_stream_of_its_own() {
        let draw = |seed, index| Random::new(seed, index).uniform();
        assert_eq!(draw(1, 7), draw(1, 7));
        assert!(draw(1, 7) != draw(1, 8) && draw(1, 7) != draw(2, 7));
    }

    #[test]
    fn numbers_stay_in_their_range() {
        let mut random = Random::new(3, 0);
        for _ in 0..10_000 {
            assert!((2.0..3.0).contains(&random.between(2.0, 3.0)));
            assert!((0.1..=2.0).contains(&random.log_between(0.1, 2.0)));
            assert!(random.below(3) < 3);
        }
    }
}
