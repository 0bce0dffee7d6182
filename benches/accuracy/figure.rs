//! Figures with their standard errors, and what they have to keep to.

use std::fmt::{self, Display, Formatter};

/// A figure with its standard error.
#[derive(Clone, Copy)]
pub struct Figure {
    pub value: f64,
    pub error: f64,
}

impl Figure {
    /// What is not there.
    pub const NONE: Self = Self {
        value: f64::NAN,
        error: f64::NAN,
    };

    pub fn mean(values: impl Iterator<Item = f64> + Clone) -> Self {
        Self::ratio(values.map(|v| (v, 1.0)))
    }

    /// The share of those that hold.
    pub fn share(held: impl Iterator<Item = bool> + Clone) -> Self {
        Self::mean(held.map(f64::from))
    }

    /// Ratio of two means over the same draws, with its standard error by the delta method
    /// (Cochran 1977, *Sampling Techniques*, chapter 6); not a number where there are none.
    pub fn ratio(pairs: impl Iterator<Item = (f64, f64)> + Clone) -> Self {
        let n = pairs.clone().count() as f64;
        let above: f64 = pairs.clone().map(|(a, _)| a).sum();
        let below: f64 = pairs.clone().map(|(_, b)| b).sum();
        let value = above / below;
        let squares: f64 = pairs.map(|(a, b)| (a - value * b).powi(2)).sum();
        let error = (squares / n).sqrt() / n.sqrt() / (below / n);
        Self { value, error }
    }

    /// Mean of independent figures; those that are not there are left out.
    pub fn mean_of(figures: impl Iterator<Item = Self>) -> Self {
        let there: Vec<Self> = figures.filter(|f| f.value.is_finite()).collect();
        let n = there.len() as f64;
        let squares: f64 = there.iter().map(|f| f.error.powi(2)).sum();
        Self {
            value: there.iter().map(|f| f.value).sum::<f64>() / n,
            error: squares.sqrt() / n,
        }
    }

    /// Geometric mean of independent positive figures; those that are not there are left out.
    pub fn geometric_mean_of(figures: impl Iterator<Item = Self>) -> Self {
        let log = Self::mean_of(figures.map(|f| Self {
            value: f.value.ln(),
            error: f.error / f.value,
        }));
        Self {
            value: log.value.exp(),
            error: log.error * log.value.exp(),
        }
    }

    /// It less one, as a rise.
    pub fn less_one(self) -> Self {
        Self {
            value: self.value - 1.0,
            ..self
        }
    }

    /// In per cent with its sign, without the standard error.
    pub fn percent(self) -> String {
        if self.value.is_finite() {
            format!("{:+.1} %", 100.0 * self.value)
        } else {
            "–".into()
        }
    }
}

impl Display for Figure {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        if self.value.is_finite() {
            write!(f, "{:.3} ({:.3})", self.value, self.error)
        } else {
            f.write_str("–")
        }
    }
}
