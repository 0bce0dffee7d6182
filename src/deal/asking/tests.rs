//! Tests of the market: closed forms, simulations, and all policies of small cases.

use super::buyers::Limits;
use super::stall::Stall;
use super::*;
use crate::deal::waiting::{Chance, Patience, Plan, Sold};
use proptest::prelude::*;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

/// Evenly from `low` to `high`.
fn even(low: f64, high: f64, count: usize) -> Vec<Chance> {
    let each = 1.0 / count as f64;
    (0..count)
        .map(|k| Chance {
            money: low + (high - low) * (k as f64 + 0.5) * each,
            chance: each,
        })
        .collect()
}

/// One level with these limits of buyers.
fn level(most: Vec<Chance>, end: f64) -> Vec<Level> {
    vec![Level {
        chance: 1.0,
        most,
        end,
    }]
}

fn most(end: f64) -> Vec<Level> {
    level(even(60.0, 140.0, 200), end)
}

fn buyers(levels: &[Level]) -> Buyers<'_> {
    Buyers {
        levels,
        rate: 1.5,
        haggling: 0.5,
        offered: 0.9,
        least: 0.0,
    }
}

fn net(price: f64) -> f64 {
    0.88 * price - 5.0
}

fn market<'a>(buyers: Buyers<'a>, deadline: Option<usize>) -> Market<'a> {
    Market {
        buyers,
        net: &net,
        asks: Asks::Steps(1.0),
        drift: 0.997,
        patience: Patience {
            discount: 0.995,
            cost: 0.4,
        },
        deadline,
    }
}

/// Without haggling and with valuations uniform on 0 to 1: the price A sells in a week with
/// probability q = 1 − exp(−λ(1 − A)), so that W = β q A/(1 − β(1 − q)); the best A by trying
/// all.
#[test]
fn the_asking_price_where_nobody_haggles() {
    let most = level(even(0.0, 1.0, 1000), 0.0);
    for (rate, discount) in [(0.5, 0.9), (2.0, 0.99), (6.0, 0.95)] {
        let market = Market {
            buyers: Buyers {
                levels: &most,
                rate,
                haggling: 0.0,
                offered: 0.9,
                least: 0.0,
            },
            net: &|price| price,
            asks: Asks::Steps(0.001),
            drift: 1.0,
            patience: Patience {
                discount,
                cost: 0.0,
            },
            deadline: None,
        };
        let value = |ask: f64| {
            let q = 1.0 - (-rate * (1.0 - ask)).exp();
            discount * q * ask / (1.0 - discount * (1.0 - q))
        };
        let best = (1..1000)
            .map(|k| f64::from(k) / 1000.0)
            .max_by(|a, b| value(*a).total_cmp(&value(*b)))
            .unwrap();
        let plan = market.plan();
        assert!((plan.least(0) - value(best)).abs() < 1e-6);
        assert!((plan.period(1).unwrap().week.ask.unwrap() - best).abs() < 2.1e-3);
    }
}

/// A simulation of the market as described: the discounted net less the cost of waiting, and
/// the number of weeks, agree with the plan.
#[test]
fn a_simulation_agrees() {
    let most = most(30.0);
    for deadline in [None, Some(4)] {
        let market = market(buyers(&most), deadline);
        let plan = market.plan();
        let mut random = StdRng::seed_from_u64(20_261);
        let runs = 40_000;
        let (mut value, mut weeks, mut left) = (0.0, 0.0, 0.0);
        for _ in 0..runs {
            let (money, paid, took) = live(
                &market,
                &plan,
                &|random| 60.0 + 80.0 * random.random::<f64>(),
                &mut random,
            );
            value += money / f64::from(runs);
            left += paid / f64::from(runs);
            weeks += took / f64::from(runs);
        }
        // Three standard errors: the standard deviation of a sale's net is below 20, that of
        // the weeks below 3.
        let root = f64::from(runs).sqrt();
        assert!(
            (value - plan.least(0)).abs() < 60.0 / root,
            "{value} {}",
            plan.least(0)
        );
        assert!(
            (left - plan.left()).abs() < 60.0 / root,
            "{left} {}",
            plan.left()
        );
        let expected = plan.weeks().unwrap();
        assert!((weeks - expected).abs() < 9.0 / root, "{weeks} {expected}");
    }
}

/// Simulates one unit: its discounted value, its final net, the weeks.
/// `limit` draws the most that a buyer would pay.
fn live(
    market: &Market<'_>,
    plan: &Plan,
    limit: &dyn Fn(&mut StdRng) -> f64,
    random: &mut StdRng,
) -> (f64, f64, f64) {
    let buyers = market.buyers;
    let (mut value, mut today) = (0.0, 1.0);
    for week in 1..10_000_usize {
        if let Some(weeks) = market.deadline
            && week > weeks
        {
            let end = market.buyers.levels[0].end;
            return (value + today * end, end, weeks as f64);
        }
        value -= today * market.patience.cost;
        today *= market.patience.discount;
        let scale = market.drift.powi(week.min(TREND_WEEKS) as i32);
        let ask = plan.period(week).unwrap().week.ask.unwrap();
        let (mut paid, mut offer) = (false, f64::MIN);
        // Arrivals of a Poisson process within the week.
        let mut at = 0.0;
        loop {
            at -= (1.0 - random.random::<f64>()).ln() / buyers.rate;
            if at > 1.0 {
                break;
            }
            let most = scale * limit(random);
            if most >= ask {
                paid = true;
            } else if random.random::<f64>() < buyers.haggling {
                offer = offer.max(net(buyers.offered * most));
            }
        }
        let taken = if paid {
            Some(net(ask))
        } else {
            Some(offer).filter(|o| *o >= plan.least(week))
        };
        if let Some(left) = taken {
            return (value + today * left, left, week as f64);
        }
    }
    unreachable!("never sold")
}

/// Levels about `centre`, apart by `apart` in log price, each equally likely; limits evenly 20 % about
/// them, and ends as a share of them.
pub(super) fn levels(centre: f64, apart: f64, count: usize, end: f64) -> Vec<Level> {
    let of = |k: usize| {
        let centre = centre * (apart * (k as f64 - (count as f64 - 1.0) / 2.0)).exp();
        Level {
            chance: 1.0 / count as f64,
            most: even(0.8 * centre, 1.2 * centre, 60),
            end: end * centre,
        }
    };
    (0..count).map(of).collect()
}

/// Levels that are all the same are one known level.
#[test]
fn levels_that_do_not_differ_are_one() {
    for deadline in [None, Some(5)] {
        let (several, one) = (levels(100.0, 0.0, 3, 0.4), levels(100.0, 0.0, 1, 0.4));
        let several = market(buyers(&several), deadline).plan();
        let one = market(buyers(&one), deadline).plan();
        for week in 0..5 {
            assert!(
                (several.least(week) - one.least(week)).abs() < 0.02,
                "{week}"
            );
            let ask = |plan: &Plan| plan.period(week).unwrap().week.ask;
            assert_eq!(ask(&several), ask(&one), "{week}");
        }
        assert!((several.left() - one.left()).abs() < 0.02);
    }
}

/// A simulation in which the level is drawn first gets what the plan promises.
#[test]
fn a_simulation_with_an_unknown_level_agrees() {
    for deadline in [None, Some(4)] {
        let levels = levels(100.0, 0.2, 4, 0.5);
        let whole = market(buyers(&levels), deadline);
        let plan = whole.plan();
        let mut random = StdRng::seed_from_u64(7);
        let runs = 40_000;
        let (mut value, mut left) = (0.0, 0.0);
        for run in 0..runs {
            let level = std::slice::from_ref(&levels[run % levels.len()]);
            let one = market(buyers(level), deadline);
            let centre = level[0].most[0].money / 0.8;
            let limit = |random: &mut StdRng| centre * (0.8 + 0.4 * random.random::<f64>());
            let (money, paid, _) = live(&one, &plan, &limit, &mut random);
            value += money / runs as f64;
            left += paid / runs as f64;
        }
        // Three standard errors: the standard deviation of a net is below 30.
        let error = 90.0 / (runs as f64).sqrt();
        assert!(
            (value - plan.least(0)).abs() < error,
            "{value} {}",
            plan.least(0)
        );
        assert!((left - plan.left()).abs() < error, "{left} {}", plan.left());
    }
}

/// No other asking prices and smallest offers, all tried for two and three weeks, are better by three
/// thousandths.
#[test]
fn no_other_policy_is_better() {
    for (apart, haggling, weeks) in [(0.3, 0.0, 3), (0.1, 0.0, 3), (0.3, 0.6, 2), (0.6, 0.6, 2)] {
        let levels = levels(100.0, apart, 3, 0.3);
        let mut market = market(buyers(&levels), Some(weeks));
        market.buyers.haggling = haggling;
        market.asks = Asks::Steps(8.0);
        let plan = market.plan();
        let stalls: Vec<Stall<'_>> = (1..=weeks).map(|week| market.stall(week)).collect();
        let floors: &[f64] = if haggling == 0.0 {
            &[0.0]
        } else {
            &[
                30.0, 40.0, 50.0, 55.0, 60.0, 65.0, 70.0, 75.0, 80.0, 85.0, 90.0, 100.0,
            ]
        };
        // Each choice of a week, as its sales at each level.
        let choices: Vec<Vec<Vec<Sold>>> = stalls
            .iter()
            .map(|stall| {
                let count = stall.places[0].asks.len();
                let outlooks = (0..count).map(|at| stall.outlook(&[at]));
                outlooks
                    .flat_map(|o| {
                        floors
                            .iter()
                            .map(move |floor| o.sold(*floor))
                            .collect::<Vec<_>>()
                    })
                    .collect()
            })
            .collect();
        let ends: Vec<f64> = levels.iter().map(|level| level.end).collect();
        let mut best = (f64::MIN, 0);
        let mut policy = vec![0; weeks];
        'all: loop {
            let mut after = ends.clone();
            for week in (0..weeks).rev() {
                let sold = &choices[week][policy[week]];
                for (after, sold) in after.iter_mut().zip(sold) {
                    *after = market.patience.discount * (sold.money + (1.0 - sold.chance) * *after)
                        - market.patience.cost;
                }
            }
            let value = after.iter().sum::<f64>() / after.len() as f64;
            best = (best.0.max(value), best.1 + 1);
            let mut week = 0;
            loop {
                policy[week] += 1;
                if policy[week] < choices[week].len() {
                    break;
                }
                policy[week] = 0;
                week += 1;
                if week == weeks {
                    break 'all;
                }
            }
        }
        println!(
            "{apart} {haggling} {weeks}: {} {} of {}",
            plan.least(0),
            best.0,
            best.1
        );
        assert!(best.1 > 500, "{} policies", best.1);
        let planned = plan.least(0);
        assert!(
            planned > best.0 * 0.997,
            "{apart} {haggling}: {planned} {} of {}",
            best.0,
            best.1
        );
    }
}

/// With an uncertain level the first asking price is higher than with a known one, and it falls as the
/// weeks pass without a sale, though prices do not.
#[test]
fn silence_lowers_the_asking_price() {
    let asks = |levels: &[Level]| {
        let mut market = market(buyers(levels), None);
        market.drift = 1.0;
        let plan = market.plan();
        [1, 4, 8].map(|week| plan.period(week).unwrap().week.ask.unwrap())
    };
    let (known, unknown) = (
        asks(&levels(100.0, 0.0, 1, 0.0)),
        asks(&levels(100.0, 0.25, 5, 0.0)),
    );
    assert_eq!(known[0], known[2]);
    assert!(unknown[0] > known[0], "{unknown:?} {known:?}");
    assert!(
        unknown[1] < unknown[0] && unknown[2] < unknown[1],
        "{unknown:?}"
    );
}

/// A unit that nobody buys costs what holding it costs for ever.
#[test]
fn what_never_sells_is_a_cost() {
    let most = most(0.0);
    let mut market = market(buyers(&most), None);
    (market.buyers.haggling, market.drift) = (0.0, 1.0);
    market.asks = Asks::Within {
        step: 1000.0,
        most: 1000.0,
    };
    let plan = market.plan();
    let for_ever = -0.4 / (1.0 - 0.995);
    assert!((plan.least(0) - for_ever).abs() < 1e-6, "{}", plan.least(0));
    assert_eq!((plan.left(), plan.weeks()), (0.0, None));
}

/// The highest limit of five buyers has the distribution of the prices paid.
#[test]
fn the_best_of_the_buyers_behind_prices_paid() {
    let paid: Vec<f64> = even(0.0, 1.0, 1000).iter().map(|one| one.money).collect();
    let most = buyers_behind(&paid, 5.0);
    for price in [0.1, 0.5, 0.9] {
        let all_below = (1.0 - Limits::new(most.clone()).paying(price)).powi(5);
        assert!((all_below - price).abs() < 1e-3, "{price}: {all_below}");
    }
    assert!(
        buyers_behind(&paid, 1.0)
            .iter()
            .all(|one| (one.chance - 1e-3).abs() < 1e-12)
    );
}

#[test]
fn asking_prices_come_in_steps() {
    for (price, expected) in [
        (148.0, 1.0),
        (250.0, 2.0),
        (999.0, 5.0),
        (1000.0, 10.0),
        (40.0, 1.0),
        (12.0, 0.1),
        (3.0, 0.02),
        (0.2, 0.01),
    ] {
        assert!(
            (step(price, 0.01) - expected).abs() < 1e-9,
            "{price}: {}",
            step(price, 0.01)
        );
    }
    assert_eq!(step(12.0, 1.0), 1.0);
}

fn selling(lowest: f64, asked: f64) -> Selling {
    Selling {
        lowest,
        asked,
        offered: 0.9,
        step: 1.0,
        unit: 0.01,
    }
}

#[test]
fn answers_to_an_offer() {
    let answer = |price| selling(100.0, 108.0).answer(price);
    assert_eq!(answer(100.0), Answer::Accept);
    assert_eq!(answer(99.0), Answer::Counter(108.0));
    assert_eq!(answer(90.0), Answer::Counter(100.0));
    assert_eq!(answer(89.9), Answer::Wait);
    // No answer is above the asking price, and who offers it gets the unit.
    let asked = |price| selling(100.0, 99.0).answer(price);
    assert_eq!(asked(98.0), Answer::Wait);
    assert_eq!(asked(99.0), Answer::Accept);
}

/// Offers from a third to one and a half times the lowest price, to the cent: each is answered as worked out for
/// it alone. It is accepted from the lowest or the asking price, and answered with the most that the buyer
/// would pay, in whole steps up to the asking price, if that is worth taking.
#[test]
fn thresholds_hold_for_every_offer() {
    let mut seen = [0; 3];
    for (lowest, asked, offered, step) in [
        (100.0, 108.0, 0.9, 1.0),
        (100.0, 100.0, 0.9, 1.0),
        (99.5, 99.7, 0.9, 1.0),
        (133.24, 151.0, 0.9, 1.0),
        (133.24, 151.0, 0.97, 2.0),
        (133.24, 151.5, 1.0, 1.0),
        (120.0, 110.0, 0.8, 1.0),
        (12.37, 13.9, 0.85, 0.1),
        (1284.11, 1500.0, 0.9, 10.0),
        (0.0, 5.0, 0.9, 0.05),
    ] {
        let selling = Selling {
            offered,
            step,
            ..selling(lowest, asked)
        };
        let of = selling.thresholds();
        let (first, last) = ((lowest / 3.0 * 100.0) as i64, (lowest * 150.0) as i64 + 200);
        for cents in first..last {
            let offer = cents as f64 / 100.0;
            let most = ((offer / offered + 1e-9) / step).floor() * step;
            let counter = most.min(asked);
            let expected = if offer >= lowest - 1e-9 || offer >= asked - 1e-9 {
                Answer::Accept
            } else if counter >= lowest - 1e-9 && counter > offer {
                Answer::Counter(counter)
            } else {
                Answer::Wait
            };
            assert_eq!(
                selling.answer(offer),
                expected,
                "{selling:?} {offer} {of:?}"
            );
            let by = if offer >= of.accept - 1e-9 {
                0
            } else if offer >= of.decline - 1e-9 {
                1
            } else {
                2
            };
            seen[by] += 1;
            match expected {
                Answer::Accept => assert_eq!(by, 0),
                Answer::Counter(to) => {
                    let (low, high) = of.counter.unwrap();
                    assert!(
                        by == 1 && low <= to && to <= high && to <= asked,
                        "{selling:?} {offer}"
                    );
                }
                Answer::Wait => assert_eq!(by, 2),
            }
        }
        assert!(of.accept <= asked && of.decline <= of.accept, "{of:?}");
    }
    assert!(seen.iter().all(|count| *count > 1000), "{seen:?}");
}

#[test]
fn who_is_counted() {
    let most = most(0.0);
    let buyers = buyers(&most);
    assert_eq!(buyers.counted(0.0), 1.0);
    assert!((buyers.counted(100.0) - 0.75).abs() < 1e-12);
    assert!((buyers.paying(120.0) - 0.25).abs() < 1e-12);
    assert_eq!(buyers.counted(1000.0), 0.5);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// With a free asking price, more buyers, more patience, a lower cost or a later deadline
    /// never lower the smallest acceptable net at once; it falls towards a deadline; an asking
    /// price given for the first week is never better.
    #[test]
    fn comparative_statics(
        rate in 0.2..4.0, haggling in 0.0..1.0, offered in 0.6..1.0, discount in 0.95..1.0_f64,
        cost in 0.0..2.0, more in 1.0..2.0, weeks in 1..8usize, asked in 60.0..140.0_f64,
    ) {
        let most = most(0.0);
        let plan = |rate, discount, cost, deadline, asks| {
            let buyers = Buyers { levels: &most, rate, haggling, offered, least: 0.0 };
            Market {
                buyers, net: &net, asks, drift: 1.0,
                patience: Patience { discount, cost },
                deadline,
            }.plan()
        };
        let free = Asks::Steps(2.0);
        for deadline in [None, Some(weeks)] {
            let base = plan(rate, discount, cost, deadline, free);
            let at_once = base.least(0) - 1e-9;
            prop_assert!(plan(rate * more, discount, cost, deadline, free).least(0) >= at_once);
            let patient = 1.0 - (1.0 - discount) / more;
            prop_assert!(plan(rate, patient, cost, deadline, free).least(0) >= at_once);
            prop_assert!(plan(rate, discount, cost / more, deadline, free).least(0) >= at_once);
            let first = (asked / 2.0).round() * 2.0;
            let own = Asks::From { first, step: 2.0, most: f64::INFINITY };
            prop_assert!(plan(rate, discount, cost, deadline, own).least(0) <= base.least(0) + 1e-9);
        }
        let near = plan(rate, discount, cost, Some(weeks), free);
        let later = plan(rate, discount, cost, Some(weeks + 1), free);
        prop_assert!(later.least(0) >= near.least(0) - 1e-9);
        let least: Vec<f64> = (0..=weeks).map(|week| near.least(week)).collect();
        prop_assert!(least.windows(2).all(|pair| pair[1] <= pair[0] + 1e-9), "{:?}", least);
        prop_assert!(near.least(0) <= plan(rate, discount, cost, None, free).least(0) + 1e-9);
    }
}
