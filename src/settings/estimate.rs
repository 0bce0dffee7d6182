//! Options of an estimate.

use serde::{Deserialize, Serialize};

/// Options of an estimate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct EstimateSettings {
    /// Level of the band, in per cent.
    pub band: u8,
    /// Number of comps at which widening stops.
    pub enough: usize,
    /// Length of the window before the last widening step, in days.
    pub window_days: u32,
    /// Days after which the weight of a sale is half.
    pub half_life_days: f64,
    /// Number of steps of all prices of a model per year; 0 for none.
    pub steps_per_year: f64,
    /// Most comps a fit takes, newest first.
    pub most_comps: usize,
    /// Distribution of the errors.
    pub errors: Errors,
    /// Degrees of freedom of the errors; heavy tails have half of these, and are compared with
    /// normal ones.
    pub nu: f64,
    /// No effect; accepted so that older books open. Mistyped prices are now found by their
    /// probability ([`crate::fit::posterior`]).
    pub fence: f64,
    /// No effect either.
    pub modified_z: f64,
    /// Prior value of the residual spread, as a share of the price.
    pub spread: f64,
    /// The same for parts-only units, which vary more.
    pub parts_spread: f64,
    /// Weight of these prior values, in comps.
    pub spread_worth: f64,
    /// Age of the newest comp, in days, from which there is a warning.
    pub stale_days: u32,
    /// Models that inform the adjustments of another model.
    pub pool: PoolFrom,
}

/// Models that inform the adjustments of another model.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PoolFrom {
    /// All of the book.
    Book,
    /// Those of the same declared family.
    Family,
    /// None: each model is estimated separately.
    None,
}

/// Distribution of the errors of the fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Errors {
    /// Student-t with `nu` degrees of freedom.
    StudentT,
    /// Huber's loss, k = 1.345.
    Huber,
    /// Tukey's biweight, c = 4.685.
    Tukey,
    /// Normal errors.
    LeastSquares,
}

impl Default for EstimateSettings {
    fn default() -> Self {
        Self {
            band: 80,
            enough: 40,
            window_days: 365,
            half_life_days: 120.0,
            steps_per_year: 0.2,
            most_comps: 2000,
            errors: Errors::StudentT,
            nu: 4.0,
            fence: 3.0,
            modified_z: 5.0,
            spread: 0.15,
            parts_spread: 0.35,
            spread_worth: 1.0,
            stale_days: 60,
            pool: PoolFrom::Book,
        }
    }
}

impl EstimateSettings {
    /// Checks every value against its bounds.
    pub(super) fn check(&self) -> Result<(), String> {
        let share = "a number above 0 and below 2";
        let checks = [
            (
                "band",
                (1..=99).contains(&self.band),
                "a whole number from 1 to 99 (per cent)",
            ),
            ("enough", self.enough >= 1, "at least 1"),
            (
                "most_comps",
                (30..=20_000).contains(&self.most_comps),
                "from 30 to 20000",
            ),
            ("window_days", self.window_days >= 1, "at least 1"),
            (
                "half_life_days",
                self.half_life_days > 0.0,
                "a number above 0 (inf: all sales weigh the same)",
            ),
            (
                "nu",
                self.nu >= 1.0,
                "a number of at least 1 (inf: normal errors)",
            ),
            ("fence", self.fence > 0.0, "a number above 0"),
            ("modified_z", self.modified_z > 0.0, "a number above 0"),
            (
                "steps_per_year",
                (0.0..=12.0).contains(&self.steps_per_year),
                "a number from 0 to 12",
            ),
            ("spread", self.spread > 0.0 && self.spread < 2.0, share),
            (
                "parts_spread",
                self.parts_spread > 0.0 && self.parts_spread < 2.0,
                share,
            ),
            (
                "spread_worth",
                self.spread_worth > 0.0 && self.spread_worth.is_finite(),
                "a number above 0",
            ),
        ];
        match checks.into_iter().find(|(_, holds, _)| !holds) {
            Some((name, _, expected)) => Err(format!("estimate.{name}: expected {expected}")),
            None => Ok(()),
        }
    }
}
