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
    let days = count(up.days, "day");
    let best = up
        .best
        .map(|best| format!(", the best {}", amount(currency, best)));
    let best = best.unwrap_or_default();
    let offers = match up.offers {
        0 => "no offer".to_string(),
        offers => count(offers, "offer"),
    };
    format!("{days}, {offers}{best}")
}

/// The listings that are up on a day as a table that is not laid out yet; none if there are none.
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
    let open = ledger.deals().filter(|deal| deal.state == State::Open);
    let mut all = open
        .flat_map(|deal| Up::all(deal, today).into_iter().map(move |up| (deal, up)))
        .peekable();
    all.peek()?;
    for (deal, up) in all {
        grid.push([
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
    Some(grid)
}

/// How long units were up for sale until they sold; nothing if none was up.
pub fn sentences(ledger: &Ledger, today: NaiveDate) -> Vec<String> {
    let units = ledger.on_market(today);
    let Some(curve) = Curve::of(&units.spells) else {
        return Vec::new();
    };
    let mut lines = vec![in_all(&units, &curve)];
    let outlets = ledger.on_market_at_outlets(today);
    if outlets.len() > 1 {
        let of = |outlet: &OnMarket| {
            let curve = Curve::of(&outlet.spells)?;
            let name = outlet.outlet.as_deref().unwrap_or_default();
            let half = curve.within(0.5);
            let half = half.map_or("not known yet".into(), |days| format!("{days} days"));
            Some(format!("{name} {half} (of {})", curve.spells))
        };
        let outlets: Vec<String> = outlets.iter().filter_map(of).collect();
        lines.push(format!(
            "Days until half sell, by outlet: {}.",
            outlets.join(", ")
        ));
    }
    lines
}

fn in_all(units: &OnMarket, curve: &Curve) -> String {
    if curve.ended == 0 {
        let units = count(curve.spells, "unit");
        let longest = count(curve.longest, "day");
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
                count(days, "day")
            )
        }
        None => format!(
            "Of {were}, fewer than half are known to have sold; the longest was up for {} days ({counts}).",
            curve.longest
        ),
    }
}
