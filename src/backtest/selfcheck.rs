//! How good estimates would have been: every sale predicted from those before it, or where its
//! own day is not known, from all the others.

use chrono::NaiveDate;
use rust_decimal::prelude::ToPrimitive;

use crate::backtest::calibration::{self, Coverage, Pit};
use crate::backtest::ratio::{self, Interval, Study};
use crate::band::estimate::{Context, EstimateError, estimate_with};
use crate::band::outcome::Outcome;
use crate::band::recalibration::{self, Score};
use crate::select::order::quantile;
use crate::select::trim;
use crate::select::widen::{Limits, widen};
use crate::select::{Candidate, Selection, Subject};
use crate::settings::Settings;

/// Chances of the bands that are checked, per cent.
pub const LEVELS: [u8; 3] = [50, 80, 90];

/// Bars of the histogram of probability integral transforms.
pub const BARS: usize = 10;

/// Chance of the intervals of all figures.
pub const LEVEL: f64 = 0.95;

/// A sale and what was predicted for it.
#[derive(Debug, Clone, PartialEq)]
pub struct Predicted {
    /// What it fetched.
    pub paid: f64,
    /// The likely price from the other sales it was predicted from.
    pub estimate: f64,
    /// Bands of [`LEVELS`], money.
    pub bands: [Interval; LEVELS.len()],
    /// Where in the predictive distribution it fell, 0..=1 (probability integral transform).
    pub pit: f64,
    /// Comps that the estimate used.
    pub comps: usize,
    /// Whether what was paid lies so far from the estimate that it is taken for a typing error
    /// ([`set_aside`]).
    pub mistyped: bool,
}

/// Figures of one group of sales.
#[derive(Debug, Clone)]
pub struct Figures {
    /// Ratio study of estimate over price, mistyped sales left out.
    pub study: Study,
    /// Sales predicted, mistyped ones with them.
    pub sales: usize,
    /// Coverage of the bands of [`LEVELS`].
    pub coverage: Vec<Coverage>,
    /// Mean interval score of the 80 % band, on log price (Winkler 1972).
    pub score: f64,
    /// Histogram of the probability integral transforms.
    pub pit: Pit,
}

/// Interquartile ranges beyond the quartiles at which a ratio is far out (Tukey 1977), and halves of
/// its own band.
const FAR_OUT: f64 = 3.0;

/// How many times the spread of the misses that of the estimates must be for bias by price to
/// be told from level.
const DIFFER: f64 = 1.5;

/// The unit that a sale was, as one who is about to sell it would describe it; nothing that was
/// not recorded.
pub fn subject_of(model: &str, sale: &Candidate) -> Subject {
    let given = |text: &str| (!text.is_empty()).then(|| text.to_string());
    Subject {
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
    }
}

/// Predicts `sale` from a selection made for it as of `day`. A dated sale, `day` being its own, is
/// predicted from those dated before it: never from sales of that day or later, nor from undated
/// ones, of which it is not known that they came before. An undated sale is predicted from all the
/// others (leave-one-out). `context` know nothing of that day or later either. `None` where there is nothing to predict it from.
///
/// # Errors
/// [`EstimateError::Fit`] where the comps cannot be fitted.
pub fn foresee(
    mut selection: Selection,
    subject: &Subject,
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
    // Gone rather than dropped, so that the outcome can rest on nothing but the sales before.
    selection.candidates.retain(|comp| !unknown(comp));
    let limits = Limits {
        enough: settings.estimate.enough,
        most: settings.estimate.most_comps,
        keep: &[],
        drop: &[],
    };
    // Without words of the user's own there is nothing to go wrong.
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

/// What was foreseen of a sale, the book's own past apart.
#[derive(Debug, Clone)]
pub struct Foreseen {
    /// What it fetched.
    pub paid: f64,
    /// Distribution of its log price.
    pub outcome: Outcome,
    /// Comps that the estimate used.
    pub comps: usize,
}

impl Foreseen {
    /// How far it fell from what was foreseen.
    pub fn score(&self, day: NaiveDate) -> Score {
        Score {
            day,
            size: self
                .outcome
                .distance(self.paid.ln(), recalibration::COUNTED_IN),
        }
    }

    /// As it would have been told with bands `widening` times as wide.
    pub fn told(&self, widening: f64) -> Predicted {
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

/// Marks sales whose ratio to the estimate lies beyond far-out fences (three interquartile ranges,
/// on logs) of all ratios, and beyond three times the width of their own 80 % band too: what was known
/// to be in doubt may well fall far. They count where bands are counted, for that they happened; means and
/// dispersions of ratios would speak of nothing else.
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

/// Whether the estimates differ from each other by more than they miss by. Where they do not,
/// a sale that happened to fetch more has a lower ratio for that alone, and measures of whether
/// dear units are estimated like cheap ones see nothing but that.
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

/// The figures of some predicted sales; `None` for none. Bands are counted over all of them,
/// ratios and scores over those not [mistyped](Predicted::mistyped), if any is not.
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
