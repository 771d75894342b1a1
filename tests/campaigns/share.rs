//! The long campaigns whole, or a share of them that a seed chooses: what a
//! share judges, the whole judges too, and other seeds come round to the rest.
//!
//! `SPANHOLD_CAMPAIGN_SHARE=0.04 SPANHOLD_CAMPAIGN_SEED=17 cargo test --release
//! --test campaigns -- --include-ignored`

use std::fmt::Debug;
use std::str::FromStr;

fn variable<T: FromStr>(name: &str) -> Option<T>
where
    T::Err: Debug,
{
    let text = std::env::var(name).ok()?;
    let parsed = text.parse();
    Some(parsed.unwrap_or_else(|error| panic!("{name}={text}: {error:?}")))
}

/// All of these pieces of a campaign; or the share asked for, one at least.
pub fn of<T>(pieces: impl IntoIterator<Item = T>) -> Vec<T> {
    let Some(share) = variable::<f64>("SPANHOLD_CAMPAIGN_SHARE") else {
        return pieces.into_iter().collect();
    };
    part(pieces, share, seed() as usize)
}

/// The seed of this campaign.
pub fn seed() -> u64 {
    variable("SPANHOLD_CAMPAIGN_SEED").unwrap_or(0)
}

fn part<T>(pieces: impl IntoIterator<Item = T>, share: f64, seed: usize) -> Vec<T> {
    assert!(
        share > 0.0 && share <= 1.0,
        "a share is above 0 and at most 1, not {share}"
    );
    let mut pieces: Vec<T> = pieces.into_iter().collect();
    let count = pieces.len();
    let wanted = (share * count as f64).ceil() as usize;
    // Neighbouring seeds take neighbouring pieces: none is left out for long.
    pieces.rotate_left(seed.wrapping_mul(wanted) % count);
    pieces.truncate(wanted);
    println!("campaign seed {seed}: {wanted} of {count} pieces");
    pieces
}

#[test]
fn seeds_one_after_the_other_come_round_to_every_piece() {
    let mut judged: Vec<u32> = (17..27).flat_map(|seed| part(0..20, 0.1, seed)).collect();
    judged.sort_unstable();
    assert_eq!(judged, (0..20).collect::<Vec<u32>>());
    assert_eq!(part(0..20, 1.0, 5).len(), 20);
    assert_eq!(part(0..20, 0.001, 5).len(), 1);
}
