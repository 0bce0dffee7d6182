//! Asking prices, and answers to offers, on the terminal.

mod beside;
mod hurry;
mod thresholds;

use std::fmt::Write;

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::numbers::{chance as probability, percent_change, tenths};
use super::prose::{
    HEADING, PRICE, capitalised, heading, prose_width, sentence, sentences, small_print, table,
    take_care, warning, wrap,
};
use super::sheet::{WORKED_OUT, assumed, basis, how_sold, likely, unit};
use super::table::numbers;
use crate::app::ask::{Asking, Basis, Judged, Variant};
use crate::app::places::{Beside, Pair};
use crate::deal::asking::{Answer, Thresholds};
use beside::side_by_side;
pub(super) use beside::{BESIDE, COUNTED, STREAMS, beside_rows};
pub use hurry::{HURRIES, hurries};
use hurry::{earns, sellers};
use thresholds::answers;
pub(super) use thresholds::{Limits, in_words, limits, thresholds_in_words};

/// Weekly probability of a sale at the asking price below which a caution is shown.
const HARDLY: f64 = 0.005;

/// The asking price with its plan, with ANSI styles.
pub fn sheet(content: &Asking<'_>, width: Option<u16>) -> String {
    let mut out = String::new();
    let prose = prose_width(width);
    let base = &content.basis;
    headline(&mut out, base, prose);
    let both = content.beside.as_ref().and_then(Beside::at_both);
    match both {
        Some(pair) => asked_at_both(&mut out, content, pair, prose),
        None => asked(&mut out, content, prose),
    }
    if let Some(beside) = &content.beside {
        side_by_side(&mut out, base, beside, width);
    }
    match both {
        Some(pair) => weeks_at_both(&mut out, base, pair, width),
        None => {
            weeks(&mut out, content, width);
            rates(&mut out, content, width);
        }
    }
    sellers(&mut out, content, width);
    let at = base.outlet.filter(|_| content.beside.is_some());
    reckoned_with(&mut out, base, at, prose);
    closing(&mut out, base, prose);
    out
}

/// The answer to an offer, with ANSI styles.
pub fn offer_sheet(base: &Basis<'_>, judged: &Judged, width: Option<u16>) -> String {
    let mut out = String::new();
    let prose = prose_width(width);
    headline(&mut out, base, prose);
    let (word, rest) = answer_text(base, judged);
    let _ = writeln!(out, "  {PRICE}{word}{PRICE:#}");
    sentences(
        &mut out,
        rest.into_iter().chain([others_then(base, judged)]),
        prose,
    );
    reckoned_with(&mut out, base, None, prose);
    closing(&mut out, base, prose);
    out
}

/// The advice on other offers that come at the same time.
pub(super) fn others_then(base: &Basis<'_>, judged: &Judged) -> String {
    let when = match judged.week {
        0 => "Today".to_string(),
        week => format!("In week {week}"),
    };
    in_words(base, &when, &limits(base, &judged.thresholds))
}

fn headline(out: &mut String, base: &Basis<'_>, width: usize) {
    let title = wrap(&unit(&base.made.subject), width, "");
    let _ = writeln!(out, "{HEADING}{title}{HEADING:#}");
    let _ = writeln!(out, "{}\n", wrap(&sells(base), width, ""));
}

/// The price, and the assumed facts.
pub(super) fn sells(base: &Basis<'_>) -> String {
    let made = &base.made;
    let assumed = match assumed(made) {
        text if text.is_empty() => text,
        text => format!(" {text}"),
    };
    format!(
        "{}, {}, on {}; {}.{assumed}",
        likely(made, ""),
        how_sold(&made.subject),
        made.as_of,
        basis(made.basis),
    )
}

fn asked(out: &mut String, content: &Asking<'_>, width: usize) {
    let base = &content.basis;
    let usual = &content.usual;
    let code = &base.currency().code;
    let left = base.outlet.map_or(String::new(), |outlet| {
        format!(
            "  (you keep {} of it through {outlet})",
            base.money(usual.left_of_ask)
        )
    });
    if let (Some(_), Some(outlet)) = (&content.beside, base.outlet) {
        let _ = writeln!(out, "  List at        {PRICE}{outlet}{PRICE:#}");
    }
    let (ask, at_once) = (base.money(usual.ask), base.money(usual.at_once));
    let digits = ask.chars().count().max(at_once.chars().count());
    let _ = writeln!(
        out,
        "  Ask            {PRICE}{ask:>digits$} {code}{PRICE:#}{left}"
    );
    let _ = writeln!(
        out,
        "  Accept at once {PRICE}{at_once:>digits$} {code}{PRICE:#}  or more"
    );
    sentences(out, foreseen(content), width);
    for line in cautions(content) {
        warning(out, line, width);
    }
}

/// Expected time and money; those with the best asking price, if another is given.
pub(super) fn foreseen(content: &Asking<'_>) -> Vec<String> {
    let base = &content.basis;
    let usual = &content.usual;
    let mut lines = vec![format!(
        "{}; you then keep {} {}, worth {} today once waiting is paid for.",
        capitalised(&sold_after(content)),
        base.money(usual.left),
        base.currency().code,
        base.money(usual.value)
    )];
    lines.extend(best_instead(content));
    lines
}

/// How long it takes to sell, as the beginning of a sentence.
pub(super) fn sold_after(content: &Asking<'_>) -> String {
    let usual = &content.usual;
    match (usual.weeks, content.basis.deadline) {
        (None, _) => "it may never be sold".to_string(),
        (Some(weeks), Some((deadline, _))) => {
            let chance = usual.plan.sold_by(usize::from(deadline)).last().copied();
            format!(
                "sold or at the deadline after {weeks:.1} weeks on average, sold by then with a chance of {}",
                probability(chance.unwrap_or_default(), 0)
            )
        }
        (Some(weeks), None) => format!("sold after {}", on_average(weeks)),
    }
}

/// Mean time to a sale, in words: a mean beyond two years says only that it may take for ever.
fn on_average(weeks: f64) -> String {
    const LONG: f64 = 104.0;
    if weeks > LONG {
        "more than two years on average".to_string()
    } else {
        format!("{weeks:.1} weeks on average")
    }
}

/// The best asking price, if another one was given.
pub(super) fn best_instead(content: &Asking<'_>) -> Option<String> {
    let (base, usual) = (&content.basis, &content.usual);
    let better = content.best.as_ref().filter(|best| best.ask != usual.ask);
    better.map(|best| {
        format!(
            "You said {}. The best asking price to begin with is {}, worth {} more today.",
            base.money(usual.ask),
            base.money(best.ask),
            base.money(best.value - usual.value)
        )
    })
}

/// Caution if a first asking price is above the band.
const ABOVE: &str = "The first price is above the range in which most such units sell: it tries whether yours is a \
                     better one. Lower it as the weeks say if nobody comes.";

/// Caution if waiting has no worth.
const COSTLY: &str = "Waiting costs more than it brings: accept whatever is offered.";

/// Cautions if waiting, or the asking price, makes no sense.
pub(super) fn cautions(content: &Asking<'_>) -> Vec<&'static str> {
    let usual = &content.usual;
    let first = usual.plan.period(1);
    let hardly = first.is_some_and(|period| period.week.asked.chance < HARDLY);
    let left = usual.left_of_ask.to_f64();
    let keep = left.is_some_and(|left| left < usual.plan.least(1));
    let above = content.basis.asking.is_none() && usual.ask > content.basis.made.high;
    texts_that_hold([
        (above, ABOVE),
        (
            hardly,
            "Hardly anybody would pay what is asked. Until you lower it, it sells only to those who offer less.",
        ),
        (
            keep,
            "What you get at the deadline is worth more than any sale: keep it till then.",
        ),
        (usual.value <= Decimal::ZERO, COSTLY),
    ])
}

/// The texts whose conditions hold.
fn texts_that_hold<const N: usize>(all: [(bool, &'static str); N]) -> Vec<&'static str> {
    let holding = all.into_iter().filter(|(holds, _)| *holds);
    holding.map(|(_, text)| text).collect()
}

/// The answer where two listings are better than one.
fn asked_at_both(out: &mut String, content: &Asking<'_>, pair: &Pair<'_>, width: usize) {
    let base = &content.basis;
    let [one, other] = pair.outlets;
    let both = |[here, there]: [Decimal; 2]| {
        format!(
            "{} at {one}, {} at {other}",
            base.money(here),
            base.money(there)
        )
    };
    let code = &base.currency().code;
    let (asks, at_once) = (both(first_asks(pair)), both(pair.at_once));
    let _ = writeln!(out, "  List at        {PRICE}{one} and {other}{PRICE:#}");
    let _ = writeln!(out, "  Ask, {code}       {PRICE}{asks}{PRICE:#}");
    let _ = writeln!(out, "  Accept at once {PRICE}{at_once}{PRICE:#} or more");
    let line = capitalised(&at_pair(base, pair));
    let _ = writeln!(out, "{}.", wrap(&line, width, "  "));
    for line in pair_cautions(pair) {
        warning(out, line, width);
    }
}

/// The asking prices of the first week at two outlets; zeros if there is no week.
pub(super) fn first_asks(pair: &Pair<'_>) -> [Decimal; 2] {
    let first = pair.weekly.first();
    first.map(|week| week.at.map(|at| at.0)).unwrap_or_default()
}

/// How long it takes to sell at one of two outlets, as the beginning of a sentence.
pub(super) fn pair_sold_after(base: &Basis<'_>, pair: &Pair<'_>) -> String {
    let sold = match base.deadline {
        Some(_) => "sold or at the deadline",
        None => "sold",
    };
    pair.weeks.map_or("it may never be sold".into(), |weeks| {
        format!("{sold} after {}", on_average(weeks))
    })
}

/// The result of two listings, without a full stop.
pub(super) fn at_pair(base: &Basis<'_>, pair: &Pair<'_>) -> String {
    format!(
        "{}; you then keep {} {}, worth {} today once waiting is paid for: {} more than at {} alone. End \
         the other listing when one sells",
        pair_sold_after(base, pair),
        base.money(pair.left),
        base.currency().code,
        base.money(pair.value),
        base.money(pair.gain),
        base.outlet.unwrap_or(pair.outlets[0]),
    )
}

/// Cautions if two listings make little sense.
pub(super) fn pair_cautions(pair: &Pair<'_>) -> Vec<&'static str> {
    texts_that_hold([(pair.above, ABOVE), (pair.value <= Decimal::ZERO, COSTLY)])
}

/// Weeks of two listings: week, asking price and lowest to accept at each, chance that it is sold by its end;
/// dots stand for omitted weeks.
pub(super) fn pair_weekly(base: &Basis<'_>, pair: &Pair<'_>) -> Vec<[String; 6]> {
    let ask = |at: &(Decimal, Thresholds)| base.money(at.0);
    let accept = |at: &(Decimal, Thresholds)| base.money(limits(base, &at.1).accept);
    with_dots(pair.weekly.iter().map(|week| {
        let [here, there] = &week.at;
        let cells = [ask(here), accept(here), ask(there), accept(there)];
        (week.week, cells, week.sold_by)
    }))
}

/// Rows of weeks, each with its number, its cells and the chance that the unit is sold by its end; dots stand for
/// omitted weeks.
fn with_dots(weeks: impl Iterator<Item = (usize, [String; 4], f64)>) -> Vec<[String; 6]> {
    let mut rows = Vec::new();
    let mut before = 0;
    for (week, [a, b, c, d], sold_by) in weeks {
        if week > before + 1 {
            rows.push(["…"; 6].map(String::from));
        }
        before = week;
        rows.push([week.to_string(), a, b, c, d, probability(sold_by, 0)]);
    }
    rows
}

/// The advice on offers in the first week at each of two outlets.
pub(super) fn pair_in_words(base: &Basis<'_>, pair: &Pair<'_>) -> Vec<String> {
    let Some(first) = pair.weekly.first() else {
        return Vec::new();
    };
    let each = pair.outlets.iter().zip(&first.at);
    each.map(|(outlet, (_, thresholds))| {
        let when = format!("In week 1 at {outlet}");
        in_words(base, &when, &limits(base, thresholds))
    })
    .collect()
}

fn weeks_at_both(out: &mut String, base: &Basis<'_>, pair: &Pair<'_>, width: Option<u16>) {
    let [one, other] = pair.outlets.map(|outlet| format!("{outlet}: ask"));
    let titles = ["week", &one, "accept", &other, "accept", "sold by its end"];
    let head = ("Week by week", &*base.in_currency());
    table(out, head, &numbers(titles), pair_weekly(base, pair), width);
    sentences(out, pair_in_words(base, pair), prose_width(width));
}

fn weeks(out: &mut String, content: &Asking<'_>, width: Option<u16>) {
    let head = ("Week by week", &*content.basis.in_currency());
    table(out, head, &numbers(WEEKLY), weekly(content), width);
    sentence(out, &form(&content.basis), prose_width(width));
}

/// How to fill in the form of a listing.
pub(super) fn form(base: &Basis<'_>) -> String {
    format!(
        "In the form of a listing: accept from the lowest to accept, decline below the \
         next column, and answer what is in between with the offer divided by {}, in steps of {}, up to the asking \
         price.",
        (base.offered / Decimal::ONE_HUNDRED).normalize(),
        base.money(base.step)
    )
}

/// Titles of the columns of [`weekly`].
pub(super) const WEEKLY: [&str; 6] = [
    "week",
    "ask",
    "lowest to accept",
    "decline below",
    "answer with",
    "sold by its end",
];

/// Asking price and lowest acceptable price by week; dots stand for omitted weeks.
pub(super) fn weekly(content: &Asking<'_>) -> Vec<[String; 6]> {
    let base = &content.basis;
    with_dots(rows(content).into_iter().map(|row| {
        let counter = row.limits.counter;
        let cells = [
            row.ask.map_or("–".into(), |ask| base.money(ask)),
            base.money(row.limits.accept),
            base.money(row.limits.decline),
            counter.map_or("–".into(), |answer| answers(base, answer)),
        ];
        (row.week, cells, row.sold_by)
    }))
}

/// One week of the plan.
pub(super) struct Row {
    pub(super) week: usize,
    pub(super) ask: Option<Decimal>,
    pub(super) least: Decimal,
    pub(super) sold_by: f64,
    pub(super) limits: Limits,
}

pub(super) fn rows(content: &Asking<'_>) -> Vec<Row> {
    let plan = &content.usual.plan;
    let sold_by = plan.sold_by(content.shown.last().copied().unwrap_or_default());
    let row = |week: usize| {
        let ask = plan.period(week).and_then(|period| period.week.ask);
        Some(Row {
            week,
            ask: ask.and_then(|ask| content.basis.currency().from_statistics(ask)),
            least: *content.least.get(week)?,
            sold_by: *sold_by.get(week - 1)?,
            limits: limits(&content.basis, content.thresholds.get(week)?),
        })
    };
    content.shown.iter().filter_map(|week| row(*week)).collect()
}

/// Titles of the columns of [`rated`].
pub(super) const RATED: [&str; 6] = [
    "offers a week",
    "ask",
    "accept at once",
    "weeks",
    "you keep",
    "worth today",
];

/// A row for few, the usual and many offers.
pub(super) fn rated(content: &Asking<'_>) -> Vec<[String; 6]> {
    let base = &content.basis;
    let [few, many] = &content.others;
    let row = |variant: &Variant| {
        [
            rate(variant.offers),
            base.money(variant.ask),
            base.money(variant.at_once),
            tenths(variant.weeks),
            base.money(variant.left),
            base.money(variant.value),
        ]
    };
    [few, &content.usual, many].map(row).to_vec()
}

fn rates(out: &mut String, content: &Asking<'_>, width: Option<u16>) {
    let head = (
        "If offers are rarer or more frequent",
        &*content.basis.in_currency(),
    );
    table(out, head, &numbers(RATED), rated(content), width);
}

fn reckoned_with(out: &mut String, base: &Basis<'_>, at: Option<&str>, width: usize) {
    let at = at.map_or(String::new(), |outlet| format!(", at {outlet}"));
    heading(out, "What this assumes", &at);
    let deadline = at_deadline(base).map_or(String::new(), |line| format!(" {line}"));
    let line = format!("{}{deadline}", rates_and_costs(base));
    sentences(out, [line.as_str(), DOUBT], width);
}

/// Advice if the expected buyers do not come.
pub(super) const DOUBT: &str = "What buyers would pay is read from what others paid. If fewer come than this \
                                says, or all offer less, the price or the rate is wrong: record the offers and ask again.";

/// The inputs, in words.
pub(super) fn rates_and_costs(base: &Basis<'_>) -> String {
    let (low, high) = base.offers.range();
    let mut source = "the rule of thumb".to_string();
    if base.noted.1 > 0.0 {
        let _ = write!(
            source,
            ", {} in {:.1} weeks in the ledger",
            base.noted.0, base.noted.1
        );
    }
    if let Some((count, weeks)) = base.seen {
        let whence = if base.seen_there {
            "since it was listed"
        } else {
            "as you said"
        };
        let weeks = weeks.normalize();
        let _ = write!(source, ", and {count} in {weeks} weeks {whence}");
    }
    let holding = base.money_or_nothing(base.cost);
    let earns = earns(&base.earns);
    let (minutes, cost) = base.work;
    let work = if cost.is_zero() {
        String::new()
    } else {
        format!(
            " A sale takes {} minutes of your time, {}.",
            minutes.normalize(),
            base.money(cost)
        )
    };
    format!(
        "{} offers a week at the likely price ({} to {}, 4 times in 5; from {source}). \
         Prices paid are what the best of {} buyers would pay; of those who would pay less than is \
         asked, {} % offer {} % of the most they would pay. Money from a sale earns {earns}; \
         holding the unit costs {holding} a week; prices change by {} a month.{work}",
        rate(base.offers.mean()),
        rate(low),
        rate(high),
        base.per_sale.normalize(),
        base.haggling.normalize(),
        base.offered.normalize(),
        percent_change(base.trend),
    )
}

/// The net of an unsold unit, if there is a deadline.
pub(super) fn at_deadline(base: &Basis<'_>) -> Option<String> {
    let (weeks, exit) = base.deadline?;
    let left = base.money_or_nothing(exit);
    Some(match base.quick_sale {
        Some(share) => format!(
            "If it has not sold after {weeks} weeks, it goes in a quick sale at {} % of the likely price: you keep {left}.",
            share.normalize()
        ),
        None => format!("If it has not sold after {weeks} weeks, you keep {left}."),
    })
}

fn closing(out: &mut String, base: &Basis<'_>, width: usize) {
    take_care(out, &base.made.warnings, width);
    out.push('\n');
    small_print(out, WORKED_OUT, width);
}

/// The answer in a few words, and the reasons.
pub(super) fn answer_text(base: &Basis<'_>, judged: &Judged) -> (String, Vec<String>) {
    let code = &base.currency().code;
    let money = |value| base.money(value);
    let when = match judged.week {
        0 => "at once".to_string(),
        week => format!("in week {week}"),
    };
    let mut why = vec![
        worth_in_words(base, judged),
        format!(
            "The lowest to accept {when} is {} {code}.",
            money(judged.least)
        ),
    ];
    if let Answer::Counter(_) = judged.answer {
        let to = counter(base, judged).map_or("–".into(), money);
        why.push(format!(
            "Buyers who offer {} would pay about {to} at most, if they offer {} % of it. \
             Nothing is lost if this buyer goes.",
            money(judged.offer),
            base.offered.normalize()
        ));
    }
    (answer_word(base, judged), why)
}

/// The answer in a few words.
pub(super) fn answer_word(base: &Basis<'_>, judged: &Judged) -> String {
    match judged.answer {
        Answer::Accept => "Accept".into(),
        Answer::Wait => "Turn it down and wait".into(),
        Answer::Counter(_) => {
            let to = counter(base, judged).map_or("–".into(), |to| base.money(to));
            format!("Counter at {to} {}", base.currency().code)
        }
    }
}

/// The values of an offer and of turning it down.
pub(super) fn worth_in_words(base: &Basis<'_>, judged: &Judged) -> String {
    let code = &base.currency().code;
    let money = |value| base.money(value);
    let through = base
        .outlet
        .map_or(String::new(), |outlet| format!(" through {outlet}"));
    let gain = judged.wait - judged.left;
    let compared = if gain > Decimal::ZERO {
        format!("waiting gains you {}", money(gain))
    } else {
        format!("waiting costs you {}", money(-gain))
    };
    format!(
        "At {} {code} you keep {}{through}; turning it down is worth {} on average: {compared}.",
        money(judged.offer),
        money(judged.left),
        money(judged.wait)
    )
}

pub(super) fn counter(base: &Basis<'_>, judged: &Judged) -> Option<Decimal> {
    match judged.answer {
        Answer::Counter(to) => base.currency().from_statistics(to),
        Answer::Accept | Answer::Wait => None,
    }
}

/// A rate with two significant digits.
fn rate(rate: f64) -> String {
    if rate < 0.995 {
        format!("{rate:.2}")
    } else {
        format!("{rate:.1}")
    }
}
