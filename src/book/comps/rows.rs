//! The comps in force: the rows of the cached table, and the overlay of newer ones (in a small book
//! all of them).

use std::collections::{BTreeSet, HashSet};

use polars::prelude::*;

use crate::book::comps::cache::Table;
use crate::book::comps::cache::table::{Id, Models, Trouble};
use crate::book::comps::frame::{CONTENT_HASH, Columns, Known, concat, filter, rows_by_key, take};
use crate::book::csv::canonical::Row;
use crate::book::ids::{IdMap, id_hash};
use crate::trade::Comp;

/// Every `comp_id` in force with the hash of its content.
#[derive(Debug, Clone, Default)]
pub struct Index {
    /// Hashes of the identifiers in the cached table, sorted, with hashes of their contents.
    table: Vec<(u64, u64)>,
    /// Has priority over the table.
    overlay: IdMap<u64>,
    len: usize,
}

impl Index {
    /// [`Comp::content_hash`] of the comp in force.
    pub fn get(&self, comp_id: &str) -> Option<u64> {
        let hash = id_hash(comp_id);
        if let Some(content) = self.overlay.get(&hash) {
            return Some(*content);
        }
        let known = self.table.binary_search_by_key(&hash, |(known, _)| *known);
        known.ok().map(|at| self.table[at].1)
    }

    /// Number of comps in force.
    pub fn len(&self) -> usize {
        self.len
    }

    /// Whether there are no rows.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }
}

/// The comps in force.
#[derive(Debug)]
pub(crate) struct Rows {
    table: Option<Table>,
    /// Rows in force that are not in the table.
    overlay: DataFrame,
    /// Hashes of identifiers whose rows in the table are no longer in force.
    gone: IdMap<()>,
    /// Positions of the model spellings of these rows.
    fewer: Vec<u32>,
}

impl Rows {
    /// Determines which rows of the overlay and of the table are in force: for each identifier the
    /// row of the newest entry.
    pub(crate) fn new(table: Option<Table>, overlay: DataFrame) -> Result<Self, Trouble> {
        let mut rows = Self {
            table,
            overlay,
            gone: IdMap::default(),
            fewer: Vec::new(),
        };
        let Some(table) = &rows.table else {
            return Ok(rows);
        };
        let ids = rows.overlay.column("comp_id")?.str()?.iter().flatten();
        let ids: Vec<u64> = ids.map(id_hash).collect();
        let known = table.find(ids.clone())?.into_iter();
        let known: IdMap<Id> = known.map(|id| (id.hash, id)).collect();
        let mut kept: Vec<IdxSize> = Vec::with_capacity(ids.len());
        let entries = rows.overlay.column("entry")?.i64()?;
        for ((row, hash), entry) in (0..).zip(&ids).zip(entries.iter()) {
            match known.get(hash) {
                Some(id) if Some(i64::from(id.entry)) > entry => continue,
                Some(id) => {
                    rows.gone.insert(*hash, ());
                    rows.fewer.push(id.model);
                }
                None => {}
            }
            kept.push(row);
        }
        if kept.len() < ids.len() {
            rows.overlay = take(&rows.overlay, kept)?;
        }
        Ok(rows)
    }

    /// Number of parts of the table.
    fn parts(&self) -> usize {
        self.table.as_ref().map_or(0, Table::parts)
    }

    /// The rows in force of a part of the table.
    fn part(&self, number: usize) -> Result<DataFrame, Trouble> {
        let rows = self.table.as_ref().ok_or(Trouble::Damaged)?.part(number)?;
        if self.gone.is_empty() {
            return Ok(rows);
        }
        let in_force = |id: &str| !self.gone.contains_key(&id_hash(id));
        Ok(filter(&rows, "comp_id", in_force)?)
    }

    /// The models of the table.
    fn table_models(&self) -> Result<Models, Trouble> {
        let mut models = match &self.table {
            Some(table) => table.models()?,
            None => Models::default(),
        };
        for model in &self.fewer {
            let rows = models.rows.get_mut(*model as usize);
            rows.map(|rows| *rows -= 1).ok_or(Trouble::Damaged)?;
        }
        Ok(models)
    }

    /// All comps in the order of their entries and lines.
    pub(crate) fn whole(self) -> Result<DataFrame, Trouble> {
        let mut parts = Vec::with_capacity(self.parts() + 1);
        for number in 0..self.parts() {
            parts.push(self.part(number)?);
        }
        parts.push(self.overlay);
        Ok(concat(parts)?)
    }

    /// The comps of a model, by its key, and those of `most` other models for which `wanted`
    /// (called with the key) is true, those with most comps. If there are no comps of the model,
    /// the result has a row for every spelling of a model, possibly without other content.
    pub(crate) fn among(
        self,
        key: &str,
        most: usize,
        wanted: &dyn Fn(&str) -> bool,
    ) -> Result<(DataFrame, DataFrame), Trouble> {
        let models = self.table_models()?;
        let others: HashSet<&str> = match most {
            0 => HashSet::new(),
            _ => most_rows(&models, &self.overlay)?
                .into_iter()
                .filter(|other| *other != key && wanted(other))
                .take(most)
                .collect(),
        };
        let asked = |other: &str| other == key || others.contains(other);
        let mut found = vec![filter(&self.overlay, "model_key", asked)?];
        let keys = models.keys().zip(&models.parts);
        let parts = keys.filter(|((key, _), _)| asked(key));
        let parts: BTreeSet<u32> = parts.map(|(_, part)| *part).collect();
        for part in parts {
            found.push(filter(&self.part(part as usize)?, "model_key", asked)?);
        }
        let found = concat(found)?;
        let own = filter(&found, "model_key", |other| other == key)?;
        let own = if own.height() == 0 {
            only_names(&names(&models, &self.overlay)?)?
        } else {
            own
        };
        let other = filter(&found, "model_key", |other| other != key)?;
        Ok((own, other))
    }

    /// Every spelling of a model.
    pub(crate) fn models(self) -> Result<Vec<String>, Trouble> {
        Ok(names(&self.table_models()?, &self.overlay)?)
    }

    /// Every identifier with the hash of its content.
    pub(crate) fn index(self) -> Result<Index, Trouble> {
        let table = match &self.table {
            Some(table) => table.ids()?,
            None => Vec::new(),
        };
        let ids = self.overlay.column("comp_id")?.str()?.iter();
        let contents = self.overlay.column(CONTENT_HASH)?.i64()?.iter();
        let overlay = ids.zip(contents);
        let overlay =
            overlay.filter_map(|(id, content)| Some((id_hash(id?), content?.cast_unsigned())));
        Ok(Index {
            len: table.len() - self.gone.len() + self.overlay.height(),
            table,
            overlay: overlay.collect(),
        })
    }

    /// The comps with these identifiers.
    pub(crate) fn find(self, ids: &HashSet<String>) -> Result<DataFrame, Trouble> {
        let wanted = |id: &str| ids.contains(id);
        let mut found = vec![filter(&self.overlay, "comp_id", wanted)?];
        if let Some(table) = &self.table {
            let hashes: Vec<u64> = ids.iter().map(|id| id_hash(id)).collect();
            let parts = self.table_models()?.parts;
            let known = table.find(hashes)?.into_iter();
            let known: Option<BTreeSet<u32>> = known
                .map(|id| parts.get(id.model as usize).copied())
                .collect();
            for part in known.ok_or(Trouble::Damaged)? {
                found.push(filter(&self.part(part as usize)?, "comp_id", wanted)?);
            }
        }
        Ok(concat(found)?)
    }

    /// Passes all comps on in tables, each with all comps of its models, so that memory contains
    /// one at a time.
    pub(crate) fn each_part(
        self,
        each: &mut dyn FnMut(DataFrame) -> PolarsResult<()>,
    ) -> Result<(), Trouble> {
        let mut waiting = rows_by_key(&self.overlay)?;
        for number in 0..self.parts() {
            let rows = self.part(number)?;
            let keys = rows.column("model_key")?.str()?.iter().flatten();
            let more = keys.filter_map(|key| waiting.remove(key)).flatten();
            let more = take(&self.overlay, more.collect())?;
            each(concat([rows, more])?)?;
        }
        let rest: Vec<IdxSize> = waiting.into_values().flatten().collect();
        if !rest.is_empty() || self.parts() == 0 {
            each(concat([take(&self.overlay, rest)?])?)?;
        }
        Ok(())
    }
}

/// All models, those with most comps first; among equals in alphabetical order.
fn most_rows<'a>(models: &'a Models, overlay: &'a DataFrame) -> PolarsResult<Vec<&'a str>> {
    let mut more = rows_by_key(overlay)?;
    let mut counts: Vec<(&str, u32)> = Vec::with_capacity(models.rows.len());
    for (key, rows) in models.keys() {
        match counts.last_mut() {
            Some((last, sum)) if *last == key => *sum += rows,
            _ => {
                let more = more.remove(key).map_or(0, |rows| rows.len() as u32);
                counts.push((key, rows + more));
            }
        }
    }
    counts.extend(more.into_iter().map(|(key, rows)| (key, rows.len() as u32)));
    // They are nearly sorted.
    counts.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    let counts = counts.into_iter().filter(|(_, rows)| *rows > 0);
    Ok(counts.map(|(key, _)| key).collect())
}

/// Every spelling of a model, in the table and the overlay.
fn names(models: &Models, overlay: &DataFrame) -> PolarsResult<Vec<String>> {
    let known = models.names.iter().flatten().zip(&models.rows);
    let known = known.filter(|(_, rows)| **rows > 0).map(|(name, _)| name);
    let overlay = overlay.column("model")?.str()?.iter().flatten();
    let names: PlIndexSet<&str> = known.chain(overlay).collect();
    Ok(names.into_iter().map(str::to_string).collect())
}

/// A row for each of these models, without other content.
fn only_names(names: &[String]) -> PolarsResult<DataFrame> {
    let (mut known, mut columns) = (Known::default(), Columns::default());
    for (line, name) in (0..).zip(names) {
        let comp = Comp {
            model: name.clone(),
            ..Comp::blank("")
        };
        let entry = 0;
        known.add(&mut columns, "", &Row { entry, line, comp });
    }
    columns.finish()
}
