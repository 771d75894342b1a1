//! A Fourier sum at one frequency, in an order of summation that is part of
//! the result: the same bits on every machine, unlike a library's transform.

use num_complex::Complex64;
use pulp::Simd;

/// Values that are worked on side by side.
const LANES: usize = 8;

/// Σ x_n first step^n over n = 0, 1, …, in lanes that do not wait for one
/// another. The rotation is carried on by multiplication: its error grows by
/// about 4e-16 every [`LANES`] samples.
pub(super) fn rotated_sum(samples: &[f64], first: Complex64, step: Complex64) -> Complex64 {
    pulp::Arch::new().dispatch(RotatedSum {
        samples,
        first,
        step,
    })
}

struct RotatedSum<'a> {
    samples: &'a [f64],
    first: Complex64,
    step: Complex64,
}

impl pulp::WithSimd for RotatedSum<'_> {
    type Output = Complex64;

    #[expect(
        clippy::indexing_slicing,
        clippy::inline_always,
        reason = "lanes of arrays whose length is the number of lanes; what is not inlined is not \
                  compiled for wide registers"
    )]
    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> Complex64 {
        let mut turn = self.first;
        let mut turns = [[0.0; LANES]; 2];
        let [re, im] = &mut turns;
        for (re, im) in re.iter_mut().zip(im) {
            (*re, *im) = (turn.re, turn.im);
            turn *= self.step;
        }
        let two = self.step * self.step;
        let four = two * two;
        let stride = four * four;
        let (c, s) = (simd.splat_f64s(stride.re), simd.splat_f64s(stride.im));
        let mut sums = [[0.0; LANES]; 2];
        let (eights, last) = self.samples.as_chunks::<LANES>();
        {
            let [re, im] = turns.each_mut().map(|turns| S::as_mut_simd_f64s(turns).0);
            let [sum_re, sum_im] = sums.each_mut().map(|sums| S::as_mut_simd_f64s(sums).0);
            for part in 0..LANES / S::F64_LANES {
                let (mut x, mut y) = (re[part], im[part]);
                let (mut sum_x, mut sum_y) = (sum_re[part], sum_im[part]);
                for eight in eights {
                    let sample = S::as_simd_f64s(eight).0[part];
                    sum_x = simd.add_f64s(sum_x, simd.mul_f64s(x, sample));
                    sum_y = simd.add_f64s(sum_y, simd.mul_f64s(y, sample));
                    (x, y) = (
                        simd.sub_f64s(simd.mul_f64s(x, c), simd.mul_f64s(y, s)),
                        simd.add_f64s(simd.mul_f64s(x, s), simd.mul_f64s(y, c)),
                    );
                }
                (re[part], im[part]) = (x, y);
                (sum_re[part], sum_im[part]) = (sum_x, sum_y);
            }
        }
        let lane = |of: &[[f64; LANES]; 2], lane: usize| Complex64::new(of[0][lane], of[1][lane]);
        let last = last.iter().enumerate();
        let last: Complex64 = last.map(|(i, x)| lane(&turns, i) * x).sum();
        (0..LANES).map(|i| lane(&sums, i)).sum::<Complex64>() + last
    }
}
