//! The changes and the price history of watched units as documents: `compband.refresh/1`,
//! `compband.history/1`.

use serde::Serialize;

use super::{Band, Money, VERSION};
use crate::app::refresh::{Moved, Refreshed, State};
use crate::band::change;
use crate::book::history::Record;
use crate::render::change::{fate_word, paid};
use crate::render::sheet;
use crate::trade::comp::basis_word;

/// New estimates of watched units, and the causes of changes of their likely prices.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Refresh<'a> {
    /// Name and version of this schema.
    pub schema: &'static str,
    /// Version of the program.
    pub compband: &'static str,
    /// The order in which new inputs replace old ones.
    pub order: &'static str,
    /// The watched units, by name.
    pub units: Vec<Unit<'a>>,
}

/// One watched unit.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Unit<'a> {
    /// Its name.
    pub name: &'a str,
    /// The unit, in words.
    pub unit: String,
    /// first: no earlier estimate; unchanged: no input has changed; moved: estimated again.
    pub state: &'static str,
    /// Its estimate.
    pub estimate: Estimate<'a>,
    /// The last estimate before; null unless moved.
    pub before: Option<Estimate<'a>>,
    /// Change of the likely price; null unless moved.
    pub change: Option<Money>,
    /// The change, input by input; the steps sum to it exactly.
    pub steps: Vec<Step<'a>>,
}

/// An estimate in brief.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Estimate<'a> {
    /// Day of the estimate.
    pub as_of: String,
    /// ISO 4217 code of all money.
    pub currency: &'a str,
    /// Median price.
    pub likely_price: Money,
    /// Band of the price.
    pub band: Band,
    /// delivered: with shipping; item: without.
    pub price_basis: &'static str,
    /// Number of comps used.
    pub comps_used: usize,
}

/// One step.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Step<'a> {
    /// Change of the likely price; below 0 if it falls.
    pub by: Money,
    /// Its causes; several if there is no estimate between them.
    pub causes: Vec<Cause<'a>>,
    /// Comps that are not used from this step on.
    pub left_out_from_here: &'a [String],
    /// Comps that are used again from this step on.
    pub let_in_from_here: &'a [String],
}

/// One cause.
#[derive(Debug, Default, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Cause<'a> {
    /// rest: settings, description of the unit, other models, the program; day: the day of the
    /// estimate; comps: sales of the model.
    pub kind: &'static str,
    /// For rest: possible causes.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "Vec<&'static str>"))]
    pub may_be: Option<&'a [&'static str]>,
    /// For day: the old one.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "String"))]
    pub from: Option<String>,
    /// For day: the new one.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "String"))]
    pub to: Option<String>,
    /// For comps: the sales.
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
    /// Price paid, on the price basis of the estimate.
    pub paid: Money,
    /// Weight in the new estimate; the largest is 1.
    pub weight: Option<f64>,
    /// Reason why it is not used there.
    pub not_used: Option<&'a str>,
}

/// The estimates of a watched unit, in the order in which they were made.
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
    /// Version of the program for this estimate.
    pub compband: &'a str,
    /// The estimate.
    #[serde(flatten)]
    pub estimate: Estimate<'a>,
    /// Comps used.
    pub comps: Vec<Used<'a>>,
    /// Comps examined and not used.
    pub left_out: Vec<LeftOut<'a>>,
}

/// One comp.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Used<'a> {
    /// Its identifier.
    pub comp_id: &'a str,
    /// Its weight; the largest is 1.
    pub weight: f64,
}

/// One comp.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct LeftOut<'a> {
    /// Its identifier.
    pub comp_id: &'a str,
    /// Code of the reason.
    pub code: &'a str,
}

/// The document of the changes.
pub fn document(all: &[Refreshed]) -> Refresh<'_> {
    Refresh {
        schema: "compband.refresh/1",
        compband: VERSION,
        order: "settings, unit and other models; day; comps removed, corrected, new, each by day",
        units: all.iter().map(unit).collect(),
    }
}

fn unit(refreshed: &Refreshed) -> Unit<'_> {
    let (state, moved) = match &refreshed.state {
        State::First => ("first", None),
        State::Same => ("unchanged", None),
        State::Moved(moved) => ("moved", Some(moved)),
    };
    let steps = moved.into_iter().flat_map(|moved| {
        let steps = moved.steps.iter();
        steps.map(move |one| step(refreshed, moved, one))
    });
    Unit {
        name: &refreshed.name,
        unit: sheet::unit(&refreshed.subject),
        state,
        estimate: estimate(&refreshed.now),
        before: moved.map(|moved| estimate(&moved.was)),
        change: moved
            .map(|moved| (refreshed.now.foreseen.likely - moved.was.foreseen.likely).into()),
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

fn step<'a>(refreshed: &Refreshed, moved: &'a Moved, step: &'a change::Step) -> Step<'a> {
    let comp = |change: &'a change::CompChange| {
        let stands = moved.standing.get(&change.comp.comp_id);
        ChangedComp {
            comp_id: &change.comp.comp_id,
            what: fate_word(change.fate),
            sold_on: change.comp.sold_on.map(|day| day.to_string()),
            paid: paid(&change.comp, refreshed.now.foreseen.basis).into(),
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

/// The document of the price history of a watched unit.
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
