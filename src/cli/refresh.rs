//! `compband refresh`: every watched unit estimated again, and why its price moved.

use crate::cli::report_error;
use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use chrono::NaiveDate;
use clap::Args;
use polars::prelude::{DataFrame, PolarsResult};
use xxhash_rust::xxh3::xxh3_64;

use super::{CliError, notice, parse_day, say, today};
use crate::app::parallel::in_parallel;
use crate::app::past;
use crate::app::related::Siblings;
use crate::app::timeline::estimate_settings_hash;
use crate::app::unit::AskedUnit;
use crate::band::change::{At, Inputs, steps};
use crate::band::estimate::{Aids, CompLine, Estimate};
use crate::band::own::Own;
use crate::band::siblings::{MOST_MODELS, speak};
use crate::book::comps::frame::CONTENT_HASH;
use crate::book::history::{Record, comps_of, frame_of};
use crate::book::watch::{Watched, Watches, no_such_watch};
use crate::book::{Book, BookError, BookLock};
use crate::cli::unit::UnitArgs;
use crate::render::change::{self, Moved, State, Told};
use crate::render::table::terminal_width;
use crate::render::{document, sheet};
use crate::select::Dropped;
use crate::trade::Comp;
use crate::trade::entry::Foreseen;
use crate::trade::hash::hash_of_value;
use crate::trade::names::match_key;

/// How often the folder of the book is looked at.
const LOOKED_AT: Duration = Duration::from_secs(1);

const EXAMPLES: &str = "\
Examples:
  compband refresh                 every watched unit
  compband refresh page6 --json    one of them
  compband refresh --follow        again whenever something is logged; Ctrl-C ends it

The change of a likely price is told in steps that add up to it, to the cent. Each estimate on the
way is made anew with one more of its inputs as they are now, in this order: settings, what is
said of the unit and other models; then the day (sales age, the trend goes on); then the comps,
gone, corrected, new, each by its day. How past bands held moves the band alone. What did not
change is not estimated again. The estimates are kept in the folder `history` of the book, a
file for each unit: a run that is stopped half-way has recorded some of them, which `compband history`
shows, and the next run records the others.";

/// Estimate what is watched again and say what moved and why
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct RefreshArgs {
    /// Names of watched units [default: all]
    #[arg(value_name = "NAME")]
    watched: Vec<String>,
    /// Day of the estimates: later sales are not used [default: today]
    #[arg(long, value_name = "DATE", value_parser = parse_day)]
    as_of: Option<NaiveDate>,
    /// Go on looking at the book, and say again what moved when it changes
    #[arg(long)]
    follow: bool,
    /// Print everything as JSON instead
    #[arg(long, conflicts_with = "follow")]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// Where nothing is watched, the book cannot be read or written, or a unit cannot be estimated;
/// the others are then estimated all the same.
pub fn run(args: &RefreshArgs, book: Option<&Path>) -> Result<(), CliError> {
    if args.follow {
        return follow(args, book);
    }
    let book = Book::open(book)?;
    let (told, failed) = refresh(args, &book)?;
    if args.json {
        say(&document::text(&document::refresh::document(&told))?)?;
    } else if !told.is_empty() {
        say(&change::sheet(&told, terminal_width()))?;
    }
    ended(failed)
}

/// A unit that could not be estimated, by its name.
pub type Failed = (String, CliError);

/// Tells all but the first failure, and hands that on.
///
/// # Errors
/// The first failure.
pub fn ended(failed: Vec<Failed>) -> Result<(), CliError> {
    let mut failed = failed
        .into_iter()
        .map(|(name, error)| of_unit(&name, error));
    let first = failed.next();
    failed.for_each(|error| report_error(&error));
    first.map_or(Ok(()), Err)
}

/// The error with the unit it is about.
fn of_unit(name: &str, error: CliError) -> CliError {
    let place = |message: String| format!("watched unit {name:?}: {message}");
    match error {
        CliError::Refused { message, next } => CliError::Refused {
            message: place(message),
            next,
        },
        CliError::Absent { message, next } => CliError::Absent {
            message: place(message),
            next,
        },
        other => other,
    }
}

/// Refreshes, and again whenever the files of the book (or the day) changed.
fn follow(args: &RefreshArgs, named: Option<&Path>) -> Result<(), CliError> {
    let mut book = Book::open(named)?;
    let mut first = true;
    loop {
        let seen = (book.mark()?, today());
        match refresh(args, &book) {
            Ok((mut told, failed)) => {
                told.retain(|told| first || !matches!(told.state, State::Same));
                if !told.is_empty() {
                    say(&change::sheet(&told, terminal_width()))?;
                }
                for (name, error) in failed {
                    report_error(&of_unit(&name, error));
                }
            }
            // A file that is being changed may be right again at the next look.
            Err(error) if !first => report_error(&error),
            Err(error) => return Err(error),
        }
        if std::mem::take(&mut first) {
            notice("looking at the book from here on; Ctrl-C ends it");
        }
        while (book.mark()?, today()) == seen {
            std::thread::sleep(LOOKED_AT);
        }
        book = reopened(named);
    }
}

/// The book as it is now; waits for settings that are being changed to be right again.
fn reopened(named: Option<&Path>) -> Book {
    let mut told = String::new();
    loop {
        match Book::open(named) {
            Ok(book) => return book,
            Err(error) => {
                let error = CliError::Book(error);
                if told != error.to_string() {
                    told = error.to_string();
                    report_error(&error);
                }
                std::thread::sleep(LOOKED_AT);
            }
        }
    }
}

/// Estimates what is asked for and records what changed, in the order of names.
fn refresh(args: &RefreshArgs, book: &Book) -> Result<(Vec<Told>, Vec<Failed>), CliError> {
    let watches: Vec<(String, Watched)> = chosen(&args.watched, book.watched()?)?
        .into_iter()
        .collect();
    let as_of = args.as_of.unwrap_or_else(today);
    let run = Run {
        book,
        as_of,
        own: past::own(book, as_of, &mut notice)?,
        settings: estimate_settings_hash(book.settings()),
    };
    let places: Vec<usize> = (0..watches.len()).collect();
    let all = in_parallel(&places, |&at| {
        let (name, watched) = &watches[at];
        // What is wrong with the book as a whole is told once.
        let mut told = |text: &str| {
            if at == 0 {
                notice(text);
            }
        };
        Ok((at, run.refreshed(name, watched, &mut told)))
    })?;
    let (mut told, mut failed, mut new) = (Vec::new(), Vec::new(), Vec::new());
    for (at, made) in all {
        match made {
            Ok(made) => {
                new.extend(made.new.map(|new| (at, new)));
                told.push(made.told);
            }
            Err(error) => failed.push((watches[at].0.clone(), error)),
        }
    }
    if !new.is_empty() {
        let lock = book.lock(&mut notice)?;
        for (at, new) in new {
            let name = &watches[at].0;
            // Those of other units are recorded all the same, and told.
            if let Err(error) = record(book, &lock, name, &new) {
                told.retain(|told| told.name != *name);
                failed.push((name.clone(), error.into()));
            }
        }
    }
    Ok((told, failed))
}

/// Records an estimate with its comps, unless another run has recorded the same meanwhile.
fn record(
    book: &Book,
    lock: &BookLock,
    name: &str,
    (record, comps): &(Record, Vec<Comp>),
) -> Result<(), BookError> {
    let last = book.history(name, &mut notice)?.pop();
    if last.is_some_and(|last| last.inputs == record.inputs) {
        return Ok(());
    }
    book.record(lock, name, record, comps, &mut notice)
}

/// The watched units of these names, or all where none is named.
///
/// # Errors
/// A name that no unit is watched by, and a book in which none is.
pub fn chosen(names: &[String], mut watches: Watches) -> Result<Watches, CliError> {
    if let Some(name) = names.iter().find(|name| !watches.contains_key(*name)) {
        return Err(CliError::Absent {
            message: no_such_watch(name, watches.keys()),
            next: "`compband watch list` shows what is watched".into(),
        });
    }
    if watches.is_empty() {
        return Err(CliError::Absent {
            message: "no unit is watched in this book".into(),
            next: "`compband watch add NAME --model MODEL` with what it is begins".into(),
        });
    }
    watches.retain(|name, _| names.is_empty() || names.contains(name));
    Ok(watches)
}

/// What all units of a run share.
struct Run<'a> {
    book: &'a Book,
    as_of: NaiveDate,
    own: Option<Own>,
    /// Hash of the settings.
    settings: u64,
}

/// A unit that was refreshed, with what is to be recorded where it was estimated.
struct Made {
    told: Told,
    new: Option<(Record, Vec<Comp>)>,
}

impl Run<'_> {
    fn refreshed(
        &self,
        name: &str,
        watched: &Watched,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Made, CliError> {
        let args = UnitArgs::of(watched);
        let (settings, subject) = args.asked(self.book)?;
        let (model, label) = (subject.model.clone(), sheet::unit(&subject));
        let speaks = |other: &str| speak(&model, other, &settings);
        let (own, others) = self
            .book
            .frame_among(&model, MOST_MODELS, &speaks, notice)?;
        let unit_hash = hash_of_value(watched);
        let inputs = self.inputs(unit_hash, &own, &others)?;
        let last = self.book.history(name, notice)?.pop();
        let last = last.filter(|last| last.currency == settings.currency.code);
        if let Some(last) = last.as_ref().filter(|last| last.inputs == inputs) {
            let told = Told {
                name: name.to_string(),
                unit: label,
                currency: settings.currency,
                now: last.clone(),
                state: State::Same,
            };
            return Ok(Made { told, new: None });
        }
        let pool = Siblings::new(&others, &settings)?.pool(&match_key(&model), self.as_of, true)?;
        let aids = Aids {
            own: self.own,
            pool,
        };
        let comps = comps_of(&own, &model, &settings.currency)?;
        let unit = args.unit((settings, subject), self.as_of, own, aids);
        let made = unit.estimate(unit.selection()?)?;
        let record = Record {
            number: last.as_ref().map_or(1, |last| last.number + 1),
            inputs,
            settings: self.settings,
            unit: unit_hash,
            ..recorded(&made)
        };
        let state = match last {
            None => State::First,
            Some(last) => {
                let kept = self.book.kept_comps(name, last.number)?;
                let now = (&record, &made, comps.as_slice());
                State::Moved(Box::new(moved(&unit, (last, kept), now)))
            }
        };
        let told = Told {
            name: name.to_string(),
            unit: label,
            currency: made.currency,
            now: record.clone(),
            state,
        };
        Ok(Made {
            told,
            new: Some((record, comps)),
        })
    }

    /// A hash of all that an estimate is made from.
    fn inputs(&self, unit: u64, own: &DataFrame, others: &DataFrame) -> Result<u64, CliError> {
        let all = (
            env!("CARGO_PKG_VERSION"),
            self.as_of.to_string(),
            self.settings,
            self.own.map(|own| (own.widening, own.held, own.of)),
            unit,
            comps_hash(own)?,
            comps_hash(others)?,
        );
        Ok(hash_of_value(&all))
    }
}

/// Why the estimate of a unit is not the last one; each comes with the comps of its model. Where
/// those of the last are not known, all is one step.
fn moved(
    unit: &AskedUnit<'_>,
    (last, kept): (Record, Option<Vec<Comp>>),
    (record, made, comps): (&Record, &Estimate, &[Comp]),
) -> Moved {
    let standing: BTreeMap<String, Result<f64, String>> = made
        .comps
        .iter()
        .map(|line| {
            let dropped = line.comp.dropped;
            let stands = dropped.map_or(Ok(line.weight), |dropped| Err(dropped.reason()));
            (line.comp.comp_id.clone(), stands)
        })
        .collect();
    let by_tests = |code: &String| *code != Dropped::ByHand.code();
    let trimmed = last.left_out.iter().filter(|(_, code)| by_tests(code));
    let was = At {
        likely: last.foreseen.likely,
        trimmed: trimmed.map(|(id, _)| id.clone()).collect(),
    };
    let known = kept.is_some();
    let old = kept.unwrap_or_else(|| comps.to_vec());
    let mut estimate = |as_of: NaiveDate, comps: &[Comp]| {
        let other = AskedUnit {
            as_of,
            comps: frame_of(comps).ok().filter(|_| known)?,
            ..unit.clone()
        };
        let made = other.estimate(other.selection().ok()?).ok()?;
        Some(at(&made))
    };
    let steps = steps(
        (&was, inputs(last.as_of, &old)),
        (&at(made), inputs(record.as_of, comps)),
        &|id| {
            standing
                .get(id)
                .and_then(|stands| stands.clone().ok())
                .unwrap_or(0.0)
        },
        &mut estimate,
    );
    Moved {
        rest: rest(&last, record, known),
        was: last,
        steps,
        standing,
    }
}

/// What of all but the day and the comps of the model is not as it was.
fn rest(last: &Record, now: &Record, comps_known: bool) -> Vec<&'static str> {
    let changed = [
        (last.settings != now.settings, "the settings"),
        (last.unit != now.unit, "what is said of the unit"),
        (last.version != now.version, "this program's version"),
        (!comps_known, "the comps, whose old state is not known"),
        (true, "what other models say"),
    ];
    let told = changed.into_iter().filter(|(is, _)| *is);
    told.map(|(_, what)| what).collect()
}

fn inputs(as_of: NaiveDate, comps: &[Comp]) -> Inputs<'_> {
    Inputs { as_of, comps }
}

fn at(made: &Estimate) -> At {
    let by_tests = |dropped| matches!(dropped, Dropped::GrossError(_) | Dropped::Outlier(_));
    let lines = made.comps.iter();
    let trimmed = lines.filter(|line| line.comp.dropped.is_some_and(by_tests));
    At {
        likely: made.median,
        trimmed: trimmed.map(|line| line.comp.comp_id.clone()).collect(),
    }
}

/// What the history keeps of an estimate; numbers and hashes are still to come.
fn recorded(made: &Estimate) -> Record {
    let id = |line: &CompLine| line.comp.comp_id.clone();
    let rounded = |weight: f64| (weight * 1e4).round() / 1e4;
    let used = made.comps.iter().filter(|line| line.comp.dropped.is_none());
    let left_out = made.comps.iter().filter_map(|line| {
        let dropped = line.comp.dropped.filter(|dropped| dropped.is_looked_at())?;
        Some((id(line), dropped.code().to_string()))
    });
    Record {
        number: 1,
        as_of: made.as_of,
        currency: made.currency.code.clone(),
        foreseen: Foreseen {
            likely: made.median,
            low: made.low,
            high: made.high,
            chance: made.chance,
            basis: made.basis,
        },
        used: used.map(|line| (id(line), rounded(line.weight))).collect(),
        left_out: left_out.collect(),
        inputs: 0,
        settings: 0,
        unit: 0,
        version: env!("CARGO_PKG_VERSION").into(),
    }
}

/// A hash of the comps of a table, in whatever order they stand.
fn comps_hash(frame: &DataFrame) -> PolarsResult<u64> {
    let ids = frame.column("comp_id")?.str()?;
    let contents = frame.column(CONTENT_HASH)?.i64()?;
    let hashes = ids.iter().zip(contents.iter()).map(|(id, content)| {
        let mut bytes = content.unwrap_or_default().to_le_bytes().to_vec();
        bytes.extend_from_slice(id.unwrap_or_default().as_bytes());
        xxh3_64(&bytes)
    });
    Ok(hashes.fold(0, u64::wrapping_add))
}
