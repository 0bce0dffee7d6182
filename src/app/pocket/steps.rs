//! Prices of combinations that are not worked out: steps from those with none, one and two of their choices.
//!
//! The log price of a unit is linear in what it is, and its variance a quadratic form of it, as long as the same sales
//! inform it. A function `f` of a set of choices that has no parts of a higher order is, for `n` choices,
//! `Σ f(pairs) − (n − 2) Σ f(single) + (n − 1)(n − 2)/2 · f(none)`. It is used for the log price and for the squares of the
//! log distances to both ends of the range. What is kept of a price lies between what is kept of the next prices that
//! are worked out. The most to pay is not found so: it jumps where another aim sets the limit, and with the weeks to a
//! sale. The page does the same sums.

use super::values::{AtOutlet, CHANCES, Figures, Most};

/// The combinations that the steps rest on.
pub struct Near<'f> {
    /// The one without other choices.
    pub none: &'f Figures,
    /// Each of the choices alone.
    pub each: Vec<&'f Figures>,
    /// All pairs of them.
    pub pairs: Vec<&'f Figures>,
}

/// Prices at one outlet with what is kept of them, ascending.
pub type Kept = [(i64, i64)];

impl Near<'_> {
    /// The figures; `None` where the steps lead nowhere.
    pub fn figures(&self, kept: &[Vec<(i64, i64)>]) -> Option<Figures> {
        let likely = self.likely(&|figures| figures.likely);
        let at = kept.iter().enumerate().map(|(at, kept)| {
            let likely = rounded(self.likely(&|figures| figures.at[at].likely));
            Some(AtOutlet {
                likely,
                kept: between(kept, likely)?,
                most: [Most::Unknown; CHANCES.len()],
            })
        });
        Some(Figures {
            likely: rounded(likely),
            low: rounded(likely * (-self.distance(&|figures| figures.low)?).exp()),
            high: rounded(likely * self.distance(&|figures| figures.high)?.exp()),
            at: at.collect::<Option<_>>()?,
        })
    }

    fn likely(&self, of: &dyn Fn(&Figures) -> i64) -> f64 {
        self.sum(&|figures| (of(figures) as f64).ln()).exp()
    }

    /// The log distance of an end of the range from the likely price.
    fn distance(&self, end: &dyn Fn(&Figures) -> i64) -> Option<f64> {
        let square =
            self.sum(&|figures| (end(figures) as f64 / figures.likely as f64).ln().powi(2));
        (square > 0.0).then(|| square.sqrt())
    }

    fn sum(&self, of: &dyn Fn(&Figures) -> f64) -> f64 {
        let all = |figures: &[&Figures]| figures.iter().map(|one| of(one)).sum::<f64>();
        let n = self.each.len() as f64;
        all(&self.pairs) - (n - 2.0) * all(&self.each) + (n - 1.0) * (n - 2.0) / 2.0 * of(self.none)
    }
}

/// The net of a price, on the line between the next prices; `None` beyond them.
fn between(kept: &Kept, price: i64) -> Option<i64> {
    let at = kept.partition_point(|(known, _)| *known < price);
    let (next, above) = *kept.get(at)?;
    if next == price {
        return Some(above);
    }
    let (last, below) = *kept.get(at.checked_sub(1)?)?;
    let share = (price - last) as f64 / (next - last) as f64;
    Some(rounded(below as f64 + (above - below) as f64 * share))
}

/// To the nearest whole number, halves up: what `Math.floor(x + 0.5)` gives on the page.
fn rounded(amount: f64) -> i64 {
    (amount + 0.5).floor() as i64
}

/// The largest error of prices found by steps, as a share of what is allowed: 1 % of the true price or `least` minor
/// units, whichever is more.
pub fn error(found: &Figures, truth: &Figures, least: f64) -> f64 {
    let one = |found: i64, truth: i64| {
        let allowed = (truth as f64 * 0.01).abs().max(least);
        (found - truth).abs() as f64 / allowed
    };
    let at = found.at.iter().zip(&truth.at);
    let at =
        at.map(|(found, truth)| one(found.likely, truth.likely).max(one(found.kept, truth.kept)));
    at.fold(0.0, f64::max)
        .max(one(found.likely, truth.likely))
        .max(one(found.low, truth.low))
        .max(one(found.high, truth.high))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A unit of log price 4 and variance 0.04, each choice with its effect, its variance, and a covariance with each
    /// other: the sums are exact but for the cents.
    #[test]
    fn steps_of_a_linear_model_with_variances_are_exact() {
        let effects = [(-0.2, 0.01), (0.1, 0.005), (-0.05, 0.02), (-0.3, 0.01)];
        let price = |chosen: &[usize]| {
            let n = chosen.len() as f64;
            let mean = 9.0 + chosen.iter().map(|at| effects[*at].0).sum::<f64>();
            let own = chosen.iter().map(|at| effects[*at].1).sum::<f64>();
            let sd = (0.04 + own + 0.002 * n * (n - 1.0)).sqrt();
            let money = |log: f64| rounded(log.exp());
            let likely = money(mean);
            Figures {
                likely,
                low: money(mean - 1.3 * sd),
                high: money(mean + 1.2 * sd),
                at: vec![AtOutlet {
                    likely,
                    kept: likely * 9 / 10 - 60,
                    most: [Most::Unknown; CHANCES.len()],
                }],
            }
        };
        for chosen in [vec![0, 1, 2], vec![1, 2, 3], vec![0, 1, 2, 3]] {
            let each: Vec<Figures> = chosen.iter().map(|at| price(&[*at])).collect();
            let mut pairs = Vec::new();
            for (at, one) in chosen.iter().enumerate() {
                pairs.extend(chosen[..at].iter().map(|other| price(&[*other, *one])));
            }
            let near = Near {
                none: &price(&[]),
                each: each.iter().collect(),
                pairs: pairs.iter().collect(),
            };
            let kept = [vec![(1000, 840), (20_000, 17_940)]];
            let truth = price(&chosen);
            let found = near.figures(&kept).unwrap();
            assert!(
                error(&found, &truth, 5.0) <= 1.0 && error(&found, &truth, 0.01) < 0.2,
                "{found:?} {truth:?}"
            );
        }
    }

    #[test]
    fn what_is_kept_lies_between() {
        let kept = [(1000, 850), (1100, 941), (1300, 1121)];
        for (price, expected) in [
            (1000, Some(850)),
            (1050, Some(896)),
            (1200, Some(1031)),
            (1300, Some(1121)),
            (999, None),
            (1301, None),
        ] {
            assert_eq!(between(&kept, price), expected, "{price}");
        }
    }
}
