//! Compared listings on the terminal.

use std::fmt::Write;

use rust_decimal::Decimal;

use super::bid::{assumed_cash, failure};
use super::numbers::{amount, chance, percent_change};
use super::prose::{HEADING, PRICE, heading, prose_width, sentences, small_print, wrap};
use super::table::{Grid, Kind};
use crate::app::compare::Means;
use crate::deal::bid::{Advice, Judged};
use crate::trade::Currency;
use crate::trade::text::shorten;

/// A listing with its verdict, or the reason why there is none.
#[derive(Debug)]
pub struct Candidate {
    /// Its name.
    pub name: String,
    /// The asking price.
    pub asked: Decimal,
    /// Weeks from payment to the proceeds, if given.
    pub weeks: Option<Decimal>,
    /// Its note in the table.
    pub note: Option<String>,
    /// Where it is found.
    pub link: Option<String>,
    /// The verdict.
    pub judged: Result<Judged, String>,
}

/// Content of the sheet for a comparison.
#[derive(Debug)]
pub struct Content<'a> {
    /// Currency of all money.
    pub currency: &'a Currency,
    /// The aims of each purchase, and the money there is.
    pub means: &'a Means<'a>,
    /// The listings, in the order of the table.
    pub candidates: &'a [Candidate],
    /// Positions of the listings to buy.
    pub bought: Vec<usize>,
    /// Share that those use of what their risk allows together, 0..=1.
    pub risk: f64,
}

impl Content<'_> {
    /// Positions by profit per stake and week, best first; those without a verdict last.
    pub(super) fn ranked(&self) -> Vec<usize> {
        let rate = |at: &usize| {
            let judged = self.candidates[*at].judged.as_ref().ok();
            judged.map_or(f64::NEG_INFINITY, |j| {
                j.measures.per_week.unwrap_or(f64::INFINITY)
            })
        };
        let mut all: Vec<usize> = (0..self.candidates.len()).collect();
        all.sort_by(|a, b| rate(b).total_cmp(&rate(a)));
        all
    }

    /// Total stake, total expected profit, and the latter per week, of all listings to buy.
    pub(super) fn sums(&self) -> (Decimal, Decimal, Decimal) {
        let bought = self.bought.iter().filter_map(|at| {
            let candidate = &self.candidates[*at];
            let judged = candidate.judged.as_ref().ok()?;
            let at = &judged.measures;
            Some((at.stake, at.profit, at.profit / judged.weeks))
        });
        let zero = (Decimal::ZERO, Decimal::ZERO, Decimal::ZERO);
        bought.fold(zero, |sum, one| {
            (sum.0 + one.0, sum.1 + one.1, sum.2 + one.2)
        })
    }
}

/// The comparison with ANSI styles.
pub fn sheet(content: &Content<'_>, width: Option<u16>) -> String {
    let prose = prose_width(width);
    let mut out = String::new();
    let mut grid = Grid::ranked(&[
        ("", Kind::Fixed, 0),
        ("listing", Kind::Text, 0),
        ("asked", Kind::Number, 0),
        ("invested", Kind::Number, 2),
        ("profit", Kind::Number, 0),
        ("a week", Kind::Number, 0),
        ("loss", Kind::Number, 1),
        ("open with", Kind::Number, 3),
        ("what to do", Kind::Text, 0),
    ]);
    let mut reasons = Vec::new();
    for at in content.ranked() {
        let candidate = &content.candidates[at];
        let bought = content.bought.contains(&at);
        grid.push(row(candidate, bought, content.currency));
        reasons.extend(why_not(candidate, content.currency));
    }
    let _ = writeln!(
        out,
        "{HEADING}Listings{HEADING:#}, {}, best for money and time first (• to buy with {})",
        content.currency.code,
        amount(content.currency, content.means.most())
    );
    out.push_str(&grid.render(width));
    let choice = choice(content, "; --total counts the whole profit instead");
    let _ = writeln!(out, "\n{PRICE}{}{PRICE:#}", wrap(&choice, prose, ""));
    for (word, texts) in [("Why not", reasons), ("Notes", notes(content))] {
        if !texts.is_empty() {
            heading(&mut out, word, "");
            sentences(&mut out, texts, prose);
        }
    }
    for line in limits(content) {
        let _ = writeln!(out, "\n{}", wrap(&line, prose, ""));
    }
    let legend = "A week: expected profit on money invested, for each week until it is paid back. \
                  Loss: the chance of one.";
    out.push('\n');
    small_print(&mut out, legend, prose);
    out
}

/// The row of a listing in the table.
fn row(candidate: &Candidate, bought: bool, currency: &Currency) -> Vec<String> {
    let money = |value| amount(currency, value);
    let mark = if bought { "•" } else { "" };
    let rest = match &candidate.judged {
        Ok(judged) => {
            let at = &judged.measures;
            [
                money(at.stake),
                money(at.profit),
                at.per_week
                    .map_or("–".into(), |share| percent_change(100.0 * share)),
                chance(at.loss, 0),
                judged
                    .offers
                    .map_or("–".into(), |offers| money(offers.open)),
                advice(judged, bought, currency),
            ]
        }
        Err(_) => ["–", "–", "–", "–", "–", "no estimate"].map(String::from),
    };
    let first = [mark.into(), candidate.name.clone(), money(candidate.asked)];
    first.into_iter().chain(rest).collect()
}

/// The reason not to buy a listing at its asking price: the first aim that it does not meet, or the
/// reason why it has no estimate.
pub(super) fn why_not(candidate: &Candidate, currency: &Currency) -> Option<String> {
    let why = match &candidate.judged {
        Ok(judged) => failure(*judged.failed.first()?, &judged.measures, currency),
        Err(why) => why.to_string(),
    };
    Some(format!("{}: {why}.", candidate.name))
}

/// The note and the link of each listing that has one, best first.
fn notes(content: &Content<'_>) -> Vec<String> {
    let ranked = content
        .ranked()
        .into_iter()
        .map(|at| &content.candidates[at]);
    let note = |one: &Candidate| {
        let both = [&one.note, &one.link].into_iter().flatten();
        let both: Vec<String> = both.map(|text| shorten(text, 200)).collect();
        (!both.is_empty()).then(|| format!("{}: {}", one.name, both.join("; ")))
    };
    ranked.filter_map(note).collect()
}

/// Limits of the choice besides the budget.
pub(super) fn limits(content: &Content<'_>) -> Vec<String> {
    let money = |value| amount(content.currency, value);
    let Means { funds, budget, .. } = content.means;
    let short = funds.cash.filter(|cash| cash.amount < *budget);
    let short = short.map(|cash| {
        format!(
            "The cash is {}, less than the budget of {}.",
            money(cash.amount),
            money(*budget)
        )
    });
    let together = funds.bankroll.filter(|_| content.bought.len() > 1);
    let together = together.map(|bankroll| {
        format!(
            "Together they use {:.0} % of what their risk allows with a bankroll of {}.",
            100.0 * content.risk,
            money(bankroll)
        )
    });
    let assumed = funds
        .cash
        .and_then(|cash| assumed_cash(cash, content.currency));
    [short, together, assumed].into_iter().flatten().collect()
}

/// The choice, in a sentence; `instead` explains how to choose by the whole profit.
pub(super) fn choice(content: &Content<'_>, instead: &str) -> String {
    let money = |value| amount(content.currency, value);
    let (put_in, profit, weekly) = content.sums();
    let (more, why) = if content.means.total {
        (
            "in total",
            "How long each takes does not count.".to_string(),
        )
    } else {
        let why = format!("Profit a week takes it that short deals can be repeated{instead}.");
        ("a week", why)
    };
    match content.bought.len() {
        0 => "Buy none of them: none keeps every aim at the price asked within the budget."
            .to_string(),
        number => format!(
            "Buy {number} of {}: {} of {} invested, expected profit {}, {} a week. No other choice \
             of listings that keep the aims earns more {more} within the budget and the risk. {why}",
            content.candidates.len(),
            money(put_in),
            money(content.means.most()),
            money(profit),
            money(weekly)
        ),
    }
}

/// The advice on a listing.
pub(super) fn advice(judged: &Judged, bought: bool, currency: &Currency) -> String {
    match judged.advice {
        Advice::Buy if bought => "buy".into(),
        Advice::Buy => "good, not chosen".into(),
        Advice::Haggle(to) => format!("haggle to {}", amount(currency, to)),
        Advice::Pass => "pass".into(),
    }
}
