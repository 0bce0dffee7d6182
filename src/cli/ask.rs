//! `compband ask` and `compband offer`: what to ask for a unit, and which offer to take.

use std::cell::RefCell;
use std::collections::HashMap;
use std::path::Path;

use clap::Args;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::deals::read_ledger;
use super::net::{SaleArgs, tell_unsure};
use super::{CliError, print};
use crate::app::amounts::{money, money_if, quantity};
use crate::app::unit::AskedUnit;
use crate::band::estimate::Estimate;
use crate::book::store::Book;
use crate::cli::unit::UnitArgs;
use crate::deal::asking::{Asks, Buyers, Market, answer, buyers_behind, step};
use crate::deal::outlet::Terms;
use crate::deal::prospect::Sale;
use crate::deal::waiting::{Chance, Patience, Plan, Rate, posterior};
use crate::fit::design::DAYS_PER_MONTH;
use crate::render::ask::{Basis, Earns, Judged, Told, Variant, offer_sheet, sheet};
use crate::render::document;
use crate::render::net::unsure;
use crate::render::table::terminal_width;
use crate::settings::Settings;
use crate::settings::selling::{self, DealSettings};
use crate::trade::HowSold;

/// Prices that stand for the distribution of what is paid.
const BUYERS: usize = 500;

/// Latest deadline, in weeks.
const LATEST: u16 = 104;

const DAYS_PER_YEAR: f64 = 12.0 * DAYS_PER_MONTH;

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
    /// Money that is left of the unit at the deadline where no offer was taken [default: 0]
    #[arg(long, value_name = "AMOUNT", requires = "deadline")]
    exit: Option<String>,
    /// What holding the unit costs in a week [default: the book's, 0]
    #[arg(long, value_name = "AMOUNT")]
    cost_per_week: Option<String>,
    /// What the money would earn elsewhere in a year, per cent [default:
    /// the book's, or its aim for a purchase]
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

/// What was said of the waiting.
struct Waiting {
    deadline: Option<(u16, Decimal)>,
    cost: Decimal,
    per_year: Option<Decimal>,
    asking: Option<Decimal>,
    seen: Option<(u16, Decimal)>,
}

/// Runs `compband ask`.
///
/// # Errors
/// Where the book cannot be read, a value is wrong, or nothing speaks of the unit.
pub fn run(args: &AskArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    args.market.with(&book, |scene| {
        let told = scene.told();
        if args.json {
            return print(&document::text(&document::ask::document(&told))?);
        }
        print(&sheet(&told, terminal_width()))?;
        tell_unsure(scene.sale.terms);
        Ok(())
    })
}

/// Runs `compband offer`.
///
/// # Errors
/// As [`run`], and where the offer came after the deadline.
pub fn judge(args: &OfferArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = Book::open(book)?;
    args.market.with(&book, |scene| {
        let offer = money("the offer", &args.offer, &scene.made.currency)?;
        if let Some((weeks, _)) = scene.waiting.deadline
            && args.week > weeks
        {
            return Err(CliError::Usage(format!(
                "--week {} is after the deadline of {weeks} weeks",
                args.week
            )));
        }
        let judged = scene.judged(offer, usize::from(args.week));
        if args.json {
            return print(&document::text(&document::ask::offer_document(
                &scene.basis(),
                &judged,
            ))?);
        }
        print(&offer_sheet(&scene.basis(), &judged, terminal_width()))?;
        tell_unsure(scene.sale.terms);
        Ok(())
    })
}

/// A unit, its market, and how it is sold.
struct Scene<'a> {
    made: Estimate,
    sale: Sale<'a>,
    outlet: Option<&'a str>,
    deal: &'a DealSettings,
    waiting: Waiting,
    /// The most that one buyer would pay.
    most: Vec<Chance>,
    /// Offers in a week where the likely price is asked.
    offers: Rate,
    /// Offers that the ledger has of earlier sales, and the weeks in which they came.
    noted: (u32, f64),
    /// What is left of a price, by its minor units.
    known: RefCell<HashMap<i64, f64>>,
}

impl MarketArgs {
    fn with(
        &self,
        book: &Book,
        tell: impl FnOnce(&Scene<'_>) -> Result<(), CliError>,
    ) -> Result<(), CliError> {
        let unit = self.unit.read(book)?;
        with_scene(book, unit, &self.sale, &self.waiting, tell)
    }
}

/// Works out what to ask for a unit and hands it to `with`, beside the terms of the sale. Where
/// nothing is said of how it is sold, that is at a fixed price.
///
/// # Errors
/// Values that are wrong, nothing that speaks of the unit, and what `with` fails with.
pub fn tell<T>(
    book: &Book,
    unit: &AskedUnit<'_>,
    sale: &SaleArgs,
    waiting: &WaitingArgs,
    with: impl FnOnce(&Told<'_>, Option<&Terms<'_>>) -> Result<T, CliError>,
) -> Result<T, CliError> {
    with_scene(book, unit.clone(), sale, waiting, |scene| {
        with(&scene.told(), scene.sale.terms)
    })
}

fn with_scene<T>(
    book: &Book,
    mut unit: AskedUnit<'_>,
    sale: &SaleArgs,
    waiting: &WaitingArgs,
    tell: impl FnOnce(&Scene<'_>) -> Result<T, CliError>,
) -> Result<T, CliError> {
    // What has an asking price is not sold by auction.
    unit.subject.how_sold.get_or_insert(HowSold::Fixed);
    let settings = &unit.settings;
    let waiting = waiting.read(settings)?;
    let outlet = sale.outlet(settings)?;
    let terms: Option<Terms<'_>> = outlet
        .map(|(_, outlet)| sale.terms(outlet, settings))
        .transpose()?;
    let made = unit.estimate(unit.selection()?)?;
    let paid = made.outcome.quantiles(BUYERS).into_iter().map(f64::exp);
    let paid: Vec<f64> = paid.collect();
    let noted = read_ledger(book)?.offers();
    let scene = Scene {
        sale: Sale {
            terms: terms.as_ref(),
            basis: settings.price_basis,
            currency: &settings.currency,
        },
        outlet: outlet.map(|(name, _)| name),
        deal: &settings.deal,
        // Asked for near what it was likely to fetch, as far as anyone knows.
        offers: posterior(offers_by_rule(&settings.deal)?, f64::from(noted.0), noted.1),
        noted,
        most: buyers_behind(&paid, float(settings.deal.buyers_per_sale)),
        made,
        waiting,
        known: RefCell::default(),
    };
    tell(&scene.with_evidence())
}

impl WaitingArgs {
    /// Whether anything was said.
    pub fn is_said(&self) -> bool {
        *self != Self::default()
    }

    fn read(&self, settings: &Settings) -> Result<Waiting, CliError> {
        let currency = &settings.currency;
        let deal = &settings.deal;
        let exit = money_if("--exit", self.exit.as_ref(), currency)?.unwrap_or_default();
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

/// The rule of thumb for offers in a week.
fn offers_by_rule(deal: &DealSettings) -> Result<Rate, CliError> {
    let range = deal.offers_per_week;
    Rate::from_range(float(range.low), float(range.high)).ok_or_else(|| CliError::Refused {
        message: format!("deal.offers_per_week \"{range}\" is no range of counts"),
        next: "write two counts apart in compband.toml, such as \"1 to 4\"".into(),
    })
}

impl<'a> Scene<'a> {
    /// Takes in the offers that were counted: where another price was asked than the likely one,
    /// more or fewer of the buyers were heard of.
    fn with_evidence(mut self) -> Self {
        if let Some((count, weeks)) = self.waiting.seen {
            let likely = float(self.made.median);
            let asked = self.waiting.asking.map_or(likely, float);
            let buyers = self.buyers(self.offers.mean());
            // Of a price that nobody would come near to, silence says nothing.
            let heard = (buyers.heard(asked) / buyers.heard(likely)).max(0.01);
            self.offers = posterior(self.offers, f64::from(count), float(weeks) * heard);
        }
        self
    }

    /// The buyers who make so many offers a week where the likely price is asked.
    fn buyers(&self, offers: f64) -> Buyers<'_> {
        let share = |percent: Decimal| float(percent) / 100.0;
        let mut buyers = Buyers {
            most: &self.most,
            rate: offers,
            haggling: share(self.deal.haggling),
            offered: share(self.deal.offered),
            least: share(self.deal.least_offer),
        };
        buyers.rate /= buyers.heard(float(self.made.median));
        buyers
    }

    fn patience(&self) -> Patience {
        let deal = self.deal;
        let (percent, weeks) = match self.waiting.per_year {
            Some(per_year) => (per_year, DAYS_PER_YEAR / 7.0),
            None => (deal.least_return, float(deal.weeks)),
        };
        Patience {
            discount: (1.0 + float(percent) / 100.0).powf(-1.0 / weeks),
            cost: float(self.waiting.cost),
        }
    }

    /// Change of prices in a month, per cent.
    fn trend(&self) -> f64 {
        let trend = &self.made.evidence.trend_percent;
        trend.as_ref().map_or(0.0, |trend| trend.value)
    }

    fn step(&self) -> f64 {
        let least = Decimal::new(1, self.made.currency.decimals());
        step(float(self.made.median), float(least))
    }

    fn plan(&self, offers: f64, asks: Asks) -> Plan {
        Market {
            buyers: self.buyers(offers),
            net: &|price| self.net(price),
            asks,
            drift: (1.0 + self.trend() / 100.0).powf(7.0 / DAYS_PER_MONTH),
            patience: self.patience(),
            deadline: self
                .waiting
                .deadline
                .map(|(weeks, exit)| (usize::from(weeks), float(exit))),
        }
        .plan()
    }

    /// The asking prices that may be chosen.
    fn asks(&self) -> Asks {
        let free = Asks::Steps(self.step());
        self.waiting
            .asking
            .map_or(free, |price| Asks::Only(float(price)))
    }

    /// What is left of a price, rounded half-even to the minor unit.
    fn net(&self, price: f64) -> f64 {
        let minor = 10_f64.powi(self.made.currency.decimals() as i32);
        let units = (price * minor).round_ties_even() as i64;
        let work_out = || {
            float(
                self.sale
                    .net(Decimal::new(units, self.made.currency.decimals())),
            )
        };
        *self
            .known
            .borrow_mut()
            .entry(units)
            .or_insert_with(work_out)
    }

    /// What an offer must leave, and the least price that leaves it.
    fn least(&self, plan: &Plan, week: usize) -> (Decimal, Decimal) {
        let left = self.exact(plan.least(week));
        let price = self.sale.price_for(left).unwrap_or_default();
        (left, price)
    }

    fn exact(&self, amount: f64) -> Decimal {
        self.made
            .currency
            .from_statistics(amount)
            .unwrap_or_default()
    }

    fn variant(&self, offers: f64, asks: Asks) -> Variant {
        let plan = self.plan(offers, asks);
        let ask = plan
            .period(1)
            .and_then(|period| period.week.ask)
            .unwrap_or_default();
        let ask = self.exact(ask);
        Variant {
            offers,
            ask,
            left_of_ask: self.sale.net(ask),
            at_once: self.least(&plan, 0).1,
            value: self.exact(plan.least(0)),
            left: self.exact(plan.left()),
            weeks: plan.weeks(),
            plan,
        }
    }

    fn basis(&self) -> Basis<'_> {
        let buyers = self.buyers(self.offers.mean());
        Basis {
            made: &self.made,
            outlet: self.outlet,
            unsure: unsure(self.sale.terms),
            offers: self.offers,
            noted: self.noted,
            seen: self.waiting.seen,
            haggling: self.deal.haggling,
            offered: self.deal.offered,
            per_sale: self.deal.buyers_per_sale,
            buyers: buyers.rate,
            cost: self.waiting.cost,
            earns: self.waiting.per_year.map_or_else(
                || Earns::Aim(self.deal.least_return, self.deal.weeks),
                Earns::PerYear,
            ),
            per_week: 1.0 / self.patience().discount - 1.0,
            trend: self.trend(),
            deadline: self.waiting.deadline,
            asking: self.waiting.asking,
        }
    }

    fn told(&self) -> Told<'_> {
        let usual = self.variant(self.offers.mean(), self.asks());
        let shown = usual.weeks_shown(self.waiting.deadline.map(|(weeks, _)| usize::from(weeks)));
        let (few, many) = self.offers.range();
        Told {
            basis: self.basis(),
            least: (0..=*shown.last().unwrap_or(&0))
                .map(|week| self.least(&usual.plan, week).1)
                .collect(),
            shown,
            others: [few, many].map(|offers| self.variant(offers, self.asks())),
            best: self
                .waiting
                .asking
                .map(|_| self.variant(self.offers.mean(), Asks::Steps(self.step()))),
            usual,
        }
    }

    fn judged(&self, offer: Decimal, week: usize) -> Judged {
        let plan = self.plan(self.offers.mean(), self.asks());
        let (wait, least) = self.least(&plan, week);
        let share = float(self.deal.offered) / 100.0;
        let net = |price| self.net(price);
        Judged {
            offer,
            week,
            left: self.sale.net(offer),
            wait,
            least,
            answer: answer(float(offer), float(wait), share, self.step(), net),
        }
    }
}

fn float(amount: Decimal) -> f64 {
    amount.to_f64().unwrap_or_default()
}
