//! The transcendental functions of the analysis, the same bits on every
//! machine. Pure, a leaf: imports nothing of ours.
//!
//! The standard library hands `sin`, `exp` and their like to the C library,
//! which picks a variant by the processor it finds: the last bits of a result
//! then depend on the machine. The crate `libm` is plain Rust made of
//! additions, multiplications, divisions and square roots alone, and these
//! IEEE 754 rounds exactly. So are `sqrt`, `abs`, `floor`, `round`, the
//! remainder `%` and the conversion between degrees and radians (one
//! multiplication), which therefore stay methods of `f64`.
//!
//! `clippy.toml` bans the standard methods in the whole crate; a module
//! outside the analysis allows itself their use, with the reason.

use num_complex::Complex64;

/// The arithmetic that a run was made with; stands in its `run.json`.
///
/// Raise it by one whenever the same samples may give other last digits than
/// before, although nothing is measured differently: another order of a sum,
/// another version of `libm` or of one of these functions, another transform.
/// A run made with the present version must be recomputed byte for byte; one
/// of another version only to the last digits. Version 1 (runs whose
/// `run.json` names none) took its functions from the C library.
pub const ARITHMETIC_VERSION: u32 = 9;

/// Runs a numeric kernel, an expression, with the widest registers that the processor has:
/// what is inlined into it is compiled once more for AVX2 and once for AVX-512. What it
/// gives are the same bits: its lanes and the order of its sums are in its source, and the
/// compiler fuses no product into a sum.
///
/// A macro, because a closure that is not inlined into [`Kernel::call`], always, stays
/// compiled for the narrowest registers, and nothing but the time it takes shows it. So may do
/// what a kernel calls of the standard library with a closure: `Vec::extend`, `collect` and
/// `array::from_fn` are not always inlined; a loop over memory of its size is.
macro_rules! wide {
    ($kernel:expr) => {
        $crate::maths::dispatched(
            #[inline(always)]
            || $kernel,
        )
    };
}
pub(crate) use wide;

/// What [`wide`] calls.
#[inline]
pub(crate) fn dispatched<R>(kernel: impl FnMut() -> R) -> R {
    pulp::Arch::new().dispatch(Kernel(kernel))
}

/// A kernel on its way into the function that is compiled for wide registers. To call it as
/// `FnOnce` would put a function between them that is not always inlined.
struct Kernel<F>(F);

impl<R, F: FnMut() -> R> pulp::NullaryFnOnce for Kernel<F> {
    type Output = R;

    #[expect(clippy::inline_always, reason = "what the macro is for")]
    #[inline(always)]
    fn call(mut self) -> R {
        (self.0)()
    }
}

/// Σ f(x), in eight lanes that the compiler may put into wide registers: the order is fixed.
#[expect(
    clippy::inline_always,
    reason = "what is not inlined into a kernel is not compiled for wide registers"
)]
#[inline(always)]
pub fn sum_of(values: &[f64], f: impl Fn(f64) -> f64) -> f64 {
    let (eights, rest) = values.as_chunks::<8>();
    let mut lanes = [0.0; 8];
    for eight in eights {
        for (sum, x) in lanes.iter_mut().zip(eight) {
            *sum += f(*x);
        }
    }
    lanes.iter().sum::<f64>() + rest.iter().map(|x| f(*x)).sum::<f64>()
}

/// Sine of an angle in rad.
pub fn sin(x: f64) -> f64 {
    libm::sin(x)
}

/// Cosine of an angle in rad.
pub fn cos(x: f64) -> f64 {
    libm::cos(x)
}

/// Sine and cosine of an angle in rad.
pub fn sin_cos(x: f64) -> (f64, f64) {
    libm::sincos(x)
}

/// Tangent of an angle in rad.
pub fn tan(x: f64) -> f64 {
    libm::tan(x)
}

/// Arc sine, rad, −π/2…π/2; NaN beyond ±1.
pub fn asin(x: f64) -> f64 {
    libm::asin(x)
}

/// Arc tangent, rad, −π/2…π/2.
pub fn atan(x: f64) -> f64 {
    libm::atan(x)
}

/// Angle of the point (x, y) from the x axis, rad, −π…π.
pub fn atan2(y: f64, x: f64) -> f64 {
    libm::atan2(y, x)
}

/// e to the power of `x`.
pub fn exp(x: f64) -> f64 {
    libm::exp(x)
}

/// e to the power of `x`, less 1: keeps its digits near 0.
pub fn exp_m1(x: f64) -> f64 {
    libm::expm1(x)
}

/// Natural logarithm; NaN below 0.
pub fn ln(x: f64) -> f64 {
    libm::log(x)
}

/// Logarithm to the base 10; NaN below 0.
pub fn log10(x: f64) -> f64 {
    libm::log10(x)
}

/// `base` to a power that need not be whole.
pub fn powf(base: f64, exponent: f64) -> f64 {
    libm::pow(base, exponent)
}

/// Hyperbolic tangent.
pub fn tanh(x: f64) -> f64 {
    libm::tanh(x)
}

/// √(x² + y²) without overflow in between.
pub fn hypot(x: f64, y: f64) -> f64 {
    libm::hypot(x, y)
}

/// x².
pub fn square(x: f64) -> f64 {
    x * x
}

/// x³ as (x·x)·x.
pub fn cube(x: f64) -> f64 {
    x * x * x
}

/// `x` to a whole power, multiplied from the left: ((x·x)·x)·x …; 1 for the
/// power 0.
pub fn whole_power(x: f64, exponent: u32) -> f64 {
    (0..exponent).fold(1.0, |product, _| product * x)
}

/// 10 to a whole power; exact for the powers 0 to 22, rounded once for −1 to
/// −22.
pub fn power_of_ten(exponent: i32) -> f64 {
    let power = whole_power(10.0, exponent.unsigned_abs());
    if exponent < 0 { power.recip() } else { power }
}

/// Modulus of a phasor.
pub fn modulus(z: Complex64) -> f64 {
    hypot(z.re, z.im)
}

/// Argument of a phasor, rad, −π…π.
pub fn argument(z: Complex64) -> f64 {
    atan2(z.im, z.re)
}

/// The phasor of modulus 1 at an angle in rad: cos + i sin.
pub fn cis(angle: f64) -> Complex64 {
    let (sine, cosine) = sin_cos(angle);
    Complex64::new(cosine, sine)
}

/// What Student's t with `degrees_of_freedom` (need not be whole) stays within
/// on either side of 0, with `probability` (0…1). With 0.9545 it is the
/// coverage factor k of JCGM 100, annex G. NaN where there is none.
pub fn students_t_within(probability: f64, degrees_of_freedom: f64) -> f64 {
    let inside = 0.0..1.0;
    if !inside.contains(&probability) || degrees_of_freedom.is_nan() || degrees_of_freedom <= 0.0 {
        return f64::NAN;
    }
    // P(|T| ≥ t) = I_x(ν/2, 1/2) at x = ν/(ν + t²) (Abramowitz and Stegun
    // 26.7.1), and with t = √ν tan θ, x is cos² θ: θ is bounded, so that
    // halving finds it. 60 halvings exhaust the digits of θ.
    let (mut low, mut high) = (0.0, std::f64::consts::FRAC_PI_2);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        let x = square(cos(middle));
        if 1.0 - incomplete_beta(0.5 * degrees_of_freedom, 0.5, x) < probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    degrees_of_freedom.sqrt() * tan(0.5 * (low + high))
}

/// The regularised incomplete beta function I_x(a, b), by its continued
/// fraction (DLMF 8.17.22) on the side where that converges quickly.
fn incomplete_beta(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 || x >= 1.0 {
        return x.clamp(0.0, 1.0);
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(b, a, 1.0 - x);
    }
    let ln_beta = libm::lgamma(a) + libm::lgamma(b) - libm::lgamma(a + b);
    let front = exp(a * ln(x) + b * libm::log1p(-x) - ln_beta) / a;
    // 1 + d1/(1 + d2/(1 + …)) by Lentz's method: numerator and denominator of
    // the convergents by the ratios to their predecessors, so that neither
    // grows out of range.
    let (mut fraction, mut numerator, mut denominator) = (1.0, 1.0, 0.0);
    for step in 1..500_u32 {
        let m = f64::from(step / 2);
        let d = if step.is_multiple_of(2) {
            m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m))
        } else {
            -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0))
        };
        denominator = 1.0 / (1.0 + d * denominator);
        numerator = 1.0 + d / numerator;
        let factor = numerator * denominator;
        fraction *= factor;
        if (factor - 1.0).abs() < 1e-15 {
            break;
        }
    }
    front / fraction
}

/// Chi-square over its degrees of freedom that is not passed with the probability whose
/// standard normal quantile is `normal_quantile`, by the approximation of Wilson and
/// Hilferty (1931); from memory. Good to a few per cent from one degree on.
pub fn chi_square_within(normal_quantile: f64, degrees_of_freedom: f64) -> f64 {
    let spread = 2.0 / (9.0 * degrees_of_freedom);
    cube(1.0 - spread + normal_quantile * spread.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_powers_multiply_from_the_left() {
        // Exact in binary64, counted by hand.
        assert_eq!(whole_power(3.0, 4).to_bits(), 81.0_f64.to_bits());
        assert_eq!(whole_power(-0.5, 3).to_bits(), (-0.125_f64).to_bits());
        assert_eq!(whole_power(7.0, 0).to_bits(), 1.0_f64.to_bits());
        // Where the order shows: 1.3⁶ rounded after each multiplication from
        // the left is another number than (x·x·x)².
        let x = 1.3;
        let from_the_left: f64 = ((((x * x) * x) * x) * x) * x;
        let square_of_cube: f64 = (x * x * x) * (x * x * x);
        assert_ne!(from_the_left.to_bits(), square_of_cube.to_bits());
        assert_eq!(whole_power(x, 6).to_bits(), from_the_left.to_bits());
        assert_eq!(cube(x).to_bits(), whole_power(x, 3).to_bits());
        assert_eq!(square(x).to_bits(), whole_power(x, 2).to_bits());
    }

    #[test]
    fn the_logarithm_of_a_power_of_ten_is_whole() {
        // Decimals are counted by it.
        for exponent in -15..=22 {
            let logarithm = log10(format!("1e{exponent}").parse().unwrap());
            assert_eq!(logarithm.to_bits(), f64::from(exponent).to_bits());
        }
    }

    #[test]
    fn powers_of_ten_are_the_nearest_numbers() {
        // What the decimal text of the power is read as.
        for exponent in -15..=22 {
            let text: f64 = format!("1e{exponent}").parse().unwrap();
            assert_eq!(
                power_of_ten(exponent).to_bits(),
                text.to_bits(),
                "{exponent}"
            );
        }
    }

    #[test]
    fn students_t_agrees_with_scipy() {
        let table = include_str!("../tests/reference/students_t.csv");
        let mut rows = 0;
        for row in table.lines().skip(1) {
            let numbers: Vec<f64> = row.split(',').map(|x| x.parse().unwrap()).collect();
            let [probability, freedom, expected] = numbers[..] else {
                panic!("{row}");
            };
            let found = students_t_within(probability, freedom);
            assert!((found / expected - 1.0).abs() < 1e-10, "{row}: {found}");
            rows += 1;
        }
        assert_eq!(rows, 40);
        // No quantile where there is no such distribution.
        for (probability, freedom) in [(1.0, 5.0), (-0.1, 5.0), (0.9, 0.0), (0.9, f64::NAN)] {
            assert!(students_t_within(probability, freedom).is_nan());
        }
    }

    /// Chi-square of 1 and 7 degrees of freedom is below 6.635 and 18.475 in 99 of 100
    /// cases, of 2 and 6 below 13.816 and 22.458 in 999 of 1000 (standard tables).
    #[test]
    fn quantiles_of_chi_square_are_those_of_the_tables() {
        for (normal, freedom, table, part) in [
            (2.326, 1.0, 6.635, 0.02),
            (2.326, 7.0, 18.475, 0.005),
            (3.090, 2.0, 13.816, 0.03),
            (3.090, 6.0, 22.458, 0.02),
        ] {
            let found = freedom * chi_square_within(normal, freedom);
            assert!((found / table - 1.0).abs() < part, "{freedom}: {found}");
        }
    }
}
