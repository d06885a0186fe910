//! Random numbers of a scenario: one stream a purpose, so that a change of one does not move the others.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng;

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub(super) struct Noise(Pcg64);

impl Noise {
    /// Stream `purpose` of the scenario with this seed.
    pub fn new(seed: u64, purpose: u32) -> Self {
        // An odd constant spreads small seeds over the whole state.
        let state = u128::from(seed).wrapping_mul(0x9e37_79b9_7f4a_7c15_f39c_c060_5ced_c835);
        Self(Pcg64::new(state, u128::from(purpose)))
    }

    /// Uniform in 0…1, the 1 left out.
    pub fn uniform(&mut self) -> f64 {
        // 53 bits: exact in f64.
        (self.0.next_u64() >> 11) as f64 / 9_007_199_254_740_992.0
    }

    /// Nearly normal with mean 0 and variance 1: the sum of eight uniform numbers, within ±4.9, at two draws.
    pub fn normal(&mut self) -> f64 {
        let sum = quarters(self.0.next_u64()) + quarters(self.0.next_u64());
        // Mean of one is 32767.5, its variance (2^32 − 1)/12.
        (f64::from(sum) - 262_140.0) / 53_509.919_921_450_08
    }
}

fn quarters(bits: u64) -> u32 {
    let part = |shift: u32| (bits >> shift) as u32 & 0xffff;
    part(0) + part(16) + part(32) + part(48)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments() {
        let mut noise = Noise::new(7, 1);
        let (mut sum, mut squares, mut uniform) = (0.0, 0.0, 0.0);
        for _ in 0..1_000_000 {
            let value = noise.normal();
            sum += value;
            squares += value * value;
            uniform += noise.uniform();
        }
        // Four standard errors each.
        assert!(libm::fabs(sum / 1e6) < 4e-3, "{sum}");
        assert!(libm::fabs(squares / 1e6 - 1.0) < 6e-3, "{squares}");
        assert!(libm::fabs(uniform / 1e6 - 0.5) < 1.2e-3, "{uniform}");
    }
}
