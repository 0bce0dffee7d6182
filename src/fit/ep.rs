//! Expectation propagation: the posterior of coefficients under priors that are not normal.
//!
//! The likelihood is the exponential of a quadratic form, `−½ β'Λβ + h'β + c`. Each rule of thumb
//! `k` is a belief about `zₖ'β`: a mixture of normals, truncated if its sign is constrained. A site
//! `Cₖ exp(−½ τₖ u² + ηₖ u)` in `u = zₖ'β` approximates it (Minka 2001, "Expectation propagation
//! for approximate Bayesian inference", *UAI* 17: 362-369). The posterior without the site is the
//! cavity N(m, v); cavity times site must have the same mass, mean and variance as cavity times
//! rule:
//!
//! ```text
//! Ẑ = Σ πᵢ N(m; mᵢ, v + sᵢ²) Φ(±aᵢ) / Σ πᵢ Φ(±mᵢ/sᵢ),   aᵢ = μᵢ/√vᵢ,
//! 1/vᵢ = 1/v + 1/sᵢ²,   μᵢ = vᵢ (m/v + mᵢ/sᵢ²)
//! ```
//!
//! The moments of each truncated normal have a closed form (Johnson, Kotz and Balakrishnan 1994,
//! *Continuous Univariate Distributions* 1, section 10.1). All sites are updated at once, by four
//! fifths of the change. The total mass,
//!
//! ```text
//! log Z = c + Σ log Cₖ + ½ h̃'Λ̃⁻¹h̃ − ½ log |Λ̃| + p/2 log 2π,
//! ```
//!
//! where `Λ̃` and `h̃` include the sites, compares likelihoods.

use std::f64::consts::PI;

use nalgebra::{Cholesky, DMatrix, DVector};
use statrs::function::erf::erfc;

use super::prior::{Belief, MOST_PARTS, Part};
use super::solve::Sign;

/// Share of the change that an update of a site makes.
const DAMPING: f64 = 0.8;

/// Smallest precision of a site, in units of `1/s²`; `s` is the smallest scale of its rule.
const LEAST_PRECISION: f64 = 1e-3;

/// A direction in the space of the coefficients.
#[derive(Debug, Clone, PartialEq)]
pub enum Direction {
    /// One coefficient.
    Column(usize),
    /// A combination of them, p.
    Row(DVector<f64>),
}

/// A belief about a combination of the coefficients.
#[derive(Debug, Clone, PartialEq)]
pub struct Rule {
    /// The combination that it is about.
    pub of: Direction,
    /// The belief.
    pub belief: Belief,
    /// Possible values.
    pub sign: Sign,
}

impl Rule {
    /// 1 if only positive values are possible, −1 if only negative ones are, else 0.
    fn side(&self) -> f64 {
        match self.sign {
            Sign::Free => 0.0,
            Sign::NotNegative => 1.0,
            Sign::NotPositive => -1.0,
        }
    }

    /// Log probability of the possible values under the belief before truncation.
    pub fn log_possible(&self) -> f64 {
        let side = self.side();
        let part = |q: &Part| {
            let (below, exponent, _) = side_mass(side * q.mean / q.sd);
            q.weight * below * exponent.exp()
        };
        match side {
            0.0 => 0.0,
            _ => self.belief.parts().iter().map(part).sum::<f64>().ln(),
        }
    }
}

/// The logarithm of a likelihood as a quadratic form: `−½ β'Λβ + h'β + c`.
#[derive(Debug, Clone)]
pub struct Quadratic {
    /// Λ, p × p.
    pub precision: DMatrix<f64>,
    /// h, p.
    pub shift: DVector<f64>,
    /// c.
    pub constant: f64,
}

/// Mean and variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moments {
    /// Mean.
    pub mean: f64,
    /// Variance.
    pub variance: f64,
}

/// A site: `exp(−½ τ u² + η u)`.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Site {
    tau: f64,
    eta: f64,
}

/// The sites of all rules; the next run starts from those of the last.
#[derive(Debug, Clone)]
pub struct Sites(Vec<Site>);

/// The normal approximation of the posterior.
#[derive(Debug, Clone)]
pub struct Normal {
    /// Mean, p.
    pub mean: DVector<f64>,
    /// Covariance, p × p.
    pub covariance: DMatrix<f64>,
    log_determinant: f64,
    half_square: f64,
}

impl Direction {
    fn mean(&self, of: &Normal) -> f64 {
        match self {
            Self::Column(j) => of.mean[*j],
            Self::Row(row) => row.dot(&of.mean),
        }
    }

    fn variance(&self, of: &Normal) -> f64 {
        match self {
            Self::Column(j) => of.covariance[(*j, *j)],
            Self::Row(row) => of.variance(row),
        }
    }

    fn add(&self, site: Site, precision: &mut DMatrix<f64>, shift: &mut DVector<f64>) {
        match self {
            Self::Column(j) => {
                precision[(*j, *j)] += site.tau;
                shift[*j] += site.eta;
            }
            Self::Row(row) => {
                precision.ger(site.tau, row, row, 1.0);
                shift.axpy(site.eta, row, 1.0);
            }
        }
    }
}

impl Normal {
    /// Variance of the combination `row` of the coefficients.
    pub fn variance(&self, row: &DVector<f64>) -> f64 {
        let p = row.len();
        let mut sum = 0.0;
        for j in (0..p).filter(|&j| row[j] != 0.0) {
            sum += row[j] * self.covariance.column(j).dot(row);
        }
        sum.max(0.0)
    }
}

/// A posterior with the inverse Cholesky factor of its precision. Sweeps need no more, and it takes
/// a third of the time of the covariance.
pub struct Root {
    /// L⁻¹ with the scaling of the columns undone, so that the covariance is `half'half`, p × p.
    half: DMatrix<f64>,
    /// Mean, p.
    pub mean: DVector<f64>,
    log_determinant: f64,
    half_square: f64,
}

impl Root {
    /// The posterior of a precision (p × p) and shift (p); `None` if the precision is not positive
    /// definite.
    fn of(mut precision: DMatrix<f64>, shift: &DVector<f64>) -> Option<Self> {
        let p = shift.len();
        let scale = precision.diagonal().map(|d| d.sqrt().recip());
        if !scale.iter().all(|s| s.is_finite()) {
            return None;
        }
        for j in 0..p {
            for i in 0..p {
                precision[(i, j)] *= scale[i] * scale[j];
            }
        }
        let factor = Cholesky::new(precision)?;
        let lower = factor.l_dirty();
        let logs: f64 = (0..p).map(|j| lower[(j, j)].ln()).sum();
        let scales: f64 = scale.iter().map(|s| s.ln()).sum();
        let mut half = DMatrix::zeros(p, p);
        for j in 0..p {
            let mut column = half.column_mut(j);
            column[j] = scale[j];
            for k in j..p {
                let value = column[k] / lower[(k, k)];
                column[k] = value;
                let below = lower.view((k + 1, k), (p - k - 1, 1));
                column
                    .rows_mut(k + 1, p - k - 1)
                    .axpy(-value, &below.column(0), 1.0);
            }
        }
        let inner = &half * shift;
        let mut mean = DVector::zeros(p);
        mean.gemv_tr(1.0, &half, &inner, 0.0);
        mean.iter().all(|m| m.is_finite()).then_some(Self {
            mean,
            half,
            log_determinant: 2.0 * (logs - scales),
            half_square: inner.norm_squared() / 2.0,
        })
    }

    /// The posterior with its covariance.
    pub fn posterior(self) -> Normal {
        Normal {
            covariance: self.half.tr_mul(&self.half),
            mean: self.mean,
            log_determinant: self.log_determinant,
            half_square: self.half_square,
        }
    }

    fn moments(&self, of: &Direction) -> Moments {
        match of {
            Direction::Column(j) => Moments {
                mean: self.mean[*j],
                variance: self.half.column(*j).norm_squared(),
            },
            Direction::Row(row) => Moments {
                mean: row.dot(&self.mean),
                variance: (&self.half * row).norm_squared(),
            },
        }
    }
}

impl Sites {
    /// Sites with the mean and variance of the rules themselves.
    pub fn of(rules: &[Rule]) -> Self {
        let site = |rule: &Rule| {
            let tau = rule.belief.variance().recip();
            Site {
                tau,
                eta: tau * rule.belief.mean(),
            }
        };
        Self(rules.iter().map(site).collect())
    }

    /// The posterior with the current sites; `None` if the coefficients are not determined.
    pub fn posterior(&self, rules: &[Rule], likelihood: &Quadratic) -> Option<Normal> {
        self.root(rules, likelihood).map(Root::posterior)
    }

    /// The posterior with the current sites, as its root.
    pub fn root(&self, rules: &[Rule], likelihood: &Quadratic) -> Option<Root> {
        let mut precision = likelihood.precision.clone();
        let mut shift = likelihood.shift.clone();
        for (rule, site) in rules.iter().zip(&self.0) {
            rule.of.add(*site, &mut precision, &mut shift);
        }
        Root::of(precision, &shift)
    }

    /// Runs at most `most` sweeps until the sites converge, and returns the posterior.
    pub fn settle(
        &mut self,
        rules: &[Rule],
        likelihood: &Quadratic,
        most: usize,
        settled: f64,
    ) -> Option<Root> {
        let mut root = self.root(rules, likelihood)?;
        for _ in 0..most {
            let before = self.clone();
            let moved = self.sweep(rules, &root);
            match self.root(rules, likelihood) {
                Some(next) => root = next,
                None => {
                    *self = before;
                    break;
                }
            }
            if moved <= settled {
                break;
            }
        }
        Some(root)
    }

    /// Updates every site. Returns the largest change of a mean, in standard deviations, or of a
    /// variance, as a share.
    fn sweep(&mut self, rules: &[Rule], root: &Root) -> f64 {
        let mut most: f64 = 0.0;
        for (rule, site) in rules.iter().zip(&mut self.0) {
            let now = root.moments(&rule.of);
            let Some(cavity) = cavity_of(now, *site) else {
                continue;
            };
            let (_, tilted) = tilted(cavity, rule);
            if !(tilted.variance > 0.0 && tilted.mean.is_finite()) {
                continue;
            }
            let known = cavity.variance.recip();
            let least = LEAST_PRECISION * rule.belief.least_sd().powi(-2);
            let tau = (tilted.variance.recip() - known).max(least);
            let eta = tilted.mean * (known + tau) - cavity.mean * known;
            let moved = (tilted.mean - now.mean).abs() / now.variance.sqrt();
            let spread = ((known + tau) * now.variance).ln().abs();
            most = most.max(moved).max(spread);
            site.tau += DAMPING * (tau - site.tau);
            site.eta += DAMPING * (eta - site.eta);
        }
        most
    }

    /// Sum of the rules' shares of the information about their combinations: the number of
    /// parameters that they, not the comps, determine.
    pub fn taken(&self, rules: &[Rule], root: &Root) -> f64 {
        let share = |(rule, site): (&Rule, &Site)| site.tau * root.moments(&rule.of).variance;
        rules.iter().zip(&self.0).map(share).sum()
    }

    /// The cavity of each rule: the information about its combination from everything except the
    /// rule. `None` if there is none.
    pub fn cavities(&self, rules: &[Rule], posterior: &Normal) -> Vec<Option<Moments>> {
        let each = rules.iter().zip(&self.0);
        each.map(|(rule, site)| cavity(rule, *site, posterior))
            .collect()
    }

    /// log Z, if the rules are not scaled to one after truncation: greater by the sum of their
    /// [`Rule::log_possible`], whatever the sites.
    pub fn log_mass(&self, rules: &[Rule], likelihood: &Quadratic, posterior: &Normal) -> f64 {
        let constants: f64 = rules
            .iter()
            .zip(&self.0)
            .map(|(rule, site)| log_constant(rule, *site, posterior))
            .sum();
        let p = posterior.mean.len() as f64;
        likelihood.constant + constants + posterior.half_square - posterior.log_determinant / 2.0
            + p / 2.0 * (2.0 * PI).ln()
    }
}

/// The posterior of a rule's combination without its site; `None` if the site is the only
/// information.
fn cavity(rule: &Rule, site: Site, posterior: &Normal) -> Option<Moments> {
    let now = Moments {
        mean: rule.of.mean(posterior),
        variance: rule.of.variance(posterior),
    };
    cavity_of(now, site)
}

fn cavity_of(now: Moments, site: Site) -> Option<Moments> {
    let known = now.variance.recip() - site.tau;
    if known * now.variance < 1e-10 {
        return None;
    }
    Some(Moments {
        mean: (now.mean / now.variance - site.eta) / known,
        variance: known.recip(),
    })
}

/// log C of a site, greater by the rule's [`Rule::log_possible`]; that of a density if it is the only
/// information.
fn log_constant(rule: &Rule, site: Site, posterior: &Normal) -> f64 {
    let Some(cavity) = cavity(rule, site, posterior) else {
        let log_peak = (site.tau / (2.0 * PI)).ln() / 2.0;
        return log_peak - site.eta * site.eta / (2.0 * site.tau) + rule.log_possible();
    };
    let (log_mass, _) = tilted(cavity, rule);
    let known = cavity.variance.recip();
    let eta = cavity.mean * known;
    let square = (eta + site.eta).powi(2) / (known + site.tau) - eta * cavity.mean;
    log_mass + (site.tau * cavity.variance).ln_1p() / 2.0 - square / 2.0
}

/// log Ẑ without the truncation term, and mean and variance, of cavity times rule.
fn tilted(cavity: Moments, rule: &Rule) -> (f64, Moments) {
    let side = rule.side();
    let parts = rule.belief.parts();
    // The mass of each part is its factor times the exponential of its exponent.
    let (mut factors, mut exponents) = ([0.0; MOST_PARTS], [f64::NEG_INFINITY; MOST_PARTS]);
    let mut moments = [Moments {
        mean: 0.0,
        variance: 0.0,
    }; MOST_PARTS];
    for (i, part) in parts.iter().enumerate() {
        let square = part.sd * part.sd;
        let inverse = (cavity.variance + square).recip();
        let apart = cavity.mean - part.mean;
        let variance = cavity.variance * square * inverse;
        let mean = (cavity.mean * square + part.mean * cavity.variance) * inverse;
        factors[i] = part.weight * inverse.sqrt();
        exponents[i] = -apart * apart * inverse / 2.0;
        if side == 0.0 {
            moments[i] = Moments { mean, variance };
        } else {
            let root = variance.sqrt();
            let at = side * mean / root;
            let (below, exponent, ratio) = side_mass(at);
            factors[i] *= below;
            exponents[i] += exponent;
            moments[i] = Moments {
                mean: mean + side * root * ratio,
                variance: variance * (1.0 - ratio * (ratio + at)).max(1e-12),
            };
        }
    }
    let most = exponents.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    for (factor, exponent) in factors.iter_mut().zip(&exponents[..parts.len()]) {
        *factor *= (exponent - most).exp();
    }
    let total: f64 = factors.iter().sum();
    let pairs = || factors.iter().zip(&moments[..parts.len()]);
    let mean = pairs().map(|(w, m)| w * m.mean).sum::<f64>() / total;
    let second = pairs()
        .map(|(w, m)| w * (m.variance + (m.mean - mean).powi(2)))
        .sum::<f64>();
    let log_mass = most + total.ln() - (2.0 * PI).ln() / 2.0;
    let variance = second / total;
    (log_mass, Moments { mean, variance })
}

/// `Φ(z)` as a factor and the exponent of another, and `φ(z)/Φ(z)`.
fn side_mass(z: f64) -> (f64, f64, f64) {
    let root = (2.0 * PI).sqrt();
    if z > -8.0 {
        let below = erfc(-z / std::f64::consts::SQRT_2) / 2.0;
        return (below, 0.0, (-z * z / 2.0).exp() / root / below);
    }
    // Asymptotic series (Abramowitz and Stegun 1964, 26.2.12); its next term is below 1e-5 here.
    let inverse = (z * z).recip();
    let series =
        1.0 - inverse * (1.0 - 3.0 * inverse * (1.0 - 5.0 * inverse * (1.0 - 7.0 * inverse)));
    (series / (-z * root), -z * z / 2.0, -z / series)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::prior::Prior;

    fn rule(mean: f64, sd: f64, sign: Sign) -> Rule {
        Rule {
            of: Direction::Column(0),
            belief: Belief::of_rule(Prior { mean, sd }),
            sign,
        }
    }

    /// Mass, mean and variance of cavity times rule, summed over a fine grid.
    fn summed(cavity: Moments, rule: &Rule) -> (f64, Moments) {
        let normal = |x: f64, mean: f64, variance: f64| {
            (-(x - mean).powi(2) / 2.0 / variance).exp() / (2.0 * PI * variance).sqrt()
        };
        let prior = |x: f64| -> f64 {
            let parts = rule.belief.parts().iter();
            parts
                .map(|p| p.weight * normal(x, p.mean, p.sd * p.sd))
                .sum()
        };
        let step = 1e-4;
        let allowed = |x: f64| match rule.sign {
            Sign::Free => true,
            Sign::NotNegative => x > 0.0,
            Sign::NotPositive => x < 0.0,
        };
        let points = || {
            (-80_000..80_000)
                .map(|k| (f64::from(k) + 0.5) * step)
                .filter(|x| allowed(*x))
        };
        let possible: f64 = points().map(|x| prior(x) * step).sum();
        let at = |x: f64| prior(x) * normal(x, cavity.mean, cavity.variance) * step;
        let mass: f64 = points().map(at).sum();
        let mean = points().map(|x| x * at(x)).sum::<f64>() / mass;
        let variance = points().map(|x| (x - mean).powi(2) * at(x)).sum::<f64>() / mass;
        ((mass / possible).ln(), Moments { mean, variance })
    }

    #[test]
    fn moments_agree_with_sums() {
        for sign in [Sign::Free, Sign::NotNegative, Sign::NotPositive] {
            for (mean, sd) in [(0.1, 0.2), (-0.3, 0.1), (0.0, 0.5)] {
                for (at, variance) in [(0.0, 0.04), (0.9, 0.01), (-0.6, 0.25)] {
                    let cavity = Moments { mean: at, variance };
                    let rule = rule(mean, sd, sign);
                    let (log, moments) = tilted(cavity, &rule);
                    let ours = (log - rule.log_possible(), moments);
                    let theirs = summed(cavity, &rule);
                    let near = |a: f64, b: f64| (a - b).abs() < 2e-5 * (1.0 + b.abs());
                    assert!(near(ours.0, theirs.0), "{ours:?} {theirs:?}");
                    assert!(near(ours.1.mean, theirs.1.mean), "{ours:?} {theirs:?}");
                    assert!(
                        near(ours.1.variance, theirs.1.variance),
                        "{ours:?} {theirs:?}"
                    );
                }
            }
        }
    }

    #[test]
    fn far_tails_join() {
        let log = |(below, exponent, _): (f64, f64, f64)| below.ln() + exponent;
        let (near, far) = (side_mass(-8.0 + 1e-9), side_mass(-8.0));
        assert!((log(near) - log(far)).abs() < 1e-4 && (near.2 - far.2).abs() < 1e-3);
        let far = side_mass(-40.0);
        assert!(log(far) < -800.0 && (far.2 - 40.0).abs() < 0.03);
    }

    /// With one coefficient and one rule the posterior is known: expectation propagation is exact.
    #[test]
    fn one_rule_is_exact() {
        for sign in [Sign::Free, Sign::NotNegative] {
            let rules = [rule(0.1, 0.05, sign)];
            let (mean, variance) = (0.6, 0.01);
            let likelihood = Quadratic {
                precision: DMatrix::repeat(1, 1, 1.0 / variance),
                shift: DVector::repeat(1, mean / variance),
                constant: -mean * mean / 2.0 / variance,
            };
            let mut sites = Sites::of(&rules);
            let posterior = sites
                .settle(&rules, &likelihood, 60, 0.0)
                .unwrap()
                .posterior();
            let (mass, exact) = summed(Moments { mean, variance }, &rules[0]);
            assert!((posterior.mean[0] - exact.mean).abs() < 1e-6);
            assert!((posterior.covariance[(0, 0)] / exact.variance - 1.0).abs() < 1e-4);
            let ours = sites.log_mass(&rules, &likelihood, &posterior);
            let theirs = mass + rules[0].log_possible() + (2.0 * PI * variance).ln() / 2.0;
            assert!((ours - theirs).abs() < 1e-5, "{ours} {theirs}");
        }
    }
}
