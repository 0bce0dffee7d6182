//! Partial pooling: the data of other models update the prior of an adjustment of this model.
//!
//! The comps of another model `i` alone give an estimate `bᵢ` of the adjustment, with standard
//! error `sᵢ`. Both are in units of the scale of *its* rule of thumb, as a distance from that
//! rule's location. So a rule in money carries over between a cheap and an expensive model, and a
//! rule in per cent carries over unchanged. In these units, where every rule of thumb is N(0, 1),
//!
//! ```text
//! bᵢ ~ N(θᵢ, sᵢ²),   θᵢ ~ N(μ, τ²),   μ ~ N(0, 1 − τ²),   τ ~ half-normal(½), τ < 1
//! ```
//!
//! is the hierarchical normal model (Gelman et al., *Bayesian Data Analysis*, 3rd edition, section
//! 5.4); τ is the standard deviation between the models of units. The variance of μ is 1 − τ², so
//! that without data of other models θ of this one is N(0, 1) for each τ, which is the rule of
//! thumb. Given τ, the posterior of μ and the likelihood of `b` have closed forms; τ runs over a
//! grid, and the mixture of N(μ̂, V_μ + τ²) over it is reduced to the normal distribution with the
//! same mean and variance. If the other models agree, they narrow the prior; if they contradict
//! each other, it stays about as wide as the rule.
//!
//! Models that agree with each other make τ small, and thereby narrow the prior of a model that
//! differs from them. Therefore this model is exchangeable with them only with probability 0.9;
//! otherwise its prior is the rule of thumb (Neuenschwander, Wandel, Roychoudhury and Bailey 2016,
//! "Robust exchangeability designs for early phase clinical trials with multiple strata",
//! *Pharmaceutical Statistics* 15: 123-134). The comps of this model decide between the two, for
//! each coefficient.

use std::collections::{BTreeMap, BTreeSet};

use super::ep::Moments;
use super::posterior::SpreadPrior;
use super::prior::{Belief, Part, Prior, SCALES};
use super::term::Term;

/// Scale of the half-normal prior on τ, in scales of the rule of thumb.
const SCALE: f64 = 0.5;

/// Probability that a model is not exchangeable with the others, so that only the rule of thumb
/// applies.
const UNLIKE: f64 = 0.1;

/// Points of the grid over τ.
const POINTS: usize = 100;

/// Scale of the half-normal prior on the standard deviation of log residual scales between models.
const SPREAD_SCALE: f64 = 0.2;

/// Largest value of that standard deviation, and points of the grid up to it.
const SPREAD_MOST: f64 = 0.7;
const SPREAD_POINTS: usize = 12;

/// The estimate of an adjustment from the comps of one other model alone, in scales of its rule of
/// thumb from that rule's location.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ModelEstimate {
    /// The estimate.
    pub mean: f64,
    /// Its standard error, above 0.
    pub sd: f64,
}

impl ModelEstimate {
    fn precision(self, tau: f64) -> f64 {
        (self.sd * self.sd + tau * tau).recip()
    }
}

/// Posterior of the mean μ over models, given their standard deviation `tau` and a prior on μ (an
/// infinite `sd` for none).
pub fn mean_given(estimates: &[ModelEstimate], tau: f64, before: Prior) -> Prior {
    let known = before.sd.powi(-2);
    let (mut total, mut sum) = (known, 0.0);
    if known > 0.0 {
        sum = known * before.mean;
    }
    for one in estimates {
        let precision = one.precision(tau);
        total += precision;
        sum += precision * one.mean;
    }
    Prior {
        mean: sum / total,
        sd: total.sqrt().recip(),
    }
}

/// Log likelihood of `tau` with μ integrated out, up to a constant; `before` must have a finite
/// `sd` above 0.
pub fn log_likelihood(estimates: &[ModelEstimate], tau: f64, before: Prior) -> f64 {
    let weights: Vec<f64> = estimates.iter().map(|one| one.precision(tau)).collect();
    let total: f64 = weights.iter().sum();
    if total == 0.0 {
        return 0.0;
    }
    let pairs = || estimates.iter().zip(&weights);
    let centre = pairs().map(|(one, w)| w * one.mean).sum::<f64>() / total;
    let squares: f64 = pairs()
        .map(|(one, w)| w * (one.mean - centre).powi(2))
        .sum();
    let logs: f64 = weights.iter().map(|w| w.ln()).sum();
    let variance = before.sd * before.sd;
    let apart = (centre - before.mean).powi(2) / (variance + total.recip());
    0.5 * (logs - squares - (variance * total).ln_1p() - apart)
}

/// Prior of one more model given the others, in units of the rule; the rule of thumb itself if
/// there are none.
pub fn one_more(estimates: &[ModelEstimate]) -> Belief {
    let rule = Belief::of_rule(Prior { mean: 0.0, sd: 1.0 });
    if estimates.is_empty() {
        return rule;
    }
    let scales = rule.parts().iter();
    let each: Vec<(f64, Prior)> = scales.map(|part| given_scale(estimates, *part)).collect();
    let most = each.iter().map(|(log, _)| *log).fold(f64::MIN, f64::max);
    let total: f64 = each.iter().map(|(log, _)| (log - most).exp()).sum();
    let parts = each.iter().map(|(log, prior)| Part {
        weight: (log - most).exp() / total,
        mean: prior.mean,
        sd: prior.sd,
    });
    let like = Belief::of_parts(&parts.collect::<Vec<Part>>());
    like.or(UNLIKE, &rule)
}

/// The prior if the rule is the single normal `part`, with the log evidence for it.
fn given_scale(estimates: &[ModelEstimate], part: Part) -> (f64, Prior) {
    let grid: Vec<(f64, Prior, f64)> = (0..POINTS)
        .map(|k| {
            let tau = part.sd * (k as f64 + 0.5) / POINTS as f64;
            let before = Prior {
                mean: part.mean,
                sd: (part.sd * part.sd - tau * tau).sqrt(),
            };
            let log = log_likelihood(estimates, tau, before) - 0.5 * (tau / SCALE).powi(2);
            (tau, mean_given(estimates, tau, before), log)
        })
        .collect();
    let most = grid.iter().map(|(.., log)| *log).fold(f64::MIN, f64::max);
    let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
    for (tau, mean, log) in &grid {
        let weight = (log - most).exp();
        total += weight;
        first += weight * mean.mean;
        second += weight * (mean.mean.powi(2) + mean.sd.powi(2) + tau * tau);
    }
    let mean = first / total;
    // The grid omits the constant of the prior on τ, so its sum is divided by this one.
    let usual: f64 = grid
        .iter()
        .map(|(tau, ..)| (-0.5 * (tau / SCALE).powi(2)).exp())
        .sum();
    (
        part.weight.ln() + most + (total / usual).ln(),
        Prior {
            mean,
            sd: (second / total - mean * mean).sqrt(),
        },
    )
}

/// Prior of the residual scale of one more model given the others: `uᵢ = log σᵢ ~ N(μ, τ²)`, known
/// with standard error `sᵢ`. μ has the usual prior less τ²; τ is half-normal(`SPREAD_SCALE`). The
/// deviation of this model from μ has heavy tails, like a rule of thumb: the scales of [`SCALES`]
/// times τ.
pub fn spread_of_one_more(estimates: &[ModelEstimate], usual: &SpreadPrior) -> SpreadPrior {
    if estimates.is_empty() {
        return usual.clone();
    }
    let (mean, variance) = (usual.mean(), usual.variance());
    let places: Vec<(f64, f64, Prior)> = (0..SPREAD_POINTS)
        .map(|k| {
            let tau = SPREAD_MOST * (k as f64 + 0.5) / SPREAD_POINTS as f64;
            let before = Prior {
                mean,
                sd: (variance - tau * tau).max(variance / 4.0).sqrt(),
            };
            let log = log_likelihood(estimates, tau, before) - 0.5 * (tau / SPREAD_SCALE).powi(2);
            (log, tau, mean_given(estimates, tau, before))
        })
        .collect();
    let most = places.iter().map(|(log, ..)| *log).fold(f64::MIN, f64::max);
    let total: f64 = places.iter().map(|(log, ..)| (log - most).exp()).sum();
    let parts = places.iter().flat_map(|&(log, tau, mean)| {
        SCALES.map(|scale| {
            let own = Moments {
                mean: mean.mean,
                variance: mean.sd.powi(2) + (scale * tau).powi(2),
            };
            ((log - most).exp() / total / SCALES.len() as f64, own)
        })
    });
    SpreadPrior {
        parts: parts.filter(|(weight, _)| *weight > 1e-4).collect(),
    }
}

/// All estimates from the comps of one other model.
#[derive(Debug, Clone, PartialEq)]
pub struct Learnt {
    /// Number of comps in its fit.
    pub comps: usize,
    /// The declared family of the model, if any.
    pub family: Option<String>,
    /// Estimate by term.
    pub estimates: BTreeMap<Term, ModelEstimate>,
    /// Estimate of log σ of its residuals, if there is one.
    pub spread: Option<ModelEstimate>,
}

/// The estimates of one term by the other models, pooled.
#[derive(Debug, Clone, PartialEq)]
pub struct Pooled {
    /// Belief about one more model, in scales of its rule from the rule's location.
    belief: Belief,
    /// Models that have an estimate: positions in [`Pool::comps`].
    models: Vec<usize>,
}

impl Pooled {
    /// The rule of thumb of a model, updated by the others.
    pub fn update(&self, rule: Prior) -> Belief {
        self.belief.in_units_of(rule)
    }

    /// Share of the information in the updated rule that comes from the other models, 0..=1.
    pub fn share(&self) -> f64 {
        let rule = Belief::of_rule(Prior { mean: 0.0, sd: 1.0 });
        (1.0 - self.belief.variance() / rule.variance()).max(0.0)
    }

    /// Number of models that have an estimate.
    pub fn models(&self) -> usize {
        self.models.len()
    }
}

/// The pooled estimates of the other models of a book, by term; none by default.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Pool {
    terms: BTreeMap<Term, Pooled>,
    comps: Vec<usize>,
    spreads: Vec<ModelEstimate>,
}

impl Pool {
    /// Pools the estimates of these models for a model of `family`. Numeric attributes belong to a
    /// family and are not pooled outside it.
    pub fn of<'a>(models: impl IntoIterator<Item = &'a Learnt>, family: Option<&str>) -> Self {
        let (mut comps, mut spreads) = (Vec::new(), Vec::new());
        let mut by_term: BTreeMap<Term, (Vec<ModelEstimate>, Vec<usize>)> = BTreeMap::new();
        for (at, model) in models.into_iter().enumerate() {
            comps.push(model.comps);
            spreads.extend(model.spread);
            let related = family.is_some() && model.family.as_deref() == family;
            let meant = |term: &&Term| related || !matches!(term, Term::Attribute(_));
            for (term, estimate) in model.estimates.iter().filter(|(term, _)| meant(term)) {
                let (all, models) = by_term.entry(term.clone()).or_default();
                all.push(*estimate);
                models.push(at);
            }
        }
        let pooled = |(term, (estimates, models)): (Term, (Vec<ModelEstimate>, Vec<usize>))| {
            let belief = one_more(&estimates);
            (term, Pooled { belief, models })
        };
        Self {
            terms: by_term.into_iter().map(pooled).collect(),
            comps,
            spreads,
        }
    }

    /// The usual residual spread, updated by the others ([`spread_of_one_more`]).
    pub fn spread(&self, usual: &SpreadPrior) -> SpreadPrior {
        spread_of_one_more(&self.spreads, usual)
    }

    /// The pooled estimate of a term, if any model has one.
    pub fn get(&self, term: &Term) -> Option<&Pooled> {
        self.terms.get(term)
    }

    /// Number of models with an estimate of any of these terms, and the number of their comps.
    pub fn behind<'a>(&self, terms: impl IntoIterator<Item = &'a Term>) -> (usize, usize) {
        let models: BTreeSet<usize> = terms
            .into_iter()
            .filter_map(|term| self.get(term))
            .flat_map(|pooled| pooled.models.iter().copied())
            .collect();
        (models.len(), models.iter().map(|&at| self.comps[at]).sum())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::solve::Sign;
    use proptest::prelude::*;

    fn estimate(mean: f64, sd: f64) -> ModelEstimate {
        ModelEstimate { mean, sd }
    }

    fn close(a: f64, b: f64, within: f64) {
        assert!((a - b).abs() <= within, "{a} is not {b}");
    }

    #[test]
    fn without_others_it_is_the_rule() {
        let rule = Prior {
            mean: -0.08,
            sd: 0.03,
        };
        let pooled = Pooled {
            belief: one_more(&[]),
            models: Vec::new(),
        };
        assert_eq!(pooled.update(rule), Belief::of_rule(rule));
        assert_eq!(pooled.share(), 0.0);
        assert_eq!(Pool::default(), Pool::of([], None));
        // An estimate without information changes nothing.
        let vague = one_more(&[estimate(3.0, 1e6)]);
        for (part, scale) in vague.parts().iter().zip([SCALES, SCALES].concat()) {
            close(part.mean, 0.0, 1e-9);
            close(part.sd, scale, 1e-9);
        }
        let weights = vague.parts().iter().map(|part| part.weight);
        for (weight, whole) in weights.zip([0.9, 0.1].into_iter().flat_map(|w| [w; 4])) {
            close(weight, whole / 4.0, 1e-9);
        }
    }

    /// A rule of the smallest scale is far from the estimates: the wide components gain weight.
    #[test]
    fn what_contradicts_a_rule_makes_it_wide() {
        let weights_of = |belief: Belief| -> Vec<f64> {
            let like = belief.parts()[..SCALES.len()].iter();
            like.map(|part| part.weight / (1.0 - UNLIKE)).collect()
        };
        let contradicted = one_more(&[estimate(6.0, 0.2)]);
        let weights = weights_of(contradicted);
        assert!(
            weights.windows(2).all(|pair| pair[0] < pair[1]),
            "{weights:?}"
        );
        assert!(weights[3] > 0.9, "{weights:?}");
        let agreed = weights_of(one_more(&[estimate(0.1, 0.2)]));
        assert!(
            agreed.windows(2).all(|pair| pair[0] > pair[1]),
            "{agreed:?}"
        );
    }

    #[test]
    fn many_that_agree_are_believed() {
        let belief = one_more(&vec![estimate(1.5, 0.2); 30]);
        close(belief.quantile(0.5, Sign::Free), 1.5, 0.03);
        let (low, high) = (
            belief.quantile(0.1, Sign::Free),
            belief.quantile(0.9, Sign::Free),
        );
        assert!(1.1 < low && high < 1.8, "{low} {high}");
    }

    #[test]
    fn the_more_the_narrower() {
        let mut before = one_more(&[]).variance();
        for models in [1, 2, 4, 8, 16] {
            let belief = one_more(&vec![estimate(0.5, 0.5); models]);
            assert!(
                belief.variance() < before,
                "{models}: {} {before}",
                belief.variance()
            );
            before = belief.variance();
        }
    }

    #[test]
    fn those_that_contradict_each_other_leave_the_rule() {
        let contradicting: Vec<ModelEstimate> = (0..12)
            .map(|k| estimate(if k % 2 == 0 { -1.5 } else { 1.5 }, 0.1))
            .collect();
        let belief = one_more(&contradicting);
        close(belief.mean(), 0.0, 1e-9);
        assert!(belief.variance().sqrt() > 0.9, "{}", belief.variance());
    }

    #[test]
    fn who_speaks_is_counted_once() {
        let learnt = |comps, terms: &[Term]| Learnt {
            comps,
            spread: None,
            family: Some("readers".into()),
            estimates: terms
                .iter()
                .map(|t| (t.clone(), estimate(0.1, 1.0)))
                .collect(),
        };
        let (grade, trend) = (Term::Grade(0), Term::Trend);
        let storage = Term::Attribute("storage".into());
        let models = [
            learnt(7, std::slice::from_ref(&grade)),
            learnt(11, &[grade.clone(), trend.clone(), storage.clone()]),
        ];
        let pool = Pool::of(&models, Some("radios"));
        assert_eq!(pool.get(&storage), None);
        assert!(Pool::of(&models, Some("readers")).get(&storage).is_some());
        assert_eq!(pool.behind([&grade, &trend]), (2, 18));
        assert_eq!(pool.behind([&trend]), (1, 11));
        assert_eq!(pool.behind([&Term::Level]), (0, 0));
        assert_eq!(pool.get(&grade).map(Pooled::models), Some(2));
    }

    proptest! {
        /// The belief lies between the rule and the reports, and is not wider than the rule and the
        /// spread of the reports together.
        #[test]
        fn within_reason(reports in prop::collection::vec((-4.0..4.0f64, 0.01..5.0f64), 1..12)) {
            let all: Vec<ModelEstimate> = reports.iter().map(|&(mean, sd)| estimate(mean, sd)).collect();
            let belief = one_more(&all);
            let low = reports.iter().map(|r| r.0).fold(0.0, f64::min);
            let high = reports.iter().map(|r| r.0).fold(0.0, f64::max);
            let (mean, variance) = (belief.mean(), belief.variance());
            let widest = one_more(&[]).variance().sqrt().max(SCALES[3]);
            prop_assert!(low - 1e-9 <= mean && mean <= high + 1e-9);
            prop_assert!(variance > 0.0 && variance.sqrt() < widest + (high - low));
            let total: f64 = belief.parts().iter().map(|part| part.weight).sum();
            prop_assert!((total - 1.0).abs() < 1e-9);
        }
    }
}
