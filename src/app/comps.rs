//! The comps of a book, filtered and listed.

use std::collections::BTreeSet;
use std::io::{self, Write};

use chrono::NaiveDate;
use polars::prelude::*;

use super::AppError;
use super::describe::on_scale;
use super::error::unknown_model;
use super::unit::SHORTEST_ID;
use crate::book::Book;
use crate::book::comps::frame::{FrameRows, short_ids};
use crate::book::comps::log::FILE_NAME as LOG;
use crate::book::csv::canonical::{OptionalColumn, Writer, optional_for};
use crate::settings::Settings;
use crate::trade::comp::COLUMNS;
use crate::trade::names::match_key;
use crate::trade::{Attributes, Comp, Currency};

/// Size of the comps in bytes from which identifiers are only unique within the requested model.
const LARGE: u64 = 8 << 20;

/// Conditions on comps; `None` is no condition.
#[derive(Debug, Clone, Copy, Default)]
pub struct Filter<'a> {
    /// Of this model (case and spacing ignored).
    pub model: Option<&'a str>,
    /// Of this variant, likewise.
    pub variant: Option<&'a str>,
    /// Of this grade.
    pub grade: Option<&'a str>,
    /// Of this level of completeness.
    pub completeness: Option<&'a str>,
    /// Sold on this day or later.
    pub since: Option<NaiveDate>,
    /// Sold on this day or earlier.
    pub until: Option<NaiveDate>,
    /// Sold on a day that is not recorded.
    pub undated: bool,
    /// With an identifier that begins with this.
    pub id: Option<&'a str>,
    /// Sold for parts.
    pub parts: bool,
    /// Sold at this venue (case and spacing ignored).
    pub venue: Option<&'a str>,
}

/// The comps found, newest first, undated ones last.
#[derive(Debug)]
pub struct Listed {
    /// Number of matching comps.
    pub matches: usize,
    /// Number of listed comps.
    pub shown: usize,
    rows: DataFrame,
    currency: Currency,
}

/// Lists the first comps that match a filter, at most `limit`; `None` if the book has no comps.
///
/// # Errors
/// If the book cannot be read, or the filter names an unknown model, grade or level.
pub fn comps(
    book: &Book,
    filter: &Filter<'_>,
    limit: usize,
    notice: &mut dyn FnMut(&str),
) -> Result<Option<Listed>, AppError> {
    let settings = book.settings();
    let key = filter.model.map(|model| known_key(model, book));
    let filters = filters(filter, key.transpose()?, settings)?;
    let mut add = |all: &mut Found, part| all.add(part, &filters, filter.venue, limit);
    let found = match filter.model {
        Some(model) => {
            let mut found = Found::default();
            let model = settings.words.model(model);
            add(&mut found, book.frame_of_model(model, notice)?)?;
            found
        }
        None => book.fold_models(notice, &mut add)?,
    };
    let Some(rows) = found.first else {
        return Ok(None);
    };
    let rows = newest(rows.lazy(), limit)?;
    Ok(Some(Listed {
        matches: found.matches,
        shown: rows.height(),
        rows,
        currency: settings.currency.clone(),
    }))
}

impl Listed {
    /// The comps.
    ///
    /// # Errors
    /// If they cannot be read from the table.
    pub fn comps(&self) -> Result<Vec<Comp>, AppError> {
        let rows = FrameRows::new(&self.rows, &self.currency)?;
        Ok(rows.comps().collect())
    }

    /// The shortest unique beginning of each identifier: unique in the book, or in a large book within the
    /// requested model.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn short_ids(&self, book: &Book, model: Option<&str>) -> Result<Vec<String>, AppError> {
        let ids = self.rows.column("comp_id")?.str()?;
        let ids: Vec<&str> = ids.iter().map(Option::unwrap_or_default).collect();
        let short = shortened(book, model, ids)?;
        Ok(short.into_iter().map(String::from).collect())
    }

    /// Writes the comps as CSV rows that can be imported again unchanged.
    ///
    /// # Errors
    /// If they cannot be read from the table; the inner error if `output` fails.
    pub fn write_csv(&self, output: impl Write) -> Result<io::Result<()>, AppError> {
        let rows = FrameRows::new(&self.rows, &self.currency)?;
        let optional = optional_in(&self.rows)?;
        let write = || {
            let mut writer = Writer::with_header(output, &COLUMNS, optional)?.neutral();
            rows.comps().try_for_each(|comp| writer.comp(&comp))?;
            writer.finish()?.flush()
        };
        Ok(write())
    }
}

/// Matching comps of the models read so far.
#[derive(Default)]
struct Found {
    /// Number of matching comps.
    matches: usize,
    /// Those that may be shown; `None` if there are no comps at all.
    first: Option<DataFrame>,
}

impl Found {
    /// Adds the comps of some models.
    fn add(
        &mut self,
        comps: DataFrame,
        filters: &Option<Expr>,
        venue: Option<&str>,
        limit: usize,
    ) -> PolarsResult<()> {
        if comps.height() == 0 {
            return Ok(());
        }
        let venue = venue.map(|venue| spelled_like("venue", venue, &comps));
        let all = filters.clone().into_iter().chain(venue.transpose()?);
        let filter = all.reduce(Expr::and).unwrap_or_else(|| lit(true));
        let found = comps.lazy().filter(filter).collect()?;
        self.matches += found.height();
        let found = newest(found.lazy(), limit)?;
        match &mut self.first {
            None => self.first = Some(found),
            Some(first) => {
                first.vstack_mut_owned(found)?;
                if first.height() / 8 > limit {
                    *first = newest(first.clone().lazy(), limit)?;
                }
            }
        }
        Ok(())
    }
}

/// The first comps in the order of the list: newest first, undated ones last.
fn newest(comps: LazyFrame, limit: usize) -> PolarsResult<DataFrame> {
    let order = SortMultipleOptions::new()
        .with_order_descending_multi([true, false])
        .with_nulls_last(true);
    let sorted = comps.sort(["sold_on", "comp_id"], order).collect()?;
    Ok(sorted.head(Some(limit.min(sorted.height()))))
}

/// All conditions but the venue as one expression; `key` is the key of the model.
fn filters(
    filter: &Filter<'_>,
    key: Option<String>,
    settings: &Settings,
) -> Result<Option<Expr>, AppError> {
    let mut all: Vec<Expr> = Vec::new();
    all.extend(key.map(|key| col("model_key").eq(lit(key))));
    if let Some(variant) = filter.variant {
        all.push(col("variant_key").eq(lit(match_key(variant))));
    }
    for (column, asked) in [
        ("grade", filter.grade),
        ("completeness", filter.completeness),
    ] {
        if let Some(asked) = asked {
            all.push(col(column).eq(lit(
                on_scale(column, Some(asked), settings)?.unwrap_or_default(),
            )));
        }
    }
    if let Some(day) = filter.since {
        all.push(col("sold_on").gt_eq(lit(day.to_epoch_days())));
    }
    if let Some(day) = filter.until {
        all.push(col("sold_on").lt_eq(lit(day.to_epoch_days())));
    }
    if filter.undated {
        all.push(col("sold_on").is_null());
    }
    if let Some(id) = filter.id {
        // Texts with this beginning lie between it and it followed by the last character.
        let end = format!("{id}{}", char::MAX);
        all.push(
            col("comp_id")
                .gt_eq(lit(id))
                .and(col("comp_id").lt_eq(lit(end))),
        );
    }
    if filter.parts {
        all.push(col("works").not());
    }
    Ok(all.into_iter().reduce(Expr::and))
}

/// Key of a model of the book.
fn known_key(model: &str, book: &Book) -> Result<String, AppError> {
    let model = book.settings().words.model(model);
    let key = match_key(model);
    let names = book.models()?;
    if names.iter().any(|known| match_key(known) == key) {
        return Ok(key);
    }
    let names: BTreeSet<&str> = names.iter().map(String::as_str).collect();
    Err(unknown_model(model, names))
}

/// The first `most` identifiers of sales that begin with a text; only of logged sales if `logged`.
///
/// # Errors
/// If the book cannot be read.
pub fn ids_beginning(
    book: &Book,
    begins: &str,
    logged: bool,
    most: usize,
) -> Result<Vec<String>, AppError> {
    let frame = book.frame(&mut |_| {})?;
    let rows = FrameRows::new(&frame, &book.settings().currency)?;
    let wanted = |at: &usize| {
        rows.comp_id(*at).starts_with(begins) && (!logged || rows.origin(*at).contains(LOG))
    };
    let mut ids: Vec<&str> = (0..rows.len())
        .filter(wanted)
        .map(|at| rows.comp_id(at))
        .collect();
    ids.sort_unstable();
    ids.truncate(most);
    Ok(ids.into_iter().map(str::to_string).collect())
}

/// Rows with an equal text; case and spacing are ignored.
fn spelled_like(column: &str, asked: &str, frame: &DataFrame) -> PolarsResult<Expr> {
    let key = match_key(asked);
    let spellings: BTreeSet<&str> = frame
        .column(column)?
        .str()?
        .iter()
        .flatten()
        .filter(|text| match_key(text) == key)
        .collect();
    let same = spellings.into_iter().map(|text| col(column).eq(lit(text)));
    Ok(same.reduce(Expr::or).unwrap_or_else(|| lit(false)))
}

/// The shortest beginning of each identifier that is unique in the book, or in a large book within the
/// requested model.
fn shortened<'a>(
    book: &Book,
    model: Option<&str>,
    ids: Vec<&'a str>,
) -> Result<Vec<&'a str>, AppError> {
    let mut longest = |all: &mut Vec<&'a str>, part: DataFrame| {
        let short = short_ids(&part, &ids, SHORTEST_ID)?;
        all.resize(ids.len(), "");
        for (longest, short) in all.iter_mut().zip(short) {
            *longest = if short.len() > longest.len() {
                short
            } else {
                longest
            };
        }
        Ok(())
    };
    match model {
        Some(model) if book.size()? > LARGE => {
            let mut all = Vec::new();
            let model = book.settings().words.model(model);
            longest(&mut all, book.frame_of_model(model, &mut |_| {})?)?;
            Ok(all)
        }
        _ => Ok(book.fold_models(&mut |_| {}, &mut longest)?),
    }
}

/// The optional columns that the rows need, in order.
fn optional_in(frame: &DataFrame) -> Result<Vec<OptionalColumn>, AppError> {
    let words = |column: &str| -> Result<BTreeSet<&str>, AppError> {
        Ok(frame.column(column)?.str()?.iter().flatten().collect())
    };
    let converted = words("foreign")?.iter().any(|text| !text.is_empty());
    let mut needed: BTreeSet<OptionalColumn> = optional_for(converted, &Attributes::NONE).collect();
    for attributes in words("attributes")?.into_iter().map(Attributes::parse) {
        needed.extend(optional_for(false, &attributes.unwrap_or_default()));
    }
    Ok(needed.into_iter().collect())
}
