//! The ledger on the terminal.

use std::collections::BTreeMap;
use std::fmt::Write;

use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

pub use super::document::check::OwnCheck;
use super::document::check::OwnSales;
use super::listed;
use super::net::account;
use super::numbers::{amount, percent_change, signed};
use super::prose::{HEADING, heading, prose_width, sentences as add_sentences, small_print, wrap};
use super::sheet::basis;
use super::table::{Grid, Kind};
use crate::app::deals::Entered;
use crate::app::ledger::Nets;
use crate::book::csv::formula::neutral;
use crate::deal::ledger::{Deal, Later, Ledger, OwnSale, State, Summary, name};
use crate::trade::Currency;
use crate::trade::entry::{self, Account, Entry, Foreseen};
use crate::trade::names::match_key;
use crate::trade::part::parts_text;

/// Number of closed deals shown by default.
const SHOWN: usize = 20;

/// Number of weeks from which rates are shown.
const LEAST_WEEKS: f64 = 1.0;

/// Content of the sheet for the ledger.
#[derive(Debug)]
pub struct Content<'a> {
    /// Currency of all money.
    pub currency: &'a Currency,
    /// Today.
    pub today: NaiveDate,
    /// The ledger.
    pub ledger: &'a Ledger,
    /// Its summary.
    pub summary: Summary,
    /// Money of the settings that counts as paid in, as the ledger has none paid in; else 0.
    pub assumed: Decimal,
    /// The entries that are left out because they are dated later.
    pub later: Option<Later>,
    /// The wanted bankroll; 0 for none.
    pub goal: Decimal,
    /// Today's estimates of the units in stock, or the reasons why there are none.
    pub now: BTreeMap<u32, Result<Foreseen, String>>,
    /// The net proceeds at the likely prices of these.
    pub nets: Nets,
    /// Whether all closed deals are shown.
    pub all: bool,
}

impl Content<'_> {
    /// An amount of money.
    fn money(&self, value: Decimal) -> String {
        amount(self.currency, value)
    }

    /// Today's estimate of the unit of a deal, if there is one.
    pub(super) fn foreseen_now(&self, deal: &Deal) -> Option<&Foreseen> {
        self.now.get(&deal.id)?.as_ref().ok()
    }

    /// An amount of the statistics; a dash if it is out of range.
    fn statistic(&self, value: f64) -> String {
        let exact = self.currency.from_statistics(value);
        exact.map_or("–".into(), |value| self.money(value))
    }
}

/// An estimate in a few words: `148.16 (80 % band 130.64 to 168.56)`.
pub fn foreseen(made: &Foreseen, currency: &Currency) -> String {
    format!(
        "{} ({} % range {} to {})",
        amount(currency, made.likely),
        made.level,
        amount(currency, made.low),
        amount(currency, made.high)
    )
}

/// Profit per hour of work, rounded half-even to the minor unit.
pub fn hourly(deal: &Deal, currency: &Currency) -> Option<String> {
    deal.per_hour().map(|money| amount(currency, money))
}

/// The money after an entry: `Cash 20.00, stock at cost 47.00, bankroll 67.00 EUR.`
pub fn balances(entered: &Entered, currency: &Currency) -> String {
    let money = |value| amount(currency, value);
    let parts = if entered.drawer.is_zero() {
        String::new()
    } else {
        format!(", parts at cost {}", money(entered.drawer))
    };
    let counted = if entered.assumed.is_zero() {
        String::new()
    } else {
        format!(
            " ({} of compband.toml counted as paid in)",
            money(entered.assumed)
        )
    };
    format!(
        "Cash {}, stock at cost {}{parts}, bankroll {} {}{counted}.",
        money(entered.cash + entered.assumed),
        money(entered.stock),
        money(entered.bankroll + entered.assumed),
        currency.code
    )
}

/// The cost of a unit so far: `Nulva 61K has cost 61.00 EUR and 30 min.`
pub fn cost_so_far(deal: &Deal, currency: &Currency) -> String {
    format!(
        "{} has cost {} {} and {} min.",
        deal.unit.model,
        amount(currency, deal.cost()),
        currency.code,
        deal.minutes.normalize()
    )
}

/// The views with ANSI styles.
pub fn sheet(content: &Content<'_>, width: Option<u16>) -> String {
    let prose = prose_width(width);
    let mut out = String::new();
    let (code, today) = (&content.currency.code, content.today);
    let _ = writeln!(out, "{HEADING}Bankroll{HEADING:#}, {code}, on {today}");
    out.push_str(&account(&money_lines(content)));
    out.push('\n');
    add_sentences(&mut out, sentences(content), prose);
    let stock = in_stock(content, width);
    if !stock.is_empty() {
        let first = content.now.values().flatten().next();
        let basis = first.map(|made| format!(", estimated, {}", basis(made.basis)));
        let rest = format!(", {code}{}", basis.unwrap_or_default());
        heading(&mut out, "In stock", &rest);
        out.push_str(&stock);
    }
    if let Some(up) = listed::grid(content.ledger, today, content.currency) {
        heading(&mut out, "Up for sale", &format!(", {code}"));
        out.push_str(&up.render(width));
    }
    let (closed, left_out) = closed_grid(content);
    if let Some(closed) = closed {
        heading(&mut out, "Closed deals", &format!(", {code}, newest first"));
        out.push_str(&closed.render(width));
        if left_out > 0 {
            let _ = writeln!(out, "({left_out} more: --all)");
        }
        let legend = "Paid and parts: what the unit cost. Price: with shipping that the buyer paid, less refunds; – for a unit taken apart. Sent: \
                      sending and packing. Min: minutes of work; an hour: profit or loss for each hour of it.";
        out.push('\n');
        small_print(&mut out, legend, prose);
    }
    out
}

/// The bankroll and its parts, each with its name.
pub fn money_lines(content: &Content<'_>) -> Vec<(String, String)> {
    let money = |value| content.money(value);
    let now = &content.summary.now;
    let mut lines = vec![
        ("Cash".into(), money(now.cash + content.assumed)),
        ("Stock at cost".into(), money(now.stock)),
    ];
    if !now.drawer.is_zero() {
        lines.push(("Parts at cost".into(), money(now.drawer)));
    }
    lines.push(("Bankroll".into(), money(now.bankroll() + content.assumed)));
    lines
}

/// The ledger in sentences: money paid in and earned, time on the market, the goal.
pub fn sentences(content: &Content<'_>) -> Vec<String> {
    let summary = &content.summary;
    let profit = content.money(summary.profit);
    let mut lines = vec![if content.assumed.is_zero() {
        let paid_in = content.money(summary.now.capital);
        format!("Paid in {paid_in}, profit so far {profit}.")
    } else {
        format!(
            "No money is recorded as paid in: {} of compband.toml counts as such (`compband ledger fund` records it). \
             Profit so far {profit}.",
            content.money(content.assumed)
        )
    }];
    lines.extend(overheads(content));
    if summary.closed > 0 {
        lines.push(deals_closed(content));
    }
    if summary.weeks >= LEAST_WEEKS
        && let (Some(turnover), Some(weekly)) = (summary.turnover, summary.weekly)
    {
        lines.push(format!(
            "In {:.1} weeks: profit {} a week on a bankroll of {} on average, turned over {turnover:.1} times a year.",
            summary.weeks,
            percent_change(100.0 * weekly),
            content.statistic(summary.average),
        ));
    }
    lines.extend(listed::sentences(content.ledger, content.today));
    lines.extend(goal(content));
    lines.extend(left_out(content));
    lines
}

/// How many deals are closed, and with a profit; units taken apart are no sales, with a profit or without.
fn deals_closed(content: &Content<'_>) -> String {
    let summary = &content.summary;
    let deals = content.ledger.deals();
    let apart = deals.filter(|deal| deal.state == State::Harvested).count();
    let others = summary.closed.saturating_sub(apart);
    let mut counts = vec![format!("Deals closed {}", summary.closed)];
    let mut of = String::new();
    if apart > 0 {
        counts.push(format!("taken apart {apart}"));
        of = format!(" of the other {others}");
    }
    if others > 0 {
        counts.push(format!(
            "with a profit {}{of} ({:.0} %)",
            summary.won,
            100.0 * summary.won as f64 / others as f64
        ));
    }
    format!("{}; in stock {}.", counts.join(", "), summary.open)
}

/// Expenses that belong to no unit.
fn overheads(content: &Content<'_>) -> Option<String> {
    let all = content.ledger.totals().get(Account::Overheads);
    if all.is_zero() {
        return None;
    }
    let own = content.ledger.own_overheads();
    let paid = (!own.is_zero()).then(|| {
        format!(
            "; {} of them you paid yourself, which counts as paid in",
            content.money(own)
        )
    });
    Some(format!(
        "Overheads so far {}, taken off the profit{}.",
        content.money(all),
        paid.unwrap_or_default()
    ))
}

/// Entries that are left out, and those that do not follow on the ones dated before them.
fn left_out(content: &Content<'_>) -> Vec<String> {
    let later = content.later.map(|later| {
        format!(
            "Not included: {} dated later, from {} on.",
            counted_entries(later.count),
            later.from
        )
    });
    let misfits = content.ledger.misfits().iter().map(|misfit| {
        let number = misfit.number;
        format!(
            "Ledger entry {number} does not fit the entries dated before it: {}. The sums are right, but this \
                deal may be wrong: reverse the entry and record it again with the right date.",
            misfit.refusal.message
        )
    });
    later.into_iter().chain(misfits).collect()
}

/// `1 entry`, `2 entries`.
pub fn counted_entries(number: usize) -> String {
    format!("{number} {}", if number == 1 { "entry" } else { "entries" })
}

/// Distance to the goal.
fn goal(content: &Content<'_>) -> Option<String> {
    let bankroll = content.summary.now.bankroll();
    if content.goal.is_zero() {
        return None;
    }
    let share = (bankroll / content.goal).to_f64().unwrap_or_default();
    let goal = content.money(content.goal);
    let head = format!("Goal {goal}: {:.0} % of it", 100.0 * share);
    if bankroll >= content.goal {
        return Some(format!("{head}, reached."));
    }
    let missing = (content.goal - bankroll).to_f64().unwrap_or_default();
    let pace = content.summary.profit.to_f64().unwrap_or_default() / content.summary.weeks;
    Some(if content.summary.weeks >= LEAST_WEEKS && pace > 0.0 {
        format!(
            "{head}; at the profit so far, {} a week, in about {:.0} weeks.",
            content.statistic(pace),
            (missing / pace).ceil()
        )
    } else {
        format!("{head}.")
    })
}

/// The units in stock as a table that is not laid out yet.
pub fn stock_grid(content: &Content<'_>) -> Grid<'static> {
    let money = |value| content.money(value);
    let mut grid = Grid::ranked(&[
        ("deal", Kind::Fixed, 0),
        ("unit", Kind::Text, 0),
        ("days", Kind::Number, 0),
        ("cost", Kind::Number, 0),
        ("likely", Kind::Number, 0),
        ("net", Kind::Number, 1),
        ("profit", Kind::Number, 0),
        ("low", Kind::Number, 1),
        ("high", Kind::Number, 2),
        ("when bought", Kind::Number, 3),
    ]);
    for deal in open(content) {
        let now = content.foreseen_now(deal);
        let some = |known: Option<Decimal>| known.map_or("–".into(), money);
        grid.push([
            deal.name(),
            deal.unit.model.clone(),
            deal.days_held(content.today).to_string(),
            money(deal.sum(Account::Stock)),
            some(now.map(|made| made.likely)),
            some(content.nets.of_deal.get(&deal.id).copied()),
            some(content.nets.profit(deal)),
            some(now.map(|made| made.low)),
            some(now.map(|made| made.high)),
            some(deal.foreseen.map(|made| made.likely)),
        ]);
    }
    grid
}

/// The deals of units in stock.
fn open<'t>(content: &'t Content<'_>) -> impl Iterator<Item = &'t Deal> {
    let deals = content.ledger.deals();
    deals.filter(|deal| deal.state == State::Open)
}

fn in_stock(content: &Content<'_>, width: Option<u16>) -> String {
    if open(content).next().is_none() {
        return String::new();
    }
    let prose = prose_width(width);
    let mut text = stock_grid(content).render(width);
    if !content.nets.of_deal.is_empty() {
        let legend = format!(
            "Net: what the likely price leaves through {}. Profit: net less cost, and less what a sale that came back took.",
            content.nets.outlet
        );
        small_print(&mut text, &legend, prose);
    }
    if content.nets.of_deal.is_empty() && content.now.values().any(Result::is_ok) {
        let why = "No net and profit: it is not clear through which outlet they sell. Describe one under [outlets.NAME] \
                   in compband.toml; of several, name one as `outlet` under [deal].";
        small_print(&mut text, why, prose);
    }
    for deal in open(content) {
        if let Some(Err(why)) = content.now.get(&deal.id) {
            let line = wrap(&format!("{}: {why}.", deal.name()), prose, "");
            let _ = writeln!(text, "{line}");
        }
    }
    text
}

/// The closed deals as a table that is not laid out yet, and the number of those not shown.
pub fn closed_grid(content: &Content<'_>) -> (Option<Grid<'static>>, usize) {
    let money = |value| content.money(value);
    let deals = content.ledger.deals();
    let mut closed: Vec<&Deal> = deals.filter(|deal| deal.state != State::Open).collect();
    if closed.is_empty() {
        return (None, 0);
    }
    closed.sort_by_key(|deal| std::cmp::Reverse((deal.closed_on, deal.id)));
    let most = if content.all { usize::MAX } else { SHOWN };
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
    let price = |deal: &Deal| match deal.state {
        State::Harvested => "–".into(),
        _ => money(deal.revenue()),
    };
    for deal in closed.into_iter().take(most) {
        let scrapped = match deal.state {
            State::Scrapped => ", scrapped",
            State::Harvested => ", taken apart",
            State::Open | State::Sold => "",
        };
        grid.push(vec![
            deal.name(),
            format!("{}{scrapped}", deal.unit.model),
            money(deal.paid),
            money(deal.parts),
            price(deal),
            money(deal.sum(Account::Fees)),
            money(deal.sum(Account::Postage)),
            money(deal.profit()),
            deal.minutes.round().to_string(),
            hourly(deal, content.currency).unwrap_or_else(|| "–".into()),
            deal.days_held(content.today).to_string(),
            deal.closed_on.map_or("–".into(), |day| day.to_string()),
        ]);
    }
    (Some(grid), left_out)
}

/// A table of entries with the accounts that they change, not laid out yet.
pub fn entry_grid<'e>(
    ledger: &Ledger,
    shown: impl Iterator<Item = &'e Entry>,
    currency: &Currency,
) -> Grid<'static> {
    let mut grid = Grid::ranked(&[
        ("entry", Kind::Number, 0),
        ("day", Kind::Fixed, 0),
        ("kind", Kind::Fixed, 0),
        ("deal", Kind::Fixed, 0),
        ("moved", Kind::Text, 0),
        ("note", Kind::Text, 1),
    ]);
    for entry in shown {
        let moved = entry.postings.iter().map(|(account, money)| {
            let account = account.column().replace('_', " ");
            format!("{account} {}", signed(currency, money))
        });
        let moved: Vec<String> = moved.collect();
        let reverses = entry.reverses;
        let reversed_by = ledger.reversed_by(entry.number);
        let note: Vec<String> = reverses
            .map(|number| format!("of ledger entry {number}"))
            .into_iter()
            .chain(reversed_by.map(|by| format!("reversed by ledger entry {by}")))
            .chain(entry.quoted.map(|price| named(entry.kind, price, currency)))
            .chain([
                entry.outlet.clone(),
                parts_text(&entry.parts),
                entry.note.clone(),
            ])
            .filter(|text| !text.is_empty())
            .collect();
        grid.push(vec![
            entry.number.to_string(),
            entry.on.to_string(),
            entry.kind.word().to_string(),
            entry.deal.map_or(String::new(), name),
            moved.join(", "),
            note.join("; "),
        ]);
    }
    grid
}

/// A price that an entry names: `asks 162.00`.
fn named(kind: entry::Kind, price: Decimal, currency: &Currency) -> String {
    let what = match kind {
        entry::Kind::Buy => "asked in all",
        entry::Kind::Offer => "offer of",
        _ => "asks",
    };
    format!("{what} {}", amount(currency, price))
}

impl OwnSales {
    /// Summarises sales; `None` if there are none.
    pub fn of(sales: &[OwnSale]) -> Option<Self> {
        let float = |money: Decimal| money.to_f64().unwrap_or_default();
        let ratios: Vec<f64> = sales
            .iter()
            .filter(|sale| sale.paid > Decimal::ZERO)
            .map(|sale| float(sale.foreseen.likely) / float(sale.paid))
            .collect();
        let within =
            |sale: &&OwnSale| (sale.foreseen.low..=sale.foreseen.high).contains(&sale.paid);
        let held = sales.iter().filter(within).count();
        let chances = sales.iter().map(|sale| f64::from(sale.foreseen.level));
        Some(Self {
            sales: sales.len(),
            median_ratio: crate::backtest::ratio::median(&ratios)?,
            held,
            share: held as f64 / sales.len() as f64,
            foreseen_percent: chances.sum::<f64>() / sales.len() as f64,
        })
    }

    fn sentence(&self, when: &str) -> String {
        format!(
            "{when}: estimates at {:.2} of what was paid (median of {}), {} of {} within the range ({:.0} %, foreseen \
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

impl OwnCheck {
    /// As part of a document; `None` if there is nothing to compare.
    pub fn document(self) -> Option<Self> {
        (self.when_bought.is_some() || self.when_sold.is_some()).then_some(self)
    }

    /// Both comparisons for a ledger: for one model (ignoring case and spacing), or for all.
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

    /// A sentence for each comparison; none if there is nothing to compare.
    pub fn sentences(&self) -> Vec<String> {
        [
            (&self.when_bought, "Estimated when bought"),
            (&self.when_sold, "Estimated when sold"),
        ]
        .into_iter()
        .filter_map(|(sales, when)| Some(sales.as_ref()?.sentence(when)))
        .collect()
    }

    /// As text; empty if there is nothing to compare.
    pub fn sheet(&self, width: Option<u16>) -> String {
        let mut out = String::new();
        let lines = self.sentences();
        if !lines.is_empty() {
            heading(&mut out, "your own sales", ", from the ledger");
            add_sentences(&mut out, lines, prose_width(width));
        }
        out
    }
}

/// The ledger as CSV with one posting per row, for other programs.
///
/// # Errors
/// Only if writing to memory fails.
pub fn postings_csv(ledger: &Ledger, currency: &Currency) -> std::io::Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record([
        "entry", "day", "kind", "deal", "model", "account", "amount", "currency", "reverses",
        "note",
    ])?;
    for entry in ledger.entries() {
        let model = entry.deal.and_then(|id| model_of(ledger, id));
        let model = neutral(model.unwrap_or_default());
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

/// The model of a deal when it was opened, reversed or not.
pub(super) fn model_of(ledger: &Ledger, deal: u32) -> Option<&str> {
    let entry = ledger.purchase_of(deal)?;
    entry.unit.as_ref().map(|unit| unit.model.as_str())
}
