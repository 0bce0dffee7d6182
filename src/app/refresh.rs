//! Estimates watched units again: their inputs, whether these changed since the last estimate, and
//! the reasons for the change of price.

use crate::trade;
use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::AppError;
use super::describe::asked;
use super::ledger::foreseen;
use super::reader::{Asked, Reader};
use super::timeline::estimate_settings_hash;
use super::unit::AskedUnit;
use crate::band::change::{At, Inputs, Step, steps};
use crate::band::estimate::{CompLine, Estimate};
use crate::book::history::{Record, comps_of, frame_of};
use crate::book::watch::{Watched, Watches, no_such_watch};
use crate::book::{Book, BookError, BookLock};
use crate::select::Dropped;
use crate::settings::Settings;
use crate::trade::hash::hash_of_value;
use crate::trade::{Comp, Currency};

/// A refreshed unit.
#[derive(Debug, Clone)]
pub struct Refreshed {
    /// Its name.
    pub name: String,
    /// The unit.
    pub subject: trade::Unit,
    /// Currency of all money.
    pub currency: Currency,
    /// Its estimate.
    pub now: Record,
    /// Comparison with the last estimate.
    pub state: State,
}

impl Refreshed {
    /// Whether its likely price is another than that of the last estimate.
    pub fn has_moved(&self) -> bool {
        match &self.state {
            State::Moved(moved) => moved.was.foreseen.likely != self.now.foreseen.likely,
            State::First | State::Same => false,
        }
    }
}

/// Comparison of an estimate with the last one.
#[derive(Debug, Clone)]
pub enum State {
    /// It is the first.
    First,
    /// No input has changed since.
    Same,
    /// It was computed again.
    Moved(Box<Moved>),
}

/// Change of an estimate, with its causes.
#[derive(Debug, Clone)]
pub struct Moved {
    /// The last one.
    pub was: Record,
    /// The change of the likely price, in steps that sum to it.
    pub steps: Vec<Step>,
    /// Possible causes of [`crate::band::change::Cause::Rest`].
    pub rest: Vec<&'static str>,
    /// By comp: its weight in the new estimate, or the reason why it has none.
    pub standing: BTreeMap<String, Result<f64, String>>,
}

/// A watched unit with its description in the words of the book, or the error in it.
struct Unit {
    name: String,
    watched: Watched,
    /// The book's settings with the overrides of this unit, and the unit.
    is: Result<(Settings, trade::Unit), AppError>,
}

/// A unit that could not be estimated: its name and the error.
pub type Failed = (String, AppError);

/// The watched units with these names, or all if there are no names.
///
/// # Errors
/// A name without a watched unit, and a book without any.
pub fn chosen(names: &[String], mut watches: Watches) -> Result<Watches, AppError> {
    if let Some(name) = names.iter().find(|name| !watches.contains_key(*name)) {
        return Err(AppError::Absent {
            message: no_such_watch(name, watches.keys()),
            next: "`compband watch list` shows the watched units".into(),
        });
    }
    if watches.is_empty() {
        return Err(AppError::Absent {
            message: "no unit is watched in this book".into(),
            next: "add one: compband watch add NAME --model MODEL, with its description".into(),
        });
    }
    watches.retain(|name, _| names.is_empty() || names.contains(name));
    Ok(watches)
}

/// Estimates units whose inputs changed and records the new estimates, in order. Returns the
/// refreshed units and those that failed.
///
/// # Errors
/// If the book cannot be read or locked.
pub fn refresh(
    book: &Book,
    watches: Watches,
    as_of: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<(Vec<Refreshed>, Vec<Failed>), AppError> {
    let Found {
        mut refreshed,
        mut failed,
        new,
    } = found(book, watches, as_of, notice)?;
    if !new.is_empty() {
        let lock = book.lock(notice)?;
        for (name, new) in new {
            // The estimates of other units are still recorded and reported.
            if let Err(error) = record(book, &lock, &name, &new, notice) {
                refreshed.retain(|refreshed| refreshed.name != name);
                failed.push((name, error.into()));
            }
        }
    }
    Ok((refreshed, failed))
}

/// The present result of [`refresh`]; nothing is recorded.
///
/// # Errors
/// If the book cannot be read.
pub fn look(
    book: &Book,
    watches: Watches,
    as_of: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<(Vec<Refreshed>, Vec<Failed>), AppError> {
    let found = found(book, watches, as_of, notice)?;
    Ok((found.refreshed, found.failed))
}

/// The present estimates of units.
struct Found {
    refreshed: Vec<Refreshed>,
    failed: Vec<Failed>,
    /// The new estimates, by the names of their units.
    new: Vec<(String, (Record, Vec<Comp>))>,
}

/// Estimates units whose inputs changed.
fn found(
    book: &Book,
    watches: Watches,
    as_of: NaiveDate,
    notice: &mut dyn FnMut(&str),
) -> Result<Found, AppError> {
    let units: Vec<Unit> = watches
        .into_iter()
        .map(|(name, watched)| Unit {
            is: asked(&watched, book.settings(), notice),
            name,
            watched,
        })
        .collect();
    let models = units.iter().filter_map(|unit| unit.is.as_ref().ok());
    let models = models.map(|(_, subject)| subject.model.as_str());
    let run = Run {
        reader: Reader::new(book, as_of, models, notice)?,
        settings: estimate_settings_hash(book.settings()),
    };
    let mut found = Found {
        refreshed: Vec::new(),
        failed: Vec::new(),
        new: Vec::new(),
    };
    for (unit, made) in run.all(units, notice) {
        match made {
            Ok(made) => {
                found.new.extend(made.new.map(|new| (unit, new)));
                found.refreshed.push(made.refreshed);
            }
            Err(error) => found.failed.push((unit, error)),
        }
    }
    Ok(found)
}

/// Records an estimate with its comps, unless another run has recorded the same in the meantime.
fn record(
    book: &Book,
    lock: &BookLock,
    name: &str,
    (record, comps): &(Record, Vec<Comp>),
    notice: &mut dyn FnMut(&str),
) -> Result<(), BookError> {
    let last = book.history(name, notice)?.pop();
    if last.is_some_and(|last| last.inputs == record.inputs) {
        return Ok(());
    }
    book.record(lock, name, record, comps, notice)
}

/// Values common to all units of a run.
struct Run<'a> {
    reader: Reader<'a>,
    /// Hash of the settings.
    settings: u64,
}

/// A refreshed unit, with the records to write if it was estimated.
struct Made {
    refreshed: Refreshed,
    new: Option<(Record, Vec<Comp>)>,
}

/// A unit with its last estimate.
struct Before {
    name: String,
    watched: Watched,
    settings: Settings,
    subject: trade::Unit,
    /// Hash of the description of the unit.
    unit: u64,
    /// Hash of all inputs of its estimate.
    inputs: u64,
    last: Option<Record>,
}

impl Before {
    /// The last estimate, if its inputs were the same.
    fn unchanged(&self) -> Option<&Record> {
        let last = self.last.as_ref();
        last.filter(|last| last.inputs == self.inputs)
    }

    fn refreshed(&self, now: &Record, state: State) -> Refreshed {
        Refreshed {
            name: self.name.clone(),
            subject: self.subject.clone(),
            currency: self.settings.currency.clone(),
            now: now.clone(),
            state,
        }
    }
}

impl Run<'_> {
    /// The result for each unit, by its name.
    fn all(
        &self,
        units: Vec<Unit>,
        notice: &mut dyn FnMut(&str),
    ) -> Vec<(String, Result<Made, AppError>)> {
        let mut before = Vec::new();
        for (at, unit) in units.into_iter().enumerate() {
            // Messages about the book as a whole appear once.
            let mut first = |text: &str| {
                if at == 0 {
                    notice(text);
                }
            };
            before.push((unit.name.clone(), self.before(unit, &mut first)));
        }
        let changed: Vec<&Before> = before
            .iter()
            .filter_map(|(_, before)| before.as_ref().ok())
            .filter(|before| before.unchanged().is_none())
            .collect();
        let asked: Vec<Asked<'_>> = changed
            .iter()
            .map(|before| Asked {
                settings: before.settings.clone().into(),
                subject: before.subject.clone(),
                keep: &before.watched.keep,
                drop: &before.watched.drop,
            })
            .collect();
        let made = self
            .reader
            .with_each(&asked, |at, unit| self.made(changed[at], &unit));
        let mut made = made.into_iter();
        let done = before.iter().map(|(name, before)| {
            let done = match before {
                Err(_) => None,
                Ok(before) => match before.unchanged() {
                    Some(last) => Some(Ok(Made {
                        refreshed: before.refreshed(last, State::Same),
                        new: None,
                    })),
                    None => made.next(),
                },
            };
            (name.clone(), done)
        });
        let done: Vec<_> = done.collect();
        let both = done.into_iter().zip(before);
        both.filter_map(|((name, done), (_, before))| {
            Some((name, done.or_else(|| before.err().map(Err))?))
        })
        .collect()
    }

    /// Reads the last estimate of a unit and its present inputs.
    fn before(&self, unit: Unit, notice: &mut dyn FnMut(&str)) -> Result<Before, AppError> {
        let (settings, subject) = unit.is?;
        let unit_hash = hash_of_value(&unit.watched);
        let inputs = self.inputs(unit_hash, &subject.model, &settings)?;
        let last = self.reader.book().history(&unit.name, notice)?.pop();
        let last = last.filter(|last| last.currency == settings.currency.code);
        Ok(Before {
            name: unit.name,
            watched: unit.watched,
            settings,
            subject,
            unit: unit_hash,
            inputs,
            last,
        })
    }

    /// Estimates a unit whose inputs changed.
    fn made(&self, before: &Before, unit: &AskedUnit<'_>) -> Result<Made, AppError> {
        let made = unit.estimate(unit.selection()?)?;
        let comps = comps_of(
            &unit.comps,
            &before.subject.model,
            &before.settings.currency,
        )?;
        let last = before.last.as_ref();
        let record = Record {
            number: last.map_or(1, |last| last.number + 1),
            inputs: before.inputs,
            settings: self.settings,
            unit: before.unit,
            ..recorded(&made)
        };
        let state = match last {
            None => State::First,
            Some(last) => {
                let kept = self.reader.book().kept_comps(&before.name, last.number)?;
                let now = (&record, &made, comps.as_slice());
                State::Moved(Box::new(moved(unit, (last.clone(), kept), now)))
            }
        };
        Ok(Made {
            refreshed: before.refreshed(&record, state),
            new: Some((record, comps)),
        })
    }

    /// A hash of all inputs of an estimate.
    fn inputs(&self, unit: u64, model: &str, settings: &Settings) -> Result<u64, AppError> {
        let [own, others] = self.reader.comps_hashes(model, settings)?;
        let all = (
            env!("CARGO_PKG_VERSION"),
            self.reader.as_of().to_string(),
            self.settings,
            self.reader
                .own()
                .map(|own| (own.widening, own.covered, own.of)),
            unit,
            own,
            others,
        );
        Ok(hash_of_value(&all))
    }
}

/// The change of an estimate from the last one; each comes with the comps of its model. If the last
/// comps are not known, there is one step for everything.
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

/// The changed inputs, apart from the day and the comps of the model.
fn rest(last: &Record, now: &Record, comps_known: bool) -> Vec<&'static str> {
    let changed = [
        (last.settings != now.settings, "the settings"),
        (last.unit != now.unit, "the description of the unit"),
        (last.version != now.version, "this program's version"),
        (!comps_known, "the sales, whose old state is not known"),
        (true, "other models"),
    ];
    let changes = changed.into_iter().filter(|(is, _)| *is);
    changes.map(|(_, what)| what).collect()
}

fn inputs(as_of: NaiveDate, comps: &[Comp]) -> Inputs<'_> {
    Inputs { as_of, comps }
}

fn at(made: &Estimate) -> At {
    let by_tests = |dropped| matches!(dropped, Dropped::GrossError(_));
    let lines = made.comps.iter();
    let trimmed = lines.filter(|line| line.comp.dropped.is_some_and(by_tests));
    At {
        likely: made.median,
        trimmed: trimmed.map(|line| line.comp.comp_id.clone()).collect(),
    }
}

/// The record of an estimate in the history; the caller adds numbers and hashes.
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
        foreseen: foreseen(made),
        used: used.map(|line| (id(line), rounded(line.weight))).collect(),
        left_out: left_out.collect(),
        inputs: 0,
        settings: 0,
        unit: 0,
        version: env!("CARGO_PKG_VERSION").into(),
    }
}
