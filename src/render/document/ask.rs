//! What to ask, and the answer to an offer, as documents: `compband.ask/1`, `compband.offer/1`.

use serde::Serialize;

use super::{Band, Money, VERSION, number};
use crate::deal::asking::Answer;
use crate::render::ask::{self as render, Basis, Judged, Told, counter, rows};
use crate::render::sheet::unit;

/// What to ask for a unit.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Ask<'a> {
    /// What both documents begin with.
    #[serde(flatten)]
    pub head: Head<'a>,
    /// What to ask and what comes of it at the mean rate of offers.
    pub usual: Variant,
    /// The same if offers are rare.
    pub few_offers: Variant,
    /// The same if they are frequent.
    pub many_offers: Variant,
    /// What would come of the best asking price of each week, where another is asked; null else.
    pub best_asking_price: Option<Variant>,
    /// Week by week.
    pub weeks: Vec<Week>,
}

/// Whether to take an offer.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Offer<'a> {
    /// What both documents begin with.
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
    /// Money left of the offer.
    pub left_of_offer: Money,
    /// What letting it go is worth.
    pub worth_of_waiting: Money,
    /// What waiting gains; below 0 where it loses.
    pub gain_of_waiting: Money,
    /// Lowest offer to take.
    pub lowest_to_take: Money,
}

/// What both documents begin with.
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
    /// Name of the outlet; null where none is known and selling is taken to cost nothing.
    pub outlet: Option<&'a str>,
    /// What it was reckoned with.
    pub reckoned_with: ReckonedWith,
    /// What to be careful about, in plain words.
    pub warnings: &'a [String],
    /// What this is not.
    pub disclaimer: &'static str,
}

/// What it was reckoned with.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ReckonedWith {
    /// Offers a week where the likely price is asked: mean and the range that holds four times in
    /// five.
    pub offers_per_week: OffersPerWeek,
    /// Offers of past sales in the ledger; null where none are noted.
    pub offers_in_ledger: Option<OffersInLedger>,
    /// Offers seen so far; null where not said.
    pub offers_seen: Option<OffersSeen>,
    /// Buyers a week.
    pub buyers_per_week: f64,
    /// Share of buyers below the asking price who offer.
    pub haggling_percent: String,
    /// What they offer, of the most they would pay.
    pub offered_percent: String,
    /// Buyers of whom the best sets a price.
    pub buyers_per_sale: String,
    /// Return on the money in a week, 0.05 being 5 %.
    pub return_per_week: f64,
    /// Cost of holding the unit a week.
    pub cost_per_week: Money,
    /// Change of prices in a month.
    pub trend_percent_per_month: f64,
    /// Deadline; null without one.
    pub deadline: Option<Deadline>,
    /// Price that is asked all the time; null where the best of each week is.
    pub asking: Option<Money>,
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

/// Offers of past sales.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OffersInLedger {
    /// How many.
    pub count: u32,
    /// In so many weeks.
    pub weeks: f64,
}

/// Offers seen so far.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OffersSeen {
    /// How many.
    pub count: u16,
    /// In so many weeks.
    pub weeks: String,
}

/// When the unit must be sold.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Deadline {
    /// Weeks from the day of the estimate.
    pub weeks: u16,
    /// Money that is left of it then.
    pub exit: Money,
}

/// What to ask, and what comes of it.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Variant {
    /// Offers a week.
    pub offers_per_week: f64,
    /// Price to ask at first.
    pub ask: Money,
    /// Money left of the asking price.
    pub left_of_ask: Money,
    /// An offer from which on to accept at once; null where none is low enough.
    pub take_at_once: Money,
    /// Weeks until it is sold, on average.
    pub expected_weeks: Option<f64>,
    /// Money left on average.
    pub expected_left: Money,
    /// What that is worth today, waiting paid for.
    pub worth_today: Money,
}

/// One of them.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Week {
    /// Week, from the day of the estimate.
    pub week: usize,
    /// Price to ask at first.
    pub ask: Option<Money>,
    /// Lowest offer to take.
    pub lowest_to_take: Money,
    /// Chance that it is sold by its end, 0 to 1.
    pub sold_by: f64,
}

/// The document of what to ask.
pub fn document<'a>(told: &Told<'a>) -> Ask<'a> {
    let [few, many] = &told.others;
    let week = |row: &render::Row| Week {
        week: row.week,
        ask: row.ask.map(Money::from),
        lowest_to_take: row.least.into(),
        sold_by: row.sold_by,
    };
    Ask {
        head: head(&told.basis, "compband.ask/1"),
        usual: variant(&told.usual),
        few_offers: variant(few),
        many_offers: variant(many),
        best_asking_price: told.best.as_ref().map(variant),
        weeks: rows(told).iter().map(week).collect(),
    }
}

/// The document of the answer to an offer.
pub fn offer_document<'a>(base: &Basis<'a>, judged: &Judged) -> Offer<'a> {
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
    }
}

fn head<'a>(base: &Basis<'a>, schema: &'static str) -> Head<'a> {
    let made = base.made;
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
        disclaimer: "Reckoned from recorded sales, not a promise; not tax or legal advice.",
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
    }
}

fn variant(of: &render::Variant) -> Variant {
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
