//! Accuracy of estimates: every sale is predicted from those before it or, if undated, from all the
//! others.

use crate::trade::Unit;
use chrono::NaiveDate;
use rust_decimal::prelude::ToPrimitive;

use crate::backtest::calibration::{self, Coverage, Pit};
use crate::backtest::ratio::{self, Interval, Study};
use crate::band::estimate::{Context, EstimateError, estimate_with};
use crate::band::outcome::Outcome;
use crate::band::recalibration::{self, Score};
use crate::select::order::quantile;
use crate::select::widen::{Limits, widen};
use crate::select::{Candidate, Selection, trim};
use crate::settings::Settings;

/// Levels of the checked bands, per cent.
pub const LEVELS: [u8; 3] = [50, 80, 90];

/// Bars of the histogram of probability integral transforms.
pub const BARS: usize = 10;

/// Level of the intervals of all figures.
pub const LEVEL: f64 = 0.95;

/// A sale and its prediction.
#[derive(Debug, Clone, PartialEq)]
pub struct Predicted {
    /// Price paid.
    pub paid: f64,
    /// The likely price, predicted from other sales.
    pub estimate: f64,
    /// Bands of [`LEVELS`], money.
    pub bands: [Interval; LEVELS.len()],
    /// Value of the predictive distribution function at the price paid, 0..=1 (probability integral
    /// transform).
    pub pit: f64,
    /// Comps that the estimate used.
    pub comps: usize,
    /// Whether the price is so far from the estimate that it is taken for a typing error
    /// ([`set_aside`]).
    pub mistyped: bool,
}

/// Figures of one group of sales.
#[derive(Debug, Clone)]
pub struct Figures {
    /// Ratio study of estimate over price, without mistyped sales.
    pub study: Study,
    /// Number of predicted sales, including mistyped ones.
    pub sales: usize,
    /// Coverage of the bands of [`LEVELS`].
    pub coverage: Vec<Coverage>,
    /// Mean interval score of the 80 % band, on log price (Winkler 1972).
    pub score: f64,
    /// Histogram of the probability integral transforms.
    pub pit: Pit,
}

/// Distance from the quartiles, in interquartile ranges, at which a ratio is far out (Tukey 1977);
/// also the limit in half-widths of the sale's band.
const FAR_OUT: f64 = 3.0;

/// Smallest ratio of the spread of estimates to that of residuals at which bias by price is
/// measurable.
const DIFFER: f64 = 1.5;

/// The unit of a sale, as its seller would describe it; only recorded facts.
pub fn subject_of(model: &str, sale: &Candidate) -> Unit {
    let given = |text: &str| (!text.is_empty()).then(|| text.to_string());
    Unit {
        model: model.to_string(),
        variant: given(&sale.variant),
        completeness: given(&sale.completeness),
        grade: given(&sale.grade),
        missing: sale.missing.clone(),
        extras: sale.extras.clone(),
        defects: sale.defects.clone(),
        attributes: sale.attributes.clone(),
        works: sale.works,
        how_sold: sale.how_sold,
        venue: given(&sale.venue),
    }
}

/// Predicts `sale` from a selection made for it as of `day`. A dated sale, whose day is `day`, is
/// predicted from those dated before it: never from sales of that day or later, nor from undated
/// ones, which may be later. An undated sale is predicted from all the others (leave-one-out).
/// `context` must use only sales before that day. `None` if there is nothing to predict from.
///
/// # Errors
/// [`EstimateError::Fit`] if the comps cannot be fitted.
pub fn foresee(
    mut selection: Selection,
    subject: &Unit,
    sale: &Candidate,
    day: NaiveDate,
    context: &Context,
    settings: &Settings,
) -> Result<Option<Foreseen>, EstimateError> {
    let paid = sale.paid.to_f64().unwrap_or(f64::NAN);
    let unknown = |comp: &Candidate| match sale.sold_on {
        Some(_) => comp.age_days.is_none_or(|age| age <= 0),
        None => comp.comp_id == sale.comp_id,
    };
    // Removed, not only dropped, so that the outcome depends on the sales before only.
    selection.candidates.retain(|comp| !unknown(comp));
    let limits = Limits {
        enough: settings.estimate.enough,
        most: settings.estimate.most_comps,
        keep: &[],
        drop: &[],
    };
    // Without identifiers given by the user it cannot fail.
    if widen(&mut selection, subject, &limits).is_err() {
        return Ok(None);
    }
    let level = settings.estimate.band;
    let made = match estimate_with(context, selection, subject, settings, day, level) {
        Err(EstimateError::NoEvidence(_)) => return Ok(None),
        other => other?,
    };
    Ok(Some(Foreseen {
        paid,
        outcome: made.outcome,
        comps: made.evidence.used,
    }))
}

/// The prediction of a sale, before recalibration.
#[derive(Debug, Clone)]
pub struct Foreseen {
    /// Price paid.
    pub paid: f64,
    /// Predictive distribution of its log price.
    pub outcome: Outcome,
    /// Comps that the estimate used.
    pub comps: usize,
}

impl Foreseen {
    /// Its nonconformity score.
    pub fn score(&self, day: NaiveDate) -> Score {
        Score {
            day,
            size: self
                .outcome
                .distance(self.paid.ln(), recalibration::COUNTED_IN),
        }
    }

    /// The prediction with bands `widening` times as wide.
    pub fn predicted(&self, widening: f64) -> Predicted {
        let outcome = self.outcome.clone().widened(widening);
        let bands = LEVELS.map(|level| {
            let (low, high) = outcome.band(f64::from(level) / 100.0);
            Interval {
                low: low.exp(),
                high: high.exp(),
            }
        });
        Predicted {
            paid: self.paid,
            estimate: outcome.median().exp(),
            bands,
            pit: outcome.cdf(self.paid.ln()),
            comps: self.comps,
            mistyped: false,
        }
    }
}

/// Marks sales as mistyped if the ratio to the estimate lies beyond far-out fences (three
/// interquartile ranges, on logs) of all ratios, and also beyond three times the width of their own
/// 80 % band: an uncertain prediction may well be far off. Coverage counts them, because they
/// happened; they would dominate means and dispersions of ratios.
pub fn set_aside<'a>(sales: impl Iterator<Item = &'a mut Predicted>) {
    let sales: Vec<&mut Predicted> = sales.collect();
    let logs: Vec<f64> = sales.iter().map(|s| (s.estimate / s.paid).ln()).collect();
    let beyond = trim::far_out(&logs, FAR_OUT);
    for (sale, beyond) in sales.into_iter().zip(beyond) {
        let Interval { low, high } = sale.bands[1];
        let (miss, half) = if sale.paid < sale.estimate {
            (sale.estimate / sale.paid, sale.estimate / low)
        } else {
            (sale.paid / sale.estimate, high / sale.estimate)
        };
        sale.mistyped = beyond && miss.ln() > FAR_OUT * half.ln();
    }
}

/// Whether the estimates vary more than their residuals. If they do not, a sale with a high price
/// has a low ratio for that reason alone, and measures of bias by price show nothing else.
fn prices_differ(estimates: &[f64], paid: &[f64]) -> bool {
    let spread = |values: Vec<f64>| -> Option<f64> {
        let mut sorted = values;
        sorted.sort_by(f64::total_cmp);
        Some(quantile(&sorted, 0.9)? - quantile(&sorted, 0.1)?)
    };
    let logs = estimates.iter().map(|e| e.ln()).collect();
    let misses = estimates
        .iter()
        .zip(paid)
        .map(|(e, p)| (e / p).ln())
        .collect();
    spread(logs)
        .zip(spread(misses))
        .is_some_and(|(apart, missed)| apart > DIFFER * missed)
}

/// The figures of predicted sales; `None` for none. Coverage is over all of them, ratios and scores
/// over those not [mistyped](Predicted::mistyped), if there are any.
pub fn figures(sales: &[&Predicted]) -> Option<Figures> {
    let sound: Vec<&Predicted> = sales.iter().copied().filter(|s| !s.mistyped).collect();
    let sound = if sound.is_empty() { sales } else { &sound };
    let all_paid: Vec<f64> = sales.iter().map(|s| s.paid).collect();
    let coverage = (0..LEVELS.len())
        .map(|at| {
            let bands: Vec<Interval> = sales.iter().map(|s| s.bands[at]).collect();
            calibration::coverage(calibration::covered(&bands, &all_paid)?, sales.len(), LEVEL)
        })
        .collect::<Option<Vec<Coverage>>>()?;
    let estimates: Vec<f64> = sound.iter().map(|s| s.estimate).collect();
    let paid: Vec<f64> = sound.iter().map(|s| s.paid).collect();
    let logs: Vec<f64> = paid.iter().map(|p| p.ln()).collect();
    let in_logs: Vec<Interval> = sound
        .iter()
        .map(|sale| Interval {
            low: sale.bands[1].low.ln(),
            high: sale.bands[1].high.ln(),
        })
        .collect();
    let mut study = ratio::study(&estimates, &paid, LEVEL)?;
    if !prices_differ(&estimates, &paid) {
        (study.prd, study.prb) = (None, None);
    }
    let pits: Vec<f64> = sales.iter().map(|s| s.pit).collect();
    Some(Figures {
        study,
        sales: sales.len(),
        coverage,
        score: calibration::mean_interval_score(&in_logs, &logs, f64::from(LEVELS[1]) / 100.0)?,
        pit: calibration::pit(&pits, BARS)?,
    })
}
