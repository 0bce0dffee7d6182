//! Share of the spread that a recorded number would explain, if no estimate uses it.
//!
//! The residual of a past sale from its prediction is `y`, log price. Least squares of `y` on the
//! number `x`, or on its binary logarithm, with a separate level for each of the `g` models,
//! explains the share
//!
//! ```text
//! 1 − (RSS / (n − g − 1)) / (TSS / (n − g))
//! ```
//!
//! of the variance within models (the adjusted R² of Theil 1961, here within groups): about 0 for a
//! number without effect. A share is reported only if the t test of the slope is significant.

use std::collections::BTreeMap;

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::trade::attributes::Scale;

/// Fewest degrees of freedom of a share.
const FEWEST: usize = 8;

/// p-value of the slope below which a share is reported. It is small because several columns are
/// tested on two scales each.
const UNLIKELY: f64 = 1e-3;

/// Smallest share that is worth a setting.
const LEAST: f64 = 0.01;

/// Advantage that the number itself needs over its logarithm, because prices change by shares.
const MARGIN: f64 = 0.005;

/// A past sale of a unit with the number.
#[derive(Debug, Clone, Copy)]
pub struct Point {
    /// Its model.
    pub model: usize,
    /// The recorded number.
    pub value: f64,
    /// Residual from the predicted price, log.
    pub miss: f64,
}

/// Effect of a number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Explained {
    /// The scale on which it explains more.
    pub scale: Scale,
    /// Share of the variance explained, 0..=1.
    pub share: f64,
    /// Change of log price for one step of the scale.
    pub effect: f64,
    /// Number of sales.
    pub sales: usize,
}

/// The effect of a number on the residuals of past sales; `None` if it is not significant.
pub fn explained(points: &[Point]) -> Option<Explained> {
    let significant = |line: Option<Line>, scale| {
        let line = line.filter(|line| line.chance < UNLIKELY && line.share >= LEAST)?;
        Some(Explained {
            scale,
            share: line.share,
            effect: line.slope,
            sales: line.sales,
        })
    };
    let plain = significant(within(points, Scale::Unit), Scale::Unit);
    let doubled = significant(within(points, Scale::Doubling), Scale::Doubling);
    match (plain, doubled) {
        (Some(plain), Some(doubled)) if plain.share <= doubled.share + MARGIN => Some(doubled),
        (plain, doubled) => plain.or(doubled),
    }
}

/// A line through the points, with a level for each model.
#[derive(Debug, Clone, Copy)]
struct Line {
    slope: f64,
    /// Adjusted R² within models.
    share: f64,
    /// Two-sided p-value of the slope.
    chance: f64,
    sales: usize,
}

fn within(points: &[Point], scale: Scale) -> Option<Line> {
    let mut models: BTreeMap<usize, Vec<(f64, f64)>> = BTreeMap::new();
    for point in points {
        let pair = (scale.steps(point.value)?, point.miss);
        models.entry(point.model).or_default().push(pair);
    }
    // A model with one sale determines only its level.
    models.retain(|_, pairs| pairs.len() > 1);
    let sales: usize = models.values().map(Vec::len).sum();
    let free = sales.checked_sub(models.len() + 1)?;
    if free < FEWEST {
        return None;
    }
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    let mut size = 0.0_f64;
    for pairs in models.values() {
        let count = pairs.len() as f64;
        let mean_x = pairs.iter().map(|(x, _)| x).sum::<f64>() / count;
        let mean_y = pairs.iter().map(|(_, y)| y).sum::<f64>() / count;
        for (x, y) in pairs {
            let (dx, dy) = (x - mean_x, y - mean_y);
            xx += dx * dx;
            xy += dx * dy;
            yy += dy * dy;
            size = size.max(x.abs());
        }
    }
    // A constant number varies by rounding only.
    let differs = xx > sales as f64 * (1e-9 * size).powi(2) && yy > 0.0;
    if !differs {
        return None;
    }
    let slope = xy / xx;
    let left = (yy - slope * xy).max(0.0) / free as f64;
    let share = 1.0 - left / (yy / (free + 1) as f64);
    let t = slope * (xx / left.max(f64::MIN_POSITIVE)).sqrt();
    let student = StudentsT::new(0.0, 1.0, free as f64).ok()?;
    let line = Line {
        slope,
        share,
        chance: 2.0 * student.cdf(-t.abs()),
        sales,
    };
    line.share.is_finite().then_some(line)
}

#[cfg(test)]
mod tests {
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};

    use super::*;

    fn noise(rng: &mut StdRng) -> f64 {
        (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0
    }

    /// Of 1000 columns of noise about 1000 × 2 × 0.001 are significant, and the shares of noise
    /// average 0.
    #[test]
    fn noise_explains_nothing() {
        let mut rng = StdRng::seed_from_u64(5);
        let (mut found, mut sum) = (0, 0.0);
        for _ in 0..1000 {
            let points: Vec<Point> = (0..60)
                .map(|i| Point {
                    model: i % 3,
                    value: 1.0 + 9.0 * rng.random::<f64>(),
                    miss: 0.1 * noise(&mut rng),
                })
                .collect();
            found += usize::from(explained(&points).is_some());
            sum += within(&points, Scale::Unit).unwrap().share;
        }
        assert!(found <= 7, "{found}");
        // The standard error of the mean share is about 0.025 / √1000.
        assert!((sum / 1000.0).abs() < 0.004, "{}", sum / 1000.0);
    }

    #[test]
    fn a_known_share_is_found_on_its_scale() {
        let mut rng = StdRng::seed_from_u64(6);
        for scale in [Scale::Unit, Scale::Doubling] {
            let points: Vec<Point> = (0..2000)
                .map(|i| {
                    let value = 2f64.powf(6.0 * rng.random::<f64>());
                    let steps = scale.steps(value).unwrap();
                    let effect = if scale == Scale::Unit { 0.01 } else { -0.1 };
                    let miss = f64::from(i % 4) + effect * steps + 0.2 * noise(&mut rng);
                    Point {
                        model: (i % 4) as usize,
                        value,
                        miss,
                    }
                })
                .collect();
            let found = explained(&points).unwrap();
            assert_eq!(found.scale, scale);
            let steps: Vec<f64> = points
                .iter()
                .map(|p| scale.steps(p.value).unwrap())
                .collect();
            let mean = steps.iter().sum::<f64>() / 2000.0;
            let variance = steps.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / 2000.0;
            let explains = variance * found.effect.powi(2);
            let share = explains / (explains + 0.04);
            assert!((found.share - share).abs() < 0.03, "{found:?} {share}");
        }
    }

    #[test]
    fn what_cannot_be_decided() {
        let point = |value: f64, miss: f64| Point {
            model: 0,
            value,
            miss,
        };
        let same: Vec<Point> = (0..50).map(|i| point(0.1, f64::from(i % 7))).collect();
        assert!(explained(&same).is_none());
        let few: Vec<Point> = (0..9).map(|i| point(f64::from(i), f64::from(i))).collect();
        assert!(explained(&few).is_none());
        assert!(explained(&[]).is_none());
        // Values of 0 have no logarithm: the number itself.
        let flag: Vec<Point> = (0..50)
            .map(|i| {
                point(
                    f64::from(i % 2),
                    0.2 * f64::from(i % 2) + 0.01 * f64::from(i % 5),
                )
            })
            .collect();
        assert_eq!(explained(&flag).unwrap().scale, Scale::Unit);
    }
}
