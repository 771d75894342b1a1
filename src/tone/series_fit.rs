//! Least squares over series of complex values by the normal equations, eight values side by
//! side. Pure.

// The indices run over lanes and over sizes of at most [`MOST`].
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use num_complex::Complex64;
use std::array::from_fn;

use super::spectrum::{ComplexLanes, LANES, Lanes};
use crate::maths;

/// Unknowns, at most: of which no two columns are near each other where the result is used.
pub(super) const MOST: usize = 8;
/// Columns of unit length with less of their own are not told apart.
pub(super) const LEAST_PIVOT: f64 = 1e-13;

/// One number for each column.
pub(super) type Factors = [Complex64; MOST];

/// A series; behind its end stand zeros.
#[derive(Debug, Clone, Default)]
pub(super) struct ComplexSeries(Vec<Stored>);

/// [`ComplexLanes`] at any place in memory: of some ten of them the border of a line of the
/// cache costs less than memory that begins at one, and a fit takes a dozen series a step.
#[derive(Debug, Clone, Copy, Default)]
struct Stored {
    re: Lanes,
    im: Lanes,
}

impl Stored {
    #[inline(always)]
    fn lanes(&self) -> ComplexLanes {
        ComplexLanes {
            re: self.re,
            im: self.im,
        }
    }
}

impl From<ComplexLanes> for Stored {
    #[inline(always)]
    fn from(lanes: ComplexLanes) -> Self {
        Self {
            re: lanes.re,
            im: lanes.im,
        }
    }
}

/// The products of columns with each other, the lower triangle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Normal {
    size: usize,
    products: [Factors; MOST],
}

/// L D Lᴴ of normal equations scaled to a diagonal of ones.
#[derive(Debug, Clone, Copy)]
pub(super) struct Factored {
    size: usize,
    /// L, its diagonal of ones left out.
    lower: [Factors; MOST],
    /// D, its elements inverted.
    inverse: [f64; MOST],
    scales: [f64; MOST],
}

/// What a fit of columns to a series finds.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    pub factors: Factors,
    pub rest: ComplexSeries,
    /// Sum of the squares of the rest.
    pub cost: f64,
}

impl FromIterator<Complex64> for ComplexSeries {
    fn from_iter<I: IntoIterator<Item = Complex64>>(values: I) -> Self {
        let values = values.into_iter();
        let mut blocks = Vec::with_capacity(values.size_hint().0.div_ceil(LANES));
        let mut block = Stored::default();
        let mut lane = 0;
        for value in values {
            (block.re[lane], block.im[lane]) = (value.re, value.im);
            lane += 1;
            if lane == LANES {
                blocks.push(block);
                (block, lane) = (Stored::default(), 0);
            }
        }
        if lane > 0 {
            blocks.push(block);
        }
        Self(blocks)
    }
}

impl ComplexSeries {
    /// Its values; behind its end, zeros.
    pub fn values(&self) -> impl Iterator<Item = Complex64> {
        self.0
            .iter()
            .flat_map(|block| block.re.iter().zip(&block.im))
            .map(|(re, im)| Complex64::new(*re, *im))
    }

    /// Its values, side by side.
    pub fn blocks(&self) -> Vec<ComplexLanes> {
        self.0.iter().map(Stored::lanes).collect()
    }

    /// 1, ratio, ratio² …
    #[inline(always)]
    pub fn tone(ratio: Complex64, count: usize) -> Self {
        let mut powers = [Complex64::ONE; LANES];
        let mut stride = ratio;
        let mut known = 1;
        while known < LANES {
            for i in 0..known {
                powers[known + i] = powers[i] * stride;
            }
            stride *= stride;
            known *= 2;
        }
        let mut next = ComplexLanes {
            re: powers.map(|power| power.re),
            im: powers.map(|power| power.im),
        };
        let stride = ComplexLanes::all(stride);
        let mut blocks = Vec::with_capacity(count.div_ceil(LANES));
        for _ in 0..count.div_ceil(LANES) {
            blocks.push(next.into());
            next = next * stride;
        }
        let mut tone = Self(blocks);
        tone.end(count);
        tone
    }

    /// `count` ones.
    pub fn constant(count: usize) -> Self {
        let ones = Stored::from(ComplexLanes::all(Complex64::ONE));
        let mut constant = Self(vec![ones; count.div_ceil(LANES)]);
        constant.end(count);
        constant
    }

    /// Zeros behind `count` values.
    #[inline(always)]
    fn end(&mut self, count: usize) {
        if let Some(last) = self.0.last_mut()
            && !count.is_multiple_of(LANES)
        {
            for lane in count % LANES..LANES {
                (last.re[lane], last.im[lane]) = (0.0, 0.0);
            }
        }
    }

    /// Each value times its number and a factor.
    #[inline(always)]
    pub fn by_number(&self, factor: Complex64) -> Self {
        let factor = ComplexLanes::all(factor);
        let mut numbers: Lanes = from_fn(|lane| lane as f64);
        let mut blocks = Vec::with_capacity(self.0.len());
        for block in &self.0 {
            blocks.push((block.lanes() * factor).scaled(&numbers).into());
            numbers = numbers.map(|number| number + LANES as f64);
        }
        Self(blocks)
    }

    #[inline(always)]
    pub fn add(&mut self, other: &Self, factor: Complex64) {
        let factor = ComplexLanes::all(factor);
        for (block, part) in self.0.iter_mut().zip(&other.0) {
            *block = block.lanes().plus(part.lanes() * factor).into();
        }
    }

    /// Σ of the products with another's, these conjugated.
    #[inline(always)]
    pub fn dot(&self, other: &Self) -> Complex64 {
        let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
        for (a, b) in self.0.iter().zip(&other.0) {
            for lane in 0..LANES {
                re[lane] += a.re[lane] * b.re[lane] + a.im[lane] * b.im[lane];
                im[lane] += a.re[lane] * b.im[lane] - a.im[lane] * b.re[lane];
            }
        }
        Complex64::new(total(&re), total(&im))
    }

    /// Σ of the products with each of some columns, these conjugated.
    #[inline(always)]
    pub fn along(&self, columns: &[Self]) -> Factors {
        let mut along = [Complex64::ZERO; MOST];
        for (along, column) in along.iter_mut().zip(columns) {
            *along = column.dot(self);
        }
        along
    }

    /// Σ of the squares of their sizes.
    #[inline(always)]
    pub fn squares(&self) -> f64 {
        let mut sum = [0.0; LANES];
        for block in &self.0 {
            for lane in 0..LANES {
                sum[lane] += block.re[lane] * block.re[lane] + block.im[lane] * block.im[lane];
            }
        }
        total(&sum)
    }
}

#[inline(always)]
fn total([a, b, c, d, e, f, g, h]: &Lanes) -> f64 {
    ((a + e) + (c + g)) + ((b + f) + (d + h))
}

impl Normal {
    pub fn new(size: usize) -> Self {
        Self {
            size,
            products: [[Complex64::ZERO; MOST]; MOST],
        }
    }

    /// Of at most [`MOST`] columns.
    #[inline(always)]
    pub fn of(columns: &[ComplexSeries]) -> Self {
        let mut this = Self::new(columns.len());
        for (i, row) in columns.iter().enumerate() {
            for (j, column) in columns.iter().enumerate().take(i + 1) {
                this.products[i][j] = row.dot(column);
            }
        }
        this
    }

    /// With so many more columns, whose products are still to be told.
    pub fn extended(&self, by: usize) -> Self {
        Self {
            size: self.size + by,
            ..*self
        }
    }

    /// Adds those of others, each column times a factor, times a weight.
    pub fn add_turned(&mut self, others: &Self, factors: &Factors, weight: f64) {
        for i in 0..self.size {
            for j in 0..=i {
                let product = factors[i].conj() * factors[j] * others.products[i][j];
                self.products[i][j] += product * weight;
            }
        }
    }

    /// Element (i, j), i ≥ j.
    pub fn at(&mut self, i: usize, j: usize) -> &mut Complex64 {
        &mut self.products[i][j]
    }

    /// `None` where the columns cannot be told apart.
    #[inline(always)]
    pub fn factored(&self) -> Option<Factored> {
        let mut this = Factored {
            size: self.size,
            lower: [[Complex64::ZERO; MOST]; MOST],
            inverse: [0.0; MOST],
            scales: from_fn(|i| self.products[i][i].re.sqrt().recip()),
        };
        let mut is_sound = true;
        for i in 0..self.size {
            is_sound &= this.scales[i].is_finite();
            // A row of L D.
            let mut row = [Complex64::ZERO; MOST];
            let mut pivot = self.products[i][i].re * this.scales[i] * this.scales[i];
            for j in 0..i {
                let mut rest = self.products[i][j] * (this.scales[i] * this.scales[j]);
                for k in 0..j {
                    rest -= row[k] * this.lower[j][k].conj();
                }
                row[j] = rest;
                this.lower[i][j] = rest * this.inverse[j];
                pivot -= rest.norm_sqr() * this.inverse[j];
            }
            is_sound &= pivot >= LEAST_PIVOT;
            this.inverse[i] = pivot.recip();
        }
        is_sound.then_some(this)
    }
}

impl Factored {
    #[inline(always)]
    pub fn solve(&self, right: &Factors) -> Factors {
        let mut x = *right;
        for i in 0..self.size {
            x[i] *= self.scales[i];
            for k in 0..i {
                let known = x[k];
                x[i] -= self.lower[i][k] * known;
            }
        }
        for i in (0..self.size).rev() {
            x[i] *= self.inverse[i];
            for k in i + 1..self.size {
                let known = x[k];
                x[i] -= self.lower[k][i].conj() * known;
            }
        }
        for i in 0..self.size {
            x[i] *= self.scales[i];
        }
        x
    }

    /// Element (i, i) of the inverse of what was factored.
    pub fn spread(&self, i: usize) -> f64 {
        let mut unit = [Complex64::ZERO; MOST];
        unit[i] = Complex64::ONE;
        self.solve(&unit)[i].re
    }

    /// The fit of `columns`, whose normal equations were factored.
    #[inline(always)]
    pub fn fitted(&self, columns: &[ComplexSeries], series: &ComplexSeries) -> Fitted {
        let factors = self.solve(&series.along(columns));
        let mut rest = series.clone();
        for (column, factor) in columns.iter().zip(factors) {
            rest.add(column, -factor);
        }
        let cost = rest.squares();
        Fitted {
            factors,
            rest,
            cost,
        }
    }
}

/// Least squares; `None` where the columns cannot be told apart.
pub(super) fn least_squares(columns: &[ComplexSeries], series: &ComplexSeries) -> Option<Fitted> {
    maths::wide!({
        let factored = Normal::of(columns).factored();
        factored.map(|factored| factored.fitted(columns, series))
    })
}

/// Takes a step of Gauss and Newton, shortened until the cost is below what it was;
/// `None` where no length of it is better. `moved` gives the cost and the fit.
pub(super) fn shortened<F>(before: f64, moved: impl Fn(f64) -> Option<(f64, F)>) -> Option<F> {
    [1.0, 0.5, 0.25, 0.1, 0.03, 0.01]
        .into_iter()
        .filter_map(moved)
        .find(|(cost, _)| *cost < before)
        .map(|(_, fit)| fit)
}

impl ComplexLanes {
    #[inline(always)]
    pub(super) fn all(value: Complex64) -> Self {
        Self {
            re: [value.re; LANES],
            im: [value.im; LANES],
        }
    }

    #[inline(always)]
    pub(super) fn at(&self, lane: usize) -> Complex64 {
        Complex64::new(self.re[lane], self.im[lane])
    }

    #[inline(always)]
    pub(super) fn set(&mut self, lane: usize, value: Complex64) {
        (self.re[lane], self.im[lane]) = (value.re, value.im);
    }

    #[inline(always)]
    pub(super) fn plus(self, other: Self) -> Self {
        Self {
            re: from_fn(|lane| self.re[lane] + other.re[lane]),
            im: from_fn(|lane| self.im[lane] + other.im[lane]),
        }
    }

    #[inline(always)]
    pub(super) fn times(self, factor: Complex64) -> Self {
        self * Self::all(factor)
    }

    #[inline(always)]
    pub(super) fn scaled(self, factor: &Lanes) -> Self {
        Self {
            re: from_fn(|lane| self.re[lane] * factor[lane]),
            im: from_fn(|lane| self.im[lane] * factor[lane]),
        }
    }

    #[inline(always)]
    pub(super) fn conjugate(self) -> Self {
        Self {
            re: self.re,
            im: self.im.map(|x| -x),
        }
    }
}

impl std::ops::Mul for ComplexLanes {
    type Output = Self;

    #[inline(always)]
    fn mul(self, other: Self) -> Self {
        Self {
            re: from_fn(|i| self.re[i] * other.re[i] - self.im[i] * other.im[i]),
            im: from_fn(|i| self.re[i] * other.im[i] + self.im[i] * other.re[i]),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(i: usize, a: f64) -> Complex64 {
        let t = i as f64;
        Complex64::new(
            (a * t).sin() + 0.3 * (1.7 * t).cos(),
            (0.4 * a * t * t).cos(),
        )
    }

    /// What is fitted obeys the equations that define it: the rest is at right angles to every
    /// column, and with the columns it makes the series.
    #[test]
    fn a_fit_leaves_what_no_column_has() {
        for (count, size) in [(1, 1), (9, 3), (37, 7), (64, 8)] {
            let columns: Vec<ComplexSeries> = (0..size)
                .map(|c| (0..count).map(|i| value(i, 0.31 + c as f64)).collect())
                .collect();
            let series: ComplexSeries = (0..count).map(|i| value(i, 0.07)).collect();
            let fitted = least_squares(&columns, &series).unwrap();
            let rest: Vec<Complex64> = fitted.rest.values().collect();
            let mut squares = 0.0;
            for i in 0..count {
                let model: Complex64 = (0..size)
                    .map(|c| value(i, 0.31 + c as f64) * fitted.factors[c])
                    .sum();
                assert!((value(i, 0.07) - model - rest[i]).norm() < 1e-13);
                squares += rest[i].norm_sqr();
            }
            assert!((squares - fitted.cost).abs() < 1e-12 * series.squares());
            for c in 0..size {
                let along: Complex64 = (0..count)
                    .map(|i| value(i, 0.31 + c as f64).conj() * rest[i])
                    .sum();
                assert!(along.norm() < 1e-10, "{count} {c}: {along}");
            }
            assert!(rest[count..].iter().all(|x| *x == Complex64::ZERO));
        }
        let twice = [0, 1].map(|_| ComplexSeries::constant(9));
        assert!(least_squares(&twice, &ComplexSeries::constant(9)).is_none());
    }

    /// An element of the inverse of two by two, by its closed form.
    #[test]
    fn the_spread_is_the_inverse_of_the_products() {
        let columns: Vec<ComplexSeries> = [0.3, 0.4]
            .map(|a| (0..20).map(|i| value(i, a)).collect())
            .into();
        let normal = Normal::of(&columns);
        let [a, b, c] = [(0, 0), (1, 0), (1, 1)].map(|(i, j)| normal.products[i][j]);
        let factored = normal.factored().unwrap();
        let determinant = a.re * c.re - b.norm_sqr();
        for (i, right) in [(0, c.re / determinant), (1, a.re / determinant)] {
            assert!((factored.spread(i) / right - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn a_tone_ends_where_it_is_said_to() {
        let ratio = Complex64::from_polar(0.97, 0.4);
        let tone = ComplexSeries::tone(ratio, 21);
        let by_number = tone.by_number(Complex64::I);
        for (i, (found, turned)) in tone.values().zip(by_number.values()).enumerate() {
            let right = if i < 21 {
                ratio.powu(i as u32)
            } else {
                Complex64::ZERO
            };
            assert!((found - right).norm() < 1e-14);
            assert!((turned - Complex64::I * i as f64 * right).norm() < 1e-13);
        }
    }
}
