//! Estimates of adjustments from the comps of each other model, for [`crate::fit::pool`].

use crate::trade::Unit;
use std::collections::BTreeMap;
use std::sync::Arc;

use super::cases::fit_trimmed;
use super::fitting::Asked;
use super::fitting::{from_comps, resolve};
use crate::fit::design::{Design, OTHERS, Term};
use crate::fit::ep::Moments;
use crate::fit::pool::{Learnt, ModelEstimate, Pool};
use crate::fit::posterior::{Posterior, SpreadPrior};
use crate::select::{Dropped, Selection};
use crate::settings::{EstimateSettings, PoolFrom, Settings};

/// Most related models, those with most comps: more would hardly improve the variance between
/// models, and each takes a fit.
pub const MOST_MODELS: usize = 25;

/// Most comps of a related model, the newest.
pub const MOST_COMPS: usize = 200;

/// Fewest comps of a related model.
pub const FEWEST_COMPS: usize = 5;

/// Whether the settings relate these two models, by name or key.
pub fn speak(one: &str, other: &str, settings: &Settings) -> bool {
    match settings.estimate.pool {
        PoolFrom::Book => true,
        PoolFrom::Family => {
            let family = settings.family(one);
            family.is_some() && family == settings.family(other)
        }
        PoolFrom::None => false,
    }
}

/// Estimates the adjustments of a model from its comps alone, with or without undated ones. Uses
/// all comps selected for a [`Unit::blank`], except gross errors and outliers. `None` if there
/// are fewer than [`FEWEST_COMPS`] or they cannot be fitted.
pub fn learn(mut selection: Selection, undated: bool, settings: &Settings) -> Option<Learnt> {
    if !undated {
        let without_day = |c: &&mut crate::select::Candidate| c.age_days.is_none();
        for comp in selection.candidates.iter_mut().filter(without_day) {
            comp.dropped = Some(Dropped::Later);
        }
    }
    let (design, fit) = alone(&mut selection, settings)?;
    let estimates: BTreeMap<Term, ModelEstimate> = (0..design.columns.len())
        .filter(|&j| is_shared(&design.columns[j].term))
        .filter_map(|j| {
            let rule = design.columns[j].rule?;
            let (own, _) = from_comps(&design, &fit, j)?;
            let estimate = ModelEstimate {
                mean: (own.mean - rule.mean) / rule.sd,
                sd: own.sd / rule.sd,
            };
            Some((design.columns[j].term.clone(), estimate))
        })
        .collect();
    let spread = spread(&fit, &settings.estimate);
    (!estimates.is_empty() || spread.is_some()).then(|| Learnt {
        comps: selection.in_use().count(),
        family: settings.family(&selection.model).map(str::to_string),
        estimates,
        spread,
    })
}

/// The fit of a model to its comps alone, without gross errors; `None` if there are fewer than
/// [`FEWEST_COMPS`] or they cannot be fitted.
pub(super) fn alone(
    selection: &mut Selection,
    settings: &Settings,
) -> Option<(Design, Arc<Posterior>)> {
    let enough = |selection: &Selection| selection.in_use().count() >= FEWEST_COMPS;
    if !enough(selection) {
        return None;
    }
    let subject = resolve(&Unit::blank(&selection.model), selection, settings).subject;
    let asked = Asked {
        subject: &subject,
        level: None,
        pool: &Pool::default(),
        fits: None,
        settings,
    };
    let made = fit_trimmed(selection, asked).ok()?;
    enough(selection).then_some(made)
}

/// Whether a term has the same meaning for every model.
fn is_shared(term: &Term) -> bool {
    match term {
        Term::Missing(name) | Term::Extra(name) | Term::Defect(name) => name != OTHERS,
        Term::Grade(_)
        | Term::Completeness(_)
        | Term::Attribute(_)
        | Term::Sold(_)
        | Term::Outlet(_)
        | Term::Trend => true,
        Term::Level | Term::Variant(_) | Term::PartsOnly | Term::Step(_) => false,
    }
}

/// Estimate of log σ from the residuals alone: its posterior without the prior, by subtraction of
/// precisions.
fn spread(fit: &Posterior, settings: &EstimateSettings) -> Option<ModelEstimate> {
    let (usual, found) = (usual_log_spread(settings), fit.log_spread());
    // The floor matters if one point of the grid has all the weight.
    let variance = found.variance.max(1e-4);
    let known = variance.recip() - usual.variance.recip();
    let mean = (found.mean / variance - usual.mean / usual.variance) / known;
    (known > usual.variance.recip()).then(|| ModelEstimate {
        mean,
        sd: known.sqrt().recip(),
    })
}

fn usual_log_spread(settings: &EstimateSettings) -> Moments {
    let usual = SpreadPrior::about(settings.spread, settings.spread_worth);
    Moments {
        mean: usual.mean(),
        variance: usual.variance(),
    }
}
