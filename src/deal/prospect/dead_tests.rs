//! Repairs from the drawer, failures that spoil the part or not, and units that are taken apart: against an
//! enumeration of every course of events, and against a simulation.

use proptest::prelude::*;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use super::*;
use crate::settings::selling::{Outlet, Shipping};
use crate::trade::repair::{FromDrawer, ValueFrom};

const PRICES: [f64; 4] = [90.0, 120.0, 140.0, 180.0];
const DEAD: [f64; 4] = [10.0, 18.0, 25.0, 60.0];

fn dec(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn logs(prices: &[f64]) -> Vec<f64> {
    prices.iter().map(|price| price.ln()).collect()
}

fn repair(what: &str, parts: i64, drawer: bool, success: f64, spoils: f64) -> Repair {
    Repair {
        parts: Decimal::from(parts),
        minutes: Decimal::from(20),
        drawer: drawer.then(|| FromDrawer {
            name: what.into(),
            count: 1,
            valued: ValueFrom::Settings,
        }),
        spoils,
        ..Repair::new(what, success)
    }
}

fn donor(values: &[(&str, i64)]) -> Donor {
    Donor {
        parts: values
            .iter()
            .map(|(name, each)| Taken {
                name: (*name).into(),
                count: 1,
                each: Decimal::from(*each),
            })
            .collect(),
        minutes: Decimal::from(30),
    }
}

/// Terms of an outlet with returns.
fn terms(run: impl FnOnce(&Sale<'_>)) {
    let outlet: Outlet = toml::from_str(
        "fee = { percent = 9, of = \"delivered\", fixed = 0.35 }\nshipping = \"seller\"\n\
         returns = { percent = 5, cost = 8, loses = 10 }",
    )
    .unwrap();
    let currency = Currency { code: "EUR".into() };
    let shipping: Shipping = toml::from_str("packing = 0.9\nbands = [{ cost = 4.8 }]").unwrap();
    let terms = Terms::new(&outlet, &shipping, &currency, Some(dec("600")), None).unwrap();
    run(&Sale {
        terms: Some(&terms),
        basis: PriceBasis::Delivered,
        currency: &currency,
    });
}

/// Everything that is known of one course of events: the money left before the unit's cost, the cost of the
/// work, the minutes.
struct Course {
    chance: f64,
    left: Decimal,
    minutes: Decimal,
}

/// One sale by the outlet, returned or not: its chance and what is left of it.
fn sales(sale: &Sale<'_>, price: f64) -> [(f64, Decimal); 2] {
    let terms = sale.terms.unwrap();
    let price = sale.currency.from_statistics(price).unwrap();
    let net = terms.without_returns(price).net;
    [(0.95, net), (0.05, net - terms.return_cost(price))]
}

/// Sells a unit at each of these prices.
fn sell(plan: &Plan<'_>, prices: &[f64], before: &Course, all: &mut Vec<Course>) {
    for price in prices {
        for (share, net) in sales(plan.sale, *price) {
            all.push(Course {
                chance: before.chance * share / prices.len() as f64,
                left: before.left + net,
                minutes: before.minutes,
            });
        }
    }
}

/// Every course of events, by recursion: the repairs one by one, then the sale or the parts.
fn courses(plan: &Plan<'_>, at: usize, before: &Course, all: &mut Vec<Course>) {
    let Some(repair) = plan.repairs.get(at) else {
        return sell(plan, &PRICES, before, all);
    };
    let minutes = before.minutes + repair.minutes;
    let worth: Decimal = plan
        .donor
        .iter()
        .flat_map(|donor| &donor.parts)
        .filter(|part| plan.repairs[at..].iter().all(|one| one.what != part.name))
        .map(|part| part.each)
        .sum();
    let apart = plan.donor.map_or(Decimal::ZERO, |donor| donor.minutes);
    let whole: f64 = DEAD
        .iter()
        .flat_map(|price| sales(plan.sale, *price))
        .map(|(share, net)| share * net.to_f64().unwrap() / DEAD.len() as f64)
        .sum();
    let net_worth = worth - plan.wage * apart / Decimal::from(60);
    for (spent, share) in [
        (repair.parts, repair.spoils),
        (Decimal::ZERO, 1.0 - repair.spoils),
    ] {
        let mut dead = Course {
            chance: before.chance * (1.0 - repair.success) * share,
            left: before.left - spent,
            minutes,
        };
        if worth > Decimal::ZERO && net_worth.to_f64().unwrap() > whole {
            dead.left += worth;
            dead.minutes += apart;
            all.push(dead);
        } else {
            sell(plan, &DEAD, &dead, all);
        }
    }
    let next = Course {
        chance: before.chance * repair.success,
        left: before.left - repair.parts,
        minutes,
    };
    courses(plan, at + 1, &next, all);
}

/// All courses, that of a lost unit among them.
fn enumerated(plan: &Plan<'_>) -> Vec<Course> {
    let bought: Decimal = plan.repairs.iter().map(Repair::to_buy).sum();
    let mut all = vec![Course {
        chance: plan.lost,
        left: -bought,
        minutes: plan.minutes,
    }];
    let start = Course {
        chance: 1.0 - plan.lost,
        left: Decimal::ZERO,
        minutes: plan.minutes,
    };
    courses(plan, 0, &start, &mut all);
    all
}

fn value(course: &Course, wage: Decimal) -> f64 {
    let work = (wage * course.minutes / Decimal::from(60)).round_dp(2);
    (course.left - work).to_f64().unwrap()
}

fn agrees(plan: &Plan<'_>) {
    let prospect = plan.prospect();
    let all = enumerated(plan);
    let sum = |of: &dyn Fn(&Course) -> f64| all.iter().map(|c| c.chance * of(c)).sum::<f64>();
    assert!((sum(&|_| 1.0) - 1.0).abs() < 1e-12);
    let near =
        |one: f64, other: f64| assert!((one - other).abs() < 1e-6, "{one} {other}: {plan:?}");
    near(prospect.cash / 100.0, sum(&|c| c.left.to_f64().unwrap()));
    near(
        (prospect.cash - prospect.work) / 100.0,
        sum(&|c| value(c, plan.wage)),
    );
    near(prospect.hours, sum(&|c| c.minutes.to_f64().unwrap() / 60.0));
    for at in [-60, -20, 0, 5, 10, 30, 50, 80, 110, 150] {
        let below = |c: &Course| f64::from(u8::from(value(c, plan.wage) < f64::from(at) - 1e-9));
        near(prospect.chance_below(i64::from(at) * 100), sum(&below));
    }
}

#[test]
fn a_failed_repair_gives_the_part_back_or_spoils_it() {
    terms(|sale| {
        let (repaired, failed) = (logs(&PRICES), logs(&DEAD));
        let cash = |drawer, spoils| {
            let repairs = [repair("display", 22, drawer, 0.8, spoils)];
            let plan = Plan::plain(sale, &repaired, Failed::Prices(&failed), &repairs);
            agrees(&plan);
            let prospect = plan.prospect();
            let real = if drawer { (0, 2200) } else { (2200, 0) };
            assert_eq!((prospect.parts, prospect.drawer), real);
            prospect.cash
        };
        for drawer in [true, false] {
            let given_back = cash(drawer, 0.5) - cash(drawer, 1.0);
            // A failure in 5, half of which give back 22.00.
            assert!((given_back - 0.2 * 0.5 * 2200.0).abs() < 1e-6);
        }
        assert_eq!(
            cash(true, 1.0),
            cash(false, 1.0),
            "what it takes to replace counts"
        );
    });
}

#[test]
fn a_dead_unit_is_worth_the_best_of_whole_and_taken_apart() {
    terms(|sale| {
        let (repaired, failed) = (logs(&PRICES), logs(&DEAD));
        let repairs = [
            repair("display", 22, false, 0.7, 1.0),
            repair("battery", 6, true, 0.9, 0.0),
        ];
        let all = [("display", 18), ("battery", 6), ("lid", 3), ("board", 20)];
        for (parts, apart) in [
            (&all[..], [false, true]),
            (&all[..3], [false, false]),
            (&[], [false, false]),
        ] {
            let donor = donor(parts);
            let plan = Plan {
                minutes: Decimal::from(40),
                wage: Decimal::from(14),
                lost: 0.02,
                donor: Some(&donor),
                ..Plan::plain(sale, &repaired, Failed::Prices(&failed), &repairs)
            };
            agrees(&plan);
            let failures = plan.prospect().failures;
            let found: Vec<bool> = failures.iter().map(Failure::is_harvested).collect();
            assert_eq!(found, apart, "{failures:?}");
        }
    });
}

/// The same by chance: 200 000 units bought, repaired, sold or taken apart, and parts given back.
#[test]
fn a_simulation_of_repairs_from_the_drawer_agrees() {
    const DRAWS: u32 = 200_000;
    terms(|sale| {
        let (repaired, failed) = (logs(&PRICES), logs(&DEAD));
        let repairs = [
            repair("display", 22, true, 0.7, 0.5),
            repair("battery", 6, false, 0.9, 0.25),
        ];
        let donor = donor(&[("display", 30), ("battery", 6), ("board", 20)]);
        let prospect = Plan {
            minutes: Decimal::from(40),
            wage: Decimal::from(14),
            lost: 0.02,
            donor: Some(&donor),
            ..Plan::plain(sale, &repaired, Failed::Prices(&failed), &repairs)
        }
        .prospect();
        let mut rng = StdRng::seed_from_u64(12);
        let drawn = |rng: &mut StdRng| -> f64 {
            if rng.random::<f64>() < 0.02 {
                return -6.0 - 14.0 * 40.0 / 60.0;
            }
            let (mut left, mut minutes) = (0.0, 40.0);
            let mut broken = None;
            for repair in &repairs {
                minutes += 20.0;
                let parts = repair.parts.to_f64().unwrap();
                if rng.random::<f64>() < repair.success {
                    left -= parts;
                    continue;
                }
                if rng.random::<f64>() < repair.spoils {
                    left -= parts;
                }
                broken = Some(repair.what.as_str());
                break;
            }
            // The display failed: only the board is worth something, 20 and 30 minutes, which is less than
            // a sale leaves. The battery failed: display and board, 50, which is more.
            if broken == Some("battery") {
                return left + 50.0 - 14.0 * (minutes + 30.0) / 60.0;
            }
            let prices = if broken.is_some() { DEAD } else { PRICES };
            let price = prices[rng.random_range(0..prices.len())];
            let [(_, kept), (share, back)] = sales(sale, price);
            let net = if rng.random::<f64>() < share {
                back
            } else {
                kept
            };
            left + net.to_f64().unwrap() - 14.0 * minutes / 60.0
        };
        let values: Vec<f64> = (0..DRAWS).map(|_| drawn(&mut rng)).collect();
        let n = f64::from(DRAWS);
        let mean = values.iter().sum::<f64>() / n;
        let variance = values.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n;
        let exact = (prospect.cash - prospect.work) / 100.0;
        assert!(
            (exact - mean).abs() < 4.0 * (variance / n).sqrt() + 0.01,
            "{exact} {mean}"
        );
        for at in [-10, 10, 25, 60, 100, 140] {
            let below = values.iter().filter(|x| **x < f64::from(at)).count() as f64 / n;
            let exact = prospect.chance_below(i64::from(at) * 100);
            let error = 4.0 * (below * (1.0 - below) / n).sqrt() + 1e-9;
            assert!((below - exact).abs() < error, "{at}: {exact} {below}");
        }
    });
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn any_plan_agrees_with_the_enumeration(
        said in prop::collection::vec((0..30i64, any::<bool>(), 0.0..=1.0f64, 0.0..=1.0f64), 0..4),
        values in prop::collection::vec(0..40i64, 0..4),
        lost in 0.0..0.3f64,
        wage in 0..30i64,
    ) {
        terms(|sale| {
            let names = ["display", "battery", "lid", "board"];
            let (repaired, failed) = (logs(&PRICES), logs(&DEAD));
            let repairs: Vec<Repair> = said
                .iter()
                .zip(names)
                .map(|((parts, drawer, success, spoils), what)| repair(what, *parts, *drawer, *success, *spoils))
                .collect();
            let parts: Vec<(&str, i64)> = names.into_iter().rev().zip(values.iter().copied()).collect();
            let donor = donor(&parts);
            agrees(&Plan {
                minutes: Decimal::from(15),
                wage: Decimal::from(wage),
                lost,
                donor: (!parts.is_empty()).then_some(&donor),
                ..Plan::plain(sale, &repaired, Failed::Prices(&failed), &repairs)
            });
        });
    }
}
