//! Priors of terms: rules of thumb, updated by other models.

use rust_decimal::prelude::ToPrimitive;

use super::pool::{Pool, Pooled};
use super::prior::{Belief, Prior, prior_of};
use super::solve::Sign;
use super::step;
use super::term::{SoldTerm, Term};
use crate::settings::{Rules, Settings};
use crate::trade::attributes::Direction;
use crate::trade::range::{Range, RangeUnit};

/// The prior of a term.
pub(super) struct Thought {
    pub(super) prior: Option<Belief>,
    pub(super) rule: Option<Prior>,
    pub(super) pooled: Option<Pooled>,
    pub(super) sign: Sign,
}

/// Inputs of the priors of all terms.
pub(super) struct Thoughts<'a> {
    /// Estimates of other models.
    pub(super) pool: &'a Pool,
    /// The model.
    pub(super) model: &'a str,
    /// Settings of the book.
    pub(super) settings: &'a Settings,
    /// Price by which money is divided.
    pub(super) base_price: f64,
}

impl Thoughts<'_> {
    /// The prior of a term.
    pub(super) fn of(&self, term: &Term) -> Thought {
        let (rule, sign) = rule_of_thumb(term, self.model, self.settings, self.base_price);
        let pooled = self.pool.get(term).filter(|_| rule.is_some()).cloned();
        let update = |rule| match &pooled {
            Some(pooled) => pooled.update(rule),
            None => Belief::of_rule(rule),
        };
        Thought {
            prior: rule.map(update),
            rule,
            pooled,
            sign,
        }
    }

    /// Effect of differences in terms (log), by the prior of each.
    pub(super) fn offset<'t>(&self, differences: impl Iterator<Item = (&'t Term, f64)>) -> f64 {
        differences
            .map(|(term, difference)| difference * self.of(term).prior.map_or(0.0, |p| p.mean()))
            .sum()
    }
}

/// A kit's rule of thumb for the log price of the model.
pub(super) fn price_rule(model: &str, settings: &Settings) -> Option<Belief> {
    let (low, high) = shares(settings.kit(model)?.price?, 1.0);
    Some(Belief::of_rule(prior_of(low.ln(), high.ln())))
}

/// The rule of thumb and sign constraint of a term; `base` is the price by which money is divided.
fn rule_of_thumb(
    term: &Term,
    model: &str,
    settings: &Settings,
    base: f64,
) -> (Option<Prior>, Sign) {
    let rules = &settings.rules;
    let kit = settings.kit(model);
    let defaults = Rules::default();
    let down = |range| (Some(taken_off(range, base)), Sign::NotPositive);
    let up = |range| (Some(added(range, base)), Sign::NotNegative);
    let either = |range| (Some(either_way(range, base)), Sign::Free);
    match term {
        Term::Level => (None, Sign::Free),
        Term::Grade(step) => {
            let name = format!(
                "{} to {}",
                settings.grades[*step].name,
                settings.grades[step + 1].name
            );
            down(rules.grade_step(&name, &defaults))
        }
        Term::Completeness(step) => {
            let levels = &settings.completeness;
            let name = format!("{} to {}", levels[*step].name, levels[step + 1].name);
            up(rules.completeness_step(&name, &defaults))
        }
        Term::Missing(piece) => down(rules.missing_piece(piece, kit, &defaults)),
        Term::Extra(extra) => up(rules.extra(extra, &defaults)),
        Term::Defect(defect) => down(rules.defect(defect, &defaults)),
        Term::Sold(SoldTerm::Auction) => either(rules.sold("auction", &defaults)),
        Term::Sold(SoldTerm::Offer) => either(rules.sold("offer", &defaults)),
        Term::Outlet(name) => (outlet_rule(name, settings), Sign::Free),
        Term::Attribute(name) => {
            let declared = settings.attribute(model, name);
            let rule = declared.and_then(|a| Some((a.sign, a.rule()?)));
            match rule {
                Some((Direction::Up, range)) => up(range),
                Some((Direction::Down, range)) => down(range),
                Some((Direction::Either, range)) => either(range),
                None => either(Range::percent(-30, 30)),
            }
        }
        Term::Variant(_) => {
            // This is the difference of two variants; each has half of its variance around their
            // mean.
            let (rule, sign) = either(rules.variant);
            let own = |rule: Prior| Prior {
                mean: 0.0,
                sd: rule.sd / std::f64::consts::SQRT_2,
            };
            (rule.map(own), sign)
        }
        Term::Trend => either(rules.trend_per_month),
        Term::PartsOnly => (Some(parts_rule(settings)), Sign::NotPositive),
        Term::Step(_) => (Some(step::rule()), Sign::Free),
    }
}

/// The rule of thumb (log) for the ratio of prices at an outlet to those elsewhere.
fn outlet_rule(name: &str, settings: &Settings) -> Option<Prior> {
    let (low, high) = shares(settings.outlets.get(name)?.price?, 1.0);
    Some(prior_of(low.ln(), high.ln()))
}

/// The rule of thumb (log) for a reduction of the price by a range.
fn taken_off(range: Range, base: f64) -> Prior {
    let (low, high) = shares(range, base);
    // A reduction cannot exceed the price: such a rule only means "much".
    let (low, high) = if high > MOST_OFF {
        (low.min(LITTLE_OFF), MOST_OFF)
    } else {
        (low, high)
    };
    prior_of((-low).ln_1p(), (-high).ln_1p())
}

/// The rule of thumb (log) for an increase of the price by a range.
fn added(range: Range, base: f64) -> Prior {
    let (low, high) = shares(range, base);
    prior_of(low.ln_1p(), high.ln_1p())
}

/// The rule of thumb (log) for a change of the price by a range, down or up.
fn either_way(range: Range, base: f64) -> Prior {
    let (low, high) = shares(range, base);
    prior_of(low.max(-MOST_OFF).ln_1p(), high.max(-MOST_OFF).ln_1p())
}

/// Largest reduction of a price by a rule of thumb, as a share.
const MOST_OFF: f64 = 0.9;

/// Low end of a rule of thumb whose high end exceeds the price.
const LITTLE_OFF: f64 = 0.3;

/// Both ends of a range as shares of the price: per cents over 100, money over `base`.
pub(super) fn shares(range: Range, base: f64) -> (f64, f64) {
    let share = |end: rust_decimal::Decimal| {
        let end = end.to_f64().unwrap_or(0.0);
        match range.unit {
            RangeUnit::Percent => end / 100.0,
            RangeUnit::Money => end / base,
        }
    };
    (share(range.low), share(range.high))
}

/// The rule of thumb for the ratio of a parts-only unit's price to a working one's (log).
pub fn parts_rule(settings: &Settings) -> Prior {
    let (low, high) = shares(settings.rules.parts_only, 1.0);
    prior_of(low.ln(), high.ln())
}
