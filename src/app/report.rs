//! Data of a report: estimates of units, and predictions of past sales of their models.

use std::collections::BTreeMap;

use super::AppError;
use super::parallel::each_in_parallel;
use super::past::{self, Past, Progress};
use super::reader::{Asked, Reader};
use super::unit::AskedUnit;
use crate::band::estimate::Estimate;
use crate::book::Book;
use crate::trade::names::match_key;

/// A unit with its estimate.
#[derive(Debug)]
pub struct Estimated<'k> {
    /// The unit with its comps.
    pub unit: AskedUnit<'k>,
    /// Its estimate.
    pub estimate: Estimate,
}

/// Estimates units, all with the same comps; results in their order.
pub fn estimates<'k>(
    reader: &Reader<'_>,
    asked: &[Asked<'k>],
) -> Vec<Result<Estimated<'k>, AppError>> {
    reader.with_each(asked, |_, unit| {
        let estimate = unit.estimate(unit.selection()?)?;
        Ok(Estimated { unit, estimate })
    })
}

/// Calls `make` for each unit, on all cores; results in their order.
pub fn each<T: Sync, R: Send>(units: &[T], make: impl Fn(&T) -> R + Sync) -> Vec<R> {
    each_in_parallel(units, make)
}

/// Past sales of the models of units with their predictions, by model key. Reads the book once.
/// Models without any comp are omitted.
///
/// # Errors
/// If the book cannot be read or its comps cannot be fitted.
pub fn past_sales<'e>(
    book: &Book,
    estimates: impl IntoIterator<Item = &'e Estimate>,
    notice: &mut dyn FnMut(&str),
    progress: &Progress<'_>,
) -> Result<BTreeMap<String, Vec<Past>>, AppError> {
    let seen = estimates.into_iter().filter(|made| made.evidence.seen > 0);
    let models = seen.map(|made| made.subject.model.as_str());
    let models: BTreeMap<String, &str> = models.map(|model| (match_key(model), model)).collect();
    if models.is_empty() {
        return Ok(BTreeMap::new());
    }
    let names: Vec<Option<&str>> = models.values().map(|model| Some(*model)).collect();
    let found = past::check_each(book, &names, notice, progress, &mut |_| Ok(()))?.found;
    Ok(models.into_keys().zip(found).collect())
}
