//! What other models say of adjustments, each from its own comps: the evidence that
//! [`crate::fit::pool`] pools.

use std::collections::BTreeMap;

use super::cases::fit_trimmed;
use super::fitting::Asked;
use super::fitting::{from_comps, resolve};
use crate::fit::design::{Design, OTHERS, Term};
use crate::fit::ep::Moments;
use crate::fit::pool::{Learnt, Pool, Said};
use crate::fit::posterior::{Posterior, SpreadPrior};
use crate::select::{Dropped, Selection, Subject};
use crate::settings::{EstimateSettings, PoolFrom, Settings};

/// Most models that speak to another, those with most comps: more would hardly say better how far
/// models differ, and each takes a fit.
pub const MOST_MODELS: usize = 25;

/// Comps that a model is heard by at most, the newest.
pub const MOST_COMPS: usize = 200;

/// A model with fewer comps is not heard.
pub const FEWEST_COMPS: usize = 5;

/// Whether by the settings these two models, by name or key, speak to each other.
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

/// What the comps of a model say of its adjustments, undated ones with the others or not: all
/// that were selected for a [`Subject::blank`] are used, gross errors and outliers apart. `None` where
/// they are fewer than [`FEWEST_COMPS`] or cannot be fitted.
pub fn learn(mut selection: Selection, undated: bool, settings: &Settings) -> Option<Learnt> {
    if !undated {
        let without_day = |c: &&mut crate::select::Candidate| c.age_days.is_none();
        for comp in selection.candidates.iter_mut().filter(without_day) {
            comp.dropped = Some(Dropped::Later);
        }
    }
    let (design, fit) = alone(&mut selection, settings)?;
    let said: BTreeMap<Term, Said> = (0..design.columns.len())
        .filter(|&j| is_shared(&design.columns[j].term))
        .filter_map(|j| {
            let rule = design.columns[j].rule?;
            let (own, _) = from_comps(&design, &fit, j)?;
            let said = Said {
                mean: (own.mean - rule.mean) / rule.sd,
                sd: own.sd / rule.sd,
            };
            Some((design.columns[j].term.clone(), said))
        })
        .collect();
    let spread = spread(&fit, &settings.estimate);
    (!said.is_empty() || spread.is_some()).then(|| Learnt {
        comps: selection.in_use().count(),
        family: settings.family(&selection.model).map(str::to_string),
        said,
        spread,
    })
}

/// The fit of a model by its comps alone, gross errors dropped from them; `None` where they are fewer
/// than [`FEWEST_COMPS`] or cannot be fitted.
pub(super) fn alone(selection: &mut Selection, settings: &Settings) -> Option<(Design, Posterior)> {
    let enough = |selection: &Selection| selection.in_use().count() >= FEWEST_COMPS;
    if !enough(selection) {
        return None;
    }
    let (subject, _) = resolve(&Subject::blank(&selection.model), selection, settings);
    let asked = Asked {
        subject: &subject,
        level: None,
        pool: &Pool::default(),
        settings,
    };
    let made = fit_trimmed(selection, asked).ok()?;
    enough(selection).then_some(made)
}

/// Whether a term means the same for every model.
fn is_shared(term: &Term) -> bool {
    match term {
        Term::Missing(name) | Term::Extra(name) | Term::Defect(name) => name != OTHERS,
        Term::Grade(_)
        | Term::Completeness(_)
        | Term::Attribute(_)
        | Term::Sold(_)
        | Term::Trend => true,
        Term::Level | Term::Variant(_) | Term::PartsOnly | Term::Step(_) => false,
    }
}

/// What the residuals of a fit alone say of log σ: the usual spread taken out of its posterior again,
/// precisions subtracting.
fn spread(fit: &Posterior, settings: &EstimateSettings) -> Option<Said> {
    let (usual, found) = (usual_log_spread(settings), fit.log_spread());
    // At its least, all weight may lie on one place of the grid.
    let variance = found.variance.max(1e-4);
    let known = variance.recip() - usual.variance.recip();
    let mean = (found.mean / variance - usual.mean / usual.variance) / known;
    (known > usual.variance.recip()).then(|| Said {
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
