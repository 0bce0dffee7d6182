//! The comps in force as one table.
//!
//! | column | type | content |
//! |---|---|---|
//! | `comp_id` | String | identifier |
//! | `entry` | Int64 | number of the import or log that brought the row |
//! | `origin` | String | `file:line` |
//! | `sold_on` | Int32 | days since 1970-01-01, null where not recorded |
//! | `model`, `variant` | String | as written |
//! | `model_key`, `variant_key` | String | [`match_key`] of them |
//! | `completeness`, `grade` | String | name of the scale, or empty |
//! | `missing`, `extras`, `defects` | String | canonical list |
//! | `attributes` | String | text of [`Attributes`], `memory=8; storage=256`, or empty |
//! | `works` | Boolean | false: parts only |
//! | `price_minor`, `shipping_minor` | Int64 | units of 10^-[`MINOR_SCALE`] of the currency |
//! | `foreign` | String | text of [`Foreign`] where it was paid in another currency, or empty |
//! | `how_sold` | String | canonical word, or empty |
//! | `venue`, `note` | String | as written |
//! | `lot_size` | Int64 | units sold for the price |
//! | `content_hash` | Int64 | bits of [`Comp::content_hash`] |
//!
//! No other value is null. Most text columns hold few different words, so that the table is built,
//! and kept in the cache, with the words apart and their numbers in the rows.

use std::collections::{HashMap, HashSet};
use std::fmt::Write;

use chrono::NaiveDate;
use polars::prelude::*;

use crate::book::csv::canonical::{Row, repeated};
use crate::book::ids::{IdMap, id_hash};
use crate::trade::comp::RowText;
use crate::trade::money::{from_minor_units, minor_units};
use crate::trade::names::match_key;
use crate::trade::{Attributes, Comp, Currency, Foreign, HowSold, Items, Problem};

pub use crate::trade::money::MINOR_SCALE;

const FILE: &str = "file";
const LINE: &str = "line";

/// Name of the column with the bits of [`Comp::content_hash`].
pub const CONTENT_HASH: &str = "content_hash";

/// Columns of the packed rows that are kept as words and numbers of words: text columns of the
/// table, and the name of the file.
pub(crate) const WORDED: [&str; 12] = [
    "model",
    "variant",
    "completeness",
    "grade",
    "missing",
    "extras",
    "defects",
    "attributes",
    "foreign",
    "how_sold",
    "venue",
    FILE,
];

/// Columns of the table, in order.
pub const FRAME_COLUMNS: [&str; 22] = [
    "comp_id",
    "entry",
    "origin",
    "sold_on",
    "model",
    "model_key",
    "variant",
    "variant_key",
    "completeness",
    "grade",
    "missing",
    "extras",
    "defects",
    "attributes",
    "works",
    "price_minor",
    "shipping_minor",
    "foreign",
    "how_sold",
    "venue",
    "lot_size",
    "note",
];

/// Different words, numbered as they come. As with identifiers, words of the same hash count as
/// the same.
#[derive(Debug, Default)]
pub(crate) struct Words {
    numbers: IdMap<u32>,
    words: Vec<String>,
}

impl Words {
    /// The number of a word, which is a new one where the word is.
    pub(crate) fn number(&mut self, word: &str) -> u32 {
        let next = self.words.len() as u32;
        let number = *self.numbers.entry(id_hash(word)).or_insert(next);
        if number == next {
            self.words.push(word.to_string());
        }
        number
    }

    /// The number of a word that is known.
    pub(crate) fn find(&self, word: &str) -> Option<u32> {
        self.numbers.get(&id_hash(word)).copied()
    }

    /// How many there are.
    pub(crate) fn len(&self) -> usize {
        self.words.len()
    }

    pub(crate) fn into_list(self) -> Vec<String> {
        self.words
    }
}

/// A column of words: the words and their numbers in the rows.
#[derive(Debug, Default)]
struct WordColumn {
    words: Words,
    rows: Vec<u32>,
}

impl WordColumn {
    fn push(&mut self, word: &str) {
        // Where there are few, the row before often has the same.
        let few = self.words.len() < 16;
        let number = match self.rows.last() {
            Some(&last) if few && self.words.words[last as usize] == word => last,
            _ => self.words.number(word),
        };
        self.rows.push(number);
    }
}

/// Gathers comps, newest entry first; the first with an identifier is in force.
pub(crate) struct Builder {
    /// Entry and line of every identifier seen.
    seen: IdMap<(u32, u32)>,
    worded: [WordColumn; WORDED.len()],
    comp_id: StringChunkedBuilder,
    line: Vec<u32>,
    note: StringChunkedBuilder,
    entry: Vec<i64>,
    sold_on: Vec<Option<i32>>,
    works: Vec<bool>,
    price: Vec<i64>,
    shipping: Vec<i64>,
    lot_size: Vec<i64>,
    content_hash: Vec<i64>,
    text: RowText,
}

impl Default for Builder {
    fn default() -> Self {
        let text = |name: &str| StringChunkedBuilder::new(name.into(), 0);
        Self {
            seen: IdMap::default(),
            worded: Default::default(),
            comp_id: text("comp_id"),
            line: Vec::new(),
            note: text("note"),
            entry: Vec::new(),
            sold_on: Vec::new(),
            works: Vec::new(),
            price: Vec::new(),
            shipping: Vec::new(),
            lot_size: Vec::new(),
            content_hash: Vec::new(),
            text: RowText::default(),
        }
    }
}

impl Builder {
    /// Takes a row of a file. A row of an older entry with a known identifier is passed over;
    /// one of the same entry is a problem.
    pub(crate) fn push(&mut self, file: &str, row: &Row) -> Option<Problem> {
        let id = &row.comp.comp_id;
        let place = (row.entry as u32, short_line(row.line));
        if let Some(&(other, first)) = self.seen.get(&id_hash(id)) {
            return (other == place.0)
                .then(|| repeated(file, row.line, "comp_id", id, first.into()));
        }
        self.seen.insert(id_hash(id), place);
        self.add(file, row);
        None
    }

    /// Takes a row of a file, whatever its identifier; its content hash.
    pub(crate) fn add(&mut self, file: &str, row: &Row) -> u64 {
        let Row { entry, line, comp } = row;
        let lists = [&comp.missing, &comp.extras, &comp.defects].map(Items::to_string);
        let attributes = comp.attributes.to_string();
        let foreign = comp
            .foreign
            .as_ref()
            .map_or(String::new(), |f| f.to_string());
        let how_sold = comp.how_sold.map_or("", HowSold::as_str);
        let words: [&str; WORDED.len()] = [
            &comp.model,
            &comp.variant,
            &comp.completeness,
            &comp.grade,
            &lists[0],
            &lists[1],
            &lists[2],
            &attributes,
            &foreign,
            how_sold,
            &comp.venue,
            file,
        ];
        for (column, word) in self.worded.iter_mut().zip(words) {
            column.push(word);
        }
        self.comp_id.append_value(&comp.comp_id);
        self.line.push(short_line(*line));
        self.note.append_value(&comp.note);
        self.entry.push(*entry as i64);
        self.sold_on
            .push(comp.sold_on.map(|day| day.to_epoch_days()));
        self.works.push(comp.works);
        // Reading has refused amounts that do not fit.
        self.price.push(minor_units(comp.price).unwrap_or_default());
        self.shipping
            .push(minor_units(comp.shipping).unwrap_or_default());
        self.lot_size.push(comp.lot_size.into());
        self.text.fill(comp);
        let content = self.text.content_hash();
        self.content_hash.push(content.cast_signed());
        content
    }

    /// Rows taken.
    pub(crate) fn len(&self) -> usize {
        self.line.len()
    }

    pub(crate) fn finish(self) -> PolarsResult<Packed> {
        let whole = |name: &str, values| Int64Chunked::from_vec(name.into(), values).into_column();
        let mut columns = vec![
            self.comp_id.finish().into_column(),
            whole("entry", self.entry),
            UInt32Chunked::from_vec(LINE.into(), self.line).into_column(),
            Int32Chunked::from_iter_options("sold_on".into(), self.sold_on.into_iter())
                .into_column(),
            BooleanChunked::from_slice("works".into(), &self.works).into_column(),
            whole("price_minor", self.price),
            whole("shipping_minor", self.shipping),
            whole("lot_size", self.lot_size),
            self.note.finish().into_column(),
            whole(CONTENT_HASH, self.content_hash),
        ];
        let mut words = Vec::with_capacity(WORDED.len());
        for (name, column) in WORDED.into_iter().zip(self.worded) {
            columns.push(UInt32Chunked::from_vec(name.into(), column.rows).into_column());
            words.push(column.words.into_list());
        }
        Ok(Packed {
            rows: DataFrame::new_infer_height(columns)?,
            words,
        })
    }
}

/// The table with words and their numbers apart. Rows hold the columns that are not worded as
/// they are, and a UInt32 column for each of [`WORDED`].
#[derive(Debug, Clone)]
pub(crate) struct Packed {
    pub(crate) rows: DataFrame,
    pub(crate) words: Vec<Vec<String>>,
}

impl Packed {
    pub(crate) fn height(&self) -> usize {
        self.rows.height()
    }

    /// The rows of a model, by its key (everything where there is none of it), and those of
    /// `most` other models that are `wanted` (asked by key), those with most rows.
    pub(crate) fn of_model_among(
        self,
        key: &str,
        most: usize,
        wanted: &dyn Fn(&str) -> bool,
    ) -> PolarsResult<(Self, Self)> {
        let keys = self.model_keys();
        let numbers = self.rows.column("model")?.u32()?;
        let others = if most > 0 {
            most_rows(numbers, &keys, |other| other != key && wanted(other), most)
        } else {
            HashSet::new()
        };
        let others = self.of_keys(&|word| others.contains(word))?;
        let own = self.of_keys(&|word| word == key)?;
        Ok((if own.height() == 0 { self } else { own }, others))
    }

    /// The numbers of the rows of every model, by its key.
    pub(crate) fn rows_by_key(&self) -> PolarsResult<HashMap<String, Vec<IdxSize>>> {
        let keys = self.model_keys();
        let mut rows: HashMap<String, Vec<IdxSize>> = HashMap::new();
        let numbers = self.rows.column("model")?.u32()?.iter();
        for (row, number) in (0..).zip(numbers) {
            let Some(key) = number.and_then(|number| keys.get(number as usize)) else {
                continue;
            };
            match rows.get_mut(key) {
                Some(known) => known.push(row),
                None => drop(rows.insert(key.clone(), vec![row])),
            }
        }
        Ok(rows)
    }

    /// The rows of the models whose keys are wanted.
    pub(crate) fn of_keys(&self, wanted: &dyn Fn(&str) -> bool) -> PolarsResult<Self> {
        let keys = self.model_keys();
        let wanted: Vec<bool> = keys.iter().map(|key| wanted(key)).collect();
        let numbers = self.rows.column("model")?.u32()?.iter();
        let rows = (0..).zip(numbers).filter_map(|(row, number)| {
            let wanted = wanted.get(number? as usize).copied().unwrap_or_default();
            wanted.then_some(row)
        });
        self.part(rows.collect())
    }

    /// The rows whose identifiers (by their hash) are wanted.
    pub(crate) fn of_ids(&self, wanted: &dyn Fn(u64) -> bool) -> PolarsResult<Self> {
        let ids = self.rows.column("comp_id")?.str()?.iter();
        let rows = (0..)
            .zip(ids)
            .filter_map(|(row, id)| wanted(id_hash(id?)).then_some(row));
        self.part(rows.collect())
    }

    /// These rows, with the words that they have.
    pub(crate) fn part(&self, rows: Vec<IdxSize>) -> PolarsResult<Self> {
        let mut rows = self.rows.take(&IdxCa::from_vec("row".into(), rows))?;
        let mut words = Vec::with_capacity(WORDED.len());
        for (name, list) in WORDED.into_iter().zip(&self.words) {
            let mut known = vec![u32::MAX; list.len()];
            let mut kept: Vec<String> = Vec::new();
            renumber(&mut rows, name, |number| {
                let number = number as usize;
                let place = known.get_mut(number)?;
                if *place == u32::MAX {
                    *place = kept.len() as u32;
                    kept.push(list[number].clone());
                }
                Some(*place)
            })?;
            words.push(kept);
        }
        Ok(Self { rows, words })
    }

    /// The rows of all parts, one after another.
    pub(crate) fn concat(parts: impl IntoIterator<Item = Self>) -> PolarsResult<Self> {
        let mut whole = Builder::default().finish()?.rows;
        let mut words: [Words; WORDED.len()] = Default::default();
        for mut part in parts {
            for ((name, list), words) in WORDED.into_iter().zip(&part.words).zip(&mut words) {
                let known: Vec<u32> = list.iter().map(|word| words.number(word)).collect();
                renumber(&mut part.rows, name, |number| {
                    known.get(number as usize).copied()
                })?;
            }
            whole.vstack_mut_owned(part.rows)?;
        }
        whole.rechunk_mut();
        Ok(Self {
            rows: whole,
            words: words.map(Words::into_list).into(),
        })
    }

    /// The place of every row: those of newer entries come before those of older ones, in the order of
    /// their lines.
    pub(crate) fn places(&self) -> PolarsResult<Vec<u64>> {
        let entries = self.rows.column("entry")?.i64()?.iter();
        let lines = self.rows.column(LINE)?.u32()?.iter();
        let both = entries.zip(lines);
        Ok(both
            .map(|(entry, line)| place(entry.unwrap_or_default() as u32, line.unwrap_or_default()))
            .collect())
    }

    /// The rows in the order of their places.
    pub(crate) fn in_order(self) -> PolarsResult<Self> {
        let places = self.places()?;
        if places.is_sorted() {
            return Ok(self);
        }
        let mut rows: Vec<IdxSize> = (0..places.len() as IdxSize).collect();
        rows.sort_unstable_by_key(|&row| places[row as usize]);
        Ok(Self {
            rows: self.rows.take(&IdxCa::from_vec("row".into(), rows))?,
            words: self.words,
        })
    }

    /// The key of each spelling of a model, in the order of the words.
    pub(crate) fn model_keys(&self) -> Vec<String> {
        let words = self.words_of("model").iter();
        words.map(|word| match_key(word)).collect()
    }

    pub(crate) fn words_of(&self, column: &str) -> &[String] {
        let at = WORDED.iter().position(|worded| *worded == column);
        at.and_then(|at| self.words.get(at))
            .map_or(&[], Vec::as_slice)
    }

    /// The table as described above.
    pub(crate) fn unpack(self) -> PolarsResult<DataFrame> {
        let worded = |name: &str, from: &str, key: bool| -> PolarsResult<Column> {
            let list = self.words_of(from);
            let mut builder = StringChunkedBuilder::new(name.into(), list.len());
            for word in list {
                if key {
                    builder.append_value(match_key(word))
                } else {
                    builder.append_value(word)
                }
            }
            builder
                .finish()
                .into_column()
                .take(self.rows.column(from)?.u32()?)
        };
        let columns = FRAME_COLUMNS
            .into_iter()
            .chain([CONTENT_HASH])
            .map(|name| match name {
                "origin" => self.origins(),
                "model_key" => worded(name, "model", true),
                "variant_key" => worded(name, "variant", true),
                _ if WORDED.contains(&name) => worded(name, name, false),
                _ => self.rows.column(name).cloned(),
            });
        DataFrame::new(self.height(), columns.collect::<PolarsResult<_>>()?)
    }

    /// `file:line` of every row.
    fn origins(&self) -> PolarsResult<Column> {
        let files = self.words_of(FILE);
        let mut builder = StringChunkedBuilder::new("origin".into(), self.height());
        let mut text = String::new();
        for (file, line) in self
            .rows
            .column(FILE)?
            .u32()?
            .iter()
            .zip(self.rows.column(LINE)?.u32()?.iter())
        {
            let file = file
                .and_then(|number| files.get(number as usize))
                .map_or("", String::as_str);
            text.clear();
            // Writing to a string cannot fail.
            let _ = write!(text, "{file}:{}", line.unwrap_or_default());
            builder.append_value(&text);
        }
        Ok(builder.finish().into_column())
    }

    /// Identifier, day of the sale and text of [`Foreign`] of the rows that have one.
    pub(crate) fn foreign(&self) -> PolarsResult<Vec<(&str, Option<NaiveDate>, &str)>> {
        let words = self.words_of("foreign");
        if words.iter().all(String::is_empty) {
            return Ok(Vec::new());
        }
        let (ids, days) = (self.rows.column("comp_id")?, self.rows.column("sold_on")?);
        let rows = ids.str()?.iter().zip(days.i32()?.iter());
        Ok(rows
            .zip(self.rows.column("foreign")?.u32()?.iter())
            .filter_map(|((id, day), word)| {
                let text = words.get(word? as usize).filter(|text| !text.is_empty())?;
                Some((id?, day.and_then(NaiveDate::from_epoch_days), text.as_str()))
            })
            .collect())
    }

    /// Hashes of the identifiers.
    pub(crate) fn id_hashes(&self) -> PolarsResult<impl Iterator<Item = u64>> {
        let ids = self.rows.column("comp_id")?.str()?.iter();
        Ok(ids.map(|id| id_hash(id.unwrap_or_default())))
    }

    /// Identifiers and content hashes.
    pub(crate) fn content_hashes(&self) -> PolarsResult<impl Iterator<Item = (&str, u64)>> {
        let ids = self.rows.column("comp_id")?.str()?;
        let hashes = self.rows.column(CONTENT_HASH)?.i64()?;
        Ok(ids
            .iter()
            .zip(hashes.iter())
            .filter_map(|(id, hash)| Some((id?, hash?.cast_unsigned()))))
    }
}

/// Gives the words of a column other numbers; one that has none is null.
fn renumber(
    rows: &mut DataFrame,
    name: &str,
    mut number: impl FnMut(u32) -> Option<u32>,
) -> PolarsResult<()> {
    let old = rows.column(name)?.u32()?;
    let new: UInt32Chunked = old.iter().map(|old| number(old?)).collect();
    rows.with_column(new.with_name(name.into()).into_column())?;
    Ok(())
}

/// Sorts newer entries first, and rows of one entry by their lines.
pub(crate) fn place(entry: u32, line: u32) -> u64 {
    u64::from(u32::MAX - entry) << 32 | u64::from(line)
}

/// A line as the table keeps it.
pub(crate) fn short_line(line: u64) -> u32 {
    u32::try_from(line).unwrap_or(u32::MAX)
}

/// The `most` keys that most rows have, of those `wanted`; `numbers` are the rows' places in
/// `keys`, where one can stand several times.
fn most_rows<'a>(
    numbers: &UInt32Chunked,
    keys: &'a [String],
    wanted: impl Fn(&str) -> bool,
    most: usize,
) -> HashSet<&'a str> {
    let mut rows = vec![0usize; keys.len()];
    for number in numbers.iter().flatten() {
        if let Some(count) = rows.get_mut(number as usize) {
            *count += 1;
        }
    }
    let mut counts: HashMap<&str, usize> = HashMap::new();
    for (key, rows) in keys.iter().zip(rows) {
        *counts.entry(key).or_default() += rows;
    }
    let mut ranked: Vec<(&str, usize)> = counts.into_iter().collect();
    ranked.sort_unstable_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    let ranked = ranked.into_iter().map(|(key, _)| key);
    ranked.filter(|key| wanted(key)).take(most).collect()
}

/// Rows of the table (or of a part of it, in any order) as comps.
pub struct FrameRows<'a> {
    currency: &'a Currency,
    texts: HashMap<&'static str, &'a StringChunked>,
    wholes: HashMap<&'static str, &'a Int64Chunked>,
    sold_on: &'a Int32Chunked,
    works: &'a BooleanChunked,
}

impl<'a> FrameRows<'a> {
    /// Looks at a table that has all columns but perhaps the keys and the hash.
    ///
    /// # Errors
    /// Where a column is missing or of another type.
    pub fn new(frame: &'a DataFrame, currency: &'a Currency) -> PolarsResult<Self> {
        let texts = WORDED
            .into_iter()
            .filter(|name| *name != FILE)
            .chain(["comp_id", "origin", "note"]);
        let wholes = ["entry", "price_minor", "shipping_minor", "lot_size"];
        Ok(Self {
            currency,
            texts: texts
                .map(|name| Ok((name, frame.column(name)?.str()?)))
                .collect::<PolarsResult<_>>()?,
            wholes: wholes
                .into_iter()
                .map(|name| Ok((name, frame.column(name)?.i64()?)))
                .collect::<PolarsResult<_>>()?,
            sold_on: frame.column("sold_on")?.i32()?,
            works: frame.column("works")?.bool()?,
        })
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        self.sold_on.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// A text cell; empty where there is none.
    fn text(&self, column: &str, at: usize) -> &'a str {
        self.texts
            .get(column)
            .and_then(|texts| texts.get(at))
            .unwrap_or_default()
    }

    fn whole(&self, column: &str, at: usize) -> i64 {
        self.wholes
            .get(column)
            .and_then(|wholes| wholes.get(at))
            .unwrap_or_default()
    }

    /// Identifier of a row.
    pub fn comp_id(&self, at: usize) -> &'a str {
        self.text("comp_id", at)
    }

    /// File and line of a row.
    pub fn origin(&self, at: usize) -> &'a str {
        self.text("origin", at)
    }

    /// What was paid for the comp of a row, where it was in another currency.
    pub fn foreign(&self, at: usize) -> Option<Foreign> {
        Foreign::parse(self.text("foreign", at))
    }

    /// The comp of a row.
    pub fn comp(&self, at: usize) -> Comp {
        let text = |column: &str| self.text(column, at).to_string();
        let list = |column: &str| Items::parse(self.text(column, at)).unwrap_or_default();
        let money = |column: &str| from_minor_units(self.whole(column, at));
        Comp {
            comp_id: text("comp_id"),
            sold_on: self.sold_on.get(at).and_then(NaiveDate::from_epoch_days),
            model: text("model"),
            variant: text("variant"),
            completeness: text("completeness"),
            grade: text("grade"),
            missing: list("missing"),
            extras: list("extras"),
            defects: list("defects"),
            attributes: Attributes::parse(self.text("attributes", at)).unwrap_or_default(),
            works: self.works.get(at).unwrap_or_default(),
            price: money("price_minor"),
            shipping: money("shipping_minor"),
            currency: self.currency.code.clone(),
            foreign: self.foreign(at).map(Box::new),
            how_sold: HowSold::parse(self.text("how_sold", at)),
            venue: text("venue"),
            lot_size: u32::try_from(self.whole("lot_size", at)).unwrap_or(1),
            note: text("note"),
        }
    }
}

/// For each of `ids`, the shortest beginning of at least `least` characters that no other
/// identifier of the table shares; the whole identifier where there is none.
///
/// # Errors
/// Where the table has no column `comp_id`.
pub fn short_ids<'a>(
    frame: &DataFrame,
    ids: &[&'a str],
    least: usize,
) -> PolarsResult<Vec<&'a str>> {
    let head = |id: &str| -> u64 { id_hash(cut(id, least)) };
    let mut shared: IdMap<Vec<(usize, usize)>> = IdMap::default();
    for (at, id) in ids.iter().enumerate() {
        shared.entry(head(id)).or_default().push((at, least));
    }
    for other in frame.column("comp_id")?.str()?.iter().flatten() {
        let Some(wanted) = shared.get_mut(&head(other)) else {
            continue;
        };
        for (at, needed) in wanted.iter_mut().filter(|(at, _)| ids[*at] != other) {
            let same = ids[*at]
                .chars()
                .zip(other.chars())
                .take_while(|(a, b)| a == b)
                .count();
            *needed = (*needed).max(same + 1);
        }
    }
    let mut short = ids.to_vec();
    for (at, needed) in shared.into_values().flatten() {
        short[at] = cut(ids[at], needed);
    }
    Ok(short)
}

fn cut(text: &str, most: usize) -> &str {
    text.char_indices()
        .nth(most)
        .map_or(text, |(end, _)| &text[..end])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(entry: u64, line: u64, comp_id: &str, price: &str) -> Row {
        let comp = Comp {
            comp_id: comp_id.into(),
            sold_on: NaiveDate::from_ymd_opt(1969, 12, 31),
            model: "Nerrow F4".into(),
            variant: String::new(),
            completeness: "full".into(),
            grade: "A".into(),
            missing: Items::parse("strap").unwrap(),
            extras: Items::default(),
            defects: Items::default(),
            attributes: Attributes::parse("storage=256").unwrap(),
            works: false,
            price: price.parse().unwrap(),
            shipping: "4.5".parse().unwrap(),
            currency: "EUR".into(),
            foreign: None,
            how_sold: Some(HowSold::Auction),
            venue: "fair".into(),
            lot_size: 3,
            note: "a, b".into(),
        };
        Row { entry, line, comp }
    }

    #[test]
    fn the_newest_entry_is_in_force_and_reads_back() {
        let mut builder = Builder::default();
        let mut rows = [
            row(3, 2, "x", "10"),
            row(2, 2, "x", "11"),
            row(2, 3, "y", "12.3456"),
        ];
        rows[2].comp.sold_on = None;
        let paid = "XCU;10.00;5.00;0.9132;2026-03-02;a list";
        let euro = Currency { code: "EUR".into() };
        let foreign = Foreign::parse(paid).unwrap();
        rows[0].comp.set_foreign(foreign, &euro).unwrap();
        for row in rows.clone() {
            assert_eq!(builder.push("f.csv", &row), None);
        }
        assert!(
            builder
                .push("f.csv", &row(2, 9, "y", "1"))
                .is_some_and(|p| p.row == 9 && p.expected.contains("row 3"))
        );
        let frame = builder.finish().unwrap().unpack().unwrap();
        let currency = Currency { code: "EUR".into() };
        let read = FrameRows::new(&frame, &currency).unwrap();
        assert_eq!(
            (0..read.len()).map(|at| read.comp(at)).collect::<Vec<_>>(),
            [rows[0].clone().comp, rows[2].clone().comp]
        );
        assert_eq!(read.origin(1), "f.csv:3");
        assert_eq!(
            frame.column("model_key").unwrap().str().unwrap().get(0),
            Some("nerrowf4")
        );
        assert_eq!(
            frame.column("sold_on").unwrap().i32().unwrap().get(0),
            Some(-1)
        );
        assert_eq!(frame.column("sold_on").unwrap().null_count(), 1);
        assert_eq!(
            frame.column("price_minor").unwrap().i64().unwrap().get(1),
            Some(123_456)
        );
    }

    #[test]
    fn an_empty_table_has_every_column() {
        let frame = Builder::default().finish().unwrap().unpack().unwrap();
        assert_eq!(frame.shape(), (0, FRAME_COLUMNS.len() + 1));
    }
}
