//! The short sheet of a bid.

use unicode_width::UnicodeWidthStr;

use super::{CLOSING, Short, price};
use crate::app::bid::Bid;
use crate::deal::bid::{Advice, Judged, Measures};
use crate::render::bid::{
    about_offers, advice_words, cautions_of, left, offered, once_repaired, warnings,
};
use crate::render::numbers::chance;
use crate::render::prose::prose_width;
use crate::render::sheet::{assumptions, unit};

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
    let mut short = Short::new(&unit(&made.subject), width);
    let limit = content.reason();
    match &content.at_most {
        Some(at) => {
            let most = format!("{} {}", content.money(at.bid), made.currency.code);
            short.answer("Bid at most", &most, "", false);
            short.remark("Limited by", &limit, 1);
            short.remark("Invested", &invested(content, at), 1);
        }
        None => {
            short.answer("Do not buy", "not even as a gift", "", false);
            short.remark("Not met", &limit, 1);
        }
    }
    if let Some(asked) = &content.asked {
        let label = format!("At {}", content.money(asked.measures.bid));
        short.remark(&label, &asking_price(content, asked), 1);
    }
    let keeps =
        left(content).unwrap_or_else(|| "no outlet is set, so selling counts as free".into());
    let likely = format!("{}{}; {keeps}", price(made), once_repaired(content));
    short.remark("Likely price", &likely, 1);
    if let Some(text) = assumptions(made) {
        short.remark("Assumed", &text, 0);
    }
    short.push(cases(content, width), true);
    short.cautions(&cautions_of(content));
    short.text(&warnings(content), CLOSING)
}

/// The money invested at a bid, its parts besides the bid, and the expected profit.
fn invested(content: &Bid<'_>, at: &Measures) -> String {
    let besides = match (at.cost > at.bid, at.stake > at.cost) {
        (true, true) => " with costs and parts",
        (true, false) => " with costs of buying",
        (false, true) => " with spare parts",
        (false, false) => "",
    };
    format!(
        "{} {}{besides}; expected profit {} on average",
        content.money(at.stake),
        content.currency().code,
        content.money(at.profit)
    )
}

/// The advice at the price asked, with the prices to offer the seller, or with the reason.
fn asking_price(content: &Bid<'_>, asked: &Judged) -> String {
    let (word, why) = advice_words(asked, content.currency());
    let money = |value| content.money(value);
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
    // A second column for the same bid would add nothing.
    let most = content.at_most.as_ref().map(|most| most.bid);
    all.extend(asked.filter(|at| most != Some(at.bid)));
    all
}

/// The profit in three cases and the chance of a loss, at the highest bid and at the asking price.
fn cases(content: &Bid<'_>, width: usize) -> Vec<String> {
    let all = compared(content);
    if all.is_empty() {
        return Vec::new();
    }
    let row = |[long, brief]: [String; 2], of: &dyn Fn(&Measures) -> String| {
        let cells: Vec<String> = all.iter().map(|at| of(at)).collect();
        ([long, brief], cells)
    };
    let code = &content.currency().code;
    let head = ["Profit after all costs", "Profit"].map(|label| format!("{label}, {code}"));
    let mut rows = vec![row(head, &|at| format!("at {}", content.money(at.bid)))];
    rows.extend(CASES.map(|(long, brief, point)| {
        let labels = [long, brief].map(|label| format!("  {label}"));
        row(labels, &|at| content.money(at.points[point]))
    }));
    let labels = ["  chance of a loss"; 2].map(String::from);
    rows.push(row(labels, &|at| chance(at.loss, 0)));
    let widest = |widths: &mut dyn Iterator<Item = usize>| widths.max().unwrap_or_default();
    let cells = rows.iter().flat_map(|(_, cells)| cells);
    let number = widest(&mut cells.map(|cell| cell.width()));
    let [long, brief] = [0, 1].map(|at: usize| {
        let labels = rows.iter().map(|(labels, _)| labels[at].width());
        widest(&mut { labels })
    });
    let fits = long + all.len() * (number + 2) <= width;
    let label = if fits { long } else { brief };
    rows.iter()
        .map(|(labels, cells)| {
            let text = &labels[usize::from(!fits)];
            let cells: String = cells
                .iter()
                .map(|cell| format!("  {}{cell}", " ".repeat(number - cell.width())))
                .collect();
            format!("{text:label$}{cells}")
        })
        .collect()
}
