//! A check of past estimates as a document, `compband.check/1`.

use rust_decimal::prelude::{Decimal, ToPrimitive};
use serde::Serialize;

use crate::backtest::calibration;
use crate::backtest::ratio;
use crate::backtest::selfcheck::{Figures, LEVELS};
use crate::backtest::verdict::{self, Standing};
use crate::band::conflict::{Conflict, Finding};
use crate::render::check::judged;
use crate::render::contradicted::instead;
use crate::settings::Settings;
use crate::settings::statement::text;
use crate::trade::range::RangeUnit;

/// A check of past estimates against the prices paid.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Check<'a> {
    /// `compband.check/1`.
    pub schema: &'static str,
    /// Single sales examined.
    pub sales: usize,
    /// Sales that could be predicted.
    #[serde(rename = "foretold")]
    pub predicted: usize,
    /// Of these, dated ones: predicted from sales of earlier days.
    #[serde(rename = "foretold_from_earlier_sales")]
    pub predicted_from_earlier_sales: usize,
    /// Of these, undated ones: predicted from all others of the model.
    #[serde(rename = "foretold_from_all_others")]
    pub predicted_from_all_others: usize,
    /// Identifiers of sales whose ratio is beyond far-out fences: excluded from ratios and scores.
    pub mistyped: Vec<&'a str>,
    /// Level of all intervals of figures, 0 to 1.
    pub interval_chance: f64,
    /// All sales, then the requested groups.
    pub groups: Vec<Group<'a>>,
    /// Recorded numeric attributes that no family of the settings declares: estimates do not use
    /// them.
    pub undeclared: Undeclared,
    /// Rules of thumb that the sales contradict, of the 200 models with most sales.
    pub contradicted: Contradicted<'a>,
    /// The owner's sales compared with the estimates in the ledger; null if there is none.
    pub own_sales: Option<OwnCheck>,
}

/// The figures of a group of sales. Ratios are of estimate to price paid.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Group<'a> {
    /// Name of the group, `all sales` for the first.
    pub group: &'a str,
    /// Number of predicted sales.
    pub sales: usize,
    /// Median ratio, its interval by the sign test.
    pub median_ratio: Figure,
    /// Mean ratio.
    pub mean_ratio: f64,
    /// Sum of the estimates over the sum of the prices.
    pub weighted_mean_ratio: f64,
    /// Coefficient of dispersion, per cent, with its bootstrap interval; null for one sale.
    pub cod_percent: Option<Figure>,
    /// Price-related differential with its bootstrap interval; null if bias by price cannot be
    /// measured.
    pub prd: Option<Figure>,
    /// Price-related bias with its t interval; null if bias by price cannot be measured.
    pub prb: Option<Figure>,
    /// Median distance of estimate from price, per cent of the price.
    pub median_absolute_percentage_error: f64,
    /// Coverage of the bands of 50, 80 and 90 %.
    pub coverage: Vec<Coverage>,
    /// Mean interval score of the 80 % band, on the logarithm of price; less is better.
    pub mean_interval_score_80_log: f64,
    /// Numbers of sales by the predicted probability of at most their price, in ten bars of equal
    /// width from 0 to 1.
    pub pit_histogram: &'a [usize],
    /// Verdicts on the figures.
    pub verdicts: Vec<Verdict>,
}

impl<'a> Group<'a> {
    /// A group of that name; `helps` as in [`crate::render::check::Sheet`].
    pub fn of(name: &'a str, figures: &'a Figures, helps: bool) -> Self {
        let study = &figures.study;
        let coverage = LEVELS.iter().zip(&figures.coverage);
        Self {
            group: name,
            sales: figures.sales,
            median_ratio: (&study.median).into(),
            mean_ratio: study.mean,
            weighted_mean_ratio: study.weighted_mean,
            cod_percent: study.cod.as_ref().map(Into::into),
            prd: study.prd.as_ref().map(Into::into),
            prb: study.prb.as_ref().map(Into::into),
            median_absolute_percentage_error: study.median_absolute_percentage_error,
            coverage: coverage
                .map(|(level, of)| Coverage::of(*level, of))
                .collect(),
            mean_interval_score_80_log: figures.score,
            pit_histogram: &figures.pit.counts,
            verdicts: judged(name, figures, helps)
                .into_iter()
                .map(Into::into)
                .collect(),
        }
    }
}

/// A figure and its interval.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Figure {
    /// Value for these sales.
    pub value: f64,
    /// Lower end of its interval; null if there are too few sales for one.
    pub low: Option<f64>,
    /// Upper end of its interval; null if there are too few sales for one.
    pub high: Option<f64>,
}

impl From<&ratio::Figure> for Figure {
    fn from(of: &ratio::Figure) -> Self {
        Self {
            value: of.value,
            low: of.interval.map(|interval| interval.low),
            high: of.interval.map(|interval| interval.high),
        }
    }
}

/// One band.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Coverage {
    /// Level of the band, per cent.
    pub chance_percent: u8,
    /// Sales inside their band.
    pub held: usize,
    /// All sales.
    pub of: usize,
    /// Share of sales inside, 0 to 1.
    pub share: f64,
    /// Lower end of its interval, after Clopper and Pearson.
    pub low: f64,
    /// Upper end of its interval, after Clopper and Pearson.
    pub high: f64,
}

impl Coverage {
    fn of(level: u8, of: &calibration::Coverage) -> Self {
        Self {
            chance_percent: level,
            held: of.covered,
            of: of.of,
            share: of.share,
            low: of.interval.low,
            high: of.interval.high,
        }
    }
}

/// One verdict.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Verdict {
    /// `holds`, `open` if there are too few sales to decide, or `fails`.
    pub standing: &'static str,
    /// The finding.
    pub says: String,
    /// Advice; null if nothing needs to be done.
    pub advice: Option<String>,
}

impl From<verdict::Verdict> for Verdict {
    fn from(verdict: verdict::Verdict) -> Self {
        Self {
            standing: match verdict.standing {
                Standing::Holds => "holds",
                Standing::Open => "open",
                Standing::Fails => "fails",
            },
            says: verdict.finding,
            advice: verdict.advice,
        }
    }
}

/// Numeric attributes that no family of the settings declares.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Undeclared {
    /// The columns, those that explain most first.
    pub columns: Vec<Column>,
    /// Lines for compband.toml that declare those with an effect; null if there is none.
    pub settings: Option<String>,
}

/// One attribute.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Column {
    /// Name of its column, such as `attr.area`.
    pub column: String,
    /// Examined sales that have it.
    pub sales: usize,
    /// Share of the variance of log price paid over estimate that it explains within models, 0 to 1
    /// (adjusted R squared); null if it is not significant.
    pub share_explained: Option<f64>,
    /// `doubling` or `unit`, whichever explains more; null as before.
    pub scale: Option<&'static str>,
    /// Change of price for one step of the scale, per cent; null as before.
    pub percent_per_step: Option<f64>,
}

/// Rules of thumb that the sales contradict.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Contradicted<'a> {
    /// The rules, those with the largest effect first.
    pub rules: Vec<Rule<'a>>,
    /// All lines under their headings; each replaces one for the same. Null if there is none.
    pub settings: Option<String>,
}

impl<'a> Contradicted<'a> {
    /// These rules, with the lines of the settings in their place.
    pub fn of(conflicts: &'a [Conflict], settings: &Settings) -> Self {
        let sections = instead(conflicts, settings);
        Self {
            rules: conflicts
                .iter()
                .map(|conflict| Rule::of(conflict, settings))
                .collect(),
            settings: (!sections.is_empty()).then(|| text(&sections)),
        }
    }
}

/// One rule.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Rule<'a> {
    /// Subject of the rule, in words.
    pub what: &'a str,
    /// Whether the settings state it; otherwise it is a default.
    pub stated: bool,
    /// `percent` of the price, or `money`.
    pub unit: &'static str,
    /// Low end of the rule, with its sign: negative for a reduction.
    pub low: f64,
    /// High end.
    pub high: f64,
    /// Models whose sales contradict it.
    pub models: Vec<Model<'a>>,
    /// Heading in the settings under which `line` belongs.
    pub under: String,
    /// Line of the settings that states a rule which the sales do not contradict.
    pub line: String,
}

impl<'a> Rule<'a> {
    fn of(conflict: &'a Conflict, settings: &Settings) -> Self {
        let (under, line) = conflict.instead.line(settings);
        let against = &conflict.findings[..conflict.against];
        Self {
            what: &conflict.label,
            stated: conflict.rule.stated,
            unit: match conflict.as_effect.unit {
                RangeUnit::Percent => "percent",
                RangeUnit::Money => "money",
            },
            low: float(conflict.as_effect.low),
            high: float(conflict.as_effect.high),
            models: against.iter().map(Model::of).collect(),
            under,
            line,
        }
    }
}

fn float(end: Decimal) -> f64 {
    end.to_f64().unwrap_or(f64::NAN)
}

/// One model.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Model<'a> {
    /// The model.
    pub model: &'a str,
    /// Subject of the rule for this model, in words.
    pub what: &'a str,
    /// Sales of the fit.
    pub sales: usize,
    /// Number of these that inform it.
    pub informed_by: usize,
    /// Low end of the middle 80 % by these sales alone, with its sign, in the unit of the rule.
    pub low: f64,
    /// High end.
    pub high: f64,
    /// p-value of the sales if the rule were right, 0 to 1.
    pub chance: f64,
}

impl<'a> Model<'a> {
    fn of(one: &'a Finding) -> Self {
        let observed = one.observed();
        Self {
            model: &one.model,
            what: &one.label,
            sales: one.sales,
            informed_by: one.informed_by,
            low: float(observed.low),
            high: float(observed.high),
            chance: one.chance(),
        }
    }
}

/// The owner's sales compared with the estimates in the ledger.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OwnCheck {
    /// The estimates on the day of the purchase; null if no sale has one.
    pub when_bought: Option<OwnSales>,
    /// The estimates on the day of the sale; null if no sale has one.
    pub when_sold: Option<OwnSales>,
}

/// The estimates on one kind of day.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OwnSales {
    /// Sales in the ledger with such an estimate.
    pub sales: usize,
    /// Median of estimate over price paid.
    pub median_ratio: f64,
    /// Sales inside their band.
    pub held: usize,
    /// Share of all, 0 to 1.
    pub share: f64,
    /// Average level of the bands, per cent.
    pub foreseen_percent: f64,
}
