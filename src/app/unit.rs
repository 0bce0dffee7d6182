//! A unit with the comps of its model: selection, widening and estimate.

use std::sync::Arc;

use super::AppError;
use crate::band::answer::Estimate;
use crate::band::estimate::{Context, estimate_with};
use crate::book::comps::frame::short_ids;
use crate::select::Selection;
use crate::select::pieces::Wording;
use crate::select::plan::{Query, SelectError, describe, select};
use crate::select::widen::{Limits, widen};
use crate::settings::Settings;
use crate::trade::Unit;
use crate::trade::items::Items;
use chrono::NaiveDate;
use polars::prelude::DataFrame;

/// Length of the shortest identifier shown, in characters.
pub const SHORTEST_ID: usize = 6;

/// Candidates read from the book for each comp that a fit may use.
const CANDIDATES_PER_COMP: usize = 3;

/// A unit with the comps of its model, ready to be estimated.
#[derive(Debug, Clone)]
pub struct AskedUnit<'a> {
    /// The book's settings with the overrides of this unit.
    pub settings: Arc<Settings>,
    /// The unit.
    pub subject: Unit,
    /// Day of the estimate.
    pub as_of: NaiveDate,
    /// Comps of its model.
    pub comps: DataFrame,
    /// Comps always used, whatever the tests find, by prefixes of their identifiers.
    pub keep: &'a [String],
    /// Comps never used, likewise.
    pub drop: &'a [String],
    /// Information in addition to its comps.
    pub context: Context,
}

impl AskedUnit<'_> {
    /// This unit, to be sold through an outlet, if one is known.
    pub fn sold_at(&self, outlet: Option<&str>) -> Self {
        Self {
            subject: self.subject.sold_at(outlet),
            ..self.clone()
        }
    }

    /// The query for its comps.
    pub fn query(&self) -> Query<'_> {
        Query {
            subject: &self.subject,
            wording: Wording::of(&self.subject.model, &self.settings),
            as_of: self.as_of,
            window_days: self.settings.estimate.window_days,
            basis: self.settings.price_basis,
            most: if self.keep.is_empty() && self.drop.is_empty() {
                self.settings.estimate.most_comps * CANDIDATES_PER_COMP
            } else {
                usize::MAX
            },
        }
    }

    /// The comps that may inform its price; empty if the model has no comps but a price in its kit.
    ///
    /// # Errors
    /// If the book has no such model.
    pub fn selection(&self) -> Result<Selection, AppError> {
        match select(&self.comps, &self.query()) {
            Err(SelectError::NoModel { .. })
                if self
                    .settings
                    .kit(&self.subject.model)
                    .is_some_and(|kit| kit.price.is_some()) =>
            {
                Ok(Selection::empty(&self.subject.model))
            }
            other => Ok(other?),
        }
    }

    /// The lazy plan of its selection, in words.
    ///
    /// # Errors
    /// If the plan cannot be made.
    pub fn plan(&self) -> Result<String, AppError> {
        Ok(describe(&self.comps, &self.query())?)
    }

    /// For each comp of its estimate, the shortest prefix of its identifier that is unique in the
    /// model, at least [`SHORTEST_ID`] characters.
    ///
    /// # Errors
    /// If the comps cannot be read.
    pub fn short_ids<'m>(&self, made: &'m Estimate) -> Result<Vec<&'m str>, AppError> {
        let comps = made.comps.iter();
        let ids: Vec<&str> = comps.map(|line| line.comp.comp_id.as_str()).collect();
        Ok(short_ids(&self.comps, &ids, SHORTEST_ID)?)
    }

    /// Its estimate from a selection.
    ///
    /// # Errors
    /// If a comp to keep or drop does not exist, or if neither a comp nor a rule of thumb informs
    /// the price.
    pub fn estimate(&self, mut selection: Selection) -> Result<Estimate, AppError> {
        let (subject, settings) = (&self.subject, &self.settings);
        let limits = Limits {
            enough: settings.estimate.enough,
            most: settings.estimate.most_comps,
            keep: self.keep,
            drop: self.drop,
        };
        widen(&mut selection, subject, &limits).map_err(|error| AppError::Refused {
            message: error.to_string(),
            next: format!("`compband comps --model {:?}` shows the ids", subject.model),
        })?;
        Ok(estimate_with(
            &self.context,
            selection,
            subject,
            settings,
            self.as_of,
            settings.estimate.band,
        )?)
    }
}

/// The error in a list of missing pieces, if any: at most the pieces of the model's kit can be
/// missing.
pub fn kit_fault(model: &str, missing: &Items, settings: &Settings) -> Option<String> {
    let kit = settings.kit(model)?;
    missing.iter().find_map(|(piece, count)| {
        let shipped = kit.ships_with.count(piece);
        (shipped > 0 && count > shipped)
            .then(|| format!("{piece} x{count}: the kit of {model:?} has {shipped}"))
    })
}
