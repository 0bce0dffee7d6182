//! Why an estimate is not what it was: the change of the likely price in steps that add up to it.
//!
//! The old estimate is turned into the new one by one input after the other, in this order:
//!
//! 1. *the rest*: the settings, what was said of the unit, what other models say, the program;
//! 2. *time*: the day of the estimate, by which sales weigh less and the trend goes on;
//! 3. *comps*: those that are gone, then those that were corrected, then those that are new, each
//!    by the day of its sale.
//!
//! After each, the estimate is made anew, and the step is what the likely price then changes by. As
//! every such price is rounded half-even to the minor unit, as any that is shown, the steps add up
//! to the change that is shown, to the last cent. Days come before comps because a sale of after the
//! old day says nothing on that day. What an input changes depends on those before it; the order
//! is the one above wherever it is told.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use rust_decimal::Decimal;

use crate::trade::Comp;

/// Most comps that get a step of their own; the least weighty of more share one.
pub const MOST_NAMED: usize = 12;

/// What becomes of a comp between two estimates.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fate {
    /// It is gone.
    Removed,
    /// It says something else.
    Corrected,
    /// It is new.
    Added,
}

/// A comp that is not what it was.
#[derive(Debug, Clone, PartialEq)]
pub struct CompChange {
    /// What became of it.
    pub fate: Fate,
    /// The comp as it is, or as it was where it is gone.
    pub comp: Comp,
}

/// What makes a step.
#[derive(Debug, Clone, PartialEq)]
pub enum Cause {
    /// Everything but the comps of the model and the day.
    Rest,
    /// The day of the estimate.
    Time {
        /// From this day.
        from: NaiveDate,
        /// To this one.
        to: NaiveDate,
    },
    /// Comps of the model.
    Comps(Vec<CompChange>),
}

/// An estimate along the way.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct At {
    /// Likely price, rounded to the minor unit.
    pub likely: Decimal,
    /// Comps that the tests left out.
    pub trimmed: BTreeSet<String>,
}

/// A step from one estimate to the next.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// What makes it; several where there is no estimate between them.
    pub causes: Vec<Cause>,
    /// What it changes of the likely price.
    pub by: Decimal,
    /// Comps that the tests leave out from here on, those of the step among them.
    pub trimmed: Vec<String>,
    /// Comps that they let in again.
    pub let_in: Vec<String>,
}

/// What an estimate is made from: the day and the comps of the model.
#[derive(Debug, Clone, Copy)]
pub struct Inputs<'a> {
    /// Day of the estimate.
    pub as_of: NaiveDate,
    /// Comps of the model, in any order.
    pub comps: &'a [Comp],
}

/// What became of the comps from `old` to `new`, in the order of the steps.
pub fn comp_changes(old: &[Comp], new: &[Comp]) -> Vec<CompChange> {
    let by_id = |comps: &'_ [Comp]| -> BTreeMap<String, u64> {
        let hash = |comp: &Comp| (comp.comp_id.clone(), comp.content_hash());
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

/// The changes of comps by step: one each, or where there are many, the least weighty of them
/// together and first. `weight` is that of a comp by its identifier.
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

/// The change from the estimate `was`, of the inputs `old`, to the estimate `is` of the inputs
/// `new`, in steps whose sum is exactly `is.likely - was.likely`. `estimate` makes an estimate of a
/// day and comps with everything else as it is now; where it has none, the step is one with the
/// next. Steps without comps that change nothing are left out.
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
    steps.retain(Step::tells);
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
    /// Whether there is anything to say of it.
    fn tells(&self) -> bool {
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

    /// A price that depends on the day and every comp, and now and then is not there.
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
        /// The steps lead from the old to the new, whatever there is between them, and every
        /// change of a comp is in just one.
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
            let mut told: Vec<CompChange> = made
                .iter()
                .flat_map(|step| &step.causes)
                .flat_map(|cause| match cause { Cause::Comps(all) => all.clone(), _ => Vec::new() })
                .collect();
            let mut changes = comp_changes(&old, &new);
            let id = |change: &CompChange| change.comp.comp_id.clone();
            told.sort_by_key(id);
            changes.sort_by_key(id);
            prop_assert_eq!(told, changes);
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
