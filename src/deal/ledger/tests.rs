//! Tests of the ledger.

mod years;

use super::*;
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;
use rust_decimal::RoundingStrategy::ToZero as DOWN;

fn day(number: i64) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 1, 1).unwrap() + chrono::TimeDelta::days(number)
}

fn cents(amount: i64) -> Decimal {
    Decimal::new(amount, 2)
}

fn purchase(paid: i64) -> Purchase {
    Purchase {
        paid: cents(paid),
        unit: Unit::blank("Nulva 61K"),
        estimate: None,
        asked: None,
    }
}

fn story() -> Ledger {
    let mut ledger = Ledger::new(2);
    let fund = ledger.fund(day(0), cents(30_000));
    ledger.enter(fund).unwrap();
    let buy = ledger.buy(day(4), purchase(4_700));
    ledger.enter(buy).unwrap();
    let spend = ledger.spend(day(7), 1, cents(1_400), Decimal::from(30));
    ledger.enter(spend).unwrap();
    let sale = Sale {
        price: cents(13_100),
        shipping: cents(480),
        fees: cents(1_234),
        postage: cents(570),
    };
    let sold = ledger.sold(day(28), 1, &sale);
    ledger.enter(sold).unwrap();
    ledger
}

#[test]
fn a_deal_from_buying_to_selling() {
    let ledger = story();
    let deal = ledger.deal(1).unwrap();
    // 131 and 4.80 less 12.34, 5.70, 47 and 14.
    assert_eq!(deal.profit(), cents(5_676));
    assert_eq!(deal.per_hour(), Some(cents(11_352)));
    assert_eq!((deal.state, deal.days_held(day(90))), (State::Sold, 24));
    let summary = ledger.summary(day(34));
    assert_eq!(summary.now.bankroll(), cents(35_676));
    assert_eq!((summary.closed, summary.won, summary.open), (1, 1, 0));
    assert_eq!(ledger.offers(day(90), None), (0, 0.0));
    // 28 days at 300 and 7 at 356.76 (the last day counts whole): 5 weeks.
    let average = (28.0 * 300.0 + 7.0 * 356.76) / 35.0;
    assert!((summary.average - average).abs() < 1e-9 && summary.weeks == 5.0);
    assert!((summary.weekly.unwrap() - 56.76 / average / 5.0).abs() < 1e-12);
    assert!((summary.turnover.unwrap() - 61.0 / average * 365.25 / 35.0).abs() < 1e-12);
    let days: Vec<_> = ledger.course().iter().map(|at| (at.on, at.stock)).collect();
    let stock = [(0, 0), (4, 4_700), (7, 6_100), (28, 0)];
    assert_eq!(days, stock.map(|(at, money)| (day(at), cents(money))));
}

#[test]
fn a_unit_that_comes_back_is_in_stock_at_its_cost() {
    let mut ledger = story();
    let back = Refund {
        amount: cents(13_580),
        fees_back: cents(1_000),
        postage: cents(480),
    };
    let entry = ledger.refund(day(30), 1, &back, true);
    ledger.enter(entry).unwrap();
    let deal = ledger.deal(1).unwrap();
    assert_eq!(
        (deal.state, deal.sum(Account::Stock)),
        (State::Open, cents(6_100))
    );
    // Its cost: 2.34 of fees, postage of 5.70, and 4.80 for the return.
    assert_eq!(deal.profit(), cents(-1_284));
    assert_eq!(deal.days_held(day(40)), 24 + 10);
    let again = Sale {
        price: cents(10_000),
        ..Sale::default()
    };
    let early = ledger.sold(day(29), 1, &again);
    let refusal = ledger.enter(early).unwrap_err();
    assert!(
        refusal.message.contains("when d1 was returned"),
        "{refusal}"
    );
    let entry = ledger.sold(day(44), 1, &again);
    ledger.enter(entry).unwrap();
    assert_eq!(
        ledger.deal(1).unwrap().profit(),
        cents(10_000 - 1_284 - 6_100)
    );
    assert_eq!(ledger.own_sales(|deal| deal.foreseen), []);
}

#[test]
fn what_does_not_follow_is_refused() {
    let ledger = story();
    let sale = |price: i64| Sale {
        price: cents(price),
        ..Sale::default()
    };
    let refund = |amount: i64, fees_back: i64| Refund {
        amount: cents(amount),
        fees_back: cents(fees_back),
        postage: Decimal::ZERO,
    };
    let mut open = ledger.clone();
    let buy = open.buy(day(30), purchase(1_000));
    open.enter(buy).unwrap();
    for (entry, expected) in [
        (
            open.sold(day(40), 1, &sale(100)),
            "d1, \"Nulva 61K\", was sold on 2026-01-29",
        ),
        (
            open.spend(day(40), 1, cents(5), Decimal::ZERO),
            "was sold on",
        ),
        (open.sold(day(40), 7, &sale(100)), "there is no deal d7"),
        (
            open.sold(day(29), 2, &sale(100)),
            "is before 2026-01-31, when d2 was bought",
        ),
        (
            open.spend(day(29), 2, cents(5), Decimal::ZERO),
            "when d2 was bought",
        ),
        (
            open.spend(day(31), 2, Decimal::ZERO, Decimal::ZERO),
            "nothing was spent",
        ),
        (open.sold(day(31), 2, &sale(0)), "a sale for nothing"),
        (open.sold(day(31), 2, &sale(-5)), "negative amount"),
        (
            open.refund(day(31), 2, &refund(5, 0), false),
            "is in stock since",
        ),
        (
            open.refund(day(31), 1, &refund(13_581, 0), false),
            "a refund of 135.81 is more than you still have from the buyer of d1, 135.80",
        ),
        (
            open.refund(day(31), 1, &refund(5, 1_235), true),
            "is more than the fees taken, 12.34",
        ),
        (
            open.refund(day(31), 1, &refund(0, 0), false),
            "nothing is paid back",
        ),
        (
            open.draw(day(31), cents(34_677)),
            "is more than the cash you have, 346.76",
        ),
        (open.fund(day(31), Decimal::ZERO), "nothing is paid in"),
        (
            open.fund(day(31), Decimal::new(1, 3)),
            "cash 0.001: expected at most 2 decimals",
        ),
        (
            open.reverse(None, 2).unwrap(),
            "ledger entry 4 of d1 builds on ledger entry 2",
        ),
        (
            open.reverse(Some(day(27)), 4).unwrap(),
            "is before 2026-01-29, the date of ledger entry 4",
        ),
    ] {
        let before = (open.totals, open.entries.len());
        let refusal = open.enter(entry).unwrap_err();
        assert!(refusal.message.contains(expected), "{expected}: {refusal}");
        assert_eq!((open.totals, open.entries.len()), before);
    }
}

#[test]
fn an_entry_is_reversed_once() {
    let mut open = story();
    let buy = open.buy(day(30), purchase(1_000));
    open.enter(buy).unwrap();
    assert!(open.reverse(None, 99).is_err());
    let reversal = open.reverse(None, 4).unwrap();
    open.enter(reversal).unwrap();
    for (number, expected) in [
        (4, "already reversed, by ledger entry 6"),
        (6, "itself a reversal"),
    ] {
        let again = open.reverse(None, number).unwrap();
        let refusal = open.enter(again).unwrap_err();
        assert!(refusal.message.contains(expected), "{refusal}");
    }
}

#[test]
fn a_forged_entry_is_refused() {
    let ledger = story();
    for (at, true_entry) in ledger.entries().iter().enumerate() {
        let mut before = Ledger::new(2);
        for entry in &ledger.entries()[..at] {
            before.enter(entry.clone()).unwrap();
        }
        for from in Account::ALL {
            for to in Account::ALL.into_iter().filter(|to| *to != from) {
                let mut forged = true_entry.clone();
                forged.postings += Postings::of(&[(from, cents(1)), (to, cents(-1))]);
                // Another amount of the same form is also valid.
                let figures = |postings: &Postings| -> Vec<Account> {
                    postings.iter().map(|(account, _)| account).collect()
                };
                let taken = before.clone().enter(forged.clone()).is_ok();
                assert!(
                    !taken || figures(&forged.postings) == figures(&true_entry.postings),
                    "{from:?} {to:?} {forged:?}"
                );
                let stock = true_entry.postings.get(Account::Stock);
                let moves_stock = [from, to].contains(&Account::Stock);
                assert!(
                    !(taken && moves_stock && stock < Decimal::ZERO),
                    "{forged:?}"
                );
            }
        }
    }
}

/// An action on a ledger; numbers select a deal or an entry, counted from the newest.
#[derive(Debug, Clone)]
enum Act {
    Fund(i64),
    Draw(i64),
    Buy(i64),
    Spend(usize, i64, i64),
    Describe(usize),
    Sold(usize, [i64; 4]),
    Scrap(usize, i64),
    Refund(usize, [i64; 3], bool),
    Reverse(usize),
    List(usize, i64, usize),
    Unlist(usize, usize),
    Offer(usize, i64, usize),
    Part(usize, u32, i64),
    Use(usize, usize, u32),
    Drop(usize, u32, i64),
    Harvest(usize, [u32; 2], [i64; 2]),
    Overhead(i64, i64),
    Own(i64),
}

/// Outlets and parts of the acts.
const OUTLETS: [&str; 3] = ["parcel", "Doorstep", ""];
const PARTS: [&str; 3] = ["display", "battery", "board"];

fn act() -> impl Strategy<Value = Act> {
    let money = || 0..20_000i64;
    let pick = || 0..6usize;
    let some = || 0..3usize;
    prop_oneof![
        1 => money().prop_map(Act::Fund),
        1 => money().prop_map(Act::Draw),
        3 => money().prop_map(Act::Buy),
        2 => (pick(), money(), 0..90i64)
            .prop_map(|(deal, money, minutes)| Act::Spend(deal, money, minutes)),
        1 => pick().prop_map(Act::Describe),
        3 => (pick(), [1..30_000i64, 0..900, 0..3_000, 0..900])
            .prop_map(|(deal, sale)| Act::Sold(deal, sale)),
        1 => (pick(), 0..9_000i64).prop_map(|(deal, money)| Act::Scrap(deal, money)),
        2 => (pick(), [0..30_000i64, 0..900, 0..900], any::<bool>())
            .prop_map(|(deal, refund, back)| Act::Refund(deal, refund, back)),
        2 => (0..40usize).prop_map(Act::Reverse),
        3 => (pick(), money(), some()).prop_map(|(deal, ask, at)| Act::List(deal, ask, at)),
        2 => (pick(), some()).prop_map(|(deal, at)| Act::Unlist(deal, at)),
        1 => (pick(), money(), some()).prop_map(|(deal, offer, at)| Act::Offer(deal, offer, at)),
        2 => (some(), 1..4u32, 0..5_000i64).prop_map(|(part, n, money)| Act::Part(part, n, money)),
        2 => (pick(), some(), 1..4u32).prop_map(|(deal, part, n)| Act::Use(deal, part, n)),
        1 => (some(), 1..3u32, 0..500i64).prop_map(|(part, n, money)| Act::Drop(part, n, money)),
        1 => (pick(), [1..3u32, 1..4u32], [0..60i64, 0..41i64])
            .prop_map(|(deal, counts, percents)| Act::Harvest(deal, counts, percents)),
        1 => (money(), 0..90i64).prop_map(|(money, minutes)| Act::Overhead(money, minutes)),
        1 => money().prop_map(Act::Own),
    ]
}

fn entry(ledger: &Ledger, on: NaiveDate, act: &Act) -> Option<Entry> {
    let id = |pick: usize| {
        let ids: Vec<u32> = ledger.deals.keys().rev().take(6).copied().collect();
        ids.get(pick % ids.len().max(1)).copied().unwrap_or(1)
    };
    let line = |part: usize, count: u32, cost: Decimal| PartLine {
        name: PARTS[part].into(),
        count,
        cost,
        lot: None,
    };
    let picked = |part: usize, count: u32| ledger.drawer().pick((PARTS[part], count), on, 2).ok();
    Some(match *act {
        Act::Fund(money) => ledger.fund(on, cents(money)),
        Act::Draw(money) => ledger.draw(on, cents(money)),
        Act::Buy(money) => ledger.buy(on, purchase(money)),
        Act::Spend(deal, money, minutes) => {
            ledger.spend(on, id(deal), cents(money), minutes.into())
        }
        Act::Describe(deal) => ledger.describe(on, id(deal), purchase(0).unit),
        Act::Sold(deal, [price, shipping, fees, postage]) => {
            let sale = Sale {
                price: cents(price),
                shipping: cents(shipping),
                fees: cents(fees),
                postage: cents(postage),
            };
            ledger.sold(on, id(deal), &sale)
        }
        Act::Scrap(deal, money) => ledger.scrap(on, id(deal), cents(money)),
        Act::Refund(deal, [amount, fees_back, postage], back) => {
            let refund = Refund {
                amount: cents(amount),
                fees_back: cents(fees_back),
                postage: cents(postage),
            };
            ledger.refund(on, id(deal), &refund, back)
        }
        Act::Reverse(pick) => {
            let entries = ledger.entries().len();
            let number = u32::try_from(entries - pick % entries.max(1)).ok()?;
            ledger.reverse(None, number).ok()?
        }
        Act::List(deal, ask, at) => ledger.list(on, id(deal), cents(ask), OUTLETS[at]),
        Act::Unlist(deal, at) => ledger.unlist(on, id(deal), OUTLETS[at]),
        Act::Offer(deal, offer, at) => ledger.offer(on, id(deal), cents(offer), OUTLETS[at]),
        Act::Part(part, count, money) => {
            ledger.part(on, vec![line(part, count, cents(money))], Vec::new())
        }
        Act::Use(deal, part, count) => ledger.use_part(on, id(deal), picked(part, count)?),
        Act::Drop(part, count, money) => ledger.drop_part(on, picked(part, count)?, cents(money)),
        Act::Harvest(deal, counts, percents) => {
            let cost = ledger.held(id(deal));
            let share = |percent: i64| (cost * cents(percent)).round_dp_with_strategy(2, DOWN);
            let parts = [0, 1].map(|at| line(at, counts[at], share(percents[at])));
            ledger.harvest(on, id(deal), parts.to_vec(), vec!["Nulva 61K".into()])
        }
        Act::Overhead(money, minutes) => ledger.overhead(on, cents(money), minutes.into()),
        Act::Own(money) => ledger.own_overhead(on, cents(money), Decimal::ZERO),
    })
}

/// Money that an action brings in, less money it takes out, in plain arithmetic.
fn cash_of(act: &Act) -> Option<i64> {
    Some(match *act {
        Act::Fund(money) | Act::Scrap(_, money) | Act::Drop(_, _, money) => money,
        Act::Draw(money) | Act::Buy(money) | Act::Spend(_, money, _) => -money,
        Act::Part(_, _, money) | Act::Overhead(money, _) => -money,
        Act::Describe(_) | Act::List(..) | Act::Unlist(..) | Act::Offer(..) => 0,
        Act::Use(..) | Act::Harvest(..) | Act::Own(_) => 0,
        Act::Sold(_, [price, shipping, fees, postage]) => price + shipping - fees - postage,
        Act::Refund(_, [amount, fees_back, postage], _) => fees_back - amount - postage,
        Act::Reverse(_) => return None,
    })
}

fn holds(ledger: &Ledger) -> Result<(), TestCaseError> {
    prop_assert_eq!(ledger.totals.sum(), Decimal::ZERO);
    for entry in ledger.entries() {
        prop_assert_eq!(entry.postings.sum(), Decimal::ZERO);
    }
    let profits: Decimal = ledger.deals().map(Deal::profit).sum();
    let capital = -ledger.totals.get(Account::Capital);
    // Overheads and lost parts belong to no deal.
    let beside = ledger
        .in_force_without(0)
        .filter(|entry| entry.deal.is_none() && entry.kind != Kind::Reverse);
    let beside: Decimal = beside.map(|entry| entry.postings.profit()).sum();
    prop_assert_eq!(ledger.bankroll(), capital + profits + beside);
    prop_assert_eq!(ledger.totals.get(Account::Drawer), ledger.drawer.cost());
    let open = ledger.deals().filter(|deal| deal.state == State::Open);
    let stock: Decimal = open.map(Deal::cost).sum();
    prop_assert_eq!(ledger.totals.get(Account::Stock), stock);
    for deal in ledger.deals() {
        prop_assert!(deal.revenue() >= Decimal::ZERO && deal.sum(Account::Fees) >= Decimal::ZERO);
        let stock = if deal.state == State::Open {
            deal.cost()
        } else {
            Decimal::ZERO
        };
        prop_assert_eq!(deal.sum(Account::Stock), stock);
    }
    let last = ledger.course().last().map(Standing::bankroll);
    prop_assert_eq!(last.unwrap_or_default(), ledger.bankroll());
    Ok(())
}

/// Periods that begin on these days are balanced, follow on each other and come to the whole.
fn years_balance(ledger: &Ledger, days: &[NaiveDate]) -> Result<(), TestCaseError> {
    let end = |next: NaiveDate| next.pred_opt().unwrap();
    let pairs = days.windows(2);
    let periods: Vec<Period> = pairs
        .map(|pair| ledger.period(pair[0], end(pair[1])))
        .collect();
    for pair in periods.windows(2) {
        prop_assert_eq!(pair[0].closing, pair[1].opening);
    }
    for period in &periods {
        prop_assert!(period.is_balanced(), "{period:?}");
        let totals = *ledger.up_to(period.to).totals();
        let closing = period.closing;
        let held = [Account::Cash, Account::Stock, Account::Drawer].map(|one| totals.get(one));
        prop_assert_eq!([closing.cash, closing.stock, closing.parts], held);
    }
    let profit: Decimal = periods.iter().map(|period| period.moves.profit()).sum();
    prop_assert_eq!(profit, ledger.totals.profit());
    let minutes: Decimal = periods.iter().map(|period| period.moves.minutes).sum();
    let worked = ledger.in_force_without(0).map(|entry| entry.minutes).sum();
    prop_assert_eq!(minutes, worked);
    Ok(())
}

proptest! {
    #[test]
    fn the_books_balance_whatever_is_done(acts in prop::collection::vec((act(), 0..4i64), 0..60)) {
        let (mut ledger, mut today) = (Ledger::new(2), 0);
        // Cash by entry number, as plain whole cents.
        let mut cash: BTreeMap<u32, i64> = BTreeMap::new();
        for (act, later) in &acts {
            today += later;
            let before = ledger.clone();
            let Some(entry) = entry(&ledger, day(today), act) else { continue };
            let (number, reverses) = (entry.number, entry.reverses);
            if ledger.enter(entry).is_err() {
                prop_assert_eq!(ledger.totals, before.totals);
                prop_assert_eq!(&ledger.entries, &before.entries);
                prop_assert_eq!(&ledger.deals, &before.deals);
                prop_assert_eq!(&ledger.drawer, &before.drawer);
                continue;
            }
            let moved = cash_of(act).or_else(|| Some(-*cash.get(&reverses?)?)).unwrap();
            cash.insert(number, moved);
            prop_assert_eq!(ledger.totals.get(Account::Cash), cents(cash.values().sum()));
            holds(&ledger)?;
            // An entry and its reversal leave everything unchanged.
            if reverses.is_none() {
                let mut back = ledger.clone();
                let reversal = back.reverse(None, number).unwrap();
                back.enter(reversal).unwrap();
                prop_assert_eq!(back.totals, before.totals);
                prop_assert_eq!(&back.deals, &before.deals);
                prop_assert_eq!(&back.drawer, &before.drawer);
            }
        }
        let mut again = Ledger::new(2);
        for entry in ledger.entries() {
            again.enter(entry.clone()).unwrap();
        }
        prop_assert_eq!(again.totals, ledger.totals);
        prop_assert_eq!(&again.deals, &ledger.deals);
        prop_assert_eq!(&again.drawer, &ledger.drawer);
        let all: Vec<u32> = ledger
            .entries()
            .iter()
            .filter(|entry| entry.kind != Kind::Reverse && ledger.reversed_by(entry.number).is_none())
            .map(|entry| entry.number)
            .collect();
        for number in all.into_iter().rev() {
            let reversal = ledger.reverse(None, number).unwrap();
            ledger.enter(reversal).unwrap();
        }
        prop_assert_eq!(ledger.totals, Postings::default());
        prop_assert_eq!(ledger.deals().count(), 0);
        prop_assert_eq!(ledger.drawer.lots().count(), 0);
    }
}

/// The example of a purchase of tomorrow that is recorded before money put in a week ago.
#[test]
fn the_ledger_of_a_day_takes_entries_by_their_days() {
    let mut ledger = Ledger::new(2);
    for (on, act) in [
        (0, Act::Fund(10_000)),
        (26, Act::Buy(1_000)),
        (19, Act::Fund(4_000)),
    ] {
        let entry = entry(&ledger, day(on), &act).unwrap();
        ledger.fits_by_day(&entry).unwrap();
        ledger.enter(entry).unwrap();
    }
    for (on, cash, later) in [
        (0, 10_000, Some((2, 19))),
        (18, 10_000, Some((2, 19))),
        (19, 14_000, Some((1, 26))),
        (25, 14_000, Some((1, 26))),
        (26, 13_000, None),
    ] {
        let then = ledger.up_to(day(on));
        assert_eq!(then.totals().get(Account::Cash), cents(cash), "{on}");
        let left_out = ledger
            .later_than(day(on))
            .map(|left| (left.count, left.from));
        assert_eq!(left_out, later.map(|(count, from)| (count, day(from))));
        assert_eq!(then.deals().count(), usize::from(on == 26));
    }
    // A description of an earlier day, recorded later, leaves that of the later day in force.
    let unit = |grade: &str| Unit {
        grade: Some(grade.into()),
        ..Unit::blank("Nulva 61K")
    };
    for (on, grade) in [(40, "C"), (30, "B")] {
        let entry = ledger.describe(day(on), 1, unit(grade));
        ledger.fits_by_day(&entry).unwrap();
        ledger.enter(entry).unwrap();
    }
    for (on, grade) in [
        (26, None),
        (30, Some("B")),
        (39, Some("B")),
        (40, Some("C")),
    ] {
        let then = ledger.up_to(day(on));
        assert_eq!(then.deal(1).unwrap().unit.grade.as_deref(), grade, "{on}");
    }
    assert_eq!(ledger.deals, ledger.up_to(day(40)).deals);
}

/// An entry that was reversed on a later day is in force until then: nothing may be recorded in between that
/// does not follow on it.
#[test]
fn what_does_not_follow_by_its_day_is_refused() {
    let sale = |price: i64| Sale {
        price: cents(price),
        ..Sale::default()
    };
    let mut ledger = story();
    let reversal = ledger.reverse(Some(day(40)), 4).unwrap();
    ledger.fits_by_day(&reversal).unwrap();
    ledger.enter(reversal).unwrap();
    let between = |ledger: &Ledger| {
        [
            (
                ledger.sold(day(30), 1, &sale(9_000)),
                "was sold on 2026-01-29",
            ),
            (ledger.scrap(day(39), 1, cents(5)), "was sold on 2026-01-29"),
            (
                ledger.spend(day(20), 1, cents(5), Decimal::ZERO),
                "with a spend dated 2026-01-21, ledger entry 4 of d1 would no longer fit on 2026-01-29",
            ),
            (
                ledger.reverse(Some(day(8)), 3).unwrap(),
                "ledger entry 4 of d1 would no longer fit",
            ),
            (
                ledger.draw(day(5), cents(25_400)),
                "254.00 is more than the cash you had on 2026-01-06, 253.00",
            ),
            (
                ledger.draw(day(5), cents(23_950)),
                "239.50 is more than the cash you had on 2026-01-08, 239.00",
            ),
        ]
    };
    for (entry, expected) in between(&ledger) {
        let refusal = ledger.fits_by_day(&entry).unwrap_err();
        assert!(refusal.message.contains(expected), "{expected}: {refusal}");
        let next = if entry.kind == Kind::Draw {
            "take out less"
        } else {
            "give --date 2026-02-10"
        };
        assert!(refusal.next.contains(next), "{refusal:?}");
    }
    // Without a given day, a reversal goes to the first day on which it fits.
    assert_eq!(ledger.reverse(None, 3).unwrap().on, day(40));
    let entry = ledger.sold(day(40), 1, &sale(9_000));
    ledger.fits_by_day(&entry).unwrap();
    // A ledger that has such entries opens; its sums are right and the entry is named.
    let mut old = ledger.clone();
    let (entry, _) = between(&ledger)[0].clone();
    old.enter(entry).unwrap();
    let then = old.up_to(day(35));
    let misfits: Vec<u32> = then.misfits().iter().map(|misfit| misfit.number).collect();
    assert_eq!(misfits, [6]);
    assert_eq!(then.totals().sum(), Decimal::ZERO);
    assert_eq!(old.up_to(day(40)).misfits(), []);
}

/// A late entry for an earlier day comes to the same as one recorded in time.
#[test]
fn a_listing_recorded_late_counts_from_its_day() {
    let mut ledger = Ledger::new(2);
    for (on, act) in [
        (0, Act::Buy(1_000)),
        (32, Act::List(0, 6_000, 0)),
        (9, Act::List(0, 7_000, 0)),
        (11, Act::Offer(0, 5_000, 0)),
    ] {
        let entry = entry(&ledger, day(on), &act).unwrap();
        ledger.fits_by_day(&entry).unwrap();
        ledger.enter(entry).unwrap();
    }
    let deal = ledger.deal(1).unwrap();
    assert_eq!((deal.listings.len(), deal.listings[0].from), (1, day(9)));
    assert_eq!(deal.listings[0].ask(), Some(cents(6_000)));
    assert_eq!(deal.offers_at(0), 1);
    assert_eq!(ledger.deals, ledger.up_to(day(32)).deals);
}
