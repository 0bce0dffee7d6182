//! Random entries of the parts drawer, held against a count of every single part.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use proptest::prelude::*;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rust_decimal::Decimal;

use super::sample::day;
use super::{Ledger, Purchase, State};
use crate::deal::harvest::{Taken, share_cost};
use crate::trade::Unit;
use crate::trade::entry::{Account, Entry, Kind};
use crate::trade::part::PartLine;

const NAMES: [&str; 3] = ["display", "battery", "lid"];

/// One try: what kind of entry, its day, a part, a count, an amount, an earlier entry.
type Try = (u8, u64, usize, u32, i64, u32);

/// The entry of a try, if one can be made.
fn entry(ledger: &Ledger, (kind, at, part, count, amount, earlier): Try) -> Option<Entry> {
    let (on, name) = (day(at), NAMES[part]);
    let amount = Decimal::new(amount, 2);
    let open = ledger.deals().filter(|deal| deal.state == State::Open);
    let deal = open.map(|deal| deal.id).nth(part);
    let model = ["Bolv 83V", "Nulva 61K"][earlier as usize % 2];
    let picked = || {
        let drawer = ledger.drawer();
        if earlier % 3 == 0 {
            drawer.pick((name, count), on, 2).ok()
        } else {
            drawer.pick_for(model, (name, count), on, 2).ok()
        }
    };
    Some(match kind {
        0 | 1 => {
            let line = PartLine {
                name: name.into(),
                count,
                cost: amount,
                lot: None,
            };
            ledger.part(on, vec![line], vec![model.into()])
        }
        2 => ledger.buy(
            on,
            Purchase {
                paid: amount,
                unit: Unit::blank(model),
                estimate: None,
                asked: None,
            },
        ),
        3 | 4 => ledger.use_part(on, deal?, picked()?),
        5 => ledger.drop_part(on, picked()?, (amount / Decimal::TEN).round_dp(2)),
        6 => {
            let id = deal?;
            let cost = ledger.deal(id)?.sum(Account::Stock);
            let each = amount / Decimal::TWO;
            let taken = NAMES.iter().take(part + 1).map(|name| Taken {
                name: (*name).into(),
                count,
                each: each.round_dp(2),
            });
            let shared = share_cost(cost, &taken.collect::<Vec<_>>(), 2);
            ledger.harvest(on, id, shared.parts, vec![model.into()])
        }
        _ => ledger.reverse(None, earlier).ok()?,
    })
}

/// Parts left by name: what came in less what left, by the entries in force up to a day.
fn counted(ledger: &Ledger, until: NaiveDate) -> BTreeMap<String, i64> {
    let dated = || ledger.entries().iter().filter(|entry| entry.on <= until);
    let reversed: Vec<u32> = dated().filter_map(|entry| entry.reverses).collect();
    let mut left = BTreeMap::new();
    for entry in dated().filter(|entry| !reversed.contains(&entry.number)) {
        let sign = match entry.kind {
            Kind::Part | Kind::Harvest => 1,
            _ => -1,
        };
        for line in &entry.parts {
            *left.entry(line.name.clone()).or_default() += sign * i64::from(line.count);
        }
    }
    left
}

fn holds(ledger: &Ledger, until: NaiveDate) -> Result<(), TestCaseError> {
    let then = ledger.up_to(until);
    prop_assert_eq!(then.misfits(), []);
    prop_assert_eq!(then.drawer().cost(), then.totals().get(Account::Drawer));
    prop_assert_eq!(then.totals().sum(), Decimal::ZERO);
    for (name, left) in counted(ledger, until) {
        prop_assert!(left >= 0, "{}: {}", name, left);
        let there = then.drawer().lots().filter(|lot| lot.name == name);
        let there: u32 = there.map(|lot| lot.left).sum();
        prop_assert_eq!(i64::from(there), left, "{}", name);
    }
    for lot in then.drawer().lots() {
        prop_assert!(lot.cost >= Decimal::ZERO && lot.left <= lot.bought);
    }
    Ok(())
}

/// The ledger of those of the tries that are accepted, as the program does it: a refused entry changes nothing.
fn ledger_of(tries: impl IntoIterator<Item = Try>) -> Ledger {
    let mut ledger = Ledger::new(2);
    for one in tries {
        let Some(entry) = entry(&ledger, one) else {
            continue;
        };
        let mut after = ledger.clone();
        if after.enter(entry.clone()).is_ok() && ledger.fits_by_day(&entry).is_ok() {
            ledger = after;
        }
        assert_eq!(ledger.drawer().cost(), ledger.totals().get(Account::Drawer));
    }
    ledger
}

/// One long ledger, in which every kind of entry is accepted many times.
#[test]
fn a_long_ledger_holds_on_every_day() {
    let mut rng = StdRng::seed_from_u64(25);
    let tries = (0..1500).map(|_| {
        (
            rng.random_range(0..9),
            rng.random_range(0..60),
            rng.random_range(0..3),
            rng.random_range(1..4),
            rng.random_range(0..5000),
            rng.random_range(1..300),
        )
    });
    let ledger = ledger_of(tries.collect::<Vec<_>>());
    for kind in [
        Kind::Part,
        Kind::Use,
        Kind::Drop,
        Kind::Harvest,
        Kind::Reverse,
    ] {
        let entries = ledger.entries().iter();
        let of_kind = entries.filter(|entry| entry.kind == kind).count();
        assert!(of_kind > 10, "{of_kind} of {}", kind.word());
    }
    for at in 0..61 {
        holds(&ledger, day(at)).unwrap();
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Whatever is accepted: on every day no count is below 0, the drawer's value is the account's balance,
    /// and all accounts sum to 0.
    #[test]
    fn counts_and_costs_hold_on_every_day(
        tries in prop::collection::vec((0..9u8, 0..12u64, 0..3usize, 1..4u32, 0..5000i64, 1..30u32), 1..50)
    ) {
        let ledger = ledger_of(tries);
        for at in 0..13 {
            holds(&ledger, day(at))?;
        }
    }
}
