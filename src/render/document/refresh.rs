//! What moved, and how the price of a unit went, as documents: `compband.refresh/1`,
//! `compband.history/1`.

use serde::Serialize;

use super::{Band, Money, VERSION};
use crate::app::refresh::{Moved, State, Told};
use crate::band::change;
use crate::book::history::Record;
use crate::render::change::{fate_word, paid};
use crate::render::sheet;
use crate::trade::comp::basis_word;

/// Watched units estimated again, and why their likely prices moved.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Refresh<'a> {
    /// Name and version of this schema.
    pub schema: &'static str,
    /// Version of the program.
    pub compband: &'static str,
    /// The order in which inputs become what they are now.
    pub order: &'static str,
    /// The watched units, by name.
    pub units: Vec<Unit<'a>>,
}

/// One of them.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Unit<'a> {
    /// Its name.
    pub name: &'a str,
    /// What it is.
    pub unit: String,
    /// first: never estimated before; unchanged: nothing that it is made from changed; moved: estimated
    /// anew.
    pub state: &'static str,
    /// Its estimate.
    pub estimate: Estimate<'a>,
    /// The estimate before it; null unless moved.
    pub before: Option<Estimate<'a>>,
    /// Change of the likely price; null unless moved.
    pub change: Option<Money>,
    /// The change, input by input; they add up to it exactly.
    pub steps: Vec<Step<'a>>,
}

/// An estimate in short.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Estimate<'a> {
    /// Day of the estimate.
    pub as_of: String,
    /// ISO 4217 code of all money.
    pub currency: &'a str,
    /// Half of such sales bring more, half less.
    pub likely_price: Money,
    /// Where one such sale falls.
    pub band: Band,
    /// delivered: with shipping; item: without.
    pub price_basis: &'static str,
    /// Comps that it is made from.
    pub comps_used: usize,
}

/// One step.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Step<'a> {
    /// What it changes of the likely price; below 0 where that falls.
    pub by: Money,
    /// What makes it; several where there is no estimate between them.
    pub causes: Vec<Cause<'a>>,
    /// Comps that the tests leave out from this step on.
    pub left_out_from_here: &'a [String],
    /// Comps that they let in again from this step on.
    pub let_in_from_here: &'a [String],
}

/// One cause.
#[derive(Debug, Default, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Cause<'a> {
    /// rest: settings, what is said of the unit, other models, the program; day: the day of the
    /// estimate; comps: sales of the model.
    pub kind: &'static str,
    /// Of rest: what may have changed.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "Vec<&'static str>"))]
    pub may_be: Option<&'a [&'static str]>,
    /// Of day: the old one.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "String"))]
    pub from: Option<String>,
    /// Of day: the new one.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "String"))]
    pub to: Option<String>,
    /// Of comps: the sales.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "Vec<ChangedComp<'a>>"))]
    pub comps: Option<Vec<ChangedComp<'a>>>,
}

/// One sale.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ChangedComp<'a> {
    /// Its identifier.
    pub comp_id: &'a str,
    /// removed, corrected or new.
    pub what: &'static str,
    /// Its day.
    pub sold_on: Option<String>,
    /// What was paid, on the price basis of the estimate.
    pub paid: Money,
    /// Weight in the new estimate, the heaviest being 1.
    pub weight: Option<f64>,
    /// Why it is not used there.
    pub not_used: Option<&'a str>,
}

/// The estimates of a watched unit, in the order they were made.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct History<'a> {
    /// Name and version of this schema.
    pub schema: &'static str,
    /// Version of the program.
    pub compband: &'static str,
    /// Name of the unit.
    pub name: &'a str,
    /// The estimates.
    pub estimates: Vec<Recorded<'a>>,
}

/// One estimate.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Recorded<'a> {
    /// Its number.
    pub entry: u32,
    /// Version of the program that made it.
    pub compband: &'a str,
    /// The estimate.
    #[serde(flatten)]
    pub estimate: Estimate<'a>,
    /// Comps used.
    pub comps: Vec<Used<'a>>,
    /// Comps looked at and left out.
    pub left_out: Vec<LeftOut<'a>>,
}

/// One comp.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Used<'a> {
    /// Its identifier.
    pub comp_id: &'a str,
    /// Its weight, the heaviest being 1.
    pub weight: f64,
}

/// One comp.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct LeftOut<'a> {
    /// Its identifier.
    pub comp_id: &'a str,
    /// Short word for why.
    pub code: &'a str,
}

/// The document of what moved.
pub fn document(all: &[Told]) -> Refresh<'_> {
    Refresh {
        schema: "compband.refresh/1",
        compband: VERSION,
        order: "settings, unit and other models; day; comps removed, corrected, new, each by day",
        units: all.iter().map(unit).collect(),
    }
}

fn unit(told: &Told) -> Unit<'_> {
    let (state, moved) = match &told.state {
        State::First => ("first", None),
        State::Same => ("unchanged", None),
        State::Moved(moved) => ("moved", Some(moved)),
    };
    let steps = moved.into_iter().flat_map(|moved| {
        let steps = moved.steps.iter();
        steps.map(move |one| step(told, moved, one))
    });
    Unit {
        name: &told.name,
        unit: sheet::unit(&told.subject),
        state,
        estimate: estimate(&told.now),
        before: moved.map(|moved| estimate(&moved.was)),
        change: moved.map(|moved| (told.now.foreseen.likely - moved.was.foreseen.likely).into()),
        steps: steps.collect(),
    }
}

fn estimate(of: &Record) -> Estimate<'_> {
    let foreseen = &of.foreseen;
    Estimate {
        as_of: of.as_of.to_string(),
        currency: &of.currency,
        likely_price: foreseen.likely.into(),
        band: Band {
            chance_percent: foreseen.level,
            low: foreseen.low.into(),
            high: foreseen.high.into(),
        },
        price_basis: basis_word(foreseen.basis),
        comps_used: of.used.len(),
    }
}

fn step<'a>(told: &Told, moved: &'a Moved, step: &'a change::Step) -> Step<'a> {
    let comp = |change: &'a change::CompChange| {
        let stands = moved.standing.get(&change.comp.comp_id);
        ChangedComp {
            comp_id: &change.comp.comp_id,
            what: fate_word(change.fate),
            sold_on: change.comp.sold_on.map(|day| day.to_string()),
            paid: paid(&change.comp, told.now.foreseen.basis).into(),
            weight: stands.and_then(|stands| stands.as_ref().ok().copied()),
            not_used: stands.and_then(|stands| stands.as_ref().err().map(String::as_str)),
        }
    };
    let cause = |cause: &'a change::Cause| match cause {
        change::Cause::Rest => Cause {
            kind: "rest",
            may_be: Some(&moved.rest),
            ..Cause::default()
        },
        change::Cause::Time { from, to } => Cause {
            kind: "day",
            from: Some(from.to_string()),
            to: Some(to.to_string()),
            ..Cause::default()
        },
        change::Cause::Comps(changes) => Cause {
            kind: "comps",
            comps: Some(changes.iter().map(comp).collect()),
            ..Cause::default()
        },
    };
    Step {
        by: step.by.into(),
        causes: step.causes.iter().map(cause).collect(),
        left_out_from_here: &step.trimmed,
        let_in_from_here: &step.let_in,
    }
}

/// The document of how the price of a watched unit went.
pub fn history_document<'a>(name: &'a str, records: &'a [Record]) -> History<'a> {
    let recorded = |record: &'a Record| {
        let used = record.used.iter();
        let left_out = record.left_out.iter();
        Recorded {
            entry: record.number,
            compband: &record.version,
            estimate: estimate(record),
            comps: used
                .map(|(comp_id, &weight)| Used { comp_id, weight })
                .collect(),
            left_out: left_out
                .map(|(comp_id, code)| LeftOut { comp_id, code })
                .collect(),
        }
    };
    History {
        schema: "compband.history/1",
        compband: VERSION,
        name,
        estimates: records.iter().map(recorded).collect(),
    }
}
