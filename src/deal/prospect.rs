//! Proceeds of a unit before its cost: the distribution of the money left after repairs, selling
//! and returns.
//!
//! [`RUNGS`] equally likely prices represent the predictive distribution
//! ([`crate::band::outcome::Outcome::quantiles`]). Each goes through the exact arithmetic of the
//! outlet, for every outcome of the repairs, with and without a return. Nothing is simulated.

use crate::deal::harvest::{Donor, Taken};
use crate::trade::repair::Repair;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::outlet::Terms;
use crate::trade::Currency;
use crate::trade::comp::PriceBasis;
use crate::trade::money::MOST_MONEY;

/// Number of prices that represent a predictive distribution: the resolution of probabilities.
pub const RUNGS: usize = 2000;

/// Price of a unit whose repair failed.
#[derive(Debug, Clone, Copy)]
pub enum Failed<'a> {
    /// Equally likely log prices.
    Prices(&'a [f64]),
    /// A share of the repaired price.
    Share(f64),
}

/// Terms of a sale.
#[derive(Debug)]
pub struct Sale<'a> {
    /// Terms of the outlet; none if selling is free.
    pub terms: Option<&'a Terms<'a>>,
    /// Price basis of the log prices.
    pub basis: PriceBasis,
    /// Currency of all money.
    pub currency: &'a Currency,
}

/// Everything that determines the proceeds of a unit.
#[derive(Debug)]
pub struct Plan<'a> {
    /// Terms of the sale.
    pub sale: &'a Sale<'a>,
    /// Equally likely log prices of the repaired unit.
    pub repaired: &'a [f64],
    /// Price if a repair fails.
    pub failed: Failed<'a>,
    /// Repairs, in order.
    pub repairs: &'a [Repair],
    /// Minutes of other work: fetching, cleaning, listing, packing.
    pub minutes: Decimal,
    /// Cost of an hour of work.
    pub wage: Decimal,
    /// Probability that the whole stake is lost, 0..=1: the unit never arrives, is locked, or is not
    /// as described and the seller pays nothing back. The parts that were bought are lost with it.
    pub lost: f64,
    /// Cost of holding the unit until it is sold; due whatever becomes of it.
    pub holding: Decimal,
    /// The value of the parts of the unit, if it may be taken apart after a failure.
    pub donor: Option<&'a Donor>,
}

/// The proceeds of each equally likely price, minor units: the net, and the additional loss if the unit is returned.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proceeds {
    /// Of the repaired unit.
    repaired: Vec<(i64, i64)>,
    /// Of a unit whose repair failed.
    failed: Vec<(i64, i64)>,
}

/// The use of the unit if a repair fails.
#[derive(Debug, Clone, PartialEq)]
pub struct Failure {
    /// Position of the repair.
    pub repair: usize,
    /// Expected money left if it is sold whole, minor units.
    pub whole: f64,
    /// The parts that are worth something if it is taken apart; none if not known.
    pub parts: Vec<Taken>,
    /// Their value, minor units.
    pub value: i64,
    /// Cost of the work of taking it apart, minor units.
    pub work: i64,
    /// Minutes of that work.
    pub minutes: Decimal,
}

impl Failure {
    /// Whether taking it apart leaves more than selling it whole.
    pub fn is_harvested(&self) -> bool {
        !self.parts.is_empty() && (self.value - self.work) as f64 > self.whole
    }
}

/// One possible result, in minor units.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Point {
    /// Money left after parts, holding and selling.
    cash: i64,
    /// Cost of the work.
    work: i64,
    /// Probability.
    chance: f64,
}

impl Point {
    fn value(&self) -> i64 {
        self.cash - self.work
    }
}

/// The distribution of the proceeds of a unit, before its cost.
#[derive(Debug, Clone)]
pub struct Prospect {
    /// By value after work, ascending.
    points: Vec<Point>,
    /// Probability of at most each point.
    up_to: Vec<f64>,
    /// Cost of the parts of all repairs that have to be bought, minor units.
    pub parts: i64,
    /// Cost of replacing the parts of all repairs that come from the drawer, minor units.
    pub drawer: i64,
    /// The use of the unit if a repair fails, for each that can.
    pub failures: Vec<Failure>,
    /// Expected money left after parts and selling, minor units.
    pub cash: f64,
    /// Expected cost of work, minor units.
    pub work: f64,
    /// Expected hours of work.
    pub hours: f64,
    /// Probability that all repairs succeed, if the unit is not lost.
    pub repaired: f64,
    /// Probability that the whole stake is lost.
    pub lost: f64,
}

/// One outcome of the repairs.
struct Ending {
    chance: f64,
    /// Cost of the parts that are spent.
    parts: Decimal,
    minutes: Decimal,
    /// Position of the repair that failed, if one did.
    failed: Option<usize>,
}

impl Sale<'_> {
    /// The price of a log price in minor units.
    fn units(&self, log_price: f64) -> i64 {
        let price = log_price.exp().min(MOST_MONEY as f64);
        let units = price * 10_f64.powi(self.currency.decimals() as i32);
        // Far from a half, and exact to much less than that: no need to go through decimals.
        if units < 1e9 && (units - units.floor() - 0.5).abs() > 1e-4 {
            return units.round() as i64;
        }
        self.minor(self.currency.from_statistics(price).unwrap_or_default())
    }

    /// The net of a price in minor units, and the additional loss if the unit is returned: minor units.
    pub fn proceeds(&self, units: i64) -> (i64, i64) {
        let total = from_minor(units, self.currency);
        let Some(terms) = self.terms else {
            return (self.minor(total), 0);
        };
        let (price, short) = self.price_and_short(terms, total);
        let kept = terms.without_returns(price).net - short;
        (self.minor(kept), self.minor(terms.return_cost(price)))
    }

    /// The item price in a price on the basis, and the part of the shipping that the seller bears
    /// if the buyer's total is less than the shipping.
    fn price_and_short(&self, terms: &Terms<'_>, total: Decimal) -> (Decimal, Decimal) {
        let price = terms.price_in(total, self.basis);
        let short = match self.basis {
            PriceBasis::Item => Decimal::ZERO,
            PriceBasis::Delivered => price + terms.shipping_paid - total,
        };
        (price, short)
    }

    /// The net of a price on the basis, with expected returns.
    pub fn net(&self, total: Decimal) -> Decimal {
        let Some(terms) = self.terms else {
            return total;
        };
        let (price, short) = self.price_and_short(terms, total);
        terms.net(price).net - short
    }

    /// The lowest price on the basis with a net of `wanted`, in whole minor units; `None` if there
    /// is none.
    pub fn price_for(&self, wanted: Decimal) -> Option<Decimal> {
        let Some(terms) = self.terms else {
            return Some(wanted.max(Decimal::ZERO));
        };
        let price = terms.price_for(wanted)?.least;
        if self.basis == PriceBasis::Item {
            return Some(price);
        }
        let total = price + terms.shipping_paid;
        // If only shipping is paid, a part of it may be enough.
        let spare = if price.is_zero() {
            terms.net(price).net - wanted
        } else {
            Decimal::ZERO
        };
        Some((total - spare).max(Decimal::ZERO))
    }

    /// The lowest price on the basis from which on every price has a net of `wanted`: above
    /// [`Self::price_for`] where rounding or the edge of a tier lowers the net of a higher price.
    pub fn price_always_for(&self, wanted: Decimal) -> Option<Decimal> {
        let Some(terms) = self.terms else {
            return self.price_for(wanted);
        };
        let needed = terms.price_for(wanted)?;
        let apart = needed.always_from - needed.least;
        Some(self.price_for(wanted)? + apart)
    }

    fn minor(&self, amount: Decimal) -> i64 {
        minor(amount, self.currency)
    }
}

/// An amount in minor units, rounded half-even; limited to the largest amount of a book.
pub fn minor(amount: Decimal, currency: &Currency) -> i64 {
    let most = Decimal::from(MOST_MONEY) * Decimal::TEN;
    let mut rounded = amount.clamp(-most, most).round_dp(currency.decimals());
    rounded.rescale(currency.decimals());
    i64::try_from(rounded.mantissa()).unwrap_or_default()
}

/// The amount of this number of minor units.
pub fn from_minor(units: i64, currency: &Currency) -> Decimal {
    Decimal::new(units, currency.decimals())
}

impl Plan<'_> {
    /// Every outcome of the repairs with positive probability: a failure at each that spoils its parts
    /// or leaves them to the drawer, or success. The probabilities sum to that of a unit that is not lost.
    fn endings(&self) -> Vec<Ending> {
        let (mut reached, mut parts, mut minutes) = (1.0 - self.lost, Decimal::ZERO, self.minutes);
        let mut endings = Vec::new();
        for (at, repair) in self.repairs.iter().enumerate() {
            minutes += repair.minutes;
            let spoilt = [
                (parts + repair.parts, repair.spoils),
                (parts, 1.0 - repair.spoils),
            ];
            endings.extend(spoilt.map(|(parts, share)| Ending {
                chance: reached * (1.0 - repair.success) * share,
                parts,
                minutes,
                failed: Some(at),
            }));
            parts += repair.parts;
            reached *= repair.success;
        }
        endings.push(Ending {
            chance: reached,
            parts,
            minutes,
            failed: None,
        });
        endings.retain(|ending| ending.chance > 0.0);
        endings
    }

    fn minor(&self, amount: Decimal) -> i64 {
        minor(amount, self.sale.currency)
    }

    /// Cost of this many minutes of work, minor units.
    fn work(&self, minutes: Decimal) -> i64 {
        self.minor(self.wage * minutes / Decimal::from(60))
    }

    /// Net and additional loss of a return for each log price, shifted.
    fn nets(&self, prices: &[f64], shift: f64, net: &dyn Fn(i64) -> (i64, i64)) -> Vec<(i64, i64)> {
        let prices = prices.iter().map(|price| self.sale.units(price + shift));
        prices.map(net).collect()
    }

    /// The use of the unit if the repair at a position fails; `failed` are the proceeds of selling it
    /// whole.
    fn failure(&self, repair: usize, failed: &[(i64, i64)], comes_back: f64) -> Failure {
        let each = failed.iter();
        let sum: f64 = each
            .map(|(left, lost)| *left as f64 - comes_back * *lost as f64)
            .sum();
        let parts = self.donor.map_or(Vec::new(), |donor| {
            donor
                .after(self.repairs, repair)
                .into_iter()
                .cloned()
                .collect()
        });
        let minutes = self.donor.map_or(Decimal::ZERO, |donor| donor.minutes);
        Failure {
            repair,
            whole: sum / failed.len().max(1) as f64,
            value: self.minor(parts.iter().map(Taken::value).sum()),
            work: self.work(minutes),
            minutes,
            parts,
        }
    }

    /// The proceeds of each price, of the repaired unit and, if a repair `can_fail`, of one whose repair failed. It
    /// does not depend on the repairs. `net` is what a price leaves, [`Sale::proceeds`].
    pub fn proceeds(&self, can_fail: bool, net: &dyn Fn(i64) -> (i64, i64)) -> Proceeds {
        Proceeds {
            repaired: self.nets(self.repaired, 0.0, net),
            failed: match (self.failed, can_fail) {
                (_, false) => Vec::new(),
                (Failed::Prices(prices), true) => self.nets(prices, 0.0, net),
                (Failed::Share(share), true) => self.nets(self.repaired, share.max(1e-9).ln(), net),
            },
        }
    }

    /// Computes the distribution.
    pub fn prospect(&self) -> Prospect {
        let can_fail = self.endings().iter().any(|e| e.failed.is_some());
        self.prospect_of(&self.proceeds(can_fail, &|units| self.sale.proceeds(units)))
    }

    /// The distribution, from what each price leaves: [`Plan::proceeds`].
    pub fn prospect_of(&self, Proceeds { repaired, failed }: &Proceeds) -> Prospect {
        let mut endings = self.endings();
        let comes_back = self.sale.terms.map_or(0.0, Terms::return_chance);
        let holding = self.minor(self.holding);
        let mut at: Vec<usize> = endings.iter().filter_map(|ending| ending.failed).collect();
        at.dedup();
        let failures: Vec<Failure> = at
            .into_iter()
            .map(|at| self.failure(at, failed, comes_back))
            .collect();
        let to_buy = self.minor(self.repairs.iter().map(Repair::to_buy).sum());
        let mut points = Vec::with_capacity(2 * (repaired.len() + failed.len()) + 1);
        if self.lost > 0.0 {
            points.push(Point {
                cash: -to_buy - holding,
                work: self.work(self.minutes),
                chance: self.lost,
            });
        }
        for ending in &mut endings {
            let parts = self.minor(ending.parts);
            let failure = failures
                .iter()
                .find(|one| Some(one.repair) == ending.failed);
            if let Some(failure) = failure.filter(|one| one.is_harvested()) {
                ending.minutes += failure.minutes;
                points.push(Point {
                    cash: failure.value - parts - holding,
                    work: self.work(ending.minutes),
                    chance: ending.chance,
                });
                continue;
            }
            let sold = failure.map_or(repaired, |_| failed);
            let each = ending.chance / sold.len().max(1) as f64;
            let work = self.work(ending.minutes);
            // Each of the two ascends nearly throughout, which spares most of the sorting.
            for (returns, share) in [(0, 1.0 - comes_back), (1, comes_back)] {
                if share > 0.0 {
                    points.extend(sold.iter().map(|&(left, lost)| Point {
                        cash: left - parts - holding - returns * lost,
                        work,
                        chance: each * share,
                    }));
                }
            }
        }
        let float = |minutes: Decimal| minutes.to_f64().unwrap_or_default();
        let minutes: f64 = endings
            .iter()
            .map(|ending| ending.chance * float(ending.minutes))
            .sum();
        let all: Decimal = self.repairs.iter().map(|repair| repair.parts).sum();
        Prospect {
            parts: to_buy,
            drawer: self.minor(all) - to_buy,
            failures,
            hours: (minutes + self.lost * float(self.minutes)) / 60.0,
            repaired: self.chance_mended(),
            lost: self.lost,
            ..Prospect::new(points)
        }
    }

    fn chance_mended(&self) -> f64 {
        self.repairs.iter().map(|repair| repair.success).product()
    }
}

impl Prospect {
    /// A prospect of these points, without repairs and work.
    fn new(mut points: Vec<Point>) -> Self {
        points.sort_by_key(|point| (point.value(), point.cash));
        points.dedup_by(|next, kept| {
            let same = (next.cash, next.work) == (kept.cash, kept.work);
            if same {
                kept.chance += next.chance;
            }
            same
        });
        let up_to = points
            .iter()
            .scan(0.0, |sum, point| {
                *sum += point.chance;
                Some(*sum)
            })
            .collect();
        let expect =
            |of: &dyn Fn(&Point) -> i64| points.iter().map(|p| p.chance * of(p) as f64).sum();
        Self {
            cash: expect(&|p| p.cash),
            work: expect(&|p| p.work),
            up_to,
            points,
            parts: 0,
            drawer: 0,
            failures: Vec::new(),
            hours: 0.0,
            repaired: 1.0,
            lost: 0.0,
        }
    }

    /// Largest possible proceeds after work, minor units; at least 0.
    pub fn most(&self) -> i64 {
        self.points.last().map_or(0, |point| point.value().max(0))
    }

    /// Largest possible proceeds before work, minor units; at least 0.
    pub fn most_cash(&self) -> i64 {
        self.points.iter().map(|point| point.cash).fold(0, i64::max)
    }

    /// Probability that the proceeds after work are below `cost` minor units.
    pub fn chance_below(&self, cost: i64) -> f64 {
        let at = self.points.partition_point(|point| point.value() < cost);
        if at == 0 { 0.0 } else { self.up_to[at - 1] }
    }

    /// Quantile of the proceeds after work at `p`, minor units.
    pub fn quantile(&self, p: f64) -> i64 {
        let at = self.up_to.partition_point(|sum| *sum < p - 1e-9);
        let point = self.points.get(at).or(self.points.last());
        point.map_or(0, Point::value)
    }

    /// Pairs of profit (before work) per unit staked, and probability, at a total price of `cost`
    /// and a stake of `stake`.
    pub fn returns(&self, cost: i64, stake: i64) -> impl Iterator<Item = (f64, f64)> {
        let points = self.points.iter();
        points.map(move |point| ((point.cash - cost) as f64 / stake as f64, point.chance))
    }
}

#[cfg(test)]
impl<'a> Plan<'a> {
    /// A plan without work, total losses, costs of holding and parts to take.
    pub(super) fn plain(
        sale: &'a Sale<'a>,
        repaired: &'a [f64],
        failed: Failed<'a>,
        repairs: &'a [Repair],
    ) -> Self {
        Self {
            sale,
            repaired,
            failed,
            repairs,
            minutes: Decimal::ZERO,
            wage: Decimal::ZERO,
            lost: 0.0,
            holding: Decimal::ZERO,
            donor: None,
        }
    }
}

#[cfg(test)]
mod dead_tests;
