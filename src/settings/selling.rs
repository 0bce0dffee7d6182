//! Settings of trade: outlets and their selling costs, shipping, and the aims of a purchase.

use std::collections::BTreeMap;

use rust_decimal::{Decimal, RoundingStrategy};
use serde::Deserialize;

use super::haggle::Haggle;
use crate::trade::items::fold_name;
use crate::trade::money::MOST_MONEY;
use crate::trade::range::{Range, RangeUnit};

/// Largest share of a price, in per cent, of all charges of an outlet together.
const MOST_TAKEN: i64 = 90;

/// Heaviest parcel, in grams.
const MOST_WEIGHT: i64 = 1_000_000;

/// An outlet, with its terms. Names are the user's.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Outlet {
    /// The selling fee.
    pub fee: Charge,
    /// The payment fee.
    pub payment: Charge,
    /// The cost of promotion.
    pub promotion: Charge,
    /// Sales tax in per cent that the outlet adds to the buyer's total, collects and passes on. It
    /// is never the seller's, but it may be part of the base of a charge.
    pub sales_tax: Decimal,
    /// The payer of the shipping.
    pub shipping: ShippingPaidBy,
    /// Returned units.
    pub returns: Returns,
    /// Rounding of each line to the minor unit.
    pub rounding: Rounding,
    /// Prices here as a share of those at the other places without such a key, per cent: a rule of thumb.
    pub price: Option<Range>,
    /// Offers per week here; those of [`DealSettings`] if not given. An outlet with a rate of its own has
    /// buyers of its own.
    pub offers_per_week: Option<Range>,
    /// Minutes of work for a sale here: to meet the buyer, or to pack and send.
    pub minutes: Decimal,
    /// Minutes of work to list a unit here.
    pub listing_minutes: Decimal,
}

/// A percentage with limits, and a fixed sum.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Charge {
    /// Per cent of the base, without tiers.
    pub percent: Decimal,
    /// Per cents by size of the base, instead of `percent`.
    pub tiers: Vec<Tier>,
    /// Part of the base to which the per cent of a tier applies.
    pub tiers_apply: TiersApply,
    /// Base of the per cents.
    pub of: Base,
    /// Whether the base includes the sales tax on it.
    pub with_tax: bool,
    /// Smallest amount of the per cents.
    pub least: Decimal,
    /// Largest amount of the per cents.
    pub most: Option<Decimal>,
    /// An additional fixed sum for each sale.
    pub fixed: Decimal,
}

/// One tier of a charge.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tier {
    /// Largest base of the tier; the last one has none.
    pub up_to: Option<Decimal>,
    /// Per cent.
    pub percent: Decimal,
}

/// Part of the base to which the per cent of a tier applies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TiersApply {
    /// The slice of the base that lies in the tier.
    #[default]
    Slices,
    /// The whole base, by the tier in which it lies: the charge jumps at the edge of a tier.
    Whole,
}

/// Base of a per cent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Base {
    /// The price alone.
    #[default]
    Price,
    /// The price and the shipping that the buyer pays.
    Delivered,
}

/// The payer of the shipping.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ShippingPaidBy {
    /// The buyer, in addition to the price.
    #[default]
    Buyer,
    /// The seller, out of the price.
    Seller,
    /// Nobody: the buyer collects the unit.
    Collected,
}

/// Returned units, in expectation.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Returns {
    /// Share of units that are returned, per cent.
    pub percent: Decimal,
    /// Cost of a return: shipping both ways, fees not refunded.
    pub cost: Decimal,
    /// Reduction of the later price, per cent.
    pub loses: Decimal,
}

/// Rounding of a line to the minor unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rounding {
    /// To the nearest, ties to even.
    #[default]
    HalfEven,
    /// To the nearest, ties up.
    HalfUp,
    /// Always up.
    Up,
}

impl Rounding {
    /// A non-negative amount, rounded to `decimals` decimals.
    pub fn round(self, amount: Decimal, decimals: u32) -> Decimal {
        let strategy = match self {
            Self::HalfEven => RoundingStrategy::MidpointNearestEven,
            Self::HalfUp => RoundingStrategy::MidpointAwayFromZero,
            Self::Up => RoundingStrategy::AwayFromZero,
        };
        let mut rounded = amount.round_dp_with_strategy(decimals, strategy);
        rounded.rescale(decimals);
        rounded
    }
}

/// Cost of postage and packing.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Shipping {
    /// Carton, padding, tape: per parcel.
    pub packing: Decimal,
    /// Default weight of a parcel in grams.
    pub weight: Option<Decimal>,
    /// Costs by weight, lightest first.
    pub bands: Vec<WeightBand>,
}

/// Postage up to a weight.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WeightBand {
    /// Heaviest parcel in grams; the last band may have none.
    pub up_to: Option<Decimal>,
    /// Postage.
    pub cost: Decimal,
}

impl Shipping {
    /// Postage of a parcel of this weight; `None` if it is heavier than every band.
    pub fn cost(&self, grams: Decimal) -> Option<Decimal> {
        self.bands
            .iter()
            .find(|band| band.up_to.is_none_or(|most| grams <= most))
            .map(|band| band.cost)
    }
}

/// Aims of a purchase, and the inputs of its evaluation.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DealSettings {
    /// The default outlet; empty: the only one.
    pub outlet: String,
    /// Cost of an hour of the owner's work.
    pub wage: Decimal,
    /// Weeks from payment for a unit to the proceeds; by default, as long as the asking policy takes
    /// to sell it.
    pub weeks: Option<Decimal>,
    /// Smallest expected profit, money.
    pub least_profit: Decimal,
    /// Smallest expected profit, per cent of the stake.
    pub least_return: Decimal,
    /// Largest probability of a loss, per cent.
    pub most_loss: Decimal,
    /// Discounts of sellers, per cent of what they ask. `haggle` in older books.
    #[serde(alias = "haggle")]
    pub seller_discount: Haggle,
    /// Per cent of sellers who break off at an offer that they refuse.
    pub breaks_off: Decimal,
    /// Probability that a purchase is lost altogether, per cent.
    pub lost: Decimal,
    /// The bankroll; 0 if not given.
    pub bankroll: Decimal,
    /// Largest share of the growth-optimal stake.
    pub kelly: Decimal,
    /// The wanted bankroll; 0 if not given.
    pub goal: Decimal,
    /// Cost of driving a kilometre; 0 if not given.
    pub per_km: Decimal,
    /// Offers per week for a unit at about its likely price, including sales at the asking price:
    /// the middle 80 % of the belief.
    pub offers_per_week: Range,
    /// Share of the buyers with a limit below the asking price who make an offer, per cent. `haggling` in
    /// older books.
    #[serde(alias = "haggling")]
    pub buyers_who_offer: Decimal,
    /// Their offer, in per cent of the most they would pay.
    pub offered: Decimal,
    /// Per cent of the asking price below which there are no offers.
    pub least_offer: Decimal,
    /// Number of buyers of whom the best pays an observed price.
    pub buyers_per_sale: Decimal,
    /// Per cent of its level for which a unit is sold at once, at a deadline.
    pub quick_sale: Decimal,
    /// Alternative return on the money per year, per cent; by default that of the ledger and
    /// `return_per_week`.
    pub return_per_year: Option<Decimal>,
    /// The rule of thumb for it: per cent per week.
    pub return_per_week: Decimal,
    /// Cost of holding a unit for a week.
    pub cost_per_week: Decimal,
    /// Minutes that it takes to take a unit apart for the drawer.
    pub harvest_minutes: Decimal,
}

impl Default for DealSettings {
    fn default() -> Self {
        Self {
            outlet: String::new(),
            wage: Decimal::ZERO,
            weeks: None,
            least_profit: Decimal::ZERO,
            least_return: Decimal::from(20),
            most_loss: Decimal::from(20),
            seller_discount: Haggle {
                low: Decimal::TEN,
                high: Decimal::from(30),
            },
            breaks_off: Decimal::from(5),
            lost: Decimal::TWO,
            bankroll: Decimal::ZERO,
            kelly: Decimal::new(5, 1),
            goal: Decimal::ZERO,
            per_km: Decimal::ZERO,
            offers_per_week: Range {
                low: Decimal::ONE,
                high: Decimal::from(4),
                unit: RangeUnit::Money,
            },
            buyers_who_offer: Decimal::from(50),
            offered: Decimal::from(90),
            least_offer: Decimal::from(70),
            buyers_per_sale: Decimal::from(5),
            quick_sale: Decimal::from(60),
            return_per_year: None,
            return_per_week: Decimal::TWO,
            cost_per_week: Decimal::ZERO,
            harvest_minutes: Decimal::from(30),
        }
    }
}

/// An outlet by its name (ignoring case and spacing), with the name in the settings.
pub fn outlet<'a>(
    outlets: &'a BTreeMap<String, Outlet>,
    name: &str,
) -> Option<(&'a str, &'a Outlet)> {
    let folded = fold_name(name);
    outlets
        .iter()
        .find(|(known, _)| fold_name(known) == folded)
        .map(|(known, outlet)| (known.as_str(), outlet))
}

/// Checks these settings.
///
/// # Errors
/// The key and the expected form.
pub fn validate(
    outlets: &BTreeMap<String, Outlet>,
    shipping: &Shipping,
    deal: &DealSettings,
) -> Result<(), String> {
    for (name, other) in outlets {
        let key = format!("outlets.{name:?}");
        if fold_name(name).is_empty()
            || outlet(outlets, name).is_none_or(|(first, _)| first != name)
        {
            return Err(format!("{key}: expected a name that no other outlet has"));
        }
        other.validate(&key)?;
    }
    shipping.validate()?;
    deal.validate(outlets)
}

impl Outlet {
    fn validate(&self, key: &str) -> Result<(), String> {
        let tax = at(&format!("{key}.sales_tax"), self.sales_tax, percent)?;
        let mut taken = Decimal::ZERO;
        for (name, charge) in self.charges() {
            charge.validate(&format!("{key}.{name}"))?;
            let taxed = if charge.with_tax { tax } else { Decimal::ZERO };
            taken += charge.highest() * (Decimal::ONE_HUNDRED + taxed) / Decimal::ONE_HUNDRED;
        }
        at(&format!("{key}.minutes"), self.minutes, minutes)?;
        at(
            &format!("{key}.listing_minutes"),
            self.listing_minutes,
            minutes,
        )?;
        if let Some(range) = self.offers_per_week {
            offers(&format!("{key}.offers_per_week"), range)?;
        }
        if let Some(range) = self.price {
            factor(&format!("{key}.price"), range)?;
        }
        let returns = &self.returns;
        at(&format!("{key}.returns.percent"), returns.percent, percent)?;
        at(&format!("{key}.returns.loses"), returns.loses, percent)?;
        at(&format!("{key}.returns.cost"), returns.cost, money)?;
        taken += returns.percent * returns.loses / Decimal::ONE_HUNDRED;
        if taken > Decimal::from(MOST_TAKEN) {
            return Err(format!(
                "{key}: its charges can take {} % of the price; no more than {MOST_TAKEN} % makes sense",
                taken.round_dp(1).normalize()
            ));
        }
        Ok(())
    }

    /// Its charges with the names of their keys.
    fn charges(&self) -> [(&'static str, &Charge); 3] {
        [
            ("fee", &self.fee),
            ("payment", &self.payment),
            ("promotion", &self.promotion),
        ]
    }
}

impl Charge {
    /// The highest possible per cent.
    fn highest(&self) -> Decimal {
        let tiers = self.tiers.iter().map(|tier| tier.percent);
        tiers.fold(self.percent, Decimal::max)
    }

    fn validate(&self, key: &str) -> Result<(), String> {
        at(&format!("{key}.percent"), self.percent, percent)?;
        at(&format!("{key}.fixed"), self.fixed, money)?;
        at(&format!("{key}.least"), self.least, money)?;
        if let Some(most) = self.most {
            at(&format!("{key}.most"), most, money)?;
            if most < self.least {
                return Err(format!(
                    "{key}.most: expected no less than `least`, {}",
                    self.least
                ));
            }
        }
        if !self.tiers.is_empty() && !self.percent.is_zero() {
            return Err(format!(
                "{key}: expected either percent or tiers, found both"
            ));
        }
        for tier in &self.tiers {
            at(&format!("{key}.tiers: percent"), tier.percent, percent)?;
            at(
                &format!("{key}.tiers: up_to"),
                tier.up_to.unwrap_or_default(),
                money,
            )?;
        }
        let ends: Vec<Option<Decimal>> = self.tiers.iter().map(|tier| tier.up_to).collect();
        ascending(&format!("{key}.tiers"), &ends)?;
        if ends.last().is_some_and(Option::is_some) {
            return Err(format!(
                "{key}.tiers: expected a last tier without up_to, for all above the others"
            ));
        }
        Ok(())
    }
}

impl Shipping {
    fn validate(&self) -> Result<(), String> {
        at("shipping.packing", self.packing, money)?;
        let ends: Vec<Option<Decimal>> = self.bands.iter().map(|band| band.up_to).collect();
        for grams in ends.iter().copied().chain([self.weight]).flatten() {
            at("shipping", grams, weight)?;
        }
        for band in &self.bands {
            at("shipping.bands: cost", band.cost, money)?;
        }
        ascending("shipping.bands", &ends)?;
        match self.weight {
            Some(grams) if !self.bands.is_empty() && self.cost(grams).is_none() => Err(format!(
                "shipping.weight: {grams} g is heavier than every band"
            )),
            _ => Ok(()),
        }
    }
}

impl DealSettings {
    fn validate(&self, outlets: &BTreeMap<String, Outlet>) -> Result<(), String> {
        if !self.outlet.is_empty() && outlet(outlets, &self.outlet).is_none() {
            let known: Vec<&str> = outlets.keys().map(String::as_str).collect();
            return Err(format!(
                "deal.outlet: expected the name of an outlet ({}), found {:?}",
                known.join(", "),
                self.outlet
            ));
        }
        at("deal.wage", self.wage, money)?;
        at("deal.least_profit", self.least_profit, money)?;
        at("deal.bankroll", self.bankroll, money)?;
        at("deal.goal", self.goal, money)?;
        at("deal.per_km", self.per_km, money)?;
        at("deal.most_loss", self.most_loss, percent)?;
        at("deal.breaks_off", self.breaks_off, percent)?;
        at("deal.lost", self.lost, percent)?;
        at("deal.least_return", self.least_return, return_percent)?;
        at("deal.kelly", self.kelly, |value| {
            within(value, 0, 1, "share")
        })?;
        if self.kelly.is_zero() {
            return Err("deal.kelly: expected a share above 0, such as 0.5".into());
        }
        at("deal.weeks", self.weeks.unwrap_or(Decimal::ONE), weeks)?;
        at("deal.buyers_who_offer", self.buyers_who_offer, some_percent)?;
        at("deal.offered", self.offered, some_percent)?;
        at("deal.least_offer", self.least_offer, percent)?;
        at("deal.buyers_per_sale", self.buyers_per_sale, |value| {
            within(value, 1, 1000, "count")
        })?;
        at("deal.quick_sale", self.quick_sale, percent)?;
        let return_per_year = self.return_per_year.unwrap_or_default();
        at("deal.return_per_year", return_per_year, return_percent)?;
        at("deal.return_per_week", self.return_per_week, percent)?;
        at("deal.cost_per_week", self.cost_per_week, money)?;
        offers("deal.offers_per_week", self.offers_per_week)
    }
}

/// Checks a range of offers per week.
fn offers(key: &str, range: Range) -> Result<(), String> {
    let Range { low, high, unit } = range;
    let least = Decimal::new(1, 2);
    let apart = low >= least
        && high <= Decimal::ONE_THOUSAND
        && high >= low * Decimal::new(105, 2)
        && high <= low * Decimal::ONE_THOUSAND;
    if apart && unit == RangeUnit::Money {
        Ok(())
    } else {
        Err(format!(
            "{key}: expected two counts from {least} to 1000 that differ by 5 % or more, such as \"1 to 4\", found \"{range}\""
        ))
    }
}

/// Checks the price factor of an outlet.
fn factor(key: &str, range: Range) -> Result<(), String> {
    if range.unit == RangeUnit::Percent && range.low >= Decimal::ONE && range.high > range.low {
        Ok(())
    } else {
        Err(format!(
            "{key}: expected the price here in per cent of the price elsewhere, from 1 % on, such as \
             \"80 to 90 %\", found \"{range}\""
        ))
    }
}

/// Checks that the ends of tiers ascend, and that only the last is open.
fn ascending(key: &str, ends: &[Option<Decimal>]) -> Result<(), String> {
    let rises = ends.windows(2).all(|pair| match pair {
        [Some(one), Some(next)] => one < next,
        [Some(_), None] => true,
        _ => false,
    });
    if rises {
        Ok(())
    } else {
        Err(format!(
            "{key}: expected up_to to rise from one to the next, only the last without it"
        ))
    }
}

/// The error of a check, with a key of the settings.
fn at(
    key: &str,
    value: Decimal,
    check: impl Fn(Decimal) -> Result<Decimal, String>,
) -> Result<Decimal, String> {
    check(value).map_err(|expected| format!("{key}: expected {expected}, found {value}"))
}

fn within(value: Decimal, low: i64, high: i64, what: &str) -> Result<Decimal, String> {
    if (Decimal::from(low)..=Decimal::from(high)).contains(&value) {
        Ok(value)
    } else {
        Err(format!("a {what} from {low} to {high}"))
    }
}

/// Checks a per cent from 0 to 100.
///
/// # Errors
/// The expected form.
pub fn percent(value: Decimal) -> Result<Decimal, String> {
    within(value, 0, 100, "per cent")
}

/// Checks a per cent from 1 to 100.
///
/// # Errors
/// The expected form.
pub fn some_percent(value: Decimal) -> Result<Decimal, String> {
    within(value, 1, 100, "per cent")
}

/// Checks a return from 0 to 1000 per cent.
///
/// # Errors
/// The expected form.
pub fn return_percent(value: Decimal) -> Result<Decimal, String> {
    within(value, 0, 1000, "per cent")
}

/// Checks weeks: above 0, up to 520.
///
/// # Errors
/// The expected form.
pub fn weeks(value: Decimal) -> Result<Decimal, String> {
    if value > Decimal::ZERO && value <= Decimal::from(520) {
        Ok(value)
    } else {
        Err("weeks above 0, up to 520".into())
    }
}

/// Checks a weight in grams: above 0, up to a tonne.
///
/// # Errors
/// The expected form.
pub fn weight(grams: Decimal) -> Result<Decimal, String> {
    if grams > Decimal::ZERO && grams <= Decimal::from(MOST_WEIGHT) {
        Ok(grams)
    } else {
        Err(format!("a weight in grams above 0, up to {MOST_WEIGHT}"))
    }
}

/// Checks minutes of work: a week of days at most.
fn minutes(value: Decimal) -> Result<Decimal, String> {
    within(value, 0, 10_000, "number of minutes")
}

fn money(value: Decimal) -> Result<Decimal, String> {
    within(value, 0, MOST_MONEY, "sum of money")
}
