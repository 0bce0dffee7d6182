//! The changes of watched units since their last estimates, with causes, and the price history of
//! one.

use rust_decimal::Decimal;

use super::numbers::{amount, signed};
use super::prose::wrap;
use super::sheet::unit;
use super::table::{Grid, Kind};
use crate::app::refresh::{Moved, Refreshed, State};
use crate::band::change::{Cause, CompChange, Fate, Step};
use crate::book::history::Record;
use crate::trade::comp::PriceBasis;
use crate::trade::{Comp, Currency};

/// Width of text if the terminal does not report one.
const PLAIN_WIDTH: usize = 80;

/// Most comps named in one line.
const NAMED: usize = 5;

/// The changes, for the terminal.
pub fn sheet(all: &[Refreshed], width: Option<u16>) -> String {
    let width = width.map_or(PLAIN_WIDTH, usize::from).max(30);
    let mut text = String::new();
    for refreshed in all {
        let title = format!("{}: {}", refreshed.name, unit(&refreshed.subject));
        text.push_str(&(wrap(&title, width, "") + "\n"));
        for (lead, line) in refreshed.lines() {
            text.push_str(&(hung(&lead, &line, width) + "\n"));
        }
        text.push('\n');
    }
    let has_steps =
        |one: &Refreshed| matches!(&one.state, State::Moved(moved) if !moved.steps.is_empty());
    if all.iter().any(has_steps) {
        text.push_str(&wrap(ORDER, width, ""));
    }
    text.trim_end().to_string() + "\n"
}

/// Width of the column of amounts before the steps, and of the indentation of other lines.
const LEAD: usize = 12;
const INDENT: usize = 2;

/// A line with its lead right-aligned in its column; continued lines are indented.
fn hung(lead: &str, line: &str, width: usize) -> String {
    if lead.is_empty() {
        return wrap(line, width, &" ".repeat(INDENT));
    }
    let body = wrap(line, width, &" ".repeat(LEAD + INDENT));
    format!("{lead:>LEAD$}  {}", body.trim_start())
}

/// Explanation of the steps below it.
pub const ORDER: &str = "\
Each step shows what one more change does, with those above it already made. Prices are rounded half-even to \
    the smallest coin, so the steps add up.";

impl Refreshed {
    /// The lines about a unit, each with its amount or an empty lead.
    pub(crate) fn lines(&self) -> Vec<(String, String)> {
        let plain = |line: String| (String::new(), line);
        let now = &self.now;
        let price = |of: &Record| amount(&self.currency, of.foreseen.likely);
        let code = &self.currency.code;
        match &self.state {
            State::First => vec![plain(format!("{} {code}; {}", price(now), self.band(now)))],
            State::Same => vec![plain(format!(
                "{} {code}; {}; nothing changed since {}",
                price(now),
                self.band(now),
                now.as_of
            ))],
            State::Moved(moved) => {
                let change = now.foreseen.likely - moved.was.foreseen.likely;
                let bands = [self.band(now), self.band(&moved.was)];
                if moved.steps.is_empty() && change.is_zero() && bands[0] == bands[1] {
                    return vec![plain(format!(
                        "{} {code}, {}: as on {}",
                        price(now),
                        bands[0],
                        moved.was.as_of
                    ))];
                }
                let mut lines = vec![
                    plain(format!(
                        "{} → {} {code} ({}) since {}",
                        price(&moved.was),
                        price(now),
                        signed(&self.currency, change),
                        moved.was.as_of
                    )),
                    plain(format!("{}, before {}", bands[0], bands[1])),
                ];
                lines.extend(moved.steps.iter().flat_map(|step| self.step(moved, step)));
                lines
            }
        }
    }

    fn band(&self, of: &Record) -> String {
        let money = |value| amount(&self.currency, value);
        let foreseen = &of.foreseen;
        format!(
            "{} % range {} to {}",
            foreseen.level,
            money(foreseen.low),
            money(foreseen.high)
        )
    }

    /// A step, followed by its effect on the tests of other comps.
    fn step(&self, moved: &Moved, step: &Step) -> Vec<(String, String)> {
        let causes = step.causes.iter().map(|cause| self.cause(moved, cause));
        let causes: Vec<String> = causes.collect();
        let mut lines = vec![(signed(&self.currency, step.by), causes.join("; "))];
        let own = step.comps().map(|change| change.comp.comp_id.as_str());
        let own: Vec<&str> = own.collect();
        for (what, ids) in [
            ("no longer used", &step.trimmed),
            ("used again", &step.let_in),
        ] {
            let others = ids.iter().filter(|id| !own.contains(&id.as_str()));
            let others: Vec<String> = others.cloned().collect();
            if !others.is_empty() {
                lines.push((" ".into(), format!("{what}: {}", listed(&others))));
            }
        }
        lines
    }

    fn cause(&self, moved: &Moved, cause: &Cause) -> String {
        match cause {
            Cause::Rest => moved.rest.join(", "),
            Cause::Time { from, to } => {
                format!("the date, {from} to {to}: sales get older, the trend goes on")
            }
            Cause::Comps(changes) => match &changes[..] {
                [change] => self.comp(moved, change),
                many => {
                    let ids = many.iter().map(|change| change.comp.comp_id.clone());
                    let ids: Vec<String> = ids.collect();
                    format!("{} sales count less: {}", many.len(), listed(&ids))
                }
            },
        }
    }

    fn comp(&self, moved: &Moved, change: &CompChange) -> String {
        let comp = &change.comp;
        let day = comp
            .sold_on
            .map_or(String::new(), |day| format!(" of {day}"));
        let paid = amount(&self.currency, paid(comp, self.now.foreseen.basis));
        let stands = match (change.fate, moved.standing.get(&comp.comp_id)) {
            (Fate::Removed, _) => String::new(),
            (_, Some(Ok(weight))) => format!(", weight {weight:.2}"),
            (_, Some(Err(reason))) => format!(", not used ({reason})"),
            (_, None) => ", not used (enough newer sales)".into(),
        };
        let fate = fate_word(change.fate);
        format!("{fate} sale{day} for {paid} ({}){stands}", comp.comp_id)
    }
}

impl Step {
    /// The comps of the step.
    pub fn comps(&self) -> impl Iterator<Item = &CompChange> {
        self.causes.iter().flat_map(|cause| match cause {
            Cause::Comps(changes) => changes.as_slice(),
            _ => &[],
        })
    }
}

pub(super) fn fate_word(fate: Fate) -> &'static str {
    match fate {
        Fate::Removed => "removed",
        Fate::Corrected => "corrected",
        Fate::Added => "new",
    }
}

/// Price paid, on a basis.
pub(super) fn paid(comp: &Comp, basis: PriceBasis) -> Decimal {
    match basis {
        PriceBasis::Delivered => comp.price + comp.shipping,
        PriceBasis::Item => comp.price,
    }
}

fn listed(ids: &[String]) -> String {
    match ids.len().checked_sub(NAMED) {
        Some(more) if more > 0 => format!("{} and {more} more", ids[..NAMED].join(", ")),
        _ => ids.join(", "),
    }
}

/// A kept estimate: day, likely price, change from the one before it, range with its chance, comps, currency.
pub(super) fn history_row(record: &Record, before: Option<&Record>) -> [String; 8] {
    let currency = Currency {
        code: record.currency.clone(),
    };
    let foreseen = &record.foreseen;
    let money = |value| amount(&currency, value);
    let change = before
        .filter(|before| before.currency == record.currency)
        .map(|before| foreseen.likely - before.foreseen.likely);
    [
        record.as_of.to_string(),
        money(foreseen.likely),
        change.map_or(String::new(), |change| signed(&currency, change)),
        money(foreseen.low),
        money(foreseen.high),
        format!("{} %", foreseen.level),
        record.used.len().to_string(),
        record.currency.clone(),
    ]
}

/// The price history of a watched unit, oldest first, for the terminal.
pub fn history_table(name: &str, records: &[Record], width: Option<u16>) -> String {
    let mut grid = Grid::ranked(&[
        ("day", Kind::Fixed, 0),
        ("likely", Kind::Number, 0),
        ("change", Kind::Number, 1),
        ("low", Kind::Number, 0),
        ("high", Kind::Number, 0),
        ("range", Kind::Number, 2),
        ("comps", Kind::Number, 3),
        ("currency", Kind::Fixed, 4),
    ]);
    let mut before: Option<&Record> = None;
    for record in records {
        grid.push(history_row(record, before));
        before = Some(record);
    }
    format!(
        "{name}, estimates in the order they were made\n\n{}",
        grid.render(width)
    )
}
