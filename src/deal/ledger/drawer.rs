//! Parts at hand: inventory at cost, first in, first out.
//!
//! Parts that come in by one entry under one name are a *lot*. An entry that takes parts out names the lots,
//! so that what it costs never depends on entries that are recorded later. [`Drawer::pick`] chooses the oldest.
//! Parts of a lot share its cost equally, rounded half-even to the minor unit; the last one takes the rest.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::refusal::{Refusal, refuse};
use crate::trade::entry::{Entry, Kind};
use crate::trade::items::fold_name;
use crate::trade::names::match_key;
use crate::trade::part::PartLine;
use crate::trade::text::{nearest, quoted};

/// Parts of one name that came in by one entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lot {
    /// Number of the entry.
    pub entry: u32,
    /// Day of the entry.
    pub on: NaiveDate,
    /// Deal of the unit that they were taken out of, if they were.
    pub from: Option<u32>,
    /// Name of the parts, folded.
    pub name: String,
    /// Models that they fit; empty if not recorded.
    pub fits: Vec<String>,
    /// How many came in.
    pub bought: u32,
    /// How many are left.
    pub left: u32,
    /// Cost of those left.
    pub cost: Decimal,
}

impl Lot {
    /// Whether the parts fit a model: if it is named, or if none is.
    pub fn fits(&self, model: &str) -> bool {
        self.fits.is_empty() || names(&self.fits, model)
    }

    /// Whether these parts of it can leave on a day.
    fn has(&self, line: &PartLine, on: NaiveDate) -> bool {
        self.on <= on && self.left >= line.count && self.cost >= line.cost
    }

    /// Cost of some of the parts left.
    fn share(&self, count: u32, decimals: u32) -> Decimal {
        if count >= self.left {
            return self.cost;
        }
        let share = self.cost * Decimal::from(count) / Decimal::from(self.left);
        share.round_dp(decimals).min(self.cost)
    }
}

/// Whether a model is among those that parts fit by the record.
pub(super) fn names(fits: &[String], model: &str) -> bool {
    let key = match_key(model);
    fits.iter().any(|fit| match_key(fit) == key)
}

/// The parts at hand.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Drawer {
    /// The lots by the entries that brought them, used-up ones too.
    lots: BTreeMap<u32, Vec<Lot>>,
}

impl Drawer {
    /// The lots that are not used up, in the order of their entries.
    pub fn lots(&self) -> impl Iterator<Item = &Lot> {
        self.lots.values().flatten().filter(|lot| lot.left > 0)
    }

    /// Cost of all parts at hand.
    pub fn cost(&self) -> Decimal {
        self.lots().map(|lot| lot.cost).sum()
    }

    /// Number of parts of a name at hand on a day.
    pub fn count(&self, name: &str, on: NaiveDate) -> u32 {
        self.of_name(name, on).map(|lot| lot.left).sum()
    }

    fn of_name(&self, name: &str, on: NaiveDate) -> impl Iterator<Item = &Lot> {
        let name = fold_name(name);
        self.lots()
            .filter(move |lot| lot.name == name && lot.on <= on)
    }

    /// The oldest parts of a name that were at hand on a day, with their cost.
    ///
    /// # Errors
    /// If there are not as many.
    pub fn pick(
        &self,
        (name, count): (&str, u32),
        on: NaiveDate,
        decimals: u32,
    ) -> Result<Vec<PartLine>, Refusal> {
        self.pick_by((name, count), on, decimals, |_| false)
    }

    /// Like [`Drawer::pick`], but parts that fit a model come before those that do not.
    ///
    /// # Errors
    /// If there are not as many.
    pub fn pick_for(
        &self,
        model: &str,
        named: (&str, u32),
        on: NaiveDate,
        decimals: u32,
    ) -> Result<Vec<PartLine>, Refusal> {
        self.pick_by(named, on, decimals, |lot| !lot.fits(model))
    }

    /// The oldest parts of a name, those of lots that come `later` after all others.
    fn pick_by(
        &self,
        (name, count): (&str, u32),
        on: NaiveDate,
        decimals: u32,
        later: impl Fn(&Lot) -> bool,
    ) -> Result<Vec<PartLine>, Refusal> {
        let there = self.count(name, on);
        if there < count || count == 0 {
            return self.too_few((name, count), there, on);
        }
        let mut lots: Vec<&Lot> = self.of_name(name, on).collect();
        lots.sort_by_key(|lot| (later(lot), lot.on, lot.entry));
        let (mut missing, mut picked) = (count, Vec::new());
        for lot in lots {
            let taken = missing.min(lot.left);
            if taken > 0 {
                picked.push(PartLine {
                    name: lot.name.clone(),
                    count: taken,
                    cost: lot.share(taken, decimals),
                    lot: Some(lot.entry),
                });
                missing -= taken;
            }
        }
        Ok(picked)
    }

    fn too_few<T>(
        &self,
        (name, count): (&str, u32),
        there: u32,
        on: NaiveDate,
    ) -> Result<T, Refusal> {
        let names = self.lots().map(|lot| lot.name.as_str());
        let near = match nearest(&fold_name(name), names) {
            Some(near) if there == 0 => format!("did you mean {}? ", quoted(near)),
            _ => String::new(),
        };
        refuse(
            format!(
                "the drawer has {there} of {} on {on}, not {count}",
                quoted(name)
            ),
            format!(
                "{near}`compband part list` shows what you have, `compband part add` adds parts"
            ),
        )
    }

    /// Applies an entry: its parts come in or leave.
    ///
    /// # Errors
    /// If parts leave that are not there.
    pub(super) fn take(&mut self, entry: &Entry) -> Result<(), Refusal> {
        for line in &entry.parts {
            let Some(number) = line.lot else {
                self.lots.entry(entry.number).or_default().push(Lot {
                    entry: entry.number,
                    on: entry.on,
                    from: entry.deal,
                    name: line.name.clone(),
                    fits: entry.fits.clone(),
                    bought: line.count,
                    left: line.count,
                    cost: line.cost,
                });
                continue;
            };
            let lot = self.lot_mut(number, &line.name);
            match lot.filter(|lot| lot.has(line, entry.on)) {
                Some(lot) => {
                    lot.left -= line.count;
                    lot.cost -= line.cost;
                }
                None => return not_there(number, line, entry.on),
            }
        }
        Ok(())
    }

    /// Takes an applied entry back.
    pub(super) fn undo(&mut self, entry: &Entry) {
        for line in &entry.parts {
            match line.lot {
                None => {
                    self.lots.remove(&entry.number);
                }
                Some(number) => {
                    if let Some(lot) = self.lot_mut(number, &line.name) {
                        lot.left += line.count;
                        lot.cost += line.cost;
                    }
                }
            }
        }
    }

    /// Whether parts were taken of those that an entry brought.
    pub(super) fn is_taken_from(&self, entry: u32) -> bool {
        let lots = self.lots.get(&entry).into_iter().flatten();
        lots.into_iter().any(|lot| lot.left < lot.bought)
    }

    fn lot(&self, entry: u32, name: &str) -> Option<&Lot> {
        self.lots.get(&entry)?.iter().find(|lot| lot.name == name)
    }

    fn lot_mut(&mut self, entry: u32, name: &str) -> Option<&mut Lot> {
        let lots = self.lots.get_mut(&entry)?;
        lots.iter_mut().find(|lot| lot.name == name)
    }

    /// Checks that parts which leave are there and cost their share of their lot. An entry names each lot once.
    ///
    /// # Errors
    /// If they are not, or do not.
    pub(super) fn check(&self, entry: &Entry, decimals: u32) -> Result<(), Refusal> {
        for line in &entry.parts {
            let Some(number) = line.lot else { continue };
            let lot = self.lot(number, &line.name);
            if let Some(lot) = lot
                && lot.left >= line.count
                && lot.share(line.count, decimals) != line.cost
            {
                return refuse(
                    format!(
                        "{} x{} of ledger entry {} cost {}, not {}",
                        line.name,
                        line.count,
                        lot.entry,
                        lot.share(line.count, decimals),
                        line.cost
                    ),
                    "",
                );
            }
            if !lot.is_some_and(|lot| lot.has(line, entry.on)) {
                return not_there(number, line, entry.on);
            }
        }
        Ok(())
    }

    /// The drawer after these entries, in this order, with the first that takes what is not there.
    pub(super) fn after<'e>(
        entries: impl Iterator<Item = &'e Entry>,
    ) -> (Self, Option<(u32, Refusal)>) {
        let (mut drawer, mut misfit) = (Self::default(), None);
        for entry in entries.filter(|entry| entry.kind != Kind::Reverse) {
            if let Err(refusal) = drawer.take(entry) {
                misfit.get_or_insert((entry.number, refusal));
            }
        }
        (drawer, misfit)
    }
}

/// The refusal of parts that are not there.
fn not_there(entry: u32, line: &PartLine, on: NaiveDate) -> Result<(), Refusal> {
    refuse(
        format!(
            "{} x{} of ledger entry {entry} are not in the drawer on {on}",
            line.name, line.count
        ),
        "give the right date with --date; `compband part list` shows what you have",
    )
}

#[cfg(test)]
mod tests {
    use super::super::sample::{bought, day};
    use super::super::{Ledger, State};
    use super::*;
    use crate::trade::entry::Account;
    use crate::trade::part::parse_parts;

    fn dec(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn enter(ledger: &mut Ledger, entry: Entry) -> Result<(), String> {
        let before = ledger.clone();
        ledger
            .enter(entry.clone())
            .map_err(|refusal| refusal.message)?;
        before
            .fits_by_day(&entry)
            .map_err(|refusal| refusal.message)
    }

    fn part(ledger: &Ledger, at: u64, parts: &str) -> Entry {
        ledger.part(day(at), parse_parts(parts).unwrap(), Vec::new())
    }

    fn used(ledger: &Ledger, at: u64, count: u32) -> Result<Entry, String> {
        let picked = ledger.drawer().pick(("display", count), day(at), 2);
        let parts = picked.map_err(|refusal| refusal.message)?;
        Ok(ledger.use_part(day(at), 1, parts))
    }

    /// First in, first out: a perpetual inventory by hand. 10 at 3 each on the 1st, 5 at 3.50 on the
    /// 5th; 12 taken: 10 x 3 + 2 x 3.50 = 37, and 3 x 3.50 = 10.50 stay. (The way of reckoning: IAS 2,
    /// *Inventories*, paragraphs 25 to 27; figures our own.)
    #[test]
    fn first_in_first_out() {
        let mut ledger = bought(1, 0);
        let later = part(&ledger, 5, "display x5 = 17.50");
        enter(&mut ledger, later).unwrap();
        // Recorded later, dated earlier: taken first all the same.
        let earlier = part(&ledger, 1, "display x10 = 30.00");
        enter(&mut ledger, earlier).unwrap();
        let entry = used(&ledger, 6, 12).unwrap();
        let costs: Vec<(u32, Decimal)> = entry.parts.iter().map(|p| (p.count, p.cost)).collect();
        assert_eq!(costs, [(10, dec("30.00")), (2, dec("7.00"))]);
        enter(&mut ledger, entry).unwrap();
        assert_eq!(ledger.totals().get(Account::Drawer), dec("10.50"));
        assert_eq!(ledger.drawer().cost(), dec("10.50"));
        assert_eq!(ledger.deal(1).unwrap().cost(), dec("57.00"));
        assert_eq!(ledger.totals().sum(), Decimal::ZERO);
        assert_eq!(ledger.bankroll(), Decimal::ZERO);
    }

    /// Thirds of 10.00: 3.33, then half of 6.67 to the even coin, and the rest; nothing is lost.
    #[test]
    fn a_lot_is_used_up_to_the_last_coin() {
        let mut ledger = bought(1, 0);
        let entry = part(&ledger, 0, "display x3 = 10.00");
        enter(&mut ledger, entry).unwrap();
        let mut costs = Vec::new();
        for _ in 0..3 {
            let entry = used(&ledger, 1, 1).unwrap();
            costs.push(entry.parts[0].cost);
            enter(&mut ledger, entry).unwrap();
        }
        assert_eq!(costs, [dec("3.33"), dec("3.34"), dec("3.33")]);
        assert_eq!(ledger.totals().get(Account::Drawer), Decimal::ZERO);
        assert_eq!(ledger.drawer().lots().count(), 0);
    }

    #[test]
    fn counts_never_fall_below_nothing_on_any_day() {
        let mut ledger = bought(1, 0);
        assert!(used(&ledger, 9, 1).unwrap_err().contains("has 0 of"));
        let entry = part(&ledger, 5, "display x2 = 9.00");
        enter(&mut ledger, entry).unwrap();
        assert!(used(&ledger, 4, 1).is_err(), "not there yet");
        let entry = used(&ledger, 8, 2).unwrap();
        enter(&mut ledger, entry.clone()).unwrap();
        assert!(used(&ledger, 9, 1).is_err(), "used up");
        // The same parts once more, as a hand might write it.
        let twice = Entry {
            number: ledger.next_number(),
            ..entry
        };
        assert!(
            enter(&mut ledger.clone(), twice)
                .unwrap_err()
                .contains("not in the drawer")
        );
        // A part that was used cannot be taken back before its use is.
        let back = ledger.reverse(None, 2).unwrap();
        let refused = enter(&mut ledger.clone(), back).unwrap_err();
        assert_eq!(
            refused,
            "ledger entry 3 uses parts that ledger entry 2 brought"
        );
        let back = ledger.reverse(None, 3).unwrap();
        enter(&mut ledger, back).unwrap();
        assert_eq!(ledger.drawer().count("Display", day(9)), 2);
        let back = ledger.reverse(None, 2).unwrap();
        enter(&mut ledger, back).unwrap();
        assert_eq!(ledger.drawer().lots().count(), 0);
        assert_eq!(ledger.totals().get(Account::Drawer), Decimal::ZERO);
        // By day the parts were there and used from the 6th to the 9th, until both are reversed.
        assert_eq!(ledger.up_to(day(7)).misfits(), []);
    }

    #[test]
    fn the_cost_of_a_use_is_checked() {
        let mut ledger = bought(1, 0);
        let entry = part(&ledger, 0, "display x2 = 9.00");
        enter(&mut ledger, entry).unwrap();
        let parts = parse_parts("display x1 from 2 = 4.00").unwrap();
        let wrong = ledger.use_part(day(1), 1, parts);
        let refused = enter(&mut ledger.clone(), wrong).unwrap_err();
        assert_eq!(refused, "display x1 of ledger entry 2 cost 4.50, not 4.00");
        let brings = ledger.use_part(day(1), 1, parse_parts("display x1 = 4.50").unwrap());
        assert!(
            enter(&mut ledger, brings)
                .unwrap_err()
                .contains("wrong parts")
        );
    }

    #[test]
    fn a_unit_taken_apart_and_parts_dropped() {
        let mut ledger = bought(1, 0);
        let parts = parse_parts("display x1 = 12.00; battery x1 = 3.00").unwrap();
        let over = parse_parts("display x1 = 21.00").unwrap();
        let more = ledger.harvest(day(2), 1, over, Vec::new());
        assert!(
            enter(&mut ledger.clone(), more)
                .unwrap_err()
                .contains("negative amount")
        );
        let entry = ledger.harvest(day(2), 1, parts, vec!["Bolv 83V".into()]);
        enter(&mut ledger, entry).unwrap();
        let deal = ledger.deal(1).unwrap();
        assert_eq!(
            (deal.state, deal.profit()),
            (State::Harvested, dec("-5.00"))
        );
        assert_eq!(deal.revenue(), dec("15.00"));
        assert_eq!(ledger.drawer().cost(), dec("15.00"));
        let battery = ledger.drawer().pick(("battery", 1), day(3), 2).unwrap();
        let entry = ledger.drop_part(day(3), battery, dec("1.00"));
        enter(&mut ledger, entry).unwrap();
        assert_eq!(ledger.totals().get(Account::WriteOff), dec("7.00"));
        assert_eq!(ledger.totals().get(Account::Cash), dec("-19.00"));
        let back = ledger.reverse(None, 2).unwrap();
        assert!(
            enter(&mut ledger, back)
                .unwrap_err()
                .contains("ledger entry 3 uses parts")
        );
    }
}
