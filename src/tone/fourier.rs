//! A Fourier sum at one frequency, in an order of summation that is part of
//! the result: the same bits on every machine, unlike a library's transform.

use num_complex::Complex64;

use crate::maths;

/// Values that are worked on side by side.
const LANES: usize = 8;

/// Σ x_n first step^n over n = 0, 1, …, in lanes that do not wait for one
/// another. The rotation is carried on by multiplication: its error grows by
/// about 4e-16 every [`LANES`] samples.
pub(super) fn rotated_sum(samples: &[f64], first: Complex64, step: Complex64) -> Complex64 {
    maths::wide!(lanes_sum(samples, first, step))
}

#[expect(
    clippy::indexing_slicing,
    clippy::inline_always,
    reason = "lanes of arrays whose length is the number of lanes; what is not inlined is not \
              compiled for wide registers"
)]
#[inline(always)]
fn lanes_sum(samples: &[f64], first: Complex64, step: Complex64) -> Complex64 {
    let mut turns = [first; LANES];
    for lane in 1..LANES {
        turns[lane] = turns[lane - 1] * step;
    }
    let two = step * step;
    let four = two * two;
    let stride = four * four;
    let mut sums = [Complex64::ZERO; LANES];
    let (eights, last) = samples.as_chunks::<LANES>();
    for eight in eights {
        for lane in 0..LANES {
            sums[lane] += turns[lane] * eight[lane];
            turns[lane] *= stride;
        }
    }
    let last: Complex64 = last.iter().zip(turns).map(|(x, turn)| turn * x).sum();
    sums.into_iter().sum::<Complex64>() + last
}
