//! An estimate as a document, `compband.estimate/1`.

use serde::Serialize;

use super::{Attribute, Counted, Money, VERSION, attributes, items};
use crate::band::estimate as band;
use crate::select::{Dropped as DroppedBy, Subject};
use crate::trade::Currency;
use crate::trade::comp::basis_word;

/// Bands in every document in addition to the requested one, per cent.
const BANDS: [u8; 4] = [50, 80, 90, 95];

/// An estimate.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Estimate<'a> {
    /// `compband.estimate/1`.
    pub schema: &'static str,
    /// Version of the program.
    pub compband: &'static str,
    /// Day of the estimate, ISO 8601.
    pub as_of: String,
    /// ISO 4217 code of all money.
    pub currency: &'a str,
    /// `delivered` (price and shipping) or `item`.
    pub price_basis: &'static str,
    /// The unit, with assumed facts filled in.
    pub unit: Unit<'a>,
    /// Assumed facts: unknown ones that are taken from most of the comps.
    pub assumptions: &'a [String],
    /// Median of the predictive distribution.
    pub likely_price: Money,
    /// The requested band.
    pub band: Band<Money>,
    /// Bands of 50, 80, 90 and 95 %.
    pub bands: Vec<Band<Option<Money>>>,
    /// Coverage of the bands of the newest past sales in the book, each predicted from earlier
    /// days; null for fewer than 10 sales or a large book without a check.
    pub checked_on_book: Option<CheckedOnBook>,
    /// The evidence.
    pub evidence: Evidence,
    /// Adjustments, in the order of the regression.
    pub adjustments: Vec<Adjustment<'a>>,
    /// Examined comps, newest first.
    pub comps: Vec<Comp<'a>>,
    /// Warnings.
    pub warnings: &'a [String],
    /// The predictive density: pairs of price and density per unit of money, ascending.
    pub density: Vec<Vec<f64>>,
    /// The estimate is not a promise.
    pub disclaimer: &'static str,
}

/// The unit, with assumed facts filled in.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Unit<'a> {
    /// Model.
    pub model: &'a str,
    /// Variant.
    pub variant: Option<&'a str>,
    /// Level of the scale.
    pub completeness: Option<&'a str>,
    /// Grade.
    pub grade: Option<&'a str>,
    /// Pieces missing.
    pub missing: Vec<Counted<'a>>,
    /// Extras.
    pub extras: Vec<Counted<'a>>,
    /// Defects.
    pub defects: Vec<Counted<'a>>,
    /// Numeric attributes.
    pub attributes: Vec<Attribute<'a>>,
    /// False for parts only.
    pub works: bool,
    /// `auction`, `fixed` or `offer`.
    pub how_sold: Option<&'static str>,
}

/// One band.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Band<M> {
    /// Level of the band, per cent.
    pub chance_percent: u8,
    /// Lower end.
    pub low: M,
    /// Upper end.
    pub high: M,
    /// Origin of the band: `model`. Documents of earlier versions may have `leave-one-out
    /// residuals` here, with their `share` of the band, 0 to 1, and the number of their `comps`.
    pub made_by: MadeBy,
}

/// Origin of the band.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct MadeBy {
    /// `model`.
    pub kind: &'static str,
}

/// Coverage of the bands of the newest past sales in the book.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct CheckedOnBook {
    /// Level of those bands, per cent.
    pub chance_percent: u8,
    /// Sales inside their band.
    pub held: usize,
    /// Predicted sales.
    pub of: usize,
    /// Factor by which they widen this band.
    pub widening: f64,
}

/// The evidence.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Evidence {
    /// Comps of the model in the book.
    pub comps_seen: usize,
    /// Comps of the fit.
    pub comps_used: usize,
    /// Number of these without a recorded day, which have the average age.
    pub comps_undated: usize,
    /// Number of these that were paid in another currency.
    pub comps_converted: usize,
    /// Effective number of these, by age and fit.
    pub effective_comps: f64,
    /// Other models that an adjustment uses.
    pub other_models: usize,
    /// Number of comps of these models.
    pub other_models_comps: usize,
    /// Newest day used.
    pub newest: Option<String>,
    /// Oldest day used.
    pub oldest: Option<String>,
    /// Days on which the prices of the model stepped up or down, if certain.
    pub steps: Vec<Step>,
    /// Change of price per month, per cent; null if it cannot be estimated.
    pub trend_percent_per_month: Option<Percent>,
    /// Standard deviation of single sales around the level of such units, per cent.
    pub spread_percent: f64,
    /// Half the width of the middle 80 % for the unit's price level, per cent; more comps reduce
    /// it.
    pub level_percent: f64,
    /// Half the width of the middle 80 % of single sales around that level, per cent; more comps do
    /// not reduce it.
    pub sale_percent: f64,
    /// Widening steps of the selection.
    pub widening: Vec<Widening>,
    /// Points with weight in the grid over residual scale and error distribution.
    pub fit_rounds: usize,
    /// Whether the points with nearly all of the weight have converged.
    pub fit_settled: bool,
}

/// One step.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Step {
    /// Approximate day, YYYY-MM-DD: the middle of the time between two sales.
    pub day: String,
    /// Change of price, per cent.
    pub percent: Percent,
    /// Probability of the step.
    pub probability: f64,
}

/// Change of price, per cent.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Percent {
    /// The value.
    pub value: f64,
    /// 10 % quantile.
    pub low: f64,
    /// 90 % quantile.
    pub high: f64,
}

/// One step.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Widening {
    /// Sales that it includes.
    pub step: &'static str,
    /// Number of comps it added.
    pub brought: usize,
    /// Number of comps after it.
    pub total: usize,
}

/// Effect of one more on this unit, all else being equal.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Adjustment<'a> {
    /// Name of the adjustment.
    pub what: &'a str,
    /// Amount in the unit.
    pub on_unit: f64,
    /// By rule of thumb.
    pub rule_of_thumb: MoneySpread,
    /// The rule of thumb updated by other models; null if none has an estimate.
    pub from_other_models: Option<FromOtherModels>,
    /// By the comps alone; null if they have no information.
    pub from_comps: Option<MoneySpread>,
    /// As used.
    pub used: MoneySpread,
    /// As used, per cent of the price.
    pub used_percent: f64,
    /// `rule of thumb`, `your other models`, `both` (this model's comps and the prior) or `your
    /// comps`.
    pub source: &'static str,
    /// Share of the information from comps, 0 to 1.
    pub share_from_comps: f64,
    /// Comps in the smaller of the groups with and without it.
    pub comps_informing: usize,
    /// Always false: a sign truncates the belief and fixes nothing at zero.
    pub held_at_zero_by_sign: bool,
}

/// An amount with its middle 80 %.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct MoneySpread {
    /// The value.
    pub value: Option<Money>,
    /// 10 % quantile.
    pub low: Option<Money>,
    /// 90 % quantile.
    pub high: Option<Money>,
}

/// The rule of thumb updated by other models.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct FromOtherModels {
    /// The updated rule.
    pub money: MoneySpread,
    /// Number of models.
    pub models: usize,
    /// Share of its information that comes from them rather than from the rule, 0 to 1.
    pub share: f64,
}

/// One comp of the model.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Comp<'a> {
    /// Identifier.
    pub comp_id: &'a str,
    /// File and row from which it was read.
    pub origin: &'a str,
    /// Day of the sale, ISO 8601; null if not recorded.
    pub sold_on: Option<String>,
    /// As recorded, or empty.
    pub variant: &'a str,
    /// As recorded, or empty.
    pub completeness: &'a str,
    /// As recorded, or empty.
    pub grade: &'a str,
    /// Missing pieces, in addition to those that the completeness implies.
    pub missing: Vec<Counted<'a>>,
    /// Extras, in addition to what the completeness implies.
    pub extras: Vec<Counted<'a>>,
    /// Defects.
    pub defects: Vec<Counted<'a>>,
    /// Numeric attributes.
    pub attributes: Vec<Attribute<'a>>,
    /// False for parts only.
    pub works: bool,
    /// `auction`, `fixed`, `offer`, or null if not recorded.
    pub how_sold: Option<&'static str>,
    /// Price paid, on the price basis.
    pub paid: Money,
    /// Amount paid in another currency, and its exchange rate; null if it was paid in the book's.
    pub converted_from: Option<Foreign<'a>>,
    /// Price adjusted to this unit and day; null if not examined.
    pub adjusted: Option<Money>,
    /// Weight by age and fit; the largest is 1; 0 if not used.
    pub weight: f64,
    /// Whether it is part of the fit.
    pub used: bool,
    /// Kept by --keep.
    pub kept_by_hand: bool,
    /// Reason why it is not used; null if it is.
    pub dropped: Option<Dropped>,
}

/// Amount paid in another currency.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Foreign<'a> {
    /// ISO 4217 code.
    pub currency: &'a str,
    /// Price of the item in that currency.
    pub price: String,
    /// Shipping in that currency.
    pub shipping: String,
    /// Value of one unit of it in the book's currency, a decimal number.
    pub rate: String,
    /// Day of the rate.
    #[cfg_attr(test, schemars(extend("format" = "date")))]
    pub rate_date: String,
    /// Source of the rate.
    pub rate_source: &'a str,
}

/// Reason why a comp is not used.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Dropped {
    /// `later`, `lot`, `parts-only`, `working`, `through-rule`, `not-needed`, `surplus`, `by-hand`,
    /// `gross-error`, `outlier`.
    pub code: &'static str,
    /// The reason in words.
    pub reason: String,
}

/// The document of an estimate.
pub fn document(made: &band::Estimate) -> Estimate<'_> {
    let money = |value: f64| statistic(&made.currency, value);
    Estimate {
        schema: "compband.estimate/1",
        compband: VERSION,
        as_of: made.as_of.to_string(),
        currency: &made.currency.code,
        price_basis: basis_word(made.basis),
        unit: unit(&made.subject),
        assumptions: &made.assumptions,
        likely_price: made.median.into(),
        band: band_of(made.level, made.low.into(), made.high.into()),
        bands: BANDS
            .map(|chance| {
                let (low, high) = made.outcome.band(f64::from(chance) / 100.0);
                band_of(chance, money(low.exp()), money(high.exp()))
            })
            .into(),
        checked_on_book: made.recalibration.map(|own| CheckedOnBook {
            chance_percent: 80,
            held: own.covered,
            of: own.of,
            widening: own.widening,
        }),
        evidence: evidence(made),
        adjustments: made
            .adjustments
            .iter()
            .map(|one| adjustment(&made.currency, one))
            .collect(),
        comps: made
            .comps
            .iter()
            .map(|line| comp(&made.currency, line))
            .collect(),
        warnings: &made.warnings,
        density: made
            .density()
            .iter()
            .map(|&(price, density)| vec![price, density])
            .collect(),
        disclaimer: "An estimate from recorded sales, not a promise; not tax or legal advice.",
    }
}

fn statistic(currency: &Currency, value: f64) -> Option<Money> {
    currency.from_statistics(value).map(Money::from)
}

fn unit(subject: &Subject) -> Unit<'_> {
    Unit {
        model: &subject.model,
        variant: subject.variant.as_deref(),
        completeness: subject.completeness.as_deref(),
        grade: subject.grade.as_deref(),
        missing: items(&subject.missing),
        extras: items(&subject.extras),
        defects: items(&subject.defects),
        attributes: attributes(&subject.attributes),
        works: subject.works,
        how_sold: subject.how_sold.map(|how| how.as_str()),
    }
}

fn band_of<M>(chance_percent: u8, low: M, high: M) -> Band<M> {
    Band {
        chance_percent,
        low,
        high,
        made_by: MadeBy { kind: "model" },
    }
}

fn percent(of: &band::Spread) -> Percent {
    Percent {
        value: of.value,
        low: of.low,
        high: of.high,
    }
}

fn evidence(made: &band::Estimate) -> Evidence {
    let evidence = &made.evidence;
    let step = |step: &band::PriceStep| Step {
        day: step.day.to_string(),
        percent: percent(&step.percent),
        probability: step.probability,
    };
    let widening = |step: &crate::select::Step| Widening {
        step: step.label(),
        brought: step.brought,
        total: step.total,
    };
    Evidence {
        comps_seen: evidence.seen,
        comps_used: evidence.used,
        comps_undated: evidence.undated,
        comps_converted: evidence.converted,
        effective_comps: evidence.effective,
        other_models: evidence.other_models,
        other_models_comps: evidence.other_comps,
        newest: evidence.newest.map(|day| day.to_string()),
        oldest: evidence.oldest.map(|day| day.to_string()),
        steps: evidence.steps.iter().map(step).collect(),
        trend_percent_per_month: evidence.trend_percent.as_ref().map(percent),
        spread_percent: evidence.spread_percent,
        level_percent: evidence.level_percent,
        sale_percent: evidence.sale_percent,
        widening: made.steps.iter().map(widening).collect(),
        fit_rounds: evidence.places,
        fit_settled: evidence.settled,
    }
}

fn adjustment<'a>(currency: &Currency, of: &'a band::Adjustment) -> Adjustment<'a> {
    let money = |spread: &band::Spread| MoneySpread {
        value: statistic(currency, spread.value),
        low: statistic(currency, spread.low),
        high: statistic(currency, spread.high),
    };
    Adjustment {
        what: &of.label,
        on_unit: of.on_unit,
        rule_of_thumb: money(&of.rule),
        from_other_models: of.others.as_ref().map(|others| FromOtherModels {
            money: money(&others.spread),
            models: others.models,
            share: others.share,
        }),
        from_comps: of.comps.as_ref().map(money),
        used: money(&of.used),
        used_percent: of.used_percent,
        source: of.source().label(),
        share_from_comps: of.from_comps,
        comps_informing: of.informed_by,
        held_at_zero_by_sign: false,
    }
}

fn comp<'a>(currency: &Currency, line: &'a band::CompLine) -> Comp<'a> {
    let comp = &line.comp;
    Comp {
        comp_id: &comp.comp_id,
        origin: &comp.origin,
        sold_on: comp.sold_on.map(|day| day.to_string()),
        variant: &comp.variant,
        completeness: &comp.completeness,
        grade: &comp.grade,
        missing: items(&comp.missing),
        extras: items(&comp.extras),
        defects: items(&comp.defects),
        attributes: attributes(&comp.attributes),
        works: comp.works,
        how_sold: comp.how_sold.map(|how| how.as_str()),
        paid: comp.paid.into(),
        converted_from: comp.foreign.as_deref().map(|paid| Foreign {
            currency: &paid.currency,
            price: Money::from(paid.price).0,
            shipping: Money::from(paid.shipping).0,
            rate: super::number(paid.rate.value),
            rate_date: paid.rate.date.to_string(),
            rate_source: &paid.rate.source,
        }),
        adjusted: line.adjusted.and_then(|price| statistic(currency, price)),
        weight: line.weight,
        used: comp.dropped.is_none(),
        kept_by_hand: comp.pinned,
        dropped: comp.dropped.map(|why: DroppedBy| Dropped {
            code: why.code(),
            reason: why.reason(),
        }),
    }
}
