//! One sold comparable, as the book keeps it.

use crate::trade::money::money_form;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::collections::BTreeSet;
use std::fmt::{self, Write};
use xxhash_rust::xxh3::{xxh3_64, xxh3_128};

use crate::trade::attributes::column_name;
use crate::trade::cells::Wrong;
use crate::trade::foreign::{Foreign, RATE_COLUMNS, Rate};
use crate::trade::{Attributes, Currency, Items, names};

/// Columns of a canonical file, in order. The columns of exchange rates and of numeric attributes
/// follow them.
pub const COLUMNS: [&str; 17] = [
    "comp_id",
    "sold_on",
    "model",
    "variant",
    "completeness",
    "grade",
    "missing",
    "extras",
    "defects",
    "works",
    "price",
    "shipping",
    "currency",
    "how_sold",
    "venue",
    "lot_size",
    "note",
];

/// Way of selling.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum HowSold {
    /// Buyers bid against each other.
    Auction,
    /// The buyer paid the asking price.
    Fixed,
    /// The seller accepted an offer below the asking price.
    Offer,
}

impl HowSold {
    /// All ways of selling.
    pub const ALL: [HowSold; 3] = [Self::Auction, Self::Fixed, Self::Offer];

    /// The canonical word.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Auction => "auction",
            Self::Fixed => "fixed",
            Self::Offer => "offer",
        }
    }

    /// The word for people.
    pub fn word(self) -> &'static str {
        match self {
            Self::Auction => "bid",
            Self::Fixed => "fixed price",
            Self::Offer => "haggled",
        }
    }

    /// The way of selling, for use in a sentence.
    pub fn phrase(self) -> &'static str {
        match self {
            Self::Auction => "sold by auction",
            Self::Fixed => "sold at a fixed price",
            Self::Offer => "sold by an accepted offer",
        }
    }

    /// Reads a canonical word or the word for people, ignoring case.
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        let is = |how: &Self| {
            [how.as_str(), how.word()]
                .iter()
                .any(|word| word.eq_ignore_ascii_case(text))
        };
        Self::ALL.into_iter().find(is)
    }

    /// The words for people: `bid, fixed price, haggled`.
    pub fn words() -> String {
        Self::ALL.map(Self::word).join(", ")
    }
}

impl fmt::Display for HowSold {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// One sale. Text that was not recorded is empty; money is exact.
#[derive(Debug, Clone, PartialEq)]
pub struct Comp {
    /// Given by the user, or derived from the content (see [`Comp::derive_id`]).
    pub comp_id: String,
    /// Day of the sale, if recorded.
    pub sold_on: Option<NaiveDate>,
    /// Model as written.
    pub model: String,
    /// Variant of the model (colour, storage, revision); empty where not recorded.
    pub variant: String,
    /// A word of the completeness scale; empty where not recorded.
    pub completeness: String,
    /// A word of the grade scale; empty where not recorded.
    pub grade: String,
    /// Missing pieces, in addition to those that the completeness implies.
    pub missing: Items,
    /// Extras, in addition to what the completeness implies.
    pub extras: Items,
    /// Faults with which the unit still works.
    pub defects: Items,
    /// Numeric attributes, where recorded.
    pub attributes: Attributes,
    /// False for a parts-only unit.
    pub works: bool,
    /// Price of the item in the book's currency, without shipping.
    pub price: Decimal,
    /// Shipping paid by the buyer, in the book's currency.
    pub shipping: Decimal,
    /// Currency code (the book's).
    pub currency: String,
    /// The amount paid, if in another currency; price and shipping are computed from it (see
    /// [`Comp::set_foreign`]).
    pub foreign: Option<Box<Foreign>>,
    /// Way of selling, where recorded.
    pub how_sold: Option<HowSold>,
    /// Venue, in the user's words.
    pub venue: String,
    /// Number of units that the price covers; only comps of 1 inform an estimate.
    pub lot_size: u32,
    /// Anything else.
    pub note: String,
}

/// Folds models and variants for identifiers. It never changes, so that the sales of a book keep
/// their identifiers.
fn push_id_key(key: &mut String, text: &str) {
    key.extend(
        text.chars()
            .filter(|c| !c.is_whitespace())
            .flat_map(char::to_lowercase),
    );
}

/// The cells of one canonical row in one buffer, which can be reused.
#[derive(Debug, Default, Clone)]
pub struct RowText {
    /// Cells separated by U+001F, which no cell of a comp contains; then the cells of the rate, if
    /// there is one, and the attributes as one more cell, if there are any.
    joined: String,
    ends: [usize; COLUMNS.len()],
    /// End of the rate, or of the other cells if there is no rate.
    rate_end: usize,
}

/// Separator between two cells of a [`RowText`].
const APART: char = '\u{1f}';

impl RowText {
    /// Replaces the content by the cells of `comp`.
    pub fn fill(&mut self, comp: &Comp) {
        self.joined.clear();
        let mut at = 0;
        comp.each_cell(|cell| {
            if at > 0 {
                self.joined.push(APART);
            }
            self.joined.push_str(cell);
            self.ends[at] = self.joined.len();
            at += 1;
        });
        for cell in comp.rate().map(Rate::cells).iter().flatten() {
            self.joined.push(APART);
            self.joined.push_str(cell);
        }
        self.rate_end = self.joined.len();
        if !comp.attributes.is_empty() {
            // Writing to a string cannot fail.
            let _ = write!(self.joined, "{APART}{}", comp.attributes);
        }
    }

    /// The attributes as text; empty if there are none.
    pub(crate) fn attributes(&self) -> &str {
        self.joined[self.rate_end..].trim_start_matches(APART)
    }

    /// Replaces the identifier of the comp.
    pub fn set_id(&mut self, comp_id: &str) {
        let old = self.ends[0];
        self.joined.replace_range(..old, comp_id);
        for end in self.ends.iter_mut().chain([&mut self.rate_end]) {
            *end = *end - old + comp_id.len();
        }
    }

    /// The cells in the order of [`COLUMNS`].
    pub fn cells(&self) -> impl Iterator<Item = &str> {
        let mut start = 0;
        self.ends.iter().map(move |&end| {
            let cell = &self.joined[start..end];
            start = end + APART.len_utf8();
            cell
        })
    }

    /// See [`Comp::content_hash`].
    pub fn content_hash(&self) -> u64 {
        xxh3_64(names::composed(&self.joined).as_bytes())
    }

    /// See [`Comp::derive_id`].
    pub fn derive_id(&self, occurrence: u32) -> String {
        const ALPHABET: &[u8; 32] = b"abcdefghijkmnpqrstuvwxyz23456789";
        let mut text = String::with_capacity(160);
        for (name, cell) in COLUMNS.iter().zip(self.cells()) {
            match *name {
                "comp_id" | "venue" | "note" => continue,
                "model" | "variant" => push_id_key(&mut text, cell),
                _ => text.push_str(cell),
            }
            text.push(APART);
        }
        if !self.attributes().is_empty() {
            text.push_str(self.attributes());
            text.push(APART);
        }
        if occurrence > 0 {
            text.push_str(&occurrence.to_string());
        }
        let mut hash = xxh3_128(text.as_bytes());
        (0..14)
            .map(|_| {
                let c = ALPHABET[(hash & 31) as usize] as char;
                hash >>= 5;
                c
            })
            .collect()
    }
}

impl Comp {
    /// A comp with only its currency recorded, to be filled in.
    pub fn blank(currency: &str) -> Self {
        Self {
            comp_id: String::new(),
            sold_on: None,
            model: String::new(),
            variant: String::new(),
            completeness: String::new(),
            grade: String::new(),
            missing: Items::default(),
            extras: Items::default(),
            defects: Items::default(),
            attributes: Attributes::NONE,
            works: true,
            price: Decimal::ZERO,
            shipping: Decimal::ZERO,
            currency: currency.to_string(),
            foreign: None,
            how_sold: None,
            venue: String::new(),
            lot_size: 1,
            note: String::new(),
        }
    }

    /// Sets an amount paid in another currency: price and shipping become its value in the book's
    /// `currency`.
    ///
    /// # Errors
    /// Those of [`Foreign::converted`]; the comp is then unchanged.
    pub fn set_foreign(&mut self, foreign: Foreign, currency: &Currency) -> Result<(), Wrong> {
        (self.price, self.shipping) = foreign.converted(currency)?;
        self.foreign = Some(Box::new(foreign));
        Ok(())
    }

    /// The exchange rate of price and shipping, if they were converted.
    pub fn rate(&self) -> Option<&Rate> {
        self.foreign.as_ref().map(|foreign| &foreign.rate)
    }

    /// Passes the cells of the canonical row to `cell`, in the order of [`COLUMNS`], with the
    /// amounts as they were paid.
    pub fn each_cell(&self, mut cell: impl FnMut(&str)) {
        let mut scratch = String::new();
        let mut shown = |value: &dyn fmt::Display, cell: &mut dyn FnMut(&str)| {
            scratch.clear();
            // Writing to a string cannot fail.
            let _ = write!(scratch, "{value}");
            cell(&scratch);
        };
        cell(&self.comp_id);
        match &self.sold_on {
            Some(day) => shown(day, &mut cell),
            None => cell(""),
        }
        for text in [&self.model, &self.variant, &self.completeness, &self.grade] {
            cell(text);
        }
        for items in [&self.missing, &self.extras, &self.defects] {
            shown(items, &mut cell);
        }
        cell(if self.works { "yes" } else { "no" });
        let (price, shipping, currency) = match &self.foreign {
            Some(paid) => (paid.price, paid.shipping, &paid.currency),
            None => (self.price, self.shipping, &self.currency),
        };
        for amount in [price, shipping] {
            shown(&money_form(amount), &mut cell);
        }
        cell(currency);
        cell(self.how_sold.map_or("", HowSold::as_str));
        cell(&self.venue);
        shown(&self.lot_size, &mut cell);
        cell(&self.note);
    }

    /// The cells of the canonical row, in the order of [`COLUMNS`].
    pub fn cells(&self) -> [String; 17] {
        let mut cells: [String; 17] = Default::default();
        let mut at = 0;
        self.each_cell(|cell| {
            cells[at].push_str(cell);
            at += 1;
        });
        cells
    }

    /// The cells of the rate, in the order of [`RATE_COLUMNS`]; empty if there is none.
    pub fn rate_cells(&self) -> [String; 3] {
        self.rate().map_or_else(Default::default, Rate::cells)
    }

    fn row_text(&self) -> RowText {
        let mut row = RowText::default();
        row.fill(self);
        row
    }

    /// Hash (xxh3, 64 bits) of the canonical cells joined with U+001F, followed by those of the
    /// rate and by the attributes (`memory=8; storage=256`), where there are any. Two comps with
    /// the same identifier and the same hash are the same record.
    pub fn content_hash(&self) -> u64 {
        self.row_text().content_hash()
    }

    /// The differences from `self` to `new`: column, old cell and new cell.
    pub fn changes(&self, new: &Self) -> Vec<(Cow<'static, str>, String, String)> {
        let cells = self.cells().into_iter().zip(new.cells());
        let columns = COLUMNS.into_iter().map(Cow::Borrowed);
        let names: BTreeSet<&str> = [self, new]
            .into_iter()
            .flat_map(|comp| comp.attributes.iter().map(|(name, _)| name))
            .collect();
        let attributes = names.into_iter().map(|name| {
            let text = |comp: &Self| comp.attributes.text(name);
            (Cow::Owned(column_name(name)), text(self), text(new))
        });
        let rates = self.rate_cells().into_iter().zip(new.rate_cells());
        let columns = columns.chain(RATE_COLUMNS.into_iter().map(Cow::Borrowed));
        columns
            .zip(cells.chain(rates))
            .map(|(column, (old, new))| (column, old, new))
            .chain(attributes)
            .filter(|(_, old, new)| old != new)
            .collect()
    }

    /// An identifier derived from the unit, the day, the way of selling and the price. Venue and
    /// note are not part of it, so that they can be corrected; nor is the exchange rate, so that a
    /// sale keeps its identifier under another rate. `occurrence` is 0 for the first sale with this
    /// content and 1 for the second: two equal sales on one day both count, and a second import of
    /// the same file finds both.
    pub fn derive_id(&self, occurrence: u32) -> String {
        self.row_text().derive_id(occurrence)
    }
}

/// Price that the estimate is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PriceBasis {
    /// Total that the buyer paid: price and shipping.
    Delivered,
    /// The price without shipping.
    Item,
}

/// Word of a price basis in the settings.
pub fn basis_word(basis: PriceBasis) -> &'static str {
    match basis {
        PriceBasis::Delivered => "delivered",
        PriceBasis::Item => "item",
    }
}

/// The price basis of a word in the settings.
pub fn basis_of_word(word: &str) -> Option<PriceBasis> {
    let mut all = [PriceBasis::Delivered, PriceBasis::Item].into_iter();
    all.find(|basis| basis_word(*basis) == word)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_content_hash_is_that_of_the_joined_cells() {
        let comp = Comp {
            comp_id: "x".into(),
            sold_on: NaiveDate::from_ymd_opt(2026, 3, 1),
            model: "Bolv 83V".into(),
            variant: String::new(),
            completeness: "bare".into(),
            grade: "C".into(),
            missing: Items::parse("aerial; strap x2").unwrap(),
            extras: Items::default(),
            defects: Items::default(),
            attributes: Attributes::NONE,
            works: false,
            price: "15".parse().unwrap(),
            shipping: "3.125".parse().unwrap(),
            currency: "EUR".into(),
            foreign: None,
            how_sold: Some(HowSold::Fixed),
            venue: String::new(),
            lot_size: 1,
            note: "no sound".into(),
        };
        let cells = [
            "x",
            "2026-03-01",
            "Bolv 83V",
            "",
            "bare",
            "C",
            "aerial; strap x2",
            "",
            "",
            "no",
            "15.00",
            "3.125",
            "EUR",
            "fixed",
            "",
            "1",
            "no sound",
        ];
        assert_eq!(comp.cells(), cells);
        assert_eq!(
            comp.content_hash(),
            xxh3_64(cells.join("\u{1f}").as_bytes())
        );
        let repaired = Comp {
            note: "hums".into(),
            ..comp.clone()
        };
        assert_eq!(
            comp.changes(&repaired),
            [("note".into(), "no sound".to_string(), "hums".to_string())]
        );
    }

    #[test]
    fn attributes_count_where_there_are_any() {
        let plain = Comp {
            sold_on: NaiveDate::from_ymd_opt(2026, 1, 15),
            model: "Nulva 61K".into(),
            price: "120".parse().unwrap(),
            ..Comp::blank("EUR")
        };
        // Comps without attributes keep the identifiers and hashes from before attributes existed.
        assert_eq!(plain.derive_id(0), "2zsu8iss3mntez");
        let with = |text: &str| Comp {
            attributes: Attributes::parse(text).unwrap(),
            ..plain.clone()
        };
        let (one, two) = (with("storage=256"), with("storage=512; memory=8"));
        let ids = [&plain, &one, &two].map(|comp| comp.derive_id(0));
        let hashes = [&plain, &one, &two].map(Comp::content_hash);
        for (a, b) in [(0, 1), (0, 2), (1, 2)] {
            assert!(ids[a] != ids[b] && hashes[a] != hashes[b]);
        }
        assert_eq!(one.derive_id(0), with("Storage=256.0").derive_id(0));
        assert_ne!(one.derive_id(0), one.derive_id(1));
        let joined = format!("{}\u{1f}storage=256", one.cells().join("\u{1f}"));
        assert_eq!(one.content_hash(), xxh3_64(joined.as_bytes()));
        let mut row = one.row_text();
        row.set_id("other");
        assert_eq!((row.attributes(), row.cells().count()), ("storage=256", 17));
        assert_eq!(
            one.changes(&two),
            [
                ("attr.memory".into(), String::new(), "8".to_string()),
                ("attr.storage".into(), "256".to_string(), "512".to_string())
            ]
        );
    }

    #[test]
    fn a_sale_in_another_currency_is_known_by_what_was_paid() {
        let with = |rate: &str, price: &str| {
            let mut comp = Comp {
                model: "Nulva 61K".into(),
                attributes: Attributes::parse("storage=256").unwrap(),
                ..Comp::blank("EUR")
            };
            let foreign = Foreign {
                currency: "XCU".into(),
                price: price.parse().unwrap(),
                shipping: Decimal::ZERO,
                rate: Rate {
                    value: rate.parse().unwrap(),
                    date: NaiveDate::from_ymd_opt(2026, 3, 2).unwrap(),
                    source: "list".into(),
                },
            };
            let euro = Currency { code: "EUR".into() };
            comp.set_foreign(foreign, &euro).unwrap();
            comp
        };
        let (comp, other) = (with("0.9132", "120"), with("0.92", "120"));
        assert_eq!(
            (comp.price, comp.currency.as_str()),
            ("109.58".parse().unwrap(), "EUR")
        );
        assert_eq!(comp.cells()[10..13], ["120.00", "0.00", "XCU"]);
        assert_eq!(comp.derive_id(0), other.derive_id(0));
        assert_ne!(comp.content_hash(), other.content_hash());
        assert_ne!(comp.derive_id(0), with("0.9132", "121").derive_id(0));
        assert_eq!(
            comp.changes(&other),
            [("rate".into(), "0.9132".to_string(), "0.92".to_string())]
        );
        let mut row = comp.row_text();
        row.set_id("one");
        assert_eq!((row.attributes(), row.cells().count()), ("storage=256", 17));
        let cells = row.cells().collect::<Vec<_>>().join("\u{1f}");
        let joined = format!("{cells}\u{1f}0.9132\u{1f}2026-03-02\u{1f}list\u{1f}storage=256");
        assert_eq!(row.content_hash(), xxh3_64(joined.as_bytes()));
    }

    #[test]
    fn a_row_can_change_its_identifier() {
        let mut comp = Comp::blank("EUR");
        comp.model = "Nulva 61K".into();
        let mut row = comp.row_text();
        row.set_id("a-long-one");
        row.set_id("b1");
        comp.comp_id = "b1".into();
        assert!(row.cells().map(str::to_string).eq(comp.cells()));
        assert_eq!(row.content_hash(), comp.content_hash());
        assert_eq!(
            row.derive_id(0),
            Comp {
                comp_id: String::new(),
                ..comp
            }
            .derive_id(0)
        );
    }
}
