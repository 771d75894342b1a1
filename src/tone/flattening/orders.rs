//! Orders of a tone, over its fundamental. Pure.

use num_complex::Complex64;

/// Highest order looked at: pulses as narrow as those of a sine cut at 0.98 of
/// its peak have their first zero beyond it.
pub const HIGHEST_ORDER: usize = 15;

/// The power of some orders, over the fundamental's.
pub(super) fn power(orders: &[(usize, Complex64)]) -> f64 {
    orders.iter().map(|(_, phasor)| phasor.norm_sqr()).sum()
}
