//! Why an estimate changed: the change of the likely price, in steps that sum to it.
//!
//! The old inputs are replaced by the new ones, one after the other, in this order:
//!
//! 1. *the rest*: the settings, the description of the unit, the data of other models, the program;
//! 2. *time*: the day of the estimate, which lowers the weight of sales and moves the trend on;
//! 3. *comps*: first those removed, then those corrected, then those added, each in the order of
//!    the days of sale.
//!
//! A new estimate follows each replacement, and the step is the resulting change of the likely
//! price. Every such price is rounded half-even to the minor unit, like any price on the screen, so
//! that the steps sum exactly to the change shown. The day comes before the comps because a sale
//! after the old day would have no effect on that day. The effect of an input depends on those
//! before it; the order is always the one above.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use rust_decimal::Decimal;

use crate::trade::Comp;

/// Most comps with a step each; if there are more, those of least weight share one.
pub const MOST_NAMED: usize = 12;

/// How a comp changed between two estimates.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fate {
    /// It was removed.
    Removed,
    /// Its content was corrected.
    Corrected,
    /// It was added.
    Added,
}

/// A changed comp.
#[derive(Debug, Clone, PartialEq)]
pub struct CompChange {
    /// How it changed.
    pub fate: Fate,
    /// The new comp, or the old one if it was removed.
    pub comp: Comp,
}

/// Cause of a step.
#[derive(Debug, Clone, PartialEq)]
pub enum Cause {
    /// Everything but the comps of the model and the day.
    Rest,
    /// The day of the estimate.
    Time {
        /// Old day.
        from: NaiveDate,
        /// New day.
        to: NaiveDate,
    },
    /// Comps of the model.
    Comps(Vec<CompChange>),
}

/// An intermediate estimate.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct At {
    /// Likely price, rounded to the minor unit.
    pub likely: Decimal,
    /// Comps that the tests exclude.
    pub trimmed: BTreeSet<String>,
}

/// A step from one estimate to the next.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Its causes; several if there is no estimate between them.
    pub causes: Vec<Cause>,
    /// Change of the likely price.
    pub by: Decimal,
    /// Comps that the tests exclude from here on, including comps of the step.
    pub trimmed: Vec<String>,
    /// Comps that the tests include again.
    pub let_in: Vec<String>,
}

/// Inputs of an estimate: the day and the comps of the model.
#[derive(Debug, Clone, Copy)]
pub struct Inputs<'a> {
    /// Day of the estimate.
    pub as_of: NaiveDate,
    /// Comps of the model, in any order.
    pub comps: &'a [Comp],
}

/// The changes of the comps from `old` to `new`, in the order of the steps.
pub fn comp_changes(old: &[Comp], new: &[Comp]) -> Vec<CompChange> {
    let by_id = |comps: &'_ [Comp]| -> BTreeMap<String, u64> {
        // All are of one model, however it was spelt then.
        let hash = |comp: &Comp| {
            let facts = Comp {
                model: String::new(),
                ..comp.clone()
            };
            (comp.comp_id.clone(), facts.content_hash())
        };
        comps.iter().map(hash).collect()
    };
    let (before, after) = (by_id(old), by_id(new));
    let gone = old.iter().filter(|comp| !after.contains_key(&comp.comp_id));
    let gone = gone.map(|comp| (Fate::Removed, comp));
    let others = new
        .iter()
        .filter_map(|comp| match before.get(&comp.comp_id) {
            None => Some((Fate::Added, comp)),
            Some(hash) => (*hash != after[&comp.comp_id]).then_some((Fate::Corrected, comp)),
        });
    let mut changes: Vec<CompChange> = gone
        .chain(others)
        .map(|(fate, comp)| CompChange {
            fate,
            comp: comp.clone(),
        })
        .collect();
    // Undated sales come first: `None` is less than any day.
    let order = |change: &CompChange| (change.fate, change.comp.sold_on);
    changes.sort_by(|a, b| (order(a), &a.comp.comp_id).cmp(&(order(b), &b.comp.comp_id)));
    changes
}

/// Groups the changes of comps by step: one each, or, if there are many, those of least weight
/// together and first. `weight` returns the weight of a comp by its identifier.
fn grouped(changes: Vec<CompChange>, weight: &dyn Fn(&str) -> f64) -> Vec<Vec<CompChange>> {
    if changes.len() <= MOST_NAMED {
        return changes.into_iter().map(|change| vec![change]).collect();
    }
    let mut places: Vec<usize> = (0..changes.len()).collect();
    places.sort_by(|&a, &b| {
        let weight = |at: usize| weight(&changes[at].comp.comp_id);
        weight(b).total_cmp(&weight(a)).then(a.cmp(&b))
    });
    let named: BTreeSet<usize> = places.into_iter().take(MOST_NAMED - 1).collect();
    let mut groups = vec![Vec::new()];
    for (at, change) in changes.into_iter().enumerate() {
        if named.contains(&at) {
            groups.push(vec![change]);
        } else {
            groups[0].push(change);
        }
    }
    groups
}

/// The change from the estimate `was`, with the inputs `old`, to the estimate `is`, with the inputs
/// `new`, in steps whose sum is exactly `is.likely - was.likely`. `estimate` estimates for a day
/// and comps, with everything else as it is now; if it returns `None`, the step merges with the
/// next. Steps without comps and without effect are omitted.
pub fn steps(
    (was, old): (&At, Inputs<'_>),
    (is, new): (&At, Inputs<'_>),
    weight: &dyn Fn(&str) -> f64,
    estimate: &mut dyn FnMut(NaiveDate, &[Comp]) -> Option<At>,
) -> Vec<Step> {
    let groups = grouped(comp_changes(old.comps, new.comps), weight);
    let mut causes = vec![Cause::Rest];
    if old.as_of != new.as_of {
        causes.push(Cause::Time {
            from: old.as_of,
            to: new.as_of,
        });
    }
    causes.extend(groups.into_iter().map(Cause::Comps));
    let last = causes.len() - 1;
    let mut comps: BTreeMap<String, Comp> = old
        .comps
        .iter()
        .map(|comp| (comp.comp_id.clone(), comp.clone()))
        .collect();
    let mut as_of = old.as_of;
    let mut before = was.clone();
    let mut waiting = Vec::new();
    let mut steps = Vec::new();
    for (at, cause) in causes.into_iter().enumerate() {
        match &cause {
            Cause::Rest => {}
            Cause::Time { to, .. } => as_of = *to,
            Cause::Comps(changes) => changes.iter().for_each(|change| apply(&mut comps, change)),
        }
        waiting.push(cause);
        let after = if at == last {
            Some(is.clone())
        } else {
            let comps: Vec<Comp> = comps.values().cloned().collect();
            estimate(as_of, &comps)
        };
        if let Some(after) = after {
            steps.push(step(std::mem::take(&mut waiting), &before, &after));
            before = after;
        }
    }
    steps.retain(Step::matters);
    steps
}

fn apply(comps: &mut BTreeMap<String, Comp>, change: &CompChange) {
    let id = &change.comp.comp_id;
    match change.fate {
        Fate::Removed => drop(comps.remove(id)),
        Fate::Corrected | Fate::Added => drop(comps.insert(id.clone(), change.comp.clone())),
    }
}

fn step(causes: Vec<Cause>, before: &At, after: &At) -> Step {
    let beyond = |one: &At, other: &At| one.trimmed.difference(&other.trimmed).cloned().collect();
    Step {
        causes,
        by: after.likely - before.likely,
        trimmed: beyond(after, before),
        let_in: beyond(before, after),
    }
}

impl Step {
    /// Whether the step is worth reporting.
    fn matters(&self) -> bool {
        let comps = |cause: &Cause| matches!(cause, Cause::Comps(_));
        !self.by.is_zero()
            || self.causes.iter().any(comps)
            || !self.trimmed.is_empty()
            || !self.let_in.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn day(number: i32) -> NaiveDate {
        NaiveDate::from_epoch_days(20_000 + number).unwrap()
    }

    fn comp(id: usize, price: i64) -> Comp {
        Comp {
            comp_id: format!("id{id}"),
            model: "m".into(),
            sold_on: Some(day(id as i32 % 7)),
            price: Decimal::new(price, 2),
            ..Comp::blank("EUR")
        }
    }

    /// A price that depends on the day and every comp, and sometimes does not exist.
    fn price(as_of: NaiveDate, comps: &[Comp]) -> Option<At> {
        let sum: Decimal = comps.iter().map(|comp| comp.price).sum();
        let days = Decimal::from(as_of.to_epoch_days());
        let odd = comps.iter().filter(|c| c.price > Decimal::from(8));
        (comps.len() % 5 != 3).then(|| At {
            likely: sum / Decimal::from(3) + days,
            trimmed: odd.map(|c| c.comp_id.clone()).collect(),
        })
    }

    fn books() -> impl Strategy<Value = Vec<Comp>> {
        prop::collection::btree_map(0..40usize, 1..1000i64, 0..30)
            .prop_map(|map| map.into_iter().map(|(id, price)| comp(id, price)).collect())
    }

    proptest! {
        /// The steps lead from the old to the new estimate, whatever lies between, and every change
        /// of a comp is in exactly one.
        #[test]
        fn steps_add_up(old in books(), new in books(), days in (0..3i32, 0..3i32), ends in (0..5000i64, 0..5000i64)) {
            let at = |likely: i64| At { likely: Decimal::new(likely, 2), trimmed: BTreeSet::new() };
            let (was, is) = (at(ends.0), at(ends.1));
            let inputs = |day_number, comps| Inputs { as_of: day(day_number), comps };
            let made = steps(
                (&was, inputs(days.0, &old)),
                (&is, inputs(days.1, &new)),
                &|id| id.len() as f64,
                &mut price,
            );
            let sum: Decimal = made.iter().map(|step| step.by).sum();
            prop_assert_eq!(sum, is.likely - was.likely);
            let mut given: Vec<CompChange> = made
                .iter()
                .flat_map(|step| &step.causes)
                .flat_map(|cause| match cause { Cause::Comps(all) => all.clone(), _ => Vec::new() })
                .collect();
            let mut changes = comp_changes(&old, &new);
            let id = |change: &CompChange| change.comp.comp_id.clone();
            given.sort_by_key(id);
            changes.sort_by_key(id);
            prop_assert_eq!(given, changes);
        }
    }

    #[test]
    fn each_input_gets_its_own_step_in_order() {
        let old = [comp(1, 300), comp(2, 600), comp(4, 300)];
        let new = [comp(2, 600), comp(3, 930), comp(4, 360)];
        let at = |as_of, comps: &[Comp]| At {
            likely: comps.iter().map(|c| c.price).sum::<Decimal>() + Decimal::from(as_of),
            trimmed: BTreeSet::new(),
        };
        let was = At {
            likely: Decimal::from(10),
            ..At::default()
        };
        let is = at(2, &new);
        let mut estimate =
            |on: NaiveDate, comps: &[Comp]| Some(at(on.to_epoch_days() - 20_000, comps));
        let inputs = |as_of, comps| Inputs { as_of, comps };
        let made = steps(
            (&was, inputs(day(0), &old)),
            (&is, inputs(day(2), &new)),
            &|_| 1.0,
            &mut estimate,
        );
        let by: Vec<String> = made
            .iter()
            .map(|step| step.by.normalize().to_string())
            .collect();
        assert_eq!(by, ["2", "2", "-3", "0.6", "9.3"]);
        let fates: Vec<Fate> = made
            .iter()
            .flat_map(|step| &step.causes)
            .filter_map(|cause| match cause {
                Cause::Comps(all) => Some(all[0].fate),
                _ => None,
            })
            .collect();
        assert_eq!(fates, [Fate::Removed, Fate::Corrected, Fate::Added]);
        let same = steps(
            (&is, inputs(day(2), &new)),
            (&is, inputs(day(2), &new)),
            &|_| 1.0,
            &mut estimate,
        );
        assert!(same.is_empty());
    }
}
