//! Asking prices, and answers to offers, as documents: `compband.ask/1`, `compband.offer/1`.

use serde::Serialize;

use super::{Band, Money, VERSION, number};
use crate::app::ask::{self as app, Asking, Basis, Judged};
use crate::app::places::{Beside, Listed, Pair, PairWeek};
use crate::app::practice::Earns;
use crate::deal::asking::Answer;
use crate::render::ask::{Limits, Row, counter, limits, rows};
use crate::render::sheet::unit;

/// Asking prices for a unit.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Ask<'a> {
    /// The common beginning of both documents.
    #[serde(flatten)]
    pub head: Head<'a>,
    /// Plan and results at the mean rate of offers.
    pub usual: Variant,
    /// The same at the low end of the rate.
    pub few_offers: Variant,
    /// The same at the high end of the rate.
    pub many_offers: Variant,
    /// Results with the best asking price of each week, if another one is given; null otherwise.
    pub best_asking_price: Option<Variant>,
    /// The plan by week.
    pub weeks: Vec<Week>,
    /// Outlets at which to list the unit; two if both at once are better.
    pub list_at: Vec<&'a str>,
    /// The outlets side by side, best first; null if one was given or there is only one. All else here is about
    /// the first of them.
    pub outlets: Option<Vec<ListedAt<'a>>>,
    /// The best outlet and another with buyers of its own at once; null if there is none.
    pub both_at_once: Option<BothAtOnce<'a>>,
    /// Results for a seller in no hurry, whose money earns a quarter of the usual; null if it earns
    /// nothing.
    pub patient_seller: Option<Seller>,
    /// Results for a seller in a hurry, whose money earns four times the usual; null likewise.
    pub hurried_seller: Option<Seller>,
}

/// Results for another return on the money.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Seller {
    /// Return per week on the money from a sale, 0.05 being 5 %.
    pub return_per_week: f64,
    /// Results.
    #[serde(flatten)]
    pub results: Variant,
}

/// A listing at one outlet.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ListedAt<'a> {
    /// Name of the outlet.
    pub outlet: &'a str,
    /// First asking price.
    pub ask: Money,
    /// Lowest offer to accept at once.
    pub take_at_once: Money,
    /// Expected weeks to a sale.
    pub expected_weeks: Option<f64>,
    /// Expected net, after the work of listing and of the sale.
    pub expected_left: Money,
    /// Its present value, after the cost of waiting.
    pub worth_today: Money,
    /// Cost of the work of listing it.
    pub cost_of_listing: Money,
}

/// Listings at two outlets at once.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct BothAtOnce<'a> {
    /// Names of the outlets.
    pub outlets: [&'a str; 2],
    /// Lowest offer to accept at once at each.
    pub take_at_once: [Money; 2],
    /// Expected weeks to a sale.
    pub expected_weeks: Option<f64>,
    /// Expected net, after the work of both listings and of the sale.
    pub expected_left: Money,
    /// Its present value, after the cost of waiting.
    pub worth_today: Money,
    /// Gain over the better listing alone; negative for a loss.
    pub gain: Money,
    /// The plan by week.
    pub weeks: Vec<WeekOfBoth>,
}

/// One week of two listings.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct WeekOfBoth {
    /// Week, from the day of the estimate.
    pub week: usize,
    /// Probability of a sale by its end, 0 to 1.
    pub sold_by: f64,
    /// Asking price at each outlet.
    pub ask: [Money; 2],
    /// Thresholds at each outlet.
    pub thresholds: [Thresholds; 2],
}

/// What to do with offers in some week.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Thresholds {
    /// Accept offers from this price; never above the asking price.
    pub accept_from: Money,
    /// Decline offers below this price; the same as `accept_from` if none is worth an answer.
    pub decline_below: Money,
    /// Smallest answer to the offers in between; null if there are none.
    pub counter_from: Option<Money>,
    /// Largest answer to them.
    pub counter_to: Option<Money>,
}

/// Advice on an offer.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Offer<'a> {
    /// The common beginning of both documents.
    #[serde(flatten)]
    pub head: Head<'a>,
    /// The offer.
    pub offer: Money,
    /// Week, from the day of the estimate.
    pub week: usize,
    /// Accept, counter or wait.
    pub answer: &'static str,
    /// Price to counter with; null where not.
    pub counter: Option<Money>,
    /// Net of the offer.
    pub left_of_offer: Money,
    /// Value of waiting.
    pub worth_of_waiting: Money,
    /// Gain of waiting; negative for a loss.
    pub gain_of_waiting: Money,
    /// Lowest acceptable offer.
    pub lowest_to_take: Money,
    /// What to do with other offers of that week.
    pub thresholds: Thresholds,
    /// The deal, such as `d7`; null if none is named.
    pub deal: Option<String>,
    /// Number of the entry in which the offer is noted; null if it is not.
    pub noted_as_entry: Option<u32>,
}

/// The common beginning of both documents.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Head<'a> {
    /// Name and version of this document.
    pub schema: &'static str,
    /// Version of the program.
    pub compband: &'static str,
    /// ISO 4217 code of all money.
    pub currency: &'a str,
    /// The unit, in words.
    pub unit: String,
    /// Day of the estimate.
    pub as_of: String,
    /// Median price.
    pub likely_price: Money,
    /// Band of the price.
    pub band: Band,
    /// Name of the outlet; null if the book has none and selling counts as free.
    pub outlet: Option<&'a str>,
    /// Inputs of the plan.
    pub reckoned_with: ReckonedWith,
    /// Warnings, in plain words.
    pub warnings: &'a [String],
    /// Disclaimer.
    pub disclaimer: &'static str,
}

/// Inputs of the plan.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ReckonedWith {
    /// Offers per week at the likely price: mean and middle 80 %.
    pub offers_per_week: OffersPerWeek,
    /// Offers for past sales in the ledger; null if none are recorded.
    pub offers_in_ledger: Option<OffersInLedger>,
    /// Offers so far; null if not given.
    pub offers_seen: Option<OffersSeen>,
    /// Buyers per week.
    pub buyers_per_week: f64,
    /// Share of buyers with a limit below the asking price who make an offer.
    pub haggling_percent: String,
    /// Their offer, as a share of the most they would pay.
    pub offered_percent: String,
    /// Number of buyers of whom the best pays an observed price.
    pub buyers_per_sale: String,
    /// Alternative return on the money per week, 0.05 being 5 %.
    pub return_per_week: f64,
    /// Cost of holding the unit for a week.
    pub cost_per_week: Money,
    /// Change of prices per month.
    pub trend_percent_per_month: f64,
    /// Deadline; null without one.
    pub deadline: Option<Deadline>,
    /// The asking price of the first week, if it was given; it may then be lowered. Null if each week has the best one.
    pub asking: Option<Money>,
    /// Minutes of work for a sale.
    pub minutes_per_sale: String,
    /// Their cost.
    pub work_per_sale: Money,
    /// Alternative return on the money per year, 0.5 being 50 %.
    pub return_per_year: f64,
    /// Where it is from: `as said`, `rule of thumb` or `ledger`.
    pub return_from: &'static str,
    /// Return by the ledger alone; null unless it counts.
    pub return_of_ledger: Option<ReturnOfLedger>,
}

/// The return of the ledger.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ReturnOfLedger {
    /// Number of closed deals.
    pub closed: usize,
    /// Profit per week as a share of the average bankroll.
    pub per_week: f64,
}

/// A rate of offers.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OffersPerWeek {
    /// Mean.
    pub mean: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Offers for past sales.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OffersInLedger {
    /// Number of offers.
    pub count: u32,
    /// Number of weeks.
    pub weeks: f64,
}

/// Offers so far.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OffersSeen {
    /// Number of offers.
    pub count: u16,
    /// Number of weeks.
    pub weeks: String,
}

/// Deadline for the sale.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Deadline {
    /// Weeks from the day of the estimate.
    pub weeks: u16,
    /// Net of the unit then.
    pub exit: Money,
}

/// Plan and results for one rate of offers.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Variant {
    /// Offers per week.
    pub offers_per_week: f64,
    /// First asking price.
    pub ask: Money,
    /// Its net.
    pub left_of_ask: Money,
    /// Lowest offer to accept at once; null if none is.
    pub take_at_once: Money,
    /// Expected weeks to a sale.
    pub expected_weeks: Option<f64>,
    /// Expected net.
    pub expected_left: Money,
    /// Its present value, after the cost of waiting.
    pub worth_today: Money,
}

/// One week.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Week {
    /// Week, from the day of the estimate.
    pub week: usize,
    /// Asking price.
    pub ask: Option<Money>,
    /// Lowest acceptable offer.
    pub lowest_to_take: Money,
    /// Probability of a sale by its end, 0 to 1.
    pub sold_by: f64,
    /// What to do with offers.
    pub thresholds: Thresholds,
}

/// The document of asking prices.
pub fn document<'a>(content: &'a Asking<'_>) -> Ask<'a> {
    let [few, many] = &content.others;
    let seller = |at: usize| {
        let (return_per_week, results) = content.sellers.get(at)?;
        Some(Seller {
            return_per_week: *return_per_week,
            results: variant(results),
        })
    };
    let week = |row: &Row| Week {
        week: row.week,
        ask: row.ask.map(Money::from),
        lowest_to_take: row.least.into(),
        sold_by: row.sold_by,
        thresholds: thresholds(&row.limits),
    };
    let beside = content.beside.as_ref();
    let outlet = content.basis.outlet;
    Ask {
        head: head(&content.basis, "compband.ask/1"),
        usual: variant(&content.usual),
        few_offers: variant(few),
        many_offers: variant(many),
        best_asking_price: content.best.as_ref().map(variant),
        weeks: rows(content).iter().map(week).collect(),
        list_at: beside.map_or_else(|| outlet.into_iter().collect(), Beside::list_at),
        outlets: beside.map(|beside| beside.listed.iter().map(listed).collect()),
        both_at_once: beside
            .and_then(|beside| beside.pair.as_ref())
            .map(|pair| both(&content.basis, pair)),
        patient_seller: seller(0),
        hurried_seller: seller(1),
    }
}

fn thresholds(of: &Limits) -> Thresholds {
    Thresholds {
        accept_from: of.accept.into(),
        decline_below: of.decline.into(),
        counter_from: of.counter.map(|(low, _)| low.into()),
        counter_to: of.counter.map(|(_, high)| high.into()),
    }
}

fn listed<'a>(one: &Listed<'a>) -> ListedAt<'a> {
    ListedAt {
        outlet: one.outlet,
        ask: one.ask.into(),
        take_at_once: one.at_once.into(),
        expected_weeks: one.weeks,
        expected_left: one.left.into(),
        worth_today: one.value.into(),
        cost_of_listing: one.listing.into(),
    }
}

fn both<'a>(base: &Basis<'_>, pair: &Pair<'a>) -> BothAtOnce<'a> {
    let week = |week: &PairWeek| WeekOfBoth {
        week: week.week,
        sold_by: week.sold_by,
        ask: week.at.map(|(ask, _)| ask.into()),
        thresholds: week.at.map(|(_, of)| thresholds(&limits(base, &of))),
    };
    BothAtOnce {
        outlets: pair.outlets,
        take_at_once: pair.at_once.map(Money::from),
        expected_weeks: pair.weeks,
        expected_left: pair.left.into(),
        worth_today: pair.value.into(),
        gain: pair.gain.into(),
        weeks: pair.weekly.iter().map(week).collect(),
    }
}

/// The document of the answer to an offer.
pub fn offer_document<'a>(base: &'a Basis<'_>, judged: &Judged) -> Offer<'a> {
    Offer {
        head: head(base, "compband.offer/1"),
        offer: judged.offer.into(),
        week: judged.week,
        answer: match judged.answer {
            Answer::Accept => "accept",
            Answer::Counter(_) => "counter",
            Answer::Wait => "wait",
        },
        counter: counter(base, judged).map(Money::from),
        left_of_offer: judged.left.into(),
        worth_of_waiting: judged.wait.into(),
        gain_of_waiting: (judged.wait - judged.left).into(),
        lowest_to_take: judged.least.into(),
        thresholds: thresholds(&limits(base, &judged.thresholds)),
        deal: None,
        noted_as_entry: None,
    }
}

fn head<'a>(base: &'a Basis<'_>, schema: &'static str) -> Head<'a> {
    let made = &base.made;
    Head {
        schema,
        compband: VERSION,
        currency: &made.currency.code,
        unit: unit(&made.subject),
        as_of: made.as_of.to_string(),
        likely_price: made.median.into(),
        band: Band::of(made),
        outlet: base.outlet,
        reckoned_with: reckoned_with(base),
        warnings: &made.warnings,
        disclaimer: "Worked out from recorded sales, not a promise; not tax or legal advice.",
    }
}

fn reckoned_with(base: &Basis<'_>) -> ReckonedWith {
    let (low, high) = base.offers.range();
    let (count, weeks) = base.noted;
    ReckonedWith {
        offers_per_week: OffersPerWeek {
            mean: base.offers.mean(),
            low,
            high,
        },
        offers_in_ledger: (weeks > 0.0).then_some(OffersInLedger { count, weeks }),
        offers_seen: base.seen.map(|(count, weeks)| OffersSeen {
            count,
            weeks: number(weeks),
        }),
        buyers_per_week: base.buyers,
        haggling_percent: number(base.haggling),
        offered_percent: number(base.offered),
        buyers_per_sale: number(base.per_sale),
        return_per_week: base.per_week,
        cost_per_week: base.cost.into(),
        trend_percent_per_month: base.trend,
        deadline: base.deadline.map(|(weeks, exit)| Deadline {
            weeks,
            exit: exit.into(),
        }),
        asking: base.asking.map(Money::from),
        minutes_per_sale: number(base.work.0),
        work_per_sale: base.work.1.into(),
        return_per_year: base.earns.per_year(),
        return_from: match base.earns {
            Earns::PerYear(_) => "as said",
            Earns::Rule(_) => "rule of thumb",
            Earns::Ledger { .. } => "ledger",
        },
        return_of_ledger: match base.earns {
            Earns::Ledger { recorded, .. } => Some(ReturnOfLedger {
                closed: recorded.closed,
                per_week: recorded.weekly,
            }),
            _ => None,
        },
    }
}

fn variant(of: &app::Variant) -> Variant {
    Variant {
        offers_per_week: of.offers,
        ask: of.ask.into(),
        left_of_ask: of.left_of_ask.into(),
        take_at_once: of.at_once.into(),
        expected_weeks: of.weeks,
        expected_left: of.left.into(),
        worth_today: of.value.into(),
    }
}
