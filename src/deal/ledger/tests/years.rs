//! Tests of calendar years.

use super::*;

/// Two years by hand. 2026: 300.00 put in, a unit for 47.00 with parts of 14.00 sold for 131.00 and 4.80, less
/// 12.34 and 5.70; 22.00 for two displays, 12.50 of tape, 7.20 of driving paid by the owner, a unit for 10.00.
/// 2027: a display into that unit, which is scrapped for 1.00; the tape is taken back; 50.00 taken out.
#[test]
fn two_years_by_hand() {
    let mut ledger = story();
    let line = |lot, count, cost| PartLine {
        name: "display".into(),
        count,
        cost: cents(cost),
        lot,
    };
    let next_year = |on: i64| day(365 + on);
    let mut add = |make: &dyn Fn(&Ledger) -> Entry| {
        let entry = make(&ledger);
        ledger.fits_by_day(&entry).unwrap();
        ledger.enter(entry).unwrap();
    };
    add(&|it| it.part(day(40), vec![line(None, 2, 2_200)], Vec::new()));
    add(&|it| it.overhead(day(41), cents(1_250), Decimal::from(15)));
    add(&|it| it.own_overhead(day(42), cents(720), Decimal::ZERO));
    add(&|it| it.buy(day(364), purchase(1_000)));
    add(&|it| it.use_part(next_year(3), 2, vec![line(Some(5), 1, 1_100)]));
    add(&|it| it.scrap(next_year(4), 2, cents(100)));
    add(&|it| it.reverse(Some(next_year(5)), 6).unwrap());
    add(&|it| it.draw(next_year(6), cents(5_000)));
    let years = ledger.years(next_year(99));
    let [first, second] = years.as_slice() else {
        panic!("{years:?}");
    };
    assert!(first.is_balanced() && second.is_balanced());
    assert!(!first.is_part_of_year() && second.is_part_of_year());
    assert_eq!(first.closing, second.opening);
    assert_eq!(
        first.closing,
        Held {
            on: day(364),
            cash: cents(35_676 - 2_200 - 1_250 - 1_000),
            stock: cents(1_000),
            parts: cents(2_200),
            units: 1,
        }
    );
    assert_eq!(
        first.moves,
        Moves {
            sales: cents(13_100),
            shipping_paid: cents(480),
            cost: cents(6_100),
            fees: cents(1_234),
            postage: cents(570),
            overheads: cents(1_970),
            units_bought: cents(5_700),
            spent: cents(1_400),
            parts_bought: cents(2_200),
            put_in: cents(30_000),
            own: cents(720),
            minutes: Decimal::from(45),
            bought: 2,
            sold: 1,
            ..Moves::default()
        }
    );
    assert_eq!(first.moves.profit(), cents(5_676 - 1_970));
    assert_eq!(
        second.moves,
        Moves {
            overheads: cents(-1_250),
            losses: cents(2_000),
            scrap: cents(100),
            taken_out: cents(5_000),
            minutes: Decimal::from(-15),
            scrapped: 1,
            ..Moves::default()
        }
    );
    assert_eq!(
        second.closing.bankroll(),
        cents(35_676 - 1_250 + 1_250 - 2_000 - 5_000)
    );
    assert_eq!(ledger.own_overheads(), cents(720));
}

proptest! {
    /// Entries are recorded in any order of days. As of every day the accounts are the sums of the
    /// postings dated up to it, and the deals come to the same.
    #[test]
    fn as_of_every_day_the_sums_are_those_of_its_postings(
        acts in prop::collection::vec((act(), 0..40i64, any::<bool>()), 0..60)
    ) {
        let mut ledger = Ledger::new(2);
        for (act, on, on_its_day) in &acts {
            let Some(mut entry) = entry(&ledger, day(*on), act) else { continue };
            if let (Kind::Reverse, true) = (entry.kind, on_its_day) {
                entry = ledger.reverse(Some(day(*on)), entry.reverses.unwrap()).unwrap();
            }
            let mut with = ledger.clone();
            if ledger.fits_by_day(&entry).is_ok() && with.enter(entry).is_ok() {
                ledger = with;
            }
        }
        for on in 0..41 {
            let then = ledger.up_to(day(on));
            let mut sums: BTreeMap<Account, Decimal> = BTreeMap::new();
            for entry in ledger.entries().iter().filter(|entry| entry.on <= day(on)) {
                for (account, amount) in entry.postings.iter() {
                    *sums.entry(account).or_default() += amount;
                }
            }
            for account in Account::ALL {
                let sum = sums.get(&account).copied().unwrap_or_default();
                prop_assert_eq!(then.totals().get(account), sum, "{:?} {}", account, on);
            }
            prop_assert_eq!(then.misfits(), []);
            let left_out = ledger.later_than(day(on)).map_or(0, |later| later.count);
            prop_assert_eq!(then.entries().len() + left_out, ledger.entries().len());
            holds(&then)?;
        }
        years_balance(&ledger, &[day(0), day(9), day(10), day(27), day(41)])?;
        let last = ledger.up_to(day(100));
        prop_assert_eq!(&last.deals, &ledger.deals);
        prop_assert_eq!(&last.reversed, &ledger.reversed);
    }
}

/// A long ledger of all kinds of entries over two years, recorded about in order; their number is
/// `COMPBAND_LEDGER_ENTRIES`.
#[test]
fn a_long_ledger_balances() {
    let said = std::env::var("COMPBAND_LEDGER_ENTRIES").ok();
    let most: usize = said.map_or(600, |text| text.parse().unwrap());
    let (mut runner, mut ledger) = (TestRunner::deterministic(), Ledger::new(2));
    let fund = ledger.fund(day(0), cents(100_000_000));
    ledger.enter(fund).unwrap();
    let mut draw = |from: &BoxedStrategy<Act>| from.new_tree(&mut runner).unwrap().current();
    let (acts, mut tried) = (act().boxed(), 0_usize);
    let mut kinds: BTreeMap<&str, usize> = BTreeMap::new();
    while ledger.entries().len() < most {
        tried += 1;
        assert!(
            tried < 20 * most,
            "{} of {most} entries",
            ledger.entries().len()
        );
        let progress = ledger.entries().len() * 700 / most + tried * 7919 % 17;
        let on = day(i64::try_from(progress).unwrap());
        let Some(entry) = entry(&ledger, on, &draw(&acts)) else {
            continue;
        };
        if ledger.fits_by_day(&entry).is_ok() {
            let kind = entry.kind.word();
            if ledger.enter(entry).is_ok() {
                *kinds.entry(kind).or_default() += 1;
            }
        }
    }
    assert_eq!(kinds.len(), Kind::ALL.len(), "{kinds:?}");
    holds(&ledger).unwrap();
    for on in (0..730).step_by(if most > 1000 { 29 } else { 3 }) {
        let then = ledger.up_to(day(on));
        assert_eq!(then.misfits(), []);
        holds(&then).unwrap();
    }
    let years = ledger.years(day(729));
    let mut days: Vec<NaiveDate> = years.iter().map(|year| year.from).collect();
    days.push(day(730));
    years_balance(&ledger, &days).unwrap();
}
