//! Predictive distribution of one more observation of a robust regression.
//!
//! With errors `σ·t(ν)`, `σ²` scaled inverse chi-square with `d` degrees of freedom about `s²`, and
//! the mean normal about `m` with variance `v` (in proportion to σ²),
//!
//! ```text
//! F(y) = E_σ E_θ T_ν((y − m − θ √v σ/s) / σ),      θ ~ N(0, 1),  σ² ~ s² d / χ²(d)
//! ```
//!
//! For normal errors this is the Student-t distribution with `d` degrees of freedom about `m` with
//! scale `√(s² + v)`, the textbook prediction interval (Gelman et al., *Bayesian Data Analysis*,
//! 3rd edition, section 14.2), and is computed as such. Otherwise quadrature gives both
//! expectations: equal-probability midpoints for σ, and for θ the trapezoidal rule, which converges
//! faster than any power of its step for a normal weight.

use statrs::distribution::{ChiSquared, Continuous, ContinuousCDF, Normal, StudentsT};

use crate::fit::root::ascending_root;

/// Points in σ.
const SIGMA_POINTS: usize = 20;

/// Range of the points in θ, and the largest step between them.
const THETA_REACH: f64 = 5.0;
const THETA_STEP: f64 = 1.0;

/// Weight below which a term is negligible.
const LIGHT: f64 = 1e-9;

/// Largest step, in scales of the error distribution, that is negligible in the mixture.
const FINE: f64 = 0.8;

/// One residual scale and error distribution, their probability, and the distribution of the mean
/// given both.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// The scale σ of the error distribution, log price.
    pub sigma: f64,
    /// Degrees of freedom of the errors; infinite if they are normal.
    pub nu: f64,
    /// Probability; they sum to one.
    pub weight: f64,
    /// Mean, log price.
    pub mean: f64,
    /// Variance of the mean.
    pub variance: f64,
}

/// A predictive distribution: a mixture.
#[derive(Debug, Clone)]
pub struct Predictive {
    mean: f64,
    scale: f64,
    scales: Vec<Scale>,
    parts: Vec<Part>,
}

/// One term of the mixture: a location-scale copy of its kernel.
#[derive(Debug, Clone, Copy)]
struct Part {
    mean: f64,
    scale: f64,
    weight: f64,
    kernel: Kernel,
}

#[derive(Debug, Clone, Copy)]
enum Kernel {
    Normal(Normal),
    T(StudentsT),
    EvenT(EvenT),
}

impl Kernel {
    fn new(degrees: f64) -> Self {
        // Beyond this the two agree to more digits than the quadrature.
        match StudentsT::new(0.0, 1.0, degrees) {
            Ok(t) if EvenT::has(degrees) => Self::EvenT(EvenT::new(&t)),
            Ok(t) if degrees < 1e6 => Self::T(t),
            _ => Self::Normal(Normal::standard()),
        }
    }

    fn cdf(&self, z: f64) -> f64 {
        match self {
            Self::Normal(n) => n.cdf(z),
            Self::T(t) => t.cdf(z),
            Self::EvenT(t) => t.cdf(z),
        }
    }

    fn pdf(&self, z: f64) -> f64 {
        match self {
            Self::Normal(n) => n.pdf(z),
            Self::T(t) => t.pdf(z),
            Self::EvenT(t) => t.pdf(z),
        }
    }

    fn cdf_and_pdf(&self, z: f64) -> (f64, f64) {
        match self {
            Self::EvenT(t) => t.cdf_and_pdf(z),
            _ => (self.cdf(z), self.pdf(z)),
        }
    }
}

/// Student-t with few and an even number of degrees of freedom: the distribution function is then a
/// short sum (Abramowitz and Stegun 1964, 26.7.4) instead of an incomplete beta function.
#[derive(Debug, Clone, Copy)]
struct EvenT {
    degrees: i32,
    /// Density at zero.
    peak: f64,
}

impl EvenT {
    const MOST: f64 = 30.0;

    fn has(degrees: f64) -> bool {
        degrees <= Self::MOST && degrees % 2.0 == 0.0
    }

    fn new(t: &StudentsT) -> Self {
        Self {
            degrees: t.freedom() as i32,
            peak: t.pdf(0.0),
        }
    }

    fn cdf(&self, z: f64) -> f64 {
        self.cdf_and_pdf(z).0
    }

    fn pdf(&self, z: f64) -> f64 {
        self.cdf_and_pdf(z).1
    }

    /// With the angle θ = arctan(z / √ν).
    fn cdf_and_pdf(&self, z: f64) -> (f64, f64) {
        let degrees = f64::from(self.degrees);
        let square = z * z + degrees;
        let (root, cosine_square) = (square.sqrt(), degrees / square);
        let (mut sum, mut term, mut power) = (1.0, 1.0, cosine_square);
        for k in 1..self.degrees / 2 {
            term *= cosine_square * f64::from(2 * k - 1) / f64::from(2 * k);
            sum += term;
            power *= cosine_square;
        }
        let cosine = degrees.sqrt() / root;
        (0.5 + z / root * sum / 2.0, self.peak * power * cosine)
    }
}

impl Predictive {
    /// The distribution for a mean `mean` of variance `variance`, a residual scale `sigma`
    /// estimated with `degrees` degrees of freedom, and errors with `nu` degrees of freedom
    /// (infinite for normal errors).
    pub fn new(mean: f64, variance: f64, sigma: f64, degrees: f64, nu: f64) -> Self {
        let sigmas = sigma_points(sigma, degrees);
        let weight = 1.0 / sigmas.len() as f64;
        let scales: Vec<Scale> = sigmas
            .into_iter()
            .map(|s| Scale {
                sigma: s,
                nu,
                weight,
                mean,
                variance: variance * (s / sigma).powi(2),
            })
            .collect();
        let mut made = Self::mixture(scales);
        if nu.is_infinite() {
            made.parts = vec![Part {
                mean,
                scale: (sigma * sigma + variance).sqrt(),
                weight: 1.0,
                kernel: Kernel::new(degrees),
            }];
        }
        made
    }

    /// The distribution if the scale, the error distribution and the mean are a mixture.
    pub fn mixture(scales: Vec<Scale>) -> Self {
        let parts = scales
            .iter()
            .flat_map(parts_of)
            .filter(|part| part.weight > LIGHT)
            .collect();
        let mean = scales.iter().map(|s| s.weight * s.mean).sum::<f64>();
        let square: f64 = scales
            .iter()
            .map(|s| s.weight * (s.sigma * s.sigma + s.variance + (s.mean - mean).powi(2)))
            .sum();
        Self {
            mean,
            scale: square.sqrt(),
            scales,
            parts,
        }
    }

    /// Mean of the means: log of the likely price, if the mixture is symmetric.
    pub fn mean(&self) -> f64 {
        self.mean
    }

    /// Approximate standard deviation: residual scale and uncertainty of the mean together.
    pub fn scale(&self) -> f64 {
        self.scale
    }

    /// Components of the mixture.
    pub fn scales(&self) -> &[Scale] {
        &self.scales
    }

    /// Probability of a value of at most `y`.
    pub fn cdf(&self, y: f64) -> f64 {
        self.parts
            .iter()
            .map(|part| part.weight * part.kernel.cdf((y - part.mean) / part.scale))
            .sum()
    }

    /// Density at `y`.
    pub fn pdf(&self, y: f64) -> f64 {
        self.parts
            .iter()
            .map(|part| part.weight / part.scale * part.kernel.pdf((y - part.mean) / part.scale))
            .sum()
    }

    /// Both at `y`.
    pub fn cdf_and_pdf(&self, y: f64) -> (f64, f64) {
        self.parts.iter().fold((0.0, 0.0), |(cdf, pdf), part| {
            let (below, density) = part.kernel.cdf_and_pdf((y - part.mean) / part.scale);
            (
                cdf + part.weight * below,
                pdf + part.weight / part.scale * density,
            )
        })
    }

    /// Quantile at `p` in 0..1, to a relative 1e-9 of the scale.
    pub fn quantile(&self, p: f64) -> f64 {
        let p = p.clamp(1e-9, 1.0 - 1e-9);
        let (mut low, mut high) = (self.mean - self.scale, self.mean + self.scale);
        let mut reach = self.scale;
        while self.cdf(low) > p && reach < self.scale * 1e6 {
            (high, reach) = (low, 2.0 * reach);
            low = self.mean - reach;
        }
        reach = self.scale;
        while self.cdf(high) < p && reach < self.scale * 1e6 {
            (low, reach) = (low.max(high), 2.0 * reach);
            high = self.mean + reach;
        }
        let start = f64::midpoint(low, high);
        ascending_root((low, high), start, 1e-9 * self.scale, |y| {
            let (cdf, pdf) = self.cdf_and_pdf(y);
            (cdf - p, pdf)
        })
    }
}

/// The terms of one scale: for normal errors the variance of the mean adds to theirs.
fn parts_of(scale: &Scale) -> Vec<Part> {
    let Scale {
        sigma, variance, ..
    } = *scale;
    let kernel = Kernel::new(scale.nu);
    if scale.nu.is_infinite() {
        return vec![Part {
            mean: scale.mean,
            scale: (sigma * sigma + variance).sqrt(),
            weight: scale.weight,
            kernel,
        }];
    }
    let spread = variance.sqrt() / sigma;
    theta_points(spread)
        .into_iter()
        .map(|(theta, weight)| Part {
            mean: scale.mean + theta * spread * sigma,
            scale: sigma,
            weight: weight * scale.weight,
            kernel,
        })
        .collect()
}

/// Points and weights of the standard normal, finer the more the standard deviation of the mean
/// (`spread`, in residual scales) exceeds the residual scale.
fn theta_points(spread: f64) -> Vec<(f64, f64)> {
    let step = THETA_STEP
        .min(FINE / spread.max(f64::MIN_POSITIVE))
        .max(1e-2);
    let side = (THETA_REACH / step).ceil() as i32;
    let points = (-side..=side).map(|k| f64::from(k) * step);
    let weighted: Vec<(f64, f64)> = points.map(|z| (z, (-z * z / 2.0).exp())).collect();
    let total: f64 = weighted.iter().map(|(_, weight)| weight).sum();
    weighted
        .into_iter()
        .map(|(z, weight)| (z, weight / total))
        .collect()
}

/// Equal-probability midpoints of `σ = s √(d/χ²(d))`.
fn sigma_points(sigma: f64, degrees: f64) -> Vec<f64> {
    match ChiSquared::new(degrees) {
        Ok(chi) if degrees < 1e6 => (0..SIGMA_POINTS)
            .map(|k| {
                let p = (k as f64 + 0.5) / SIGMA_POINTS as f64;
                sigma * (degrees / chi.inverse_cdf(p)).sqrt()
            })
            .collect(),
        _ => vec![sigma],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_errors_give_the_textbook_interval() {
        let p = Predictive::new(1.0, 0.5, 2.0, 7.0, f64::INFINITY);
        let t = StudentsT::new(0.0, 1.0, 7.0).unwrap().inverse_cdf(0.9);
        for (at, sign) in [(0.9, 1.0), (0.1, -1.0)] {
            assert!((p.quantile(at) - 1.0 - sign * t * 4.5_f64.sqrt()).abs() < 1e-7);
        }
    }

    #[test]
    fn quadrature_agrees_with_the_closed_form() {
        // Errors with very many degrees of freedom are normal, for which the mixture over σ and the
        // mean is a Student-t distribution.
        for degrees in [3.0, 8.0, 40.0] {
            let mixture = Predictive::new(0.0, 0.3, 1.0, degrees, 9e5);
            let closed = Predictive::new(0.0, 0.3, 1.0, degrees, f64::INFINITY);
            for p in [0.75, 0.9, 0.95] {
                let ratio = mixture.quantile(p) / closed.quantile(p);
                assert!((ratio - 1.0).abs() < 0.02, "{degrees} {p}: {ratio}");
            }
        }
    }

    /// There is one peak even if the mean is far more uncertain than single sales vary.
    #[test]
    fn the_density_has_one_peak() {
        for variance in [0.0, 0.01, 0.3, 4.0] {
            let p = Predictive::new(0.0, variance, 0.1, 4.0, 4.0);
            let heights: Vec<f64> = (0..200).map(|k| p.pdf(f64::from(k) * 0.02)).collect();
            assert!(
                heights
                    .windows(2)
                    .all(|pair| pair[1] <= pair[0] * (1.0 + 1e-9)),
                "{variance}"
            );
        }
    }

    #[test]
    fn even_degrees_agree_with_the_incomplete_beta_function() {
        for degrees in [2.0, 4.0, 8.0, 30.0] {
            let t = StudentsT::new(0.0, 1.0, degrees).unwrap();
            let short = EvenT::new(&t);
            for z in [-30.0, -2.5, -0.3, 0.0, 0.7, 1.9, 12.0] {
                assert!((short.cdf(z) - t.cdf(z)).abs() < 1e-10, "{degrees} {z}");
                assert!((short.pdf(z) - t.pdf(z)).abs() < 1e-12, "{degrees} {z}");
            }
        }
    }

    #[test]
    fn the_density_is_the_slope_of_the_distribution() {
        let p = Predictive::new(0.2, 0.04, 0.15, 5.0, 4.0);
        for y in [-0.4, 0.1, 0.2, 0.9] {
            let slope = (p.cdf(y + 1e-5) - p.cdf(y - 1e-5)) / 2e-5;
            assert!((slope - p.pdf(y)).abs() < 1e-5);
        }
        assert!((p.cdf(0.2) - 0.5).abs() < 1e-9);
    }
}
