//! `compband report`: estimates as a page to keep or to send, and for a spreadsheet.

use crate::cli::progress;
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use clap::{Arg, Args};

use super::ask::{self, WaitingArgs};
use super::bid::DealArgs;
use super::estimate::band_chart;
use super::net::tell_unsure;
use super::refresh::ended;
use super::{CliError, SHORTEST_ID, notice};
use crate::app::AppError;
use crate::app::check;
use crate::app::past::Past;
use crate::app::reader::Reader;
use crate::app::refresh::chosen;
use crate::app::report::{Estimated, each, estimates, past_sales};
use crate::app::unit::AskedUnit;
use crate::band::estimate::Estimate;
use crate::book::BookError;
use crate::book::comps::frame::short_ids;
use crate::book::files::write_whole;
use crate::book::store::Book;
use crate::book::watch::Watched;
use crate::cli::unit::UnitArgs;
use crate::deal::outlet::Terms;
use crate::render::chart::to_svg;
use crate::render::check::how_predicted;
use crate::render::html::Place;
use crate::render::report::{self, Check, Page, ask_section, bid_section, html};
use crate::render::spreadsheet;
use crate::trade::names::match_key;

const EXAMPLES: &str = "\
Examples:
  compband report --model \"Nerrow F4\" --grade B --out reports/nerrow-f4.html
  compband report --model \"Nerrow F4\" --grade B --check --bid --against 88 --ask --out f4.html
  compband report f4 page6 --out two.html            watched units, a section for each
  compband report --all --ask --deadline 6 --out stock.html --xlsx stock.xlsx
  compband report --model \"Brask M2\" --xlsx m2.xlsx --csv m2-comps.csv

The page is one file that needs no other and no network; a browser prints it, also to PDF. Files that
are there already are replaced. Notes and venues of comps are on none of them. Text in CSV that a
spreadsheet would take for a formula has an apostrophe before it. Watched units are estimated as
`compband refresh` does, and are not recorded; options of bid and ask hold for each of them. Their CSV has
a first column `unit` with the name, their workbook two sheets for each.";

/// Write an estimate as a page to keep or to send, or for a spreadsheet
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES, mut_arg("model", optional))]
pub struct ReportArgs {
    /// Names of watched units, in the order of their sections
    #[arg(value_name = "NAME")]
    watched: Vec<String>,
    /// Every watched unit
    #[arg(long, conflicts_with = "watched")]
    all: bool,
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
    /// Add what to ask and the lowest offer to take by week; so does every option of `compband ask`
    #[arg(long, requires = "out")]
    ask: bool,
    #[command(flatten)]
    deal: DealArgs,
    #[command(flatten)]
    waiting: WaitingArgs,
}

/// The model is needed where no watched unit is named, which [`ReportArgs::fault`] sees to.
fn optional(model: Arg) -> Arg {
    model
        .required(false)
        .default_value("")
        .hide_default_value(true)
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

/// A unit that could not be reported, by its name.
type Failed = (String, CliError);

/// Runs the command.
///
/// # Errors
/// Where the book cannot be read, a value is wrong, nothing speaks of the unit, or a file cannot be
/// written. Of several units those are told of that can be.
pub fn run(args: &ReportArgs, book: Option<&Path>) -> Result<(), CliError> {
    args.files.check()?;
    args.fault()
        .map_or(Ok(()), |fault| Err(CliError::Usage(fault.into())))?;
    let book = Book::open(book)?;
    let asked = args.asked(&book)?;
    let run = Run {
        args,
        book: &book,
        as_of: args.unit.day(),
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
            write(path, "report", run.page(&made, &failed)?.as_bytes())?;
        }
        args.files.spreadsheets(&made)?;
    }
    ended(failed)
}

/// A unit that is asked for, with its name where it is watched.
struct Asked {
    name: Option<String>,
    args: UnitArgs,
}

impl ReportArgs {
    /// What makes no sense, if anything.
    fn fault(&self) -> Option<&'static str> {
        let watched = self.all || !self.watched.is_empty();
        if watched && !self.unit.is_blank() {
            return Some(
                "watched units are described in watch.toml: leave --model and the like out (--as-of apart), or the names",
            );
        }
        if !watched && !self.unit.has_model() {
            return Some(
                "say which unit: --model MODEL and what it is, names of watched units, or --all",
            );
        }
        let wanted = self.with_bid() || self.with_ask();
        (wanted && self.files.out.is_none())
            .then_some("what to bid and to ask is told on the page alone: name it with --out FILE")
    }

    /// Options of the sale belong to bid and ask; alone, they ask for the bid.
    fn with_bid(&self) -> bool {
        let asked = self.bid || self.deal.is_said_of_buying();
        asked || (self.deal.is_said() && !self.with_ask())
    }

    fn with_ask(&self) -> bool {
        self.ask || self.waiting.is_said()
    }

    /// The units that are asked for: in the order of their names as given, or of all names.
    fn asked(&self, book: &Book) -> Result<Vec<Asked>, CliError> {
        if self.unit.has_model() {
            return Ok(vec![Asked {
                name: None,
                args: self.unit.clone(),
            }]);
        }
        let mut watches = chosen(&self.watched, book.watched()?)?;
        let mut ordered: Vec<(String, Watched)> = Vec::new();
        for name in &self.watched {
            ordered.extend(watches.remove_entry(name));
        }
        ordered.extend(watches);
        let asked = |(name, watched): (String, Watched)| Asked {
            args: UnitArgs::of(&watched),
            name: Some(name),
        };
        Ok(ordered.into_iter().map(asked).collect())
    }
}

/// What all units of a report share.
struct Run<'a> {
    args: &'a ReportArgs,
    book: &'a Book,
    as_of: NaiveDate,
    several: bool,
}

/// A unit with its estimate, and all that the page says of it.
struct Made<'a> {
    place: Place,
    name: Option<&'a str>,
    flags: String,
    unit: AskedUnit<'a>,
    estimate: Estimate,
    sections: Sections,
}

/// What stands on the page alone.
#[derive(Default)]
struct Sections {
    chart: String,
    check: Option<Check>,
    bid: Option<String>,
    ask: Option<String>,
}

impl Run<'_> {
    /// Estimates units and makes what the page says of them; what came of each, in their order.
    fn all<'a>(&self, asked: &'a [Asked]) -> Result<Vec<Result<Made<'a>, CliError>>, CliError> {
        let units: Vec<_> = asked.iter().map(|one| one.args.asked(self.book)).collect();
        let known = || units.iter().filter_map(|unit| unit.as_ref().ok());
        let models = known().map(|(_, subject)| subject.model.as_str());
        let reader = Reader::new(self.book, self.as_of, models, &mut notice)?;
        let questions: Vec<_> = asked
            .iter()
            .zip(&units)
            .filter_map(|(asked, unit)| Some(asked.args.of_reader(unit.as_ref().ok()?.clone())))
            .collect();
        let mut estimated = estimates(&reader, &questions).into_iter();
        let units: Vec<Result<Estimated<'a>, AppError>> = units
            .into_iter()
            .filter_map(|unit| unit.map_or_else(|error| Some(Err(error)), |_| estimated.next()))
            .collect();
        let past = if self.args.check {
            let made = units.iter().filter_map(|unit| unit.as_ref().ok());
            let made = made.map(|unit| &unit.estimate);
            past_sales(self.book, made, &mut notice, &progress())?
        } else {
            BTreeMap::new()
        };
        let units = units.into_iter().zip(asked).enumerate();
        let made: Vec<Result<Made<'a>, AppError>> = units
            .map(|(at, (unit, asked))| Ok(self.made(at, asked, unit?)))
            .collect();
        if self.args.files.out.is_none() {
            return Ok(made.into_iter().map(|made| Ok(made?)).collect());
        }
        let places: Vec<(usize, &Result<Made<'a>, AppError>)> = made.iter().enumerate().collect();
        let sections = each(&places, |(at, made)| {
            let made = made.as_ref().ok()?;
            Some(self.sections(made, &past, *at == 0))
        });
        let both = made.into_iter().zip(sections);
        let whole = both.map(|(made, sections)| {
            let made = made?;
            Ok(match sections.transpose()? {
                Some(sections) => Made { sections, ..made },
                None => made,
            })
        });
        Ok(whole.collect())
    }

    /// A unit without what stands on the page alone.
    fn made<'a>(&self, at: usize, asked: &'a Asked, estimated: Estimated<'a>) -> Made<'a> {
        let place = if self.several {
            Place::part(at + 1)
        } else {
            Place::WHOLE
        };
        let flags: Vec<String> = asked.args.flags().iter().map(|flag| quoted(flag)).collect();
        Made {
            place,
            name: asked.name.as_deref(),
            flags: flags.join(" "),
            unit: estimated.unit,
            estimate: estimated.estimate,
            sections: Sections::default(),
        }
    }

    /// Makes what stands on the page alone. What is wrong with the settings as a whole is told with the
    /// first unit.
    fn sections(
        &self,
        made: &Made<'_>,
        past: &BTreeMap<String, Vec<Past>>,
        first: bool,
    ) -> Result<Sections, CliError> {
        let (args, place) = (self.args, made.place);
        let selling = |terms: Option<&Terms<'_>>, tells: bool| {
            if first && tells {
                tell_unsure(terms);
            }
        };
        let mut sections = Sections {
            chart: chart(&made.estimate)?,
            check: past
                .get(&match_key(&made.estimate.subject.model))
                .and_then(|past| past_estimates(past)),
            ..Sections::default()
        };
        if args.with_bid() {
            sections.bid = Some(args.deal.tell(self.book, &made.unit, |told, terms| {
                selling(terms, true);
                Ok(bid_section(told, place))
            })?);
        }
        if args.with_ask() {
            let (sale, waiting) = (&args.deal.sale, &args.waiting);
            sections.ask = Some(ask::tell(
                self.book,
                &made.unit,
                sale,
                waiting,
                |told, terms| {
                    selling(terms, sections.bid.is_none());
                    Ok(ask_section(told, place))
                },
            )?);
        }
        Ok(sections)
    }

    /// The page as a document.
    fn page(&self, made: &[Made<'_>], failed: &[Failed]) -> Result<String, CliError> {
        let ids = made.iter().map(Made::ids).collect::<Result<Vec<_>, _>>()?;
        let units: Vec<report::Unit<'_>> = made
            .iter()
            .zip(&ids)
            .map(|(made, ids)| made.told(ids))
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
    /// How each comp is named, in the order of the estimate.
    fn ids(&self) -> Result<Vec<&str>, CliError> {
        let comps = self.estimate.comps.iter();
        let ids: Vec<&str> = comps.map(|line| line.comp.comp_id.as_str()).collect();
        Ok(short_ids(&self.unit.comps, &ids, SHORTEST_ID)?)
    }

    fn told<'b>(&'b self, ids: &'b [&'b str]) -> report::Unit<'b> {
        report::Unit {
            place: self.place,
            watched: self.name.map(|name| (name, self.flags.as_str())),
            estimate: &self.estimate,
            ids,
            chart: &self.sections.chart,
            check: self.sections.check.as_ref(),
            bid: self.sections.bid.as_deref(),
            ask: self.sections.ask.as_deref(),
            settings: &self.unit.settings,
        }
    }
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

    fn spreadsheets(&self, made: &[Made<'_>]) -> Result<(), CliError> {
        let named: Vec<spreadsheet::Named<'_>> = made
            .iter()
            .map(|made| (made.name, &made.estimate))
            .collect();
        if let Some(path) = &self.xlsx {
            let bytes = spreadsheet::workbook(&named).map_err(|error| unmade(path, &error))?;
            write(path, "workbook", &bytes)?;
        }
        if let Some(path) = &self.csv {
            let bytes = spreadsheet::comps_csv(&named).map_err(|error| unmade(path, &error))?;
            write(path, "comps", &bytes)?;
        }
        if let Some(path) = &self.csv_adjustments {
            let bytes =
                spreadsheet::adjustments_csv(&named).map_err(|error| unmade(path, &error))?;
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

/// How past estimates of a model held; none where no sale could be predicted.
fn past_estimates(checked: &[Past]) -> Option<Check> {
    let sales = check::predicted(checked);
    check::of_all(&sales).map(|figures| Check {
        told: how_predicted(sales.len(), check::undated(&sales), checked.len()),
        verdicts: check::verdicts(check::ALL, &figures),
        figures,
    })
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
