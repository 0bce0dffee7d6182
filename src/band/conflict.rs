//! Rules of thumb that the comps contradict.
//!
//! The comps alone give an adjustment as N(b, v) on the log scale, the cavity of its rule
//! ([`crate::fit::ep`]); the rule, as a normal belief, is N(m, s²). The prior predictive
//! distribution of `b` is therefore N(m, s² + v), and the prior predictive p-value
//!
//! ```text
//! p = 2 Φ(−|b − m| / √(s² + v))
//! ```
//!
//! measures how unlikely the comps are under the rule (Evans and Moshonov 2006, "Checking for
//! prior-data conflict", *Bayesian Analysis* 1: 893-914, for a normal mean; O'Hagan and Pericchi
//! 2012 on the effect on the estimate). A rule is contradicted if p is below 0.01, the stated range
//! and the middle 80 % from the comps do not overlap, at least five comps inform the adjustment,
//! and the difference is at least 3 % of the price.

use std::borrow::Cow;
use std::collections::BTreeMap;

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};

use super::fitting::{from_comps, label};
use super::related::alone;
use crate::fit::design::{Design, OTHERS, Prior, SoldTerm, Term, prior_of};
use crate::fit::posterior::Posterior;
use crate::fit::solve::Sign;
use crate::select::Selection;
use crate::select::order::NORMAL_DECILE;
use crate::settings::Settings;
use crate::settings::statement::{InForce, Place, Statement};
use crate::trade::attributes::Direction;
use crate::trade::range::{Range, RangeUnit};

/// p-value below which the comps contradict a rule.
const UNLIKELY: f64 = 0.01;

/// Fewest comps that contradict a rule.
const FEWEST: usize = 5;

/// Smallest difference that matters, log price.
const MATTERS: f64 = 0.03;

/// Largest reduction of a price by a rule, and otherwise the smallest share that it leaves, per
/// cent.
const MOST_OFF: f64 = 90.0;

/// Largest increase of a price by a rule, per cent.
const MOST_ON: f64 = 1000.0;

/// The difference of two variants, relative to that of one from their mean.
const APART: f64 = std::f64::consts::SQRT_2;

/// Meaning of the ends of a rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
enum Side {
    /// A reduction.
    Off,
    /// An increase.
    On,
    /// An increase, or a reduction if negative.
    Either,
    /// The difference of two variants, in either direction.
    Variants,
    /// The share that remains.
    Left,
}

/// Evidence of the comps of one model on a rule of thumb.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// The model.
    pub model: String,
    /// Subject of the rule, in words.
    pub label: String,
    /// Place of the rule in the settings.
    pub place: Place,
    /// The rule in force.
    pub rule: InForce,
    /// Comps of the fit.
    pub sales: usize,
    /// Number of these that inform it.
    pub informed_by: usize,
    side: Side,
    attribute: bool,
    /// The rule as used in the fit, log price.
    prior: Prior,
    /// From the comps alone, log price.
    own: Prior,
    /// Largest difference between comps, in amounts of the term.
    reach: f64,
    /// Price by which money is divided.
    base: f64,
}

/// A range with its sign, as an effect on the price: per cent or money.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignedRange {
    /// Lower end.
    pub low: Decimal,
    /// Upper end.
    pub high: Decimal,
    /// Unit of both ends.
    pub unit: RangeUnit,
}

impl SignedRange {
    /// `−31 to −24 %`, or `−25 to −10 EUR`.
    pub fn text(&self, currency: &str) -> String {
        let end = |value: Decimal| value.to_string().replace('-', "−");
        let unit = match self.unit {
            RangeUnit::Percent => "%",
            RangeUnit::Money => currency,
        };
        format!("{} to {} {unit}", end(self.low), end(self.high))
    }
}

/// A rule that the comps of one or more models contradict.
#[derive(Debug, Clone, PartialEq)]
pub struct Conflict {
    /// Subject of the rule, in words.
    pub label: String,
    /// The rule in force.
    pub rule: InForce,
    /// The rule as an effect on the price.
    pub as_effect: SignedRange,
    /// Evidence of the models; those that contradict the rule come first, the clearest of them at
    /// the top.
    pub findings: Vec<Finding>,
    /// Number of these that contradict it.
    pub against: usize,
    /// A rule that none of them contradicts.
    pub instead: Statement,
}

/// Evidence of the comps of a fit on each rule of thumb that at least [`FEWEST`] comps inform.
pub(super) fn findings(
    design: &Design,
    fit: &Posterior,
    selection: &Selection,
    settings: &Settings,
) -> Vec<Finding> {
    let model = &selection.model;
    let of = |(j, column): (usize, &crate::fit::design::Column)| {
        let (place, side) = place(&column.term, model, settings)?;
        let prior = column.rule?;
        let (own, _) = from_comps(design, fit, j).filter(|_| column.informed_by >= FEWEST)?;
        let values = || design.x.column(j).into_iter().copied();
        let most = values().fold(design.subject[j], f64::max);
        let least = values().fold(design.subject[j], f64::min);
        let attribute = matches!(column.term, Term::Attribute(_));
        Some(Finding {
            model: model.clone(),
            label: label(&column.term, settings, selection),
            rule: place.rule(settings)?,
            place,
            sales: design.y.len(),
            informed_by: column.informed_by,
            side,
            attribute,
            prior,
            own: if attribute {
                own
            } else {
                held(own, column.sign)
            },
            reach: most - least,
            base: design.base_price,
        })
    };
    design.columns.iter().enumerate().filter_map(of).collect()
}

/// Evidence of the comps of a model alone on rules of thumb; empty if there are too few.
pub fn of_model(mut selection: Selection, settings: &Settings) -> Vec<Finding> {
    match alone(&mut selection, settings) {
        Some((design, fit)) => findings(&design, &fit, &selection, settings),
        None => Vec::new(),
    }
}

/// The contradicted rules, those with the largest effect on the price first. All evidence on a rule
/// counts, so that the proposed rule suits the other models too.
pub fn conflicts(findings: &[Finding]) -> Vec<Conflict> {
    let mut by_place: BTreeMap<&Place, Vec<&Finding>> = BTreeMap::new();
    for one in findings {
        by_place.entry(&one.place).or_default().push(one);
    }
    let of = |(_, all): (&Place, Vec<&Finding>)| Conflict::of(&all);
    let mut found: Vec<Conflict> = by_place.into_iter().filter_map(of).collect();
    found.sort_by(|a, b| b.matters().total_cmp(&a.matters()));
    found
}

impl Finding {
    /// Whether the comps contradict the rule in force.
    pub fn contradicts(&self) -> bool {
        self.contradicts_prior(self.prior)
    }

    /// p-value of the comps under the rule in force, 0..=1.
    pub fn chance(&self) -> f64 {
        chance(self.own, self.prior)
    }

    /// Distance of the comps from the rule, log price, times the largest difference between comps.
    pub fn matters(&self) -> f64 {
        beyond(self.own, self.prior) * self.reach
    }

    fn contradicts_prior(&self, prior: Prior) -> bool {
        let apart = NORMAL_DECILE * (self.own.sd + prior.sd);
        (self.own.mean - prior.mean).abs() > apart
            && chance(self.own, prior) < UNLIKELY
            && beyond(self.own, prior) * self.reach >= MATTERS
    }

    /// The estimate from the comps alone, as an effect on the price.
    pub fn observed(&self) -> SignedRange {
        let side = match self.side {
            Side::Variants => Side::Either,
            side => side,
        };
        let unit = self.rule.range.unit;
        signed(side, outward(self.ends(side), unit, side))
    }

    /// The middle 80 % from the comps alone, with the meaning of the ends of a rule.
    fn ends(&self, side: Side) -> (f64, f64) {
        let wide = NORMAL_DECILE * self.own.sd;
        let (mut low, mut high) = (self.own.mean - wide, self.own.mean + wide);
        match side {
            Side::Off => (low, high) = (low.min(0.0), high.min(0.0)),
            Side::On => (low, high) = (low.max(0.0), high.max(0.0)),
            Side::Variants => {
                high = APART * low.abs().max(high.abs());
                low = -high;
            }
            Side::Either | Side::Left => {}
        }
        let one = self.one();
        match side {
            Side::Off => (-one * high.exp_m1(), -one * low.exp_m1()),
            Side::Left => (one * low.exp(), one * high.exp()),
            _ => (one * low.exp_m1(), one * high.exp_m1()),
        }
    }

    /// The whole price, in the unit of the rule.
    fn one(&self) -> f64 {
        match self.rule.range.unit {
            RangeUnit::Percent => 100.0,
            RangeUnit::Money => self.base,
        }
    }

    /// The prior of a fit for a range.
    fn prior_of(&self, range: Range, side: Side) -> Prior {
        let share = |end: Decimal| end.to_f64().unwrap_or(0.0) / self.one();
        let (low, high) = (share(range.low), share(range.high));
        let least = -MOST_OFF / 100.0;
        match side {
            Side::Off => prior_of((-low).max(least).ln_1p(), (-high).max(least).ln_1p()),
            Side::Left => prior_of(low.ln(), high.ln()),
            Side::Variants => Prior {
                mean: 0.0,
                sd: prior_of(low.ln_1p(), high.ln_1p()).sd / APART,
            },
            Side::On | Side::Either => prior_of(low.max(least).ln_1p(), high.max(least).ln_1p()),
        }
    }
}

impl Conflict {
    /// From all evidence on one rule; `None` if nothing contradicts it.
    fn of(all: &[&Finding]) -> Option<Self> {
        let mut findings: Vec<Finding> = all.iter().map(|one| (*one).clone()).collect();
        findings.sort_by_key(|one| !one.contradicts());
        let against = findings.iter().filter(|one| one.contradicts()).count();
        findings[..against].sort_by(|a, b| b.matters().total_cmp(&a.matters()));
        let first = findings.first().filter(|_| against > 0)?;
        let wrong_way = |one: &Finding| match one.side {
            Side::Off => one.own.mean > 0.0,
            Side::On => one.own.mean < 0.0,
            _ => false,
        };
        let either_way = first.attribute && findings[..against].iter().any(wrong_way);
        let side = if either_way { Side::Either } else { first.side };
        Some(Self {
            label: first.label.clone(),
            rule: first.rule,
            as_effect: signed(first.side, first.rule.range),
            against,
            instead: Statement {
                place: first.place.clone(),
                range: instead(&findings, against, side),
                either_way,
            },
            findings,
        })
    }

    /// `your rule says −15 to −1 %`
    pub fn rule_words(&self, currency: &str) -> String {
        let whose = match self.rule.stated {
            true => "your rule",
            false => "the default rule",
        };
        format!("{whose} says {}", self.as_effect.text(currency))
    }

    /// Largest distance of the comps from the rule, log price.
    fn matters(&self) -> f64 {
        self.findings
            .iter()
            .map(Finding::matters)
            .fold(0.0, f64::max)
    }
}

/// A range that contains the estimates of the first `against` models, and those of the others as
/// far as they would contradict it.
fn instead(findings: &[Finding], against: usize, side: Side) -> Range {
    let unit = findings[0].rule.range.unit;
    let mut in_it: Vec<bool> = (0..findings.len()).map(|at| at < against).collect();
    loop {
        let members = findings.iter().zip(&in_it).filter(|(_, within)| **within);
        let ends = members.map(|(one, _)| one.ends(side));
        let all = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), ends| {
            (low.min(ends.0), high.max(ends.1))
        });
        let range = outward(all, unit, side);
        let against_it = |(at, one): (usize, &Finding)| {
            (!in_it[at] && one.contradicts_prior(one.prior_of(range, side))).then_some(at)
        };
        let Some(more) = findings.iter().enumerate().find_map(against_it) else {
            return range;
        };
        in_it[more] = true;
    }
}

/// The estimate from the comps, truncated if its sign is constrained.
fn held(own: Prior, sign: Sign) -> Prior {
    let mean = match sign {
        Sign::Free => own.mean,
        Sign::NotNegative => own.mean.max(0.0),
        Sign::NotPositive => own.mean.min(0.0),
    };
    Prior { mean, ..own }
}

fn chance(own: Prior, prior: Prior) -> f64 {
    let z = (own.mean - prior.mean) / own.sd.hypot(prior.sd);
    2.0 * Normal::standard().cdf(-z.abs())
}

/// Distance of the comps' mean from the stated range, 0 inside it.
fn beyond(own: Prior, prior: Prior) -> f64 {
    ((own.mean - prior.mean).abs() - NORMAL_DECILE * prior.sd).max(0.0)
}

/// Place of the rule of a term in the settings, and the meaning of its ends; `None` if the term has
/// no rule.
fn place(term: &Term, model: &str, settings: &Settings) -> Option<(Place, Side)> {
    let named = |table: &'static str, name: String, side| {
        Some((Place::Named(Cow::Borrowed(table), name), side))
    };
    match term {
        Term::Grade(i) => {
            let (one, next) = (settings.grades.get(*i)?, settings.grades.get(i + 1)?);
            named(
                "grades",
                format!("{} to {}", one.name, next.name),
                Side::Off,
            )
        }
        Term::Completeness(i) => {
            let levels = &settings.completeness;
            let (one, next) = (levels.get(*i)?, levels.get(i + 1)?);
            named(
                "completeness",
                format!("{} to {}", one.name, next.name),
                Side::On,
            )
        }
        Term::Missing(piece) if piece != OTHERS => {
            Some((Place::missing(piece, model, settings), Side::Off))
        }
        Term::Extra(name) if name != OTHERS => named("extras", name.clone(), Side::On),
        Term::Defect(name) if name != OTHERS => named("defects", name.clone(), Side::Off),
        Term::Sold(SoldTerm::Auction) => named("how_sold", "auction".into(), Side::Either),
        Term::Sold(SoldTerm::Offer) => named("how_sold", "offer".into(), Side::Either),
        Term::Outlet(name) => Some((Place::Outlet(name.clone()), Side::Left)),
        Term::Attribute(name) => {
            let side = match settings.attribute(model, name)?.sign {
                Direction::Up => Side::On,
                Direction::Down => Side::Off,
                Direction::Either => Side::Either,
            };
            let family = settings.family(model)?.to_string();
            Some((Place::Attribute(family, name.clone()), side))
        }
        Term::Variant(_) => Some((Place::Rule("variant".into()), Side::Variants)),
        Term::Trend => Some((Place::Rule("trend_per_month".into()), Side::Either)),
        Term::PartsOnly => Some((Place::Rule("parts_only".into()), Side::Left)),
        _ => None,
    }
}

/// A range with round ends that contains both: whole per cents or units of money, or finer ones if
/// the range is narrower than one.
fn outward((low, high): (f64, f64), unit: RangeUnit, side: Side) -> Range {
    let (least, most) = match (unit, side) {
        (RangeUnit::Money, _) => (f64::NEG_INFINITY, f64::INFINITY),
        (_, Side::Off) => (0.0, MOST_OFF),
        (_, Side::Left) => (1.0, MOST_ON),
        _ => (-MOST_OFF, MOST_ON),
    };
    let (low, high) = (low.clamp(least, most), high.clamp(least, most));
    let width = high - low;
    let places = match width {
        width if width > 0.0 && width < 1.0 => (-width.log10().floor()).clamp(0.0, 6.0),
        _ => 0.0,
    };
    let steps = 10f64.powf(places);
    // A round number stays as it is.
    let first = (low * steps + 1e-6).floor();
    let last = (high * steps - 1e-6).ceil().max(first + 1.0);
    let end = |value: f64| {
        let text = format!("{:.*}", places as usize, value / steps);
        text.parse::<Decimal>().unwrap_or_default().normalize()
    };
    Range {
        low: end(first),
        high: end(last),
        unit,
    }
}

/// A range with its sign.
fn signed(side: Side, range: Range) -> SignedRange {
    let (low, high) = match side {
        Side::Off => (-range.high, -range.low),
        _ => (range.low, range.high),
    };
    SignedRange {
        low,
        high,
        unit: range.unit,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(mean: f64, sd: f64, rule: &str, side: Side) -> Finding {
        let range = Range::parse(rule).unwrap();
        let mut finding = Finding {
            model: "Nulva 61K".into(),
            label: "battery missing".into(),
            place: Place::Named("missing".into(), "battery".into()),
            rule: InForce {
                range,
                stated: true,
            },
            sales: 41,
            informed_by: 12,
            side,
            attribute: false,
            prior: Prior { mean: 0.0, sd: 1.0 },
            own: Prior { mean, sd },
            reach: 1.0,
            base: 200.0,
        };
        finding.prior = finding.prior_of(range, side);
        finding
    }

    /// The example of a missing battery, by hand: the rule "1 to 15 %" is N(−0.0863, 0.0595²) in
    /// log price; comps at −0.322 ± 0.0375 are z = 0.2357/0.0703 = 3.3522 off. p-value by
    /// `scipy.stats.norm.sf(z)*2`.
    #[test]
    fn the_chance_is_that_of_the_textbook() {
        let one = finding(-0.322, 0.0375, "1 to 15 %", Side::Off);
        assert!((one.prior.mean + 0.086_285).abs() < 1e-5, "{:?}", one.prior);
        assert!((one.prior.sd - 0.059_484).abs() < 1e-5, "{:?}", one.prior);
        assert!((one.chance() - 8.0185e-4).abs() < 1e-6, "{}", one.chance());
        assert!(one.contradicts());
        let observed = one.observed();
        assert_eq!((observed.low, observed.high), ((-31).into(), (-23).into()));
        // At z = 2.576 the p-value is 0.01 (any table of the normal distribution).
        let at = |z: f64| chance(Prior { mean: z, sd: 0.6 }, Prior { mean: 0.0, sd: 0.8 });
        assert!((at(2.575_829) - 0.01).abs() < 1e-7);
        assert!((at(-1.959_964) - 0.05).abs() < 1e-7);
    }

    #[test]
    fn only_what_is_clear_and_matters_is_a_conflict() {
        // Too uncertain, inside the range, and outside it by less than 3 % of the price.
        for (mean, sd) in [(-0.322, 0.12), (-0.1, 0.01), (-0.18, 0.001)] {
            assert!(!finding(mean, sd, "1 to 15 %", Side::Off).contradicts());
        }
        // A small effect of one matters if comps differ by many.
        let mut slight = finding(0.004, 0.0002, "0 to 0.1 %", Side::On);
        assert!(!slight.contradicts());
        slight.reach = 30.0;
        assert!(slight.contradicts());
    }

    /// No model contradicts the proposed range, whatever the rule was.
    #[test]
    fn what_is_proposed_suits_all() {
        let sides = [
            (Side::Off, "1 to 15 %", -1.0),
            (Side::Off, "2 to 8", -1.0),
            (Side::On, "0 to 5 %", 1.0),
            (Side::Either, "-3 to 1 %", -1.0),
            (Side::Variants, "-5 to 5 %", 1.0),
            (Side::Left, "40 to 60 %", -1.0),
        ];
        for (side, rule, way) in sides {
            let far = if side == Side::Left { 2.0 } else { 0.4 };
            let against = finding(way * far, 0.02, rule, side);
            let also = finding(way * far * 1.4, 0.05, rule, side);
            let mut within = against.clone();
            within.own = Prior {
                sd: 0.004,
                ..within.prior
            };
            let found = conflicts(&[within, against, also]);
            let [found] = found.as_slice() else {
                panic!("{side:?} {found:?}");
            };
            assert_eq!(found.against, 2, "{side:?}");
            let range = found.instead.range;
            assert_eq!(range.unit, found.rule.range.unit);
            for one in &found.findings {
                let prior = one.prior_of(range, side);
                assert!(!one.contradicts_prior(prior), "{side:?} {range} {one:?}");
            }
        }
    }

    /// If a number moves the price opposite to its declaration, the proposal changes the
    /// declaration.
    #[test]
    fn the_wrong_way_is_turned_round() {
        let mut one = finding(0.1, 0.01, "5 to 15 %", Side::Off);
        assert_eq!(
            conflicts(&[one.clone()])[0].instead.range.to_string(),
            "0 to 1 %"
        );
        one.attribute = true;
        let found = &conflicts(&[one])[0];
        assert!(found.instead.either_way);
        assert_eq!(found.instead.range.to_string(), "9 to 12 %");
    }

    #[test]
    fn ends_are_rounded_outward() {
        let text = |low, high, unit, side| outward((low, high), unit, side).to_string();
        use RangeUnit::{Money, Percent};
        assert_eq!(text(23.6, 30.2, Percent, Side::Off), "23 to 31 %");
        assert_eq!(text(24.0, 31.0, Percent, Side::Off), "24 to 31 %");
        assert_eq!(text(-4.2, -3.7, Percent, Side::Either), "-4.2 to -3.7 %");
        assert_eq!(text(0.0, 0.0, Percent, Side::Off), "0 to 1 %");
        assert_eq!(text(0.1234, 0.1289, Percent, Side::On), "0.123 to 0.129 %");
        assert_eq!(text(80.0, 99.5, Percent, Side::Off), "80 to 90 %");
        assert_eq!(text(10.2, 24.9, Money, Side::Off), "10 to 25");
    }
}
