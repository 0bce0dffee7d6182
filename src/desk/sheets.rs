//! Sheets that were sent to be imported: kept in memory until they are, with how to read them. Reading one is
//! work of its own beside the pages.

use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex};

use chrono::NaiveDate;

use super::form::Form;
use super::jobs::Progress;
use super::page::sentence;
use crate::app::import::{
    Column, Imported, Listener, ReadOptions, Request, UnknownWord, import, parse_fill, parse_wish,
};
use crate::app::{AppError, Book};
use crate::parse::dates::DateOrder;
use crate::parse::money::DecimalMark;
use crate::render::import::{report, troubles};
use crate::settings::words::Meaning;
use crate::trade::Problem;

/// Most sheets kept.
const KEPT: usize = 4;

/// Most kinds of problems shown.
const SHOWN: usize = 30;

/// Longest name of a sheet, in characters.
const LONGEST: usize = 60;

/// Beginning of the names of fields for the meaning of a word: `word:grade:vg`.
pub const WORD: &str = "word:";

/// The answer that leaves the cells of a word blank.
pub const BLANK: &str = "(blank)";

/// The answer that leaves a word as it is.
pub const OPEN: &str = "(as it is)";

/// Beginning of the names of fields for whether a column is shipping.
pub const SHIPPING: &str = "shipping:";

/// Beginning of the names of fields for which of our columns a column is.
pub const COLUMN: &str = "column:";

/// Where work leaves what came of reading a sheet.
pub type Slot = Arc<Mutex<Option<Arc<Read>>>>;

/// A sheet.
#[derive(Debug, Clone)]
pub struct Sheet {
    /// Its name for messages.
    pub name: String,
    /// Its bytes.
    pub bytes: Arc<Vec<u8>>,
    /// The fields for how to read it.
    pub answers: Form,
    /// Address of the work that reads it, or did last.
    pub work: String,
    /// The result; none before the end of reading.
    pub read: Slot,
}

/// The sheets of a desk.
#[derive(Debug, Default)]
pub struct Sheets {
    kept: BTreeMap<u64, Sheet>,
    next: u64,
}

impl Sheets {
    /// Keeps a sheet; the oldest makes room. Returns its name in addresses.
    pub fn keep(&mut self, sheet: Sheet) -> String {
        self.next += 1;
        self.kept.insert(self.next, sheet);
        while self.kept.len() > KEPT {
            self.kept.pop_first();
        }
        self.next.to_string()
    }

    /// A sheet.
    pub fn get(&self, id: &str) -> Option<&Sheet> {
        self.kept.get(&id.parse().ok()?)
    }

    /// A sheet, to change how it is read.
    pub fn get_mut(&mut self, id: &str) -> Option<&mut Sheet> {
        self.kept.get_mut(&id.parse().ok()?)
    }
}

/// The name of a sheet that was sent under a name: letters, digits and a few signs of its last part, so that it is
/// no path.
pub fn name_of(sent: &str) -> String {
    let last = sent.rsplit(['/', '\\']).next().unwrap_or_default();
    let kept = |c: &char| c.is_alphanumeric() || " ._-()".contains(*c);
    let name: String = last.chars().filter(kept).take(LONGEST).collect();
    let name = name.trim_matches([' ', '.']);
    if name.is_empty() { "sheet" } else { name }.to_string()
}

/// The result of reading a sheet.
#[derive(Debug, Default)]
pub struct Read {
    /// Whether it was only tried.
    pub dry: bool,
    /// Why it failed, with what to do, and the problems.
    pub failed: Option<(String, Vec<String>)>,
    /// The report of the command.
    pub report: Vec<String>,
    /// Kinds of problems in rows, the most frequent first.
    pub troubles: Vec<String>,
    /// Number of kinds that are not shown.
    pub more_troubles: u64,
    /// Rows that would be added, changed, left as they are.
    pub counts: [u64; 3],
    /// Number of problems in cells.
    pub problems: u64,
    /// Rows set aside.
    pub aside: u64,
    /// The rows set aside, as a file.
    pub set_aside: Option<Vec<u8>>,
    /// The columns of the sheet, each with ours that it is read as; none if it is not used.
    pub columns: Vec<(String, Option<String>)>,
    /// Words that nothing is known of.
    pub unknown: Vec<UnknownWord>,
    /// Columns that may be shipping, with examples.
    pub shipping: Vec<(String, Vec<String>)>,
    /// Number of the record in the book.
    pub entry: Option<u64>,
    /// Notices.
    pub notices: Vec<String>,
}

impl Read {
    /// Whether an import would write something.
    pub fn writes(&self) -> bool {
        self.counts[0] + self.counts[1] > 0
    }
}

/// How to read a sheet, by the fields of a form.
#[derive(Debug, Clone, Default)]
struct Options {
    read: ReadOptions,
    values: Vec<Meaning>,
    keep_good: bool,
    mapping: Option<String>,
    save_mapping: Option<String>,
    /// Columns of which the form states whether they are shipping.
    shipping: HashMap<String, bool>,
}

impl Options {
    fn of(form: &Form) -> Result<Self, String> {
        let mut options = Self::default();
        for (name, value) in form.fields() {
            if let Some(word) = name.strip_prefix(WORD) {
                options.values.extend(meaning(word, value));
            } else if let Some(column) = name.strip_prefix(SHIPPING) {
                options.shipping.insert(column.into(), value == "yes");
            } else if let Some(theirs) = name.strip_prefix(COLUMN) {
                options
                    .read
                    .wishes
                    .push(parse_wish(&format!("{theirs}={value}"))?);
            }
        }
        for pair in form.text("columns").split(';').map(str::trim) {
            if !pair.is_empty() {
                options.read.wishes.push(parse_wish(pair)?);
            }
        }
        let model = form.get("fill_model").map(|model| format!("model={model}"));
        let fill: Option<(Column, String)> = model.map(|fill| parse_fill(&fill)).transpose()?;
        options.read.fills.extend(fill);
        options.read.undated = form.has("undated");
        options.read.sheet = form.get("tab").map(String::from);
        options.read.dates = match form.text("dates") {
            "dmy" => Some(DateOrder::DayFirst),
            "mdy" => Some(DateOrder::MonthFirst),
            _ => None,
        };
        options.read.decimal = match form.text("decimal") {
            "point" => Some(DecimalMark::Point),
            "comma" => Some(DecimalMark::Comma),
            _ => None,
        };
        options.keep_good = form.has("keep_good");
        options.mapping = form.get("mapping").map(String::from);
        options.save_mapping = form.get("save_mapping").map(String::from);
        Ok(options)
    }
}

/// The meaning of a word, by the name of its field and what was answered; none if it is left as it is.
fn meaning(field: &str, answer: &str) -> Option<Meaning> {
    let (column, word) = field.split_once(':')?;
    let value = match answer {
        OPEN => return None,
        BLANK => "",
        value => value,
    };
    Some(Meaning {
        column: column.into(),
        word: word.into(),
        value: value.into(),
    })
}

/// Follows the import, and gives the answers of the form.
struct Follower<'e> {
    progress: &'e Progress,
    /// Lines of the sheet, and its bytes of text.
    rows: u64,
    of: u64,
    answers: &'e HashMap<String, bool>,
    unknown: Vec<UnknownWord>,
    shipping: Vec<(String, Vec<String>)>,
}

impl Listener for Follower<'_> {
    fn begin(&mut self, bytes: u64) {
        self.of = bytes;
    }

    fn progress(&mut self, bytes: u64) {
        let rows = |bytes: u64| usize::try_from(bytes * self.rows / self.of.max(1));
        let (done, of) = (rows(bytes), usize::try_from(self.rows));
        self.progress.at(done.unwrap_or(0), of.unwrap_or(0));
    }

    fn problem(&mut self, _: &Problem) {}

    fn end(&mut self) {}

    fn can_ask(&self) -> bool {
        true
    }

    fn is_shipping(&mut self, column: &str, examples: &[String]) -> Result<bool, AppError> {
        let answer = self.answers.get(column).copied();
        self.shipping.push((column.to_string(), examples.to_vec()));
        Ok(answer.unwrap_or(false))
    }

    fn ask(&mut self, unknown: &[UnknownWord]) -> Result<Vec<Meaning>, AppError> {
        self.unknown.extend_from_slice(unknown);
        Ok(Vec::new())
    }
}

/// Lines of a sheet of text; 0 for a workbook, of which that is not known.
fn lines(bytes: &[u8]) -> u64 {
    let is_text = !bytes.iter().take(1_000).any(|byte| *byte == 0);
    if is_text {
        memchr::memchr_iter(b'\n', bytes).count() as u64
    } else {
        0
    }
}

/// The columns of a sheet, each with ours that it is read as.
fn columns_of(imported: &Imported) -> Vec<(String, Option<String>)> {
    let Some(input) = imported.inputs.first() else {
        return Vec::new();
    };
    let taken = input.mapping.taken();
    let ours = |name: &str| taken.iter().find(|(theirs, _)| *theirs == name);
    let names = input.mapping.names.iter().filter(|name| !name.is_empty());
    names
        .map(|name| (name.clone(), ours(name).map(|(_, ours)| ours.name())))
        .collect()
}

/// Reads a sheet into the book, or only tries with `dry`. The same request as that of `compband import`.
pub fn read(
    book: &Book,
    sheet: &Sheet,
    (dry, today): (bool, NaiveDate),
    progress: &Progress,
) -> Read {
    let failed = |text: String, problems: Vec<String>| Read {
        dry,
        failed: Some((text, problems)),
        ..Read::default()
    };
    let options = match Options::of(&sheet.answers) {
        Ok(options) => options,
        Err(why) => return failed(why, Vec::new()),
    };
    let mut notices = Vec::new();
    let mut follower = Follower {
        progress,
        rows: lines(&sheet.bytes),
        of: sheet.bytes.len() as u64,
        answers: &options.shipping,
        unknown: Vec::new(),
        shipping: Vec::new(),
    };
    let request = Request {
        files: &[],
        held: Some((&sheet.name, &sheet.bytes)),
        options: options.read.clone(),
        mapping: options.mapping.as_deref(),
        values: &options.values,
        save_mapping: options.save_mapping.as_deref().filter(|_| !dry),
        new_rates: false,
        keep_good: options.keep_good,
        rejects: None,
        problems: None,
        dry_run: dry,
        today,
    };
    let mut notice = |text: &str| notices.push(text.to_string());
    let imported = match import(book, &request, &mut follower, &mut notice) {
        Ok(imported) => imported,
        Err(error) => {
            let problems = error.problems().iter().map(Problem::to_string);
            return failed(sentence(&error), problems.collect());
        }
    };
    let text = report(&imported, book.settings(), None);
    let plan = &imported.plan;
    let lines = text.lines().map(str::trim).filter(|line| !line.is_empty());
    notices.extend(
        imported
            .unfinished
            .iter()
            .map(|(left, why)| format!("{left}: {why}")),
    );
    Read {
        dry,
        report: lines.map(String::from).collect(),
        troubles: troubles(plan, SHOWN),
        more_troubles: plan.troubles.len().saturating_sub(SHOWN) as u64 + plan.more_troubles,
        counts: [plan.new, plan.updated, plan.unchanged],
        problems: plan.problems,
        aside: imported.aside.iter().map(|(_, rows)| rows).sum(),
        columns: columns_of(&imported),
        unknown: follower.unknown,
        shipping: follower.shipping,
        entry: imported.entry.as_ref().map(|(entry, _)| *entry),
        set_aside: imported.set_aside,
        notices,
        ..Read::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_name_of_a_sheet_is_no_path() {
        for (sent, name) in [
            ("sales 2026.xlsx", "sales 2026.xlsx"),
            ("../../etc/passwd", "passwd"),
            ("C:\\a\\b.csv", "b.csv"),
            ("..", "sheet"),
            ("", "sheet"),
            ("a\0b\n<i>.csv", "abi.csv"),
        ] {
            assert_eq!(name_of(sent), name, "{sent:?}");
        }
        assert_eq!(name_of(&"x".repeat(500)).len(), LONGEST);
    }

    #[test]
    fn few_sheets_are_kept() {
        let mut sheets = Sheets::default();
        let sheet = || Sheet {
            name: "a".into(),
            bytes: Arc::default(),
            answers: Form::default(),
            work: String::new(),
            read: Slot::default(),
        };
        let first = sheets.keep(sheet());
        let others: Vec<String> = (0..KEPT).map(|_| sheets.keep(sheet())).collect();
        assert!(sheets.get(&first).is_none());
        assert!(others.iter().all(|id| sheets.get(id).is_some()));
        assert!(sheets.get("").is_none() && sheets.get("x").is_none());
    }
}
