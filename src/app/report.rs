//! Data of a report: estimates of units, and predictions of past sales of their models.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::AppError;
use super::describe::{Description, asked, question};
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

/// Estimates units from their descriptions, all with the same comps; results in their order.
///
/// # Errors
/// If the book cannot be read.
pub fn estimates<'k>(
    book: &Book,
    given: &[&'k Description],
    as_of: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Vec<Result<Estimated<'k>, AppError>>, AppError> {
    let each = given.iter();
    let units: Vec<Result<Asked<'k>, AppError>> = each
        .map(|given| Ok(question(given, asked(given, book.settings(), notice)?)))
        .collect();
    let known = units.iter().filter_map(|unit| unit.as_ref().ok());
    let models = known.clone().map(|unit| unit.subject.model.as_str());
    let reader = Reader::new(book, as_of, models, notice)?;
    let questions: Vec<Asked<'k>> = known.cloned().collect();
    let estimated = reader.with_each(&questions, |_, unit| {
        let estimate = unit.estimate(unit.selection()?)?;
        Ok(Estimated { unit, estimate })
    });
    let mut estimated = estimated.into_iter();
    let units = units.into_iter();
    Ok(units
        .filter_map(|unit| unit.map_or_else(|error| Some(Err(error)), |_| estimated.next()))
        .collect())
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
