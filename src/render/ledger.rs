//! The ledger on the terminal.

use std::collections::BTreeMap;
use std::fmt::Write;

use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::document::check;
use super::net::account;
use super::numbers::{amount, percent_change};
use super::sheet::{HEADING, QUIET, basis, prose_width, wrap};
use super::table::{Grid, Kind};
use crate::book::csv::formula::neutral;
use crate::deal::ledger::{Deal, Ledger, OwnSale, State, Summary, name};
use crate::trade::Currency;
use crate::trade::entry::{self, Account, Entry, Foreseen};
use crate::trade::names::match_key;

/// Closed deals shown, unless all are asked for.
const SHOWN: usize = 20;

/// Weeks from which on rates are told.
const TELLING: f64 = 1.0;

/// What there is to tell.
#[derive(Debug)]
pub struct Told<'a> {
    /// Currency of all money.
    pub currency: &'a Currency,
    /// Today.
    pub today: NaiveDate,
    /// The ledger.
    pub ledger: &'a Ledger,
    /// What it comes to.
    pub summary: Summary,
    /// The bankroll to get to; 0: not said.
    pub goal: Decimal,
    /// Today's estimate of what is in stock, or why there is none.
    pub now: BTreeMap<u32, Result<Foreseen, String>>,
    /// Whether every closed deal is told.
    pub all: bool,
}

/// An estimate in a few words: `148.16 (80 % band 130.64 to 168.56)`.
pub fn foreseen(made: &Foreseen, currency: &Currency) -> String {
    format!(
        "{} ({} % band {} to {})",
        amount(currency, made.likely),
        made.level,
        amount(currency, made.low),
        amount(currency, made.high)
    )
}

/// Profit in an hour of work, rounded half-even to the minor unit.
pub fn hourly(deal: &Deal, currency: &Currency) -> Option<String> {
    deal.per_hour().map(|money| amount(currency, money))
}

/// The views with ANSI styles.
pub fn sheet(told: &Told<'_>, width: Option<u16>) -> String {
    let prose = prose_width(width);
    let mut out = String::new();
    let code = &told.currency.code;
    let _ = writeln!(
        out,
        "{HEADING}Bankroll{HEADING:#}, {code}, on {}",
        told.today
    );
    out.push_str(&bankroll(told));
    out.push('\n');
    for sentence in sentences(told) {
        let _ = writeln!(out, "{}", wrap(&sentence, prose, "  "));
    }
    let stock = in_stock(told, width);
    if !stock.is_empty() {
        let basis = told
            .now
            .values()
            .flatten()
            .next()
            .map_or(String::new(), |made| {
                format!(", estimated, {}", basis(made.basis))
            });
        let _ = writeln!(out, "\n{HEADING}In stock{HEADING:#}, {code}{basis}");
        out.push_str(&stock);
    }
    let (closed, left_out) = closed(told, width);
    if !closed.is_empty() {
        let _ = writeln!(
            out,
            "\n{HEADING}Closed deals{HEADING:#}, {code}, newest first"
        );
        out.push_str(&closed);
        if left_out > 0 {
            let _ = writeln!(out, "({left_out} more: --all)");
        }
        let legend = "Paid and parts: what the unit cost. Price: with shipping that the buyer paid, less refunds. \
                      Sent: sending and packing. Min: minutes of work.";
        let _ = writeln!(out, "\n{QUIET}{}{QUIET:#}", wrap(legend, prose, ""));
    }
    out
}

fn bankroll(told: &Told<'_>) -> String {
    let money = |value| amount(told.currency, value);
    let now = &told.summary.now;
    account(&[
        ("Cash".into(), money(now.cash)),
        ("Stock at cost".into(), money(now.stock)),
        ("Bankroll".into(), money(now.bankroll())),
    ])
}

fn sentences(told: &Told<'_>) -> Vec<String> {
    let money = |value| amount(told.currency, value);
    let summary = &told.summary;
    let mut said = vec![format!(
        "Put in {}, profit so far {}.",
        money(summary.now.capital),
        money(summary.profit)
    )];
    if summary.closed > 0 {
        said.push(format!(
            "Deals closed {}, with a profit {} ({:.0} %); in stock {}.",
            summary.closed,
            summary.won,
            100.0 * summary.won as f64 / summary.closed as f64,
            summary.open
        ));
    }
    if summary.weeks >= TELLING
        && let (Some(turnover), Some(weekly)) = (summary.turnover, summary.weekly)
    {
        said.push(format!(
            "In {:.1} weeks: return {} a week on a bankroll of {} on average, turned over {turnover:.1} times a year.",
            summary.weeks,
            percent_change(100.0 * weekly),
            told.currency
                .from_statistics(summary.average)
                .map_or("–".into(), money),
        ));
    }
    said.extend(goal(told));
    said
}

/// How far the goal is.
fn goal(told: &Told<'_>) -> Option<String> {
    let bankroll = told.summary.now.bankroll();
    if told.goal.is_zero() {
        return None;
    }
    let money = |value| amount(told.currency, value);
    let share = (bankroll / told.goal).to_f64().unwrap_or_default();
    let head = format!("Goal {}: {:.0} % of it", money(told.goal), 100.0 * share);
    if bankroll >= told.goal {
        return Some(format!("{head}, reached."));
    }
    let missing = (told.goal - bankroll).to_f64().unwrap_or_default();
    let pace = told.summary.profit.to_f64().unwrap_or_default() / told.summary.weeks;
    Some(if told.summary.weeks >= TELLING && pace > 0.0 {
        format!(
            "{head}; at the profit so far, {} a week, in about {:.0} weeks.",
            told.currency
                .from_statistics(pace)
                .map_or("–".into(), money),
            (missing / pace).ceil()
        )
    } else {
        format!("{head}.")
    })
}

fn in_stock(told: &Told<'_>, width: Option<u16>) -> String {
    let money = |value| amount(told.currency, value);
    let mut grid = Grid::ranked(&[
        ("deal", Kind::Fixed, 0),
        ("unit", Kind::Text, 0),
        ("days", Kind::Number, 0),
        ("cost", Kind::Number, 0),
        ("likely", Kind::Number, 0),
        ("low", Kind::Number, 1),
        ("high", Kind::Number, 2),
        ("when bought", Kind::Number, 3),
    ]);
    let open: Vec<&Deal> = told
        .ledger
        .deals()
        .filter(|deal| deal.state == State::Open)
        .collect();
    for deal in &open {
        let now = told.now.get(&deal.id).and_then(|made| made.as_ref().ok());
        let of = |made: Option<&Foreseen>, which: fn(&Foreseen) -> Decimal| {
            made.map_or("–".into(), |made| money(which(made)))
        };
        grid.push(vec![
            deal.name(),
            deal.unit.model.clone(),
            deal.days_held(told.today).to_string(),
            money(deal.sum(Account::Stock)),
            of(now, |made| made.likely),
            of(now, |made| made.low),
            of(now, |made| made.high),
            of(deal.foreseen.as_ref(), |made| made.likely),
        ]);
    }
    if open.is_empty() {
        return String::new();
    }
    let mut text = grid.render(width);
    for deal in open {
        if let Some(Err(why)) = told.now.get(&deal.id) {
            let _ = writeln!(
                text,
                "{}",
                wrap(&format!("{}: {why}.", deal.name()), prose_width(width), "")
            );
        }
    }
    text
}

/// Closed deals, and how many are not shown.
fn closed(told: &Told<'_>, width: Option<u16>) -> (String, usize) {
    let money = |value| amount(told.currency, value);
    let mut closed: Vec<&Deal> = told
        .ledger
        .deals()
        .filter(|deal| deal.state != State::Open)
        .collect();
    if closed.is_empty() {
        return (String::new(), 0);
    }
    closed.sort_by_key(|deal| std::cmp::Reverse((deal.closed_on, deal.id)));
    let most = if told.all { usize::MAX } else { SHOWN };
    let left_out = closed.len().saturating_sub(most);
    let mut grid = Grid::ranked(&[
        ("deal", Kind::Fixed, 0),
        ("unit", Kind::Text, 0),
        ("paid", Kind::Number, 0),
        ("parts", Kind::Number, 1),
        ("price", Kind::Number, 0),
        ("fees", Kind::Number, 2),
        ("sent", Kind::Number, 3),
        ("profit", Kind::Number, 0),
        ("min", Kind::Number, 5),
        ("an hour", Kind::Number, 4),
        ("days", Kind::Number, 1),
        ("closed", Kind::Fixed, 6),
    ]);
    for deal in closed.into_iter().take(most) {
        let scrapped = match deal.state {
            State::Scrapped => ", scrapped",
            State::Open | State::Sold => "",
        };
        grid.push(vec![
            deal.name(),
            format!("{}{scrapped}", deal.unit.model),
            money(deal.paid),
            money(deal.parts),
            money(deal.revenue()),
            money(deal.sum(Account::Fees)),
            money(deal.sum(Account::Postage)),
            money(deal.profit()),
            deal.minutes.round().to_string(),
            hourly(deal, told.currency).unwrap_or_else(|| "–".into()),
            deal.days_held(told.today).to_string(),
            deal.closed_on.map_or("–".into(), |day| day.to_string()),
        ]);
    }
    (grid.render(width), left_out)
}

/// Entries as a table: the accounts they move.
pub fn entry_table<'e>(
    ledger: &Ledger,
    shown: impl Iterator<Item = &'e Entry>,
    currency: &Currency,
    width: Option<u16>,
) -> String {
    let mut grid = Grid::ranked(&[
        ("entry", Kind::Number, 0),
        ("day", Kind::Fixed, 0),
        ("kind", Kind::Fixed, 0),
        ("deal", Kind::Fixed, 0),
        ("moved", Kind::Text, 0),
        ("note", Kind::Text, 1),
    ]);
    for entry in shown {
        let moved: Vec<String> = entry
            .postings
            .iter()
            .map(|(account, money)| {
                let sign = if money > Decimal::ZERO { "+" } else { "" };
                format!(
                    "{} {sign}{}",
                    account.column().replace('_', " "),
                    amount(currency, money)
                )
            })
            .collect();
        let mut note: Vec<String> = Vec::new();
        note.extend(entry.reverses.map(|number| format!("of entry {number}")));
        note.extend(
            ledger
                .reversed_by(entry.number)
                .map(|by| format!("reversed by entry {by}")),
        );
        if !entry.note.is_empty() {
            note.push(entry.note.clone());
        }
        grid.push(vec![
            entry.number.to_string(),
            entry.on.to_string(),
            entry.kind.word().to_string(),
            entry.deal.map_or(String::new(), name),
            moved.join(", "),
            note.join("; "),
        ]);
    }
    grid.render(width)
}

/// How the owner's own sales fell against the estimates of some day.
#[derive(Debug, Clone, PartialEq)]
pub struct OwnSales {
    /// How many.
    pub sales: usize,
    /// Median of estimate over price paid.
    pub median_ratio: f64,
    /// How many fell within their band.
    pub held: usize,
    /// Share foreseen to, per cent, on average.
    pub foreseen_percent: f64,
}

impl OwnSales {
    /// Sums sales up; none where there are none.
    pub fn of(sales: &[OwnSale]) -> Option<Self> {
        let float = |money: Decimal| money.to_f64().unwrap_or_default();
        let ratios: Vec<f64> = sales
            .iter()
            .filter(|sale| sale.paid > Decimal::ZERO)
            .map(|sale| float(sale.foreseen.likely) / float(sale.paid))
            .collect();
        let within =
            |sale: &&OwnSale| (sale.foreseen.low..=sale.foreseen.high).contains(&sale.paid);
        let chances = sales.iter().map(|sale| f64::from(sale.foreseen.level));
        Some(Self {
            sales: sales.len(),
            median_ratio: crate::backtest::ratio::median(&ratios)?,
            held: sales.iter().filter(within).count(),
            foreseen_percent: chances.sum::<f64>() / sales.len() as f64,
        })
    }

    fn sentence(&self, when: &str) -> String {
        format!(
            "{when}: estimates at {:.2} of what was paid (median of {}), {} of {} within the band ({:.0} %, foreseen \
             {:.0} %).",
            self.median_ratio,
            self.sales,
            self.held,
            self.sales,
            100.0 * self.held as f64 / self.sales as f64,
            self.foreseen_percent
        )
    }
}

/// The owner's own sales against the estimates kept in the ledger: of the day of buying, and of
/// the day of selling.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct OwnCheck {
    /// By the estimates of the day of buying.
    pub when_bought: Option<OwnSales>,
    /// By the estimates of the day of selling.
    pub when_sold: Option<OwnSales>,
}

impl OwnCheck {
    /// As part of a document; none where there is none.
    pub fn document(&self) -> Option<check::OwnCheck> {
        let sales = |own: &OwnSales| check::OwnSales {
            sales: own.sales,
            median_ratio: own.median_ratio,
            held: own.held,
            share: own.held as f64 / own.sales as f64,
            foreseen_percent: own.foreseen_percent,
        };
        (*self != Self::default()).then(|| check::OwnCheck {
            when_bought: self.when_bought.as_ref().map(sales),
            when_sold: self.when_sold.as_ref().map(sales),
        })
    }

    /// Both, of a ledger: of one model (case and spacing ignored), or of all.
    pub fn of(ledger: &Ledger, model: Option<&str>) -> Self {
        let key = model.map(match_key);
        let asked = |deal: &Deal| {
            let of_model = |key: &String| match_key(&deal.unit.model) == *key;
            key.as_ref().is_none_or(of_model)
        };
        let of = |which: fn(&Deal) -> Option<Foreseen>| {
            OwnSales::of(&ledger.own_sales(|deal| which(deal).filter(|_| asked(deal))))
        };
        Self {
            when_bought: of(|deal| deal.foreseen),
            when_sold: of(|deal| deal.foreseen_at_sale),
        }
    }

    /// As text; empty where there is none.
    pub fn sheet(&self, width: Option<u16>) -> String {
        let prose = prose_width(width);
        let said: Vec<String> = [
            (&self.when_bought, "Estimated when bought"),
            (&self.when_sold, "Estimated when sold"),
        ]
        .into_iter()
        .filter_map(|(sales, when)| Some(sales.as_ref()?.sentence(when)))
        .map(|sentence| format!("{}\n", wrap(&sentence, prose, "  ")))
        .collect();
        if said.is_empty() {
            return String::new();
        }
        format!(
            "\n{HEADING}your own sales{HEADING:#}, from the ledger\n{}",
            said.concat()
        )
    }
}

/// The ledger as CSV: one posting a row, for other programs.
///
/// # Errors
/// None but of writing to memory.
pub fn postings_csv(ledger: &Ledger, currency: &Currency) -> std::io::Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record([
        "entry", "day", "kind", "deal", "model", "account", "amount", "currency", "reverses",
        "note",
    ])?;
    for entry in ledger.entries() {
        let model = entry
            .deal
            .and_then(|id| model_of(ledger, id))
            .unwrap_or_default();
        let model = neutral(model);
        let note = neutral(&entry.note);
        for (account, money) in entry.postings.iter() {
            writer.write_record([
                entry.number.to_string().as_str(),
                &entry.on.to_string(),
                entry.kind.word(),
                &entry.deal.map_or(String::new(), name),
                &model,
                account.column(),
                &currency.plain(money),
                &currency.code,
                &entry.reverses.map_or(String::new(), |n| n.to_string()),
                &note,
            ])?;
        }
    }
    writer.into_inner().map_err(csv::IntoInnerError::into_error)
}

/// The model that a deal was opened for, reversed or not.
pub(super) fn model_of(ledger: &Ledger, deal: u32) -> Option<&str> {
    let bought = |entry: &&Entry| entry.kind == entry::Kind::Buy && entry.deal == Some(deal);
    let entry = ledger.entries().iter().find(bought)?;
    entry.unit.as_ref().map(|unit| unit.model.as_str())
}
