//! Rules of thumb: priors that comps overrule.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use super::kits::Kit;
use crate::trade::items::fold_name;
use crate::trade::range::{Range, RangeUnit};
use crate::trade::text::nearest;

/// Rules of thumb: priors that comps overrule.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Rules {
    /// Reduction for one step down in grade: `"A to B"`, or `any`.
    pub grades: BTreeMap<String, Range>,
    /// Increase for one step up in completeness, if a model has no kit: `"bare to usable"`, or
    /// `any`.
    pub completeness: BTreeMap<String, Range>,
    /// Reduction for a missing piece, by piece, or `any`. `packaging` is the box.
    pub missing: BTreeMap<String, Range>,
    /// Increase for one extra, by extra, or `any`. `seal` is a unit never opened.
    pub extras: BTreeMap<String, Range>,
    /// Reduction for a defect, by defect, or `any`.
    pub defects: BTreeMap<String, Range>,
    /// Change for a sale by `auction` or by `offer`, relative to a fixed price.
    pub how_sold: BTreeMap<String, Range>,
    /// Change of price per month.
    pub trend_per_month: Range,
    /// Difference between variants of one model.
    pub variant: Range,
    /// Price of a parts-only unit as a share of a working one.
    pub parts_only: Range,
}

impl Default for Rules {
    fn default() -> Self {
        let map = |entries: &[(&str, i64, i64)]| {
            entries
                .iter()
                .map(|(name, low, high)| ((*name).to_string(), Range::percent(*low, *high)))
                .collect()
        };
        Self {
            grades: map(&[("any", 2, 20)]),
            completeness: map(&[("any", 2, 18)]),
            missing: map(&[("any", 1, 15), ("packaging", 0, 10)]),
            extras: map(&[("any", 0, 15), ("seal", 2, 25)]),
            defects: map(&[("any", 3, 30)]),
            how_sold: map(&[("auction", -12, 4), ("offer", -10, 2)]),
            trend_per_month: Range::percent(-3, 1),
            variant: Range::percent(-20, 25),
            parts_only: Range::percent(15, 45),
        }
    }
}

/// The rule for `name`: the user's, then the default for this name, then the user's `any`, then the
/// default `any`.
fn lookup(
    table: &BTreeMap<String, Range>,
    defaults: &BTreeMap<String, Range>,
    name: &str,
) -> Range {
    let folded = fold_name(name);
    let find = |table: &BTreeMap<String, Range>, name: &str| {
        table
            .iter()
            .find(|(key, _)| fold_name(key) == name)
            .map(|(_, range)| *range)
    };
    find(table, &folded)
        .or_else(|| find(defaults, &folded))
        .or_else(|| find(table, "any"))
        .or_else(|| find(defaults, "any"))
        .unwrap_or(Range::percent(-10, 10))
}

impl Rules {
    /// Reduction for the step `"A to B"`.
    pub fn grade_step(&self, step: &str, defaults: &Self) -> Range {
        lookup(&self.grades, &defaults.grades, step)
    }

    /// Increase for the step `"bare to usable"`.
    pub fn completeness_step(&self, step: &str, defaults: &Self) -> Range {
        lookup(&self.completeness, &defaults.completeness, step)
    }

    /// Reduction for a missing piece: the kit's rule, else the general one.
    pub fn missing_piece(&self, piece: &str, kit: Option<&Kit>, defaults: &Self) -> Range {
        let own = kit.and_then(|kit| {
            kit.missing
                .iter()
                .find(|(name, _)| fold_name(name) == fold_name(piece))
        });
        own.map_or_else(
            || lookup(&self.missing, &defaults.missing, piece),
            |(_, range)| *range,
        )
    }

    /// Increase for an extra.
    pub fn extra(&self, extra: &str, defaults: &Self) -> Range {
        lookup(&self.extras, &defaults.extras, extra)
    }

    /// Reduction for a defect.
    pub fn defect(&self, defect: &str, defaults: &Self) -> Range {
        lookup(&self.defects, &defaults.defects, defect)
    }

    /// Change for a sale by `auction` or `offer`.
    pub fn sold(&self, how: &str, defaults: &Self) -> Range {
        lookup(&self.how_sold, &defaults.how_sold, how)
    }
}

/// The steps between the names of a scale, "A to B".
fn steps<'a>(names: impl Iterator<Item = &'a str> + Clone) -> Vec<String> {
    let pairs = names.clone().zip(names.skip(1));
    pairs.map(|(from, to)| format!("{from} to {to}")).collect()
}

/// Checks that the rules of a table are named `any` or one of `known`.
fn check_names(
    table: &str,
    rules: &BTreeMap<String, Range>,
    mut known: Vec<String>,
) -> Result<(), String> {
    known.push("any".into());
    for name in rules.keys() {
        if !known.iter().any(|k| fold_name(k) == fold_name(name)) {
            let near = nearest(name, known.iter().map(String::as_str))
                .map_or(String::new(), |near| format!("; did you mean {near:?}?"));
            return Err(format!(
                "rules.{table}: {name:?} is not a step of the scale{near}"
            ));
        }
    }
    Ok(())
}

/// Checks the amounts of a table, which have no sign: the table determines whether they are
/// increases or reductions.
fn check_amounts(table: &str, rules: &BTreeMap<String, Range>) -> Result<(), String> {
    let takes_off = !table.ends_with("extras") && !table.ends_with("completeness");
    for (key, range) in rules {
        if range.low < Decimal::ZERO {
            return Err(format!(
                "{table}: {key:?} is {range}; write how much, without a sign"
            ));
        }
        if takes_off && range.unit == RangeUnit::Percent && range.high >= Decimal::from(100) {
            return Err(format!(
                "{table}: {key:?} is {range}; no more than 99 % can come off a price"
            ));
        }
    }
    Ok(())
}

impl Rules {
    /// Checks all rules, including those of kits for missing pieces, against these scales.
    pub(super) fn check<'a>(
        &self,
        kits: &BTreeMap<String, Kit>,
        grades: impl Iterator<Item = &'a str> + Clone,
        completeness: impl Iterator<Item = &'a str> + Clone,
    ) -> Result<(), String> {
        check_names("grades", &self.grades, steps(grades))?;
        check_names("completeness", &self.completeness, steps(completeness))?;
        let ways = vec!["auction".into(), "offer".into()];
        check_names("how_sold", &self.how_sold, ways)?;
        check_amounts("rules.grades", &self.grades)?;
        check_amounts("rules.completeness", &self.completeness)?;
        check_amounts("rules.missing", &self.missing)?;
        check_amounts("rules.extras", &self.extras)?;
        check_amounts("rules.defects", &self.defects)?;
        for (model, kit) in kits {
            check_amounts(&format!("kits.{model:?}.missing"), &kit.missing)?;
        }
        for (name, range) in [
            ("trend_per_month", &self.trend_per_month),
            ("variant", &self.variant),
            ("parts_only", &self.parts_only),
        ] {
            if range.unit != RangeUnit::Percent {
                return Err(format!(
                    "rules.{name}: expected per cent, such as \"5 to 15 %\""
                ));
            }
        }
        if self.parts_only.low <= Decimal::ZERO {
            return Err("rules.parts_only: expected a share above 0 %".into());
        }
        Ok(())
    }
}
