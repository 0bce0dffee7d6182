//! `compband import`.

use std::collections::{BTreeMap, HashSet};
use std::fs::{self, File};
use std::io::{self, BufWriter, IsTerminal};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use clap::builder::PossibleValue;
use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::{CliError, aside, changes, eprint, fitted, notice, print, today};
use crate::app::record::new_model;
use crate::book::csv::formula::neutral;
use crate::book::files::copy_new;
use crate::book::rates::{Conversion, KeptRates};
use crate::book::{Book, BookError, Temporary};
use crate::parse::dates::DateOrder;
use crate::parse::money::DecimalMark;
use crate::settings;
use crate::settings::Settings;
use crate::sheets::header::{Column, Wish, parse_wish, wish};
use crate::sheets::import::{
    Against, FileCount, Plan, Reject, RejectsWriter, Witness, add_undeclared, plan,
};
use crate::sheets::{Input, ReadOptions};
use crate::trade::Problem;
use crate::trade::near::KnownModels;
use crate::trade::text::{nearest, shorten};

const EXAMPLES: &str = "\
Examples:
  compband import sales.csv --dry-run                    show what would happen
  compband import sales.csv                              take all rows, or none if one is wrong
  compband import sales.csv --keep-good                  set wrong rows aside in sales-rejected.csv
  compband import sheet.csv --map \"Title=model\" --map \"Fee=-\" --save-mapping sheet
  compband import sheet.csv --mapping sheet --dates dmy
  compband import nerrow.csv --fill \"model=Nerrow F4\"      the sheet has no column for the model

Columns: comp_id, sold_on, model, variant, completeness, grade, missing, extras, defects, works,
price, shipping, currency, how_sold, venue, lot_size, note, and attr.NAME for numbers of the unit
such as attr.storage. Usual other names are known, and only sold_on, model and price are required.
A blank day is taken as not recorded; a sheet without any needs --undated.

Sales in another currency say so by its code in the column currency. They are converted by the
file rates.csv in the book's folder, which you write: date,currency,rate,source, the rate being
what one unit of the currency was worth in the book's. A sale takes the rate of its day, or the
latest before it that is at most rate_days old (compband.toml), and keeps it. A row may bring its
own in the columns rate, rate_date and rate_source.";

/// Problems printed in full; `--problems FILE` has all of them.
const SHOWN_PROBLEMS: u64 = 50;
/// New models told to be near to one of the book, and the models looked at: an import of
/// thousands is no matter of a slip of the pen.
const SHOWN_MODELS: usize = 5;
const COMPARED_MODELS: usize = 1_000;
/// Files below this many bytes are read before a progress bar could be seen.
const BAR_FROM: u64 = 5 << 20;

/// Take in spreadsheets (CSV) of past sales: all rows, or none if one is wrong
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct ImportArgs {
    /// CSV files; together they are one import, which `compband undo` takes back
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Take their column as ours; THEIRS=- leaves it out
    #[arg(long, value_name = "THEIRS=OURS", value_parser = parse_wish)]
    map: Vec<Wish>,
    /// Map columns as saved in the settings under this name
    #[arg(long, value_name = "NAME")]
    mapping: Option<String>,
    /// Save how the columns of the first file were mapped in the settings
    #[arg(long, value_name = "NAME")]
    save_mapping: Option<String>,
    /// Value for a column the files lack, and for its blank cells
    #[arg(long, value_name = "COLUMN=VALUE", value_parser = parse_fill)]
    fill: Vec<(Column, String)>,
    /// Take sheets that have no column for the day of the sale: not recorded
    #[arg(long)]
    undated: bool,
    /// Convert sales that the book has already by rates.csv anew, instead of keeping their rates
    #[arg(long)]
    new_rates: bool,
    /// Character between cells [default: found out]
    #[arg(long)]
    delimiter: Option<Delimiter>,
    /// Order of day and month in dates such as 3/4/2025 [default: found out]
    #[arg(long)]
    dates: Option<DateOrder>,
    /// Decimal mark of amounts such as 1,234 [default: found out]
    #[arg(long)]
    decimal: Option<DecimalMark>,
    /// Take the clean rows and set the others aside
    #[arg(long)]
    keep_good: bool,
    /// Where --keep-good sets rows aside [default: NAME-rejected.csv beside the input]
    #[arg(long, value_name = "FILE", requires = "keep_good")]
    rejects: Option<PathBuf>,
    /// Write every problem to this CSV file
    #[arg(long, value_name = "FILE")]
    problems: Option<PathBuf>,
    /// Show what would happen and write nothing
    #[arg(long)]
    dry_run: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Delimiter {
    Comma,
    Semicolon,
    Tab,
}

impl ValueEnum for DateOrder {
    fn value_variants<'a>() -> &'a [Self] {
        &[Self::DayFirst, Self::MonthFirst]
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        Some(match self {
            Self::DayFirst => PossibleValue::new("dmy").help("Day first: 31/12/2025"),
            Self::MonthFirst => PossibleValue::new("mdy").help("Month first: 12/31/2025"),
        })
    }
}

impl ValueEnum for DecimalMark {
    fn value_variants<'a>() -> &'a [Self] {
        &[Self::Point, Self::Comma]
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        Some(match self {
            Self::Point => PossibleValue::new("point").help("1,234.50"),
            Self::Comma => PossibleValue::new("comma").help("1.234,50"),
        })
    }
}

fn parse_fill(text: &str) -> Result<(Column, String), String> {
    let (column, value) = text.split_once('=').ok_or_else(|| {
        format!("{text:?} names no value: write COLUMN=VALUE, such as model=Nerrow")
    })?;
    match Column::parse(column)? {
        Column::CompId => {
            Err("a comp_id belongs to one sale only; leave it blank to have it derived".into())
        }
        column => Ok((column, value.trim().to_string())),
    }
}

/// Imports the files.
///
/// # Errors
/// Where rows are refused, a file cannot be read, or the book cannot be changed.
pub fn run(args: &ImportArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let options = args.read_options(book.settings())?;
    args.check(book.settings())?;
    // The index before the inputs: making it takes memory that is free again when they are read.
    let lock = book.lock(&mut notice)?;
    let index = book.index()?;
    let rates = book.rates()?;
    // Read from the book only when a sale in another currency comes up.
    let kept: OnceLock<Result<KeptRates, BookError>> = OnceLock::new();
    let inputs = open_all(&args.files, &options)?;
    for input in &inputs {
        for text in &input.notices {
            notice(&format!("{}: {text}", input.name));
        }
    }
    let against = Against {
        settings: book.settings(),
        existing: &|comp_id: &str| index.get(comp_id),
        today: today(),
        conversion: Conversion {
            rates: &rates,
            kept: &|comp_id, code, day| {
                if args.new_rates {
                    return None;
                }
                let kept = kept.get_or_init(|| book.kept_rates());
                kept.as_ref().ok()?.rate(comp_id, code, day)
            },
        },
    };
    let mut desk = Desk::new(
        args,
        &book,
        inputs.iter().map(|input| input.len() as u64).sum(),
    )?;
    let (done, canonical) = plan_into_temp(&book, &inputs, &against, &mut desk)?;
    if let Some(Err(error)) = kept.into_inner() {
        return Err(error.into());
    }
    desk.finish()?;
    let mut report = summary(&inputs, &done.files);
    report.push_str(&updates(&book, &done)?);
    if done.problems > 0 && !args.keep_good {
        print(&report)?;
        return Err(refusal(done.problems, args));
    }
    for Aside { path, rows, .. } in &desk.aside {
        let verb = if args.dry_run {
            "would be set aside in"
        } else {
            "set aside in"
        };
        report.push_str(&format!(
            "{} {verb} {}\n",
            counted(*rows, "row"),
            path.display()
        ));
    }
    report.push_str(&counts(&done, args.dry_run));
    misspelt(&book, &done)?;
    if args.dry_run {
        report.push_str("Nothing was written (--dry-run).\n");
        report.push_str(&undeclared(&done.files, book.settings()));
        return print(&report);
    }
    if done.written() > 0 {
        let (entry, path) = book.commit_import(&lock, canonical, &source_name(&args.files))?;
        let path = path.strip_prefix(book.root()).unwrap_or(&path);
        report.push_str(&format!(
            "Kept as entry {entry} in {}; `compband undo` takes it back.\n",
            path.display()
        ));
    }
    if let Err(error) = desk.set_aside() {
        print(&report)?;
        notice("only the wrong rows are not set aside: the same command again sets them aside");
        return Err(error);
    }
    if let (Some(name), Some(input)) = (&args.save_mapping, inputs.first()) {
        if let Err(error) = save_mapping(&book, name, input) {
            print(&report)?;
            notice("only the mapping is not saved: the same command again saves it");
            return Err(error);
        }
        report.push_str(&format!(
            "The mapping was saved; use it with --mapping {name:?}.\n"
        ));
    }
    report.push_str(&undeclared(&done.files, book.settings()));
    print(&report)
}

/// Tells the first of the new models that are probably ones of the book, misspelt.
fn misspelt(book: &Book, plan: &Plan) -> Result<(), CliError> {
    if plan.new == 0 {
        return Ok(());
    }
    let models = book.models()?;
    let known = KnownModels::new(models.iter().map(String::as_str));
    plan.models
        .iter()
        .take(COMPARED_MODELS)
        .filter_map(|model| Some((model, known.near(model)?)))
        .take(SHOWN_MODELS)
        .for_each(|(model, near)| notice(&new_model(model, near)));
    Ok(())
}

/// Plans the import; the canonical rows are in the file that comes with the plan, on disk.
fn plan_into_temp(
    book: &Book,
    inputs: &[Input],
    against: &Against<'_>,
    desk: &mut Desk<'_>,
) -> Result<(Plan, Temporary), CliError> {
    let temp = book.temporary()?;
    // Where the rows go in the end is what the user knows.
    let path = book.comps_dir();
    let mut out = BufWriter::with_capacity(1 << 20, temp);
    let planned = plan(inputs, against, &mut out, desk);
    let done = planned
        .map_err(|error| BookError::io(desk.failed.as_ref().unwrap_or(&path), "write")(error))?;
    let mut temp = out
        .into_inner()
        .map_err(|error| BookError::io(&path, "write")(error.into_error()))?;
    if done.written() > 0 && !desk.args.dry_run {
        temp.as_file()
            .sync_all()
            .map_err(BookError::io(&path, "write"))?;
    }
    Ok((done, temp))
}

impl ImportArgs {
    fn read_options(&self, settings: &Settings) -> Result<ReadOptions, CliError> {
        let mut wishes = self.map.clone();
        if let Some(name) = &self.mapping {
            let Some(saved) = settings.mappings.get(name) else {
                let near = nearest(name, settings.mappings.keys().map(String::as_str))
                    .map_or(String::new(), |near| format!(" (did you mean {near:?}?)"));
                return Err(CliError::Usage(format!(
                    "compband.toml has no mapping {name:?}{near}"
                )));
            };
            for (theirs, ours) in saved {
                let wish = wish(theirs, ours).map_err(|why| {
                    BookError::Settings(format!("compband.toml, mappings.{name}: {why}"))
                })?;
                // What was said on the command line goes before what was saved.
                if !self.map.iter().any(|(said, column)| {
                    *said == wish.0 || (column.is_some() && *column == wish.1)
                }) {
                    wishes.push(wish);
                }
            }
        }
        Ok(ReadOptions {
            delimiter: self.delimiter.map(|delimiter| match delimiter {
                Delimiter::Comma => b',',
                Delimiter::Semicolon => b';',
                Delimiter::Tab => b'\t',
            }),
            dates: self.dates,
            decimal: self.decimal,
            wishes,
            must_have: self.map.iter().map(|(theirs, _)| theirs.clone()).collect(),
            fills: self.fill.clone(),
            undated: self.undated,
        })
    }

    /// Refuses what cannot be done before anything is read.
    fn check(&self, settings: &Settings) -> Result<(), CliError> {
        if self.rejects.is_some() && self.files.len() > 1 {
            let message = "--rejects names one file, so import the files one by one";
            return Err(CliError::Usage(message.into()));
        }
        if let Some(path) = self.rejects.as_deref().filter(|path| is_there(path)) {
            return Err(CliError::Usage(format!(
                "--rejects: {} is there already: choose another name",
                path.display()
            )));
        }
        match &self.save_mapping {
            Some(name) if name.trim().is_empty() => {
                Err(CliError::Usage("--save-mapping needs a name".into()))
            }
            Some(name) if settings.mappings.contains_key(name) => Err(CliError::Usage(format!(
                "compband.toml has a mapping {name:?} already: choose another name, or take it out there"
            ))),
            _ => Ok(()),
        }
    }
}

/// Opens every file, so that what is wrong with any header is told in one run.
fn open_all(files: &[PathBuf], options: &ReadOptions) -> Result<Vec<Input>, CliError> {
    let mut inputs = Vec::new();
    let mut problems = Vec::new();
    for path in files {
        match Input::open(path, options) {
            Ok(input) => inputs.push(input),
            Err(BookError::Rows(found)) => problems.extend(found),
            Err(error) => return Err(error.into()),
        }
    }
    if problems.is_empty() {
        Ok(inputs)
    } else {
        Err(BookError::Rows(problems).into())
    }
}

/// Columns of the file that `--problems` writes.
const PROBLEM_COLUMNS: [&str; 6] = ["file", "row", "column", "value", "expected", "how_to_mend"];

/// Hears the problems of a run: prints the first, writes all where asked, and sets rejected
/// rows aside.
struct Desk<'a> {
    args: &'a ImportArgs,
    book: &'a Book,
    bar: ProgressBar,
    shown: u64,
    problems: Option<csv::Writer<File>>,
    aside: Vec<Aside>,
    /// The file that could not be written, if any.
    failed: Option<PathBuf>,
}

/// The rejected rows of one input.
struct Aside {
    input: String,
    /// Where they go once the others are in the book.
    path: PathBuf,
    rows: u64,
    /// Absent in a dry run.
    writer: Option<RejectsWriter<BufWriter<Temporary>>>,
}

impl<'a> Desk<'a> {
    fn new(args: &'a ImportArgs, book: &'a Book, bytes: u64) -> Result<Self, CliError> {
        let bar = if bytes >= BAR_FROM && io::stderr().is_terminal() {
            ProgressBar::with_draw_target(Some(bytes), ProgressDrawTarget::stderr_with_hz(10))
        } else {
            ProgressBar::hidden()
        };
        if let Ok(style) = ProgressStyle::with_template("reading {wide_bar} {percent} % {eta}") {
            bar.set_style(style);
        }
        args.problems
            .as_deref()
            .map(check_problems_name)
            .transpose()?;
        let written = args.problems.as_deref().filter(|_| !args.dry_run);
        let problems = written.map(open_problems).transpose()?;
        Ok(Self {
            args,
            book,
            bar,
            shown: 0,
            problems,
            aside: Vec::new(),
            failed: None,
        })
    }

    /// Ends what is shown and written of problems.
    fn finish(&mut self) -> Result<(), CliError> {
        self.bar.finish_and_clear();
        if let (Some(problems), Some(path)) = (&mut self.problems, &self.args.problems) {
            problems.flush().map_err(BookError::io(path, "write"))?;
        }
        Ok(())
    }

    /// Puts the files of rejected rows in place, the clean rows being in the book: should the run end
    /// before, the same command again does it.
    fn set_aside(&mut self) -> Result<(), CliError> {
        for Aside { path, writer, .. } in &mut self.aside {
            let Some(writer) = writer.take() else {
                continue;
            };
            let whole = writer.finish().and_then(|out| Ok(out.into_inner()?));
            let placed = whole.and_then(|mut file| copy_new(file.as_file(), path));
            placed.map_err(BookError::io(&*path, "write"))?;
        }
        Ok(())
    }

    fn aside(&mut self, input: &Input) -> io::Result<&mut Aside> {
        let mut aside = self.aside.iter();
        let at = match aside.position(|aside| aside.input == input.name) {
            Some(at) => at,
            None => {
                let path = self.rejects_path(input);
                self.failed = Some(path.clone());
                let writer = if self.args.dry_run {
                    None
                } else {
                    let file = self.book.temporary().map_err(io::Error::other)?;
                    Some(RejectsWriter::new(BufWriter::new(file), input)?)
                };
                self.failed = None;
                self.aside.push(Aside {
                    input: input.name.clone(),
                    path,
                    rows: 0,
                    writer,
                });
                self.aside.len() - 1
            }
        };
        Ok(&mut self.aside[at])
    }

    /// Where the rejected rows of an input go: no file is there yet.
    fn rejects_path(&self, input: &Input) -> PathBuf {
        let taken = |path: &PathBuf| self.aside.iter().any(|aside| aside.path == *path);
        let mut paths = (1..).map(|number| rejects_path(Path::new(&input.name), number));
        let named = self.args.rejects.clone();
        named
            .or_else(|| paths.find(|path| !is_there(path) && !taken(path)))
            .unwrap_or_default()
    }
}

fn is_there(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok()
}

impl Witness for Desk<'_> {
    fn problem(&mut self, problem: &Problem) -> io::Result<()> {
        self.shown += 1;
        if self.shown <= SHOWN_PROBLEMS {
            self.bar.suspend(|| complain(problem));
        }
        if let (Some(writer), Some(path)) = (&mut self.problems, &self.args.problems) {
            write_problem(writer, problem).inspect_err(|_| self.failed = Some(path.clone()))?;
        }
        Ok(())
    }

    fn reject(&mut self, input: &Input, reject: &Reject<'_>) -> io::Result<()> {
        if !self.args.keep_good {
            return Ok(());
        }
        let aside = self.aside(input)?;
        aside.rows += 1;
        let Some(writer) = &mut aside.writer else {
            return Ok(());
        };
        let written = writer.write(reject);
        if written.is_err() {
            self.failed = Some(aside.path.clone());
        }
        written
    }

    fn progress(&mut self, bytes: u64) {
        self.bar.set_position(bytes);
    }
}

fn complain(problem: &Problem) {
    // A problem that cannot be shown is counted all the same.
    eprint(&aside(&problem.to_string(), ""));
}

fn write_problem(writer: &mut csv::Writer<File>, problem: &Problem) -> io::Result<()> {
    let row = if problem.row == 0 {
        String::new()
    } else {
        problem.row.to_string()
    };
    let Problem {
        file,
        column,
        value,
        expected,
        mend,
        ..
    } = problem;
    let cells = [file, &row, column, value, expected, mend];
    Ok(writer.write_record(cells.map(|cell| neutral(cell).into_owned()))?)
}

/// Refuses a name for the file of problems under which something else is kept.
fn check_problems_name(path: &Path) -> Result<(), CliError> {
    match fs::read(path) {
        Ok(bytes) if !bytes.starts_with(PROBLEM_COLUMNS.join(",").as_bytes()) => {
            Err(CliError::Usage(format!(
                "--problems: {} is there already and holds something else: choose another name",
                path.display()
            )))
        }
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            Err(BookError::io(path, "read")(error).into())
        }
        _ => Ok(()),
    }
}

/// Makes the file of problems, in the place of an earlier one.
fn open_problems(path: &Path) -> Result<csv::Writer<File>, CliError> {
    let mut writer =
        csv::Writer::from_writer(File::create(path).map_err(BookError::io(path, "write"))?);
    writer
        .write_record(PROBLEM_COLUMNS)
        .map_err(|error| BookError::io(path, "write")(error.into()))?;
    Ok(writer)
}

/// `sales.csv` → `sales-rejected.csv`, then `sales-rejected-2.csv` and so on.
fn rejects_path(input: &Path, number: u32) -> PathBuf {
    let stem = input
        .file_stem()
        .map_or("import".into(), |stem| stem.to_string_lossy().into_owned());
    let number = if number == 1 {
        String::new()
    } else {
        format!("-{number}")
    };
    input.with_file_name(format!("{stem}-rejected{number}.csv"))
}

/// What the import file in the book is named after.
fn source_name(files: &[PathBuf]) -> String {
    let stem = files
        .first()
        .and_then(|file| file.file_stem())
        .map_or("import".into(), |stem| stem.to_string_lossy());
    if files.len() > 1 {
        format!("{stem} and {} more", files.len() - 1)
    } else {
        stem.into_owned()
    }
}

fn counted(number: u64, one: &str) -> String {
    super::count(usize::try_from(number).unwrap_or(usize::MAX), one)
}

/// How each file was read.
fn summary(inputs: &[Input], counts: &[FileCount]) -> String {
    let mut text = String::new();
    for (input, count) in inputs.iter().zip(counts) {
        let mut how = vec![
            counted(count.rows, "row"),
            input.encoding.to_string(),
            format!("{} between cells", input.delimiter_name()),
        ];
        how.extend(
            count
                .date_order
                .iter()
                .map(|order| format!("dates {order}")),
        );
        how.extend(count.decimal_mark.clone());
        let how = format!("{}: {}", input.name, how.join(", "));
        text.push_str(&format!("{}\n", fitted(&how, "")));
        let renamed: Vec<String> = input
            .mapping
            .taken()
            .into_iter()
            .filter(|(theirs, ours)| *theirs != ours.name())
            .map(|(theirs, ours)| format!("{} = {}", shorten(theirs, 40), ours.name()))
            .collect();
        if !renamed.is_empty() {
            let columns = format!("columns: {}", renamed.join(", "));
            text.push_str(&format!("{}\n", fitted(&columns, "  ")));
        }
        for (number, one, many) in [
            (
                count.blank,
                "blank line passed over",
                "blank lines passed over",
            ),
            (
                count.repeated_headers,
                "repeated header passed over",
                "repeated headers passed over",
            ),
            (
                count.repeated,
                "row passed over that says the same as an earlier one of the same comp_id",
                "rows passed over that say the same as earlier ones of the same comp_id",
            ),
            (
                count.identical,
                "row like an earlier one counted as a separate sale",
                "rows like earlier ones counted as separate sales",
            ),
            (
                count.foreign,
                "sale in another currency, converted (one that the book has keeps its rate; --new-rates takes a new one)",
                "sales in other currencies, converted (those that the book has keep their rates; --new-rates takes new ones)",
            ),
        ] {
            if number > 0 {
                text.push_str(&format!(
                    "  {number} {}\n",
                    if number == 1 { one } else { many }
                ));
            }
        }
        text.push_str(&undated(count));
    }
    text
}

/// `  3 sales have no date (the first in row 5): they count as of average age`.
fn undated(count: &FileCount) -> String {
    let Some(first) = count.first_undated else {
        return String::new();
    };
    let note = match count.undated {
        1 => format!("1 sale has no date (row {first}): it counts as of average age"),
        number => format!(
            "{number} sales have no date (the first in row {first}): they count as of average age"
        ),
    };
    format!("{}\n", fitted(&note, "  "))
}

/// What is said of attributes that no family declares.
fn undeclared(counts: &[FileCount], settings: &Settings) -> String {
    let mut all = BTreeMap::new();
    for count in counts {
        add_undeclared(&mut all, count.undeclared.clone());
    }
    super::undeclared::of_import(&all, settings)
}

/// The first changes, old → new.
fn updates(book: &Book, plan: &Plan) -> Result<String, CliError> {
    if plan.updates.is_empty() {
        return Ok(String::new());
    }
    let ids: HashSet<String> = plan
        .updates
        .iter()
        .map(|comp| comp.comp_id.clone())
        .collect();
    let known = book.comps_by_id(&ids)?;
    let mut text = String::new();
    for new in &plan.updates {
        if let Some(old) = known.get(&new.comp_id) {
            text.push_str(&format!(
                "{}: {}\n",
                new.comp_id,
                changes(old, new).join(", ")
            ));
        }
    }
    let more = plan.updated.saturating_sub(plan.updates.len() as u64);
    if more > 0 {
        text.push_str(&format!("and {} more changed\n", counted(more, "comp")));
    }
    Ok(text)
}

/// What became of the sales.
fn counts(plan: &Plan, dry_run: bool) -> String {
    if plan.written() == 0 {
        return match plan.unchanged {
            0 => "No sales to take in: nothing was changed.\n".to_string(),
            n => format!(
                "The book has {} already, unchanged: nothing was changed.\n",
                counted(n, "sale")
            ),
        };
    }
    let parts: Vec<String> = [
        (plan.new, "new"),
        (plan.updated, "changed"),
        (plan.unchanged, "unchanged"),
    ]
    .into_iter()
    .filter(|(number, _)| *number > 0)
    .map(|(number, what)| format!("{number} {what}"))
    .collect();
    let head = if dry_run {
        "Sales as they would be"
    } else {
        "Sales"
    };
    format!("{head}: {}.\n", parts.join(", "))
}

fn refusal(problems: u64, args: &ImportArgs) -> CliError {
    let written = args.problems.as_ref().filter(|_| !args.dry_run);
    let more = match (problems.saturating_sub(SHOWN_PROBLEMS), written) {
        (_, Some(path)) => format!("; {} has all of them", path.display()),
        (0, None) => String::new(),
        (more, None) => format!("; {more} more than shown (--problems FILE writes all of them)"),
    };
    CliError::Refused {
        message: format!(
            "{}{more}; nothing was imported",
            counted(problems, "problem")
        ),
        next: "mend the rows and import again, or take the clean ones with --keep-good".into(),
    }
}

/// Adds the mapping of an input to the settings file, whose text stays as it is.
fn save_mapping(book: &Book, name: &str, input: &Input) -> Result<(), CliError> {
    let path = book.root().join(settings::FILE_NAME);
    let text = book.settings_text()?;
    let table = mapping_table(name, input)?;
    let gap = if text.is_empty() || text.ends_with("\n\n") {
        ""
    } else if text.ends_with('\n') {
        "\n"
    } else {
        "\n\n"
    };
    let text = format!("{text}{gap}{table}");
    Settings::parse(&text, &path).map_err(|why| {
        BookError::Refused(format!(
            "the mapping cannot be added to compband.toml ({why}); add it by hand:\n{table}"
        ))
    })?;
    Ok(book.replace_file(&path, text.as_bytes())?)
}

/// `[mappings.NAME]` with the columns that are not called as ours, or that were left out.
fn mapping_table(name: &str, input: &Input) -> Result<String, CliError> {
    let mapping = &input.mapping;
    let taken = mapping
        .taken()
        .into_iter()
        .filter(|(theirs, ours)| *theirs != ours.name());
    let columns: BTreeMap<&str, String> = taken
        .map(|(theirs, ours)| (theirs, ours.name()))
        .chain(
            mapping
                .left_out
                .iter()
                .map(|cell| (mapping.names[*cell].as_str(), "-".to_string())),
        )
        .filter(|(theirs, _)| !theirs.is_empty())
        .collect();
    let tables = BTreeMap::from([("mappings", BTreeMap::from([(name, columns)]))]);
    toml::to_string(&tables)
        .map_err(|why| BookError::Refused(format!("the mapping cannot be written: {why}")).into())
}
