//! Ratio studies: comparison of estimates with the prices then paid.
//!
//! After the *Standard on Ratio Studies* (International Association of Assessing Officers, 2013).
//! With estimates `Eᵢ`, prices `Pᵢ` and ratios `Rᵢ = Eᵢ/Pᵢ` of n sales, R̃ their median:
//!
//! ```text
//! weighted mean                   Σ Eᵢ / Σ Pᵢ
//! coefficient of dispersion       COD = 100/R̃ · Σ |Rᵢ − R̃| / n
//! price-related differential      PRD = mean(R) / weighted mean
//! price-related bias              PRB = b in (Rᵢ − R̃)/R̃ = a + b · log₂(½ (Eᵢ/R̃ + Pᵢ)) + error
//! ```
//!
//! A PRD above 1 and a PRB below 0 both mean that expensive units are estimated too low relative to
//! cheap ones. A PRB of 0.02 means that ratios rise by 2 % when the price doubles.
//!
//! The interval of the median is that of the sign test: from the r-th smallest to the r-th largest
//! ratio, r the largest rank with `P(B ≤ r − 1) ≤ (1 − level)/2` for B binomial(n, ½) (Conover,
//! *Practical Nonparametric Statistics*, 3rd edition, section 3.2). That of the PRB is the
//! least-squares t interval with n − 2 degrees of freedom; those of COD and PRD are percentile
//! bootstrap intervals over resampled sales (Efron and Tibshirani, *An Introduction to the
//! Bootstrap*, chapter 13).
//!
//! Slices pair up by position. Every function returns `None` if slices are too short or of unequal
//! length, or if a number is not finite or not positive.

use statrs::distribution::{Binomial, ContinuousCDF, DiscreteCDF, StudentsT};

use crate::select::order::quantile;

/// Acceptable median ratios.
pub const MEDIAN_RANGE: Interval = Interval::new(0.90, 1.10);

/// Acceptable coefficients of dispersion, in per cent: the widest range in the Standard for
/// ordinary dwellings (table 1-3). The Standard questions values below 5 because assessors may have
/// seen the sales; estimates from earlier sales cannot, so that only the upper end matters here.
pub const COD_RANGE: Interval = Interval::new(5.0, 15.0);

/// Acceptable price-related differentials (section 9.2.7).
pub const PRD_RANGE: Interval = Interval::new(0.98, 1.03);

/// Acceptable price-related biases (section 9.2.7).
pub const PRB_RANGE: Interval = Interval::new(-0.05, 0.05);

/// Fewest sales for a bootstrap interval: resamples of fewer are nearly all repeats.
const FEWEST_RESAMPLED: usize = 5;

/// Number of resamples for a bootstrap interval of a [`Study`].
const RESAMPLES: usize = 1000;

/// Variance of log₂ price, per sale, below which all prices count as equal.
const SAME_PRICE: f64 = 1e-20;

/// A range of numbers, both ends included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// From `low` to `high`.
    pub const fn new(low: f64, high: f64) -> Self {
        Self { low, high }
    }

    /// Whether `value` lies in the interval.
    pub fn contains(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// Whether all of `other` lies in the interval.
    pub fn holds(&self, other: Self) -> bool {
        self.low <= other.low && other.high <= self.high
    }
}

/// A statistic with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// The statistic of these sales.
    pub value: f64,
    /// Confidence interval; `None` if there are too few sales.
    pub interval: Option<Interval>,
}

/// A ratio study of a group of sales.
#[derive(Debug, Clone, PartialEq)]
pub struct Study {
    /// Number of sales.
    pub sales: usize,
    /// Median ratio.
    pub median: Figure,
    /// Mean ratio.
    pub mean: f64,
    /// Sum of the estimates over the sum of the prices.
    pub weighted_mean: f64,
    /// Coefficient of dispersion, per cent; `None` for fewer than 2 sales.
    pub cod: Option<Figure>,
    /// Price-related differential; `None` for fewer than 2 sales.
    pub prd: Option<Figure>,
    /// Price-related bias; `None` for fewer than 3 sales, or if all prices are equal.
    pub prb: Option<Figure>,
    /// Median of `100 |E − P| / P`, per cent.
    pub median_absolute_percentage_error: f64,
}

/// The ratio study of `estimates` against `paid`, with intervals of level `level` in 0..1.
///
/// The bootstrap is seeded: the same sales give the same intervals.
pub fn study(estimates: &[f64], paid: &[f64], level: f64) -> Option<Study> {
    let ratios = ratios(estimates, paid)?;
    let [cods, prds] = bootstrap(estimates, paid, level, RESAMPLES, |e, p| {
        dispersion_and_differential(e, p)
    })
    .map_or([None, None], |ends| ends.map(Some));
    let figure = |value: f64, interval| Figure { value, interval };
    Some(Study {
        sales: ratios.len(),
        median: figure(median(&ratios)?, median_interval(&ratios, level)),
        mean: mean(&ratios)?,
        weighted_mean: weighted_mean(estimates, paid)?,
        cod: cod(&ratios).map(|value| figure(value, cods)),
        prd: prd(estimates, paid).map(|value| figure(value, prds)),
        prb: prb(estimates, paid, level),
        median_absolute_percentage_error: median_absolute_percentage_error(estimates, paid)?,
    })
}

/// `Eᵢ/Pᵢ` for every sale.
pub fn ratios(estimates: &[f64], paid: &[f64]) -> Option<Vec<f64>> {
    let sound = |values: &[f64]| values.iter().all(|v| v.is_finite() && *v > 0.0);
    if estimates.is_empty() || estimates.len() != paid.len() || !sound(estimates) || !sound(paid) {
        return None;
    }
    let ratios: Vec<f64> = estimates.iter().zip(paid).map(|(e, p)| e / p).collect();
    sound(&ratios).then_some(ratios)
}

/// Median of `values`: the middle one, or the mean of the two in the middle.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut values = finite(values)?;
    let middle = values.len() / 2;
    let odd = values.len() % 2 == 1;
    let (below, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let upper = *upper;
    if odd {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(f64::total_cmp)?;
    Some(f64::midpoint(lower, upper))
}

/// The distribution-free interval of the median, of level at least `level` in 0..1. `None` if not
/// even the smallest and the largest value reach it: for 95 %, fewer than 6 values.
pub fn median_interval(values: &[f64], level: f64) -> Option<Interval> {
    let tail = tail(level)?;
    let mut sorted = finite(values)?;
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    let half = Binomial::new(0.5, n as u64).ok()?;
    // Smallest k with P(B ≤ k) ≥ tail.
    let at = half.inverse_cdf(tail);
    let rank = at + u64::from(half.cdf(at) <= tail);
    let below = usize::try_from(rank).ok()?.checked_sub(1)?;
    (2 * below < n).then(|| Interval::new(sorted[below], sorted[n - 1 - below]))
}

/// Arithmetic mean.
pub fn mean(values: &[f64]) -> Option<f64> {
    let values = finite(values)?;
    Some(values.iter().sum::<f64>() / values.len() as f64)
}

/// `Σ Eᵢ / Σ Pᵢ`.
pub fn weighted_mean(estimates: &[f64], paid: &[f64]) -> Option<f64> {
    ratios(estimates, paid)?;
    Some(estimates.iter().sum::<f64>() / paid.iter().sum::<f64>())
}

/// Coefficient of dispersion of at least 2 ratios, per cent.
pub fn cod(ratios: &[f64]) -> Option<f64> {
    let median = median(ratios).filter(|m| *m > 0.0)?;
    let deviation = ratios.iter().map(|r| (r - median).abs()).sum::<f64>() / ratios.len() as f64;
    (ratios.len() >= 2).then_some(100.0 * deviation / median)
}

/// Price-related differential of at least 2 sales.
pub fn prd(estimates: &[f64], paid: &[f64]) -> Option<f64> {
    let ratios = ratios(estimates, paid)?;
    (ratios.len() >= 2).then_some(mean(&ratios)? / weighted_mean(estimates, paid)?)
}

/// [`cod`] and [`prd`] of the same sales, which all have a ratio.
fn dispersion_and_differential(estimates: &[f64], paid: &[f64]) -> Option<[f64; 2]> {
    let ratios: Vec<f64> = estimates.iter().zip(paid).map(|(e, p)| e / p).collect();
    let weighted = estimates.iter().sum::<f64>() / paid.iter().sum::<f64>();
    let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
    Some([cod(&ratios)?, mean / weighted])
}

/// Price-related bias of at least 3 sales with different prices, as a share per doubling of the
/// price, with its t interval of level `level` in 0..1.
pub fn prb(estimates: &[f64], paid: &[f64], level: f64) -> Option<Figure> {
    let ratios = ratios(estimates, paid)?;
    let middle = median(&ratios)?;
    let n = ratios.len() as f64;
    let value = |e: &f64, p: &f64| f64::midpoint(e / middle, *p).log2();
    let x: Vec<f64> = estimates
        .iter()
        .zip(paid)
        .map(|(e, p)| value(e, p))
        .collect();
    let y: Vec<f64> = ratios.iter().map(|r| (r - middle) / middle).collect();
    let (x_mean, y_mean) = (mean(&x)?, mean(&y)?);
    let square = |v: f64| v * v;
    let sxx: f64 = x.iter().map(|x| square(x - x_mean)).sum();
    if ratios.len() < 3 || sxx <= SAME_PRICE * n {
        return None;
    }
    let pairs = || x.iter().zip(&y).map(|(x, y)| (x - x_mean, y - y_mean));
    let slope = pairs().map(|(x, y)| x * y).sum::<f64>() / sxx;
    let left: f64 = pairs().map(|(x, y)| square(y - slope * x)).sum();
    let error = (left / (n - 2.0) / sxx).sqrt();
    let t = StudentsT::new(0.0, 1.0, n - 2.0).ok()?;
    let reach = t.inverse_cdf(1.0 - tail(level)?) * error;
    Some(Figure {
        value: slope,
        interval: Some(Interval::new(slope - reach, slope + reach)),
    })
}

/// Median of `100 |Eᵢ − Pᵢ| / Pᵢ`, per cent.
pub fn median_absolute_percentage_error(estimates: &[f64], paid: &[f64]) -> Option<f64> {
    let misses: Vec<f64> = ratios(estimates, paid)?
        .iter()
        .map(|r| 100.0 * (r - 1.0).abs())
        .collect();
    median(&misses)
}

/// Percentile bootstrap intervals of level `level` in 0..1 for the K statistics that `statistic`
/// computes from estimates and prices. Sales are resampled with replacement `resamples` times;
/// resamples without a statistic are omitted. Seeded, so that it is repeatable. `None` for fewer
/// than 5 sales, or if half of the resamples or more have no statistic.
pub fn bootstrap<const K: usize>(
    estimates: &[f64],
    paid: &[f64],
    level: f64,
    resamples: usize,
    statistic: impl Fn(&[f64], &[f64]) -> Option<[f64; K]>,
) -> Option<[Interval; K]> {
    let tail = tail(level)?;
    let n = ratios(estimates, paid)?.len();
    if n < FEWEST_RESAMPLED {
        return None;
    }
    let mut draw = Draw(0);
    let (mut e, mut p) = (vec![0.0; n], vec![0.0; n]);
    let mut found: Vec<[f64; K]> = Vec::with_capacity(resamples);
    for _ in 0..resamples {
        for at in 0..n {
            let from = draw.below(n);
            e[at] = estimates[from];
            p[at] = paid[from];
        }
        found.extend(statistic(&e, &p).filter(|values| values.iter().all(|v| v.is_finite())));
    }
    if found.len() * 2 <= resamples {
        return None;
    }
    let ends = |k: usize| {
        let mut values: Vec<f64> = found.iter().map(|values| values[k]).collect();
        values.sort_by(f64::total_cmp);
        Some(Interval::new(
            quantile(&values, tail)?,
            quantile(&values, 1.0 - tail)?,
        ))
    };
    let mut intervals = [Interval::new(0.0, 0.0); K];
    for (k, interval) in intervals.iter_mut().enumerate() {
        *interval = ends(k)?;
    }
    Some(intervals)
}

/// Probability on each side of a central interval of level `level`; `None` unless that lies between
/// 0 and 1.
pub(crate) fn tail(level: f64) -> Option<f64> {
    (level > 0.0 && level < 1.0).then_some((1.0 - level) / 2.0)
}

/// A copy of `values`; `None` if it is empty or a value is not finite.
fn finite(values: &[f64]) -> Option<Vec<f64>> {
    let sound = !values.is_empty() && values.iter().all(|v| v.is_finite());
    sound.then(|| values.to_vec())
}

/// Pseudo-random numbers, the same on every machine: SplitMix64 (Steele, Lea and Flood, "Fast
/// splittable pseudorandom number generators", OOPSLA 2014).
struct Draw(u64);

impl Draw {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A whole number from 0 to `n` − 1, uniform to n/2⁶⁴.
    fn below(&mut self, n: usize) -> usize {
        ((u128::from(self.next()) * n as u128) >> 64) as usize
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_little_is_none() {
        assert_eq!(study(&[], &[], 0.95), None);
        assert_eq!(study(&[1.0], &[1.0, 2.0], 0.95), None);
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(study(&[1.0, 2.0, bad], &[1.0, 2.0, 3.0], 0.95), None);
            assert_eq!(study(&[1.0, 2.0, 3.0], &[bad, 2.0, 3.0], 0.95), None);
        }
        // A ratio that overflows.
        assert_eq!(ratios(&[1e300], &[1e-300]), None);
        assert_eq!(cod(&[1.1]), None);
        assert_eq!(prd(&[1.0], &[1.0]), None);
        assert_eq!(prb(&[1.0, 2.0], &[1.0, 3.0], 0.95), None);
        // All prices are equal.
        assert_eq!(prb(&[100.0; 9], &[80.0; 9], 0.95), None);
        for level in [0.0, 1.0, -0.5, f64::NAN] {
            assert_eq!(median_interval(&[1.0; 30], level), None);
        }
    }

    #[test]
    fn one_sale_has_a_ratio_and_no_intervals() {
        let one = study(&[90.0], &[100.0], 0.95).unwrap();
        assert_eq!((one.sales, one.median.value, one.mean), (1, 0.9, 0.9));
        assert_eq!(one.median.interval, None);
        assert_eq!((one.cod, one.prd, one.prb), (None, None, None));
        assert!((one.median_absolute_percentage_error - 10.0).abs() < 1e-12);
    }

    #[test]
    fn median_of_odd_and_even_counts() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!(median(&[7.0]), Some(7.0));
    }

    #[test]
    fn ranks_of_the_sign_test() {
        let values: Vec<f64> = (1..=30).map(f64::from).collect();
        // 2 · P(B ≤ 0) = 0.0625 of 5 and 0.03125 of 6.
        assert_eq!(median_interval(&values[..5], 0.95), None);
        assert_eq!(
            median_interval(&values[..6], 0.95),
            Some(Interval::new(1.0, 6.0))
        );
        // A level that is met exactly: 1 − 2/32.
        assert_eq!(
            median_interval(&values[..5], 0.9375),
            Some(Interval::new(1.0, 5.0))
        );
        // Tables of the sign test give rank 10 of 30 (P(B ≤ 9) = 0.0214).
        assert_eq!(
            median_interval(&values, 0.95),
            Some(Interval::new(10.0, 21.0))
        );
    }

    #[test]
    fn a_perfect_study() {
        let paid = [40.0, 80.0, 120.0, 160.0, 320.0, 640.0];
        let s = study(&paid, &paid, 0.95).unwrap();
        let sure = Some(Interval::new(1.0, 1.0));
        assert_eq!((s.median.value, s.median.interval), (1.0, sure));
        let none = Interval::new(0.0, 0.0);
        assert_eq!(
            s.cod,
            Some(Figure {
                value: 0.0,
                interval: Some(none)
            })
        );
        assert_eq!(s.prd.unwrap().interval, sure);
        assert_eq!(s.prb.unwrap().interval, Some(none));
    }

    #[test]
    fn the_bias_is_the_slope_for_each_doubling() {
        // Ratios about a median of 1 that rise by 0.1 when the proxy value doubles: with v = (E +
        // P)/2 and E/P = r, P = 2v/(1 + r) and E = r P.
        let sales: Vec<(f64, f64)> = (-3..=3)
            .map(|k| {
                let (v, r) = (100.0 * f64::from(k).exp2(), 1.0 + 0.1 * f64::from(k));
                (r * 2.0 * v / (1.0 + r), 2.0 * v / (1.0 + r))
            })
            .collect();
        let (e, p): (Vec<f64>, Vec<f64>) = sales.into_iter().unzip();
        assert!((prb(&e, &p, 0.95).unwrap().value - 0.1).abs() < 1e-12);
        // Expensive units are too high: a bias above 0 and a differential below 1.
        assert!(prd(&e, &p).unwrap() < 1.0);
    }

    #[test]
    fn bootstrap_repeats_and_needs_five() {
        let e = [90.0, 105.0, 99.0, 120.0, 83.0, 101.0, 97.0];
        let p = [100.0; 7];
        let mean_of = |e: &[f64], _: &[f64]| Some([mean(e)?]);
        let once = bootstrap(&e, &p, 0.9, 500, mean_of).unwrap();
        assert_eq!(bootstrap(&e, &p, 0.9, 500, mean_of), Some(once));
        assert!(once[0].contains(mean(&e).unwrap()));
        assert_eq!(bootstrap(&e[..4], &p[..4], 0.9, 500, mean_of), None);
        assert_eq!(bootstrap::<1>(&e, &p, 0.9, 500, |_, _| None), None);
    }

    #[test]
    fn draws_cover_their_range_evenly() {
        let mut draw = Draw(0);
        let mut counts = [0_i32; 7];
        for _ in 0..70_000 {
            counts[draw.below(7)] += 1;
        }
        // Standard deviation 93.
        assert!(
            counts.iter().all(|c| (c - 10_000).abs() < 400),
            "{counts:?}"
        );
        // The generator's published first output for seed 0.
        assert_eq!(Draw(0).next(), 0xe220_a839_7b1d_cdaf);
    }
}
