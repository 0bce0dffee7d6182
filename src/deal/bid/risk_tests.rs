//! Tests of the risk: total losses, the cash, and several stakes together.

use super::super::outlet::Terms;
use super::super::prospect::{Failed, Plan, Sale};
use super::tests::{case, dec, eur, float, free_sale, quantiles};
use super::*;
use crate::settings::selling::{Outlet, Shipping};
use crate::trade::comp::PriceBasis;
use proptest::prelude::*;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

/// The proceeds of a unit that sells for one of these log prices, without any costs of selling.
fn proceeds(prices: &[f64], repairs: &[Repair], wage: i64, lost: f64) -> Prospect {
    let currency = eur();
    Plan {
        minutes: Decimal::from(60),
        wage: Decimal::from(wage),
        lost,
        ..Plan::plain(&free_sale(&currency), prices, Failed::Share(0.3), repairs)
    }
    .prospect()
}

fn repair(parts: i64, success: f64) -> Repair {
    Repair {
        parts: Decimal::from(parts),
        minutes: Decimal::from(30),
        ..Repair::new("fix", success)
    }
}

/// A unit that sells for 150 unless it is lost, with parts for 20 or none, is a bet that pays `b` to
/// one with probability `p` and is otherwise lost: `f = p − (1 − p)/b` (Kelly 1956).
#[test]
fn a_unit_that_may_be_lost_is_the_bet_of_kelly() {
    let (currency, free) = (eur(), Buying::default());
    for lost in [0.02, 0.1, 0.3] {
        for (parts, bid) in [(0, 100), (20, 80), (0, 140)] {
            let prospect = proceeds(&[150_f64.ln()], &[repair(parts, 1.0)], 0, lost);
            let at = case(&prospect, &free, &currency).measures(Decimal::from(bid));
            let stake = f64::from(bid + parts as i32);
            let b = 150.0 / stake - 1.0;
            let closed = f64::max(0.0, (1.0 - lost) - lost / b);
            assert!((at.growth - closed).abs() < 1e-9, "{lost} {bid}: {at:?}");
            assert!((at.loss - lost).abs() < 1e-12);
            let profit = (1.0 - lost) * 150.0 - stake;
            assert!((float(at.profit) - profit).abs() < 0.006, "{at:?}");
            if lost > WORST {
                assert_eq!(at.worst, -at.stake);
            }
        }
    }
}

/// A seeded simulation of many purchases: of all shares of the bankroll, those near the reported one
/// make it grow fastest, and the mean profit is the reported one.
#[test]
fn a_simulated_bankroll_grows_fastest_at_the_share() {
    const DRAWS: usize = 100_000;
    let (currency, free) = (eur(), Buying::default());
    let prices = quantiles(130.0, 0.15, 2000);
    let prospect = proceeds(&prices, &[repair(15, 0.85)], 0, 0.05);
    let at = case(&prospect, &free, &currency).measures(dec("85"));
    let mut rng = StdRng::seed_from_u64(1956);
    let returns: Vec<f64> = (0..DRAWS)
        .map(|_| {
            let z: f64 = StandardNormal.sample(&mut rng);
            let (arrives, repaired) = (rng.random::<f64>() >= 0.05, rng.random::<f64>() < 0.85);
            let price = 130.0 * (0.15 * z).exp() * if repaired { 1.0 } else { 0.3 };
            (if arrives { price } else { 0.0 }) / 100.0 - 1.0
        })
        .collect();
    let growth = |f: f64| returns.iter().map(|r| (f * r).ln_1p()).sum::<f64>() / DRAWS as f64;
    let shares = (0..100).map(|k| f64::from(k) / 100.0);
    let best = shares
        .max_by(|a, b| growth(*a).total_cmp(&growth(*b)))
        .unwrap();
    assert!((0.2..0.8).contains(&best), "{best}");
    assert!((best - at.growth).abs() < 0.04, "{best} {}", at.growth);
    let mean = 100.0 * returns.iter().sum::<f64>() / DRAWS as f64;
    assert!(
        (mean - float(at.profit)).abs() < 0.6,
        "{mean} {}",
        at.profit
    );
}

/// Work takes no money: neither the stake nor the cash limits the bid more where it costs more. The
/// aims of profit and loss fall with it.
#[test]
fn risk_and_cash_do_not_count_work() {
    let (currency, free) = (eur(), Buying::default());
    let prices = quantiles(130.0, 0.15, 2000);
    let (idle, busy) = (
        proceeds(&prices, &[], 0, 0.02),
        proceeds(&prices, &[], 90, 0.02),
    );
    let most = |prospect, aim| case(prospect, &free, &currency).limits(&[aim])[0].most;
    let stake = Aim::Stake {
        bankroll: Decimal::from(600),
        share: Decimal::ONE,
    };
    assert!(most(&idle, stake) > Some(Decimal::from(100)));
    for aim in [stake, Aim::Cash(Decimal::from(120))] {
        assert_eq!(most(&idle, aim), most(&busy, aim), "{aim:?}");
    }
    for aim in [Aim::Profit(Decimal::ZERO), Aim::Loss(Decimal::from(20))] {
        assert!(most(&idle, aim) > most(&busy, aim), "{aim:?}");
    }
}

/// The most that is paid with the cash, to the cent, with all that is paid besides the bid.
#[test]
fn no_more_than_the_cash() {
    let currency = eur();
    let costs = Buying {
        premium_percent: dec("12.5"),
        inbound: dec("6.90"),
        ..Buying::default()
    };
    let prospect = proceeds(&[150_f64.ln()], &[repair(14, 1.0)], 0, 0.0);
    let case = case(&prospect, &costs, &currency);
    let limit = |cash: &str| case.limits(&[Aim::Cash(dec(cash))])[0];
    // 20.90 for parts and shipping; 26.76 and 12.5 % of it (3.34, half-even from 3.345) make 30.10.
    assert_eq!(limit("51").most, Some(dec("26.76")));
    assert_eq!(limit("20.90").most, Some(Decimal::ZERO));
    assert_eq!(limit("20.89").most, None);
    assert_eq!(limit("-3").most, None);
    assert_eq!(
        limit("1000").most.map(|most| case.measures(most).stake),
        Some(dec("1000"))
    );
    let free = Buying::default();
    let sound = proceeds(&[150_f64.ln()], &[], 0, 0.0);
    let gift = super::Case {
        prospect: &sound,
        buying: &free,
        ..case
    };
    assert_eq!(
        gift.limits(&[Aim::Cash(dec("-3"))])[0].most,
        Some(Decimal::ZERO)
    );
}

/// Three purchases, each at a third of its own ceiling, so that they use up what their risk allows
/// together: a seeded simulation of the bankroll finds its growth still rising there. All three at
/// their own ceilings at once grow slower.
#[test]
fn stakes_together_are_below_the_most_that_grows() {
    const DRAWS: usize = 100_000;
    let (currency, free) = (eur(), Buying::default());
    let lost = 0.1;
    let bets = [(130.0, 0.15, 100.0), (60.0, 0.3, 40.0), (30.0, 0.2, 20.0)];
    let shares = bets.map(|(price, spread, cost)| {
        let prospect = proceeds(&quantiles(price, spread, 2000), &[], 0, lost);
        let cost = Decimal::from_f64(cost).unwrap();
        case(&prospect, &free, &currency).measures(cost).growth
    });
    let mut rng = StdRng::seed_from_u64(2026);
    let mut draw = |(price, spread, cost): (f64, f64, f64)| {
        let z: f64 = StandardNormal.sample(&mut rng);
        let arrives = rng.random::<f64>() >= lost;
        (if arrives {
            price * (spread * z).exp()
        } else {
            0.0
        }) / cost
            - 1.0
    };
    let all: Vec<[f64; 3]> = (0..DRAWS).map(|_| bets.map(&mut draw)).collect();
    let growth = |part: f64| {
        let bankroll = |returns: &[f64; 3]| {
            let won: f64 = returns.iter().zip(shares).map(|(r, f)| part * f * r).sum();
            (1.0 + won).max(0.0).ln()
        };
        all.iter().map(bankroll).sum::<f64>() / DRAWS as f64
    };
    let third = growth(1.0 / 3.0);
    assert!(third > growth(0.9 / 3.0) && growth(0.9 / 3.0) > growth(0.5 / 3.0));
    assert!(growth(1.0) < third, "{} {third}", growth(1.0));
}

fn bets() -> impl Strategy<Value = Vec<(f64, f64, f64)>> {
    prop::collection::vec((0.01..0.4f64, 0.1..1.5f64, 0.05..1.0f64), 1..6)
}

proptest! {
    /// Purchases whose shares of their ceilings sum to 1 are within the ceiling of all of them as one
    /// bet: by every combination of what may become of them.
    #[test]
    fn shares_of_ceilings_sum(bets in bets()) {
        let total: f64 = bets.iter().map(|(_, _, part)| part).sum();
        let mut together = vec![(0.0, 1.0)];
        for (lost, b, part) in bets {
            let own = super::super::kelly::growth_share(&[(b, 1.0 - lost), (-1.0, lost)]);
            let stake = own * part / total;
            together = together
                .iter()
                .flat_map(|&(sum, p)| [(sum + stake * b, p * (1.0 - lost)), (sum - stake, p * lost)])
                .collect();
        }
        let staked = together.iter().map(|(won, _)| -won).fold(0.0, f64::max);
        if staked > 0.0 {
            let returns: Vec<(f64, f64)> = together.iter().map(|(won, p)| (won / staked, *p)).collect();
            let joint = super::super::kelly::growth_share(&returns);
            prop_assert!(staked <= joint + 1e-9, "{staked} {joint}");
        }
    }

    /// The rest of a buyer's total is the same by its lines and in the distribution, also if the
    /// total does not pay for the shipping.
    #[test]
    fn a_total_below_the_shipping(cents in 0..3000i64, shipping in 0..2000i64) {
        let currency = eur();
        let outlet: Outlet = toml::from_str("fee = { percent = 9, of = \"delivered\", fixed = 0.35 }").unwrap();
        let costs = Shipping::default();
        let terms = Terms::new(&outlet, &costs, &currency, None, Some(from_minor(shipping, &currency))).unwrap();
        let sale = Sale { terms: Some(&terms), basis: PriceBasis::Delivered, currency: &currency };
        let total = from_minor(cents, &currency);
        let net = terms.net_of(total, PriceBasis::Delivered);
        prop_assert_eq!(net.net, sale.net(total));
        prop_assert_eq!(net.lines.iter().map(|line| line.amount).sum::<Decimal>(), net.net);
        prop_assert_eq!(net.revenue(), total);
    }
}

/// The cost of holding a unit is due whatever becomes of it, and lowers the bid for a profit by exactly
/// that.
#[test]
fn holding_is_due_whatever_becomes_of_the_unit() {
    let (currency, free) = (eur(), Buying::default());
    let (prices, repairs) = (quantiles(130.0, 0.15, 2000), [repair(14, 0.8)]);
    let sale = free_sale(&currency);
    let with = |holding: &str| {
        Plan {
            minutes: Decimal::from(60),
            wage: Decimal::from(12),
            lost: 0.02,
            holding: dec(holding),
            ..Plan::plain(&sale, &prices, Failed::Share(0.3), &repairs)
        }
        .prospect()
    };
    let most = |prospect: &Prospect| {
        let limits = case(prospect, &free, &currency).limits(&[Aim::Profit(Decimal::TEN)]);
        limits[0].most.unwrap()
    };
    let (without, holding) = (with("0"), with("7.35"));
    assert_eq!(most(&without) - most(&holding), dec("7.35"));
    assert_eq!(without.quantile(0.001) - holding.quantile(0.001), 735);
    assert_eq!(without.parts, holding.parts);
}
