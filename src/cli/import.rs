//! `compband import`.

use std::io::{self, IsTerminal};
use std::path::{Path, PathBuf};

use clap::builder::PossibleValue;
use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::{CliError, aside, eprint, notice, print, today};
use crate::app::import::{
    Column, Listener, Plan, ReadOptions, Request, UnknownWord, Wish, import, parse_fill,
    parse_value, parse_wish,
};
use crate::app::{AppError, Book};
use crate::parse::dates::DateOrder;
use crate::parse::money::DecimalMark;
use crate::render::import::{report, troubles};
use crate::render::numbers::count as counted;
use crate::render::table::{PIPED, terminal_width};
use crate::settings::words::Meaning;
use crate::trade::Problem;

const EXAMPLES: &str = "\
Examples:
  compband import sales.csv --dry-run                    show what would happen
  compband import sales.csv                              import all rows, or none if one is wrong
  compband import sales.xlsx --sheet 2026                one sheet of a spreadsheet
  compband import sales.csv --value \"grade:very good=B\"  say once what a word means
  compband import sales.csv --keep-good                  put wrong rows into sales-rejected.csv
  compband import sheet.csv --map \"Title=model\" --map \"Fee=-\" --save-mapping sheet
  compband import sheet.csv --mapping sheet --dates dmy
  compband import nulva.csv --fill \"model=Nulva 61K\"      the sheet has no column for the model

Columns: comp_id, sold_on, model, variant, completeness, grade, missing, extras, defects, works,
price, shipping, currency, how_sold, venue, lot_size, note, and attr.NAME for a number of the unit,
such as attr.storage. Common other names are known. Only sold_on, model and price are required.
A sale may have no date; a sheet without any dates needs --undated.

For sales in another currency, put its code into the column currency. They are converted by the file
rates.csv in the book's folder, which you write: date,currency,rate,source. The rate is what one unit
of the other currency was worth in yours. A sale gets the rate of its date, or the latest one at most
rate_days older (compband.toml), and keeps it. A row may bring its own rate in the columns rate,
rate_date and rate_source.";

/// Most kinds of problems printed; `--problems FILE` has every problem.
const SHOWN_TROUBLES: usize = 20;
/// Size, in bytes, below which files are read too fast for a progress bar.
const BAR_FROM: u64 = 5 << 20;

/// Import spreadsheets of past sales: all rows, or none if one is wrong
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct ImportArgs {
    /// Spreadsheets (.xlsx, .xls, .ods) or CSV files, or - for text from a pipe. Together they are one import,
    /// which `compband undo` removes again
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Read their column as ours; THEIRS=- leaves it out
    #[arg(long, value_name = "THEIRS=OURS", value_parser = parse_wish)]
    map: Vec<Wish>,
    /// Use the column names saved in the settings under this name
    #[arg(long, value_name = "NAME")]
    mapping: Option<String>,
    /// Save the column names of the first file in the settings under this name
    #[arg(long, value_name = "NAME")]
    save_mapping: Option<String>,
    /// Meaning of a word in a column, such as "grade:very good=B"; kept for later imports
    #[arg(long, value_name = "COLUMN:WORD=VALUE", value_parser = parse_value)]
    value: Vec<Meaning>,
    /// Value for a column the files do not have, and for its blank cells
    #[arg(long, value_name = "COLUMN=VALUE", value_parser = parse_fill)]
    fill: Vec<(Column, String)>,
    /// Accept sheets without a column for the date of the sale
    #[arg(long)]
    undated: bool,
    /// Convert sales the book already has again by rates.csv, instead of keeping their rates
    #[arg(long)]
    new_rates: bool,
    /// Sheet of the spreadsheet [default: the one with most sales]
    #[arg(long, value_name = "NAME")]
    sheet: Option<String>,
    /// Character between cells [default: detected]
    #[arg(long)]
    delimiter: Option<Delimiter>,
    /// Order of day and month in dates such as 3/4/2025 [default: detected]
    #[arg(long)]
    dates: Option<DateOrder>,
    /// Decimal mark of amounts such as 1,234 [default: detected]
    #[arg(long)]
    decimal: Option<DecimalMark>,
    /// Import the good rows and set the others aside
    #[arg(long)]
    keep_good: bool,
    /// File for the rows that --keep-good sets aside [default: NAME-rejected.csv beside the input]
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

/// Imports the files.
///
/// # Errors
/// If rows are refused, a file cannot be read, or the book cannot be changed.
pub fn run(args: &ImportArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let mut desk = Desk {
        bar: ProgressBar::hidden(),
        asks: io::stdin().is_terminal() && io::stderr().is_terminal(),
    };
    let imported = import(&book, &args.request(), &mut desk, &mut notice)?;
    for line in troubles(&imported.plan, SHOWN_TROUBLES) {
        eprint(&aside(&line, ""));
    }
    let width = terminal_width().unwrap_or(PIPED);
    print(&report(&imported, book.settings(), Some(width)))?;
    if imported.refused {
        return Err(refusal(&imported.plan, args).into());
    }
    imported.unfinished.map_or(Ok(()), |(left, why)| {
        notice(left);
        Err(why.into())
    })
}

impl ImportArgs {
    fn request(&self) -> Request<'_> {
        Request {
            files: &self.files,
            held: None,
            options: ReadOptions {
                delimiter: self.delimiter.map(|delimiter| match delimiter {
                    Delimiter::Comma => b',',
                    Delimiter::Semicolon => b';',
                    Delimiter::Tab => b'\t',
                }),
                sheet: self.sheet.clone(),
                dates: self.dates,
                decimal: self.decimal,
                wishes: self.map.clone(),
                must_have: self.map.iter().map(|(theirs, _)| theirs.clone()).collect(),
                fills: self.fill.clone(),
                undated: self.undated,
            },
            mapping: self.mapping.as_deref(),
            values: &self.value,
            save_mapping: self.save_mapping.as_deref(),
            new_rates: self.new_rates,
            keep_good: self.keep_good,
            rejects: self.rejects.as_deref(),
            problems: self.problems.as_deref(),
            dry_run: self.dry_run,
            today: today(),
        }
    }
}

/// Shows the progress of reading, and asks for the meanings of words.
struct Desk {
    bar: ProgressBar,
    /// Whether somebody is there to answer.
    asks: bool,
}

impl Listener for Desk {
    fn begin(&mut self, bytes: u64) {
        if bytes >= BAR_FROM && io::stderr().is_terminal() {
            let target = ProgressDrawTarget::stderr_with_hz(10);
            self.bar = ProgressBar::with_draw_target(Some(bytes), target);
        }
        if let Ok(style) = ProgressStyle::with_template("reading {wide_bar} {percent} % {eta}") {
            self.bar.set_style(style);
        }
    }

    fn progress(&mut self, bytes: u64) {
        self.bar.set_position(bytes);
    }

    fn problem(&mut self, _: &Problem) {}

    fn end(&mut self) {
        self.bar.finish_and_clear();
    }

    fn can_ask(&self) -> bool {
        self.asks
    }

    fn is_shipping(&mut self, column: &str, examples: &[String]) -> Result<bool, AppError> {
        self.bar.finish_and_clear();
        super::words::is_shipping(column, examples)
    }

    fn ask(&mut self, unknown: &[UnknownWord]) -> Result<Vec<Meaning>, AppError> {
        self.bar.finish_and_clear();
        super::words::ask(unknown)
    }
}

/// How many problems there are, and of how many kinds if there are fewer.
fn what_is_wrong(plan: &Plan) -> String {
    let (cells, kinds) = plan.wrong();
    if kinds < cells {
        let kinds = counted(kinds, "kind");
        return format!("{kinds} of problem in {}", counted(cells, "cell"));
    }
    counted(kinds, "problem")
}

fn refusal(plan: &Plan, args: &ImportArgs) -> AppError {
    let written = args.problems.as_ref();
    let more = plan.troubles.len().saturating_sub(SHOWN_TROUBLES) as u64 + plan.more_troubles;
    let more = match (more, written) {
        (_, Some(path)) => format!("; {} has all of them", path.display()),
        (0, None) => String::new(),
        (more, None) => format!(
            "; {} more than shown (--problems FILE writes every problem)",
            counted(more, "kind")
        ),
    };
    AppError::Refused {
        message: format!("{}{more}; nothing was imported", what_is_wrong(plan)),
        next: "fix the rows and import again, or import the good ones with --keep-good".into(),
    }
}
