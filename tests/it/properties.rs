//! What must hold for any comps.

use compband::band::{Estimate, estimate};
use compband::fit::design::{self, Term};
use compband::fit::pool::Pool;
use compband::select::Candidate;
use compband::settings::Settings;
use compband::trade::HowSold;
use compband::trade::Unit;
use proptest::prelude::*;

use crate::coverage::{TODAY, comp, like, selection};

/// Comps about a price, of any grade and completeness, some with extras, defects or blanks.
fn comps(fewest: usize) -> impl Strategy<Value = Vec<Candidate>> {
    comps_priced(fewest, 60.0..180.0)
}

fn comps_priced(
    fewest: usize,
    prices: std::ops::Range<f64>,
) -> impl Strategy<Value = Vec<Candidate>> {
    let one = (
        prices,
        0..400i32,
        0..5usize,
        0..6usize,
        0..3u32,
        0..2u32,
        0..4usize,
        prop::bool::weighted(0.2),
    );
    prop::collection::vec(one, fewest..30).prop_map(|rows| {
        rows.into_iter()
            .enumerate()
            .map(
                |(id, (paid, age, grade, level, extras, defects, how, undated))| {
                    let mut comp = comp(id, paid, age);
                    comp.grade = ["A", "B", "C", "D", ""][grade].into();
                    comp.completeness =
                        ["bare", "usable", "full", "boxed", "sealed", ""][level].into();
                    comp.extras.add("lens", extras);
                    comp.defects.add("dent", defects);
                    comp.how_sold = HowSold::ALL.get(how).copied();
                    if undated {
                        (comp.sold_on, comp.age_days) = (None, None);
                    }
                    comp
                },
            )
            .collect()
    })
}

fn run(comps: Vec<Candidate>, subject: &Unit) -> Estimate {
    estimate(selection(comps), subject, &Settings::default(), TODAY, 80).unwrap()
}

fn subject(comps: &[Candidate]) -> Unit {
    Unit {
        grade: Some("B".into()),
        completeness: Some("usable".into()),
        how_sold: Some(HowSold::Fixed),
        ..like(&comps[0])
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// A worse grade is never worth more, more of the kit never less, a further extra never
    /// less and a further defect never more.
    #[test]
    fn condition_is_monotone(comps in comps(1)) {
        let base = subject(&comps);
        let median = |subject: &Unit| run(comps.clone(), subject).outcome.median();
        let grades = ["A", "B", "C", "D"].map(|g| median(&Unit { grade: Some(g.into()), ..base.clone() }));
        prop_assert!(grades.windows(2).all(|pair| pair[0] >= pair[1] - 1e-9), "{grades:?}");
        let levels = ["bare", "usable", "full", "boxed", "sealed"]
            .map(|c| median(&Unit { completeness: Some(c.into()), ..base.clone() }));
        prop_assert!(levels.windows(2).all(|pair| pair[0] <= pair[1] + 1e-9), "{levels:?}");
        let mut more = base.clone();
        more.extras.add("lens", 1);
        prop_assert!(median(&more) >= median(&base) - 1e-9);
        let mut worse = base.clone();
        worse.defects.add("dent", 1);
        prop_assert!(median(&worse) <= median(&base) + 1e-9);
    }

    /// The band is ordered, positive and finite, and the bands of growing chance are nested.
    #[test]
    fn bands_are_sound(comps in comps(1)) {
        let made = run(comps.clone(), &subject(&comps));
        prop_assert!(made.low > rust_decimal::Decimal::ZERO);
        prop_assert!(made.low <= made.median && made.median <= made.high);
        let bands: Vec<(f64, f64)> = [0.2, 0.5, 0.8, 0.9, 0.95]
            .map(|p| { let (low, high) = made.outcome.band(p); (low, high) }).to_vec();
        for pair in bands.windows(2) {
            prop_assert!(pair[1].0 <= pair[0].0 + 1e-9 && pair[1].1 >= pair[0].1 - 1e-9, "{bands:?}");
        }
    }

    /// One absurd price (twenty times too high or too low) among eight or more moves the likely price by
    /// less than 15 %, the others lying within a fifth of theirs whatever their condition: rules and
    /// prices then contradict each other, and eight comps hardly tell which is right.
    #[test]
    fn a_far_outlier_hardly_matters(comps in comps_priced(8, 100.0..120.0), factor in prop_oneof![20.0..1000.0f64, 0.001..0.05f64]) {
        let before = run(comps.clone(), &subject(&comps)).outcome.median();
        let mut with = comps.clone();
        with.push(comp(999, 110.0 * factor, 30));
        let after = run(with, &subject(&comps)).outcome.median();
        prop_assert!((after - before).exp_m1().abs() < 0.15, "{before} to {after}");
    }

    /// All prices times k: the band times k (rules in per cent; money rules are not).
    #[test]
    fn bands_scale_with_prices(comps in comps(1), k in prop_oneof![Just(0.01), Just(3.0), Just(1000.0)]) {
        let made = run(comps.clone(), &subject(&comps));
        let scaled: Vec<Candidate> = comps.iter().map(|c| {
            let paid = c.paid * rust_decimal::Decimal::from_f64_retain(k).unwrap().round_dp(3);
            Candidate { paid, ..c.clone() }
        }).collect();
        let other = run(scaled, &subject(&comps));
        let shift = f64::ln(k);
        prop_assert!((other.outcome.median() - made.outcome.median() - shift).abs() < 1e-5);
        let ((low, high), (a, b)) = (made.outcome.band(0.8), other.outcome.band(0.8));
        prop_assert!((a - low - shift).abs() < 1e-4 && (b - high - shift).abs() < 1e-4);
    }

    /// Undated comps are of the average age of the dated ones and count as they do on average; where
    /// none is dated, there is no trend and all count alike.
    #[test]
    fn undated_comps_are_of_average_age(comps in comps(2)) {
        let used: Vec<usize> = (0..comps.len()).collect();
        let made = design::build(&comps, &used, &[], &subject(&comps), None, &Pool::default(), &Settings::default()).unwrap();
        let (dated, undated): (Vec<usize>, Vec<usize>) =
            used.iter().partition(|&&i| comps[i].age_days.is_some());
        let trend = made.position(&Term::Trend);
        if dated.is_empty() {
            prop_assert!(trend.is_none() && made.weights.iter().all(|w| *w == 1.0));
            return Ok(());
        }
        let total: f64 = dated.iter().map(|&i| made.weights[i]).sum();
        let months = |i: usize| trend.map_or(0.0, |j| made.x[(i, j)]);
        let mean = dated.iter().map(|&i| made.weights[i] * months(i)).sum::<f64>() / total;
        for i in undated {
            prop_assert!((made.weights[i] - total / dated.len() as f64).abs() < 1e-12);
            prop_assert!((months(i) - mean).abs() < 1e-9);
        }
        if let Some(j) = trend {
            let tells = dated.iter().filter(|&&i| comps[i].age_days != Some(0)).count();
            prop_assert_eq!(made.columns[j].informed_by, tells);
        }
    }

    /// The order in which comps stand does not matter.
    #[test]
    fn order_does_not_matter(comps in comps(2), turn in 1..20usize) {
        let made = run(comps.clone(), &subject(&comps));
        let mut turned = comps.clone();
        turned.rotate_left(turn % comps.len());
        turned.reverse();
        let other = run(turned, &subject(&comps));
        prop_assert!((made.outcome.median() - other.outcome.median()).abs() < 1e-6);
        prop_assert_eq!(made.evidence.used, other.evidence.used);
    }
}
