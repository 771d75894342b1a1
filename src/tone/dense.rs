//! Small symmetric matrices for the normal equations of the fit: a dozen or
//! two columns, so a plain Cholesky factor is both quick and exact enough.

// The indices run over sizes set at construction.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]

/// A symmetric matrix, lower triangle stored by rows.
#[derive(Debug, Clone, PartialEq)]
pub struct Symmetric {
    size: usize,
    lower: Vec<f64>,
}

impl Symmetric {
    /// The zero matrix.
    pub fn zeros(size: usize) -> Self {
        Self {
            size,
            lower: vec![0.0; size * (size + 1) / 2],
        }
    }

    /// Rows, and columns.
    pub fn size(&self) -> usize {
        self.size
    }

    fn place(i: usize, j: usize) -> usize {
        let (i, j) = if i >= j { (i, j) } else { (j, i) };
        i * (i + 1) / 2 + j
    }

    /// Element (i, j).
    pub fn get(&self, i: usize, j: usize) -> f64 {
        self.lower[Self::place(i, j)]
    }

    /// Adds to element (i, j) and, as it is the same one, to (j, i).
    pub fn add(&mut self, i: usize, j: usize, value: f64) {
        self.lower[Self::place(i, j)] += value;
    }

    /// The matrix times a vector.
    pub fn times(&self, vector: &[f64]) -> Vec<f64> {
        (0..self.size)
            .map(|i| {
                vector
                    .iter()
                    .enumerate()
                    .map(|(j, v)| self.get(i, j) * v)
                    .sum()
            })
            .collect()
    }
}

/// The lower Cholesky factor of a positive definite matrix.
#[derive(Debug, Clone, PartialEq)]
pub struct Cholesky {
    factor: Symmetric,
}

impl Cholesky {
    /// Factors the matrix; `None` where it is not positive definite, or so
    /// nearly singular that its solutions would carry no digits.
    pub fn factor(matrix: &Symmetric) -> Option<Self> {
        let size = matrix.size;
        let mut factor = Symmetric::zeros(size);
        for i in 0..size {
            for j in 0..=i {
                let sum: f64 = (0..j).map(|k| factor.get(i, k) * factor.get(j, k)).sum();
                let rest = matrix.get(i, j) - sum;
                let value = if i == j {
                    if rest.is_nan() || rest <= 1e-13 * matrix.get(i, i) {
                        return None;
                    }
                    rest.sqrt()
                } else {
                    rest / factor.get(j, j)
                };
                factor.add(i, j, value);
            }
        }
        Some(Self { factor })
    }

    /// Solves matrix · x = right.
    pub fn solve(&self, right: &[f64]) -> Vec<f64> {
        let size = self.factor.size;
        let mut x = right.to_vec();
        for i in 0..size {
            let sum: f64 = (0..i).map(|k| self.factor.get(i, k) * x[k]).sum();
            x[i] = (x[i] - sum) / self.factor.get(i, i);
        }
        for i in (0..size).rev() {
            let sum: f64 = (i + 1..size).map(|k| self.factor.get(k, i) * x[k]).sum();
            x[i] = (x[i] - sum) / self.factor.get(i, i);
        }
        x
    }

    /// The inverse of the matrix.
    pub fn inverse(&self) -> Symmetric {
        let size = self.factor.size;
        let mut inverse = Symmetric::zeros(size);
        for j in 0..size {
            let mut unit = vec![0.0; size];
            unit[j] = 1.0;
            for (i, value) in self.solve(&unit).into_iter().enumerate().skip(j) {
                inverse.add(i, j, value);
            }
        }
        inverse
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solves_and_inverts_the_hilbert_matrix_of_order_four() {
        // Its inverse is known in whole numbers (Choi 1983, 'Tricks or treats
        // with the Hilbert matrix'; values from memory).
        let mut hilbert = Symmetric::zeros(4);
        for i in 0..4 {
            for j in 0..=i {
                hilbert.add(i, j, 1.0 / (i + j + 1) as f64);
            }
        }
        let inverse = Cholesky::factor(&hilbert).unwrap().inverse();
        let known = [
            [16.0, -120.0, 240.0, -140.0],
            [-120.0, 1200.0, -2700.0, 1680.0],
        ];
        for (i, row) in known.iter().enumerate() {
            for (j, value) in row.iter().enumerate() {
                assert!((inverse.get(i, j) / value - 1.0).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn refuses_a_singular_matrix() {
        let mut ones = Symmetric::zeros(2);
        for (i, j) in [(0, 0), (1, 0), (1, 1)] {
            ones.add(i, j, 1.0);
        }
        assert!(Cholesky::factor(&ones).is_none());
    }
}
