//! Facts of a unit or a comp that affect its price.

use crate::trade::Unit;
use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::prelude::ToPrimitive;

use super::matrix::DAYS_PER_MONTH;
use super::term::Fact;
use crate::select::Candidate;
use crate::select::pieces::{Described, Wording};
use crate::settings::Settings;
use crate::trade::names::match_key;
use crate::trade::{Attributes, HowSold, Items};

/// Facts of a unit that affect its price.
#[derive(Clone)]
pub(super) struct Facts<'a> {
    pub(super) variant: Option<String>,
    pub(super) pieces: Described,
    pub(super) grade: Option<usize>,
    pub(super) defects: &'a Items,
    /// Recorded values of declared numeric attributes, in steps.
    pub(super) steps: BTreeMap<&'a str, f64>,
    pub(super) works: bool,
    pub(super) how_sold: Option<HowSold>,
    /// The outlet with a price factor at which it is sold, by its name in the settings.
    pub(super) outlet: Option<&'a str>,
    /// Months after the day of the estimate, if its day is recorded.
    pub(super) months: Option<f64>,
}

impl<'a> Facts<'a> {
    /// The facts of a comp.
    pub(super) fn of_candidate(
        comp: &'a Candidate,
        model: &str,
        wording: &Wording,
        settings: &'a Settings,
    ) -> Self {
        Self {
            variant: (!comp.variant.is_empty()).then(|| match_key(&comp.variant)),
            pieces: comp.pieces(wording),
            grade: settings.grade_index(&comp.grade),
            defects: &comp.defects,
            steps: attribute_steps(&comp.attributes, model, settings),
            works: comp.works,
            how_sold: comp.how_sold,
            outlet: settings.priced_outlet(&comp.venue),
            months: comp.age_days.map(|age| -f64::from(age) / DAYS_PER_MONTH),
        }
    }

    /// The facts of the subject.
    pub(super) fn of_subject(subject: &'a Unit, wording: &Wording, settings: &'a Settings) -> Self {
        Self {
            variant: subject.variant.as_deref().map(match_key),
            pieces: wording.of_unit(subject),
            grade: subject
                .grade
                .as_deref()
                .and_then(|g| settings.grade_index(g)),
            defects: &subject.defects,
            steps: attribute_steps(&subject.attributes, &subject.model, settings),
            works: subject.works,
            how_sold: subject.how_sold,
            outlet: subject
                .venue
                .as_deref()
                .and_then(|venue| settings.priced_outlet(venue)),
            months: Some(0.0),
        }
    }

    /// The unit to which a kit's price rule applies: middle grade, complete without packaging,
    /// working, sold today at a fixed price, at no outlet with a price factor.
    pub(super) fn reference(&self, wording: &Wording, settings: &Settings) -> Self {
        const NONE: &Items = &Items::NONE;
        Self {
            variant: self.variant.clone(),
            pieces: wording.complete_unit(),
            grade: Some((settings.grades.len() - 1) / 2),
            defects: NONE,
            steps: self.steps.clone(),
            works: true,
            how_sold: Some(HowSold::Fixed),
            outlet: None,
            months: Some(0.0),
        }
    }
}

/// Recorded values of the declared attributes, in steps of their scale.
fn attribute_steps<'a>(
    attributes: &Attributes,
    model: &str,
    settings: &'a Settings,
) -> BTreeMap<&'a str, f64> {
    settings
        .attributes(model)
        .filter_map(|(name, rule)| {
            let value = attributes.get(name)?.to_f64()?;
            Some((name, rule.scale.steps(value)?))
        })
        .collect()
}

/// The possible rows of `own`: for each comp, its values of the facts that are unknown for `own`
/// but known for some comp, with their shares of the weight and the completed facts. Only `own`
/// itself if all facts are known.
pub(super) fn possible<'a>(
    own: &Facts<'a>,
    comps: &[Facts<'a>],
    weights: &[f64],
) -> Vec<(BTreeMap<Fact, String>, f64, Facts<'a>)> {
    let unknown = unknown_facts(own, comps);
    let mut all: BTreeMap<BTreeMap<Fact, String>, (f64, Facts<'a>)> = BTreeMap::new();
    for (comp, weight) in comps.iter().zip(weights).filter(|_| !unknown.is_empty()) {
        let mut facts = own.clone();
        let values = unknown.iter().map(|fact| {
            let value = fill(&mut facts, fact, comp);
            (fact.clone(), value)
        });
        let values = values.collect();
        all.entry(values).or_insert((0.0, facts)).0 += weight;
    }
    let total: f64 = all.values().map(|(weight, _)| weight).sum();
    if !(total > 0.0 && total.is_finite()) {
        return vec![(BTreeMap::new(), 1.0, own.clone())];
    }
    all.into_iter()
        .map(|(values, (weight, facts))| (values, weight / total, facts))
        .collect()
}

/// Facts that are unknown for `own` but known for some comp.
fn unknown_facts(own: &Facts<'_>, comps: &[Facts<'_>]) -> Vec<Fact> {
    let some = |has: &dyn Fn(&Facts<'_>) -> bool| !has(own) && comps.iter().any(has);
    let plain: [(Fact, bool); 4] = [
        (Fact::Grade, some(&|f| f.grade.is_some())),
        (Fact::Completeness, some(&|f| f.pieces.set().is_some())),
        (Fact::HowSold, some(&|f| f.how_sold.is_some())),
        (Fact::Variant, some(&|f| f.variant.is_some())),
    ];
    let names: BTreeSet<&str> = comps.iter().flat_map(|f| f.steps.keys().copied()).collect();
    let attributes = names
        .into_iter()
        .filter(|name| !own.steps.contains_key(name))
        .map(|name| Fact::Attribute(name.into()));
    let plain = plain.into_iter().filter(|(_, unknown)| *unknown);
    plain.map(|(fact, _)| fact).chain(attributes).collect()
}

/// Sets a fact to that of `comp`; returns its value in a form that distinguishes values.
fn fill<'a>(facts: &mut Facts<'a>, fact: &Fact, comp: &Facts<'a>) -> String {
    match fact {
        Fact::Grade => {
            facts.grade = comp.grade;
            format!("{:?}", comp.grade)
        }
        Fact::Completeness => {
            facts.pieces = facts.pieces.clone().with_set_of(&comp.pieces);
            format!("{:?}", comp.pieces.set())
        }
        Fact::HowSold => {
            facts.how_sold = comp.how_sold;
            format!("{:?}", comp.how_sold)
        }
        Fact::Variant => {
            facts.variant.clone_from(&comp.variant);
            format!("{:?}", comp.variant)
        }
        Fact::Attribute(name) => {
            let known = comp.steps.get_key_value(name.as_str());
            if let Some((&name, &steps)) = known {
                facts.steps.insert(name, steps);
            }
            format!("{known:?}")
        }
    }
}
