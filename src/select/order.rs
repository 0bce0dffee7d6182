//! Order statistics shared by the statistical rooms.

/// 75 % quantile of the standard normal distribution: the median absolute deviation of a normal
/// sample divided by its standard deviation.
pub const NORMAL_QUARTILE: f64 = 0.674_489_750_196_081_7;

/// 90 % quantile of the standard normal distribution: half the width of the middle 80 %.
pub const NORMAL_DECILE: f64 = 1.281_551_565_544_600_4;

/// Median of `values` (which it reorders); 0 if there are none.
pub fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    quantile(values, 0.5).unwrap_or(0.0)
}

/// `log Σ exp(xᵢ)`; minus infinity if there are none.
pub fn log_sum_exp(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let most = values.clone().fold(f64::NEG_INFINITY, f64::max);
    if most == f64::NEG_INFINITY {
        return most;
    }
    most + values.map(|x| (x - most).exp()).sum::<f64>().ln()
}

/// The weighted median: the smallest of `values` at which the cumulative weight, in ascending
/// order, reaches half the total. `None` if no weight is positive.
pub fn weighted_median(values: &[f64], weights: &[f64]) -> Option<f64> {
    let mut pairs: Vec<(f64, f64)> = values
        .iter()
        .copied()
        .zip(weights.iter().copied())
        .filter(|(_, w)| *w > 0.0)
        .collect();
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = pairs.iter().map(|(_, w)| w).sum::<f64>() / 2.0;
    let mut running = 0.0;
    pairs
        .into_iter()
        .find(|(_, w)| {
            running += w;
            running >= half
        })
        .map(|(value, _)| value)
}

/// Kish's effective number of observations, `(Σw)²/Σw²` (*Survey Sampling*, 1965); 0 for none.
pub fn effective_number(weights: &[f64]) -> f64 {
    let squares: f64 = weights.iter().map(|w| w * w).sum();
    if squares > 0.0 {
        weights.iter().sum::<f64>().powi(2) / squares
    } else {
        0.0
    }
}

/// Quantile of ascending `sorted` at `p` in 0..=1: linear interpolation between order statistics at
/// rank `p (n + 1)` (NIST/SEMATECH *e-Handbook of Statistical Methods*, section 7.2.6.2), limited
/// to the first and last.
///
/// `None` for an empty slice.
pub fn quantile(sorted: &[f64], p: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let rank = (p * (sorted.len() + 1) as f64 - 1.0).clamp(0.0, last as f64);
    let below = rank.floor() as usize;
    let above = (below + 1).min(last);
    Some(sorted[below] + (rank - below as f64) * (sorted[above] - sorted[below]))
}
