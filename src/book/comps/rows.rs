//! The comps in force, wherever they are: in memory, or in the cached table with what came after it
//! beside them.

use std::collections::{BTreeSet, HashMap, HashSet};

use polars::prelude::{IdxSize, PolarsError, PolarsResult};

use crate::book::BookError;
use crate::book::comps::cache::table::{Damaged, Id, Models, Spelling, Table};
use crate::book::comps::frame::{Builder, Packed};
use crate::book::csv::canonical::Row;
use crate::book::ids::{IdMap, id_hash};
use crate::trade::Comp;

/// Why comps could not be had.
#[derive(Debug)]
pub(crate) enum Trouble {
    /// The cache is not what it was: it has to be made again.
    Damaged,
    /// Anything else.
    Book(BookError),
    /// The table library fails, which is nobody's making.
    Internal(PolarsError),
}

impl From<Damaged> for Trouble {
    fn from(_: Damaged) -> Self {
        Self::Damaged
    }
}

impl From<BookError> for Trouble {
    fn from(error: BookError) -> Self {
        Self::Book(error)
    }
}

impl From<PolarsError> for Trouble {
    fn from(error: PolarsError) -> Self {
        Self::Internal(error)
    }
}

/// Every `comp_id` in force with the hash of its content.
#[derive(Debug, Clone, Default)]
pub struct Index {
    /// Hashes of identifiers, sorted, with those of their contents.
    table: Vec<(u64, u64)>,
    /// Where the hashes with each beginning of 16 bits start in the table.
    starts: Vec<usize>,
    /// Goes before the table.
    beside: IdMap<u64>,
    len: usize,
}

impl Index {
    fn new(table: Vec<(u64, u64)>, beside: IdMap<u64>, len: usize) -> Self {
        let mut starts = Vec::new();
        if !table.is_empty() {
            let begins = 0..=1u64 << 16;
            let mut at = 0;
            starts.extend(begins.map(|begin| {
                at += table[at..].partition_point(|(hash, _)| hash >> 48 < begin);
                at
            }));
        }
        Self {
            table,
            starts,
            beside,
            len,
        }
    }

    /// [`Comp::content_hash`] of the comp in force.
    pub fn get(&self, comp_id: &str) -> Option<u64> {
        let hash = id_hash(comp_id);
        if let Some(content) = self.beside.get(&hash) {
            return Some(*content);
        }
        let begin = (hash >> 48) as usize;
        let near = &self.table[*self.starts.get(begin)?..*self.starts.get(begin + 1)?];
        let at = near.binary_search_by_key(&hash, |(known, _)| *known).ok()?;
        Some(near[at].1)
    }

    /// How many comps are in force.
    pub fn len(&self) -> usize {
        self.len
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }
}

/// Rows that are not in the cached table, and what they do to it.
#[derive(Debug)]
pub(crate) struct Beside {
    /// Those in force.
    rows: Packed,
    /// Hashes of identifiers whose rows in the table they replace.
    gone: IdMap<()>,
    /// How many rows with a spelling of a model (by its number in the table) they replace.
    fewer: HashMap<u32, u32>,
}

impl Beside {
    /// Settles which of `rows` are in force, and which of the table are not any more: of one
    /// identifier it is the row of the newest entry.
    pub(crate) fn new(table: &Table, rows: Packed) -> Result<Self, Trouble> {
        let hashes: Vec<u64> = rows.id_hashes()?.collect();
        let mut sorted = hashes.clone();
        sorted.sort_unstable();
        let known: IdMap<Id> = table
            .find(&sorted)?
            .into_iter()
            .map(|id| (id.hash, id))
            .collect();
        let mut beside = Self {
            rows,
            gone: IdMap::default(),
            fewer: HashMap::new(),
        };
        if known.is_empty() {
            return Ok(beside);
        }
        let mut kept: Vec<IdxSize> = Vec::with_capacity(hashes.len());
        let entries = beside.rows.rows.column("entry")?.i64()?.clone();
        for ((row, hash), entry) in (0..).zip(hashes).zip(entries.iter()) {
            match known.get(&hash) {
                Some(id) if i64::from(id.entry) > entry.unwrap_or_default() => continue,
                Some(id) => {
                    beside.gone.insert(hash, ());
                    *beside.fewer.entry(id.model).or_default() += 1;
                }
                None => {}
            }
            kept.push(row);
        }
        beside.rows = beside.rows.part(kept)?;
        Ok(beside)
    }

    /// Rows of the table without those that are replaced.
    fn without_gone(&self, rows: Packed) -> PolarsResult<Packed> {
        if self.gone.is_empty() {
            return Ok(rows);
        }
        rows.of_ids(&|hash| !self.gone.contains_key(&hash))
    }

    /// Models (by key) whose number of comps is not that of the table, with what it is.
    fn recounted(&self, models: &Models) -> PolarsResult<HashMap<String, u32>> {
        let here = self.rows.rows_by_key()?.into_iter();
        let mut counts: HashMap<String, u32> =
            here.map(|(key, rows)| (key, rows.len() as u32)).collect();
        if !self.fewer.is_empty() {
            let changed = models.spellings();
            for spelling in changed.filter(|known| self.fewer.contains_key(&known.number)) {
                counts.entry(spelling.key.to_string()).or_default();
            }
        }
        if !counts.is_empty() {
            for spelling in models.spellings() {
                if let Some(count) = counts.get_mut(spelling.key) {
                    *count += self.left(spelling);
                }
            }
        }
        Ok(counts)
    }

    /// Rows with a spelling that are in force in the table.
    fn left(&self, spelling: Spelling<'_>) -> u32 {
        let fewer = self.fewer.get(&spelling.number).copied();
        spelling.rows.saturating_sub(fewer.unwrap_or_default())
    }
}

/// The comps in force.
#[derive(Debug)]
pub(crate) enum Rows {
    /// All of them.
    Memory(Packed),
    /// In the cache, and beside it.
    Table(Table, Beside),
}

impl Rows {
    /// All comps in the order of their places.
    pub(crate) fn whole(self) -> Result<Packed, Trouble> {
        match self {
            Self::Memory(rows) => Ok(rows),
            Self::Table(table, beside) => {
                let mut parts = Vec::with_capacity(table.segments() + 1);
                for segment in 0..table.segments() {
                    parts.push(beside.without_gone(table.segment(segment)?)?);
                }
                parts.push(beside.rows);
                Ok(Packed::concat(parts)?.in_order()?)
            }
        }
    }

    /// The comps of a model, by its key, and those of `most` other models that are `wanted` (asked by
    /// key), those with most comps. Where none is of the model, comps that have every
    /// spelling of a model and may have nothing else.
    pub(crate) fn among(
        self,
        key: &str,
        most: usize,
        wanted: &dyn Fn(&str) -> bool,
    ) -> Result<(Packed, Packed), Trouble> {
        let (table, beside) = match self {
            Self::Memory(rows) => return Ok(rows.of_model_among(key, most, wanted)?),
            Self::Table(table, beside) => (table, beside),
        };
        let models = table.models()?;
        let recounted = beside.recounted(&models)?;
        let others: HashSet<&str> = ranked(&models, &recounted, most, &|other| {
            other != key && wanted(other)
        });
        let mut own = vec![beside.rows.of_keys(&|word| word == key)?];
        let mut other = vec![beside.rows.of_keys(&|word| others.contains(word))?];
        let segments: BTreeSet<u32> = others
            .iter()
            .chain([&key])
            .filter_map(|key| Some(models.get(key)?.segment))
            .collect();
        for segment in segments {
            let rows = beside.without_gone(table.segment(segment as usize)?)?;
            own.push(rows.of_keys(&|word| word == key)?);
            other.push(rows.of_keys(&|word| others.contains(word))?);
        }
        let own = Packed::concat(own)?.in_order()?;
        let own = if own.height() == 0 {
            only_names(&names(&models, &beside))?
        } else {
            own
        };
        Ok((own, Packed::concat(other)?.in_order()?))
    }

    /// Every spelling of a model.
    pub(crate) fn models(self) -> Result<Vec<String>, Trouble> {
        Ok(match self {
            Self::Memory(rows) => rows.words_of("model").to_vec(),
            Self::Table(table, beside) => names(&table.models()?, &beside),
        })
    }

    /// Every identifier with the hash of its content.
    pub(crate) fn index(self) -> Result<Index, Trouble> {
        let hashes = |rows: &Packed| -> PolarsResult<IdMap<u64>> {
            let hashes = rows.content_hashes()?;
            Ok(hashes.map(|(id, hash)| (id_hash(id), hash)).collect())
        };
        Ok(match self {
            Self::Memory(rows) => {
                let len = rows.height();
                Index::new(Vec::new(), hashes(&rows)?, len)
            }
            Self::Table(table, beside) => {
                let known = table.ids()?;
                let len = known.len() - beside.gone.len() + beside.rows.height();
                Index::new(known, hashes(&beside.rows)?, len)
            }
        })
    }

    /// The comps with these identifiers.
    pub(crate) fn find(self, ids: &HashSet<String>) -> Result<Packed, Trouble> {
        let mut hashes: Vec<u64> = ids.iter().map(|id| id_hash(id)).collect();
        hashes.sort_unstable();
        let wanted = |hash: u64| hashes.binary_search(&hash).is_ok();
        let (table, beside) = match self {
            Self::Memory(rows) => return Ok(rows.of_ids(&wanted)?),
            Self::Table(table, beside) => (table, beside),
        };
        let mut numbers: Vec<u32> = table.find(&hashes)?.iter().map(|id| id.model).collect();
        numbers.sort_unstable();
        let models = table.models()?;
        let found = models.numbered(&numbers).into_iter().flatten();
        let segments: BTreeSet<u32> = found.map(|model| model.segment).collect();
        let mut parts = vec![beside.rows.of_ids(&wanted)?];
        for segment in segments {
            let rows = beside.without_gone(table.segment(segment as usize)?)?;
            parts.push(rows.of_ids(&wanted)?);
        }
        Ok(Packed::concat(parts)?)
    }

    /// Hands out all comps in parts that each have all comps of their models, so that memory holds
    /// one part at a time.
    pub(crate) fn each_part(
        self,
        each: &mut dyn FnMut(Packed) -> PolarsResult<()>,
    ) -> Result<(), Trouble> {
        let (table, beside) = match self {
            Self::Memory(rows) => return Ok(each(rows)?),
            Self::Table(table, beside) => (table, beside),
        };
        let mut waiting = beside.rows.rows_by_key()?;
        for segment in 0..table.segments() {
            let rows = beside.without_gone(table.segment(segment)?)?;
            let more: Vec<IdxSize> = rows
                .model_keys()
                .into_iter()
                .filter_map(|key| waiting.remove(&key))
                .flatten()
                .collect();
            if more.is_empty() {
                each(rows)?;
            } else {
                each(Packed::concat([rows, beside.rows.part(more)?])?.in_order()?)?;
            }
        }
        let rest: Vec<IdxSize> = waiting.into_values().flatten().collect();
        if !rest.is_empty() {
            each(beside.rows.part(rest)?.in_order()?)?;
        }
        Ok(())
    }
}

/// The `most` models that most comps are of, of those wanted.
fn ranked<'a>(
    models: &'a Models,
    recounted: &'a HashMap<String, u32>,
    most: usize,
    wanted: &dyn Fn(&str) -> bool,
) -> HashSet<&'a str> {
    if most == 0 {
        return HashSet::new();
    }
    let known = models
        .ranked()
        .filter(|model| !recounted.contains_key(model.key) && wanted(model.key))
        .map(|model| (model.key, model.rows))
        .take(most);
    let changed = recounted
        .iter()
        .filter(|(key, rows)| **rows > 0 && wanted(key))
        .map(|(key, rows)| (key.as_str(), *rows));
    let mut ranked: Vec<(&str, u32)> = known.chain(changed).collect();
    ranked.sort_unstable_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    ranked.into_iter().take(most).map(|(key, _)| key).collect()
}

/// Every spelling of a model, in the table and beside it.
fn names(models: &Models, beside: &Beside) -> Vec<String> {
    let known = models.spellings();
    let mut names: Vec<String> = known
        .filter(|spelling| beside.left(*spelling) > 0)
        .map(|spelling| spelling.name.to_string())
        .collect();
    let known: HashSet<&String> = names.iter().collect();
    let more = beside.rows.words_of("model").iter();
    let more: Vec<String> = more.filter(|name| !known.contains(name)).cloned().collect();
    names.extend(more);
    names
}

/// A row for each of these models that says nothing else.
fn only_names(names: &[String]) -> PolarsResult<Packed> {
    let mut builder = Builder::default();
    for (line, name) in (0..).zip(names) {
        let comp = Comp {
            model: name.clone(),
            ..Comp::blank("")
        };
        builder.add(
            "",
            &Row {
                entry: 0,
                line,
                comp,
            },
        );
    }
    builder.finish()
}
