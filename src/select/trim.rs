//! Far-out values.

use super::order::{median, quantile};

/// Fewest values for which fences are drawn.
pub const FEWEST: usize = 5;

/// Smallest interquartile range (log price) for fences: if prices agree within 5 %, a price 20 %
/// higher need not be a typing error.
const LEAST_RANGE: f64 = 0.05;

/// If the interquartile range exceeds the one expected from the median absolute deviation by this
/// factor, gross errors are assumed to affect the quartiles.
const MASKED: f64 = 2.0;

/// Smallest median absolute deviation (log price) that may replace such quartiles.
const LEAST_MASKED: f64 = 0.1;

/// Flags the `values` beyond fences `k` interquartile ranges from the quartiles. With k = 3 these
/// are the far-out fences of Tukey, *Exploratory Data Analysis* (1977).
///
/// Two gross errors on one side of eight values move a quartile. Therefore, quartiles twice as far
/// apart as the median absolute deviation suggests are replaced by the median plus and minus that
/// deviation, which up to half of the values cannot move. With fewer than [`FEWEST`] values, none
/// is far out.
pub fn far_out(values: &[f64], k: f64) -> Vec<bool> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let quartiles = quantile(&sorted, 0.25).zip(quantile(&sorted, 0.75));
    let Some((lower, upper)) = quartiles.filter(|_| values.len() >= FEWEST) else {
        return vec![false; values.len()];
    };
    let centre = median(&mut values.to_vec());
    let mut sizes: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    let deviation = median(&mut sizes).max(LEAST_MASKED);
    let (lower, upper) = if upper - lower > MASKED * 2.0 * deviation {
        (centre - deviation, centre + deviation)
    } else {
        (lower, upper)
    };
    let reach = k * (upper - lower).max(LEAST_RANGE);
    let beyond = |value: &f64| *value < lower - reach || *value > upper + reach;
    values.iter().map(beyond).collect()
}
