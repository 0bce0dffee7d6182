//! Spare parts for a unit: what the drawer has, and what parts of its model are worth.

use rust_decimal::Decimal;

use super::AppError;
use crate::deal::bid::Costs;
use crate::deal::harvest::{Donor, Taken};
use crate::deal::ledger::Ledger;
use crate::settings::Settings;
use crate::trade::Unit;
use crate::trade::repair::{FromDrawer, ValueFrom, names_part};
use crate::trade::text::{excerpt, nearest, quoted};

/// The drawer and the settings, as far as they are about the parts of one model.
#[derive(Debug, Clone, Copy)]
pub struct Spares<'a> {
    /// The ledger on the day.
    pub ledger: &'a Ledger,
    /// The settings of the book.
    pub settings: &'a Settings,
    /// The model.
    pub model: &'a str,
}

impl<'a> Spares<'a> {
    /// The cost of replacing one part, and its source: its value in the settings, or what it cost the
    /// last time that it was bought, or else taken out of a unit. `name` is folded.
    pub fn value(&self, name: &str) -> Option<(Decimal, ValueFrom)> {
        let decimals = self.settings.currency.decimals();
        let set = self.settings.parts_of(self.model);
        if let Some(value) = set.and_then(|parts| parts.value(name)) {
            return Some((value.round_dp(decimals), ValueFrom::Settings));
        }
        let last = self.ledger.last_cost(name, self.model)?;
        let from = if last.harvested {
            ValueFrom::Harvest(last.on)
        } else {
            ValueFrom::Purchase(last.on)
        };
        Some((last.each, from))
    }

    /// The value of the parts of a unit: those that the settings have for its model or else those in the
    /// drawer that fit it by the ledger, without what the unit lacks and what has a defect. `None` if
    /// nothing is known.
    pub fn donor(&self, unit: &Unit) -> Option<Donor> {
        let deal_minutes = self.settings.deal.harvest_minutes;
        let set = self.settings.parts_of(self.model);
        let minutes = set.and_then(|parts| parts.harvest_minutes);
        let known: Vec<(String, u32)> = match set.filter(|parts| !parts.values.is_empty()) {
            Some(parts) => parts.iter().map(|(name, count, _)| (name, count)).collect(),
            None => {
                let names = self.ledger.parts_of(self.model).into_iter();
                names.map(|name| (name.to_string(), 1)).collect()
            }
        };
        let broken = |name: &str| {
            let mut defects = unit.defects.iter();
            defects.any(|(defect, _)| names_part(defect, name))
        };
        let parts: Vec<Taken> = known
            .into_iter()
            .filter(|(name, _)| !broken(name))
            .filter_map(|(name, count)| {
                let count = count.saturating_sub(unit.missing.count(&name));
                let (each, _) = self.value(&name).filter(|_| count > 0)?;
                Some(Taken { name, count, each })
            })
            .filter(|part| !part.each.is_zero())
            .collect();
        (!parts.is_empty()).then(|| Donor {
            parts,
            minutes: minutes.unwrap_or(deal_minutes),
        })
    }

    /// The costs with what the parts from the drawer take to replace, and with what the unit is worth
    /// taken apart if a repair can fail and no salvage share is given.
    ///
    /// # Errors
    /// If the drawer does not have a part that fits.
    pub fn priced(&self, costs: &Costs, unit: &Unit) -> Result<Costs, AppError> {
        let mut costs = costs.clone();
        let needed: Vec<FromDrawer> = needed(&costs).cloned().collect();
        for repair in &mut costs.repairs {
            let Some(part) = &mut repair.drawer else {
                continue;
            };
            let all = needed.iter().filter(|other| other.name == part.name);
            self.check(&part.name, all.map(|other| other.count).sum())?;
            let (each, from) = self.value(&part.name).unwrap_or_default();
            repair.parts = each * Decimal::from(part.count);
            part.valued = from;
        }
        let can_fail = costs.repairs.iter().any(|repair| repair.success < 1.0);
        if can_fail && costs.salvage.is_none() {
            costs.donor = self.donor(unit);
        }
        Ok(costs)
    }

    /// Checks that the drawer has so many parts of a name that fit the model.
    fn check(&self, name: &str, count: u32) -> Result<(), AppError> {
        let lots = || self.ledger.drawer().lots();
        let named = || lots().filter(|lot| lot.name == name);
        let fit: u32 = named()
            .filter(|lot| lot.fits(self.model))
            .map(|lot| lot.left)
            .sum();
        if fit >= count {
            return Ok(());
        }
        let mut others: Vec<&str> = named()
            .filter(|lot| !lot.fits(self.model))
            .flat_map(|lot| lot.fits.iter().map(String::as_str))
            .collect();
        others.dedup();
        let near = nearest(
            name,
            lots().map(|lot| lot.name.as_str()).filter(|n| *n != name),
        );
        let next = match (others.is_empty(), near) {
            (false, _) => format!("the one there is fits {}; ", others.join(", ")),
            (true, Some(near)) if fit == 0 => format!("did you mean {}? ", quoted(near)),
            _ => String::new(),
        };
        Err(AppError::Absent {
            message: format!(
                "the drawer has {fit} of {} for {}, not {count}",
                excerpt(name, 60),
                excerpt(self.model, 60)
            ),
            next: format!(
                "{next}`compband part list` shows what is there; a part to be bought is \"parts AMOUNT\""
            ),
        })
    }
}

/// The parts that the repairs take from the drawer.
pub fn needed(costs: &Costs) -> impl Iterator<Item = &FromDrawer> {
    costs
        .repairs
        .iter()
        .filter_map(|repair| repair.drawer.as_ref())
}
