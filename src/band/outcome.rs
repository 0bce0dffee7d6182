//! The distribution that the band is read from: predictive, calibrated where the comps allow.

use super::jackknife::Jackknife;
use super::predictive::Predictive;

/// Effective comps from which leave-one-out residuals take part in the band.
pub const ENOUGH_TO_CALIBRATE: f64 = 20.0;

/// Effective comps at which the residuals and the model have an equal say.
const EQUAL_SAY: f64 = 100.0;

/// Chance of the band that the shape of the distribution is fitted to.
const USUAL: f64 = 0.8;

/// Chance beyond either end of a [`Outcome::ladder`].
pub const TAIL: f64 = 0.01;

/// Cells of the table that the rungs of a ladder are read from.
const CELLS: usize = 240;

/// What made a band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MadeBy {
    /// The model's predictive distribution alone.
    Model,
    /// The model and the leave-one-out residuals.
    Residuals {
        /// The residuals' say in the band's ends, in 0..1.
        share: f64,
        /// How many residuals.
        comps: usize,
    },
}

/// Distribution of log price of one sale of the unit.
#[derive(Debug, Clone)]
pub struct Outcome {
    predictive: Predictive,
    jackknife: Jackknife,
    share: f64,
    widening: f64,
}

impl Outcome {
    /// Puts the two together. The residuals' say is `n/(n + 100)` from 20 effective comps on.
    pub fn new(predictive: Predictive, jackknife: Jackknife, effective: f64) -> Self {
        let share = if effective >= ENOUGH_TO_CALIBRATE {
            effective / (effective + EQUAL_SAY)
        } else {
            0.0
        };
        Self {
            predictive,
            jackknife,
            share,
            widening: 1.0,
        }
    }

    /// The same with every band `factor` times as wide, as the book's own past asks
    /// ([`super::own`]).
    pub fn widened(self, factor: f64) -> Self {
        Self {
            widening: self.widening * factor,
            ..self
        }
    }

    /// How far the log price `y` lies from the median, in half-widths of the band of chance
    /// `chance` on its side.
    pub fn distance(&self, y: f64, chance: f64) -> f64 {
        let (low, high, _) = self.band(chance);
        let centre = self.median();
        let half = if y < centre {
            centre - low
        } else {
            high - centre
        };
        (y - centre).abs() / half.max(f64::MIN_POSITIVE)
    }

    /// Median log price.
    pub fn median(&self) -> f64 {
        self.predictive.centre()
    }

    /// The band of chance `chance` in 0..1, log price, and what made it. The median is always
    /// inside.
    pub fn band(&self, chance: f64) -> (f64, f64, MadeBy) {
        let half = self.predictive.half_width(chance);
        let centre = self.median();
        // Beyond what so many comps can tell apart, the shape of the model goes on from there.
        let told = chance.min(self.jackknife.most_chance());
        let residuals = if self.share > 0.0 {
            self.jackknife.interval(told)
        } else {
            None
        };
        let Some((low, high)) = residuals else {
            let half = half * self.widening;
            return (centre - half, centre + half, MadeBy::Model);
        };
        let told_half = if told < chance {
            self.predictive.half_width(told)
        } else {
            half
        };
        let side = |residual: f64| {
            let mixed = (1.0 - self.share) * told_half + self.share * residual.max(0.0);
            mixed * self.widening * half / told_half.max(f64::MIN_POSITIVE)
        };
        let made_by = MadeBy::Residuals {
            share: self.share,
            comps: self.jackknife.misses.len(),
        };
        (
            centre - side(centre - low),
            centre + side(high - centre),
            made_by,
        )
    }

    /// Chance of at most the log price `y`: the model's, stretched as the 80 % band is.
    pub fn cdf(&self, y: f64) -> f64 {
        let centre = self.median();
        let (z, _) = self.stretch(USUAL).undo(y - centre);
        self.predictive.cdf(centre + z)
    }

    /// Log prices that stand for the distribution, equally likely, ascending: the middles of
    /// `rungs` slices of equal chance, to about 1e-6 in chance.
    ///
    /// Whatever lies beyond the points of chance [`TAIL`] and 1 − [`TAIL`] is held at these: the
    /// tails of a Student-t distribution of log price are so long that the mean price would be
    /// infinite.
    pub fn ladder(&self, rungs: usize) -> Vec<f64> {
        let (centre, stretch) = (self.median(), self.stretch(USUAL));
        let reach = self.predictive.half_width(1.0 - 2.0 * TAIL);
        let (from, to) = (-reach * stretch.below, reach * stretch.above);
        let table: Vec<Knot> = (0..=CELLS)
            .map(|k| {
                let u = from + (to - from) * k as f64 / CELLS as f64;
                let (z, slope) = stretch.undo(u);
                Knot {
                    at: u,
                    chance: self.predictive.cdf(centre + z),
                    density: self.predictive.pdf(centre + z) * slope,
                }
            })
            .collect();
        let mut cell = 0;
        (0..rungs)
            .map(|k| {
                let chance = (k as f64 + 0.5) / rungs as f64;
                while cell + 1 < CELLS && table[cell + 1].chance < chance {
                    cell += 1;
                }
                centre + Knot::between(&table[cell], &table[cell + 1], chance)
            })
            .collect()
    }

    /// What the band of chance `chance` makes of the model's scale on either side.
    fn stretch(&self, chance: f64) -> Stretch {
        let half = self.predictive.half_width(chance).max(f64::MIN_POSITIVE);
        let (low, high, _) = self.band(chance);
        let centre = self.median();
        Stretch::new((centre - low) / half, (high - centre) / half, half)
    }

    /// The density over prices (not logs) at `points` prices, ascending: pairs of price and
    /// density per unit of money. It is the model's, stretched on either side of the median so
    /// that the band of chance `chance` holds that chance.
    pub fn density(&self, chance: f64, points: usize) -> Vec<(f64, f64)> {
        let centre = self.median();
        let stretch = self.stretch(chance);
        let reach = self.predictive.half_width(0.98_f64.max(chance));
        let from = centre - reach * stretch.below;
        let to = centre + reach * stretch.above;
        (0..points)
            .map(|k| {
                let y = from + (to - from) * k as f64 / (points - 1).max(1) as f64;
                let (z, slope) = stretch.undo(y - centre);
                (y.exp(), self.predictive.pdf(centre + z) * slope / y.exp())
            })
            .collect()
    }
}

/// A point of a distribution.
struct Knot {
    at: f64,
    chance: f64,
    density: f64,
}

impl Knot {
    /// Where between two neighbours the chance is `chance`, by the cubic through both with their
    /// slopes (Hermite); the nearer end where it is beyond them.
    fn between(one: &Self, next: &Self, chance: f64) -> f64 {
        let width = next.at - one.at;
        let cubic = |t: f64| {
            let (s, u) = (1.0 - t, width * t * (1.0 - t));
            one.chance * s * s * (1.0 + 2.0 * t)
                + next.chance * t * t * (3.0 - 2.0 * t)
                + u * (one.density * s - next.density * t)
        };
        if chance <= one.chance {
            return one.at;
        }
        if chance >= next.chance {
            return next.at;
        }
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..40 {
            let middle = f64::midpoint(low, high);
            if cubic(middle) < chance {
                low = middle;
            } else {
                high = middle;
            }
        }
        one.at + width * f64::midpoint(low, high)
    }
}

/// A smooth change of scale about zero, from `below` to `above`.
struct Stretch {
    below: f64,
    above: f64,
    /// Beyond this distance the scale no longer changes.
    blend: f64,
}

impl Stretch {
    fn new(below: f64, above: f64, half: f64) -> Self {
        let (below, above) = (below.max(1e-6), above.max(1e-6));
        Self {
            below,
            above,
            blend: half * below.min(above),
        }
    }

    /// The distance that was stretched to `u`, and its slope there.
    fn undo(&self, u: f64) -> (f64, f64) {
        let t = (u / self.blend).clamp(-1.0, 1.0);
        // Smoothstep from 0 at −1 to 1 at 1: no kink where the two sides meet.
        let share = 0.5 + t * (3.0 - t * t) / 4.0;
        let scale = self.below + (self.above - self.below) * share;
        let change = (self.above - self.below) * 0.75 * (1.0 - t * t) / self.blend;
        (u / scale, (1.0 - u * change / scale) / scale)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lopsided() -> Outcome {
        let rows = 60;
        let jackknife = Jackknife {
            centres: (0..rows).map(|i| 4.0 + 0.002 * f64::from(i % 7)).collect(),
            misses: (0..rows).map(|i| 0.01 * f64::from(i % 31)).collect(),
            weights: vec![1.0; rows as usize],
        };
        Outcome::new(
            Predictive::new(4.0, 0.001, 0.1, 30.0, 4.0),
            jackknife,
            f64::from(rows),
        )
    }

    #[test]
    fn the_density_holds_the_band() {
        let outcome = lopsided();
        let (low, high, _) = outcome.band(0.8);
        let inside: f64 = outcome
            .density(0.8, 4001)
            .windows(2)
            .filter(|pair| pair[0].0.ln() >= low && pair[1].0.ln() <= high)
            .map(|pair| (pair[1].0 - pair[0].0) * f64::midpoint(pair[0].1, pair[1].1))
            .sum();
        assert!((inside - 0.8).abs() < 0.003, "{inside}");
    }
    #[test]
    fn rungs_are_equally_likely_and_tails_are_held() {
        let outcome = lopsided();
        let ladder = outcome.ladder(2000);
        for (k, y) in ladder.iter().enumerate() {
            let chance = ((k as f64 + 0.5) / 2000.0).clamp(TAIL, 1.0 - TAIL);
            assert!(
                (outcome.cdf(*y) - chance).abs() < 2e-6,
                "{k}: {}",
                outcome.cdf(*y)
            );
        }
        let fine = outcome.ladder(20_000);
        assert!(
            fine[..20].iter().all(|y| *y == fine[0]),
            "{:?}",
            &fine[..21]
        );
        // Ten times as fine, and the mean price hardly moves.
        let mean =
            |ladder: &[f64]| ladder.iter().map(|y| y.exp()).sum::<f64>() / ladder.len() as f64;
        let change = mean(&ladder) / mean(&fine) - 1.0;
        assert!(change.abs() < 2e-5, "{change}");
    }
}
