//! The comps in force as one table.
//!
//! | column | type | content |
//! |---|---|---|
//! | `comp_id` | String | identifier |
//! | `entry` | Int64 | number of the import or log that brought the row |
//! | `line` | UInt32 | line of the file on which the row begins |
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
//! No other value is null. The cache keeps the same columns.

use std::cmp::Reverse;
use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::fmt::Write;

use chrono::NaiveDate;
use polars::prelude::*;

use crate::book::csv::canonical::{Row, repeated};
use crate::book::ids::{IdMap, id_hash};
use crate::trade::comp::{COLUMNS, RowText};
use crate::trade::money::{from_minor_units, minor_units};
use crate::trade::names::match_key;
use crate::trade::{Attributes, Comp, Currency, Foreign, HowSold, Items, Problem};

pub use crate::trade::money::MINOR_SCALE;

/// Name of the column with the bits of [`Comp::content_hash`].
pub const CONTENT_HASH: &str = "content_hash";

/// Text columns, in the order of the table.
const TEXTS: [&str; 16] = [
    "comp_id",
    "origin",
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
    "foreign",
    "how_sold",
    "venue",
    "note",
];

/// Columns of 64-bit numbers, in the order of the table.
const WHOLES: [&str; 5] = [
    "entry",
    "price_minor",
    "shipping_minor",
    "lot_size",
    CONTENT_HASH,
];

/// Collects rows of the table in order of arrival.
pub(crate) struct Columns {
    texts: [StringChunkedBuilder; TEXTS.len()],
    wholes: [Vec<i64>; WHOLES.len()],
    line: Vec<u32>,
    sold_on: Vec<Option<i32>>,
    works: Vec<bool>,
}

impl Default for Columns {
    fn default() -> Self {
        Self {
            texts: TEXTS.map(|name| StringChunkedBuilder::new(name.into(), 0)),
            wholes: Default::default(),
            line: Vec::new(),
            sold_on: Vec::new(),
            works: Vec::new(),
        }
    }
}

impl Columns {
    /// Number of rows.
    pub(crate) fn len(&self) -> usize {
        self.line.len()
    }

    /// The table of the rows.
    pub(crate) fn finish(self) -> PolarsResult<DataFrame> {
        let texts = self.texts.into_iter();
        let mut columns: Vec<Column> = texts.map(|text| text.finish().into_column()).collect();
        let wholes = WHOLES.into_iter().zip(self.wholes);
        let mut wholes =
            wholes.map(|(name, values)| Int64Chunked::from_vec(name.into(), values).into_column());
        columns.extend(wholes.next());
        columns.extend([
            UInt32Chunked::from_vec("line".into(), self.line).into_column(),
            Int32Chunked::from_iter_options("sold_on".into(), self.sold_on.into_iter())
                .into_column(),
            BooleanChunked::from_slice("works".into(), &self.works).into_column(),
        ]);
        columns.extend(wholes);
        DataFrame::new_infer_height(columns)
    }
}

/// Data of earlier rows: identifiers, keys of models and variants.
#[derive(Default)]
pub(crate) struct Known {
    /// Entry and line of every identifier seen.
    seen: IdMap<(u32, u32)>,
    /// [`match_key`] by the hash of its argument.
    keys: IdMap<String>,
    text: RowText,
    origin: String,
}

impl Known {
    /// Adds a row of a file to a table if it is in force: for each identifier that is the row of
    /// the newest entry, and newer entries come first. A second row in one entry is a problem.
    pub(crate) fn push(&mut self, columns: &mut Columns, file: &str, row: &Row) -> Option<Problem> {
        let id = &row.comp.comp_id;
        let (entry, line) = (row.entry as u32, short_line(row.line));
        match self.seen.entry(id_hash(id)) {
            Entry::Occupied(known) => {
                let (other, first) = *known.get();
                let twice = || repeated(file, row.line, "comp_id", id, first.into());
                return (other == entry).then(twice);
            }
            Entry::Vacant(free) => free.insert((entry, line)),
        };
        self.add(columns, file, row);
        None
    }

    /// [`match_key`] of a text.
    pub(crate) fn key(&mut self, text: &str) -> &str {
        let key = self.keys.entry(id_hash(text));
        key.or_insert_with(|| match_key(text))
    }

    /// Adds a row of a file to a table, whatever its identifier.
    pub(crate) fn add(&mut self, columns: &mut Columns, file: &str, row: &Row) {
        let Row { entry, line, comp } = row;
        self.origin.clear();
        // Writing to a string cannot fail.
        let _ = write!(self.origin, "{file}:{line}");
        let foreign = comp.foreign.as_ref().map(|paid| paid.to_string());
        let [model, variant] = [&comp.model, &comp.variant].map(|text| {
            self.key(text);
            id_hash(text)
        });
        self.text.fill(comp);
        let mut cells = [""; COLUMNS.len()];
        for (place, cell) in cells.iter_mut().zip(self.text.cells()) {
            *place = cell;
        }
        let key = |hash| self.keys.get(&hash).map_or("", String::as_str);
        let texts: [&str; TEXTS.len()] = [
            &comp.comp_id,
            &self.origin,
            &comp.model,
            key(model),
            &comp.variant,
            key(variant),
            &comp.completeness,
            &comp.grade,
            cells[6],
            cells[7],
            cells[8],
            self.text.attributes(),
            foreign.as_deref().unwrap_or_default(),
            cells[13],
            &comp.venue,
            &comp.note,
        ];
        for (column, text) in columns.texts.iter_mut().zip(texts) {
            column.append_value(text);
        }
        columns.line.push(short_line(*line));
        let day = comp.sold_on.map(|day| day.to_epoch_days());
        columns.sold_on.push(day);
        columns.works.push(comp.works);
        // Reading refuses amounts that do not fit.
        let minor = |amount| minor_units(amount).unwrap_or_default();
        let wholes = [
            *entry as i64,
            minor(comp.price),
            minor(comp.shipping),
            comp.lot_size.into(),
            self.text.content_hash().cast_signed(),
        ];
        for (column, whole) in columns.wholes.iter_mut().zip(wholes) {
            column.push(whole);
        }
    }
}

/// The numbers of the rows of every model, by its key.
pub(crate) fn rows_by_key(frame: &DataFrame) -> PolarsResult<PlHashMap<&str, Vec<IdxSize>>> {
    let mut rows: PlHashMap<&str, Vec<IdxSize>> = PlHashMap::default();
    let keys = frame.column("model_key")?.str()?;
    for (row, key) in (0..).zip(keys.iter()) {
        rows.entry(key.unwrap_or_default()).or_default().push(row);
    }
    Ok(rows)
}

/// These rows of a table.
pub(crate) fn take(frame: &DataFrame, rows: Vec<IdxSize>) -> PolarsResult<DataFrame> {
    frame.take(&IdxCa::from_vec("row".into(), rows))
}

/// The rows whose text in a column is wanted.
pub(crate) fn filter(
    frame: &DataFrame,
    column: &str,
    wanted: impl Fn(&str) -> bool,
) -> PolarsResult<DataFrame> {
    let texts = frame.column(column)?.str()?.iter();
    let rows = (0..).zip(texts);
    let rows = rows.filter_map(|(row, text)| wanted(text?).then_some(row));
    take(frame, rows.collect())
}

/// The rows of all tables: newer entries before older ones, in the order of their lines.
pub(crate) fn concat(frames: impl IntoIterator<Item = DataFrame>) -> PolarsResult<DataFrame> {
    let mut whole = Columns::default().finish()?;
    for frame in frames {
        whole.vstack_mut_owned(frame)?;
    }
    whole.rechunk_mut();
    let entries = whole.column("entry")?.i64()?.iter();
    let lines = whole.column("line")?.u32()?.iter();
    let places = entries.zip(lines);
    let places: Vec<_> = places.map(|(entry, line)| (Reverse(entry), line)).collect();
    if places.is_sorted() {
        return Ok(whole);
    }
    let mut rows: Vec<IdxSize> = (0..places.len() as IdxSize).collect();
    rows.sort_unstable_by_key(|&row| places[row as usize]);
    take(&whole, rows)
}

/// Identifier, day of the sale and text of [`Foreign`] of the rows that have one.
pub(crate) fn foreign(frame: &DataFrame) -> PolarsResult<Vec<(&str, Option<NaiveDate>, &str)>> {
    let (ids, days) = (frame.column("comp_id")?.str()?, frame.column("sold_on")?);
    let rows = ids.iter().zip(days.i32()?.iter());
    let rows = rows.zip(frame.column("foreign")?.str()?.iter());
    Ok(rows
        .filter_map(|((id, day), text)| {
            let text = text.filter(|text| !text.is_empty())?;
            Some((id?, day.and_then(NaiveDate::from_epoch_days), text))
        })
        .collect())
}

/// A line number as the table keeps it.
fn short_line(line: u64) -> u32 {
    u32::try_from(line).unwrap_or(u32::MAX)
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
    /// Checks that the table has all columns, except perhaps the keys and the hash.
    ///
    /// # Errors
    /// If a column is missing or of another type.
    pub fn new(frame: &'a DataFrame, currency: &'a Currency) -> PolarsResult<Self> {
        let keys = ["model_key", "variant_key"];
        let texts = TEXTS.into_iter().filter(|name| !keys.contains(name));
        let wholes = WHOLES.into_iter().filter(|name| *name != CONTENT_HASH);
        Ok(Self {
            currency,
            texts: texts
                .map(|name| Ok((name, frame.column(name)?.str()?)))
                .collect::<PolarsResult<_>>()?,
            wholes: wholes
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

    /// Whether there are no rows.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// A text cell; empty if there is none.
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

    /// The amount paid for the comp of a row, if in another currency.
    pub fn foreign(&self, at: usize) -> Option<Foreign> {
        Foreign::parse(self.text("foreign", at))
    }

    /// The comps of all rows.
    pub fn comps(&self) -> impl Iterator<Item = Comp> {
        (0..self.len()).map(|at| self.comp(at))
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

/// For each of `ids`, the shortest prefix of at least `least` characters that no other identifier
/// of the table shares; the whole identifier if there is none.
///
/// # Errors
/// If the table has no column `comp_id`.
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
            model: "Nulva 61K".into(),
            completeness: "full".into(),
            grade: "A".into(),
            missing: Items::parse("strap").unwrap(),
            attributes: Attributes::parse("storage=256").unwrap(),
            works: false,
            price: price.parse().unwrap(),
            shipping: "4.5".parse().unwrap(),
            how_sold: Some(HowSold::Auction),
            venue: "fair".into(),
            lot_size: 3,
            note: "a, b".into(),
            ..Comp::blank("EUR")
        };
        Row { entry, line, comp }
    }

    #[test]
    fn the_newest_entry_is_in_force_and_reads_back() {
        let (mut known, mut columns) = (Known::default(), Columns::default());
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
            assert_eq!(known.push(&mut columns, "f.csv", &row), None);
        }
        let repeated = known.push(&mut columns, "f.csv", &row(2, 9, "y", "1"));
        assert!(repeated.is_some_and(|p| p.row == 9 && p.expected.contains("row 3")));
        let frame = columns.finish().unwrap();
        let currency = Currency { code: "EUR".into() };
        let read = FrameRows::new(&frame, &currency).unwrap();
        assert_eq!(
            (0..read.len()).map(|at| read.comp(at)).collect::<Vec<_>>(),
            [rows[0].clone().comp, rows[2].clone().comp]
        );
        assert_eq!(read.origin(1), "f.csv:3");
        assert_eq!(
            frame.column("model_key").unwrap().str().unwrap().get(0),
            Some("nulva61k")
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
        let frame = Columns::default().finish().unwrap();
        assert_eq!(frame.shape(), (0, TEXTS.len() + WHOLES.len() + 3));
    }
}
