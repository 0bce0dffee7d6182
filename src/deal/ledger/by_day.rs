//! The ledger at the end of a day: what entries come to by their days, whatever the order in which
//! they were recorded.
//!
//! Of a day count the postings of all entries dated up to it. In force are those of them that no
//! entry dated up to it reverses; folded by day, then by number, they give the deals.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use rust_decimal::Decimal;

use super::Ledger;
use super::deal::name;
use super::drawer::Drawer;
use super::refusal::{Refusal, refuse};
use crate::trade::entry::{Account, Entry, Kind};
use crate::trade::part::PartLine;

/// Entries that are left out of a ledger because they are dated later.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Later {
    /// Number of entries.
    pub count: usize,
    /// Day of the first.
    pub from: NaiveDate,
}

/// An entry that does not follow on those dated before it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Misfit {
    /// Its number.
    pub number: u32,
    /// Why it does not follow.
    pub refusal: Refusal,
}

impl Ledger {
    /// The ledger at the end of a day.
    pub fn up_to(&self, day: NaiveDate) -> Self {
        let dated: Vec<&Entry> = self
            .entries
            .iter()
            .filter(|entry| entry.on <= day)
            .collect();
        let mut then = Self::new(self.decimals);
        then.replay(&dated);
        then.replay_drawer(&dated);
        for entry in &dated {
            then.totals += entry.postings;
            if let Some(target) = entry.reverses {
                then.reversed.insert(target, entry.number);
            }
            if entry.kind == Kind::Buy {
                then.opened = then.opened.max(entry.deal.unwrap_or_default());
            }
        }
        then.entries = dated.into_iter().cloned().collect();
        then
    }

    /// The entries dated later than a day.
    pub fn later_than(&self, day: NaiveDate) -> Option<Later> {
        let days = self.entries.iter().map(|entry| entry.on);
        let later: Vec<NaiveDate> = days.filter(|on| *on > day).collect();
        let from = later.iter().min().copied()?;
        let count = later.len();
        Some(Later { count, from })
    }

    /// Entries that do not follow on those dated before them, in a ledger made by
    /// [`Ledger::up_to`]. Since [`Ledger::fits_by_day`] is asked, no new ones come about.
    pub fn misfits(&self) -> &[Misfit] {
        &self.misfits
    }

    /// Folds the entries in force among these into deals, by day and number.
    fn replay(&mut self, dated: &[&Entry]) {
        for entry in in_force(dated) {
            if let Err(refusal) = self.follows(entry) {
                self.misfits.push(Misfit {
                    number: entry.number,
                    refusal,
                });
            }
            self.fold(entry);
        }
    }

    /// Applies the entries in force among these to the drawer, by day and number.
    fn replay_drawer(&mut self, dated: &[&Entry]) {
        let (drawer, misfit) = Drawer::after(in_force(dated).into_iter());
        self.drawer = drawer;
        self.misfits
            .extend(misfit.map(|(number, refusal)| Misfit { number, refusal }));
    }

    /// Whether an entry still fits when all entries are taken by their days: a draw leaves cash on
    /// each day, and each entry of its deal follows on those dated before it.
    ///
    /// # Errors
    /// [`Refusal`] with the first day on which it does not.
    pub fn fits_by_day(&self, entry: &Entry) -> Result<(), Refusal> {
        self.fits_in_drawer(entry)?;
        match (entry.kind, entry.deal) {
            (Kind::Draw, _) => self.draw_fits(entry),
            (_, Some(id)) => self.fits_in_deal(entry, id),
            (_, None) => Ok(()),
        }
    }

    fn draw_fits(&self, entry: &Entry) -> Result<(), Refusal> {
        let amount = -entry.postings.get(Account::Cash);
        let mut at_start = Decimal::ZERO;
        let mut lowest = None;
        for at in self.course() {
            if at.on <= entry.on {
                at_start = at.cash;
            } else if at.cash < amount {
                lowest.get_or_insert((at.on, at.cash));
            }
        }
        let short = (at_start < amount).then_some((entry.on, at_start));
        match short.or(lowest) {
            Some((on, cash)) => refuse(
                format!("{amount} is more than the cash you had on {on}, {cash}"),
                "take out less, give a later date with --date, or first record money you paid in earlier: \
                    `compband ledger fund`",
            ),
            None => Ok(()),
        }
    }

    /// Whether no entry takes parts that are not there on some day.
    fn fits_in_drawer(&self, entry: &Entry) -> Result<(), Refusal> {
        let concerned = self.lots_fewer_by(entry);
        if concerned.is_empty() {
            return Ok(());
        }
        // Entries with their parts of these lots alone, and what reverses them.
        let mut moved: Vec<Entry> = Vec::new();
        for one in self.entries.iter().chain([entry]) {
            let of_lot = |line: &&PartLine| concerned.contains(&line.lot.unwrap_or(one.number));
            let parts: Vec<PartLine> = one.parts.iter().filter(of_lot).cloned().collect();
            if !parts.is_empty() || one.kind == Kind::Reverse {
                moved.push(Entry {
                    parts,
                    ..one.clone()
                });
            }
        }
        let new = |one: &Entry| one.number == entry.number;
        let later = moved.iter().map(|one| one.on).filter(|on| *on > entry.on);
        let days: BTreeSet<NaiveDate> = later.chain([entry.on]).collect();
        for day in days {
            let dated: Vec<&Entry> = moved.iter().filter(|one| one.on <= day).collect();
            let old: Vec<&Entry> = dated.iter().copied().filter(|one| !new(one)).collect();
            let (_, before) = Drawer::after(in_force(&old).into_iter());
            let (_, after) = Drawer::after(in_force(&dated).into_iter());
            if let Some((number, refusal)) = after
                && before.is_none()
            {
                return refuse(
                    format!(
                        "with the entries up to {day}, ledger entry {number} does not fit: {}",
                        refusal.message
                    ),
                    "give the right date with --date; `compband ledger entries` lists them",
                );
            }
        }
        Ok(())
    }

    /// The lots, by their entries, that have fewer parts with an entry: those that it takes from, and those that
    /// it takes back.
    fn lots_fewer_by(&self, entry: &Entry) -> BTreeSet<u32> {
        let target = entry.reverses.and_then(|number| self.entry(number).ok());
        let brought = target.filter(|one| one.parts.iter().any(|line| line.lot.is_none()));
        let taken = entry.parts.iter().filter_map(|line| line.lot);
        taken.chain(brought.map(|one| one.number)).collect()
    }

    fn fits_in_deal(&self, entry: &Entry, id: u32) -> Result<(), Refusal> {
        let of_deal = || self.entries.iter().filter(|one| one.deal == Some(id));
        let days: BTreeSet<NaiveDate> = of_deal()
            .map(|one| one.on)
            .filter(|on| *on > entry.on)
            .chain([entry.on])
            .collect();
        for day in days {
            let mut dated: Vec<&Entry> = of_deal().filter(|one| one.on <= day).collect();
            let (mut before, mut after) = (Self::new(self.decimals), Self::new(self.decimals));
            before.replay(&dated);
            dated.push(entry);
            after.replay(&dated);
            // A misfit of an old ledger does not keep its deal from being corrected.
            if let Some(misfit) = after.misfits.first()
                && before.misfits.is_empty()
            {
                return self.refuse_misfit(entry, misfit, day, id);
            }
        }
        Ok(())
    }

    fn refuse_misfit(
        &self,
        entry: &Entry,
        misfit: &Misfit,
        day: NaiveDate,
        id: u32,
    ) -> Result<(), Refusal> {
        let message = if misfit.number == entry.number {
            format!("with the entries up to {day}, {}", misfit.refusal.message)
        } else {
            format!(
                "with a {} dated {}, ledger entry {} of {} would no longer fit on {day}: {}",
                entry.kind.word(),
                entry.on,
                misfit.number,
                name(id),
                misfit.refusal.message
            )
        };
        let last = self.last_day_of(id).unwrap_or(day);
        refuse(message, format!("give --date {last} or a later date"))
    }

    /// Last day of the entries of a deal, reversed ones included.
    pub(super) fn last_day_of(&self, id: u32) -> Option<NaiveDate> {
        let of_deal = self.entries.iter().filter(|one| one.deal == Some(id));
        of_deal.map(|one| one.on).max()
    }
}

/// The entries in force among these, by day and number.
fn in_force<'e>(dated: &[&'e Entry]) -> Vec<&'e Entry> {
    let reversed: BTreeSet<u32> = dated.iter().filter_map(|entry| entry.reverses).collect();
    let mut in_force: Vec<&Entry> = dated
        .iter()
        .copied()
        .filter(|entry| entry.kind != Kind::Reverse && !reversed.contains(&entry.number))
        .collect();
    in_force.sort_by_key(|entry| (entry.on, entry.number));
    in_force
}
