//! Tables of listings: one row for each unit on offer, with the columns of [`COLUMNS`] or the usual other names of them.

use std::path::Path;

use super::column::{ALIASES, Column as OfComps, WEAK, fold};
use super::{HEADER_WITHIN, bytes_of, workbook};
use crate::book::BookError;
use crate::book::csv::formula::original;
use crate::sheets::records::{Cells, Records};
use crate::sheets::text;
use crate::trade::Problem;
use crate::trade::attributes::{column_name, of_column};
use crate::trade::cells::Wrong;
use crate::trade::text::{did_you_mean, excerpt, listed, nearest, shorten};

/// How a row does as a header (whether it has all that is needed, known columns, cells), its line, its names and
/// its columns.
type Candidate = ((bool, usize, usize), u64, Vec<String>, Vec<Column>);

/// Columns of a table of listings, in addition to those of numeric attributes (`attr.storage`).
const COLUMNS: &str = "listing, model, asked, variant, completeness, grade, missing, extras, defects, works, how_sold, \
     repairs, salvage, minutes, inbound, premium, premium_fixed, tax, weeks, outlet, weight, shipping, note, link";

/// Other names of columns that sheets of sales do not have, folded.
const OTHER_NAMES: [(&str, &str); 4] = [
    (
        "listing",
        "title, name, ad, advert, offer, heading, id, ref, number, titel, titre, título, titolo",
    ),
    (
        "asked",
        "asking, askingprice, ask, priceasked, listprice, price",
    ),
    (
        "link",
        "url, web, webpage, page, href, listingurl, listinglink",
    ),
    ("repairs", "repair, repaircost"),
];

/// Columns of sales whose names mean something else of a listing: the price is what is asked, and shipping is what it
/// costs to get the unit here.
const MEANT: [(OfComps, &str); 2] = [(OfComps::Price, "asked"), (OfComps::Shipping, "inbound")];

/// Required columns.
const NEEDED: [&str; 2] = ["model", "asked"];

/// Meaning of a column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Column {
    /// One of [`COLUMNS`].
    Known(&'static str),
    /// A numeric attribute.
    Attribute(String),
    /// It is not used.
    Unused,
}

/// The user's choice for one of the table's columns.
pub type Wish = (String, Column);

/// Reads `their=ours`; `their=` and `their=-` ignore a column.
///
/// # Errors
/// A sentence with the error.
pub fn parse_wish(text: &str) -> Result<Wish, String> {
    let (theirs, ours) = text.rsplit_once('=').ok_or_else(|| {
        format!("{text:?} is not a mapping: write their=ours, such as Price=asked")
    })?;
    let (theirs, ours) = (theirs.trim(), ours.trim());
    if theirs.is_empty() {
        return Err(format!(
            "no column of the table is named before \"={ours}\""
        ));
    }
    let column = if ours.is_empty() || ours == "-" {
        Some(Column::Unused)
    } else {
        named(ours)
    };
    let column = column.ok_or_else(|| {
        let near = did_you_mean(&ours.to_lowercase(), listed(COLUMNS));
        format!(
            "{ours:?} is not a column of listings{near}; these are: {}, and attr.NAME for a number of the unit",
            COLUMNS
        )
    })?;
    Ok((theirs.to_string(), column))
}

/// The column of this very name, ignoring case and punctuation.
fn named(name: &str) -> Option<Column> {
    let folded = fold(name);
    let known = listed(COLUMNS).find(|column| fold(column) == folded);
    known
        .map(Column::Known)
        .or_else(|| of_column(name).map(Column::Attribute))
}

/// The column that another name most likely means.
fn by_other_name(name: &str) -> Option<Column> {
    let folded = fold(name);
    let is = |names: &str| listed(names).any(|name| name == folded);
    let own = OTHER_NAMES.iter().find(|(_, names)| is(names));
    if let Some((column, _)) = own {
        return Some(Column::Known(column));
    }
    let mut all = OfComps::ALL.into_iter();
    let column = all.find(|column| is(ALIASES[*column as usize]));
    let weak = || WEAK.iter().find(|(name, _)| *name == folded);
    let column = column.or_else(|| weak().map(|(_, column)| *column))?;
    let meant = MEANT.iter().find(|(of_comps, _)| *of_comps == column);
    let name = meant.map_or(column.name(), |(_, name)| name);
    named(name)
}

/// A table with its interpreted header.
#[derive(Debug)]
pub struct Table {
    file: String,
    text: String,
    delimiter: u8,
    /// Names of the columns, as they are in the table.
    names: Vec<String>,
    columns: Vec<Column>,
    /// The line of the header.
    header: u64,
    /// Messages for the user.
    pub notices: Vec<String>,
}

/// A row of a table.
#[derive(Debug, Clone, Copy)]
pub struct Row<'t> {
    table: &'t Table,
    cells: &'t Cells,
    /// Its line in the file.
    pub line: u64,
}

impl Table {
    /// Reads a file (`-` for a pipe), text or a spreadsheet, and interprets its header.
    ///
    /// # Errors
    /// A file that cannot be read, and all problems of its header.
    pub fn open(path: &Path, wishes: &[Wish]) -> Result<Self, BookError> {
        let (file, bytes) = bytes_of(path)?;
        Self::from_bytes(&file, bytes, wishes).map_err(BookError::Rows)
    }

    fn from_bytes(file: &str, bytes: Vec<u8>, wishes: &[Wish]) -> Result<Self, Vec<Problem>> {
        let candidates: Vec<(String, u8, Option<String>)> = if workbook::is_workbook(&bytes) {
            let sheets =
                workbook::sheets(&bytes).map_err(|wrong| vec![wrong.at(file, 0, "", "")])?;
            let sheet = |sheet: workbook::Sheet| (sheet.text, b',', Some(sheet.name));
            sheets.into_iter().map(sheet).collect()
        } else {
            let decoded =
                text::decode(bytes).map_err(|(row, fault)| vec![fault.at(file, row, "", "")])?;
            let under = |delimiter| (decoded.text.clone(), delimiter, None);
            [b',', b';', b'\t'].map(under).into()
        };
        let several = candidates
            .iter()
            .filter(|(_, _, sheet)| sheet.is_some())
            .count()
            > 1;
        let mut tables = candidates.into_iter().map(|(text, delimiter, sheet)| {
            let mut table = Self {
                file: file.to_string(),
                text,
                delimiter,
                names: Vec::new(),
                columns: Vec::new(),
                header: 0,
                notices: Vec::new(),
            };
            table.find_header(wishes);
            let sheet = sheet.filter(|_| several);
            table
                .notices
                .extend(sheet.map(|sheet| format!("the sheet {sheet:?} was read")));
            table
        });
        // The first of equal ones.
        let first = tables.next();
        let best = tables.fold(first, |best, table| {
            best.filter(|best| best.rank() >= table.rank())
                .or(Some(table))
        });
        let Some(mut table) = best else {
            let wrong = Wrong::new("a sheet, but it has none", "");
            return Err(vec![wrong.at(file, 0, "", "")]);
        };
        let problems = table.faults(wishes);
        if !problems.is_empty() {
            return Err(problems);
        }
        table.note_columns();
        Ok(table)
    }

    /// Whether it has the columns that are needed, and how many are known.
    fn rank(&self) -> (bool, usize, usize) {
        let known = self
            .columns
            .iter()
            .filter(|column| **column != Column::Unused);
        (self.is_whole(), known.count(), self.columns.len())
    }

    fn is_whole(&self) -> bool {
        NEEDED.iter().all(|needed| self.at(needed).is_some())
    }

    /// Takes the first of the first records that has the columns that are needed, or else the one with most known
    /// columns.
    fn find_header(&mut self, wishes: &[Wish]) {
        let text = std::mem::take(&mut self.text);
        let mut cells = Cells::new(self.delimiter);
        let mut best: Option<Candidate> = None;
        let mut seen = 0;
        for raw in Records::new(&text, self.delimiter) {
            // A header is short; a cell of megabytes is data or an unclosed quote.
            if seen == HEADER_WITHIN || raw.text.len() > 100_000 {
                break;
            }
            cells.read(raw.text);
            if cells.all_blank() {
                continue;
            }
            seen += 1;
            self.names = cells.iter().map(|name| name.trim().to_string()).collect();
            self.columns = columns(&self.names, wishes);
            let rank = self.rank();
            if best.as_ref().is_none_or(|(known, ..)| rank > *known) {
                let (names, columns) = (self.names.clone(), self.columns.clone());
                best = Some((rank, raw.line, names, columns));
            }
            if rank.0 {
                break;
            }
        }
        self.text = text;
        (self.names, self.columns) = Default::default();
        if let Some((_, line, names, columns)) = best {
            (self.header, self.names, self.columns) = (line, names, columns);
        }
    }

    /// The problems of the header.
    fn faults(&self, wishes: &[Wish]) -> Vec<Problem> {
        if self.names.is_empty() {
            let expected = "a header row, then a row for each listing";
            return vec![self.problem(1, "", "an empty file", expected, "give another file")];
        }
        let mut problems = Vec::new();
        let mut unknown = self.unused();
        for needed in NEEDED {
            if self.at(needed).is_none() {
                let near = nearest(needed, unknown.iter().copied()).unwrap_or("THEIR NAME");
                let expected = format!("a header with a column {needed}");
                let fix = format!(
                    "row {} looks most like a header: say which column it is with --map \"{near}={needed}\"",
                    self.header
                );
                let shown = shorten(&self.names.join(", "), 60);
                problems.push(self.problem(self.header, "", &shown, &expected, &fix));
                unknown.retain(|name| *name != near);
            }
        }
        for (theirs, _) in wishes {
            if self.names.iter().all(|name| fold(name) != fold(theirs)) {
                let near = did_you_mean(theirs, self.names.iter().map(String::as_str));
                let shown = excerpt(theirs, 60);
                let expected = format!("a column {shown}, which --map names{near}");
                let fix = "give --map a name as it stands in the header";
                problems.push(self.problem(self.header, "", "", &expected, fix));
            }
        }
        for (at, column) in self.columns.iter().enumerate() {
            if *column != Column::Unused && self.columns[..at].contains(column) {
                let name = match column {
                    Column::Attribute(name) => column_name(name),
                    Column::Known(name) => (*name).to_string(),
                    Column::Unused => continue,
                };
                let expected = format!("one column for {name}");
                let fix = format!(
                    "leave one out: --map \"{}=-\"",
                    shorten(&self.names[at], 60)
                );
                problems.push(self.problem(self.header, &self.names[at], "", &expected, &fix));
            }
        }
        problems
    }

    /// Names of the columns that are not used.
    fn unused(&self) -> Vec<&str> {
        let all = self.names.iter().zip(&self.columns);
        let unused = all.filter(|(name, column)| **column == Column::Unused && !name.is_empty());
        unused.map(|(name, _)| name.as_str()).collect()
    }

    /// Notices how the columns were understood.
    fn note_columns(&mut self) {
        let all = self.names.iter().zip(&self.columns);
        let renamed: Vec<String> = all
            .filter_map(|(name, column)| match column {
                Column::Known(known) if fold(known) != fold(name) => {
                    Some(format!("{} = {known}", shorten(name, 40)))
                }
                _ => None,
            })
            .collect();
        let unused = self.unused().into_iter().map(|name| excerpt(name, 40));
        let unused: Vec<String> = unused.collect();
        if !renamed.is_empty() {
            self.notices
                .push(format!("columns: {}", renamed.join(", ")));
        }
        if let Some(first) = unused.first() {
            self.notices.push(format!(
                "columns not used: {} (--map {}=…\" takes one in)",
                unused.join(", "),
                first.trim_end_matches('"')
            ));
        }
    }

    /// Passes each row that is not blank to `each`. Problems include a row with invalid quotes, and
    /// a table without rows.
    ///
    /// # Errors
    /// The errors of `each`.
    pub fn rows<E>(
        &self,
        problems: &mut Vec<Problem>,
        mut each: impl FnMut(Row<'_>, &mut Vec<Problem>) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut cells = Cells::new(self.delimiter);
        let mut any = false;
        let records = Records::new(&self.text, self.delimiter);
        for raw in records.filter(|raw| raw.line > self.header) {
            cells.read(raw.text);
            if cells.all_blank() {
                continue;
            }
            any = true;
            if raw.flaw.is_some() {
                problems.push(self.problem(
                    raw.line,
                    "",
                    raw.text,
                    "quotes that open and close around a cell",
                    "fix the quotes",
                ));
                continue;
            }
            let row = Row {
                table: self,
                cells: &cells,
                line: raw.line,
            };
            each(row, problems)?;
        }
        if !any {
            let expected = "at least one listing below the header";
            problems.push(self.problem(0, "", "", expected, ""));
        }
        Ok(())
    }

    fn at(&self, column: &str) -> Option<usize> {
        let is = |c: &Column| matches!(c, Column::Known(name) if *name == column);
        self.columns.iter().position(is)
    }

    fn problem(&self, row: u64, column: &str, value: &str, expected: &str, fix: &str) -> Problem {
        Wrong::new(expected, fix).at(&self.file, row, column, value)
    }
}

impl<'t> Row<'t> {
    /// The cell of a column, trimmed; empty if there is no such column.
    pub fn text(&self, column: &str) -> &'t str {
        let at = self.table.at(column);
        at.map_or("", |at| original(self.cells.get(at).trim()))
    }

    /// The cells of numeric attributes that are not blank, each with its attribute.
    pub fn attributes(&self) -> impl Iterator<Item = (&'t str, &'t str)> {
        let cells = self.cells;
        let columns = self.table.columns.iter().enumerate();
        columns.filter_map(move |(at, column)| match column {
            Column::Attribute(name) => Some((name.as_str(), original(cells.get(at).trim())))
                .filter(|(_, text)| !text.is_empty()),
            Column::Known(_) | Column::Unused => None,
        })
    }

    /// A problem in a cell of this row.
    pub fn problem(&self, column: &str, value: &str, expected: &str, fix: &str) -> Problem {
        self.table.problem(self.line, column, value, expected, fix)
    }
}

/// The meaning of each column: a wish goes before its very name, and that before another name. Of two columns that could
/// be one by another name the first is taken.
fn columns(names: &[String], wishes: &[Wish]) -> Vec<Column> {
    let wished = |name: &String| {
        let same = |(theirs, _): &&Wish| theirs == name || fold(theirs) == fold(name);
        wishes.iter().find(same).map(|(_, column)| column.clone())
    };
    let sure: Vec<Option<Column>> = names
        .iter()
        .map(|name| wished(name).or_else(|| named(name)))
        .collect();
    let mut taken: Vec<Column> = sure.iter().flatten().cloned().collect();
    let mut columns = Vec::with_capacity(names.len());
    for (name, sure) in names.iter().zip(sure) {
        let column = sure.unwrap_or_else(|| {
            let guess = by_other_name(name).filter(|guess| !taken.contains(guess));
            taken.extend(guess.clone());
            guess.unwrap_or(Column::Unused)
        });
        columns.push(column);
    }
    columns
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(text: &str, maps: &[&str]) -> Result<Table, Vec<Problem>> {
        let wishes: Vec<Wish> = maps.iter().map(|map| parse_wish(map).unwrap()).collect();
        Table::from_bytes("l.csv", text.as_bytes().to_vec(), &wishes)
    }

    #[test]
    fn usual_names_and_unknown_columns() {
        let text = "Seen on Monday\n\nTitle;Item;Price;Postage;Condition;Town;URL;Comments\n\
                    \"a; b\";Nulva 61K;75;5;B;here;http://x.test/1;loud\n";
        let table = table(text, &[]).unwrap();
        assert_eq!((table.header, table.delimiter), (3, b';'));
        assert_eq!(
            table.notices,
            [
                "columns: Title = listing, Item = model, Price = asked, Postage = inbound, Condition = grade, URL = link, \
                 Comments = note",
                "columns not used: \"Town\" (--map \"Town=…\" takes one in)"
            ]
        );
        let mut rows = Vec::new();
        let each = |row: Row<'_>, _: &mut Vec<Problem>| {
            let texts = ["listing", "asked", "inbound", "link", "note", "weeks"];
            rows.push(texts.map(|column| row.text(column).to_string()));
            Ok::<(), ()>(())
        };
        table.rows(&mut Vec::new(), each).unwrap();
        assert_eq!(rows, [["a; b", "75", "5", "http://x.test/1", "loud", ""]]);
    }

    #[test]
    fn wishes_and_very_names_go_first() {
        let text = "model,price,asked,wanted,shipping,attr.storage,Town\nx,1,2,3,4,5,6\n";
        let columns = |maps: &[&str]| -> Vec<String> {
            let table = table(text, maps).unwrap();
            let name = |column: &Column| match column {
                Column::Known(name) => (*name).to_string(),
                Column::Attribute(name) => column_name(name),
                Column::Unused => "-".into(),
            };
            table.columns.iter().map(name).collect()
        };
        let shipping = "shipping";
        assert_eq!(
            columns(&[]),
            ["model", "-", "asked", "-", shipping, "attr.storage", "-"]
        );
        assert_eq!(
            columns(&["wanted=asked", "asked=-", "town=note"]),
            ["model", "-", "-", "asked", shipping, "attr.storage", "note"]
        );
        assert_eq!(columns(&["town=attr.x"])[6], "attr.x");
    }

    #[test]
    fn what_is_wrong_with_a_header() {
        let reported = |text: &str, maps: &[&str]| -> String {
            let problems = table(text, maps).unwrap_err();
            problems.iter().map(|one| format!("{one}\n")).collect()
        };
        let problem = reported("modle,asked\nx,1\n", &[]);
        assert!(
            problem.contains("row 1: found \"modle, asked\": expected a header with a column model; row 1 looks most like a header")
                && problem.contains("--map \"modle=model\""),
            "{problem}"
        );
        let problem = reported("model,asked\nx,1\n", &["prise=asked"]);
        assert!(
            problem.contains("a column \"prise\", which --map names"),
            "{problem}"
        );
        let problem = reported("model,asked,model\nx,1,y\n", &[]);
        assert!(problem.contains("one column for model"), "{problem}");
        let nothing = reported("", &[]);
        assert!(
            nothing.contains("a header row, then a row for each listing"),
            "{nothing}"
        );
        for (wish, why) in [
            ("price", "not a mapping"),
            ("=asked", "no column of the table"),
            ("Price=askd", "did you mean \"asked\"?"),
        ] {
            assert!(parse_wish(wish).unwrap_err().contains(why), "{wish}");
        }
    }
}
