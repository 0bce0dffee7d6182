//! What to bid as a document, `compband.bid/1`.

use serde::Serialize;

use super::net::{Line, lines};
use super::{Band, Money, VERSION, number};
use crate::deal::bid::{self as deal, Advice, Judged, TOLD, WORST, binding};
use crate::render::bid::{Told, aim, failure};
use crate::render::net::share;
use crate::render::sheet::unit;

/// The most to pay for a unit.
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
    /// Name of the outlet; null where none is known and selling is taken to cost nothing.
    pub outlet: Option<&'a str>,
    /// What is left of the likely price; null without an outlet.
    pub net_of_likely_price: Option<NetOfPrice>,
    /// The repairs, in their order.
    pub repairs: Vec<Repair<'a>>,
    /// Chance that all repairs succeed, 0 to 1.
    pub chance_mended: f64,
    /// Estimate of the same unit for parts, where a repair can fail; null where not needed or a share
    /// was given.
    pub for_parts: Option<ForParts<'a>>,
    /// Share of the price that a unit not mended fetches; null where it has its own estimate.
    pub salvage_share: Option<String>,
    /// Weeks until the money is back.
    pub weeks: String,
    /// The bankroll; null where it is not known.
    pub bankroll: Option<Money>,
    /// The aims.
    pub aims: Vec<Aim>,
    /// Most that may be paid; null where no price would do.
    pub most: Option<Money>,
    /// What comes of paying the most.
    pub at_most: Option<Measures>,
    /// What a given price is worth, where one was given.
    pub against: Option<Against>,
    /// What to be careful about, in plain words.
    pub warnings: &'a [String],
    /// What this is not.
    pub disclaimer: &'static str,
}

/// What is left of the likely price.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct NetOfPrice {
    /// Money that is left.
    pub net: Money,
    /// What leads from the price to the net, line by line; amounts add up to it exactly.
    pub lines: Vec<Line>,
    /// What it costs to sell, as a share of the price.
    pub costs_share: Option<f64>,
}

/// One of them.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Repair<'a> {
    /// What is done.
    pub what: &'a str,
    /// Cost of parts.
    pub parts: Money,
    /// Minutes of work.
    pub minutes: String,
    /// Chance that it succeeds, 0 to 1.
    pub success: f64,
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
    /// What to be careful about, in plain words.
    pub warnings: &'a [String],
}

/// One of them.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Aim {
    /// The aim, in words.
    pub aim: String,
    /// Most that may be paid; null where no price would do.
    pub most: Option<Money>,
    /// Whether it is the one that decides.
    pub binds: bool,
}

/// What a given price is worth.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Against {
    /// What to do at that price.
    pub advice: &'static str,
    /// The price to come down to; null where none would do or none is needed.
    pub haggle_to: Option<Money>,
    /// The aims that are missed, in words.
    pub why: Vec<String>,
    /// What comes of paying so much.
    pub measures: Measures,
}

/// What comes of paying so much.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Measures {
    /// What is paid for the unit.
    pub bid: Money,
    /// Paid for it in all: bid, premium, tax, inbound shipping.
    pub paid_in_all: Money,
    /// Money put in, all parts included.
    pub put_in: Money,
    /// Expected profit.
    pub expected_profit: Money,
    /// The same, work not paid for.
    pub expected_profit_before_work: Money,
    /// Expected profit an hour of work; null without work.
    pub earned_per_hour: Option<Money>,
    /// Points of the distribution of profit.
    pub profit_points: Vec<ProfitPoint>,
    /// Chance of a loss, 0 to 1.
    pub chance_of_loss: f64,
    /// The profit that one time in a hundred is not reached.
    pub worst_plausible: ProfitPoint,
    /// Expected profit on the money put in, 0.2 being 20 %.
    #[serde(rename = "return")]
    pub returned: Option<f64>,
    /// Return on the money in a week, 0.05 being 5 %.
    pub return_per_week: Option<f64>,
    /// Money put in as a share of the bankroll; null where that is not known.
    pub share_of_bankroll: Option<f64>,
    /// Share of the bankroll that would make it grow fastest (Kelly), 0 to 1.
    pub growth_optimal_share: f64,
}

/// One of them.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ProfitPoint {
    /// Chance of at most that profit.
    pub chance: f64,
    /// Profit.
    pub profit: Money,
}

/// The document of a bid.
pub fn document<'a>(content: &Told<'a>) -> Bid<'a> {
    let made = content.made;
    let binds = binding(content.limits);
    let repair = |repair: &'a crate::trade::repair::Repair| Repair {
        what: &repair.what,
        parts: repair.parts.into(),
        minutes: number(repair.minutes),
        success: repair.success,
    };
    let limit = |limit: &deal::Limit| Aim {
        aim: aim(limit.aim, &made.currency),
        most: limit.most.map(Money::from),
        binds: binds == Some(limit),
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
        chance_mended: content.prospect.mended,
        for_parts: content.parts.map(|parts| ForParts {
            likely_price: parts.median.into(),
            low: parts.low.into(),
            high: parts.high.into(),
            warnings: &parts.warnings,
        }),
        salvage_share: content.costs.salvage.map(number),
        weeks: number(content.costs.weeks),
        bankroll: content.bankroll.map(Money::from),
        aims: content.limits.iter().map(limit).collect(),
        most: content.at_most.as_ref().map(|at| at.bid.into()),
        at_most: content.at_most.as_ref().map(measures),
        against: content.asked.as_ref().map(|asked| Against {
            advice: advice(asked),
            haggle_to: match asked.advice {
                Advice::Haggle(to) => Some(to.into()),
                _ => None,
            },
            why: why(asked, &made.currency),
            measures: measures(&asked.measures),
        }),
        warnings: &made.warnings,
        disclaimer: "Reckoned from recorded sales, not a promise; not tax or legal advice.",
    }
}

/// The advice in a word.
pub(super) fn advice(judged: &Judged) -> &'static str {
    match judged.advice {
        Advice::Buy => "buy",
        Advice::Haggle(_) => "haggle",
        Advice::Pass => "pass",
    }
}

/// The aims that are missed, in words.
pub(super) fn why(judged: &Judged, currency: &crate::trade::Currency) -> Vec<String> {
    let missed = judged.failed.iter();
    missed
        .map(|aim| failure(*aim, &judged.measures, currency))
        .collect()
}

/// What comes of paying so much.
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
        profit_points: TOLD
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
