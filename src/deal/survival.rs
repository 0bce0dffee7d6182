//! How long something lasts, from spells of which some had not ended when they were last seen.
//!
//! The estimator of Kaplan and Meier (*Nonparametric estimation from incomplete observations*, Journal of the
//! American Statistical Association 53, 1958): at each day with an end the share that goes on is multiplied by one
//! less the share of the spells still under way that end then. A spell that is not seen to its end counts as under
//! way for as long as it was seen, its last day included. Standard errors are Greenwood's.

/// One spell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spell {
    /// Days for which it was seen, at least one.
    pub days: i64,
    /// Whether it ended then; otherwise it was only seen that long.
    pub ended: bool,
}

/// The curve on a day with an end, from that day on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The day.
    pub days: i64,
    /// Spells under way just before.
    pub at_risk: usize,
    /// Spells that end on it.
    pub ended: usize,
    /// Probability that a spell lasts longer.
    pub lasting: f64,
    /// Its standard error; 0 once no spell is left.
    pub error: f64,
}

/// The probability that a spell lasts longer than so many days.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Number of spells.
    pub spells: usize,
    /// Number of these that are seen to their end.
    pub ended: usize,
    /// Days of the longest spell.
    pub longest: i64,
    /// The steps, in order; before the first the probability is 1.
    pub steps: Vec<Step>,
}

/// Rounding of the products of shares.
const ROUNDING: f64 = 1e-9;

/// Quantile of the normal distribution with a tenth above it, so that intervals have a chance of 80 %.
const TENTH: f64 = 1.281_551_565_544_600_4;

impl Curve {
    /// The curve of spells; `None` without any.
    pub fn of(spells: &[Spell]) -> Option<Self> {
        let longest = spells.iter().map(|spell| spell.days).max()?;
        let mut days: Vec<i64> = spells
            .iter()
            .filter(|spell| spell.ended)
            .map(|spell| spell.days)
            .collect();
        let ended = days.len();
        days.sort_unstable();
        days.dedup();
        let (mut lasting, mut greenwood) = (1.0, 0.0);
        let steps = days.into_iter().map(|days| {
            let at_risk = spells.iter().filter(|spell| spell.days >= days).count();
            let ends = |spell: &&Spell| spell.ended && spell.days == days;
            let ended = spells.iter().filter(ends).count();
            let (risk, end) = (at_risk as f64, ended as f64);
            lasting *= 1.0 - end / risk;
            greenwood += if at_risk > ended {
                end / (risk * (risk - end))
            } else {
                0.0
            };
            Step {
                days,
                at_risk,
                ended,
                lasting,
                error: lasting * f64::sqrt(greenwood),
            }
        });
        Some(Self {
            spells: spells.len(),
            ended,
            longest,
            steps: steps.collect(),
        })
    }

    /// Days within which at least this share of the spells end; `None` if fewer are known to.
    pub fn within(&self, share: f64) -> Option<i64> {
        let reached = |step: &&Step| step.lasting <= 1.0 - share + ROUNDING;
        self.steps.iter().find(reached).map(|step| step.days)
    }

    /// The days that [`Curve::within`] may be, with a chance of 80 %: those at which a test of this share on the scale
    /// log(−log) does not refuse it (Brookmeyer and Crowley, *A confidence interval for the median survival time*,
    /// Biometrics 38, 1982; the scale as in Klein and Moeschberger, *Survival Analysis*, section 4.5). The upper end
    /// is `None` if the spells do not limit it; no interval if no day is left.
    pub fn range(&self, share: f64) -> Option<(i64, Option<i64>)> {
        let scale = |chance: f64| (-chance.ln()).ln();
        let fits = |step: &Step| {
            let slope = step.error / (step.lasting * step.lasting.ln().abs());
            let apart = (scale(step.lasting) - scale(1.0 - share)).abs();
            apart <= TENTH * slope
        };
        let first = self.steps.iter().position(fits)?;
        let last = self.steps.iter().rposition(fits)?;
        let upper = self.steps.get(last + 1).map(|step| step.days);
        Some((self.steps[first].days, upper))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spells(days: &[i64], seen: &[i64]) -> Vec<Spell> {
        let of = |ended: bool| move |days: &i64| Spell { days: *days, ended };
        let ended = days.iter().map(of(true));
        ended.chain(seen.iter().map(of(false))).collect()
    }

    /// Where all end, the curve is one less the share that ended, and its error that of a share.
    #[test]
    fn without_spells_under_way_it_is_a_share() {
        let curve = Curve::of(&spells(&[3, 5, 5, 9, 20], &[])).unwrap();
        let lasting: Vec<f64> = curve.steps.iter().map(|step| step.lasting).collect();
        for (found, wanted) in lasting.iter().zip([0.8, 0.4, 0.2, 0.0]) {
            assert!((found - wanted).abs() < 1e-12);
        }
        for step in &curve.steps[..3] {
            let share = (step.lasting * (1.0 - step.lasting) / 5.0).sqrt();
            assert!((step.error - share).abs() < 1e-12);
        }
        assert_eq!(curve.within(0.2), Some(3));
        assert_eq!(curve.within(0.5), Some(5));
        assert_eq!(curve.within(1.0), Some(20));
    }

    /// Efron's redistribution to the right gives the same curve: whoever leaves unseen hands its weight on to all
    /// that are seen longer (Efron, *The two sample problem with censored data*, 1967).
    #[test]
    fn weight_of_the_unseen_goes_to_those_seen_longer() {
        let mut all = spells(&[2, 4, 4, 7, 11, 16], &[3, 4, 9, 9, 12]);
        all.sort_by_key(|spell| (spell.days, !spell.ended));
        let mut weights = vec![1.0 / all.len() as f64; all.len()];
        for at in 0..all.len() {
            if !all[at].ended {
                let left = all.len() - at - 1;
                let share = std::mem::take(&mut weights[at]) / left as f64;
                weights[at + 1..].iter_mut().for_each(|one| *one += share);
            }
        }
        for step in Curve::of(&all).unwrap().steps {
            let later = all.iter().zip(&weights);
            let later = later.filter(|(spell, _)| spell.days > step.days);
            let lasting: f64 = later.map(|(_, weight)| weight).sum();
            assert!((lasting - step.lasting).abs() < 1e-12, "{step:?}");
        }
    }

    #[test]
    fn a_level_that_is_not_reached_has_no_time() {
        assert_eq!(Curve::of(&[]), None);
        let curve = Curve::of(&spells(&[5], &[8, 30, 30])).unwrap();
        assert_eq!((curve.within(0.25), curve.within(0.5)), (Some(5), None));
        assert_eq!(curve.longest, 30);
        let none = Curve::of(&spells(&[], &[8])).unwrap();
        assert_eq!((none.within(0.25), none.range(0.5)), (None, None));
    }
}
