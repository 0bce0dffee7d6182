//! The book's own calibration: how far past sales fell from what was predicted for them, and how
//! much wider or narrower that asks the next band to be.
//!
//! A sale's score is counted in half-widths of the 80 % band that was predicted for it, so that four
//! in five scores should be at most 1. If the `⌈0.8 (n + 1)⌉`-th smallest of n past scores is `q`,
//! bands `q` times as wide would have covered (split conformal prediction with a scaled residual;
//! Lei, G'Sell, Rinaldo, Tibshirani and Wasserman 2018, *JASA* 113: 1094-1111, section 5). As `q`
//! of few sales is noise, log q is drawn towards 0: its standard error is near 0.9/√n for normal
//! scores, and a model off by some 10 % is what is expected beforehand, which gives `n/(n + 100)`
//! of it the say.

use chrono::NaiveDate;

/// Chance of the band that scores are counted in.
pub const COUNTED_IN: f64 = 0.8;

/// The newest sales that take part: earlier ones were predicted from another, thinner book.
pub const RECENT: usize = 300;

/// Fewest past sales that change a band.
pub const ENOUGH: usize = 50;

/// Fewest past sales of which is told how many bands covered.
pub const WORTH_TELLING: usize = 10;

/// Past sales at which the book's own scores and the model have an equal say.
const EQUAL_WEIGHT: f64 = 100.0;

/// How far one sale fell from what was predicted for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Score {
    /// Day of the sale.
    pub day: NaiveDate,
    /// In half-widths of the uncalibrated 80 % band, at least 0.
    pub size: f64,
}

/// What the book's own past says of its bands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recalibration {
    /// Factor on the distance from the median to either end of a band.
    pub widening: f64,
    /// Past sales that were in the 80 % band as it would have been given on their day.
    pub covered: usize,
    /// Of so many.
    pub of: usize,
}

/// The factor that `sizes`, in any order, ask for; 1 for fewer than [`ENOUGH`].
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

/// The newest of `scores` (in the order of days), at most [`RECENT`].
fn recent(scores: &[Score]) -> &[Score] {
    &scores[scores.len().saturating_sub(RECENT)..]
}

fn factor(scores: &[Score]) -> f64 {
    let sizes: Vec<f64> = recent(scores).iter().map(|score| score.size).collect();
    widening(&sizes)
}

/// The factor for an estimate of a sale on `day`, from scores in the order of days: what the
/// sales of earlier days ask for, never those of the same day.
pub fn factor_before(scores: &[Score], day: NaiveDate) -> f64 {
    factor(&scores[..scores.partition_point(|score| score.day < day)])
}

/// What the sales up to `as_of` say, from scores in the order of days; `None` for fewer than
/// [`WORTH_TELLING`].
pub fn of_book(scores: &[Score], as_of: NaiveDate) -> Option<Recalibration> {
    let past = &scores[..scores.partition_point(|score| score.day <= as_of)];
    let told = recent(past);
    let covered = |score: &&Score| score.size <= factor_before(scores, score.day);
    (told.len() >= WORTH_TELLING).then(|| Recalibration {
        widening: factor(past),
        covered: told.iter().filter(covered).count(),
        of: told.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::distribution::{ContinuousCDF, Normal};

    /// Sizes of normal scores in half-widths of bands that are `wide` times too wide.
    fn normal_scores(count: usize, wide: f64) -> Vec<Score> {
        let normal = Normal::standard();
        let start = NaiveDate::from_ymd_opt(2026, 1, 1).unwrap();
        (0..count)
            .map(|i| {
                // A sequence that fills (0, 1) evenly from the start (golden ratio).
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
            let say = count as f64 / (count as f64 + 100.0);
            let expected = wide.powf(-say);
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
        let told = of_book(&scores, NaiveDate::MAX).unwrap();
        let share = told.covered as f64 / told.of as f64;
        assert_eq!(told.of, RECENT);
        // Three quarters of the way from 0.96 to 0.8 on the scale of widths.
        assert!((0.80..0.88).contains(&share), "{share}");
        assert!(of_book(&scores, scores[0].day).is_none());
    }
}
