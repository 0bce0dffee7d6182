//! The highest bid for a unit, and the verdict on an asking price.

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::AppError;
use super::funds::Funds;
use super::ledger::ledger_on;
use super::practice::Practice;
use super::selling::{Through, unsure};
use super::spares::Spares;
use super::unit::AskedUnit;
use super::weigh::{Weighed, weigh};
use crate::book::Book;
use crate::deal::bid::{Aim, Case, Judged, Limit, Measures, binding};
use crate::deal::outlet::Net;
use crate::settings::Settings;

pub use crate::deal::bid::{Buying, Costs};

/// Aims of a purchase, as far as given by the user.
#[derive(Debug, Clone, Copy, Default)]
pub struct AimsGiven {
    /// Smallest expected profit.
    pub profit: Option<Decimal>,
    /// Smallest expected profit, per cent of the stake.
    pub returned: Option<Decimal>,
    /// Largest probability of a loss, per cent.
    pub loss: Option<Decimal>,
    /// The bankroll.
    pub bankroll: Option<Decimal>,
}

/// Inputs of the verdict on a purchase, besides the unit and its costs.
#[derive(Debug)]
pub struct Ground {
    /// All aims.
    pub aims: Vec<Aim>,
    /// The money there is.
    pub funds: Funds,
    /// Statistics of the owner's own deals.
    pub practice: Practice,
}

impl AimsGiven {
    /// All aims, the available money, and the statistics of the ledger at the end of a day. The bankroll is as
    /// given, or else from the ledger, or else from the settings; the cash is from the ledger, or else
    /// the bankroll less the stock.
    ///
    /// # Errors
    /// If the ledger cannot be read.
    pub fn with_book(
        &self,
        book: &Book,
        settings: &Settings,
        day: NaiveDate,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Ground, AppError> {
        let ledger = ledger_on(book, day, notice)?;
        let funds = Funds::by(&ledger, self.bankroll, settings.deal.bankroll);
        let deal = &settings.deal;
        let mut aims = vec![
            Aim::Profit(self.profit.unwrap_or(deal.least_profit)),
            Aim::Return(self.returned.unwrap_or(deal.least_return)),
            Aim::Loss(self.loss.unwrap_or(deal.most_loss)),
        ];
        aims.extend(funds.bankroll.map(|bankroll| Aim::Stake {
            bankroll,
            share: deal.kelly,
        }));
        aims.extend(funds.cash.map(|cash| Aim::Cash(cash.amount)));
        Ok(Ground {
            aims,
            funds,
            practice: Practice::of(&ledger, settings, day)?,
        })
    }
}

/// A considered purchase.
#[derive(Debug)]
pub struct Purchase<'a> {
    /// The costs of buying, repairing and selling the unit.
    pub costs: Costs,
    /// The aims.
    pub aims: AimsGiven,
    /// Outlet and terms of the sale; `None` if the book has no outlet.
    pub sale: Option<Through<'a>>,
    /// The asking price to be judged.
    pub asked: Option<Decimal>,
}

/// Bids for a unit.
#[derive(Debug)]
pub struct Bid<'a> {
    /// Its estimates, and the distribution of the proceeds.
    pub weighed: Weighed,
    /// Name of the outlet.
    pub outlet: Option<&'a str>,
    /// The net of the likely price.
    pub net: Option<Net>,
    /// The costs.
    pub costs: Costs,
    /// The highest bid for each aim.
    pub limits: Vec<Limit>,
    /// The result at the highest bid.
    pub at_most: Option<Measures>,
    /// The asking price with its verdict.
    pub asked: Option<Judged>,
    /// The bankroll and the cash, as far as known.
    pub funds: Funds,
    /// Unknown parts of the selling costs.
    pub unsure: Option<&'static str>,
    /// Statistics of the owner's own deals.
    pub practice: Practice,
}

/// Works out bids for a unit.
///
/// # Errors
/// If there is no evidence for the unit, or the ledger cannot be read.
///
/// # Examples
///
/// ```
/// use compband::app::bid::{AimsGiven, Buying, Costs, Purchase, bid};
/// use compband::app::describe::{Description, unit};
///
/// # use compband::app::{Book, record::record_sale};
/// # use compband::trade::Comp;
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// # let dir = tempfile::tempdir()?;
/// # let book = Book::init(dir.path())?;
/// # for (day, price) in [("2026-03-01", 118), ("2026-03-04", 124), ("2026-03-09", 121), ("2026-03-20", 119)] {
/// #     let lock = book.lock(&mut |_| {})?;
/// #     let sale = Comp {
/// #         model: "Nulva 61K".into(),
/// #         grade: "B".into(),
/// #         sold_on: Some(day.parse()?),
/// #         price: price.into(),
/// #         ..Comp::blank("EUR")
/// #     };
/// #     record_sale(&book, &lock, sale, &mut |_| {})?;
/// # }
/// // A book with four sales for 118 to 124.
/// let description = Description {
///     model: "Nulva 61K".into(),
///     grade: Some("B".into()),
///     ..Description::default()
/// };
/// let unit = unit(&book, &description, "2026-03-31".parse()?, &mut |_| {})?;
/// let purchase = Purchase {
///     costs: Costs {
///         buying: Buying { inbound: 6.into(), ..Buying::default() },
///         ..Costs::default()
///     },
///     aims: AimsGiven { profit: Some(20.into()), ..AimsGiven::default() },
///     sale: None,
///     asked: None,
/// };
/// let bid = bid(&book, &unit, purchase, &mut |_| {})?;
/// let most = bid.at_most.ok_or("no bid meets the aims")?.bid;
/// assert!(most < 100.into());
/// # Ok(())
/// # }
/// ```
pub fn bid<'a>(
    book: &Book,
    unit: &AskedUnit<'_>,
    purchase: Purchase<'a>,
    notice: &mut dyn FnMut(&str),
) -> Result<Bid<'a>, AppError> {
    let settings = &unit.settings;
    let Ground {
        aims,
        funds,
        practice,
    } = purchase
        .aims
        .with_book(book, settings, unit.as_of, notice)?;
    let costs = with_spares(book, unit, purchase.costs)?;
    let terms = purchase.sale.as_ref().map(|sale| &sale.terms);
    let unit = &unit.sold_at(purchase.sale.as_ref().map(|sale| sale.name));
    let weighed = weigh(unit, terms, &costs, &practice)?;
    let case = Case {
        prospect: &weighed.prospect,
        buying: &costs.buying,
        currency: &settings.currency,
        weeks: weighed.time.weeks,
        bankroll: funds.bankroll,
    };
    let limits = case.limits(&aims);
    let most = binding(&limits).and_then(|limit| limit.most);
    let asked = purchase.asked;
    Ok(Bid {
        outlet: purchase.sale.as_ref().map(|sale| sale.name),
        net: terms.map(|terms| terms.net_of(weighed.made.median, settings.price_basis)),
        at_most: most.map(|most| case.measures(most)),
        asked: asked.map(|asked| case.judge(&aims, asked, most, practice.sellers)),
        unsure: unsure(terms),
        funds,
        practice,
        limits,
        costs,
        weighed,
    })
}

/// The costs with the values of the parts in the drawer and the settings; the ledger is only read if there are
/// repairs.
fn with_spares(book: &Book, unit: &AskedUnit<'_>, costs: Costs) -> Result<Costs, AppError> {
    if costs.repairs.is_empty() {
        return Ok(costs);
    }
    // The notices about the ledger were sent when the money was looked up.
    let ledger = ledger_on(book, unit.as_of, &mut |_| {})?;
    let spares = Spares {
        ledger: &ledger,
        settings: &unit.settings,
        model: &unit.subject.model,
    };
    spares.priced(&costs, &unit.subject)
}
