//! Rules of thumb that the sales of a book contradict. The results of fits are stored for later
//! runs.

use crate::trade::Unit;
use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::AppError;
use super::kept::KeptRules;
use super::parallel::in_parallel;
use super::timeline::Timeline;
use crate::band::conflict::{self, Conflict, Finding};
use crate::band::related::MOST_COMPS;
use crate::book::store::Book;
use crate::select::Selection;
use crate::select::pieces::Wording;
use crate::select::plan::{Query, select_each};
use crate::trade::names::match_key;

/// Most models examined, those with most sales: each takes a fit.
const MOST_MODELS: usize = 200;

/// The rules that the sales of a timeline, or of one model, contradict. Each model is represented
/// by its newest working single units, from any time.
///
/// # Errors
/// If the comps do not have the form that the book produces.
pub fn of_sales(
    book: &Book,
    timeline: &Timeline<'_>,
    model: Option<&str>,
) -> Result<Vec<Conflict>, AppError> {
    let key = model.map(match_key);
    let models = match key.as_deref() {
        Some(key) => vec![key],
        None => timeline.most_sold().into_iter().take(MOST_MODELS).collect(),
    };
    let newest = models
        .iter()
        .filter_map(|key| timeline.newest_of(key))
        .max();
    let as_of = newest.unwrap_or_default();
    let known = KeptRules::load(book);
    let unknown = models.iter().copied();
    let unknown: Vec<&str> = unknown
        .filter(|model| !known.0.contains_key(&timeline.rules_key(model, as_of)))
        .collect();
    let fitted = fitted(timeline, &unknown, as_of)?;
    let all: BTreeMap<u64, Vec<Finding>> = models
        .iter()
        .map(|model| {
            let key = timeline.rules_key(model, as_of);
            let kept = || known.0.get(&key).cloned();
            let found = fitted.get(*model).cloned().or_else(kept);
            (key, found.unwrap_or_default())
        })
        .collect();
    let mut findings: Vec<Finding> = all.values().flatten().cloned().collect();
    findings.sort_by(|a, b| (&a.model, &a.label).cmp(&(&b.model, &b.label)));
    if model.is_none() && !unknown.is_empty() {
        KeptRules(all).store(book);
    }
    Ok(conflict::conflicts(&findings))
}

/// The evidence of the sales of models on rules of thumb, by key.
fn fitted(
    timeline: &Timeline<'_>,
    models: &[&str],
    as_of: NaiveDate,
) -> Result<BTreeMap<String, Vec<Finding>>, AppError> {
    if models.is_empty() {
        return Ok(BTreeMap::new());
    }
    let settings = timeline.settings();
    let query = Query {
        subject: &Unit::blank(""),
        // The description of a blank unit has no pieces, so that the wording does not matter.
        wording: Wording::of("", settings),
        as_of,
        window_days: u32::MAX,
        basis: settings.price_basis,
        most: MOST_COMPS,
    };
    let selections = select_each(&timeline.comps_of_all(models)?, &query)?;
    let selections: Vec<(String, Selection)> = selections.into_iter().collect();
    let found = in_parallel(&selections, |(key, selection)| {
        Ok((key.clone(), conflict::of_model(selection.clone(), settings)))
    })?;
    Ok(found.into_iter().collect())
}
