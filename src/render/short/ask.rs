//! The short sheets of an asking price and of an answer to an offer.

use rust_decimal::Decimal;

use super::{CLOSING, Short, basis, price, range, range_label};
use crate::app::ask::{Asking, Basis, Judged};
use crate::app::places::{Beside, Pair};
use crate::render::ask::{
    answer_word, best_instead, cautions, first_asks, limits, pair_cautions, pair_sold_after, rows,
    sold_after, thresholds_in_words, worth_in_words,
};
use crate::render::prose::prose_width;
use crate::render::sheet::{how_sold, unit};

/// Most later weeks whose asking price is named.
const LATER: [usize; 3] = [2, 4, 8];

/// The asking price with ANSI styles: where to list it, what to ask and to accept, how long it takes.
pub fn sheet(content: &Asking<'_>, width: Option<u16>) -> String {
    let base = &content.basis;
    let mut short = Short::new(&unit(&base.made.subject), prose_width(width));
    let care = match content.beside.as_ref().and_then(Beside::at_both) {
        Some(pair) => at_both(&mut short, base, pair),
        None => at_one(&mut short, content),
    };
    rests_on(&mut short, base);
    finished(short, base, care)
}

/// The answer to an offer with ANSI styles.
pub fn offer_sheet(base: &Basis<'_>, judged: &Judged, width: Option<u16>) -> String {
    let mut short = Short::new(&unit(&base.made.subject), prose_width(width));
    short.answer("Answer", &answer_word(base, judged), "", false);
    short.remark("", &worth_in_words(base, judged), 2);
    let code = &base.currency().code;
    let when = match judged.week {
        0 => "today".to_string(),
        week => format!("in week {week}"),
    };
    let least = format!("{} {code}", base.money(judged.least));
    short.answer("Accept from", &least, &when, false);
    let rest = thresholds_in_words(base, &limits(base, &judged.thresholds));
    short.remark("Otherwise", &rest, 1);
    rests_on(&mut short, base);
    finished(short, base, Vec::new())
}

/// The price that the answer rests on.
fn rests_on(short: &mut Short, base: &Basis<'_>) {
    let made = &base.made;
    let how = how_sold(&made.subject);
    let rests_on = format!(
        "{}, {}, {}, on {}",
        price(made),
        how.strip_prefix("sold ").unwrap_or(how),
        basis(made.basis),
        made.as_of
    );
    short.remark("Likely price", &rests_on, 2);
    short.remark(&range_label(made), &range(made), 1);
    short.assumed(made, "");
}

fn finished(short: Short, base: &Basis<'_>, cautions: Vec<&str>) -> String {
    let cautions = cautions.into_iter().map(String::from);
    let all: Vec<String> = cautions.chain(base.made.warnings.iter().cloned()).collect();
    short.text(&all, CLOSING)
}

fn at_one(short: &mut Short, content: &Asking<'_>) -> Vec<&'static str> {
    let base = &content.basis;
    let usual = &content.usual;
    let code = &base.currency().code;
    if let (Some(_), Some(outlet)) = (&content.beside, base.outlet) {
        short.answer("List at", outlet, "", false);
    }
    let keep = base.outlet.map_or(String::new(), |outlet| {
        format!(
            "; you keep {} of it through {outlet}",
            base.money(usual.left_of_ask)
        )
    });
    let ask = format!("{} {code}", base.money(usual.ask));
    short.answer("Ask", &ask, &keep, false);
    let at_once = format!("{} {code}", base.money(usual.at_once));
    short.answer("Accept from", &at_once, "today", false);
    let asks: Vec<(usize, Decimal)> = rows(content)
        .iter()
        .filter_map(|row| Some((row.week, row.ask?)))
        .collect();
    later(short, base, &asks, usual.ask);
    let expected = format!(
        "{}; you keep {} {code} on average",
        sold_after(content),
        base.money(usual.left)
    );
    short.remark("Expect", &expected, 2);
    if let Some(best) = best_instead(content) {
        short.remark("", &best, 1);
    }
    cautions(content)
}

/// The asking prices of some later weeks, where they change.
fn later(short: &mut Short, base: &Basis<'_>, asks: &[(usize, Decimal)], first: Decimal) {
    let changed: Vec<String> = asks
        .iter()
        .filter(|(week, ask)| LATER.contains(week) && *ask != first)
        .map(|(week, ask)| format!("{} in week {week}", base.money(*ask)))
        .collect();
    if !changed.is_empty() {
        short.remark("Not sold yet", &format!("ask {}", changed.join(", ")), 0);
    }
}

fn at_both(short: &mut Short, base: &Basis<'_>, pair: &Pair<'_>) -> Vec<&'static str> {
    let [one, other] = pair.outlets;
    let code = &base.currency().code;
    short.answer("List at", &format!("{one} and {other}"), "", false);
    let strong = |[here, there]: [Decimal; 2]| {
        format!(
            "{} {code} at {one}, {} {code} at {other}",
            base.money(here),
            base.money(there)
        )
    };
    short.answer("Ask", &strong(first_asks(pair)), "", false);
    short.answer("Accept from", &strong(pair.at_once), "", false);
    short.remark("Expect", &in_short(base, pair), 2);
    pair_cautions(pair)
}

/// The result of two listings.
fn in_short(base: &Basis<'_>, pair: &Pair<'_>) -> String {
    format!(
        "{}; you keep {} {} ({} better than {} alone); end one listing when the other sells",
        pair_sold_after(base, pair),
        base.money(pair.left),
        base.currency().code,
        base.money(pair.gain),
        base.outlet.unwrap_or(pair.outlets[0])
    )
}
