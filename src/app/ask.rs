//! Asking prices for a unit, and advice on offers.

pub mod levels;
pub mod outcome;

use std::cell::RefCell;
use std::collections::HashMap;

use rust_decimal::Decimal;

use super::AppError;
use super::ledger::ledger_on;
use super::places::{Beside, Listed, Pair, PairWeek};
use super::practice::{Earns, OffersAt, offers_at, patience};
use super::selling::{Through, unsure};
use super::unit::AskedUnit;
use crate::band::estimate::Estimate;
use crate::book::Book;
use crate::deal::asking::{Asks, Buyers, Level, Market, Selling, plan_both, step};
use crate::deal::earning::OTHERS;
use crate::deal::ledger::Ledger;
use crate::deal::prospect::{Sale, from_minor, minor};
use crate::deal::waiting::{Patience, Plan, Rate, posterior};
use crate::fit::design::DAYS_PER_MONTH;
use crate::settings::selling::{DealSettings, Outlet};
use crate::trade::HowSold;
use crate::trade::comp::PriceBasis;
use levels::{as_many, buyers, float, levels, middle};
pub use outcome::{Asking, Basis, Judged, OwnListing, Variant, Waiting};

/// Minor units by which rounding may lower the net of a higher price.
const ROUNDED: i64 = 5;

/// Probability of a sale at which the table may end, and its smallest and largest number of weeks.
const SURE: f64 = 0.95;
const ROWS: (usize, usize) = (4, 13);

/// Weeks of a plan to show: until a sale is nearly certain, and the week of the deadline.
fn weeks_shown(plan: &Plan, deadline: Option<usize>) -> Vec<usize> {
    let most = deadline.unwrap_or(usize::MAX).min(ROWS.1);
    let sold = plan.sold_by(most);
    let sure = sold
        .iter()
        .position(|sold| *sold >= SURE)
        .map_or(most, |at| at + 1);
    let last = sure.max(ROWS.0).min(most);
    let mut shown: Vec<usize> = (1..=last).collect();
    shown.extend(deadline.filter(|weeks| *weeks > last));
    shown
}

/// Works out asking prices for a unit. The default way of selling is a fixed price.
///
/// # Errors
/// If there is no evidence for the unit, or the ledger cannot be read.
///
/// # Examples
///
/// ```
/// use compband::app::ask::{Waiting, ask};
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
/// let asking = ask(&book, &unit, None, Waiting::default(), &mut |_| {})?;
/// assert!(asking.usual.at_once < asking.usual.ask);
/// # Ok(())
/// # }
/// ```
pub fn ask<'a>(
    book: &Book,
    unit: &AskedUnit<'_>,
    sale: Option<Through<'a>>,
    waiting: Waiting,
    notice: &mut dyn FnMut(&str),
) -> Result<Asking<'a>, AppError> {
    Ok(Scene::of(book, unit, sale, waiting, notice)?.asking())
}

/// Works out asking prices for a unit at each of some outlets, and at two at once; the result is about the best
/// outlet.
///
/// # Errors
/// Those of [`ask`].
pub fn ask_beside<'a>(
    book: &Book,
    unit: &AskedUnit<'_>,
    sales: Vec<Through<'a>>,
    waiting: &Waiting,
    notice: &mut dyn FnMut(&str),
) -> Result<Asking<'a>, AppError> {
    let ledger = ledger_on(book, unit.as_of, notice)?;
    let mut elsewhere: Option<Estimate> = None;
    let mut all = Vec::new();
    for sale in sales {
        let unit = fixed_price(unit, Some(sale.name));
        // Without a price factor all outlets have one estimate.
        let made = match (&elsewhere, unit.settings.priced_outlet(sale.name)) {
            (Some(made), None) => made.clone(),
            (_, priced) => {
                let made = unit.estimate(unit.selection()?)?;
                if priced.is_none() {
                    elsewhere = Some(made.clone());
                }
                made
            }
        };
        let scene = Scene::new(&unit, made, Some(sale), waiting.clone(), &ledger)?;
        let usual = scene.variant(scene.offers.mean(), scene.asks());
        all.push((scene, usual));
    }
    let worth = |(scene, usual): &(Scene<'_>, Variant)| usual.value - scene.listing;
    // Of equals the first of the book.
    all.sort_by_key(|one| std::cmp::Reverse(worth(one)));
    let listed = all
        .iter()
        .map(|(scene, usual)| scene.listed(usual))
        .collect();
    let mut rest = all.into_iter();
    let Some((best, usual)) = rest.next() else {
        return ask(book, unit, None, waiting.clone(), notice);
    };
    // Two outlets at the book's common rate of offers have the same buyers.
    let other = rest.find(|(other, _)| best.own_rate || other.own_rate);
    let pair = other.map(|(other, _)| best.pair(&other, usual.value - best.listing));
    Ok(Asking {
        beside: Some(Beside { listed, pair }),
        ..best.asking_by(usual)
    })
}

/// A unit with an asking price, which is not sold by auction, at an outlet.
fn fixed_price<'u>(unit: &AskedUnit<'u>, outlet: Option<&str>) -> AskedUnit<'u> {
    let mut unit = unit.sold_at(outlet);
    unit.subject.how_sold.get_or_insert(HowSold::Fixed);
    unit
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
    /// Alternative return on the money of a sale.
    earns: Earns,
    /// How many times that return the seller plans with.
    hurry: f64,
    /// Whether the outlet has a rate of its own, and with it buyers of its own.
    own_rate: bool,
    /// Minutes of work for a sale, and their cost.
    work: (Decimal, Decimal),
    /// Cost of the work of listing it.
    listing: Decimal,
    /// Net of a price, by its minor units.
    known: RefCell<HashMap<i64, f64>>,
}

impl<'a> Scene<'a> {
    fn of(
        book: &Book,
        unit: &AskedUnit<'_>,
        through: Option<Through<'a>>,
        waiting: Waiting,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Self, AppError> {
        let unit = fixed_price(unit, through.as_ref().map(|through| through.name));
        let made = unit.estimate(unit.selection()?)?;
        let ledger = ledger_on(book, unit.as_of, notice)?;
        Self::new(&unit, made, through, waiting, &ledger)
    }

    /// The market of a unit with this estimate.
    fn new(
        unit: &AskedUnit<'_>,
        made: Estimate,
        through: Option<Through<'a>>,
        waiting: Waiting,
        ledger: &Ledger,
    ) -> Result<Self, AppError> {
        let deal = &unit.settings.deal;
        let outlets = &unit.settings.outlets;
        let outlet = through.as_ref().and_then(|at| outlets.get(at.name));
        let OffersAt { rate, noted, own } = offers_at(
            ledger,
            &unit.settings,
            through.as_ref().map(|at| at.name),
            unit.as_of,
            waiting.listing.map(|listing| listing.at),
        )?;
        let minutes = outlet.map_or(Decimal::ZERO, |outlet: &Outlet| outlet.minutes);
        let cost = |minutes: Decimal| {
            let amount = deal.wage * minutes / Decimal::from(60);
            from_minor(minor(amount, &made.currency), &made.currency)
        };
        let scene = Self {
            basis: unit.settings.price_basis,
            through,
            offers: rate,
            own_rate: own,
            work: (minutes, cost(minutes)),
            listing: cost(outlet.map_or(Decimal::ZERO, |outlet| outlet.listing_minutes)),
            noted,
            levels: levels(&made, float(deal.buyers_per_sale)),
            hurry: 1.0,
            earns: Earns::of(ledger, waiting.per_year, deal, unit.as_of),
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
            self.left(self.exact(price))
        })
    }

    /// Net of a price after the costs and the work of the sale.
    fn left(&self, price: Decimal) -> Decimal {
        self.sale().net(price) - self.work.1
    }

    /// The lowest price that leaves this much.
    fn price_for(&self, left: Decimal) -> Option<Decimal> {
        self.sale().price_for(left + self.work.1)
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
            let usual = buyers.counted(likely);
            // The absence of offers is no evidence at a price far above every limit.
            let counted = |level: &Level| (buyers.counted_at(level, asked) / usual).max(0.01);
            let count = f64::from(count);
            let weeks: Vec<f64> = self
                .levels
                .iter()
                .map(|level| float(weeks) * counted(level))
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
        buyers(&self.levels, &self.deal, offers, float(self.made.median))
    }

    fn patience(&self) -> Patience {
        patience(self.hurry * self.earns.per_week(), self.waiting.cost)
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
        let net = |price| self.net(price);
        self.market(self.buyers(offers), asks, &net).plan()
    }

    fn market<'m>(
        &self,
        buyers: Buyers<'m>,
        asks: Asks,
        net: &'m dyn Fn(f64) -> f64,
    ) -> Market<'m> {
        Market {
            buyers,
            net,
            asks,
            drift: (1.0 + self.trend() / 100.0).powf(7.0 / DAYS_PER_MONTH),
            patience: self.patience(),
            deadline: self.deadline(),
        }
    }

    fn deadline(&self) -> Option<usize> {
        self.waiting.deadline.map(|(weeks, _)| usize::from(weeks))
    }

    /// The listing at this outlet.
    fn listed(&self, usual: &Variant) -> Listed<'a> {
        Listed {
            outlet: self.through.as_ref().map_or("", |through| through.name),
            ask: usual.ask,
            at_once: usual.at_once,
            left: usual.left - self.listing,
            value: usual.value - self.listing,
            weeks: usual.weeks,
            listing: self.listing,
        }
    }

    /// Listings at this outlet and at another with other buyers, against the better one, which is worth `alone`.
    fn pair(&self, other: &Self, alone: Decimal) -> Pair<'a> {
        let scenes = [self, other];
        let count = scenes.map(|scene| scene.levels.len()).into_iter().max();
        let levels = scenes.map(|scene| as_many(&scene.levels, count.unwrap_or(1)));
        let nets = scenes.map(|scene| move |price| scene.net(price));
        let market = |at: usize| {
            let scene = scenes[at];
            let buyers = Buyers {
                levels: &levels[at],
                ..scene.buyers(scene.offers.mean())
            };
            scene.market(buyers, scene.asks(), &nets[at])
        };
        let both = plan_both(&market(0), &market(1));
        let shown = weeks_shown(&both.plan, self.deadline());
        let sold_by = both.plan.sold_by(shown.last().copied().unwrap_or_default());
        let week = |week: &usize| {
            let asks = both.asks(*week)?;
            let at = [0, 1].map(|at: usize| {
                let of = scenes[at].selling(&both.plan, *week, asks[at]);
                (scenes[at].exact(asks[at]), of.thresholds())
            });
            Some(PairWeek {
                week: *week,
                sold_by: *sold_by.get(week - 1)?,
                at,
            })
        };
        let weekly: Vec<PairWeek> = shown.iter().filter_map(week).collect();
        let first = weekly.first().map(|week| week.at.map(|(ask, _)| ask));
        let above = |asks: [Decimal; 2]| {
            let each = scenes.iter().zip(asks);
            each.clone().any(|(scene, ask)| ask > scene.made.high)
        };
        let listing = self.listing + other.listing;
        let value = self.exact(both.plan.least(0)) - listing;
        Pair {
            outlets: scenes.map(|scene| scene.through.as_ref().map_or("", |at| at.name)),
            left: self.exact(both.plan.left()) - listing,
            value,
            gain: value - alone,
            weeks: both.plan.weeks(),
            at_once: scenes.map(|scene| scene.least(&both.plan, 0).1),
            above: first.is_some_and(above),
            weekly,
        }
    }

    /// The allowed asking prices: a given one holds for the first week, since the seller can lower it.
    fn asks(&self) -> Asks {
        let first = self.waiting.asking.map(float);
        first.map_or(self.proposed(), |first| Asks::From {
            first,
            step: self.step(),
            most: float(self.made.high),
        })
    }

    /// The asking prices that are proposed: none above the band. What waits there are the long tails of what is
    /// not known, and a policy that starts there would be best only if they were right.
    fn proposed(&self) -> Asks {
        Asks::Within {
            step: self.step(),
            most: float(self.made.high),
        }
    }

    /// Net of a price, rounded half-even to the minor unit.
    fn net(&self, price: f64) -> f64 {
        let minor = 10_f64.powi(self.made.currency.decimals() as i32);
        let units = (price * minor).round_ties_even() as i64;
        let work_out = || float(self.left(Decimal::new(units, self.made.currency.decimals())));
        *self
            .known
            .borrow_mut()
            .entry(units)
            .or_insert_with(work_out)
    }

    /// Smallest acceptable net of an offer, and the lowest price with that net.
    fn least(&self, plan: &Plan, week: usize) -> (Decimal, Decimal) {
        let left = self.exact(plan.least(week));
        let price = self.price_for(left).unwrap_or_default();
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
            left_of_ask: self.left(ask),
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
            haggling: self.deal.buyers_who_offer,
            offered: self.deal.offered,
            per_sale: self.deal.buyers_per_sale,
            buyers,
            cost: self.waiting.cost,
            earns: self.earns,
            per_week: self.earns.per_week(),
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
            work: self.work,
            step: self.exact(self.step()),
            made: self.made,
        }
    }

    /// Asking prices of sellers in no hurry and in a hurry.
    fn sellers(&mut self) -> Vec<(f64, Variant)> {
        let per_week = self.earns.per_week();
        if per_week <= 0.0 {
            return Vec::new();
        }
        let sellers = OTHERS.map(|times| {
            self.hurry = times;
            (
                times * per_week,
                self.variant(self.offers.mean(), self.asks()),
            )
        });
        self.hurry = 1.0;
        sellers.into()
    }

    fn asking(self) -> Asking<'a> {
        let usual = self.variant(self.offers.mean(), self.asks());
        self.asking_by(usual)
    }

    /// Asking prices with this plan at the mean rate.
    fn asking_by(mut self, usual: Variant) -> Asking<'a> {
        let sellers = self.sellers();
        let shown = weeks_shown(&usual.plan, self.deadline());
        let (few, many) = self.offers.range();
        Asking {
            least: (0..=*shown.last().unwrap_or(&0))
                .map(|week| self.least(&usual.plan, week).1)
                .collect(),
            thresholds: (0..=*shown.last().unwrap_or(&0))
                .map(|week| {
                    let asked = asked_in(&usual.plan, week);
                    self.selling(&usual.plan, week, asked).thresholds()
                })
                .collect(),
            beside: None,
            shown,
            others: [few, many].map(|offers| self.variant(offers, self.asks())),
            best: self
                .waiting
                .asking
                .map(|_| self.variant(self.offers.mean(), self.proposed())),
            usual,
            sellers,
            basis: self.basis(),
        }
    }

    fn judged(&self, offer: Decimal, week: usize) -> Judged {
        let plan = self.plan(self.offers.mean(), self.asks());
        let (wait, least) = self.least(&plan, week);
        let selling = self.selling(&plan, week, asked_in(&plan, week));
        Judged {
            offer,
            week,
            left: self.left(offer),
            wait,
            least,
            answer: selling.answer(float(offer)),
            thresholds: selling.thresholds(),
        }
    }

    /// How the unit is on sale in a week of a plan at an asking price.
    fn selling(&self, plan: &Plan, week: usize, asked: f64) -> Selling {
        let (left, least) = self.least(plan, week);
        let unit = Decimal::new(1, self.made.currency.decimals());
        // Lines of a net are rounded each by itself, so that a higher price may leave a little less.
        let little = unit * Decimal::from(ROUNDED);
        let always = self.sale().price_always_for(left + self.work.1 - little);
        Selling {
            lowest: float(always.map_or(least, |always| always.max(least))),
            asked,
            offered: float(self.deal.offered) / 100.0,
            step: self.step(),
            unit: float(unit),
        }
    }
}

/// The asking price of a week; week 0 is the first one, before it.
fn asked_in(plan: &Plan, week: usize) -> f64 {
    let period = plan.period(week.max(1));
    period
        .and_then(|period| period.week.ask)
        .unwrap_or(f64::INFINITY)
}
