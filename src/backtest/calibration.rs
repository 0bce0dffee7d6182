//! Coverage and sharpness of bands.
//!
//! * Coverage: the share of sales inside their band, with the interval of Clopper and Pearson ("The
//!   use of confidence or fiducial limits illustrated in the case of the binomial", *Biometrika*
//!   26, 1934): of `x` in `n`, from the (1 − level)/2 quantile of Beta(x, n − x + 1) to the (1 +
//!   level)/2 quantile of Beta(x + 1, n − x).
//! * Interval score: the width of the band and, for a sale outside, 2/α times its distance from the
//!   band, α one less the band's level (Winkler, "A decision-theoretic approach to interval
//!   estimation", *Journal of the American Statistical Association* 67, 1972). Less is better.
//! * Probability integral transform (PIT): the predicted probability of a price of at most the
//!   price paid. For calibrated estimates it is uniform in 0..1. If it concentrates at both ends,
//!   bands are too narrow; in the middle, too wide; on one side, estimates are too low or too high.
//!
//! Every function returns `None` if slices are empty or of unequal length, or if a number is not
//! finite.

use statrs::distribution::{Beta, Binomial, ChiSquared, ContinuousCDF, DiscreteCDF};

use crate::backtest::ratio::{Interval, tail};

/// Fewest expected values in a bar for the chi-square test, by the usual rule.
const FEWEST_IN_A_BAR: f64 = 5.0;

/// Share of sales inside their bands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coverage {
    /// Sales inside.
    pub covered: usize,
    /// All sales.
    pub of: usize,
    /// `covered / of`.
    pub share: f64,
    /// Confidence interval of the share (Clopper-Pearson).
    pub interval: Interval,
}

/// Coverage of `covered` in `of` sales, with an interval of level `level` in 0..1. `None` for no
/// sales or more covered than there are.
pub fn coverage(covered: usize, of: usize, level: f64) -> Option<Coverage> {
    let tail = tail(level)?;
    let out = of.checked_sub(covered).filter(|_| of > 0)?;
    let quantile =
        |a: usize, b: usize, p: f64| Some(Beta::new(a as f64, b as f64).ok()?.inverse_cdf(p));
    let low = if covered == 0 {
        0.0
    } else {
        quantile(covered, out + 1, tail)?
    };
    let high = if out == 0 {
        1.0
    } else {
        quantile(covered + 1, out, 1.0 - tail)?
    };
    Some(Coverage {
        covered,
        of,
        share: covered as f64 / of as f64,
        interval: Interval::new(low, high),
    })
}

/// Number of `values` in their bands, both ends included.
pub fn covered(bands: &[Interval], values: &[f64]) -> Option<usize> {
    paired(bands, values).then(|| {
        bands
            .iter()
            .zip(values)
            .filter(|(band, value)| band.contains(**value))
            .count()
    })
}

/// The interval score of one band of level `level` in 0..1, in the unit of `value`.
pub fn interval_score(band: Interval, value: f64, level: f64) -> f64 {
    let miss = (band.low - value).max(value - band.high).max(0.0);
    band.high - band.low + 2.0 / (1.0 - level) * miss
}

/// Mean interval score of bands of level `level` in 0..1, in the unit of `values`.
pub fn mean_interval_score(bands: &[Interval], values: &[f64], level: f64) -> Option<f64> {
    tail(level).filter(|_| paired(bands, values))?;
    let total: f64 = bands
        .iter()
        .zip(values)
        .map(|(band, value)| interval_score(*band, *value, level))
        .sum();
    Some(total / values.len() as f64)
}

fn paired(bands: &[Interval], values: &[f64]) -> bool {
    !values.is_empty()
        && bands.len() == values.len()
        && values.iter().all(|v| v.is_finite())
        && bands
            .iter()
            .all(|b| b.low.is_finite() && b.high.is_finite() && b.low <= b.high)
}

/// A histogram of PIT values, with tests of uniformity.
#[derive(Debug, Clone, PartialEq)]
pub struct Pit {
    /// Values in each of the bars of equal width from 0 to 1.
    pub counts: Vec<usize>,
    /// Pearson's chi-square test on the bars; `None` for one bar, or where fewer than 5 values
    /// are expected in each.
    pub chi_square: Option<Test>,
    /// Kolmogorov's test on the values themselves.
    pub kolmogorov: Test,
}

/// A test of uniformity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Test {
    /// Pearson's χ², or Kolmogorov's D.
    pub statistic: f64,
    /// p-value under uniformity.
    pub p: f64,
}

/// Histogram and tests of `values` in 0..=1 with `bars` bars. A value on a boundary belongs to the
/// bar above it, 1 to the last.
pub fn pit(values: &[f64], bars: usize) -> Option<Pit> {
    if values.is_empty() || bars == 0 || !values.iter().all(|v| (0.0..=1.0).contains(v)) {
        return None;
    }
    let mut counts = vec![0; bars];
    for value in values {
        counts[((value * bars as f64) as usize).min(bars - 1)] += 1;
    }
    Some(Pit {
        chi_square: chi_square(&counts),
        kolmogorov: kolmogorov(values),
        counts,
    })
}

/// Interval of level `level` in 0..1 for the count of one of `bars` equally likely bars with
/// `values` values: the (1 − level)/2 and (1 + level)/2 quantiles of the binomial distribution.
/// `None` for no values or no bars.
pub fn bar_by_chance(values: usize, bars: usize, level: f64) -> Option<Interval> {
    let tail = tail(level).filter(|_| values > 0 && bars > 0)?;
    let counts = Binomial::new(1.0 / bars as f64, values as u64).ok()?;
    let quantile = |p: f64| counts.inverse_cdf(p) as f64;
    Some(Interval::new(quantile(tail), quantile(1.0 - tail)))
}

/// Pearson's test that the bars are equally likely.
fn chi_square(counts: &[usize]) -> Option<Test> {
    let expected = counts.iter().sum::<usize>() as f64 / counts.len() as f64;
    if counts.len() < 2 || expected < FEWEST_IN_A_BAR {
        return None;
    }
    let statistic = counts
        .iter()
        .map(|count| (*count as f64 - expected).powi(2) / expected)
        .sum();
    let p = ChiSquared::new((counts.len() - 1) as f64)
        .ok()?
        .sf(statistic);
    Some(Test { statistic, p })
}

/// Kolmogorov's test, `p = 2 Σ (−1)^(k−1) exp(−2 k² λ²)` with `λ = D (√n + 0.12 + 0.11/√n)`
/// (Stephens, "Use of the Kolmogorov-Smirnov, Cramér-von Mises and related statistics without
/// extensive tables", *Journal of the Royal Statistical Society B* 32, 1970).
fn kolmogorov(values: &[f64]) -> Test {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len() as f64;
    let statistic = sorted
        .iter()
        .enumerate()
        .map(|(i, v)| (v - i as f64 / n).max((i + 1) as f64 / n - v))
        .fold(0.0, f64::max);
    let lambda = statistic * (n.sqrt() + 0.12 + 0.11 / n.sqrt());
    // Below this the series does not converge and p is 1 to 15 digits.
    let p = if lambda < 0.2 {
        1.0
    } else {
        let term = |k: i32| {
            let k = f64::from(k);
            (-2.0 * k * k * lambda * lambda).exp()
        };
        let series: f64 = (1..=50)
            .map(|k| if k % 2 == 1 { term(k) } else { -term(k) })
            .sum();
        (2.0 * series).clamp(0.0, 1.0)
    };
    Test { statistic, p }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_little_is_none() {
        assert_eq!(coverage(0, 0, 0.95), None);
        assert_eq!(coverage(3, 2, 0.95), None);
        assert_eq!(coverage(1, 2, 1.0), None);
        assert_eq!(mean_interval_score(&[], &[], 0.8), None);
        let band = Interval::new(1.0, 2.0);
        assert_eq!(covered(&[band], &[]), None);
        assert_eq!(mean_interval_score(&[band], &[f64::NAN], 0.8), None);
        assert_eq!(
            mean_interval_score(&[Interval::new(2.0, 1.0)], &[1.0], 0.8),
            None
        );
        assert_eq!(mean_interval_score(&[band], &[1.0], 1.0), None);
        assert_eq!(pit(&[], 10), None);
        assert_eq!(pit(&[0.5], 0), None);
        assert_eq!(pit(&[0.5, 1.1], 10), None);
        assert_eq!(pit(&[0.5, f64::NAN], 10), None);
    }

    #[test]
    fn all_and_none_held() {
        // Closed forms: 1 − (α/2)^(1/n).
        let none = coverage(0, 20, 0.95).unwrap();
        assert_eq!(none.interval.low, 0.0);
        assert!((none.interval.high - (1.0 - 0.025_f64.powf(0.05))).abs() < 1e-9);
        let all = coverage(20, 20, 0.95).unwrap();
        assert_eq!((all.share, all.interval.high), (1.0, 1.0));
        assert!((all.interval.low - 0.025_f64.powf(0.05)).abs() < 1e-9);
    }

    #[test]
    fn scores_pay_for_width_and_misses() {
        let band = Interval::new(100.0, 140.0);
        assert_eq!(interval_score(band, 100.0, 0.8), 40.0);
        assert!((interval_score(band, 145.0, 0.8) - 90.0).abs() < 1e-9);
        assert!((interval_score(band, 97.0, 0.8) - 70.0).abs() < 1e-9);
        let mean = mean_interval_score(&[band; 3], &[100.0, 145.0, 97.0], 0.8).unwrap();
        assert!((mean - 200.0 / 3.0).abs() < 1e-9);
        assert_eq!(covered(&[band; 3], &[100.0, 145.0, 97.0]), Some(1));
    }

    #[test]
    fn boundaries_of_the_bars() {
        let found = pit(&[0.0, 0.25, 0.5, 0.74, 1.0], 4).unwrap();
        assert_eq!(found.counts, [1, 1, 2, 1]);
        assert_eq!(found.chi_square, None);
        assert_eq!(pit(&[0.5; 30], 1).unwrap().chi_square, None);
    }

    /// Quantiles from sums of exact binomial probabilities (integers of 10^n).
    #[test]
    fn counts_by_chance() {
        for (values, low, high) in [
            (1, 0.0, 1.0),
            (3, 0.0, 2.0),
            (30, 0.0, 7.0),
            (188, 11.0, 27.0),
            (1000, 82.0, 119.0),
        ] {
            let range = bar_by_chance(values, 10, 0.95).unwrap();
            assert_eq!((range.low, range.high), (low, high), "{values}");
        }
        assert_eq!(bar_by_chance(20, 1, 0.95), Some(Interval::new(20.0, 20.0)));
        assert_eq!(bar_by_chance(0, 10, 0.95), None);
        assert_eq!(bar_by_chance(9, 0, 0.95), None);
        assert_eq!(bar_by_chance(9, 10, 1.0), None);
    }

    #[test]
    fn heaped_values_are_not_uniform_and_even_ones_are() {
        let even: Vec<f64> = (0..100).map(|i| (f64::from(i) + 0.5) / 100.0).collect();
        let found = pit(&even, 10).unwrap();
        assert_eq!(found.chi_square.unwrap().p, 1.0);
        assert!(found.kolmogorov.p > 0.999_999);
        let heaped = pit(&[0.5; 100], 10).unwrap();
        assert!(heaped.chi_square.unwrap().p < 1e-9);
        assert!(heaped.kolmogorov.p < 1e-9);
    }
}
