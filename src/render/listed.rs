//! Units that are up for sale, and time on the market, as text.

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::numbers::{amount, count};
use super::table::{Grid, Kind};
use crate::app::listed::Up;
use crate::deal::ledger::{Ledger, OnMarket, State};
use crate::deal::survival::Curve;
use crate::trade::Currency;

/// `15 days, 2 offers, the best 140.00`.
pub fn so_far(up: &Up, currency: &Currency) -> String {
    let days = count(usize::try_from(up.days).unwrap_or_default(), "day");
    let best = up.best.map_or(String::new(), |best| {
        format!(", the best {}", amount(currency, best))
    });
    let offers = match up.offers {
        0 => "no offer".to_string(),
        offers => count(offers as usize, "offer"),
    };
    format!("{days}, {offers}{best}")
}

/// A table of what is up for sale on a day; empty if nothing is.
pub fn table(ledger: &Ledger, today: NaiveDate, currency: &Currency, width: Option<u16>) -> String {
    grid(ledger, today, currency).map_or_else(String::new, |grid| grid.render(width))
}

/// The same before it is laid out; none if nothing is up for sale.
pub fn grid(ledger: &Ledger, today: NaiveDate, currency: &Currency) -> Option<Grid<'static>> {
    let money =
        |value: Option<Decimal>| value.map_or("–".into(), |value| amount(currency, value));
    let mut grid = Grid::ranked(&[
        ("deal", Kind::Fixed, 0),
        ("unit", Kind::Text, 0),
        ("outlet", Kind::Text, 0),
        ("since", Kind::Fixed, 1),
        ("days", Kind::Number, 0),
        ("asks", Kind::Number, 0),
        ("offers", Kind::Number, 0),
        ("best", Kind::Number, 1),
    ]);
    let mut none = true;
    for deal in ledger.deals().filter(|deal| deal.state == State::Open) {
        for up in Up::all(deal, today) {
            none = false;
            grid.push(vec![
                deal.name(),
                deal.unit.model.clone(),
                up.outlet.clone(),
                up.from.to_string(),
                up.days.to_string(),
                money(up.ask),
                up.offers.to_string(),
                money(up.best),
            ]);
        }
    }
    (!none).then_some(grid)
}

/// How long units were up for sale until they sold; nothing if none was up.
pub fn sentences(ledger: &Ledger, today: NaiveDate) -> Vec<String> {
    let units = ledger.on_market(today);
    let Some(curve) = Curve::of(&units.spells) else {
        return Vec::new();
    };
    let mut said = vec![in_all(&units, &curve)];
    let outlets = ledger.on_market_at_outlets(today);
    if outlets.len() > 1 {
        let of = |outlet: &OnMarket| {
            let curve = Curve::of(&outlet.spells)?;
            let name = outlet.outlet.as_deref().unwrap_or_default();
            let half = curve
                .within(0.5)
                .map_or("not known yet".into(), |days| format!("{days} days"));
            Some(format!("{name} {half} (of {})", curve.spells))
        };
        let outlets: Vec<String> = outlets.iter().filter_map(of).collect();
        said.push(format!(
            "Days until half sell, by outlet: {}.",
            outlets.join(", ")
        ));
    }
    said
}

fn in_all(units: &OnMarket, curve: &Curve) -> String {
    if curve.ended == 0 {
        let units = count(curve.spells, "unit");
        let longest = count(usize::try_from(curve.longest).unwrap_or_default(), "day");
        return format!("Listed so far: {units}, none sold yet; the longest was up for {longest}.");
    }
    let were = format!("{} listed", count(curve.spells, "unit"));
    let mut counts = vec![format!("{} sold", curve.ended)];
    if units.still_up > 0 {
        counts.push(format!("{} still up", units.still_up));
    }
    let others = curve.spells - curve.ended - units.still_up;
    if others > 0 {
        counts.push(format!("{others} ended or sold elsewhere"));
    }
    let counts = counts.join(", ");
    match curve.within(0.5) {
        Some(days) => {
            let sure = match curve.range(0.5) {
                Some((low, Some(high))) => format!("80 % sure of {low} to {high}; "),
                Some((low, None)) => format!("80 % sure of {low} or more; "),
                None => String::new(),
            };
            format!(
                "Of {were}, half sell within {} ({sure}{counts}).",
                count(usize::try_from(days).unwrap_or_default(), "day")
            )
        }
        None => format!(
            "Of {were}, fewer than half are known to have sold; the longest was up for {} days ({counts}).",
            curve.longest
        ),
    }
}
