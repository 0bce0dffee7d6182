//! `compband report`: an estimate as a page to keep or to send, and for a spreadsheet.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use clap::Args;

use super::bid::{DealArgs, tell_selling};
use super::check::{how_foretold, undated_of, verdicts};
use super::estimate::band_chart;
use super::past::{self, Past};
use super::unit::UnitArgs;
use super::{CliError, SHORTEST_ID, notice};
use crate::band::estimate::Estimate;
use crate::band::selfcheck::{Foretold, figures};
use crate::book::BookError;
use crate::book::files::write_whole;
use crate::book::frame::short_ids;
use crate::book::store::Book;
use crate::render::chart::to_svg;
use crate::render::report::{Check, Page, bid_section, html};
use crate::render::spreadsheet;

const EXAMPLES: &str = "\
Examples:
  compband report --model \"Nerrow F4\" --grade B --out reports/nerrow-f4.html
  compband report --model \"Nerrow F4\" --grade B --check --bid --against 88 --out f4.html
  compband report --model \"Brask M2\" --xlsx m2.xlsx --csv m2-comps.csv

The page is one file that needs no other and no network; a browser prints it, also to PDF. Files that
are there already are replaced. Notes and venues of comps are on none of them. Text in CSV that a
spreadsheet would take for a formula has an apostrophe before it.";

/// Write an estimate as a page to keep or to send, or for a spreadsheet
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct ReportArgs {
    #[command(flatten)]
    unit: UnitArgs,
    #[command(flatten)]
    files: Files,
    /// Add how past estimates of the model held (as `compband check --model` says)
    #[arg(long, requires = "out")]
    check: bool,
    /// Add what to bid; so does every option of `compband bid`
    #[arg(long, requires = "out")]
    bid: bool,
    #[command(flatten)]
    deal: DealArgs,
}

/// What is written.
#[derive(Debug, Args)]
#[group(required = true, multiple = true)]
struct Files {
    /// The page: one HTML file
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// A workbook of the adjustments and the comps, with formulas
    #[arg(long, value_name = "FILE")]
    xlsx: Option<PathBuf>,
    /// The comps as CSV
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// The adjustments as CSV
    #[arg(long, value_name = "FILE")]
    csv_adjustments: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// Where the book cannot be read, a value is wrong, nothing speaks of the unit, or a file cannot be
/// written.
pub fn run(args: &ReportArgs, book: Option<&Path>) -> Result<(), CliError> {
    args.files.check()?;
    let with_bid = args.bid || args.deal.is_said();
    if with_bid && args.files.out.is_none() {
        return Err(CliError::Usage(
            "what to bid is told on the page alone: name it with --out FILE".into(),
        ));
    }
    let book = Book::open(book)?;
    let unit = args.unit.read(&book)?;
    let made = unit.estimate(unit.selection()?)?;
    if let Some(path) = &args.files.out {
        let ids: Vec<&str> = made
            .comps
            .iter()
            .map(|line| line.comp.comp_id.as_str())
            .collect();
        let bid = with_bid
            .then(|| {
                args.deal.tell(&book, &unit, |told, terms| {
                    tell_selling(terms);
                    Ok(bid_section(told))
                })
            })
            .transpose()?;
        let check = args
            .check
            .then(|| past_estimates(&book, &made))
            .transpose()?
            .flatten();
        let page = Page {
            estimate: &made,
            ids: &short_ids(&unit.comps, &ids, SHORTEST_ID)?,
            chart: &chart(&made)?,
            check,
            bid,
            settings: &unit.settings,
            fingerprint: book.fingerprint()?,
            command: &command(std::env::args_os(), made.as_of),
        };
        write(path, "report", html(&page).as_bytes())?;
    }
    args.files.spreadsheets(&made)
}

impl Files {
    /// Checks the names before the work.
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
                return Err(CliError::Refused {
                    message: format!(
                        "{flag} {}: expected a file name that ends in .{}",
                        path.display(),
                        endings[0]
                    ),
                    next: "give the file that ending, so that it opens in the right program".into(),
                });
            }
        }
        let mut names: Vec<&PathBuf> = wanted
            .iter()
            .filter_map(|(path, ..)| path.as_ref())
            .collect();
        names.sort();
        if let Some(twice) = names.windows(2).find(|pair| pair[0] == pair[1]) {
            return Err(CliError::Usage(format!(
                "{} is named for two files: give each its own name",
                twice[0].display()
            )));
        }
        Ok(())
    }

    fn spreadsheets(&self, made: &Estimate) -> Result<(), CliError> {
        if let Some(path) = &self.xlsx {
            let bytes = spreadsheet::workbook(made).map_err(|error| unmade(path, &error))?;
            write(path, "workbook", &bytes)?;
        }
        if let Some(path) = &self.csv {
            let bytes = spreadsheet::comps_csv(made).map_err(|error| unmade(path, &error))?;
            write(path, "comps", &bytes)?;
        }
        if let Some(path) = &self.csv_adjustments {
            let bytes = spreadsheet::adjustments_csv(made).map_err(|error| unmade(path, &error))?;
            write(path, "adjustments", &bytes)?;
        }
        Ok(())
    }
}

fn unmade(path: &Path, error: &dyn std::error::Error) -> CliError {
    CliError::Refused {
        message: format!("{}: cannot be made: {error}", path.display()),
        next: "use fewer comps (--window, --enough), or --csv, which has no limit of rows".into(),
    }
}

fn write(path: &Path, what: &str, bytes: &[u8]) -> Result<(), CliError> {
    write_whole(path, bytes).map_err(BookError::io(path, "write"))?;
    notice(&format!("{what} written to {}", path.display()));
    Ok(())
}

fn chart(made: &Estimate) -> Result<String, CliError> {
    let mut chart = band_chart(made);
    // The page says what the unit is, in letters that fit.
    chart.title = "The likely price and the sales behind it".into();
    Ok(to_svg(&chart)?)
}

/// How past estimates of the model held; none where no sale could be foretold.
fn past_estimates(book: &Book, made: &Estimate) -> Result<Option<Check>, CliError> {
    if made.evidence.seen == 0 {
        return Ok(None);
    }
    let checked = past::check(book, Some(&made.subject.model))?;
    let told: Vec<(&Past, &Foretold)> = checked
        .iter()
        .filter_map(|past| Some((past, past.foretold.as_ref()?)))
        .collect();
    let all: Vec<&Foretold> = told.iter().map(|(_, foretold)| *foretold).collect();
    Ok(figures(&all).map(|figures| Check {
        told: how_foretold(told.len(), undated_of(&told), checked.len()),
        verdicts: verdicts("all sales", &figures),
        figures,
    }))
}

/// Options that say where things are, and the day, which is said for certain at the end.
const LEFT_OUT: [&str; 6] = [
    "--book",
    "--out",
    "--xlsx",
    "--csv",
    "--csv-adjustments",
    "--as-of",
];

/// The command line that makes the page again in the folder of the book: without names of files and
/// folders, which are nobody's business, and with the day.
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

/// A word as a POSIX shell takes it.
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
