//! Recalibration: past sales of the book widen or narrow the next band.
//!
//! The score of a sale is its distance from the median in half-widths of its predicted 80 % band,
//! so that four in five scores should be at most 1. If `q` is the `⌈0.8 (n + 1)⌉`-th smallest of n
//! past scores, bands `q` times as wide would have covered 80 % (split conformal prediction with a
//! scaled residual; Lei, G'Sell, Rinaldo, Tibshirani and Wasserman 2018, *JASA* 113: 1094-1111,
//! section 5). With few sales `q` is noise, so log q is shrunk towards 0. Its standard error is
//! near 0.9/√n for normal scores, and the prior expects the widths to be off by some 10 %, which
//! gives log q the weight `n/(n + 100)`.

use chrono::NaiveDate;

/// Level of the band in whose half-widths scores are counted.
pub const COUNTED_IN: f64 = 0.8;

/// Number of newest sales used: earlier ones were predicted from fewer comps.
pub const RECENT: usize = 300;

/// Fewest past sales that change a band.
pub const ENOUGH: usize = 50;

/// Fewest past sales for which the coverage is reported.
pub const FEWEST_REPORTED: usize = 10;

/// Number of past sales at which scores and prior have equal weight.
const EQUAL_WEIGHT: f64 = 100.0;

/// Nonconformity score of one past sale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Score {
    /// Day of the sale.
    pub day: NaiveDate,
    /// Distance in half-widths of the 80 % band before recalibration, at least 0.
    pub size: f64,
}

/// How past sales have widened or narrowed the bands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recalibration {
    /// Factor on the distance from the median to either end of a band.
    pub widening: f64,
    /// Number of past sales inside their 80 % band, as it would have been on their day.
    pub covered: usize,
    /// Number of past sales.
    pub of: usize,
}

/// The widening factor from scores of these `sizes`, in any order; 1 for fewer than [`ENOUGH`].
pub fn widening(sizes: &[f64]) -> f64 {
    if sizes.len() < ENOUGH {
        return 1.0;
    }
    let count = sizes.len() as f64;
    let rank = (COUNTED_IN * (count + 1.0)).ceil() as usize;
    let (_, &mut asked, _) = sizes
        .to_vec()
        .select_nth_unstable_by(rank - 1, f64::total_cmp);
    if asked > 0.0 {
        (asked.ln() * count / (count + EQUAL_WEIGHT)).exp()
    } else {
        1.0
    }
}

/// The newest of `scores` (ordered by day), at most [`RECENT`].
fn recent(scores: &[Score]) -> &[Score] {
    &scores[scores.len().saturating_sub(RECENT)..]
}

fn factor(scores: &[Score]) -> f64 {
    let sizes: Vec<f64> = recent(scores).iter().map(|score| score.size).collect();
    widening(&sizes)
}

/// The factor for an estimate of a sale on `day`, from scores ordered by day. It uses only sales
/// before that day.
pub fn factor_before(scores: &[Score], day: NaiveDate) -> f64 {
    factor(&scores[..scores.partition_point(|score| score.day < day)])
}

/// The recalibration from sales up to `as_of`, from scores ordered by day; `None` for fewer than
/// [`FEWEST_REPORTED`].
pub fn of_book(scores: &[Score], as_of: NaiveDate) -> Option<Recalibration> {
    let past = &scores[..scores.partition_point(|score| score.day <= as_of)];
    let recent = recent(past);
    let covered = |score: &&Score| score.size <= factor_before(scores, score.day);
    (recent.len() >= FEWEST_REPORTED).then(|| Recalibration {
        widening: factor(past),
        covered: recent.iter().filter(covered).count(),
        of: recent.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::distribution::{ContinuousCDF, Normal};

    /// Scores of normal residuals in half-widths of bands that are too wide by the factor `wide`.
    fn normal_scores(count: usize, wide: f64) -> Vec<Score> {
        let normal = Normal::standard();
        let start = NaiveDate::from_ymd_opt(2026, 1, 1).unwrap();
        (0..count)
            .map(|i| {
                // A sequence that fills (0, 1) evenly (golden ratio).
                let share = (0.5 + i as f64 * 0.618_033_988_749_895) % 1.0;
                Score {
                    day: start + chrono::Duration::days(i as i64 / 2),
                    size: normal.inverse_cdf(0.5 + share / 2.0) / normal.inverse_cdf(0.9) / wide,
                }
            })
            .collect()
    }

    #[test]
    fn true_bands_stay_and_wide_ones_narrow() {
        for (wide, count) in [(1.0, 300), (1.5, 100), (1.5, 300), (0.7, 300)] {
            let sizes: Vec<f64> = normal_scores(count, wide).iter().map(|m| m.size).collect();
            let weight = count as f64 / (count as f64 + 100.0);
            let expected = wide.powf(-weight);
            let factor = widening(&sizes);
            assert!(
                (factor / expected - 1.0).abs() < 0.03,
                "{wide} {count}: {factor}"
            );
        }
        assert_eq!(widening(&vec![0.2; ENOUGH - 1]), 1.0);
        assert_eq!(widening(&[0.0; 80]), 1.0);
    }

    #[test]
    fn the_factor_of_a_day_knows_earlier_days_alone() {
        let scores = normal_scores(700, 1.4);
        for at in [0, 1, 2, 149, 150, 430, 699] {
            let earlier: Vec<f64> = scores
                .iter()
                .filter(|m| m.day < scores[at].day)
                .map(|m| m.size)
                .collect();
            let recent = &earlier[earlier.len().saturating_sub(RECENT)..];
            assert_eq!(
                factor_before(&scores, scores[at].day),
                widening(recent),
                "{at}"
            );
        }
    }

    #[test]
    fn bands_hold_once_the_book_has_spoken() {
        let scores = normal_scores(900, 1.6);
        let found = of_book(&scores, NaiveDate::MAX).unwrap();
        let share = found.covered as f64 / found.of as f64;
        assert_eq!(found.of, RECENT);
        // Three quarters of the way from 0.96 to 0.8 on the scale of widths.
        assert!((0.80..0.88).contains(&share), "{share}");
        assert!(of_book(&scores, scores[0].day).is_none());
    }
}
