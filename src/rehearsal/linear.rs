//! Small dense complex systems: matrix in, solution and determinant out. Pure.
//!
//! Gaussian elimination with partial pivoting on at most 12 unknowns, the size
//! of a span of three segments.

#![allow(
    clippy::indexing_slicing,
    reason = "dense kernel: every index is below `size`, which `System::new` bounds by LIMIT"
)]

use num_complex::Complex64;

/// Most unknowns a system may have: four constants in each of three segments.
pub(super) const LIMIT: usize = 12;

/// A square system `matrix · x = right` of `size` unknowns.
#[derive(Debug, Clone)]
pub(super) struct System {
    size: usize,
    pub(super) matrix: [[Complex64; LIMIT]; LIMIT],
    pub(super) right: [Complex64; LIMIT],
}

impl System {
    /// An all-zero system of `size` unknowns, at most [`LIMIT`].
    pub(super) fn new(size: usize) -> Self {
        let zero = Complex64::new(0.0, 0.0);
        Self {
            size: size.min(LIMIT),
            matrix: [[zero; LIMIT]; LIMIT],
            right: [zero; LIMIT],
        }
    }

    /// Eliminates in place; afterwards `right` is the solution. Returns the
    /// determinant, zero when the matrix is singular to the last bit.
    pub(super) fn solve(&mut self) -> Complex64 {
        let mut determinant = Complex64::new(1.0, 0.0);
        for column in 0..self.size {
            let pivot = self.pivot_row(column);
            if pivot != column {
                self.matrix.swap(pivot, column);
                self.right.swap(pivot, column);
                determinant = -determinant;
            }
            let head = self.matrix[column][column];
            determinant *= head;
            if head.norm_sqr() == 0.0 {
                return determinant;
            }
            let inverse = head.inv();
            for row in column + 1..self.size {
                let factor = self.matrix[row][column] * inverse;
                if factor.norm_sqr() == 0.0 {
                    continue;
                }
                for k in column + 1..self.size {
                    let above = self.matrix[column][k];
                    self.matrix[row][k] -= factor * above;
                }
                let above = self.right[column];
                self.right[row] -= factor * above;
            }
        }
        for row in (0..self.size).rev() {
            let mut sum = self.right[row];
            for k in row + 1..self.size {
                sum -= self.matrix[row][k] * self.right[k];
            }
            self.right[row] = sum / self.matrix[row][row];
        }
        determinant
    }

    fn pivot_row(&self, column: usize) -> usize {
        let mut best = column;
        let mut size = self.matrix[column][column].norm_sqr();
        for row in column + 1..self.size {
            let candidate = self.matrix[row][column].norm_sqr();
            if candidate > size {
                best = row;
                size = candidate;
            }
        }
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_unknowns_by_hand() {
        // 2x + y = 5, x + 3z = 10, j y + z = 3 + 2j  →  x = 1.5.., solved by substitution:
        // chosen solution x = 1, y = 3, z = 3, so the right side is 5, 10, 3 + 3j.
        let c = |re, im| Complex64::new(re, im);
        let mut system = System::new(3);
        system.matrix[0][..3].copy_from_slice(&[c(2.0, 0.0), c(1.0, 0.0), c(0.0, 0.0)]);
        system.matrix[1][..3].copy_from_slice(&[c(1.0, 0.0), c(0.0, 0.0), c(3.0, 0.0)]);
        system.matrix[2][..3].copy_from_slice(&[c(0.0, 0.0), c(0.0, 1.0), c(1.0, 0.0)]);
        system.right[..3].copy_from_slice(&[c(5.0, 0.0), c(10.0, 0.0), c(3.0, 3.0)]);
        // Cofactors along the first row: 2·(0·1 − 3·j) − 1·(1·1 − 3·0) = −1 − 6j.
        let determinant = system.solve();
        assert!((determinant - c(-1.0, -6.0)).norm() < 1e-14);
        for (got, want) in system.right.iter().zip([1.0, 3.0, 3.0]) {
            assert!((got - c(want, 0.0)).norm() < 1e-14);
        }
    }
}
