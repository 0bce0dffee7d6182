//! Asking prices for a unit, and advice on offers.

use std::cell::RefCell;
use std::collections::HashMap;

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::AppError;
use super::ledger::ledger_on;
use super::selling::{Through, unsure};
use super::unit::AskedUnit;
use crate::band::estimate::Estimate;
use crate::book::Book;
use crate::deal::asking::{Answer, Asks, Buyers, Level, Market, answer, buyers_behind, step};
use crate::deal::prospect::Sale;
use crate::deal::waiting::{Chance, Patience, Plan, Rate, posterior};
use crate::fit::design::DAYS_PER_MONTH;
use crate::settings::selling::DealSettings;
use crate::trade::HowSold;
use crate::trade::comp::PriceBasis;

/// Number of prices that represent the distribution of prices paid at one level.
const BUYERS: usize = 60;

/// Of so many prices paid at a level the highest is left out: what somebody paid once by mistake or in a hurry
/// is no price to wait for.
const TOP: usize = 20;

/// Number of levels that represent what is believed of the unit's level.
const LEVELS: usize = 9;

/// Standard deviation of the unit's level, log price, below which it counts as known.
const KNOWN: f64 = 0.003;

/// Probability of the levels that count; those beyond are set to its ends. The long tails of rules of thumb
/// are ignorance, and no price to speculate on.
const COUNTED: f64 = 0.8;

/// Probability within one standard deviation of a normal mean.
const ONE_SD: f64 = 0.682_689_492;

const DAYS_PER_YEAR: f64 = 12.0 * DAYS_PER_MONTH;

/// Probability of a sale at which the table may end, and its smallest and largest number of weeks.
const SURE: f64 = 0.95;
const ROWS: (usize, usize) = (4, 13);

/// Inputs of waiting for buyers, as given by the user or the settings.
#[derive(Debug, Clone)]
pub struct Waiting {
    /// Weeks to the deadline, and the net of the unit then; without a net, it goes in a quick sale.
    pub deadline: Option<(u16, Option<Decimal>)>,
    /// Cost of holding the unit for a week.
    pub cost: Decimal,
    /// Alternative return on the money per year, per cent.
    pub per_year: Option<Decimal>,
    /// The fixed asking price.
    pub asking: Option<Decimal>,
    /// Number of offers counted so far, and the weeks in which they came.
    pub seen: Option<(u16, Decimal)>,
    /// The listing in which these came, if the ledger has it.
    pub listing: Option<OwnListing>,
}

/// The listing of the unit: its offers are counted so far, and not among those for other units.
#[derive(Debug, Clone, Copy)]
pub struct OwnListing {
    /// Number of the deal, and the position of the listing there.
    pub at: (u32, usize),
    /// Its asking price.
    pub ask: Option<Decimal>,
    /// Whether its offers are those counted so far.
    pub counted: bool,
}

/// Inputs of the plan.
#[derive(Debug)]
pub struct Basis<'a> {
    /// The estimate of the unit.
    pub made: Estimate,
    /// Name of the outlet.
    pub outlet: Option<&'a str>,
    /// Unknown parts of the selling costs.
    pub unsure: Option<&'static str>,
    /// Offers per week at the likely price.
    pub offers: Rate,
    /// Number of offers in the ledger for earlier sales, and the weeks in which they came.
    pub noted: (u32, f64),
    /// Number of offers counted so far, and the weeks in which they came.
    pub seen: Option<(u16, Decimal)>,
    /// Whether these are those of a listing in the ledger.
    pub seen_there: bool,
    /// Share of the buyers with a limit below the asking price who make an offer, per cent.
    pub haggling: Decimal,
    /// Their offer, per cent of the most they would pay.
    pub offered: Decimal,
    /// Number of buyers of whom the best pays an observed price.
    pub per_sale: Decimal,
    /// Buyers per week, with or without an offer.
    pub buyers: f64,
    /// Cost of holding the unit for a week.
    pub cost: Decimal,
    /// Alternative return on the money.
    pub earns: Earns,
    /// The same return as a share per week.
    pub per_week: f64,
    /// Change of prices per month, per cent.
    pub trend: f64,
    /// Weeks to the deadline, and the net of the unit then.
    pub deadline: Option<(u16, Decimal)>,
    /// Per cent of the likely price of a quick sale at the deadline, unless the net was given.
    pub quick_sale: Option<Decimal>,
    /// The fixed asking price.
    pub asking: Option<Decimal>,
}

/// Alternative return on the proceeds of a sale.
#[derive(Debug, Clone, Copy)]
pub enum Earns {
    /// Per cent per year.
    PerYear(Decimal),
    /// The aim of a purchase: per cent, and the weeks it takes.
    Aim(Decimal, Decimal),
}

/// Plan and results for one rate of offers.
#[derive(Debug)]
pub struct Variant {
    /// Offers per week.
    pub offers: f64,
    /// Asking price of the first week.
    pub ask: Decimal,
    /// Its net.
    pub left_of_ask: Decimal,
    /// Lowest price to accept at once.
    pub at_once: Decimal,
    /// Present value of waiting, after its cost.
    pub value: Decimal,
    /// Expected final money.
    pub left: Decimal,
    /// Expected weeks to a sale or the deadline.
    pub weeks: Option<f64>,
    /// Plan for each week.
    pub plan: Plan,
}

/// Asking prices for a unit.
#[derive(Debug)]
pub struct Asking<'a> {
    /// Inputs.
    pub basis: Basis<'a>,
    /// At the mean rate of offers.
    pub usual: Variant,
    /// At the low and the high end of the rate.
    pub others: [Variant; 2],
    /// With the best asking prices, if a fixed one is judged.
    pub best: Option<Variant>,
    /// Lowest acceptable price by week, from week 0 (at once) to the last shown.
    pub least: Vec<Decimal>,
    /// Weeks shown, ascending.
    pub shown: Vec<usize>,
}

/// An offer with the advice on it.
#[derive(Debug)]
pub struct Judged {
    /// The offer.
    pub offer: Decimal,
    /// Week in which it came; 0 for at once.
    pub week: usize,
    /// Its net.
    pub left: Decimal,
    /// Value of waiting at that time: the smallest acceptable net.
    pub wait: Decimal,
    /// The lowest price with that net.
    pub least: Decimal,
    /// The advice.
    pub answer: Answer,
}

impl Variant {
    /// Weeks to show: until a sale is nearly certain, and the week of the deadline.
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

/// Works out asking prices for a unit. The default way of selling is a fixed price.
///
/// # Errors
/// If there is no evidence for the unit, or the ledger cannot be read.
pub fn ask<'a>(
    book: &Book,
    unit: &AskedUnit<'_>,
    sale: Option<Through<'a>>,
    waiting: Waiting,
    notice: &mut dyn FnMut(&str),
) -> Result<Asking<'a>, AppError> {
    Ok(Scene::of(book, unit, sale, waiting, notice)?.asking())
}

/// Judges an offer that came in some week; the result includes the inputs.
///
/// # Errors
/// Those of [`ask`], and if the offer came after the deadline.
pub fn judge<'a>(
    book: &Book,
    unit: &AskedUnit<'_>,
    sale: Option<Through<'a>>,
    waiting: Waiting,
    (offer, week): (Decimal, u16),
    notice: &mut dyn FnMut(&str),
) -> Result<(Basis<'a>, Judged), AppError> {
    let scene = Scene::of(book, unit, sale, waiting, notice)?;
    if let Some((weeks, _)) = scene.waiting.deadline
        && week > weeks
    {
        return Err(AppError::Usage(format!(
            "--week {week} is after the deadline of {weeks} weeks"
        )));
    }
    let judged = scene.judged(offer, usize::from(week));
    Ok((scene.basis(), judged))
}

/// A unit, its market, and its terms of sale.
struct Scene<'a> {
    made: Estimate,
    basis: PriceBasis,
    through: Option<Through<'a>>,
    deal: DealSettings,
    waiting: Waiting,
    /// Levels of prices that the unit may have, with the buyers at each.
    levels: Vec<Level>,
    /// Offers per week at the likely price.
    offers: Rate,
    /// Number of offers in the ledger for earlier sales, and the weeks in which they came.
    noted: (u32, f64),
    /// Net of a price, by its minor units.
    known: RefCell<HashMap<i64, f64>>,
}

/// The rule of thumb for offers per week.
fn offers_by_rule(deal: &DealSettings) -> Result<Rate, AppError> {
    let range = deal.offers_per_week;
    Rate::from_range(float(range.low), float(range.high)).ok_or_else(|| AppError::Refused {
        message: format!("deal.offers_per_week \"{range}\" is no range of counts"),
        next: "write two counts apart in compband.toml, such as \"1 to 4\"".into(),
    })
}

impl<'a> Scene<'a> {
    fn of(
        book: &Book,
        unit: &AskedUnit<'_>,
        through: Option<Through<'a>>,
        waiting: Waiting,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Self, AppError> {
        let mut unit = unit.clone();
        // A unit with an asking price is not sold by auction.
        unit.subject.how_sold.get_or_insert(HowSold::Fixed);
        let deal = &unit.settings.deal;
        let made = unit.estimate(unit.selection()?)?;
        let own = waiting.listing.map(|listing| listing.at);
        let noted = ledger_on(book, unit.as_of, notice)?.offers_besides(unit.as_of, None, own);
        let scene = Self {
            basis: unit.settings.price_basis,
            through,
            // The asking prices of earlier sales are assumed to be near the likely price.
            offers: posterior(offers_by_rule(deal)?, f64::from(noted.0), noted.1),
            noted,
            levels: levels(&made, float(deal.buyers_per_sale)),
            deal: deal.clone(),
            made,
            waiting,
            known: RefCell::default(),
        };
        Ok(scene.with_evidence().with_ends())
    }

    /// The nets at the deadline.
    fn with_ends(mut self) -> Self {
        if let Some((_, exit)) = self.waiting.deadline {
            let share = float(self.deal.quick_sale) / 100.0;
            let quick = |level: &Level| self.net(share * middle(&level.most));
            let ends: Vec<f64> = self
                .levels
                .iter()
                .map(|level| exit.map_or_else(|| quick(level), float))
                .collect();
            for (level, end) in self.levels.iter_mut().zip(ends) {
                level.end = end;
            }
        }
        self
    }

    /// Net of the unit at the deadline.
    fn exit(&self, exit: Option<Decimal>) -> Decimal {
        exit.unwrap_or_else(|| {
            let price = float(self.made.median) * float(self.deal.quick_sale) / 100.0;
            self.sale().net(self.exact(price))
        })
    }

    fn sale(&self) -> Sale<'_> {
        Sale {
            terms: self.through.as_ref().map(|through| &through.terms),
            basis: self.basis,
            currency: &self.made.currency,
        }
    }

    /// Updates the rate and the levels by the counted offers: with another asking price than the likely
    /// one, a different share of the buyers make an offer, and the more the higher the level is.
    ///
    /// The number of offers is Poisson with a gamma rate: negative binomial at each level.
    fn with_evidence(mut self) -> Self {
        if let Some((count, weeks)) = self.waiting.seen {
            let likely = float(self.made.median);
            let own = self.waiting.listing.filter(|listing| listing.counted);
            let so_far = own.and_then(|listing| listing.ask);
            let asked = so_far.or(self.waiting.asking).map_or(likely, float);
            let buyers = self.buyers(self.offers.mean());
            let usual = buyers.heard(likely);
            // The absence of offers is no evidence at a price far above every limit.
            let heard = |level: &Level| (buyers.heard_at(level, asked) / usual).max(0.01);
            let count = f64::from(count);
            let weeks: Vec<f64> = self
                .levels
                .iter()
                .map(|level| float(weeks) * heard(level))
                .collect();
            let Rate {
                shape,
                weeks: known,
            } = self.offers;
            let logs = weeks
                .iter()
                .map(|weeks| count * weeks.ln() - (shape + count) * (known + weeks).ln());
            let logs: Vec<f64> = logs.collect();
            let most = logs.iter().copied().fold(f64::MIN, f64::max);
            for (level, log) in self.levels.iter_mut().zip(logs) {
                level.chance *= (log - most).exp();
            }
            let all: f64 = self.levels.iter().map(|level| level.chance).sum();
            self.levels.iter_mut().for_each(|level| level.chance /= all);
            let levels = self.levels.iter().zip(&weeks);
            let weeks = levels.map(|(level, weeks)| level.chance * weeks).sum();
            self.offers = posterior(self.offers, count, weeks);
        }
        self
    }

    /// The buyers who make this number of offers per week at the likely price.
    fn buyers(&self, offers: f64) -> Buyers<'_> {
        let share = |percent: Decimal| float(percent) / 100.0;
        let mut buyers = Buyers {
            levels: &self.levels,
            rate: offers,
            haggling: share(self.deal.haggling),
            offered: share(self.deal.offered),
            least: share(self.deal.least_offer),
        };
        buyers.rate /= buyers.heard(float(self.made.median));
        buyers
    }

    fn patience(&self) -> Patience {
        let deal = &self.deal;
        let (percent, weeks) = match self.waiting.per_year {
            Some(per_year) => (per_year, DAYS_PER_YEAR / 7.0),
            None => (deal.least_return, float(deal.weeks)),
        };
        Patience {
            discount: (1.0 + float(percent) / 100.0).powf(-1.0 / weeks),
            cost: float(self.waiting.cost),
        }
    }

    /// Change of prices per month, per cent.
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
            deadline: self.waiting.deadline.map(|(weeks, _)| usize::from(weeks)),
        }
        .plan()
    }

    /// The allowed asking prices.
    fn asks(&self) -> Asks {
        let free = Asks::Steps(self.step());
        self.waiting
            .asking
            .map_or(free, |price| Asks::Only(float(price)))
    }

    /// Net of a price, rounded half-even to the minor unit.
    fn net(&self, price: f64) -> f64 {
        let minor = 10_f64.powi(self.made.currency.decimals() as i32);
        let units = (price * minor).round_ties_even() as i64;
        let work_out = || {
            float(
                self.sale()
                    .net(Decimal::new(units, self.made.currency.decimals())),
            )
        };
        *self
            .known
            .borrow_mut()
            .entry(units)
            .or_insert_with(work_out)
    }

    /// Smallest acceptable net of an offer, and the lowest price with that net.
    fn least(&self, plan: &Plan, week: usize) -> (Decimal, Decimal) {
        let left = self.exact(plan.least(week));
        let price = self.sale().price_for(left).unwrap_or_default();
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
            left_of_ask: self.sale().net(ask),
            at_once: self.least(&plan, 0).1,
            value: self.exact(plan.least(0)),
            left: self.exact(plan.left()),
            weeks: plan.weeks(),
            plan,
        }
    }

    fn basis(self) -> Basis<'a> {
        let buyers = self.buyers(self.offers.mean()).rate;
        Basis {
            outlet: self.through.as_ref().map(|through| through.name),
            unsure: unsure(self.through.as_ref().map(|through| &through.terms)),
            offers: self.offers,
            noted: self.noted,
            seen: self.waiting.seen,
            seen_there: self.waiting.listing.is_some_and(|listing| listing.counted),
            haggling: self.deal.haggling,
            offered: self.deal.offered,
            per_sale: self.deal.buyers_per_sale,
            buyers,
            cost: self.waiting.cost,
            earns: self.waiting.per_year.map_or_else(
                || Earns::Aim(self.deal.least_return, self.deal.weeks),
                Earns::PerYear,
            ),
            per_week: 1.0 / self.patience().discount - 1.0,
            trend: self.trend(),
            deadline: self
                .waiting
                .deadline
                .map(|(weeks, exit)| (weeks, self.exit(exit))),
            quick_sale: self
                .waiting
                .deadline
                .and_then(|(_, exit)| exit.is_none().then_some(self.deal.quick_sale)),
            asking: self.waiting.asking,
            made: self.made,
        }
    }

    fn asking(self) -> Asking<'a> {
        let usual = self.variant(self.offers.mean(), self.asks());
        let shown = usual.weeks_shown(self.waiting.deadline.map(|(weeks, _)| usize::from(weeks)));
        let (few, many) = self.offers.range();
        Asking {
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
            basis: self.basis(),
        }
    }

    fn judged(&self, offer: Decimal, week: usize) -> Judged {
        let plan = self.plan(self.offers.mean(), self.asks());
        let (wait, least) = self.least(&plan, week);
        let share = float(self.deal.offered) / 100.0;
        let net = |price| self.net(price);
        let asked = plan.period(week.max(1)).and_then(|period| period.week.ask);
        let asked = asked.unwrap_or(f64::INFINITY);
        Judged {
            offer,
            week,
            left: self.sale().net(offer),
            wait,
            least,
            answer: answer(float(offer), (float(wait), asked), share, self.step(), net),
        }
    }
}

fn float(amount: Decimal) -> f64 {
    amount.to_f64().unwrap_or_default()
}

/// The levels that the unit may have, equally likely, with the buyers at each.
fn levels(made: &Estimate, per_sale: f64) -> Vec<Level> {
    let mut sale = made.outcome.sale().quantiles(BUYERS);
    sale.truncate(BUYERS - BUYERS / TOP);
    let centre = made.outcome.centre();
    let (low, high) = centre.band(ONE_SD);
    let levels = if high - low < 2.0 * KNOWN {
        vec![made.outcome.median()]
    } else {
        let (least, most) = centre.band(COUNTED);
        let levels = centre.quantiles(LEVELS).into_iter();
        levels.map(|level| level.clamp(least, most)).collect()
    };
    let chance = 1.0 / levels.len() as f64;
    let of = |level: &f64| {
        let paid: Vec<f64> = sale.iter().map(|sale| (level + sale).exp()).collect();
        Level {
            chance,
            most: buyers_behind(&paid, per_sale),
            end: 0.0,
        }
    };
    levels.iter().map(of).collect()
}

/// The price paid in the middle at a level, from the limits of the buyers there.
fn middle(most: &[Chance]) -> f64 {
    most.get(most.len() / 2).map_or(0.0, |one| one.money)
}
