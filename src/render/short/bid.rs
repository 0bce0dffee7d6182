//! The short sheet of a bid.

use unicode_width::UnicodeWidthStr;

use super::{CLOSING, Short, basis, price};
use crate::app::bid::Bid;
use crate::deal::bid::{Measures, binding};
use crate::render::bid::{
    about_offers, advice_words, cautions_of, left, limited, offered, warnings,
};
use crate::render::numbers::{amount, chance};
use crate::render::sheet::{prose_width, unit};

/// Labels of the cases, and where they are among the quantiles of the profit.
pub(in crate::render) const CASES: [(&str, &str, usize); 3] = [
    ("bad case (1 in 20 is worse)", "bad (1 in 20 is worse)", 0),
    ("middle case (half are worse)", "middle (half are worse)", 2),
    (
        "good case (1 in 20 is better)",
        "good (1 in 20 is better)",
        4,
    ),
];

/// The sheet with ANSI styles: verdict, the most to bid, what limits it, the bad, middle and good case.
pub fn sheet(content: &Bid<'_>, width: Option<u16>) -> String {
    let width = prose_width(width);
    let made = &content.weighed.made;
    let currency = &made.currency;
    let money = |value| amount(currency, value);
    let mut short = Short::new(&unit(&made.subject), width);
    let limit = binding(&content.limits).map_or(String::new(), |limit| limited(limit, currency));
    match &content.at_most {
        Some(at) => {
            let most = format!("{} {}", money(at.bid), currency.code);
            short.answer("Bid at most", &most, "", false);
            short.remark("Limited by", &limit, 1);
        }
        None => {
            short.answer("Do not buy", "not even as a gift", "", false);
            short.remark("Not met", &limit, 1);
        }
    }
    if let Some(asked) = &content.asked {
        let (word, why) = advice_words(asked, currency);
        let why = why.first().map_or("it keeps every aim", String::as_str);
        let label = format!("At {}", money(asked.measures.bid));
        short.remark(&label, &format!("{word}: {why}"), 1);
        let prices: Vec<String> = offered(asked)
            .iter()
            .map(|(label, price)| format!("{} {}", label.to_lowercase(), money(*price)))
            .collect();
        if !prices.is_empty() {
            short.remark("Haggle", &prices.join(", "), 1);
        } else if let Some(first) = about_offers(content, asked).first() {
            short.remark("", first, 1);
        }
    }
    let keeps = left(content).unwrap_or_else(|| basis(made.basis).to_string());
    let repaired = if content.costs.repairs.is_empty() {
        ""
    } else {
        " once repaired"
    };
    let likely = format!("{}{repaired}; {keeps}", price(made));
    short.remark("Likely price", &likely, 1);
    short.assumed(made, "");
    let mut cases = cases(content, width);
    if let Some(losses) = cases.pop() {
        short.push(cases, true);
        short.optional(losses);
    }
    short.cautions(&cautions_of(content));
    short.text(&warnings(content), CLOSING)
}

/// The results at the highest bid and at the asking price, if that is another one.
pub(in crate::render) fn compared<'b>(content: &'b Bid<'_>) -> Vec<&'b Measures> {
    let asked = content.asked.iter().map(|asked| &asked.measures);
    let mut all: Vec<&Measures> = content.at_most.iter().collect();
    // The same bid twice says nothing.
    let same = |at: &Measures| {
        content
            .at_most
            .as_ref()
            .is_some_and(|most| most.bid == at.bid)
    };
    all.extend(asked.filter(|at| !same(at)));
    all
}

/// The profit in three cases and the chance of a loss, at the highest bid and at the asking price.
fn cases(content: &Bid<'_>, width: usize) -> Vec<String> {
    let currency = &content.weighed.made.currency;
    let money = |value| amount(currency, value);
    let all = compared(content);
    if all.is_empty() {
        return Vec::new();
    }
    let mut rows = vec![(
        format!("Profit after all costs, {}", currency.code),
        format!("Profit, {}", currency.code),
        all.iter()
            .map(|at| format!("at {}", money(at.bid)))
            .collect::<Vec<_>>(),
    )];
    for (long, brief, at) in CASES {
        let cells = all.iter().map(|measures| money(measures.points[at]));
        rows.push((format!("  {long}"), format!("  {brief}"), cells.collect()));
    }
    let losses = all.iter().map(|at| chance(at.loss, 0));
    rows.push((
        "  chance of a loss".into(),
        "  chance of a loss".into(),
        losses.collect(),
    ));
    let number = rows
        .iter()
        .flat_map(|(_, _, cells)| cells)
        .map(|cell| cell.width())
        .max();
    let number = number.unwrap_or_default();
    let cells_wide = all.len() * (number + 2);
    let long = rows
        .iter()
        .map(|(long, _, _)| long.width())
        .max()
        .unwrap_or_default();
    let brief = rows
        .iter()
        .map(|(_, brief, _)| brief.width())
        .max()
        .unwrap_or_default();
    let fits = long + cells_wide <= width;
    let label = if fits { long } else { brief };
    rows.iter()
        .map(|(long, brief, cells)| {
            let text = if fits { long } else { brief };
            let cells: String = cells
                .iter()
                .map(|cell| format!("  {}{cell}", " ".repeat(number - cell.width())))
                .collect();
            format!("{text:label$}{cells}")
        })
        .collect()
}
