//! A net on the terminal, line by line.

use std::fmt::Write;

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::numbers::amount;
use super::prose::{HEADING, PRICE, prose_width, wrap};
use crate::app::selling::Statement;
use crate::deal::outlet::{Item, Line, Needed, Net};

/// The statement with ANSI styles.
pub fn statement(statement: &Statement<'_>, width: Option<u16>) -> String {
    let prose = prose_width(width);
    let money = |value| amount(statement.currency, value);
    let code = &statement.currency.code;
    let mut out = String::new();
    let sent = statement
        .terms
        .weight
        .map_or(String::new(), |grams| format!(", {} g", grams.normalize()));
    let title = match statement.wanted {
        Some((wanted, _)) => format!("To keep {} {code}", money(wanted)),
        None => format!("What you keep, {code}"),
    };
    let _ = writeln!(
        out,
        "{HEADING}{title}{HEADING:#}, through {}{sent}\n",
        statement.outlet
    );
    let mut rows: Vec<(String, String)> = statement
        .net
        .lines
        .iter()
        .map(|line| (label(statement, line), money(line.amount)))
        .collect();
    rows.push(("Net".into(), money(statement.net.net)));
    out.push_str(&account(&rows));
    if let Some(share) = share(&statement.net) {
        let line = format!(
            "Selling takes {:.0} % of what the buyer pays.",
            100.0 * share
        );
        let _ = writeln!(out, "\n{}", wrap(&line, prose, ""));
    }
    if let Some((wanted, needed)) = statement.wanted {
        let line = about_price(statement, wanted, needed);
        let _ = writeln!(out, "{}", wrap(&line, prose, ""));
    }
    out
}

/// Two columns with a rule above the last row.
pub fn account(rows: &[(String, String)]) -> String {
    use unicode_width::UnicodeWidthStr;
    let widest = |cells: &mut dyn Iterator<Item = &String>| {
        cells.map(|cell| cell.width()).max().unwrap_or_default()
    };
    let left = widest(&mut rows.iter().map(|(label, _)| label));
    let right = widest(&mut rows.iter().map(|(_, money)| money));
    let mut out = String::new();
    for (at, (label, money)) in rows.iter().enumerate() {
        let last = at + 1 == rows.len();
        if last {
            let _ = writeln!(out, "  {}", "─".repeat(left + 2 + right));
        }
        let gap = " ".repeat(left - label.width() + 2 + right - money.width());
        let _ = if last {
            writeln!(out, "  {label}{gap}{PRICE}{money}{PRICE:#}")
        } else {
            writeln!(out, "  {label}{gap}{money}")
        };
    }
    out
}

fn about_price(statement: &Statement<'_>, wanted: Decimal, needed: Needed) -> String {
    let money = |value| amount(statement.currency, value);
    if needed.always_from == needed.least {
        return format!(
            "{} is the lowest price at which you keep {}; every price above it is enough too.",
            money(needed.least),
            money(wanted)
        );
    }
    format!(
        "{} is the lowest price at which you keep {}, but some prices above it are not enough, by rounding or \
            because a tier of a charge begins there. From {} on every price is enough.",
        money(needed.least),
        money(wanted),
        money(needed.always_from)
    )
}

/// Costs as a share of the buyer's total, if that is positive.
pub fn share(net: &Net) -> Option<f64> {
    net.costs().checked_div(net.revenue())?.to_f64()
}

fn label(statement: &Statement<'_>, line: &Line) -> String {
    let name = item_name(line.item);
    let weight = statement.terms.weight.map(|grams| grams.normalize());
    match (line.item, line.percent, line.of) {
        (Item::Returns, Some(percent), _) => format!("{name}, {} in 100", percent.normalize()),
        (Item::Postage, ..) => weight.map_or(name.into(), |grams| format!("{name}, {grams} g")),
        (_, Some(percent), Some(of)) => format!(
            "{name}, {} % of {}",
            percent.normalize(),
            amount(statement.currency, of)
        ),
        (_, None, Some(of)) => format!("{name}, on {}", amount(statement.currency, of)),
        _ => name.into(),
    }
}

/// Name of a line.
pub fn item_name(item: Item) -> &'static str {
    match item {
        Item::Price => "Price",
        Item::ShippingPaid => "Shipping, paid by the buyer",
        Item::Fee => "Fee",
        Item::FixedFee => "Fee, fixed",
        Item::Payment => "Payment",
        Item::FixedPayment => "Payment, fixed",
        Item::Promotion => "Promotion",
        Item::FixedPromotion => "Promotion, fixed",
        Item::Postage => "Shipping",
        Item::Packing => "Packing",
        Item::Returns => "Returns expected",
    }
}
