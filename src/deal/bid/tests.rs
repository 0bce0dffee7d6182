//! Tests of bids, and what the tests of the risk share.

use super::super::outlet::Terms;
use super::super::prospect::{Failed, Plan, Sale};
use super::*;
use crate::settings::selling::{Outlet, Shipping};
use crate::trade::comp::PriceBasis;
use proptest::prelude::*;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use statrs::distribution::{ContinuousCDF, Normal};

pub(super) fn eur() -> Currency {
    Currency { code: "EUR".into() }
}

pub(super) fn dec(text: &str) -> Decimal {
    text.parse().unwrap()
}

pub(super) fn float(money: Decimal) -> f64 {
    money.to_f64().unwrap()
}

/// Equally likely log prices, normal around that of `price`.
pub(super) fn quantiles(price: f64, spread: f64, rungs: usize) -> Vec<f64> {
    let normal = Normal::new(price.ln(), spread).unwrap();
    (0..rungs)
        .map(|k| normal.inverse_cdf((k as f64 + 0.5) / rungs as f64))
        .collect()
}

fn repair(parts: &str, minutes: i64, success: f64) -> Repair {
    Repair {
        parts: dec(parts),
        minutes: Decimal::from(minutes),
        ..Repair::new("fix", success)
    }
}

fn outlet() -> Outlet {
    toml::from_str(
        "fee = { percent = 9, of = \"delivered\", fixed = 0.35 }\nshipping = \"seller\"\n\
         returns = { percent = 5, cost = 8, loses = 10 }",
    )
    .unwrap()
}

/// The sale of a unit without any costs.
pub(super) fn free_sale(currency: &Currency) -> Sale<'_> {
    Sale {
        terms: None,
        basis: PriceBasis::Delivered,
        currency,
    }
}

fn prospect(rungs: usize, terms: Option<&Terms<'_>>, repairs: &[Repair], wage: i64) -> Prospect {
    let currency = eur();
    let sale = Sale {
        terms,
        basis: PriceBasis::Delivered,
        currency: &currency,
    };
    let repaired = quantiles(140.0, 0.12, rungs);
    let failed = quantiles(40.0, 0.3, rungs);
    Plan {
        minutes: Decimal::from(20),
        wage: Decimal::from(wage),
        ..Plan::plain(&sale, &repaired, Failed::Prices(&failed), repairs)
    }
    .prospect()
}

/// A purchase for four weeks out of a bankroll of 600.
pub(super) fn case<'a>(
    prospect: &'a Prospect,
    buying: &'a Buying,
    currency: &'a Currency,
) -> Case<'a> {
    Case {
        prospect,
        buying,
        currency,
        weeks: Decimal::from(4),
        bankroll: Some(Decimal::from(600)),
    }
}

fn buying() -> Buying {
    Buying {
        premium_percent: dec("12.5"),
        premium: dec("2"),
        tax_percent: dec("7"),
        inbound: dec("6.90"),
    }
}

#[test]
fn what_is_paid_in_all() {
    // 12.5 % of 88 and 2 are 13; 7 % of 101 are 7.07; 6.90 on top.
    assert_eq!(buying().cost(8800, &eur()), 11497);
    let costs: Vec<i64> = (0..3000).map(|bid| buying().cost(bid, &eur())).collect();
    assert!(costs.windows(2).all(|pair| pair[0] < pair[1]));
}

/// Without any costs, the highest bid for no expected loss is the mean of the log-normal price,
/// `exp(μ + σ²/2)`, and for a loss in 1 of 5 its 20 % quantile, `exp(μ + σ z)`.
#[test]
fn closed_forms_of_a_log_normal_price() {
    let (currency, free) = (eur(), Buying::default());
    let prospect = prospect(2000, None, &[], 0);
    let case = case(&prospect, &free, &currency);
    let most = |aim| float(case.most(aim).unwrap());
    let mean = 140.0 * (0.12_f64 * 0.12 / 2.0).exp();
    assert!((most(Aim::Profit(Decimal::ZERO)) - mean).abs() < 0.02);
    assert!((most(Aim::Return(Decimal::from(25))) - mean / 1.25).abs() < 0.02);
    let z = Normal::standard().inverse_cdf(0.2);
    let point = 140.0 * (0.12 * z).exp();
    assert!((most(Aim::Loss(Decimal::from(20))) - point).abs() < 0.05);
    assert_eq!(case.most(Aim::Profit(Decimal::from(500))), None);
}

/// Twenty times as many quantiles change the bid by cents, and probabilities by less than one
/// quantile.
#[test]
fn there_are_enough_quantiles() {
    let (currency, outlet) = (eur(), outlet());
    let shipping: Shipping = toml::from_str("packing = 0.9\nbands = [{ cost = 4.8 }]").unwrap();
    let terms = Terms::new(&outlet, &shipping, &currency, Some(dec("600")), None).unwrap();
    let repairs = [repair("14", 30, 0.9), repair("0", 15, 0.8)];
    let [coarse, fine] = [2000, 40_000].map(|rungs| prospect(rungs, Some(&terms), &repairs, 12));
    let costs = buying();
    let (coarse, fine) = (
        case(&coarse, &costs, &currency),
        case(&fine, &costs, &currency),
    );
    for aim in [
        Aim::Profit(Decimal::from(10)),
        Aim::Return(Decimal::from(20)),
        Aim::Stake {
            bankroll: Decimal::from(600),
            share: dec("0.5"),
        },
    ] {
        let (one, other) = (coarse.most(aim).unwrap(), fine.most(aim).unwrap());
        assert!((one - other).abs() <= dec("0.03"), "{aim:?}: {one} {other}");
    }
    let (one, other) = (coarse.measures(dec("50")), fine.measures(dec("50")));
    assert!((one.loss - other.loss).abs() < 1.0 / 2000.0);
    assert!((one.profit - other.profit).abs() <= dec("0.02"));
    assert!((one.growth - other.growth).abs() < 1e-3);
}

/// A seeded simulation of the whole: price, repairs in order, return.
#[test]
fn a_simulation_agrees() {
    const DRAWS: usize = 200_000;
    let (currency, outlet) = (eur(), outlet());
    let shipping: Shipping = toml::from_str("packing = 0.9\nbands = [{ cost = 4.8 }]").unwrap();
    let terms = Terms::new(&outlet, &shipping, &currency, Some(dec("600")), None).unwrap();
    let repairs = [repair("14", 30, 0.9), repair("5", 15, 0.8)];
    let prospect = prospect(2000, Some(&terms), &repairs, 12);
    let costs = buying();
    let bid = dec("50");
    let at = case(&prospect, &costs, &currency).measures(bid);
    let mut rng = StdRng::seed_from_u64(1956);
    let mut profits: Vec<f64> = (0..DRAWS)
        .map(|_| {
            let (mut spent, mut minutes, mut works) = (at.cost, 20, true);
            for repair in &repairs {
                if works {
                    spent += repair.parts;
                    minutes += repair.minutes.to_i64().unwrap();
                    works = rng.random::<f64>() < repair.success;
                }
            }
            let z: f64 = StandardNormal.sample(&mut rng);
            let price = if works {
                140.0 * (0.12 * z).exp()
            } else {
                40.0 * (0.3 * z).exp()
            };
            let price = currency.from_statistics(price).unwrap();
            let mut left = terms.without_returns(price).net - spent;
            if rng.random::<f64>() < 0.05 {
                left -= terms.return_cost(price);
            }
            float(left) - 12.0 * minutes as f64 / 60.0
        })
        .collect();
    profits.sort_by(f64::total_cmp);
    let n = DRAWS as f64;
    let mean = profits.iter().sum::<f64>() / n;
    let variance = profits.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n;
    assert!((float(at.profit) - mean).abs() < 4.0 * (variance / n).sqrt() + 0.01);
    let loss = profits.iter().filter(|x| **x < 0.0).count() as f64 / n;
    assert!((at.loss - loss).abs() < 4.0 * (loss * (1.0 - loss) / n).sqrt() + 0.001);
    for (p, reported) in PROFIT_LEVELS
        .iter()
        .zip(at.points)
        .chain([(&WORST, at.worst)])
    {
        let below = profits.partition_point(|x| *x < float(reported)) as f64 / n;
        let error = 4.0 * (p * (1.0 - p) / n).sqrt() + 0.001;
        assert!((below - p).abs() < error, "{p}: {reported} {below}");
    }
}

fn aims() -> impl Strategy<Value = Vec<Aim>> {
    (0..40i64, 0..60i64, 1..60i64, 100..2000i64, 1..=10i64).prop_map(
        |(profit, returned, loss, bankroll, share)| {
            vec![
                Aim::Profit(Decimal::from(profit)),
                Aim::Return(Decimal::from(returned)),
                Aim::Loss(Decimal::from(loss)),
                Aim::Stake {
                    bankroll: Decimal::from(bankroll),
                    share: Decimal::new(share, 1),
                },
            ]
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// The highest bid meets every aim; one cent more fails the named one. Higher costs never
    /// raise it.
    #[test]
    fn the_bid_is_the_largest_that_keeps_every_aim(
        aims in aims(), parts in 0..40i64, success in 0.3..1.0f64, wage in 0..20i64, more in 1..30i64,
    ) {
        let (currency, outlet) = (eur(), outlet());
        let terms = Terms::new(&outlet, &Shipping::default(), &currency, None, None).unwrap();
        let repairs = [repair(&parts.to_string(), 30, success)];
        let prospect = prospect(200, Some(&terms), &repairs, wage);
        let costs = buying();
        let weighed = case(&prospect, &costs, &currency);
        let limits = weighed.limits(&aims);
        let limit = binding(&limits).unwrap();
        let fails_at = match limit.most {
            Some(most) => {
                prop_assert!(weighed.failed(&aims, most).is_empty());
                most + dec("0.01")
            }
            None => Decimal::ZERO,
        };
        prop_assert!(weighed.failed(&aims, fails_at).contains(&limit.aim));
        let dearer = Buying { inbound: costs.inbound + Decimal::from(more), ..costs.clone() };
        let other = case(&prospect, &dearer, &currency).limits(&aims);
        prop_assert!(binding(&other).unwrap().most <= limit.most);
        if let Some(most) = limit.most {
            let sellers = Sellers { discounts: Discounts::from_range(0.1, 0.3), breaks_off: 0.05 };
            let judged = weighed.judge(&aims, most, limit.most, sellers);
            prop_assert_eq!(judged.advice, Advice::Buy);
            if let Some(offers) = judged.offers {
                prop_assert!(offers.open <= offers.target && offers.target <= offers.walk_away);
                prop_assert!(offers.walk_away <= most);
            }
        }
    }
}

proptest! {
    /// Against [`binding`], which looks at each aim by itself.
    #[test]
    fn the_highest_bid_for_all_aims_is_the_lowest_of_each(
        profit in -20i64..60,
        share in 0i64..60,
        loss in 1i64..60,
        cash in 0i64..200,
        bankroll in 20i64..3000,
        success in 0.3..1.0f64,
    ) {
        let currency = eur();
        let buying = Buying { inbound: dec("4.90"), ..Buying::default() };
        let outlet = outlet();
        let terms = Terms::new(&outlet, &Shipping::default(), &currency, None, None).unwrap();
        let prospect = prospect(60, Some(&terms), &[repair("12", 30, success)], 12);
        let case = case(&prospect, &buying, &currency);
        let aims = [
            Aim::Stake { bankroll: Decimal::from(bankroll), share: dec("0.25") },
            Aim::Profit(Decimal::from(profit)),
            Aim::Return(Decimal::from(share)),
            Aim::Loss(Decimal::from(loss)),
            Aim::Cash(Decimal::from(cash)),
        ];
        for count in 1..=aims.len() {
            let aims = &aims[..count];
            let limits = case.limits(aims);
            prop_assert_eq!(case.most_for_all(aims), binding(&limits).and_then(|limit| limit.most));
        }
        prop_assert_eq!(case.most_for_all(&[]), None);
    }
}
