//! Complex arithmetic on registers of lanes: left to the compiler, eight lanes are gathered and
//! shuffled at twice the cost. Lane by lane the same bits, however wide the registers are. Pure.

// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use num_complex::Complex64;
use pulp::Simd;

/// A complex value of some lanes.
pub type Register<S> = (<S as Simd>::f64s, <S as Simd>::f64s);

#[inline(always)]
pub fn plus<S: Simd>(simd: S, a: Register<S>, b: Register<S>) -> Register<S> {
    (simd.add_f64s(a.0, b.0), simd.add_f64s(a.1, b.1))
}

#[inline(always)]
pub fn minus<S: Simd>(simd: S, a: Register<S>, b: Register<S>) -> Register<S> {
    (simd.sub_f64s(a.0, b.0), simd.sub_f64s(a.1, b.1))
}

/// a + i b and a − i b.
#[inline(always)]
pub fn beside<S: Simd>(simd: S, a: Register<S>, b: Register<S>) -> [Register<S>; 2] {
    [
        (simd.sub_f64s(a.0, b.1), simd.add_f64s(a.1, b.0)),
        (simd.add_f64s(a.0, b.1), simd.sub_f64s(a.1, b.0)),
    ]
}

#[inline(always)]
pub fn product<S: Simd>(simd: S, a: Register<S>, factor: Register<S>) -> Register<S> {
    let (re, im) = factor;
    (
        simd.sub_f64s(simd.mul_f64s(a.0, re), simd.mul_f64s(a.1, im)),
        simd.add_f64s(simd.mul_f64s(a.0, im), simd.mul_f64s(a.1, re)),
    )
}

#[inline(always)]
pub fn splat<S: Simd>(simd: S, value: Complex64) -> Register<S> {
    (simd.splat_f64s(value.re), simd.splat_f64s(value.im))
}
