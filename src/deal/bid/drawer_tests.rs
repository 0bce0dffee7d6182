//! Limits of a purchase whose repair takes a part from the drawer.

use super::super::prospect::{Failed, Plan};
use super::tests::{case, dec, eur, float, free_sale};
use super::*;
use crate::trade::repair::{FromDrawer, ValueFrom};

/// A unit that sells for 150 once a part for 20 is in it, or else for 45, half of the times the part is
/// spoilt.
fn prospect(drawer: bool, success: f64, lost: f64) -> Prospect {
    let part = FromDrawer {
        name: "display".into(),
        count: 1,
        valued: ValueFrom::Settings,
    };
    let repair = Repair {
        parts: dec("20"),
        drawer: drawer.then_some(part),
        spoils: 0.5,
        ..Repair::new("display", success)
    };
    Plan {
        lost,
        ..Plan::plain(
            &free_sale(&eur()),
            &[150_f64.ln()],
            Failed::Share(0.3),
            &[repair],
        )
    }
    .prospect()
}

/// The cash is for what has to be bought; the profit counts what the part takes to replace, except that a unit
/// that never comes leaves the part in the drawer.
#[test]
fn a_part_from_the_drawer_takes_no_cash() {
    let (currency, free) = (eur(), Buying::default());
    let [drawer, bought] = [true, false].map(|drawer| prospect(drawer, 0.8, 0.1));
    let case = |prospect| case(prospect, &free, &currency);
    let most = |prospect, aim| case(prospect).limits(&[aim])[0].most.unwrap();
    let cash = Aim::Cash(dec("60"));
    assert_eq!(most(&drawer, cash), dec("60"));
    assert_eq!(most(&bought, cash), dec("40"));
    let (one, other) = (
        case(&drawer).measures(dec("50")),
        case(&bought).measures(dec("50")),
    );
    assert_eq!((one.stake, one.risked), (dec("50"), dec("70")));
    assert_eq!((other.stake, other.risked), (dec("70"), dec("70")));
    // Nine units in ten come: 0.8 sell for 150, 0.2 for 45; the part is used up in 0.8 + 0.1 of them.
    let comes = 0.9 * (0.8 * 150.0 + 0.2 * 45.0 - 0.9 * 20.0);
    assert!((float(one.profit) - (comes - 50.0)).abs() < 0.006);
    assert!((float(other.profit) - (comes - 50.0 - 0.1 * 20.0)).abs() < 0.006);
}

/// The risk counts the part wherever it comes from. A repair that always succeeds and a unit that is lost
/// with probability `q`: all is lost but the part, so that of the 70 that are risked 80 are won with
/// probability `1 − q` and 50 lost otherwise: with `w = 80/70` and `l = 50/70`, `f = ((1 − q) w − q l) / (w l)`,
/// at most 1 (Kelly 1956).
#[test]
fn the_risk_counts_the_part() {
    let (currency, free) = (eur(), Buying::default());
    for lost in [0.1, 0.45] {
        let prospect = prospect(true, 1.0, lost);
        let case = case(&prospect, &free, &currency);
        let at = case.measures(dec("50"));
        let (w, l) = (80.0 / 70.0, 50.0 / 70.0);
        let closed = f64::min(1.0, ((1.0 - lost) * w - lost * l) / (w * l));
        assert!((at.growth - closed).abs() < 1e-9, "{} {closed}", at.growth);
        let aim = Aim::Stake {
            bankroll: dec("100"),
            share: dec("0.5"),
        };
        let limit = case.limits(&[aim])[0];
        let at = case.measures(limit.most.unwrap());
        assert_eq!(at.risked, at.stake + dec("20"));
        assert_eq!(limit.ceiling, Some(at.stake));
        // As much is risked as the share of the bankroll allows, to the coin.
        let allowed = 100.0 * 0.5 * at.growth;
        assert!((float(at.risked) - allowed).abs() < 0.05, "{at:?}");
        assert!(at.risk(&[aim]) <= 1.0);
    }
}
