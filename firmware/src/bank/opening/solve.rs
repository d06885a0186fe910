//! Least squares with priors, by Cholesky's factors of the normal equations with the data as the last unknown. Nothing
//! is inlined, for the image's sake.

/// Rows of a packed triangle of `n` rows end here.
pub const fn packed(n: usize) -> usize {
    n.wrapping_mul(n.wrapping_add(1)) / 2
}

/// Sums of products of terms: the lower triangle, row by row. The last row is that of the data.
#[derive(Clone, Copy, Debug)]
pub struct Normal<const PACKED: usize>([f32; PACKED]);

impl<const PACKED: usize> Normal<PACKED> {
    /// Nothing known.
    pub const fn new() -> Self {
        Self([0.0; PACKED])
    }

    /// Adds a row of values.
    #[inline(never)]
    pub fn add<const TERMS: usize>(&mut self, terms: &[f32; TERMS]) {
        let mut sums = self.0.iter_mut();
        for (count, term) in terms.iter().enumerate() {
            for (other, sum) in terms.iter().take(count.wrapping_add(1)).zip(&mut sums) {
                *sum += term * other;
            }
        }
    }

    /// The sum of products of two terms.
    pub fn at(&self, one: usize, two: usize) -> Option<f32> {
        self.0.get(place(one, two)).copied()
    }

    /// Adds to the sum of products of two terms.
    #[inline(never)]
    pub fn increase(&mut self, one: usize, two: usize, by: f32) {
        if let Some(sum) = self.0.get_mut(place(one, two)) {
            *sum += by;
        }
    }

    /// Adds what is known before of three neighbouring terms from `first` on, in units of the data's variance: each
    /// is zero with variance `own`, plus one of variance `common` that they share. Infinite: nothing is known of what
    /// they share.
    #[inline(never)]
    pub fn prior(&mut self, first: usize, own: f32, common: f32) {
        let shared = if common.is_finite() { common / (own + 3.0 * common) } else { 1.0 / 3.0 };
        for one in 0..3 {
            for two in 0..=one {
                let same = if one == two { 1.0 } else { 0.0 };
                self.increase(first.wrapping_add(one), first.wrapping_add(two), (same - shared) / own);
            }
        }
    }

    /// The factor of the sums. Its last element is the square root of what remains of the data's square;
    /// `None` when the terms do not tell each other apart.
    #[inline(never)]
    pub fn factor(mut self) -> Option<Self> {
        let mut start = 0_usize;
        let mut count = 0_usize;
        while start < PACKED {
            let (above, from) = self.0.split_at_mut_checked(start)?;
            let mut above = above.iter();
            for column in 0..=count {
                let (row, from) = from.split_at_mut_checked(column)?;
                let target = from.first_mut()?;
                let mut rest = *target;
                if column == count {
                    for left in &*row {
                        rest -= left * left;
                    }
                    // Data that the terms explain to the last bit are no failure.
                    let is_data = packed(count.wrapping_add(1)) >= PACKED;
                    *target = match rest {
                        rest if rest > 0.0 => libm::sqrtf(rest),
                        rest if rest <= 0.0 && is_data => 0.0,
                        _ => return None,
                    };
                } else {
                    for (left, other) in row.iter().zip(&mut above) {
                        rest -= left * other;
                    }
                    *target = rest / above.next()?;
                }
            }
            count = count.wrapping_add(1);
            start = packed(count);
        }
        Some(self)
    }

    /// Of a factor: the square of the data that the terms leave.
    pub fn rest(&self) -> f32 {
        self.0.last().map_or(f32::NAN, |root| root * root)
    }

    /// Of a factor: the terms, from the first on; as many as there are before the data.
    #[inline(never)]
    pub fn solution<const COUNT: usize>(&self) -> [f32; COUNT] {
        let mut terms = [0.0; COUNT];
        for row in (0..COUNT).rev() {
            let mut rest = self.at(COUNT, row).unwrap_or(f32::NAN);
            for (below, term) in terms.iter().enumerate().skip(row.wrapping_add(1)) {
                rest -= self.at(below, row).unwrap_or(f32::NAN) * term;
            }
            let own = self.at(row, row).unwrap_or(f32::NAN);
            if let Some(term) = terms.get_mut(row) {
                *term = rest / own;
            }
        }
        terms
    }

    /// Of a factor: covariance of the last three terms before the data, in units of the data's variance.
    #[inline(never)]
    pub fn covariance(&self) -> Option<[[f32; 3]; 3]> {
        let mut rows = 0_usize;
        while packed(rows) < PACKED {
            rows = rows.wrapping_add(1);
        }
        let data = rows.checked_sub(1)?;
        let (x, y, z) = (data.checked_sub(3)?, data.checked_sub(2)?, data.checked_sub(1)?);
        let at = |row, column| self.at(row, column);
        let (xx, yx, yy) = (at(x, x)?, at(y, x)?, at(y, y)?);
        let (zx, zy, zz) = (at(z, x)?, at(z, y)?, at(z, z)?);
        // Columns of the inverse of the factor's last block.
        let (ix, iy, iz) = (1.0 / xx, 1.0 / yy, 1.0 / zz);
        let iyx = -yx * ix * iy;
        let izy = -zy * iy * iz;
        let izx = -(zx * ix + zy * iyx) * iz;
        let inverse = [[ix, 0.0, 0.0], [iyx, iy, 0.0], [izx, izy, iz]];
        let mut covariance = [[0.0; 3]; 3];
        for row in inverse {
            for (line, left) in covariance.iter_mut().zip(row) {
                for (sum, other) in line.iter_mut().zip(row) {
                    *sum += left * other;
                }
            }
        }
        Some(covariance)
    }
}

const fn place(one: usize, two: usize) -> usize {
    let (row, column) = if one >= two { (one, two) } else { (two, one) };
    packed(row).wrapping_add(column)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Judge: numpy.linalg.lstsq of the same six rows, and inv(AᵀA).
    #[test]
    fn a_worked_case() {
        let rows = [
            [1.0, 0.5, 2.0, -1.0, 3.1],
            [0.0, 1.0, 1.5, 0.3, 2.0],
            [2.0, -1.0, 0.0, 1.0, 0.4],
            [1.5, 0.0, -1.0, 2.0, -0.7],
            [0.2, 0.8, 0.6, -2.0, 1.9],
            [-1.0, 2.0, 0.1, 0.4, 1.2],
        ];
        let mut normal = Normal::<{ packed(5) }>::new();
        for row in &rows {
            normal.add(row);
        }
        let factor = normal.factor().unwrap();
        let (solution, covariance) = (factor.solution::<4>(), factor.covariance().unwrap());
        let expected = (
            [0.6417335, 0.8422268, 0.8879783, -0.2933381],
            [
                [0.2737247, -0.167297, -0.0695528],
                [-0.167297, 0.3058201, 0.153403],
                [-0.0695528, 0.153403, 0.1890104],
            ],
            0.1423335,
        );
        for (found, expected) in solution.iter().zip(expected.0) {
            assert!((found - expected).abs() < 2e-6, "{solution:?}");
        }
        for (found, expected) in covariance.iter().flatten().zip(expected.1.iter().flatten()) {
            assert!((found - expected).abs() < 2e-6, "{covariance:?}");
        }
        assert!((factor.rest() - expected.2).abs() < 2e-6, "{}", factor.rest());
    }

    #[test]
    fn a_prior_pulls_and_terms_that_are_one_are_none() {
        let mut normal = Normal::<{ packed(4) }>::new();
        for row in [[1.0, 0.0, 0.0, 1.0], [0.0, 1.0, 0.0, 1.0], [0.0, 0.0, 1.0, 4.0]] {
            normal.add(&row);
        }
        let mut shared = normal;
        // Own variance 1: half of each deviation from the mean stays, and the mean is free.
        shared.prior(0, 1.0, f32::INFINITY);
        let solution = shared.factor().unwrap().solution::<3>();
        for (found, expected) in solution.iter().zip([1.5, 1.5, 3.0]) {
            assert!((found - expected).abs() < 1e-6, "{solution:?}");
        }
        normal.prior(0, 1.0, 0.0);
        let factor = normal.factor().unwrap();
        let (solution, covariance) = (factor.solution::<3>(), factor.covariance().unwrap());
        assert!((solution[2] - 2.0).abs() < 1e-6 && (covariance[2][2] - 0.5).abs() < 1e-6);

        let mut same = Normal::<{ packed(4) }>::new();
        same.add(&[1.0, 1.0, 0.5, 2.0]);
        assert!(same.factor().is_none());
    }
}
