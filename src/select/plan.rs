//! The query: one lazy plan from the book's comps to the candidates for one subject.

use crate::trade::Unit;
use std::collections::{BTreeMap, HashMap};

use polars::prelude::*;

use super::pieces::Wording;
use super::{Candidate, Dropped, Selection, Stage};
use crate::trade::comp::PriceBasis;
use crate::trade::money::from_minor_units;
use crate::trade::names::match_key;
use crate::trade::text::{after, nearest_few};
use crate::trade::{Attributes, Foreign, HowSold, Items};

/// A query for comps.
#[derive(Debug, Clone)]
pub struct Query<'a> {
    /// The unit.
    pub subject: &'a Unit,
    /// Meaning of the completeness words for its model.
    pub wording: Wording,
    /// Day of the estimate.
    pub as_of: chrono::NaiveDate,
    /// Length of the window before the last widening step, in days.
    pub window_days: u32,
    /// Price basis.
    pub basis: PriceBasis,
    /// Most candidates taken from the frame, newest first.
    pub most: usize,
}

/// Reason why nothing was selected.
#[derive(Debug, thiserror::Error)]
pub enum SelectError {
    /// No comp has this model.
    #[error("no comp is of the model {asked:?}{}", list(.near))]
    NoModel {
        /// The model, as the user wrote it.
        asked: String,
        /// Similar names in the book, most similar first.
        near: Vec<String>,
    },
    /// The frame does not have the form that the book produces.
    #[error("cannot query the comps: {0}")]
    Query(#[from] PolarsError),
}

fn list(near: &[String]) -> String {
    after("; nearest in the book: ", &near.join(", "))
}

/// Most similar names in an error.
const NEAREST: usize = 5;

/// The candidates for a query: all comps of the model (up to `most`, newest first), each with the
/// widening step that includes it or the reason why it can never be used.
///
/// # Errors
/// [`SelectError::NoModel`] if no comp has the model.
pub fn select(comps: &DataFrame, query: &Query<'_>) -> Result<Selection, SelectError> {
    let rows = plan(comps.clone().lazy(), query).collect()?;
    if rows.height() == 0 {
        return Err(SelectError::NoModel {
            asked: query.subject.model.clone(),
            near: nearest_models(comps, &query.subject.model)?,
        });
    }
    let seen = rows.column("seen")?.u32()?.get(0).unwrap_or(0) as usize;
    let mut candidates = candidates(&rows, query.subject.works)?;
    newest_first(&mut candidates);
    Ok(Selection {
        model: commonest_spelling(rows.column("model")?.str()?),
        candidates,
        seen,
        steps: Vec::new(),
    })
}

/// The candidates of every model in the comps, by its key, as [`select`] returns them for one. The
/// model of the query's unit does not matter, and each model has up to `most`.
///
/// # Errors
/// A frame that does not have the form that the book produces.
pub fn select_each(
    comps: &DataFrame,
    query: &Query<'_>,
) -> Result<BTreeMap<String, Selection>, SelectError> {
    let rows = sifted(comps.clone().lazy(), query).collect()?;
    let (keys, names) = (
        rows.column("model_key")?.str()?,
        rows.column("model")?.str()?,
    );
    let mut models: BTreeMap<String, Selection> = BTreeMap::new();
    for ((key, name), candidate) in keys
        .iter()
        .zip(names.iter())
        .zip(candidates(&rows, query.subject.works)?)
    {
        let selection = models
            .entry(key.unwrap_or_default().to_string())
            .or_insert_with(|| Selection::empty(name.unwrap_or_default()));
        selection.seen += 1;
        if selection.candidates.len() < query.most {
            selection.candidates.push(candidate);
        }
    }
    models
        .values_mut()
        .for_each(|selection| newest_first(&mut selection.candidates));
    Ok(models)
}

fn newest_first(candidates: &mut [Candidate]) {
    let order = |c: &Candidate| (c.age_days.is_none(), c.age_days);
    candidates.sort_by(|a, b| (order(a), &a.comp_id).cmp(&(order(b), &b.comp_id)));
}

/// The plan of [`select`], in the notation of the query engine.
///
/// # Errors
/// A frame that does not have the form that the book produces.
pub fn describe(comps: &DataFrame, query: &Query<'_>) -> Result<String, SelectError> {
    Ok(plan(comps.clone().lazy(), query).describe_optimized_plan()?)
}

/// The lazy plan, not yet run.
fn plan(comps: LazyFrame, query: &Query<'_>) -> LazyFrame {
    let of_model = col("model_key").eq(lit(match_key(&query.subject.model)));
    sifted(comps.filter(of_model), query).limit(u32::try_from(query.most).unwrap_or(u32::MAX))
}

/// The comps of the models in question, with the columns of the query; those of the first steps
/// come first.
fn sifted(comps: LazyFrame, query: &Query<'_>) -> LazyFrame {
    let subject = query.subject;
    let paid = match query.basis {
        PriceBasis::Delivered => col("price_minor") + col("shipping_minor"),
        PriceBasis::Item => col("price_minor"),
    };
    let differs = |column: &str, asked: Option<String>| match asked {
        Some(asked) => col(column).neq(lit(asked)),
        None => lit(false),
    };
    let stage = |stage: Stage| lit(stage as i32);
    let stages = when(
        col("works")
            .neq(lit(subject.works))
            .and(lit(!subject.works)),
    )
    .then(stage(Stage::Working))
    // An undated sale may be outside the window.
    .when(
        col("age")
            .is_null()
            .or(col("age").gt(lit(i32::try_from(query.window_days).unwrap_or(i32::MAX)))),
    )
    .then(stage(Stage::Window))
    .when(differs(
        "variant_key",
        subject.variant.as_deref().map(match_key),
    ))
    .then(stage(Stage::Variant))
    .when(has_other_pieces(subject, &query.wording))
    .then(stage(Stage::Completeness))
    .when(differs("grade", subject.grade.clone()))
    .then(stage(Stage::Grade))
    .otherwise(stage(Stage::Exact));
    // Comps that cannot be used come last, so that the limit never excludes a usable one.
    let out_of_use = col("age")
        .is_not_null()
        .and(col("age").lt(lit(0)))
        .or(col("lot_size").neq(lit(1i64)))
        .or(col("works").neq(lit(subject.works)));
    comps
        .with_columns([
            paid.alias("paid"),
            (lit(query.as_of.to_epoch_days()) - col("sold_on")).alias("age"),
        ])
        .with_columns([stages.alias("stage")])
        .select([
            col("comp_id"),
            col("origin"),
            col("model"),
            col("model_key"),
            col("sold_on"),
            col("age"),
            col("variant"),
            col("completeness"),
            col("grade"),
            col("missing"),
            col("extras"),
            col("defects"),
            col("attributes"),
            col("works"),
            col("how_sold"),
            col("venue"),
            col("lot_size"),
            col("foreign"),
            col("paid"),
            col("stage"),
            len().alias("seen"),
        ])
        .sort_by_exprs(
            [out_of_use, col("stage"), col("age"), col("comp_id")],
            SortMultipleOptions::default().with_nulls_last(true),
        )
}

/// Whether a comp has other pieces than the unit, however the two are described; false if the
/// unit's pieces are not known.
fn has_other_pieces(subject: &Unit, wording: &Wording) -> Expr {
    let Some(own) = wording.of_unit(subject).set().cloned() else {
        return lit(false);
    };
    let wording = wording.clone();
    let differ = move |columns: &mut [Column]| {
        let [completeness, missing, extras] = columns else {
            polars_bail!(ComputeError: "completeness, missing and extras are three columns");
        };
        let (completeness, missing, extras) = (completeness.str()?, missing.str()?, extras.str()?);
        // Many comps share few descriptions.
        let mut known: HashMap<[&str; 3], bool> = HashMap::new();
        let differ: BooleanChunked = (0..completeness.len())
            .map(|i| {
                let cells = [completeness, missing, extras].map(|c| c.get(i).unwrap_or_default());
                *known.entry(cells).or_insert_with(|| {
                    let [word, missing, extras] = cells;
                    let [missing, extras] = [missing, extras].map(validated_items);
                    wording.read(word, &missing, &extras).set() != Some(&own)
                })
            })
            .collect();
        Ok(differ.into_column())
    };
    col("completeness").map_many(differ, &[col("missing"), col("extras")], |_, _| {
        Ok(Field::new("has_other_pieces".into(), DataType::Boolean))
    })
}

/// Reads a list cell; the book has validated it.
fn validated_items(cell: &str) -> Items {
    Items::parse(cell).unwrap_or_default()
}

fn candidates(rows: &DataFrame, subject_works: bool) -> Result<Vec<Candidate>, PolarsError> {
    let text = |name: &str| rows.column(name)?.str().cloned();
    let whole = |name: &str| rows.column(name)?.i32().cloned();
    let wide = |name: &str| rows.column(name)?.i64().cloned();
    let (comp_id, origin, variant) = (text("comp_id")?, text("origin")?, text("variant")?);
    let (completeness, grade, how_sold) =
        (text("completeness")?, text("grade")?, text("how_sold")?);
    let (missing, extras, defects) = (text("missing")?, text("extras")?, text("defects")?);
    let (attributes, foreign, venue) = (text("attributes")?, text("foreign")?, text("venue")?);
    let (sold_on, age, stage) = (whole("sold_on")?, whole("age")?, whole("stage")?);
    let (lot_size, paid) = (wide("lot_size")?, wide("paid")?);
    let works = rows.column("works")?.bool()?.clone();
    let string = |column: &StringChunked, i: usize| column.get(i).unwrap_or_default().to_string();
    let items =
        |column: &StringChunked, i: usize| validated_items(column.get(i).unwrap_or_default());
    let mut out = Vec::with_capacity(rows.height());
    for i in 0..rows.height() {
        let age_days = age.get(i);
        let working = works.get(i).unwrap_or(true);
        let lot = lot_size.get(i).unwrap_or(1).clamp(0, i64::from(u32::MAX)) as u32;
        let dropped = if age_days.is_some_and(|age| age < 0) {
            Some(Dropped::Later)
        } else if lot != 1 {
            Some(Dropped::Lot(lot))
        } else if subject_works && !working {
            Some(Dropped::PartsOnly)
        } else {
            None
        };
        out.push(Candidate {
            comp_id: string(&comp_id, i),
            origin: string(&origin, i),
            sold_on: sold_on.get(i).and_then(chrono::NaiveDate::from_epoch_days),
            age_days,
            variant: string(&variant, i),
            completeness: string(&completeness, i),
            grade: string(&grade, i),
            missing: items(&missing, i),
            extras: items(&extras, i),
            defects: items(&defects, i),
            attributes: Attributes::parse(attributes.get(i).unwrap_or_default())
                .unwrap_or_default(),
            works: working,
            how_sold: HowSold::parse(how_sold.get(i).unwrap_or_default()),
            venue: string(&venue, i),
            paid: from_minor_units(paid.get(i).unwrap_or(0)),
            foreign: Foreign::parse(foreign.get(i).unwrap_or_default()).map(Box::new),
            stage: Stage::ALL[stage.get(i).unwrap_or(0).clamp(0, 5) as usize],
            dropped,
            pinned: false,
        });
    }
    Ok(out)
}

/// The commonest spelling, with white space folded; among equals, the first in the alphabet.
fn commonest_spelling(names: &StringChunked) -> String {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for name in names.iter().flatten() {
        *counts.entry(name).or_insert(0) += 1;
    }
    let commonest = counts
        .into_iter()
        .max_by(|a, b| a.1.cmp(&b.1).then(b.0.cmp(a.0)));
    let name = commonest.map_or("", |(name, _)| name);
    name.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Models in the book with a name similar to `asked`, most similar first.
fn nearest_models(comps: &DataFrame, asked: &str) -> Result<Vec<String>, PolarsError> {
    let names = comps
        .clone()
        .lazy()
        .group_by([col("model_key")])
        .agg([col("model").first()])
        .sort(["model"], SortMultipleOptions::default())
        .collect()?;
    let known = names.column("model")?.str()?.iter().flatten();
    Ok(nearest_few(asked, known, NEAREST)
        .into_iter()
        .map(str::to_string)
        .collect())
}
