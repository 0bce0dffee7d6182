//! What gross errors cost an ideal observer: a lower bound for any way to find them by the same
//! rules of thumb.
//!
//! The observer knows the law by which prices are mistyped (each with probability 0.1, times or
//! divided by five, equally likely) and averages over which of them are, by Bayes' theorem: a
//! hypothesis `h` in {−1, 0, 1}ⁿ states by which power of five each price is off; the corrected
//! prices have the marginal likelihood `p(y − h ln 5)` ([`compband::fit::posterior::Posterior::log_evidence`]),
//! and its prior probability is `0.9^(n − k) 0.05^k` for `k` errors. The band is read from the mixture
//! of the predictive distributions.
//!
//! Hypotheses of up to [`MOST_ERRORS`] errors are included, and the truth with those that differ
//! from it in one price, so that the truth is never missed; to leave others out favours it.

use compband::band::outcome::Outcome;
use compband::fit::root::ascending_root;

use super::draws::{Data, drawn, gather, gross};
use super::ours::{self, Sale};
use super::regression::Tried;

/// Errors in a hypothesis that does not come from the truth.
const MOST_ERRORS: usize = 2;

/// The largest size that is tried: the hypotheses grow with its square.
pub const LARGEST: usize = 15;

/// A weight below this, to the largest, is negligible.
const NEGLIGIBLE: f64 = 1e-6;

/// By which power of five each price is off.
type Hypothesis = Vec<i8>;

/// All hypotheses compared.
fn hypotheses(truth: &Hypothesis) -> Vec<Hypothesis> {
    let n = truth.len();
    let mut all = vec![vec![0; n]];
    let mut last = all.clone();
    for _ in 0..MOST_ERRORS {
        let next = last
            .iter()
            .flat_map(changed)
            .filter(|h| errors(h) > errors(&last[0]));
        last = next.collect();
        all.extend(last.iter().cloned());
    }
    all.push(truth.clone());
    all.extend(changed(truth));
    all.sort();
    all.dedup();
    all
}

/// Those that differ in one price.
fn changed(from: &Hypothesis) -> Vec<Hypothesis> {
    let one = |at: usize, power: i8| {
        let mut other = from.clone();
        other[at] = power;
        other
    };
    (0..from.len())
        .flat_map(|at| [-1, 0, 1].map(|power| one(at, power)))
        .filter(|other| other != from)
        .collect()
}

fn errors(h: &Hypothesis) -> usize {
    h.iter().filter(|power| **power != 0).count()
}

/// Quantile of a mixture, log price.
fn quantile(mixture: &[(f64, Outcome)], p: f64) -> f64 {
    let ends = mixture.iter().map(|(_, outcome)| outcome.band(0.999));
    let ends = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (a, b)| {
        (l.min(a), h.max(b))
    });
    let below = |y: f64| -> f64 { mixture.iter().map(|(w, o)| w * o.cdf(y)).sum() };
    // Without a slope the ends are halved.
    let start = f64::midpoint(ends.0, ends.1);
    ascending_root(ends, start, 1e-12, |y| (below(y) - p, 0.0))
}

/// How the observer does on a draw with gross errors planted.
fn observed(data: &Data, n: usize, draw: usize) -> Tried {
    let (mut rng, chosen) = drawn(data.rows.len(), n, draw);
    let sales: Vec<&Sale> = chosen[1..].iter().map(|&i| &data.sales[i]).collect();
    let target = &data.sales[chosen[0]];
    let factors = gross(&mut rng, n);
    let truth = factors
        .iter()
        .map(|f| if *f > 1.0 { 1 } else { -i8::from(*f < 1.0) })
        .collect();
    let mut settings = data.settings.clone();
    settings.estimate.nu = f64::INFINITY;
    let mut all: Vec<(f64, Outcome)> = Vec::new();
    for h in hypotheses(&truth) {
        let pairs = factors.iter().zip(&h);
        let corrected: Vec<f64> = pairs
            .map(|(f, power)| f * 5.0_f64.powi(-i32::from(*power)))
            .collect();
        let made = ours::estimate(&sales, target, &settings, &corrected, &Default::default());
        let k = errors(&h) as f64;
        let log = made.evidence.log_evidence + k * 0.05_f64.ln() + (n as f64 - k) * 0.9_f64.ln();
        all.push((log, made.outcome));
    }
    let most = all
        .iter()
        .map(|(log, _)| *log)
        .fold(f64::NEG_INFINITY, f64::max);
    all.retain(|(log, _)| (log - most).exp() > NEGLIGIBLE);
    let total: f64 = all.iter().map(|(log, _)| (log - most).exp()).sum();
    for (weight, _) in &mut all {
        *weight = (*weight - most).exp() / total;
    }
    let band = (quantile(&all, 0.1), quantile(&all, 0.9));
    Tried::of(band, data.rows[chosen[0]].log_price)
}

/// How the observer does on all draws.
pub fn ideal(data: &Data, n: usize, draws: usize) -> Vec<Tried> {
    gather(draws, |draw| observed(data, n, draw))
}
