//! Several units bought at one price, on the terminal.

use std::fmt::Write;

use rust_decimal::Decimal;

use super::ledger::balances;
use super::numbers::amount;
use super::prose::{prose_width, wrap};
use super::sheet::unit;
use super::table::{Grid, Kind};
use crate::app::deals::Entered;
use crate::app::lot::OfLot;
use crate::deal::ledger::name;
use crate::trade::Currency;

/// Units that were bought together.
#[derive(Debug)]
pub struct Bought<'a> {
    /// Currency of all money.
    pub currency: &'a Currency,
    /// The units with their shares.
    pub units: &'a [OfLot],
    /// The last entry; none if nothing was recorded.
    pub entered: Option<Entered>,
}

/// The units with their shares, and the money after it.
pub fn text(content: &Bought<'_>, width: Option<u16>) -> String {
    let money = |value: Decimal| amount(content.currency, value);
    let mut grid = Grid::ranked(&[
        ("deal", Kind::Fixed, 0),
        ("unit", Kind::Text, 0),
        ("likely", Kind::Number, 0),
        ("share", Kind::Number, 0),
        ("inbound", Kind::Number, 1),
        ("cost", Kind::Number, 0),
        ("entry", Kind::Number, 1),
    ]);
    for one in content.units {
        let likely = one.estimate.map_or("–".into(), |made| money(made.likely));
        grid.push(vec![
            name(one.deal),
            unit(&one.unit),
            likely,
            money(one.price),
            money(one.inbound),
            money(one.cost()),
            one.entry.to_string(),
        ]);
    }
    let mut out = grid.render(width);
    let line = match content.entered {
        None => "Nothing was recorded (--dry-run).".to_string(),
        Some(entered) => format!(
            "{} Reverse each entry on its own: compband ledger reverse {}",
            balances(&entered, content.currency),
            entered.number
        ),
    };
    let _ = writeln!(out, "{}", wrap(&line, prose_width(width), ""));
    out
}
