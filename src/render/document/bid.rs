//! The bid as a document, `compband.bid/1`.

use serde::Serialize;

use super::net::{Line, lines};
use super::{Band, Counted, Money, VERSION, number};
use crate::app::bid as app;
use crate::app::sale_time::WeeksFrom;
use crate::deal::bid::{self as deal, Advice, Judged, PROFIT_LEVELS, WORST, binding};
use crate::deal::haggle::Discounts;
use crate::deal::prospect::{Failure, from_minor};
use crate::render::bid::{advice_words, aim};
use crate::render::net::share;
use crate::render::sheet::unit;

/// The highest bid for a unit.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Bid<'a> {
    /// Name and version of this document.
    pub schema: &'static str,
    /// Version of the program.
    pub compband: &'static str,
    /// ISO 4217 code of all money.
    pub currency: &'a str,
    /// The unit, in words.
    pub unit: String,
    /// Median price.
    pub likely_price: Money,
    /// Band of the price.
    pub band: Band,
    /// Name of the outlet; null if the book has none and selling counts as free.
    pub outlet: Option<&'a str>,
    /// Net of the likely price; null without an outlet.
    pub net_of_likely_price: Option<NetOfPrice>,
    /// The repairs, in their order.
    pub repairs: Vec<Repair<'a>>,
    /// Probability that all repairs succeed, 0 to 1.
    pub chance_mended: f64,
    /// Estimate of the same unit for parts, if a repair can fail; null if not needed or if a
    /// salvage share was given.
    pub for_parts: Option<ForParts<'a>>,
    /// Price of an unrepaired unit as a share of the repaired price; null if it has its own
    /// estimate.
    pub salvage_share: Option<String>,
    /// Weeks from payment to the proceeds.
    pub weeks: String,
    /// The bankroll; null if not known.
    pub bankroll: Option<Money>,
    /// The aims.
    pub aims: Vec<Aim>,
    /// Highest bid that meets every aim; null if none does.
    pub most: Option<Money>,
    /// Result at the highest bid.
    pub at_most: Option<Measures>,
    /// Verdict on a given price, if one was given.
    pub against: Option<Against>,
    /// Warnings, in plain words.
    pub warnings: &'a [String],
    /// Disclaimer.
    pub disclaimer: &'static str,
    /// The cash; null if not known.
    pub cash: Option<Money>,
    /// Whether the cash is assumed to be the bankroll less the stock, as the ledger has no money paid in.
    pub cash_assumed: bool,
    /// Probability that all the money invested is lost, 0 to 1, counted in everywhere.
    pub chance_of_total_loss: f64,
    /// Where the weeks are from: `as said` or `asking policy`.
    pub weeks_from: &'static str,
    /// Change of prices over these weeks, per cent, counted in everywhere.
    pub price_change_percent: f64,
    /// Cost of holding the unit over these weeks, counted in everywhere.
    pub holding_cost: Money,
    /// What to offer the seller; null without a given price, and if the advice is to pass.
    pub offers: Option<Offers>,
    /// How far sellers come down.
    pub sellers: Sellers,
    /// What the parts from the drawer cost to replace: the profit counts it, the money invested does not.
    pub parts_from_drawer: Money,
    /// What becomes of the unit if a repair fails, for each that can.
    pub if_repair_fails: Vec<IfFails<'a>>,
}

/// What to offer a seller.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Offers {
    /// The first offer.
    pub open: Money,
    /// The price to aim for.
    pub target: Money,
    /// The price to walk away above.
    pub walk_away: Money,
    /// Probability that the seller comes down to it, 0 to 1.
    pub chance_agreed: f64,
}

/// How far sellers come down from what they ask.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Sellers {
    /// Discount that one seller in ten does not give, per cent.
    pub low_percent: f64,
    /// Discount that half of them give, per cent.
    pub middle_percent: f64,
    /// Discount that one in ten gives, per cent.
    pub high_percent: f64,
    /// Number of own purchases that this was learnt from, besides the settings.
    pub learnt_from: usize,
}

/// Net of the likely price.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct NetOfPrice {
    /// Net amount.
    pub net: Money,
    /// The lines from the price to the net, which sum to it exactly.
    pub lines: Vec<Line>,
    /// Selling costs as a share of the price.
    pub costs_share: Option<f64>,
}

/// One repair.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Repair<'a> {
    /// Description.
    pub what: &'a str,
    /// Cost of parts.
    pub parts: Money,
    /// Minutes of work.
    pub minutes: String,
    /// Probability of success, 0 to 1.
    pub success: f64,
    /// Probability that a failure spoils the parts, 0 to 1.
    pub spoils: f64,
    /// The part taken from the drawer; null if parts are bought. `parts` is then what it costs to replace.
    pub from_drawer: Option<Counted<'a>>,
}

/// What becomes of the unit if a repair fails.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct IfFails<'a> {
    /// The repair.
    pub repair: &'a str,
    /// Whether taking it apart leaves more than selling it whole.
    pub take_apart: bool,
    /// Expected money left if it is sold whole.
    pub sold_whole: Money,
    /// What its parts are worth; null if no value is known.
    pub parts_worth: Option<Money>,
    /// Cost of the work of taking it apart.
    pub work: Money,
}

/// Estimate of the same unit for parts.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ForParts<'a> {
    /// Median price.
    pub likely_price: Money,
    /// Lower end.
    pub low: Money,
    /// Upper end.
    pub high: Money,
    /// Warnings, in plain words.
    pub warnings: &'a [String],
}

/// One aim.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Aim {
    /// The aim, in words.
    pub aim: String,
    /// Highest bid that meets it; null if none does.
    pub most: Option<Money>,
    /// Whether it is the binding one.
    pub binds: bool,
    /// What it limits: `profit`, `return`, `loss`, `risk` (the stake) or `cash`.
    pub kind: &'static str,
    /// Most money to invest by this aim, parts included; null unless it is `risk` or `cash`.
    pub put_in_at_most: Option<Money>,
}

/// Verdict on a given price.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Against {
    /// Advice at that price.
    pub advice: &'static str,
    /// The price to negotiate; null if none would do or none is needed.
    pub haggle_to: Option<Money>,
    /// The aims that the price does not meet, in words.
    pub why: Vec<String>,
    /// Result at that price.
    pub measures: Measures,
}

/// Result of a purchase at a price.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Measures {
    /// Bid.
    pub bid: Money,
    /// Total price: bid, premium, tax, inbound shipping.
    pub paid_in_all: Money,
    /// Stake, including all parts.
    pub put_in: Money,
    /// Expected profit.
    pub expected_profit: Money,
    /// Expected profit before the cost of work.
    pub expected_profit_before_work: Money,
    /// Expected profit before the cost of work, per hour of work; null without work.
    pub earned_per_hour: Option<Money>,
    /// Quantiles of the profit.
    pub profit_points: Vec<ProfitPoint>,
    /// Probability of a loss, 0 to 1.
    pub chance_of_loss: f64,
    /// The profit that is exceeded with probability 0.99.
    pub worst_plausible: ProfitPoint,
    /// Expected profit as a share of the stake, 0.2 being 20 %.
    #[serde(rename = "return")]
    pub returned: Option<f64>,
    /// Return per week, 0.05 being 5 %.
    pub return_per_week: Option<f64>,
    /// Stake as a share of the bankroll; null if that is not known.
    pub share_of_bankroll: Option<f64>,
    /// Growth-optimal share of the bankroll (Kelly), 0 to 1.
    pub growth_optimal_share: f64,
}

/// One quantile of the profit.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ProfitPoint {
    /// Probability of at most that profit.
    pub chance: f64,
    /// Profit.
    pub profit: Money,
}

/// The document of a bid.
pub fn document<'a>(content: &'a app::Bid<'_>) -> Bid<'a> {
    let made = &content.weighed.made;
    let binds = binding(&content.limits);
    let repair = |repair: &'a crate::trade::repair::Repair| Repair {
        what: &repair.what,
        parts: repair.parts.into(),
        minutes: number(repair.minutes),
        success: repair.success,
        spoils: repair.spoils,
        from_drawer: repair.drawer.as_ref().map(|part| Counted {
            name: &part.name,
            count: part.count,
        }),
    };
    let limit = |limit: &deal::Limit| Aim {
        aim: aim(limit.aim, &made.currency),
        most: limit.most.map(Money::from),
        binds: binds == Some(limit),
        kind: kind(limit.aim),
        put_in_at_most: limit.ceiling.map(Money::from),
    };
    Bid {
        schema: "compband.bid/1",
        compband: VERSION,
        currency: &made.currency.code,
        unit: unit(&made.subject),
        likely_price: made.median.into(),
        band: Band::of(made),
        outlet: content.outlet,
        net_of_likely_price: content.net.as_ref().map(|net| NetOfPrice {
            net: net.net.into(),
            lines: lines(net),
            costs_share: share(net),
        }),
        repairs: content.costs.repairs.iter().map(repair).collect(),
        chance_mended: content.weighed.prospect.repaired,
        for_parts: content.weighed.parts.as_ref().map(|parts| ForParts {
            likely_price: parts.median.into(),
            low: parts.low.into(),
            high: parts.high.into(),
            warnings: &parts.warnings,
        }),
        salvage_share: content.costs.salvage.map(number),
        weeks: number(content.weighed.time.weeks),
        bankroll: content.funds.bankroll.map(Money::from),
        aims: content.limits.iter().map(limit).collect(),
        most: content.at_most.as_ref().map(|at| at.bid.into()),
        at_most: content.at_most.as_ref().map(measures),
        against: content.asked.as_ref().map(|asked| Against {
            advice: advice(asked),
            haggle_to: match asked.advice {
                Advice::Haggle(to) => Some(to.into()),
                _ => None,
            },
            why: advice_words(asked, &made.currency).1,
            measures: measures(&asked.measures),
        }),
        warnings: &made.warnings,
        disclaimer: "Worked out from recorded sales, not a promise; not tax or legal advice.",
        cash: content.funds.cash.map(|cash| cash.amount.into()),
        cash_assumed: content.funds.cash.is_some_and(|cash| cash.assumed),
        chance_of_total_loss: content.weighed.prospect.lost,
        weeks_from: match content.weighed.time.from {
            WeeksFrom::Stated => "as said",
            WeeksFrom::Policy => "asking policy",
        },
        price_change_percent: content.weighed.time.change,
        holding_cost: content.weighed.time.holding.into(),
        offers: content.asked.as_ref().and_then(offers),
        sellers: sellers(&content.practice.sellers.discounts),
        parts_from_drawer: from_minor(content.weighed.prospect.drawer, &made.currency).into(),
        if_repair_fails: if_repair_fails(content),
    }
}

/// What to offer a seller.
pub(super) fn offers(judged: &Judged) -> Option<Offers> {
    let offers = judged.offers.as_ref()?;
    Some(Offers {
        open: offers.open.into(),
        target: offers.target.into(),
        walk_away: offers.walk_away.into(),
        chance_agreed: offers.agreed,
    })
}

fn sellers(discounts: &Discounts) -> Sellers {
    let percent = |p| 100.0 * discounts.quantile(p);
    Sellers {
        low_percent: percent(0.1),
        middle_percent: percent(0.5),
        high_percent: percent(0.9),
        learnt_from: discounts.learnt_from,
    }
}

fn if_repair_fails<'a>(content: &'a app::Bid<'_>) -> Vec<IfFails<'a>> {
    let currency = &content.weighed.made.currency;
    let one = |failure: &Failure| IfFails {
        repair: &content.costs.repairs[failure.repair].what,
        take_apart: failure.is_harvested(),
        sold_whole: from_minor(failure.whole.round_ties_even() as i64, currency).into(),
        parts_worth: (!failure.parts.is_empty())
            .then(|| from_minor(failure.value, currency).into()),
        work: from_minor(failure.work, currency).into(),
    };
    let failures = &content.weighed.prospect.failures;
    failures.iter().map(one).collect()
}

/// What an aim limits, as a code.
fn kind(aim: deal::Aim) -> &'static str {
    match aim {
        deal::Aim::Profit(_) => "profit",
        deal::Aim::Return(_) => "return",
        deal::Aim::Loss(_) => "loss",
        deal::Aim::Stake { .. } => "risk",
        deal::Aim::Cash(_) => "cash",
    }
}

/// The advice as a code.
pub(super) fn advice(judged: &Judged) -> &'static str {
    match judged.advice {
        Advice::Buy => "buy",
        Advice::Haggle(_) => "haggle",
        Advice::Pass => "pass",
    }
}

/// Result of a purchase at a price.
pub(super) fn measures(at: &deal::Measures) -> Measures {
    let point = |chance, profit: rust_decimal::Decimal| ProfitPoint {
        chance,
        profit: profit.into(),
    };
    Measures {
        bid: at.bid.into(),
        paid_in_all: at.cost.into(),
        put_in: at.stake.into(),
        expected_profit: at.profit.into(),
        expected_profit_before_work: at.before_work.into(),
        earned_per_hour: at.per_hour.map(Money::from),
        profit_points: PROFIT_LEVELS
            .iter()
            .zip(at.points)
            .map(|(chance, profit)| point(*chance, profit))
            .collect(),
        chance_of_loss: at.loss,
        worst_plausible: point(WORST, at.worst),
        returned: at.returned,
        return_per_week: at.per_week,
        share_of_bankroll: at.staked,
        growth_optimal_share: at.growth,
    }
}
