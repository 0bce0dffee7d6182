//! Canonical files: comma-separated UTF-8 with the columns of [`COLUMNS`], behind them those of
//! [`RATE_COLUMNS`] where a row of the file was paid in another currency, and a column `attr.NAME` for each
//! numeric attribute that a row of the file has. They are written by this program, but their owner
//! may have edited them, so that reading checks everything. What a sale in another currency comes to is not in them: it is
//! worked out from what was paid and the rate.

use crate::trade::cells::Wrong;
use crate::trade::cells::amount;
use crate::trade::cells::day_if_any;
use crate::trade::cells::named;
use std::borrow::Cow;
use std::collections::{BTreeSet, HashMap};
use std::io::{self, Read, Write};
use std::str::Utf8Error;

use csv::ByteRecord;
use rust_decimal::Decimal;

use super::formula::neutral;
use crate::settings::{Settings, of_scale};
use crate::trade::attributes::{COLUMN_PREFIX, column_name, of_column, plain_number};
use crate::trade::comp::{COLUMNS, RowText};
use crate::trade::foreign::{Foreign, RATE_COLUMNS, Rate};
use crate::trade::money::{MINOR_SCALE, MOST_MONEY};
use crate::trade::text::{quoted, shorten};
use crate::trade::{Attributes, Comp, Currency, HowSold, Items, Problem};

/// Columns of `logged.csv`: the entry number, then those of [`COLUMNS`].
pub const LOGGED_COLUMNS: [&str; 18] = {
    let mut columns = ["entry"; 18];
    let mut at = 0;
    while at < COLUMNS.len() {
        columns[at + 1] = COLUMNS[at];
        at += 1;
    }
    columns
};

/// Columns that [`parse_cells`] reads: those of [`COLUMNS`], then those of [`RATE_COLUMNS`].
pub const PARSED: [&str; COLUMNS.len() + RATE_COLUMNS.len()] = {
    let mut columns = [""; COLUMNS.len() + RATE_COLUMNS.len()];
    let mut at = 0;
    while at < columns.len() {
        columns[at] = if at < COLUMNS.len() {
            COLUMNS[at]
        } else {
            RATE_COLUMNS[at - COLUMNS.len()]
        };
        at += 1;
    }
    columns
};

/// Longest value shown in a problem, in characters.
const SHOWN: usize = 60;

/// A column behind the fixed ones, in files that have a row with something in it; in the order in
/// which they are written.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum OptionalColumn {
    /// One of [`RATE_COLUMNS`], by its place there.
    Rate(usize),
    /// A numeric attribute, by its canonical name.
    Attribute(String),
}

impl OptionalColumn {
    /// Those of the rate.
    pub const RATE: [Self; RATE_COLUMNS.len()] = [Self::Rate(0), Self::Rate(1), Self::Rate(2)];

    /// The canonical name.
    pub fn name(&self) -> Cow<'static, str> {
        match self {
            Self::Rate(at) => Cow::Borrowed(RATE_COLUMNS.get(*at).copied().unwrap_or_default()),
            Self::Attribute(name) => Cow::Owned(column_name(name)),
        }
    }

    /// The column of a header, whose name may be spelled otherwise.
    pub fn of_header(name: &str) -> Option<Self> {
        let name = name.trim();
        let rate = RATE_COLUMNS.iter().position(|rate| *rate == name);
        rate.map(Self::Rate)
            .or_else(|| of_column(name).map(Self::Attribute))
    }

    /// What the row of a comp has there.
    fn cell(&self, comp: &Comp) -> String {
        match self {
            Self::Rate(at) => {
                let mut cells = comp.rate_cells().into_iter();
                cells.nth(*at).unwrap_or_default()
            }
            Self::Attribute(name) => comp.attributes.text(name),
        }
    }
}

fn price(text: &str) -> Result<Decimal, Wrong> {
    amount(text).and_then(|value| {
        if value.is_zero() {
            Err(Wrong::new(
                "a price above 0",
                "leave out what was given away",
            ))
        } else {
            Ok(value)
        }
    })
}

fn on_scale<'a>(text: &str, names: impl Iterator<Item = &'a str> + Clone) -> Result<String, Wrong> {
    if text.is_empty() {
        return Ok(String::new());
    }
    let found = of_scale(names.clone(), text).map(|(_, name)| name.to_string());
    found.ok_or_else(|| {
        let all: Vec<&str> = names.collect();
        Wrong::new(
            format!("one of {} or nothing", all.join(", ")),
            "the settings hold the scale",
        )
    })
}

/// Reads a grade: a name of the scale (spelled as there), or nothing.
///
/// # Errors
/// A name that is not on the scale.
pub fn grade(text: &str, settings: &Settings) -> Result<String, Wrong> {
    on_scale(text, settings.grade_names())
}

/// Reads a completeness level: a name of the scale (spelled as there), or nothing.
///
/// # Errors
/// A name that is not on the scale.
pub fn completeness(text: &str, settings: &Settings) -> Result<String, Wrong> {
    on_scale(text, settings.completeness_names())
}

/// Reads a list cell.
///
/// # Errors
/// An entry with a bad count or without a name.
pub fn items(text: &str) -> Result<Items, Wrong> {
    Items::parse(text).map_err(|entry| {
        Wrong::new(
            format!(
                "names apart by ; with counts from 1 to {}",
                crate::trade::items::MOST
            ),
            format!(
                "mend {}, such as \"battery x2\"",
                quoted(&shorten(&entry, SHOWN))
            ),
        )
    })
}

pub(crate) fn works(text: &str) -> Result<bool, Wrong> {
    match text {
        "" => Ok(true),
        _ if text.eq_ignore_ascii_case("yes") => Ok(true),
        _ if text.eq_ignore_ascii_case("no") => Ok(false),
        _ => Err(Wrong::new("yes or no", "no means for parts only")),
    }
}

/// Reads a currency: the code of another than the book's, or nothing for the book's own.
fn other_currency(text: &str, settings: &Settings) -> Result<Option<Currency>, Wrong> {
    let ours = &settings.currency.code;
    if text.is_empty() || text.eq_ignore_ascii_case(ours) {
        return Ok(None);
    }
    Currency::of_code(text).map(Some).ok_or_else(|| {
        Wrong::new(
            format!("{ours}, the code of another currency, or nothing"),
            "write three letters, such as EUR",
        )
    })
}

/// The rate of a row: needed where it was paid in `other` currency, and refused where not.
fn rate(
    cells: [&str; 3],
    other: Option<&Currency>,
    settings: &Settings,
    report: &mut dyn FnMut(usize, Wrong),
) -> Option<Option<Rate>> {
    let ours = &settings.currency.code;
    let first = COLUMNS.len();
    match other {
        None => match cells.iter().position(|cell| !cell.is_empty()) {
            None => Some(None),
            Some(at) => {
                let expected = format!("nothing, since the amounts are in {ours}");
                let mend =
                    "take it out, or put the code of the other currency into the column currency";
                report(first + at, Wrong::new(expected, mend));
                None
            }
        },
        Some(other) if cells.iter().all(|cell| cell.is_empty()) => {
            let expected = format!("{ours}, or the rate by which {} was converted", other.code);
            let mend = format!(
                "fill {}, as `compband import` does by rates.csv, or bring the amounts over to {ours}",
                RATE_COLUMNS.join(", ")
            );
            report(CURRENCY, Wrong::new(expected, mend));
            None
        }
        Some(_) => {
            let rate = Rate::parse(cells, &mut |at, wrong| report(first + at, wrong));
            rate.map(Some)
        }
    }
}

/// Place of the day of the sale in [`COLUMNS`].
pub const SOLD_ON: usize = 1;
/// Place of the price.
const PRICE: usize = 10;
/// Place of the currency.
pub const CURRENCY: usize = 12;

pub(crate) fn how_sold(text: &str) -> Result<Option<HowSold>, Wrong> {
    if text.is_empty() {
        return Ok(None);
    }
    HowSold::parse(text)
        .map(Some)
        .ok_or_else(|| Wrong::new("auction, fixed, offer or nothing", ""))
}

fn lot_size(text: &str) -> Result<u32, Wrong> {
    let size = if text.is_empty() {
        Some(1)
    } else {
        text.parse().ok()
    };
    size.filter(|n| (1..=1_000_000).contains(n))
        .ok_or_else(|| Wrong::new("a whole number from 1 to 1000000", "1 is a single unit"))
}

/// Checks one cell of the column, as [`parse_cells`] does.
///
/// # Errors
/// Where it cannot be taken.
pub fn check(column: &str, text: &str, settings: &Settings) -> Result<(), Wrong> {
    let text = text.trim();
    match column {
        "comp_id" => named(text, "an identifier", "").map(drop),
        "sold_on" => day_if_any(text).map(drop),
        "model" => named(text, "a model", "").map(drop),
        "completeness" => completeness(text, settings).map(drop),
        "grade" => grade(text, settings).map(drop),
        "missing" | "extras" | "defects" => items(text).map(drop),
        "works" => works(text).map(drop),
        "price" => price(text).map(drop),
        "shipping" if text.is_empty() => Ok(()),
        "shipping" => amount(text).map(drop),
        "currency" => other_currency(text, settings).map(drop),
        "how_sold" => how_sold(text).map(drop),
        "lot_size" => lot_size(text).map(drop),
        _ => Ok(()),
    }
}

/// Makes a comp of the cells in the order of [`PARSED`], without attributes; every cell that is wrong goes to
/// `report` with its position.
pub fn parse_cells(
    cells: &[&str; PARSED.len()],
    settings: &Settings,
    report: &mut dyn FnMut(usize, Wrong),
) -> Option<Comp> {
    fn keep<T>(
        at: usize,
        parsed: Result<T, Wrong>,
        report: &mut dyn FnMut(usize, Wrong),
    ) -> Option<T> {
        parsed.map_err(|wrong| report(at, wrong)).ok()
    }
    let cells = cells.map(str::trim);
    let id_lost =
        "put the one it had back; new sales are added with `compband import` or `compband log`";
    let comp_id = keep(0, named(cells[0], "an identifier", id_lost), report);
    let sold_on = keep(1, day_if_any(cells[1]), report);
    let model = keep(
        2,
        named(cells[2], "a model", "write which model was sold"),
        report,
    );
    let completeness = keep(4, completeness(cells[4], settings), report);
    let grade = keep(5, grade(cells[5], settings), report);
    let missing = keep(6, items(cells[6]), report);
    let extras = keep(7, items(cells[7]), report);
    let defects = keep(8, items(cells[8]), report);
    let works = keep(9, works(cells[9]), report);
    let price = keep(10, price(cells[10]), report);
    let shipping = keep(
        11,
        if cells[11].is_empty() {
            Ok(Decimal::ZERO)
        } else {
            amount(cells[11])
        },
        report,
    );
    let other = keep(CURRENCY, other_currency(cells[CURRENCY], settings), report);
    let rate_cells = [cells[17], cells[18], cells[19]];
    let rate = other
        .as_ref()
        .and_then(|other| rate(rate_cells, other.as_ref(), settings, report));
    let how_sold = keep(13, how_sold(cells[13]), report);
    let lot_size = keep(15, lot_size(cells[15]), report);
    let comp = Comp {
        comp_id: comp_id?,
        sold_on: sold_on?,
        model: model?,
        variant: cells[3].to_string(),
        completeness: completeness?,
        grade: grade?,
        missing: missing?,
        extras: extras?,
        defects: defects?,
        attributes: Attributes::NONE,
        works: works?,
        price: price?,
        shipping: shipping?,
        currency: settings.currency.code.clone(),
        foreign: None,
        how_sold: how_sold?,
        venue: cells[14].to_string(),
        lot_size: lot_size?,
        note: cells[16].to_string(),
    };
    let (Some(other), Some(rate)) = (other?, rate?) else {
        return Some(comp);
    };
    let converted = in_force(comp, other, rate, &settings.currency);
    keep(PRICE, converted, report)
}

/// The comp whose amounts were paid in another currency.
fn in_force(mut comp: Comp, paid: Currency, rate: Rate, ours: &Currency) -> Result<Comp, Wrong> {
    let foreign = Foreign {
        currency: paid.code,
        price: comp.price,
        shipping: comp.shipping,
        rate,
    };
    comp.set_foreign(foreign, ours).map(|()| comp)
}

/// Which canonical file is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    /// An import: the columns of [`COLUMNS`], all rows of this entry.
    Import(u64),
    /// `logged.csv`: the columns of [`LOGGED_COLUMNS`].
    Logged,
}

/// The columns behind the first ones in a header that begins with `columns`, in order; `None` for
/// any other header.
pub(crate) fn optional_of_header(
    record: &ByteRecord,
    columns: &[&str],
) -> Option<Vec<OptionalColumn>> {
    let cell = |(at, cell): (usize, &[u8])| -> Vec<u8> {
        let mark = if at == 0 {
            b"\xef\xbb\xbf".as_slice()
        } else {
            b""
        };
        cell.strip_prefix(mark)
            .unwrap_or(cell)
            .trim_ascii()
            .to_vec()
    };
    let mut cells = record.iter().enumerate().map(cell);
    let begins = cells
        .by_ref()
        .take(columns.len())
        .eq(columns.iter().map(|column| column.as_bytes()));
    if !begins {
        return None;
    }
    let mut optional: Vec<OptionalColumn> = Vec::new();
    for cell in cells {
        let column = OptionalColumn::of_header(std::str::from_utf8(&cell).ok()?)?;
        if optional.contains(&column) {
            return None;
        }
        optional.push(column);
    }
    Some(optional)
}

/// The header of a canonical file: `columns`, then those behind them.
pub(crate) fn header(columns: &[&str], optional: &[OptionalColumn]) -> Vec<String> {
    let optional = optional.iter().map(|column| column.name().into_owned());
    let columns = columns.iter().map(|column| (*column).to_string());
    columns.chain(optional).collect()
}

/// Reads the cell of an attribute: a number, or nothing.
fn attribute(text: &str) -> Result<Option<Decimal>, Wrong> {
    if text.is_empty() {
        return Ok(None);
    }
    plain_number(text).map(Some).ok_or_else(|| {
        Wrong::new(
            format!("a number up to {MOST_MONEY} with at most {MINOR_SCALE} decimals, or nothing"),
            "write digits and a decimal point only, such as 87.5",
        )
    })
}

impl Layout {
    pub(crate) fn columns(self) -> &'static [&'static str] {
        match self {
            Self::Import(_) => &COLUMNS,
            Self::Logged => &LOGGED_COLUMNS,
        }
    }
}

/// One good row of a canonical file.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Entry number of the import or log it came with.
    pub entry: u64,
    /// Line on which it begins, the header being line 1.
    pub line: u64,
    /// The comp.
    pub comp: Comp,
}

/// Reads a canonical file, row by row; `name` is what problems call it.
///
/// Good rows go to `each`, and what is wrong with the others is handed back. Blank rows are
/// passed over.
///
/// # Errors
/// Only where reading itself fails.
pub fn read<R: Read>(
    input: R,
    name: &str,
    layout: Layout,
    settings: &Settings,
    each: &mut dyn FnMut(Row),
) -> io::Result<Vec<Problem>> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .buffer_capacity(1 << 16)
        .from_reader(input);
    let mut rows = Rows {
        name,
        layout,
        settings,
        optional: Vec::new(),
        problems: Vec::new(),
    };
    let mut record = ByteRecord::new();
    if !reader.read_byte_record(&mut record).map_err(io_error)? || !rows.header(&record) {
        return Ok(rows.problems);
    }
    while reader.read_byte_record(&mut record).map_err(io_error)? {
        if let Some(row) = rows.row(&record) {
            each(row);
        }
    }
    Ok(rows.problems)
}

struct Rows<'a> {
    name: &'a str,
    layout: Layout,
    settings: &'a Settings,
    /// The columns behind those of the layout.
    optional: Vec<OptionalColumn>,
    problems: Vec<Problem>,
}

impl Rows<'_> {
    fn problem(&mut self, row: u64, column: &str, value: &str, wrong: Wrong) {
        self.problems.push(Problem {
            file: self.name.to_string(),
            row,
            column: column.to_string(),
            value: shorten(value, SHOWN),
            expected: wrong.expected,
            mend: wrong.mend,
        });
    }

    fn header(&mut self, record: &ByteRecord) -> bool {
        let columns = self.layout.columns();
        if let Some(optional) = optional_of_header(record, columns) {
            self.optional = optional;
            return true;
        }
        let found = record
            .iter()
            .map(String::from_utf8_lossy)
            .collect::<Vec<_>>()
            .join(",");
        let wrong = Wrong::new(
            format!(
                "the header {:?} and behind it none but {} and columns {COLUMN_PREFIX}NAME, each once",
                columns.join(","),
                RATE_COLUMNS.join(",")
            ),
            "save it as comma-separated UTF-8 with its columns in this order, or take it out of comps/ and import \
             it again",
        );
        self.problem(1, "", &found, wrong);
        false
    }

    fn row(&mut self, record: &ByteRecord) -> Option<Row> {
        let line = record.position().map_or(0, csv::Position::line);
        let columns = self.layout.columns();
        if record.iter().all(|cell| cell.trim_ascii().is_empty()) {
            return None;
        }
        let width = columns.len() + self.optional.len();
        if record.len() != width {
            let wrong = Wrong::new(
                format!("{width} cells"),
                "put text that holds a comma or a line break in double quotes",
            );
            self.problem(line, "", &format!("{} cells", record.len()), wrong);
            return None;
        }
        let mut texts = [""; LOGGED_COLUMNS.len()];
        let mut readable = true;
        for (at, cell) in record.iter().enumerate().take(columns.len()) {
            match std::str::from_utf8(cell) {
                Ok(text) => texts[at] = text,
                Err(error) => {
                    self.not_utf8(line, columns[at], cell, error);
                    readable = false;
                }
            }
        }
        let (attributes, rate) = self.optional(line, record);
        if !readable {
            return None;
        }
        let (entry, first) = match self.layout {
            Layout::Import(entry) => (Some(entry), 0),
            Layout::Logged => (self.entry(line, texts[0]), 1),
        };
        let mut cells = [""; PARSED.len()];
        cells[..COLUMNS.len()].copy_from_slice(&texts[first..first + COLUMNS.len()]);
        cells[COLUMNS.len()..].copy_from_slice(&rate?);
        let settings = self.settings;
        let comp = parse_cells(&cells, settings, &mut |at, wrong| {
            self.problem(line, PARSED[at], cells[at], wrong)
        });
        let (entry, comp, attributes) = (entry?, comp?, attributes?);
        Some(Row {
            entry,
            line,
            comp: Comp { attributes, ..comp },
        })
    }

    /// Attributes of a row that has all cells, and the cells of its rate; nothing in the place of
    /// what cannot be read.
    fn optional<'r>(
        &mut self,
        line: u64,
        record: &'r ByteRecord,
    ) -> (Option<Attributes>, Option<[&'r str; RATE_COLUMNS.len()]>) {
        let mut attributes = Some(Attributes::NONE);
        let mut rate = Some([""; RATE_COLUMNS.len()]);
        let columns = std::mem::take(&mut self.optional);
        let cells = record.iter().skip(self.layout.columns().len());
        for (column, cell) in columns.iter().zip(cells) {
            let text = std::str::from_utf8(cell).map(str::trim);
            let text = text.map_err(|error| self.not_utf8(line, &column.name(), cell, error));
            match (column, text) {
                (OptionalColumn::Rate(at), Ok(text)) => {
                    if let Some(place) = rate.as_mut().and_then(|rate| rate.get_mut(*at)) {
                        *place = text;
                    }
                }
                (OptionalColumn::Rate(_), Err(())) => rate = None,
                (OptionalColumn::Attribute(name), Ok(text)) => match attribute(text) {
                    Ok(None) => {}
                    Ok(Some(value)) => {
                        if let Some(known) = &mut attributes {
                            known.set(name, value);
                        }
                    }
                    Err(wrong) => {
                        self.problem(line, &column.name(), text, wrong);
                        attributes = None;
                    }
                },
                (OptionalColumn::Attribute(_), Err(())) => attributes = None,
            }
        }
        self.optional = columns;
        (attributes, rate)
    }

    fn entry(&mut self, line: u64, text: &str) -> Option<u64> {
        let entry = text
            .trim()
            .parse()
            .ok()
            .filter(|n| (1..=u64::from(u32::MAX)).contains(n));
        if entry.is_none() {
            self.problem(
                line,
                "entry",
                text,
                Wrong::new("the number of the entry", "put back the number it had"),
            );
        }
        entry
    }

    fn not_utf8(&mut self, line: u64, column: &str, cell: &[u8], error: Utf8Error) {
        let wrong = Wrong::new(
            "UTF-8 text",
            format!(
                "save the file as UTF-8 (byte {} of the cell)",
                error.valid_up_to() + 1
            ),
        );
        self.problem(line, column, &String::from_utf8_lossy(cell), wrong);
    }
}

/// Problems for what stands twice where it may stand once: `seen` maps it to its first line.
pub(crate) fn repeated(file: &str, row: u64, column: &str, value: &str, first: u64) -> Problem {
    Problem {
        file: file.to_string(),
        row,
        column: column.to_string(),
        value: shorten(value, SHOWN),
        expected: format!("one row with it; row {first} has it too"),
        mend: "take one of the two out".into(),
    }
}

/// Problems for entry numbers that stand twice in `logged.csv`.
pub(crate) fn repeated_entries(file: &str, rows: &[Row]) -> Vec<Problem> {
    let mut first = HashMap::new();
    rows.iter()
        .filter_map(|row| {
            let before = *first.entry(row.entry).or_insert(row.line);
            (before != row.line)
                .then(|| repeated(file, row.line, "entry", &row.entry.to_string(), before))
        })
        .collect()
}

/// The I/O error within: the library's own conversion hides its kind.
pub(crate) fn io_error(error: csv::Error) -> io::Error {
    match error.into_kind() {
        csv::ErrorKind::Io(error) => error,
        other => io::Error::other(format!("{other:?}")),
    }
}

/// Ends a row whose entry number, if any, is written: the cells of [`COLUMNS`], which are in `row`,
/// and those of the columns behind them.
pub(crate) fn write_row<W: Write>(
    output: &mut csv::Writer<W>,
    row: &RowText,
    comp: &Comp,
    optional: &[OptionalColumn],
) -> csv::Result<()> {
    if optional.is_empty() {
        return output.write_record(row.cells());
    }
    for cell in row.cells() {
        output.write_field(cell)?;
    }
    for column in optional {
        output.write_field(column.cell(comp))?;
    }
    output.write_record(None::<&[u8]>)
}

/// The columns behind the fixed ones that these comps need, in order.
pub fn optional_columns<'a>(comps: impl IntoIterator<Item = &'a Comp>) -> Vec<OptionalColumn> {
    let mut needed = BTreeSet::new();
    for comp in comps {
        needed.extend(optional_for(comp.foreign.is_some(), &comp.attributes));
    }
    needed.into_iter().collect()
}

/// The columns behind the fixed ones that a row needs with a rate or none, and these attributes.
pub fn optional_for(rate: bool, attributes: &Attributes) -> impl Iterator<Item = OptionalColumn> {
    let rate = rate.then_some(OptionalColumn::RATE).into_iter().flatten();
    let attributes = attributes.iter().map(|(name, _)| name.to_string());
    rate.chain(attributes.map(OptionalColumn::Attribute))
}

/// Writes canonical files: comma, `\n`, quotes only where needed.
pub struct Writer<W: Write> {
    output: csv::Writer<W>,
    row: RowText,
    optional: Vec<OptionalColumn>,
    neutral: bool,
}

impl<W: Write> Writer<W> {
    /// Begins a file with its header line: `columns`, then those behind them.
    ///
    /// # Errors
    /// Where writing fails.
    pub fn with_header(
        output: W,
        columns: &[&str],
        optional: Vec<OptionalColumn>,
    ) -> io::Result<Self> {
        let mut writer = Self::without_header(output, optional);
        let header = header(columns, &writer.optional);
        writer.output.write_record(header).map_err(io_error)?;
        Ok(writer)
    }

    /// Writes rows only.
    pub fn without_header(output: W, optional: Vec<OptionalColumn>) -> Self {
        Self {
            output: csv::Writer::from_writer(output),
            row: RowText::default(),
            optional,
            neutral: false,
        }
    }

    /// The same rows for other programs: no text acts as a formula in a spreadsheet.
    #[must_use]
    pub fn neutral(mut self) -> Self {
        self.neutral = true;
        self
    }

    /// Writes the row of a comp in the columns of [`COLUMNS`] and those behind them.
    ///
    /// # Errors
    /// Where writing fails.
    pub fn comp(&mut self, comp: &Comp) -> io::Result<()> {
        self.row.fill(comp);
        if self.neutral {
            let optional = self.optional.iter().map(|column| column.cell(comp));
            let cells = self.row.cells().map(str::to_string).chain(optional);
            let cells = cells.map(|cell| neutral(&cell).into_owned());
            return self.output.write_record(cells).map_err(io_error);
        }
        write_row(&mut self.output, &self.row, comp, &self.optional).map_err(io_error)
    }

    /// Writes the row of a comp in the columns of [`LOGGED_COLUMNS`] and those behind them.
    ///
    /// # Errors
    /// Where writing fails.
    pub fn logged(&mut self, entry: u64, comp: &Comp) -> io::Result<()> {
        self.output
            .write_field(entry.to_string())
            .map_err(io_error)?;
        self.comp(comp)
    }

    /// Hands back the output with everything written to it.
    ///
    /// # Errors
    /// Where writing fails.
    pub fn finish(self) -> io::Result<W> {
        self.output
            .into_inner()
            .map_err(csv::IntoInnerError::into_error)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::NaiveDate;

    fn comp() -> Comp {
        Comp {
            comp_id: "abc".into(),
            sold_on: NaiveDate::from_ymd_opt(2026, 2, 28),
            model: "Nerrow F4".into(),
            variant: "grey, \"mk 2\"".into(),
            completeness: "usable".into(),
            grade: "B".into(),
            missing: Items::parse("battery x2; strap").unwrap(),
            extras: Items::default(),
            defects: Items::parse("dented corner").unwrap(),
            attributes: Attributes::NONE,
            works: true,
            price: "129.5".parse().unwrap(),
            shipping: "0.0001".parse().unwrap(),
            currency: "EUR".into(),
            foreign: None,
            how_sold: Some(HowSold::Offer),
            venue: "flea market".into(),
            lot_size: 1,
            note: "two\nlines".into(),
        }
    }

    fn read_text(text: &[u8]) -> (Vec<Row>, Vec<String>) {
        let mut rows = Vec::new();
        let settings = Settings::default();
        let problems = read(
            text,
            "comps/000001-a.csv",
            Layout::Import(1),
            &settings,
            &mut |row| rows.push(row),
        )
        .unwrap();
        (rows, problems.iter().map(Problem::to_string).collect())
    }

    fn written(comp: &Comp) -> Vec<u8> {
        let optional = optional_columns([comp]);
        let mut writer = Writer::with_header(Vec::new(), &COLUMNS, optional).unwrap();
        writer.comp(comp).unwrap();
        writer.finish().unwrap()
    }

    #[test]
    fn what_is_written_reads_back() {
        let (rows, problems) = read_text(&written(&comp()));
        assert_eq!(problems, Vec::<String>::new());
        assert_eq!(
            rows,
            [Row {
                entry: 1,
                line: 2,
                comp: comp()
            }]
        );
    }

    #[test]
    fn a_day_that_was_not_recorded_stays_so() {
        let undated = Comp {
            sold_on: None,
            ..comp()
        };
        let (rows, problems) = read_text(&written(&undated));
        assert_eq!(problems, Vec::<String>::new());
        assert_eq!(rows[0].comp, undated);
        assert_ne!(undated.derive_id(0), comp().derive_id(0));
    }

    #[test]
    fn attributes_are_columns_behind_the_others() {
        let with = Comp {
            attributes: Attributes::parse("storage=256; battery health=87.5").unwrap(),
            ..comp()
        };
        let bytes = written(&with);
        let text = String::from_utf8(bytes.clone()).unwrap();
        assert!(
            text.contains(",note,attr.battery health,attr.storage\n")
                && text.ends_with(",87.5,256\n"),
            "{text}"
        );
        let (rows, problems) = read_text(&bytes);
        assert_eq!((rows[0].comp.clone(), problems), (with, vec![]));
        // As an owner may have left it.
        let edited = text
            .replace("attr.battery health", "Attr.Battery_Health ")
            .replace(",87.5,256\n", ", ,-1\n");
        let (rows, _) = read_text(edited.as_bytes());
        assert_eq!(rows[0].comp.attributes.to_string(), "storage=-1");
        for wrong in ["87.5,256 GB", "87.5,1e3", "\u{663},256"] {
            let (rows, problems) = read_text(text.replace("87.5,256", wrong).as_bytes());
            assert!(rows.is_empty() && problems.len() == 1, "{problems:?}");
            assert!(problems[0].contains("column attr."), "{problems:?}");
        }
        for header in [
            "attr.storage,attr.storage",
            "attr.battery health,storage",
            "attr.,attr.storage",
        ] {
            let text = text.replace("attr.battery health,attr.storage", header);
            let (rows, problems) = read_text(text.as_bytes());
            assert!(
                rows.is_empty() && problems[0].contains("columns attr.NAME"),
                "{problems:?}"
            );
        }
        let (_, problems) = read_text(text.replace(",87.5,256\n", ",87.5\n").as_bytes());
        assert!(problems[0].contains("expected 19 cells"), "{problems:?}");
    }

    #[test]
    fn a_spreadsheets_line_ends_mark_and_blank_rows_are_taken() {
        let text = String::from_utf8(written(&comp()))
            .unwrap()
            .replace("two\nlines", "one line")
            .replace('\n', "\r\n");
        let (rows, problems) = read_text(format!("\u{feff}{text},,,,,,,,,,,,,,,,\r\n").as_bytes());
        assert!(problems.is_empty(), "{problems:?}");
        assert_eq!(rows[0].comp.note, "one line");
        assert_eq!(rows.len(), 1);
    }

    #[test]
    fn every_wrong_cell_is_named() {
        let header = COLUMNS.join(",");
        let text = format!(
            "{header}\nx1,31.03.2026,,,most,E,battery x0,,,maybe,1e3,-1,USD,raffle,,0,\nx2,2026-01-01,Nerrow F4,,,,,,,,0,,,,,,\n\
             x3,2026-01-01\n"
        );
        let (rows, problems) = read_text(text.as_bytes());
        assert!(rows.is_empty());
        let named = [
            "sold_on",
            "model",
            "completeness",
            "grade",
            "missing",
            "works",
            "price",
            "shipping",
            "currency",
            "how_sold",
            "lot_size",
        ];
        for (problem, column) in problems.iter().zip(named) {
            assert!(
                problem.starts_with(&format!("comps/000001-a.csv, row 2, column {column}: ")),
                "{problem}"
            );
        }
        assert!(
            problems[11].contains("row 3, column price: found \"0\": expected a price above 0"),
            "{}",
            problems[11]
        );
        assert!(
            problems[12].contains("row 4: found \"2 cells\": expected 17 cells"),
            "{}",
            problems[12]
        );
        assert_eq!(problems.len(), 13);
    }

    #[test]
    fn other_headers_and_encodings_are_refused() {
        let (_, problems) = read_text(b"comp_id;sold_on\n1;2\n");
        assert!(
            problems[0].contains("row 1") && problems[0].contains("expected the header"),
            "{problems:?}"
        );
        let mut text = written(&comp());
        let at = text.windows(4).position(|w| w == b"flea").unwrap();
        text[at] = 0xfc;
        let (_, problems) = read_text(&text);
        assert!(
            problems[0].contains("column venue") && problems[0].contains("UTF-8"),
            "{problems:?}"
        );
    }
}
