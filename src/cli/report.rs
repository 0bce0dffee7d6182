//! `compband report`: estimates as a page to keep or send, and for a spreadsheet.

use crate::cli::progress;
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use clap::Args;

use super::ask::WaitingArgs;
use super::bid::DealArgs;
use super::refresh::ended;
use super::unit::{UnitArgs, flags};
use super::{CliError, notice, open};
use crate::app::ask::ask;
use crate::app::bid::bid;
use crate::app::describe::Description;
use crate::app::meant::{Kind, meant};
use crate::app::parallel::each_in_parallel;
use crate::app::past::Past;
use crate::app::refresh::chosen;
use crate::app::report::{Estimated, estimates, past_sales};
use crate::app::{AppError, Book, check, write};
use crate::render::chart::{BandChart, to_svg};
use crate::render::check::how_predicted;
use crate::render::html::Place;
use crate::render::report::{self, Check, Page, ask_section, bid_section, html};
use crate::render::spreadsheet;
use crate::trade::names::match_key;

const EXAMPLES: &str = "\
Examples:
  compband report --model \"Nulva 61K\" --grade B --out reports/nulva-61k.html
  compband report --model \"Nulva 61K\" --grade B --check --bid --against 88 --ask --out 61k.html
  compband report 61k qn948 --out two.html            watched units, one section each
  compband report d7 d9 --ask --out stock.html       units in stock
  compband report --all --ask --deadline 6 --out stock.html --xlsx stock.xlsx
  compband report --model \"Bolv 83V\" --xlsx 83v.xlsx --csv 83v-comps.csv

The page is a single file and needs no network; any browser prints it or saves it as PDF. Existing
files are replaced. Notes and venues of sales are left out of all of them. In CSV, text that a
spreadsheet would read as a formula gets an apostrophe before it. Watched units are estimated as in
`compband refresh`, without recording anything; options of bid and ask apply to each of them. Their
CSV has a first column `unit` with the name; their workbook has two sheets for each.";

/// Write an estimate as a page to keep or send, or for a spreadsheet
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct ReportArgs {
    /// Watched units by name and deals (d7), in the order you want them; or one model
    #[arg(value_name = "UNIT")]
    watched: Vec<String>,
    /// Every watched unit
    #[arg(long, conflicts_with = "watched")]
    all: bool,
    #[command(flatten)]
    unit: UnitArgs,
    #[command(flatten)]
    files: Files,
    /// Add how past estimates of the model did (as in `compband check --model`)
    #[arg(long, requires = "out")]
    check: bool,
    /// Add what to bid; any option of `compband bid` does too
    #[arg(long, requires = "out")]
    bid: bool,
    /// Add what to ask and the lowest offer to accept each week; any option of `compband ask` does too
    #[arg(long, requires = "out")]
    ask: bool,
    #[command(flatten)]
    deal: DealArgs,
    #[command(flatten)]
    waiting: WaitingArgs,
}

/// What is written.
#[derive(Debug, Args)]
#[group(required = true, multiple = true)]
struct Files {
    /// The page: one HTML file
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// A workbook of the adjustments and the sales, with formulas
    #[arg(long, value_name = "FILE")]
    xlsx: Option<PathBuf>,
    /// The sales as CSV
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// The adjustments as CSV
    #[arg(long, value_name = "FILE")]
    csv_adjustments: Option<PathBuf>,
}

/// A unit that could not be reported: its name and the error.
type Failed = (String, CliError);

/// Runs the command.
///
/// # Errors
/// If the book cannot be read, a value is invalid, the unit cannot be estimated, or a file cannot
/// be written. With several units, the others are still reported.
pub fn run(args: &ReportArgs, book: Option<&Path>) -> Result<(), CliError> {
    args.files.check()?;
    args.fault()
        .map_or(Ok(()), |fault| Err(CliError::usage(fault)))?;
    let book = open(book)?;
    let asked = args.asked(&book)?;
    let run = Run {
        args,
        book: &book,
        as_of: args.unit.day(book.settings()),
        several: asked.len() > 1,
    };
    let (mut made, mut failed): (Vec<Made<'_>>, Vec<Failed>) = (Vec::new(), Vec::new());
    for (asked, done) in asked.iter().zip(run.all(&asked)?) {
        match (done, &asked.name) {
            (Ok(unit), _) => made.push(unit),
            (Err(error), Some(name)) => failed.push((name.clone(), error)),
            (Err(error), None) => return Err(error),
        }
    }
    if !made.is_empty() {
        if let Some(path) = &args.files.out {
            save(path, "report", run.page(&made, &failed)?.as_bytes())?;
        }
        args.files.spreadsheets(&made)?;
    }
    ended(failed)
}

/// A requested unit, with its name if it is watched.
struct Asked {
    name: Option<String>,
    description: Description,
}

impl ReportArgs {
    /// The error in the combination of flags, if any.
    fn fault(&self) -> Option<&'static str> {
        let watched = self.all || !self.watched.is_empty();
        let several = self.all || self.watched.len() > 1;
        if (several && !self.unit.is_blank()) || (watched && self.unit.has_model()) {
            return Some(
                "flags such as --model and --grade describe one unit: leave them out, or name one unit or model only",
            );
        }
        if !watched && !self.unit.has_model() {
            return Some(
                "which unit? Give --model MODEL and its description, names of watched units, deals, or --all",
            );
        }
        let wanted = self.with_bid() || self.with_ask();
        (wanted && self.files.out.is_none())
            .then_some("what to bid and to ask is only on the page: give its file with --out FILE")
    }

    /// Flags of the sale belong to bid and ask; alone, they request the bid.
    fn with_bid(&self) -> bool {
        let asked = self.bid || self.deal.is_given_for_buying();
        asked || (self.deal.is_given() && !self.with_ask())
    }

    fn with_ask(&self) -> bool {
        self.ask || self.waiting.is_given()
    }

    /// The requested units: in the order of the given names, or all.
    fn asked(&self, book: &Book) -> Result<Vec<Asked>, CliError> {
        if self.unit.has_model() {
            return Ok(vec![Asked {
                name: None,
                description: self.unit.description(book.settings())?,
            }]);
        }
        let asked = |(name, description)| Asked {
            name: Some(name),
            description,
        };
        if self.all {
            let all = chosen(&[], book.watched()?)?;
            return Ok(all.into_iter().map(asked).collect());
        }
        // Of several units no other facts are given.
        let besides = self.unit.description(book.settings())?;
        let mut ordered: Vec<(String, Description)> = Vec::new();
        for name in &self.watched {
            let unit = meant(book, name, besides.clone(), &mut notice)?;
            if unit.kind == Kind::Model || !self.unit.is_blank() {
                return self.of_model(unit.description);
            }
            if ordered.iter().all(|(known, _)| known != name) {
                ordered.push((name.clone(), unit.description));
            }
        }
        Ok(ordered.into_iter().map(asked).collect())
    }

    /// A model, or a unit with other facts, which has no section of its own name.
    fn of_model(&self, description: Description) -> Result<Vec<Asked>, CliError> {
        if self.watched.len() > 1 {
            return Err(CliError::usage(format!(
                "{:?} is a model: to report on several units, name them first with `compband watch add`",
                description.model
            )));
        }
        Ok(vec![Asked {
            name: None,
            description,
        }])
    }
}

/// Values common to all units of a report.
struct Run<'a> {
    args: &'a ReportArgs,
    book: &'a Book,
    as_of: NaiveDate,
    several: bool,
}

/// A unit with its estimate, and its content for the page.
struct Made<'a> {
    place: Place,
    name: Option<&'a str>,
    flags: String,
    estimated: Estimated<'a>,
    sections: Sections,
}

/// Parts that appear on the page only.
#[derive(Default)]
struct Sections {
    chart: String,
    check: Option<Check>,
    bid: Option<String>,
    ask: Option<String>,
}

impl Run<'_> {
    /// Estimates units and makes their content for the page; results in their order.
    fn all<'a>(&self, named: &'a [Asked]) -> Result<Vec<Result<Made<'a>, CliError>>, CliError> {
        let descriptions: Vec<&Description> = named.iter().map(|one| &one.description).collect();
        let units = estimates(self.book, &descriptions, self.as_of, &mut notice)?;
        let past = if self.args.check {
            let made = units.iter().filter_map(|unit| unit.as_ref().ok());
            let made = made.map(|unit| &unit.estimate);
            past_sales(self.book, made, &mut notice, &progress())?
        } else {
            BTreeMap::new()
        };
        let units: Vec<(usize, Result<Estimated<'a>, AppError>)> =
            units.into_iter().enumerate().collect();
        let sections = each_in_parallel(&units, |(at, unit)| {
            let unit = unit.as_ref().ok()?;
            Some(self.sections(unit, &past, *at))
        });
        let all = units.into_iter().zip(sections).zip(named);
        let made = all.map(|(((at, unit), sections), asked)| {
            let flags: Vec<String> = flags(&asked.description)
                .iter()
                .map(|f| quoted(f))
                .collect();
            Ok(Made {
                place: self.place(at),
                name: asked.name.as_deref(),
                flags: flags.join(" "),
                estimated: unit?,
                sections: sections.transpose()?.unwrap_or_default(),
            })
        });
        Ok(made.collect())
    }

    fn place(&self, at: usize) -> Place {
        if self.several {
            Place::part(at + 1)
        } else {
            Place::WHOLE
        }
    }

    /// Makes the parts that appear on the page only. Errors in the settings as a whole are reported
    /// with the first unit.
    fn sections(
        &self,
        Estimated { unit, estimate }: &Estimated<'_>,
        past: &BTreeMap<String, Vec<Past>>,
        at: usize,
    ) -> Result<Sections, CliError> {
        let (args, place, settings) = (self.args, self.place(at), self.book.settings());
        if args.files.out.is_none() {
            return Ok(Sections::default());
        }
        let unsure = |unsure: Option<&'static str>, tells: bool| {
            unsure
                .filter(|_| at == 0 && tells)
                .into_iter()
                .for_each(notice);
        };
        let mut sections = Sections {
            // The page names the unit, in letters of a suitable size.
            chart: to_svg(&BandChart {
                title: "The likely price and the sales behind it".into(),
                ..BandChart::of(estimate)
            })?,
            check: past
                .get(&match_key(&estimate.subject.model))
                .and_then(|past| past_estimates(past)),
            ..Sections::default()
        };
        if args.with_bid() {
            let purchase = args.deal.read(settings)?;
            let found = bid(self.book, unit, purchase, &mut notice)?;
            unsure(found.unsure, true);
            sections.bid = Some(bid_section(&found, place));
        }
        if args.with_ask() {
            let waiting = args.waiting.read(&unit.settings)?;
            let sale = args.deal.sale.read(settings)?;
            let asking = ask(self.book, unit, sale, waiting, &mut notice)?;
            unsure(asking.basis.unsure, sections.bid.is_none());
            sections.ask = Some(ask_section(&asking, place));
        }
        Ok(sections)
    }

    /// The page as a document.
    fn page(&self, made: &[Made<'_>], failed: &[Failed]) -> Result<String, CliError> {
        let ids = made.iter().map(Made::ids).collect::<Result<Vec<_>, _>>()?;
        let units: Vec<report::Unit<'_>> = made
            .iter()
            .zip(&ids)
            .map(|(made, ids)| made.content(ids))
            .collect();
        let absent: Vec<String> = failed
            .iter()
            .map(|(name, error)| format!("{name}: {error}."))
            .collect();
        Ok(html(&Page {
            units: &units,
            absent: &absent,
            as_of: self.as_of,
            fingerprint: self.book.fingerprint()?,
            command: &command(std::env::args_os(), self.as_of),
        }))
    }
}

impl Made<'_> {
    /// Name of each comp, in the order of the estimate.
    fn ids(&self) -> Result<Vec<&str>, AppError> {
        self.estimated.unit.short_ids(&self.estimated.estimate)
    }

    fn content<'b>(&'b self, ids: &'b [&'b str]) -> report::Unit<'b> {
        report::Unit {
            place: self.place,
            watched: self.name.map(|name| (name, self.flags.as_str())),
            estimate: &self.estimated.estimate,
            ids,
            chart: &self.sections.chart,
            check: self.sections.check.as_ref(),
            bid: self.sections.bid.as_deref(),
            ask: self.sections.ask.as_deref(),
            settings: &self.estimated.unit.settings,
        }
    }
}

impl Files {
    /// Checks the file names before the work.
    fn check(&self) -> Result<(), CliError> {
        let wanted: [(&Option<PathBuf>, &str, &[&str]); 4] = [
            (&self.out, "--out", &["html", "htm"]),
            (&self.xlsx, "--xlsx", &["xlsx"]),
            (&self.csv, "--csv", &["csv"]),
            (&self.csv_adjustments, "--csv-adjustments", &["csv"]),
        ];
        for (path, flag, endings) in wanted {
            let Some(path) = path else { continue };
            let ending = path
                .extension()
                .and_then(|e| e.to_str())
                .unwrap_or_default();
            if !endings.iter().any(|e| ending.eq_ignore_ascii_case(e)) {
                return Err(AppError::Refused {
                    message: format!(
                        "{flag} {}: expected a file name that ends in .{}",
                        path.display(),
                        endings[0]
                    ),
                    next: "give the file that ending, so that the right program opens it".into(),
                }
                .into());
            }
        }
        let mut names: Vec<&PathBuf> = wanted
            .iter()
            .filter_map(|(path, ..)| path.as_ref())
            .collect();
        names.sort();
        if let Some(twice) = names.windows(2).find(|pair| pair[0] == pair[1]) {
            return Err(CliError::usage(format!(
                "{} is named for two files: give each its own name",
                twice[0].display()
            )));
        }
        Ok(())
    }

    fn spreadsheets(&self, made: &[Made<'_>]) -> Result<(), CliError> {
        let named: Vec<spreadsheet::Named<'_>> = made
            .iter()
            .map(|made| (made.name, &made.estimated.estimate))
            .collect();
        if let Some(path) = &self.xlsx {
            let bytes = spreadsheet::workbook(&named).map_err(|error| unmade(path, &error))?;
            save(path, "workbook", &bytes)?;
        }
        if let Some(path) = &self.csv {
            let bytes = spreadsheet::comps_csv(&named).map_err(|error| unmade(path, &error))?;
            save(path, "comps", &bytes)?;
        }
        if let Some(path) = &self.csv_adjustments {
            let bytes =
                spreadsheet::adjustments_csv(&named).map_err(|error| unmade(path, &error))?;
            save(path, "adjustments", &bytes)?;
        }
        Ok(())
    }
}

fn unmade(path: &Path, error: &dyn std::error::Error) -> AppError {
    AppError::Refused {
        message: format!("{}: cannot be made: {error}", path.display()),
        next: "use fewer sales (--window, --enough), or --csv, which has no limit of rows".into(),
    }
}

fn save(path: &Path, what: &str, bytes: &[u8]) -> Result<(), CliError> {
    write(path, bytes)?;
    notice(&format!("{what} written to {}", path.display()));
    Ok(())
}

/// The check of past estimates of a model; `None` if no sale could be predicted.
fn past_estimates(checked: &[Past]) -> Option<Check> {
    let sales = check::predicted(checked);
    check::of_all(&sales).map(|figures| Check {
        predicted: how_predicted(sales.len(), check::undated(&sales), checked.len()),
        verdicts: check::verdicts(check::ALL, &figures),
        figures,
    })
}

/// Options with names of files and folders, and the day, which is appended at the end.
const LEFT_OUT: [&str; 6] = [
    "--book",
    "--out",
    "--xlsx",
    "--csv",
    "--csv-adjustments",
    "--as-of",
];

/// The command line that makes the page again in the folder of the book: without names of files and
/// folders, which are private, and with the day.
fn command(args: impl IntoIterator<Item = OsString>, as_of: NaiveDate) -> String {
    let args = args.into_iter().skip(1);
    let mut args = args.map(|arg| arg.to_string_lossy().into_owned());
    let mut words = vec!["compband".to_string()];
    while let Some(arg) = args.next() {
        let name = arg.split_once('=').map_or(arg.as_str(), |(name, _)| name);
        if !LEFT_OUT.contains(&name) {
            words.push(quoted(&arg));
        } else if name == arg {
            args.next();
        }
    }
    words.push(format!("--as-of {as_of} --out report.html"));
    words.join(" ")
}

/// A word quoted for a POSIX shell.
fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./:,=%+".contains(c);
    if !word.is_empty() && word.chars().all(plain) {
        word.to_string()
    } else {
        format!("'{}'", word.replace('\'', "'\\''"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_can_be_given_again_and_names_no_folder() {
        let args = [
            "/opt/bin/compband",
            "--book",
            "report",
            "report",
            "--model",
            "it's a \"b\"",
            "--out",
            "/home/x/a.html",
            "--as-of=today",
            "--set",
            "storage=32",
            "--csv=x.csv",
            "--parts",
        ];
        let day = NaiveDate::from_ymd_opt(2026, 11, 20).unwrap();
        assert_eq!(
            command(args.map(OsString::from), day),
            "compband report --model 'it'\\''s a \"b\"' --set storage=32 --parts \
             --as-of 2026-11-20 --out report.html"
        );
    }
}
