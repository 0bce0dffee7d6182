//! The short sheet of a bid.

use unicode_width::UnicodeWidthStr;

use super::{CLOSING, Short, price};
use crate::app::bid::Bid;
use crate::deal::bid::{Advice, Judged, Measures, binding};
use crate::render::bid::{
    about_offers, advice_words, cautions_of, left, limited, offered, warnings,
};
use crate::render::numbers::{amount, chance};
use crate::render::sheet::{assumptions, prose_width, unit};
use crate::trade::Currency;

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
            short.remark("Invested", &invested(at, currency), 1);
        }
        None => {
            short.answer("Do not buy", "not even as a gift", "", false);
            short.remark("Not met", &limit, 1);
        }
    }
    if let Some(asked) = &content.asked {
        let label = format!("At {}", money(asked.measures.bid));
        short.remark(&label, &asking_price(content, asked), 1);
    }
    let keeps =
        left(content).unwrap_or_else(|| "no outlet is set, so selling counts as free".into());
    let repaired = if content.costs.repairs.is_empty() {
        ""
    } else {
        " once repaired"
    };
    let likely = format!("{}{repaired}; {keeps}", price(made));
    short.remark("Likely price", &likely, 1);
    if let Some(text) = assumptions(made) {
        short.remark("Assumed", &text, 0);
    }
    short.push(cases(content, width), true);
    short.cautions(&cautions_of(content));
    short.text(&warnings(content), CLOSING)
}

/// The money invested at a bid, what is in it besides the bid, and the expected profit.
fn invested(at: &Measures, currency: &Currency) -> String {
    let money = |value| amount(currency, value);
    let besides = match (at.cost > at.bid, at.stake > at.cost) {
        (true, true) => " with costs and parts",
        (true, false) => " with costs of buying",
        (false, true) => " with spare parts",
        (false, false) => "",
    };
    let (stake, profit) = (money(at.stake), money(at.profit));
    format!(
        "{stake} {}{besides}; expected profit {profit} on average",
        currency.code
    )
}

/// What to do at the price asked: the advice with what to offer the seller, or else why.
fn asking_price(content: &Bid<'_>, asked: &Judged) -> String {
    let currency = &content.weighed.made.currency;
    let (word, why) = advice_words(asked, currency);
    let money = |value| amount(currency, value);
    let Some(offers) = &asked.offers else {
        let why = why.first().map_or("it keeps every aim", String::as_str);
        return format!("{word}: {why}");
    };
    if offered(asked).is_empty() {
        return match about_offers(content, asked).first() {
            Some(first) => format!("{word}. {first}"),
            None => word,
        };
    }
    let mut prices = format!("offer {} first", money(offers.open));
    if offers.open != offers.target {
        prices.push_str(&format!(", aim for {}", money(offers.target)));
    }
    if asked.advice == Advice::Buy {
        format!("{word}: it keeps every aim; but {prices}")
    } else {
        let most = money(offers.walk_away);
        format!("haggle: {prices}, walk away above {most}")
    }
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
