//! How long one estimate takes, in process.

use std::time::Instant;

use compband::select::order::median;

use super::draws::{Data, ours_by};
use super::figure::Figure;

/// Comps of the estimates that are timed.
pub const SIZE: usize = 60;

/// How long estimates took.
pub struct Time {
    pub estimates: usize,
    /// In milliseconds, without a standard error.
    pub median: Figure,
}

/// Milliseconds that estimates of so many draws took, one after the other.
pub fn times(data: &Data, draws: usize) -> Vec<f64> {
    (0..draws)
        .map(|draw| {
            let start = Instant::now();
            let _ = ours_by(data, &data.settings, SIZE, draw);
            start.elapsed().as_secs_f64() * 1e3
        })
        .collect()
}

impl Time {
    /// None where nothing was timed.
    pub fn of(mut times: Vec<f64>) -> Option<Self> {
        let value = median(&mut times);
        (!times.is_empty()).then_some(Self {
            estimates: times.len(),
            median: Figure { value, error: 0.0 },
        })
    }
}
