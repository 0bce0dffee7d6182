//! The ledger as a document, `compband.ledger/1`.

use serde::Serialize;

use super::listed::{Listing, TimeOnMarket, listings, time_on_market};
use super::{Money, VERSION, number};
use crate::deal::ledger as deal;
use crate::render::ledger::Content;
use crate::trade::comp::basis_word;
use crate::trade::entry::{Account, Foreseen};

/// The ledger: bankroll, deals and sums of the accounts. Money is text with at least two decimals,
/// in the named currency.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Ledger<'a> {
    /// `compband.ledger/1`.
    pub schema: &'static str,
    /// Version of the program.
    pub compband: &'static str,
    /// ISO 4217 code of all money.
    pub currency: &'a str,
    /// Day of the document.
    pub as_of: String,
    /// Entries in the ledger.
    pub entries: usize,
    /// Cash.
    pub cash: Money,
    /// Stock at cost.
    pub stock: Money,
    /// Cash, and stock and parts at cost.
    pub bankroll: Money,
    /// Money that the owner paid in, less money taken out.
    pub capital: Money,
    /// Profit of all deals, less overheads and lost parts.
    pub profit: Money,
    /// The wanted bankroll; null if not set.
    pub goal: Option<Money>,
    /// Units in stock.
    pub open: usize,
    /// Closed deals.
    pub closed: usize,
    /// Closed deals with a profit.
    pub with_profit: usize,
    /// Weeks since the first entry.
    pub weeks: f64,
    /// Average bankroll, with equal weight for each day.
    pub average_bankroll: f64,
    /// Cost of units sold and scrapped, per year and per average bankroll; null if that is zero.
    pub turnover_per_year: Option<f64>,
    /// Profit per week as a share of the average bankroll; null likewise.
    pub return_per_week: Option<f64>,
    /// Sums of the accounts, debit positive; they sum to 0.
    pub accounts: Accounts,
    /// Balances at the end of every day with an entry.
    pub course: Vec<Day>,
    /// Every deal whose purchase is in force.
    pub deals: Vec<Deal<'a>>,
    /// Disclaimer.
    pub disclaimer: &'static str,
    /// Entries that are left out because they are dated later than `as_of`.
    pub later_entries: usize,
    /// Day of the first of these; null if there are none.
    pub later_from: Option<String>,
    /// Parts in the drawer at cost.
    pub drawer: Money,
    /// Time on the market: of all units first, then by outlet if there are several; empty if none was listed.
    pub time_on_market: Vec<TimeOnMarket>,
}

/// Sums of the accounts, debit positive; they sum to 0.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Accounts {
    /// Cash.
    pub cash: Money,
    /// Units in stock at cost.
    pub stock: Money,
    /// Money that the owner paid in, less money taken out.
    pub capital: Money,
    /// Prices.
    pub sales: Money,
    /// Shipping that buyers paid.
    pub shipping_paid: Money,
    /// Fees.
    pub fees: Money,
    /// Postage and packing.
    pub sending: Money,
    /// Money given back to buyers.
    pub refunds: Money,
    /// Cost of units sold.
    pub cost: Money,
    /// Cost of units and parts scrapped, less the scrap price.
    pub losses: Money,
    /// Parts in the drawer at cost.
    pub drawer: Money,
    /// Expenses that belong to no unit.
    pub overheads: Money,
}

/// Balances at the end of a day.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Day {
    /// Day, YYYY-MM-DD.
    pub day: String,
    /// Cash.
    pub cash: Money,
    /// Stock at cost.
    pub stock: Money,
    /// Cash, and stock and parts at cost.
    pub bankroll: Money,
    /// Money that the owner paid in, less money taken out.
    pub capital: Money,
    /// Parts in the drawer at cost.
    pub drawer: Money,
}

/// A deal.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Deal<'a> {
    /// Number, such as `d7`.
    pub deal: String,
    /// Model.
    pub model: &'a str,
    /// Variant, or empty.
    pub variant: &'a str,
    /// Completeness, or empty.
    pub completeness: &'a str,
    /// Grade, or empty.
    pub grade: &'a str,
    /// Missing pieces.
    pub missing: String,
    /// Extras.
    pub extras: String,
    /// Defects.
    pub defects: String,
    /// Numeric attributes, `name=value; …`.
    pub attributes: String,
    /// False for parts only.
    pub works: bool,
    /// `in stock`, `sold`, `scrapped` or `taken apart`.
    pub state: &'static str,
    /// Day of the purchase.
    pub bought_on: String,
    /// Day of the sale or the scrapping; null in stock.
    pub closed_on: Option<String>,
    /// Days in stock.
    pub days_held: i64,
    /// Total price, including inbound shipping.
    pub paid: Money,
    /// Later expenses.
    pub parts: Money,
    /// Payments of buyers, including shipping, less refunds; or the scrap price.
    pub revenue: Money,
    /// Fees.
    pub fees: Money,
    /// Postage and packing.
    pub sending: Money,
    /// Minutes of work.
    pub minutes: String,
    /// Profit so far.
    pub profit: Money,
    /// Profit per hour of work; null without work.
    pub profit_per_hour: Option<Money>,
    /// Outlet of the sale, or empty.
    pub outlet: &'a str,
    /// Number of offers; null if not recorded.
    pub offers: Option<u32>,
    /// Estimate on the day of the purchase; null if there is none.
    pub estimate_when_bought: Option<Estimated>,
    /// Estimate on the day of the sale, from sales of earlier days.
    pub estimate_when_sold: Option<Estimated>,
    /// Estimate on the day of the document, for a unit in stock.
    pub estimate_now: Option<Estimated>,
    /// Net of the likely price of that estimate through the book's outlet; null if there is none.
    pub net_now: Option<Money>,
    /// Profit of the deal if it sells at that price; null likewise.
    pub profit_now: Option<Money>,
    /// Where it is or was up for sale, in order.
    pub listings: Vec<Listing>,
}

/// An estimate in brief.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Estimated {
    /// Likely price.
    pub likely: Money,
    /// Lower end of the band.
    pub low: Money,
    /// Upper end of the band.
    pub high: Money,
    /// Level of the band, per cent.
    pub chance_percent: u8,
    /// `delivered` or `item`: the price basis.
    pub basis: &'static str,
}

/// The document of a ledger.
pub fn document<'a>(content: &Content<'a>) -> Ledger<'a> {
    let summary = &content.summary;
    let sum = |account| content.ledger.totals().get(account).into();
    let day = |at: &deal::Standing| Day {
        day: at.on.to_string(),
        cash: at.cash.into(),
        stock: at.stock.into(),
        bankroll: at.bankroll().into(),
        capital: at.capital.into(),
        drawer: at.drawer.into(),
    };
    Ledger {
        schema: "compband.ledger/1",
        compband: VERSION,
        currency: &content.currency.code,
        as_of: content.today.to_string(),
        entries: content.ledger.entries().len(),
        cash: summary.now.cash.into(),
        stock: summary.now.stock.into(),
        bankroll: summary.now.bankroll().into(),
        capital: summary.now.capital.into(),
        profit: summary.profit.into(),
        goal: (!content.goal.is_zero()).then(|| content.goal.into()),
        open: summary.open,
        closed: summary.closed,
        with_profit: summary.won,
        weeks: summary.weeks,
        average_bankroll: summary.average,
        turnover_per_year: summary.turnover,
        return_per_week: summary.weekly,
        accounts: Accounts {
            cash: sum(Account::Cash),
            stock: sum(Account::Stock),
            capital: sum(Account::Capital),
            sales: sum(Account::Sales),
            shipping_paid: sum(Account::ShippingPaid),
            fees: sum(Account::Fees),
            sending: sum(Account::Postage),
            refunds: sum(Account::Refunds),
            cost: sum(Account::Cost),
            losses: sum(Account::WriteOff),
            drawer: sum(Account::Drawer),
            overheads: sum(Account::Overheads),
        },
        course: content.ledger.course().iter().map(day).collect(),
        deals: content
            .ledger
            .deals()
            .map(|one| deal(content, one))
            .collect(),
        disclaimer: "Worked out from recorded entries; estimates are not a promise; not tax or legal advice.",
        later_entries: content.later.map_or(0, |later| later.count),
        later_from: content.later.map(|later| later.from.to_string()),
        drawer: summary.now.drawer.into(),
        time_on_market: time_on_market(content.ledger, content.today),
    }
}

fn deal<'a>(content: &Content<'a>, deal: &'a deal::Deal) -> Deal<'a> {
    let now = content.foreseen_now(deal);
    let unit = &deal.unit;
    Deal {
        deal: deal.name(),
        model: &unit.model,
        variant: unit.variant.as_deref().unwrap_or_default(),
        completeness: unit.completeness.as_deref().unwrap_or_default(),
        grade: unit.grade.as_deref().unwrap_or_default(),
        missing: unit.missing.to_string(),
        extras: unit.extras.to_string(),
        defects: unit.defects.to_string(),
        attributes: unit.attributes.to_string(),
        works: unit.works,
        state: deal.state.word(),
        bought_on: deal.bought_on.to_string(),
        closed_on: deal.closed_on.map(|day| day.to_string()),
        days_held: deal.days_held(content.today),
        paid: deal.paid.into(),
        parts: deal.parts.into(),
        revenue: deal.revenue().into(),
        fees: deal.sum(Account::Fees).into(),
        sending: deal.sum(Account::Postage).into(),
        minutes: number(deal.minutes),
        profit: deal.profit().into(),
        profit_per_hour: deal
            .per_hour()
            .map(|money| money.round_dp(content.currency.decimals()).into()),
        outlet: &deal.outlet,
        offers: deal.offers,
        estimate_when_bought: deal.foreseen.as_ref().map(estimated),
        estimate_when_sold: deal.foreseen_at_sale.as_ref().map(estimated),
        estimate_now: now.map(estimated),
        net_now: content.nets.of_deal.get(&deal.id).copied().map(Money::from),
        profit_now: content.nets.profit(deal).map(Money::from),
        listings: listings(deal, content.today),
    }
}

fn estimated(made: &Foreseen) -> Estimated {
    Estimated {
        likely: made.likely.into(),
        low: made.low.into(),
        high: made.high.into(),
        chance_percent: made.level,
        basis: basis_word(made.basis),
    }
}
