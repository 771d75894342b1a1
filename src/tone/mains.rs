//! Frequencies of the electric mains, whose hum gets onto cables.

/// The mains frequencies of the world, Hz (IEC 60196, from memory).
pub(super) const MAINS_HZ: [f64; 2] = [50.0, 60.0];

/// The mains frequencies and their harmonics up to the order `highest`, Hz,
/// order by order.
pub fn mains_lines_hz(highest: u32) -> impl Iterator<Item = f64> {
    (1..=highest).flat_map(|order| MAINS_HZ.map(|hz| f64::from(order) * hz))
}
