//! `compband ask` and `compband offer`: the asking price of a unit, and advice on offers.

use std::path::Path;

use clap::Args;

use super::net::SaleArgs;
use super::{CliError, notice, print};
use crate::app::amounts::{money, money_if, quantity};
use crate::app::ask::{Waiting, ask, ask_beside, judge as judged};
use crate::app::{Book, describe};
use crate::cli::unit::UnitArgs;
use crate::render::ask::{offer_sheet, sheet};
use crate::render::document;
use crate::render::table::terminal_width;
use crate::settings::{Settings, selling};

/// Latest deadline, in weeks.
const LATEST: u16 = 104;

const ASK_EXAMPLES: &str = "\
Examples:
  compband ask --model \"Nerrow F4\" --grade B --completeness usable
  compband ask --model \"Nerrow F4\" --grade B --deadline 6 --exit 90 --cost-per-week 0.50
  compband ask --model \"Nerrow F4\" --grade B --asking 175 --offers 2 --over 3

Buyers come at random, and prices paid are taken to be what the best of some buyers would pay.
Whoever would pay the asking price pays it; some of the others offer less. Waiting costs the return
that the money would earn elsewhere, what holding the unit costs, and what prices lose. Nets are
rounded half-even to the minor unit; the asking price goes in steps of about 1 %, whole units of
money from 20 on. Prices are on the book's basis.
Several outlets of compband.toml are laid side by side: where to list, or at two at once if one of
the two has `offers_per_week` of its own, for then its buyers are taken to be others. All else is
about the best outlet; --outlet, --shipping, --asking and --offers ask about one alone.
Not a promise, and not tax or legal advice.";

const OFFER_EXAMPLES: &str = "\
Examples:
  compband offer 131 --model \"Nerrow F4\" --grade B --completeness usable
  compband offer 131 --week 2 --as-of 2026-11-20 --model \"Nerrow F4\" --grade B --deadline 6

With the flags of `compband ask`, the lowest to take is that of its table. To use the newest sales
instead, leave --as-of and --week out, and say the weeks that are left as --deadline.";

/// Work out what to ask for a unit, and the lowest offer to take week by week
#[derive(Debug, Args)]
#[command(after_help = ASK_EXAMPLES)]
pub struct AskArgs {
    #[command(flatten)]
    market: MarketArgs,
    /// Print everything as JSON instead
    #[arg(long)]
    json: bool,
}

/// Say whether to take an offer, to answer it with another price, or to wait
#[derive(Debug, Args)]
#[command(after_help = OFFER_EXAMPLES)]
pub struct OfferArgs {
    /// What is offered
    #[arg(value_name = "AMOUNT")]
    offer: String,
    /// Week in which it came, counted from the day of the estimate; 0 is that day
    #[arg(long, value_name = "WEEK", default_value_t = 0, value_parser = clap::value_parser!(u16).range(..=i64::from(LATEST)))]
    week: u16,
    #[command(flatten)]
    market: MarketArgs,
    /// Print everything as JSON instead
    #[arg(long)]
    json: bool,
}

/// The unit, how it is sold, and how long it may take.
#[derive(Debug, Args)]
pub struct MarketArgs {
    #[command(flatten)]
    unit: UnitArgs,
    #[command(flatten)]
    sale: SaleArgs,
    #[command(flatten)]
    waiting: WaitingArgs,
}

/// What waiting for buyers comes to.
#[derive(Debug, Default, PartialEq, Args)]
pub struct WaitingArgs {
    /// Weeks in which it must be sold [default: no hurry]
    #[arg(long, value_name = "WEEKS", value_parser = clap::value_parser!(u16).range(1..=i64::from(LATEST)))]
    deadline: Option<u16>,
    /// Money that is left of the unit if it is not sold by the deadline [default: a quick sale,
    /// at 60 % of the likely price or as the book's settings say]
    #[arg(long, value_name = "AMOUNT", requires = "deadline")]
    exit: Option<String>,
    /// What holding the unit costs in a week [default: the book's, 0]
    #[arg(long, value_name = "AMOUNT")]
    cost_per_week: Option<String>,
    /// What the money would earn elsewhere in a year, per cent [default: the book's, or a rule of
    /// thumb and, once five deals are closed, what the ledger earned]
    #[arg(long, value_name = "PERCENT")]
    return_per_year: Option<String>,
    /// Price that is asked all the time, to be judged [default: the best of each week]
    #[arg(long, value_name = "AMOUNT")]
    asking: Option<String>,
    /// Offers so far, sales at the asking price among them
    #[arg(long, value_name = "N", requires = "over")]
    offers: Option<u16>,
    /// Weeks in which they came
    #[arg(long, value_name = "WEEKS", requires = "offers")]
    over: Option<String>,
}

/// Runs `compband ask`.
///
/// # Errors
/// If the book cannot be read, a value is invalid, or the unit cannot be estimated.
pub fn run(args: &AskArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let (said, market) = (args.market.unit.said(), &args.market);
    let unit = describe::unit(&book, &said, market.unit.day(), &mut notice)?;
    let waiting = market.waiting.read(&unit.settings)?;
    // What is up already, and how it went, is about one outlet.
    let up = waiting.asking.is_some() || waiting.seen.is_some();
    let beside = if up {
        None
    } else {
        market.sale.beside(book.settings())?
    };
    let asking = match beside {
        Some(sales) => ask_beside(&book, &unit, sales, &waiting, &mut notice)?,
        None => {
            let sale = market.sale.read(book.settings())?;
            ask(&book, &unit, sale, waiting, &mut notice)?
        }
    };
    if args.json {
        return print(&document::text(&document::ask::document(&asking))?);
    }
    print(&sheet(&asking, terminal_width()))?;
    asking.basis.unsure.into_iter().for_each(notice);
    Ok(())
}

/// Runs `compband offer`.
///
/// # Errors
/// Those of [`run`], and an offer after the deadline.
pub fn judge(args: &OfferArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    let (said, market) = (args.market.unit.said(), &args.market);
    let unit = describe::unit(&book, &said, market.unit.day(), &mut notice)?;
    let waiting = market.waiting.read(&unit.settings)?;
    let sale = market.sale.read(book.settings())?;
    let offer = money("the offer", &args.offer, &unit.settings.currency)?;
    let offer = (offer, args.week);
    let (basis, judged) = judged(&book, &unit, sale, waiting, offer, &mut notice)?;
    if args.json {
        let document = document::ask::offer_document(&basis, &judged);
        return print(&document::text(&document)?);
    }
    print(&offer_sheet(&basis, &judged, terminal_width()))?;
    basis.unsure.into_iter().for_each(notice);
    Ok(())
}

impl WaitingArgs {
    /// Whether any flag is given.
    pub fn is_said(&self) -> bool {
        *self != Self::default()
    }

    /// Reads the options about waiting; the settings give the others.
    ///
    /// # Errors
    /// Invalid values.
    pub fn read(&self, settings: &Settings) -> Result<Waiting, CliError> {
        let currency = &settings.currency;
        let deal = &settings.deal;
        let exit = money_if("--exit", self.exit.as_ref(), currency)?;
        let over = self
            .over
            .as_ref()
            .map(|text| quantity("--over", text, "weeks", selling::weeks));
        Ok(Waiting {
            deadline: self.deadline.map(|weeks| (weeks, exit)),
            cost: money_if("--cost-per-week", self.cost_per_week.as_ref(), currency)?
                .unwrap_or(deal.cost_per_week),
            per_year: self
                .return_per_year
                .as_ref()
                .map(|text| quantity("--return-per-year", text, "%", selling::return_percent))
                .transpose()?
                .or(deal.return_per_year),
            asking: money_if("--asking", self.asking.as_ref(), currency)?,
            seen: self.offers.zip(over.transpose()?),
        })
    }
}
