//! A finished estimate: price, band, adjustments, the comps and the evidence.

use crate::band::conflict::Conflict;
use crate::band::fitting::Spread;
use crate::band::outcome::Outcome;
use crate::band::recalibration::Recalibration;
use crate::fit::term::{Fact, Term};
use crate::select::Candidate;
use crate::select::Step;
use crate::trade::Unit;
use crate::trade::comp::PriceBasis;
use crate::trade::currency::Currency;
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// Origin of an adjustment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// The rule of thumb: comps of the model give under a fifth of the information, and other
    /// models at most half of the rest.
    RuleOfThumb,
    /// Other models: comps of the model give under a fifth, and other models more than half of the
    /// rest.
    OtherModels,
    /// Comps of the model together with the prior.
    Both,
    /// The comps of the model (over four fifths).
    Comps,
}

impl Source {
    /// The origin by the share of the information that comes from comps of the model; `others` is whether
    /// most of the rest comes from other models.
    pub(super) fn of(share: f64, others: bool) -> Self {
        match share {
            share if share < 0.2 && others => Self::OtherModels,
            share if share < 0.2 => Self::RuleOfThumb,
            share if share > 0.8 => Self::Comps,
            _ => Self::Both,
        }
    }

    /// Word for tables and JSON.
    pub fn label(self) -> &'static str {
        match self {
            Self::RuleOfThumb => "rule of thumb",
            Self::OtherModels => "your other models",
            Self::Both => "both",
            Self::Comps => "your comps",
        }
    }
}

/// One row of the table of adjustments. Money is for *this* unit: the effect of one more, all else
/// being equal.
#[derive(Debug, Clone, PartialEq)]
pub struct Adjustment {
    /// The term.
    pub term: Term,
    /// Name for the reader.
    pub label: String,
    /// Amount in the unit (a share if not recorded; months for the trend).
    pub on_unit: f64,
    /// Rule of thumb, money.
    pub rule: Spread,
    /// The rule updated by other models, if they have estimates.
    pub others: Option<Others>,
    /// From the comps alone, money; none if they have no information.
    pub comps: Option<Spread>,
    /// As used, money.
    pub used: Spread,
    /// As used, per cent of the price.
    pub used_percent: f64,
    /// Comps that inform it.
    pub informed_by: usize,
    /// Share of the information that comes from the comps, 0..=1.
    pub from_comps: f64,
    /// Largest amount in a comp.
    pub most: f64,
}

/// The estimate of an adjustment by other models.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Others {
    /// The rule of thumb updated by them, money.
    pub spread: Spread,
    /// Number of those models.
    pub models: usize,
    /// Share of the information that comes from them rather than from the rule, 0..=1.
    pub share: f64,
}

impl Adjustment {
    /// Its origin.
    pub fn source(&self) -> Source {
        let others = self.others.is_some_and(|o| o.share > 0.5);
        Source::of(self.from_comps, others)
    }

    /// Effect on the log price of all that the unit has of it; of an attribute, of one step.
    pub(super) fn log_on_unit(&self) -> f64 {
        let amount = match self.term {
            Term::Attribute(_) => 1.0,
            _ => self.on_unit,
        };
        amount * (self.used_percent / 100.0).ln_1p()
    }
}

/// One comp of the estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct CompLine {
    /// The comp.
    pub comp: Candidate,
    /// Price adjusted to this unit and day; for dropped comps only if they were examined.
    pub adjusted: Option<f64>,
    /// Price adjusted to this unit on the day of the sale (the day of the estimate, if that was not
    /// recorded).
    pub at_date: Option<f64>,
    /// Weight by age and fit; the largest is 1; 0 if dropped.
    pub weight: f64,
    /// Robustness weight alone: near 1 if the comp agrees with the others, near 0 if it is far from
    /// them.
    pub fits: f64,
}

/// Evidence behind an estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// Comps of the model in the book.
    pub seen: usize,
    /// Comps used.
    pub used: usize,
    /// Number of these without a recorded day, which have the average age.
    pub undated: usize,
    /// Number of these that were paid in another currency.
    pub converted: usize,
    /// Kish's effective number of these: `(Σw)²/Σw²`.
    pub effective: f64,
    /// Number of other models that an adjustment uses.
    pub other_models: usize,
    /// Number of comps of these models.
    pub other_comps: usize,
    /// Day of the newest used.
    pub newest: Option<NaiveDate>,
    /// Day of the oldest used.
    pub oldest: Option<NaiveDate>,
    /// Change of price per month, per cent.
    pub trend_percent: Option<Spread>,
    /// Days on which prices stepped, if certain.
    pub steps: Vec<PriceStep>,
    /// An uncertain step, if the estimate averages over one.
    pub open_step: Option<OpenStep>,
    /// Residual spread, per cent of the price.
    pub spread_percent: f64,
    /// Half the width of the middle 80 % of the unit's level, per cent ([`Outcome::mean_interval`]).
    pub level_percent: f64,
    /// Half the width of the middle 80 % of single sales about it, per cent ([`Outcome::sale`]).
    pub sale_percent: f64,
    /// Log marginal likelihood of the log prices used ([`crate::fit::posterior::Posterior::log_evidence`]).
    pub log_evidence: f64,
    /// Points with weight in the grid over residual scale and error distribution.
    pub places: usize,
    /// Whether the points with nearly all of the weight have converged.
    pub settled: bool,
}

/// A day on which all prices of the model changed at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PriceStep {
    /// Approximate day: the middle of the time between two sales.
    pub day: NaiveDate,
    /// Change of price, per cent.
    pub percent: Spread,
    /// Probability of the step.
    pub probability: f64,
}

/// An uncertain step: the estimate averages over whether there was one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OpenStep {
    /// Approximate day.
    pub day: NaiveDate,
    /// Change of price if there was one, per cent.
    pub percent: f64,
    /// Probability of the step.
    pub probability: f64,
    /// Price of the unit if there was none, money.
    pub without: f64,
}

/// A finished estimate.
#[derive(Debug, Clone)]
pub struct Estimate {
    /// The unit, with defaults for facts that neither the user nor any comp states.
    pub subject: Unit,
    /// Assumed and unknown facts, in words.
    pub assumptions: Vec<String>,
    /// Facts that neither the user nor a comp in use states: the default counts for all of them, so that it moves no
    /// price.
    pub unstated: Vec<Fact>,
    /// Facts that are unknown for the unit but known for comps.
    pub unknown: Vec<Unknown>,
    /// Day of the estimate.
    pub as_of: NaiveDate,
    /// Currency of all money.
    pub currency: Currency,
    /// Price basis.
    pub basis: PriceBasis,
    /// Level of the band, per cent.
    pub level: u8,
    /// Median price.
    pub median: Decimal,
    /// Lower end of the band.
    pub low: Decimal,
    /// Upper end of the band.
    pub high: Decimal,
    /// The evidence.
    pub evidence: Evidence,
    /// Widening steps taken.
    pub steps: Vec<Step>,
    /// Adjustments, in the order of the design.
    pub adjustments: Vec<Adjustment>,
    /// Comps, newest first.
    pub comps: Vec<CompLine>,
    /// Warnings, in plain words.
    pub warnings: Vec<String>,
    /// Fitted price of this unit by date.
    pub trend: Vec<(NaiveDate, f64)>,
    /// The distribution of log price.
    pub outcome: Outcome,
    /// For a parts-only unit, if working units were included: its price in working order.
    pub working: Option<f64>,
    /// Coverage of the bands of past estimates, if computed.
    pub recalibration: Option<Recalibration>,
    /// Rules of thumb that the comps contradict, those with the largest effect first.
    pub conflicts: Vec<Conflict>,
}

impl Estimate {
    /// Price and density per unit of money, ascending by price.
    pub fn density(&self) -> Vec<(f64, f64)> {
        self.outcome
            .density(f64::from(self.level) / 100.0, DENSITY_POINTS)
    }
}

/// Largest share of the present width at which a narrower band is announced.
const NARROWER: f64 = 0.9;

/// An unknown fact, and the width of the band if it were known.
#[derive(Debug, Clone, PartialEq)]
pub struct Unknown {
    /// The fact.
    pub fact: Fact,
    /// Half the present width of the band, per cent of the likely price.
    pub half_width_percent: f64,
    /// The approximate half-width if the fact were known.
    pub if_known_percent: f64,
    /// Number of comps in use that state the fact.
    pub stated_by: usize,
}

impl Unknown {
    /// Half the width of the band now and if the fact were known, whole per cent; none if it narrows little.
    pub(crate) fn narrows(&self) -> Option<(f64, f64)> {
        let (now, then) = (
            self.half_width_percent.round(),
            self.if_known_percent.round(),
        );
        (then <= NARROWER * now).then_some((now, then))
    }

    /// As a sentence.
    pub(crate) fn words(&self) -> String {
        let effect = self
            .narrows()
            .map(|(now, then)| {
                format!(" (state it: the range narrows from ±{now:.0} % to about ±{then:.0} %)")
            })
            .unwrap_or_default();
        let whose = match self.stated_by {
            1 => "as in the one sale that states it",
            _ => "as mixed as in the sales used",
        };
        format!("{} {whose}{effect}", self.fact.label())
    }
}

/// Number of points at which the density is given.
pub(crate) const DENSITY_POINTS: usize = 241;
