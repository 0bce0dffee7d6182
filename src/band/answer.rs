//! A finished estimate: price, band, adjustments, the comps and what they rest on.

use crate::band::conflict::Conflict;
use crate::band::fitting::Spread;
use crate::band::outcome::Outcome;
use crate::band::recalibration::Recalibration;
use crate::fit::term::Fact;
use crate::fit::term::Term;
use crate::select::Candidate;
use crate::select::Step;
use crate::select::Subject;
use crate::trade::comp::PriceBasis;
use crate::trade::currency::Currency;
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// Where an adjustment comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// The rule of thumb, with under a fifth of the information from comps of the model and no
    /// more of the rest from other models than not.
    RuleOfThumb,
    /// Other models: as before, with more of the rest from them.
    OtherModels,
    /// Comps of the model and what was thought before them.
    Both,
    /// The comps alone or almost so (over four fifths).
    Comps,
}

impl Source {
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

/// One row of the table of adjustments. Money is for *this* unit: what one of it changes, all
/// else being the same.
#[derive(Debug, Clone, PartialEq)]
pub struct Adjustment {
    /// What it stands for.
    pub term: Term,
    /// In words.
    pub label: String,
    /// How many of it the unit has (a share where not recorded; months for the trend).
    pub on_unit: f64,
    /// Rule of thumb, money.
    pub rule: Spread,
    /// The rule brought up to date by other models, where they tell.
    pub others: Option<Others>,
    /// From the comps alone, money; none where they say nothing.
    pub comps: Option<Spread>,
    /// As used, money.
    pub used: Spread,
    /// As used, per cent of the price.
    pub used_percent: f64,
    /// Comps that inform it.
    pub informed_by: usize,
    /// Share of the information that comes from the comps, 0..=1.
    pub from_comps: f64,
    /// The most of it that a comp has.
    pub most: f64,
}

/// What other models say of an adjustment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Others {
    /// The rule of thumb brought up to date by them, money.
    pub spread: Spread,
    /// How many speak.
    pub models: usize,
    /// Share of the information in it that comes from them rather than the rule, 0..=1.
    pub share: f64,
}

impl Adjustment {
    /// Where it comes from.
    pub fn source(&self) -> Source {
        match self.from_comps {
            share if share < 0.2 && self.others.is_some_and(|o| o.share > 0.5) => {
                Source::OtherModels
            }
            share if share < 0.2 => Source::RuleOfThumb,
            share if share > 0.8 => Source::Comps,
            _ => Source::Both,
        }
    }
}

/// One comp of the estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct CompLine {
    /// The comp.
    pub comp: Candidate,
    /// Price brought to this unit and day; for dropped comps only where it was looked at.
    pub adjusted: Option<f64>,
    /// Price brought to this unit at the day of the sale; of the estimate, where that was not
    /// recorded.
    pub at_date: Option<f64>,
    /// Weight by age and fit, the heaviest being 1; 0 where dropped.
    pub weight: f64,
    /// Robustness weight alone: near 1 where it fits, near 0 far from what the others say.
    pub fits: f64,
}

/// What the estimate rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// Comps of the model in the book.
    pub seen: usize,
    /// Comps used.
    pub used: usize,
    /// Those of them whose day was not recorded, taken as of average age.
    pub undated: usize,
    /// Those of them that were paid in another currency.
    pub converted: usize,
    /// Kish's effective number of them: `(Σw)²/Σw²`.
    pub effective: f64,
    /// Other models that an adjustment leans on.
    pub other_models: usize,
    /// Comps behind what they say.
    pub other_comps: usize,
    /// Day of the newest used.
    pub newest: Option<NaiveDate>,
    /// Day of the oldest used.
    pub oldest: Option<NaiveDate>,
    /// Change of price in a month, per cent.
    pub trend_percent: Option<Spread>,
    /// Days on which prices stepped, as far as that is sure.
    pub steps: Vec<PriceStep>,
    /// A step that is not sure, where the estimate averages over one.
    pub open_step: Option<OpenStep>,
    /// Residual spread, per cent of the price.
    pub spread_percent: f64,
    /// Half the width of the middle 80 % of the unit's level, per cent ([`Outcome::mean_interval`]).
    pub level_percent: f64,
    /// Half the width of the middle 80 % of single sales about it, per cent ([`Outcome::sale`]).
    pub sale_percent: f64,
    /// Places of the grid over residual scale and tails that carry weight.
    pub places: usize,
    /// Whether nearly all of them settled, by weight.
    pub settled: bool,
}

/// A day on which all prices of the model changed at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PriceStep {
    /// About when: the middle of the time between two sales.
    pub day: NaiveDate,
    /// Change of price, per cent.
    pub percent: Spread,
    /// Probability that there was one.
    pub probability: f64,
}

/// A step that is not sure: the estimate is an average over whether there was one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OpenStep {
    /// About when.
    pub day: NaiveDate,
    /// Change of price were there one, per cent.
    pub percent: f64,
    /// Probability that there was one.
    pub probability: f64,
    /// Price of the unit were there none, money.
    pub without: f64,
}

/// A finished estimate.
#[derive(Debug, Clone)]
pub struct Estimate {
    /// The unit, with what neither it nor any comp tells filled in.
    pub subject: Subject,
    /// What was filled in or left open, in words.
    pub assumptions: Vec<String>,
    /// What is not known of the unit though the comps tell it of theirs.
    pub unknown: Vec<Unknown>,
    /// Day of the estimate.
    pub as_of: NaiveDate,
    /// Currency of all money.
    pub currency: Currency,
    /// Which price is meant.
    pub basis: PriceBasis,
    /// Chance of the band, per cent.
    pub level: u8,
    /// Median price.
    pub median: Decimal,
    /// Lower end of the band.
    pub low: Decimal,
    /// Upper end of the band.
    pub high: Decimal,
    /// What it rests on.
    pub evidence: Evidence,
    /// Widening steps taken.
    pub steps: Vec<Step>,
    /// Adjustments, in the order of the model.
    pub adjustments: Vec<Adjustment>,
    /// Comps, newest first.
    pub comps: Vec<CompLine>,
    /// What to be careful about, in plain words.
    pub warnings: Vec<String>,
    /// Fitted price of this unit by date.
    pub trend: Vec<(NaiveDate, f64)>,
    /// The distribution of log price.
    pub outcome: Outcome,
    /// For a parts-only unit where working ones were called in: what it would fetch working.
    pub working: Option<f64>,
    /// How the bands of past estimates held, where the book was asked.
    pub recalibration: Option<Recalibration>,
    /// Rules of thumb that the comps contradict, those that matter most first.
    pub conflicts: Vec<Conflict>,
}

impl Estimate {
    /// Price and density per unit of money, ascending.
    pub fn density(&self) -> Vec<(f64, f64)> {
        self.outcome
            .density(f64::from(self.level) / 100.0, DENSITY_POINTS)
    }
}

/// A narrower band is promised where it is at most this share of the present one.
const NARROWER: f64 = 0.9;

/// A fact that was not said and how much narrower the band would be if it were.
#[derive(Debug, Clone, PartialEq)]
pub struct Unknown {
    /// Which.
    pub fact: Fact,
    /// Half the width of the band as it is, per cent of the likely price.
    pub half_width_percent: f64,
    /// About what it would be.
    pub if_known_percent: f64,
}

impl Unknown {
    /// In words.
    pub(crate) fn words(&self) -> String {
        let (now, then) = (
            self.half_width_percent.round(),
            self.if_known_percent.round(),
        );
        let say = if then <= NARROWER * now {
            format!(" (say it and the band narrows from ±{now:.0} % to about ±{then:.0} %)")
        } else {
            String::new()
        };
        format!("{} as mixed as among these comps{say}", self.fact.label())
    }
}

/// Points at which the density is given.
pub(crate) const DENSITY_POINTS: usize = 241;
