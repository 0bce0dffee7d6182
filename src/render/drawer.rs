//! The parts drawer on the terminal: its parts, and units taken apart.

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::cautions::cautions;
use super::numbers::amount;
use super::prose::{HEADING, WARNING, prose_width, sentence, small_print, wrap};
use super::table::{Grid, Kind};
use crate::app::drawer::Harvested;
use crate::deal::ledger::{Ledger, Lot, name};
use crate::trade::Currency;
use crate::trade::entry::Account;
use crate::trade::part::PartLine;
use crate::trade::repair::ValueFrom;

/// Content of the list of parts.
#[derive(Debug)]
pub struct Content<'a> {
    /// Currency of all money.
    pub currency: &'a Currency,
    /// Day of the list.
    pub on: NaiveDate,
    /// The ledger on that day.
    pub ledger: &'a Ledger,
}

impl Content<'_> {
    /// The lots, by name, the oldest first.
    pub fn lots(&self) -> Vec<&Lot> {
        let mut lots: Vec<&Lot> = self.ledger.drawer().lots().collect();
        lots.sort_by(|a, b| (&a.name, a.on, a.entry).cmp(&(&b.name, b.on, b.entry)));
        lots
    }

    /// Number of all parts.
    pub fn count(&self) -> u32 {
        self.lots().iter().map(|lot| lot.left).sum()
    }

    /// Cost of all parts, by the account.
    pub fn cost(&self) -> Decimal {
        self.ledger.totals().get(Account::Drawer)
    }

    /// Cost of one part of a lot, rounded half-even to the minor unit.
    pub fn each(&self, lot: &Lot) -> Decimal {
        (lot.cost / Decimal::from(lot.left.max(1))).round_dp(self.currency.decimals())
    }
}

/// The list with ANSI styles.
pub fn sheet(content: &Content<'_>, width: Option<u16>) -> String {
    let mut out = format!(
        "{HEADING}Parts{HEADING:#}, {}, on {}: {} at cost {}\n",
        content.currency.code,
        content.on,
        content.count(),
        amount(content.currency, content.cost())
    );
    if content.lots().is_empty() {
        let line = "The drawer is empty: `compband part add` adds parts, `compband harvest` takes a unit apart.";
        sentence(&mut out, line, prose_width(width));
        return out;
    }
    out.push_str(&grid(content).render(width));
    let legend = "Each: cost of one, rounded. From: bought, or the deal of the unit it came from. The oldest \
        are used first.";
    small_print(&mut out, legend, prose_width(width));
    out
}

/// The lots as a table that is not laid out yet.
pub fn grid(content: &Content<'_>) -> Grid<'static> {
    let money = |value| amount(content.currency, value);
    let mut grid = Grid::ranked(&[
        ("part", Kind::Text, 0),
        ("fits", Kind::Text, 0),
        ("count", Kind::Number, 0),
        ("each", Kind::Number, 0),
        ("at cost", Kind::Number, 0),
        ("since", Kind::Fixed, 1),
        ("from", Kind::Fixed, 0),
        ("entry", Kind::Number, 2),
    ]);
    for lot in content.lots() {
        grid.push(vec![
            lot.name.clone(),
            if lot.fits.is_empty() {
                "not said".into()
            } else {
                lot.fits.join(", ")
            },
            lot.left.to_string(),
            money(content.each(lot)),
            money(lot.cost),
            lot.on.to_string(),
            lot.from.map_or("bought".into(), name),
            lot.entry.to_string(),
        ]);
    }
    grid
}

/// `2 of "display"`, or `"display"` for one.
pub fn counted(name: &str, count: u32) -> String {
    if count == 1 {
        format!("{name:?}")
    } else {
        format!("{count} of {name:?}")
    }
}

/// Cost of parts in all.
pub fn cost_of(parts: &[PartLine]) -> Decimal {
    parts.iter().map(|line| line.cost).sum()
}

/// The distribution of the cost of a unit that was taken apart: one sentence each.
pub fn harvest_lines(harvested: &Harvested, currency: &Currency) -> Vec<String> {
    let money = |value| amount(currency, value);
    let (value, shared) = (harvested.value(), &harvested.shared);
    let into = cost_of(&shared.parts);
    let cost = into + shared.lost;
    let mut lines = vec![format!(
        "Cost {}: {} goes into the drawer, {} is written off.",
        money(cost),
        money(into),
        money(shared.lost)
    )];
    for ((part, from), line) in harvested.taken.iter().zip(&shared.parts) {
        let each = if part.count > 1 {
            format!("{} each", money(part.each))
        } else {
            money(part.each)
        };
        let worth = match from {
            ValueFrom::Nothing => format!("worth {each}"),
            other => format!("worth {each} ({})", how_known(*other)),
        };
        lines.push(format!(
            "{}: {worth}, at cost {}.",
            counted(&part.name, part.count),
            money(line.cost)
        ));
    }
    lines.push(if value > cost {
        format!(
            "The parts are worth {}, more than the unit cost: they share its cost in proportion (relative sales value).",
            money(value)
        )
    } else {
        "Each part is kept at what it is worth; no part is kept at more.".into()
    });
    lines
}

/// Cautions about taking a unit apart for these parts.
pub fn harvest_cautions(harvested: &Harvested, width: Option<u16>) -> String {
    let prose = prose_width(width);
    cautions_of(harvested)
        .into_iter()
        .map(|caution| format!("{WARNING}{}{WARNING:#}\n", wrap(caution, prose, "")))
        .collect()
}

/// The same, one by one.
pub fn cautions_of(harvested: &Harvested) -> Vec<&'static str> {
    cautions(harvested.taken.iter().map(|(part, _)| part.name.as_str()))
}

/// Source of the cost of replacing a part.
pub fn how_known(from: ValueFrom) -> String {
    match from {
        ValueFrom::Nothing => "not known".into(),
        ValueFrom::Settings => "as in compband.toml".into(),
        ValueFrom::Purchase(on) => format!("as last bought on {on}"),
        ValueFrom::Harvest(on) => format!("its cost when taken out on {on}"),
    }
}
