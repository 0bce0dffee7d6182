//! What to ask, and the answer to an offer, on the terminal.

use std::fmt::Write;

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::numbers::{amount, percent_change};
use super::sheet::{HEADING, PRICE, QUIET, WARNING, basis, prose_width, unit, wrap};
use super::table::{Grid, Kind};
use crate::band::estimate::Estimate;
use crate::deal::asking::Answer;
use crate::deal::waiting::{Plan, Rate};
use crate::trade::Currency;

/// Chance of a sale at which the table may end, and the weeks it has at least and at most.
const SURE: f64 = 0.95;
const ROWS: (usize, usize) = (4, 13);

/// Chance of a sale at the asking price in a week below which that is told.
const HARDLY: f64 = 0.005;

/// What it is reckoned with.
#[derive(Debug)]
pub struct Basis<'a> {
    /// The estimate of the unit.
    pub made: &'a Estimate,
    /// Name of the outlet.
    pub outlet: Option<&'a str>,
    /// What is not known of the costs of selling.
    pub unsure: Option<&'static str>,
    /// Offers in a week where the likely price is asked.
    pub offers: Rate,
    /// Offers that the ledger has of earlier sales, and the weeks in which they came.
    pub noted: (u32, f64),
    /// Offers that were counted, and the weeks in which they came.
    pub seen: Option<(u16, Decimal)>,
    /// Per cent of the buyers who would pay less than is asked who make an offer.
    pub haggling: Decimal,
    /// What they offer, per cent of the most they would pay.
    pub offered: Decimal,
    /// Buyers of whom the best pays what is seen to be paid.
    pub per_sale: Decimal,
    /// Buyers in a week, whether they are heard or not.
    pub buyers: f64,
    /// What holding the unit for a week costs.
    pub cost: Decimal,
    /// What the money would earn elsewhere.
    pub earns: Earns,
    /// The same as a share in a week.
    pub per_week: f64,
    /// Change of prices in a month, per cent.
    pub trend: f64,
    /// Weeks to the deadline and what is left of the unit then.
    pub deadline: Option<(u16, Decimal)>,
    /// The price that is asked all the time.
    pub asking: Option<Decimal>,
}

/// What money would earn that a sale brings.
#[derive(Debug, Clone, Copy)]
pub enum Earns {
    /// Per cent a year.
    PerYear(Decimal),
    /// The aim of a purchase: per cent, in so many weeks.
    Aim(Decimal, Decimal),
}

/// What comes of a rate of offers.
#[derive(Debug)]
pub struct Variant {
    /// Offers in a week.
    pub offers: f64,
    /// Asking price of the first week.
    pub ask: Decimal,
    /// What is left of it.
    pub left_of_ask: Decimal,
    /// The least price to take at once.
    pub at_once: Decimal,
    /// What waiting is worth today, its cost taken off.
    pub value: Decimal,
    /// Expected money left in the end.
    pub left: Decimal,
    /// Expected weeks to a sale or the deadline.
    pub weeks: Option<f64>,
    /// Week by week.
    pub plan: Plan,
}

/// All that is told of what to ask.
#[derive(Debug)]
pub struct Told<'a> {
    /// What it is reckoned with.
    pub basis: Basis<'a>,
    /// By the mean rate of offers.
    pub usual: Variant,
    /// By the low and the high end of it.
    pub others: [Variant; 2],
    /// With the best asking prices, where one of one's own is judged.
    pub best: Option<Variant>,
    /// The least price to take by week, from week 0 (at once) to the last shown.
    pub least: Vec<Decimal>,
    /// Weeks shown, ascending.
    pub shown: Vec<usize>,
}

/// An offer and what to do about it.
#[derive(Debug)]
pub struct Judged {
    /// What is offered.
    pub offer: Decimal,
    /// Week in which it came; 0 is at once.
    pub week: usize,
    /// What is left of it.
    pub left: Decimal,
    /// What waiting is worth then: the least that an offer must leave.
    pub wait: Decimal,
    /// The least price that leaves that.
    pub least: Decimal,
    /// What to do.
    pub answer: Answer,
}

impl Variant {
    /// Weeks worth showing: until a sale is nearly sure, and the one of the deadline.
    pub fn weeks_shown(&self, deadline: Option<usize>) -> Vec<usize> {
        let most = deadline.unwrap_or(usize::MAX).min(ROWS.1);
        let sold = self.plan.sold_by(most);
        let sure = sold
            .iter()
            .position(|sold| *sold >= SURE)
            .map_or(most, |at| at + 1);
        let last = sure.max(ROWS.0).min(most);
        let mut shown: Vec<usize> = (1..=last).collect();
        shown.extend(deadline.filter(|weeks| *weeks > last));
        shown
    }
}

impl Basis<'_> {
    fn currency(&self) -> &Currency {
        &self.made.currency
    }

    fn money(&self, value: Decimal) -> String {
        amount(self.currency(), value)
    }
}

/// What to ask, with ANSI styles.
pub fn sheet(told: &Told<'_>, width: Option<u16>) -> String {
    let mut out = String::new();
    let prose = prose_width(width);
    let base = &told.basis;
    headline(&mut out, base, prose);
    asked(&mut out, told, prose);
    weeks(&mut out, told, width);
    rates(&mut out, told, width);
    reckoned_with(&mut out, base, prose);
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
    for line in rest {
        let _ = writeln!(out, "{}", wrap(&line, prose, "  "));
    }
    reckoned_with(&mut out, base, prose);
    closing(&mut out, base, prose);
    out
}

fn headline(out: &mut String, base: &Basis<'_>, width: usize) {
    let made = base.made;
    let title = wrap(&unit(&made.subject), width, "");
    let _ = writeln!(out, "{HEADING}{title}{HEADING:#}");
    let line = sells(base);
    let _ = writeln!(out, "{}\n", wrap(&line, width, ""));
}

/// What it sells for, and what of that was assumed.
pub(super) fn sells(base: &Basis<'_>) -> String {
    let made = base.made;
    format!(
        "Sells for about {} {} ({} % band {} to {}) on {}; {}.{}",
        base.money(made.median),
        made.currency.code,
        made.level,
        base.money(made.low),
        base.money(made.high),
        made.as_of,
        basis(made.basis),
        super::bid::assumed(made)
    )
}

fn asked(out: &mut String, told: &Told<'_>, width: usize) {
    let base = &told.basis;
    let usual = &told.usual;
    let code = &base.currency().code;
    let left = base.outlet.map_or(String::new(), |outlet| {
        format!(
            "  ({} left of it through {outlet})",
            base.money(usual.left_of_ask)
        )
    });
    let (ask, at_once) = (base.money(usual.ask), base.money(usual.at_once));
    let digits = ask.chars().count().max(at_once.chars().count());
    let _ = writeln!(
        out,
        "  Ask            {PRICE}{ask:>digits$} {code}{PRICE:#}{left}"
    );
    let _ = writeln!(
        out,
        "  Take at once   {PRICE}{at_once:>digits$} {code}{PRICE:#}  or more"
    );
    for line in foreseen(told) {
        let _ = writeln!(out, "{}", wrap(&line, width, "  "));
    }
    for line in cautions(told) {
        let _ = writeln!(out, "{WARNING}{}{WARNING:#}", wrap(line, width, "  "));
    }
}

/// How long it takes and what it brings; what the best asking price would, where another was said.
pub(super) fn foreseen(told: &Told<'_>) -> Vec<String> {
    let base = &told.basis;
    let usual = &told.usual;
    let weeks = match (usual.weeks, base.deadline) {
        (None, _) => "It may never be sold".to_string(),
        (Some(weeks), Some((deadline, _))) => {
            let chance = usual.plan.sold_by(usize::from(deadline)).last().copied();
            format!(
                "Sold or at the deadline after {weeks:.1} weeks on average, sold by then with a chance of {}",
                percent(chance.unwrap_or_default())
            )
        }
        (Some(weeks), None) => format!("Sold after {weeks:.1} weeks on average"),
    };
    let mut lines = vec![format!(
        "{weeks}, with {} {} left; seen from today, waiting paid for, {}.",
        base.money(usual.left),
        base.currency().code,
        base.money(usual.value)
    )];
    lines.extend(told.best.as_ref().map(|best| {
        format!(
            "{} was said. The best asking price is {} to begin with, worth {} more today.",
            base.money(usual.ask),
            base.money(best.ask),
            base.money(best.value - usual.value)
        )
    }));
    lines
}

/// Where waiting, or what is asked, makes no sense.
pub(super) fn cautions(told: &Told<'_>) -> Vec<&'static str> {
    let usual = &told.usual;
    let first = usual.plan.period(1);
    let hardly = first.is_some_and(|period| period.week.asked.chance < HARDLY);
    let left = usual.left_of_ask.to_f64();
    let keep = left.is_some_and(|left| left < usual.plan.least(1));
    [
        (
            hardly,
            "Hardly anybody would pay what is asked: it sells to those who offer less.",
        ),
        (
            keep,
            "What is left at the deadline is worth more than any sale: keep it till then.",
        ),
        (
            usual.value <= Decimal::ZERO,
            "Waiting costs more than it brings: take whatever is offered.",
        ),
    ]
    .into_iter()
    .filter_map(|(holds, line)| holds.then_some(line))
    .collect()
}

fn weeks(out: &mut String, told: &Told<'_>, width: Option<u16>) {
    let mut grid = Grid::new(&WEEKLY.map(|title| (title, Kind::Number)));
    for row in weekly(told) {
        grid.push(row.to_vec());
    }
    let code = &told.basis.currency().code;
    let _ = writeln!(out, "\n{HEADING}Week by week{HEADING:#}, {code}");
    out.push_str(&grid.render(width));
}

/// Titles of the columns of [`weekly`].
pub(super) const WEEKLY: [&str; 4] = ["week", "ask", "lowest to take", "sold by its end"];

/// What to ask and the lowest to take, week by week; where weeks are left out, dots.
pub(super) fn weekly(told: &Told<'_>) -> Vec<[String; 4]> {
    let base = &told.basis;
    let mut cells = Vec::new();
    let mut before = 0;
    for row in rows(told) {
        if row.week > before + 1 {
            cells.push(["…"; 4].map(String::from));
        }
        before = row.week;
        cells.push([
            row.week.to_string(),
            row.ask.map_or("–".into(), |ask| base.money(ask)),
            base.money(row.least),
            percent(row.sold_by),
        ]);
    }
    cells
}

/// One week of the plan.
pub(super) struct Row {
    pub(super) week: usize,
    pub(super) ask: Option<Decimal>,
    pub(super) least: Decimal,
    pub(super) sold_by: f64,
}

pub(super) fn rows(told: &Told<'_>) -> Vec<Row> {
    let plan = &told.usual.plan;
    let sold_by = plan.sold_by(told.shown.last().copied().unwrap_or_default());
    let row = |week: usize| {
        let ask = plan.period(week).and_then(|period| period.week.ask);
        Some(Row {
            week,
            ask: ask.and_then(|ask| told.basis.currency().from_statistics(ask)),
            least: *told.least.get(week)?,
            sold_by: *sold_by.get(week - 1)?,
        })
    };
    told.shown.iter().filter_map(|week| row(*week)).collect()
}

fn rates(out: &mut String, told: &Told<'_>, width: Option<u16>) {
    let base = &told.basis;
    let mut grid = Grid::new(&[
        ("offers a week", Kind::Number),
        ("ask", Kind::Number),
        ("take at once", Kind::Number),
        ("weeks", Kind::Number),
        ("left of it", Kind::Number),
        ("worth today", Kind::Number),
    ]);
    let [few, many] = &told.others;
    for variant in [few, &told.usual, many] {
        grid.push(vec![
            rate(variant.offers),
            base.money(variant.ask),
            base.money(variant.at_once),
            variant
                .weeks
                .map_or("–".into(), |weeks| format!("{weeks:.1}")),
            base.money(variant.left),
            base.money(variant.value),
        ]);
    }
    let code = &base.currency().code;
    let _ = writeln!(
        out,
        "\n{HEADING}If offers are rarer or more frequent{HEADING:#}, {code}"
    );
    out.push_str(&grid.render(width));
}

fn reckoned_with(out: &mut String, base: &Basis<'_>, width: usize) {
    let _ = writeln!(out, "\n{HEADING}Reckoned with{HEADING:#}");
    let deadline = at_deadline(base).map_or(String::new(), |line| format!(" {line}"));
    let line = format!("{}{deadline}", rates_and_costs(base));
    let _ = writeln!(out, "{}", wrap(&line, width, "  "));
    let _ = writeln!(out, "{}", wrap(DOUBT, width, "  "));
}

/// What to do where the buyers that were reckoned with do not come.
pub(super) const DOUBT: &str = "What buyers would pay is read from what others paid. If fewer come than this \
                                says, or all offer less, the price or the rate is wrong: log it and ask again.";

/// What it is reckoned with, in words.
pub(super) fn rates_and_costs(base: &Basis<'_>) -> String {
    let (low, high) = base.offers.range();
    let mut source = "the rule of thumb".to_string();
    if base.noted.1 > 0.0 {
        let _ = write!(
            source,
            ", {} in {:.1} weeks by the ledger",
            base.noted.0, base.noted.1
        );
    }
    if let Some((count, weeks)) = base.seen {
        let _ = write!(
            source,
            ", and {count} in {} weeks as you said",
            weeks.normalize()
        );
    }
    let holding = if base.cost.is_zero() {
        "nothing".into()
    } else {
        base.money(base.cost)
    };
    let earns = match base.earns {
        Earns::PerYear(percent) => format!("{} % a year", percent.normalize()),
        Earns::Aim(percent, weeks) => format!(
            "{} % in {} weeks (your aim for a purchase)",
            percent.normalize(),
            weeks.normalize()
        ),
    };
    format!(
        "{} offers a week where the likely price is asked ({} to {} four times in five: {source}). \
         Prices paid are what the best of {} buyers would pay; of those who would pay less than is \
         asked, {} % offer {} % of the most they would pay. The money of a sale earns {earns}; \
         holding the unit costs {holding} a week; prices change by {} a month.",
        rate(base.offers.mean()),
        rate(low),
        rate(high),
        base.per_sale.normalize(),
        base.haggling.normalize(),
        base.offered.normalize(),
        percent_change(base.trend),
    )
}

/// What is left of a unit that was not sold, where there is a deadline.
pub(super) fn at_deadline(base: &Basis<'_>) -> Option<String> {
    let (weeks, exit) = base.deadline?;
    let left = if exit.is_zero() {
        "nothing".into()
    } else {
        base.money(exit)
    };
    Some(format!(
        "After {weeks} weeks {left} is left of a unit not sold."
    ))
}

fn closing(out: &mut String, base: &Basis<'_>, width: usize) {
    let warnings = &base.made.warnings;
    if !warnings.is_empty() {
        let _ = writeln!(out, "\n{HEADING}Take care with the estimate{HEADING:#}");
    }
    for warning in warnings {
        let _ = writeln!(out, "{WARNING}{}{WARNING:#}", wrap(warning, width, "  "));
    }
    let closing = "Reckoned from the sales you recorded, not a promise; not tax or legal advice.";
    let _ = writeln!(out, "\n{QUIET}{}{QUIET:#}", wrap(closing, width, ""));
}

/// The answer in a few words, and the reasons.
fn answer_text(base: &Basis<'_>, judged: &Judged) -> (String, Vec<String>) {
    let code = &base.currency().code;
    let money = |value| base.money(value);
    let when = match judged.week {
        0 => "at once".to_string(),
        week => format!("in week {week}"),
    };
    let through = base
        .outlet
        .map_or(String::new(), |outlet| format!(" through {outlet}"));
    let gain = judged.wait - judged.left;
    let compared = if gain > Decimal::ZERO {
        format!("waiting gains {}", money(gain))
    } else {
        format!("waiting loses {}", money(-gain))
    };
    let reason = format!(
        "{} {code} leaves {}{through}; letting it go is worth {}, so {compared} on average.",
        money(judged.offer),
        money(judged.left),
        money(judged.wait)
    );
    let lowest = format!(
        "The lowest to take {when} is {} {code}.",
        money(judged.least)
    );
    match judged.answer {
        Answer::Accept => ("Accept".into(), vec![reason, lowest]),
        Answer::Wait => ("Wait".into(), vec![reason, lowest]),
        Answer::Counter(_) => {
            let to = counter(base, judged).map_or("–".into(), money);
            let why = format!(
                "Buyers who offer {} would pay about {to} at most, if they offer {} % of it. \
                 Nothing is lost if this one goes.",
                money(judged.offer),
                base.offered.normalize()
            );
            (format!("Counter at {to} {code}"), vec![reason, lowest, why])
        }
    }
}

pub(super) fn counter(base: &Basis<'_>, judged: &Judged) -> Option<Decimal> {
    match judged.answer {
        Answer::Counter(to) => base.currency().from_statistics(to),
        Answer::Accept | Answer::Wait => None,
    }
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

/// A rate with two digits that say something.
fn rate(rate: f64) -> String {
    if rate < 0.995 {
        format!("{rate:.2}")
    } else {
        format!("{rate:.1}")
    }
}
