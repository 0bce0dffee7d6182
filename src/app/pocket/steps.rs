//! Figures of combinations that are not worked out: steps from the nearest one that is.
//!
//! The prices of a unit take one step for each choice, as a factor: that of the choice alone, compared with none.
//! What is kept and the most to pay take the same steps in money, and follow the price where the factors of two
//! choices act on each other. The page does the same sums with the same numbers, so that what holds here for a
//! sample of combinations holds there.

use super::values::{AtOutlet, Figures, Most};

/// Figures in which the steps are taken: the nearest combination, the one without other choices, and those with
/// one of the choices that the nearest one lacks.
pub struct Near<'f> {
    /// The nearest combination.
    pub nearest: &'f Figures,
    /// The combination without other choices.
    pub none: &'f Figures,
    /// Each choice that the nearest one lacks, alone.
    pub each: Vec<&'f Figures>,
}

impl Near<'_> {
    /// The figures after all steps; `None` where one of those that they rest on has no most to pay.
    pub fn figures(&self) -> Figures {
        let price = |of: &dyn Fn(&Figures) -> i64| self.price(of);
        let at = (0..self.nearest.at.len()).map(|at| {
            let likely = |figures: &Figures| figures.at[at].likely;
            let mut most = [Most::Unknown; super::values::CHANCES.len()];
            for (chance, most) in most.iter_mut().enumerate() {
                let amount = |figures: &Figures| figures.at[at].most[chance];
                *most = self.most(&amount, &likely);
            }
            AtOutlet {
                likely: price(&likely),
                kept: self.money(&|figures| figures.at[at].kept, &likely),
                most,
            }
        });
        Figures {
            likely: price(&|figures| figures.likely),
            low: price(&|figures| figures.low),
            high: price(&|figures| figures.high),
            at: at.collect(),
        }
    }

    /// A price: the product of the factors of all choices.
    fn price(&self, of: &dyn Fn(&Figures) -> i64) -> i64 {
        rounded(self.exact(of))
    }

    fn exact(&self, of: &dyn Fn(&Figures) -> i64) -> f64 {
        let none = of(self.none) as f64;
        let start = of(self.nearest) as f64;
        let each = self.each.iter();
        each.fold(start, |price, one| price * of(one) as f64 / none)
    }

    /// An amount that follows a price.
    fn money(&self, of: &dyn Fn(&Figures) -> i64, likely: &dyn Fn(&Figures) -> i64) -> i64 {
        let (none, base) = (of(self.none) as f64, likely(self.none) as f64);
        let start = likely(self.nearest) as f64;
        let each = self.each.iter();
        let (money, sum) = each.fold((of(self.nearest) as f64, start), |(money, sum), one| {
            (
                money + (of(one) as f64 - none),
                sum + (likely(one) as f64 - base),
            )
        });
        // The share of the price that is left, for what the factors make of each other.
        rounded(money + (self.exact(likely) - sum) * (none / base))
    }

    fn most(&self, of: &dyn Fn(&Figures) -> Most, likely: &dyn Fn(&Figures) -> i64) -> Most {
        let all = [self.nearest, self.none].into_iter();
        let mut all = all.chain(self.each.iter().copied());
        if !all.all(|figures| matches!(of(figures), Most::Amount(_))) {
            return Most::Unknown;
        }
        let amount = |figures: &Figures| match of(figures) {
            Most::Amount(amount) => amount,
            Most::Unknown | Most::Nothing => 0,
        };
        match self.money(&amount, likely) {
            amount if amount < 0 => Most::Unknown,
            amount => Most::Amount(amount),
        }
    }
}

/// To the nearest whole number, halves up: what `Math.floor(x + 0.5)` gives on the page.
fn rounded(amount: f64) -> i64 {
    (amount + 0.5).floor() as i64
}

/// The largest error of figures found by steps, as a share of what is allowed: 1 % of the true figure or
/// `least` minor units, whichever is more. Figures that are not given have no error.
pub fn error(found: &Figures, truth: &Figures, least: f64) -> f64 {
    let one = |found: i64, truth: i64| {
        let allowed = (truth as f64 * 0.01).abs().max(least);
        (found - truth).abs() as f64 / allowed
    };
    let mut worst = one(found.likely, truth.likely)
        .max(one(found.low, truth.low))
        .max(one(found.high, truth.high));
    for (found, truth) in found.at.iter().zip(&truth.at) {
        worst = worst
            .max(one(found.likely, truth.likely))
            .max(one(found.kept, truth.kept));
        for pair in found.most.iter().zip(&truth.most) {
            worst = worst.max(match pair {
                (Most::Amount(found), Most::Amount(truth)) => one(*found, *truth),
                (Most::Amount(found), Most::Nothing) => one(*found, 0),
                (Most::Unknown, _) => 0.0,
                (found, truth) if found == truth => 0.0,
                _ => f64::INFINITY,
            });
        }
    }
    worst
}
