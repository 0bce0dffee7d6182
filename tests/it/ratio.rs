//! Ratio studies and calibration against values from outside the project
//! (`tests/reference/README.md` names every source).

use compband::backtest::calibration::{coverage, pit};
use compband::backtest::ratio::{
    Interval, bootstrap, cod, median, median_interval, prb, prd, ratios, study,
};
use serde_json::Value;

use crate::reference::{close, json, numbers, path};

/// Estimates and prices: two named columns of a table.
fn sales(name: &str, estimate: &str, price: &str) -> (Vec<f64>, Vec<f64>) {
    let mut reader = csv::Reader::from_path(path(name)).unwrap();
    let header = reader.headers().unwrap().clone();
    let at = |name: &str| header.iter().position(|h| h == name).unwrap();
    let (estimate, price) = (at(estimate), at(price));
    reader
        .records()
        .map(Result::unwrap)
        .map(|r| {
            let cell = |at: usize| r[at].parse::<f64>().unwrap();
            (cell(estimate), cell(price))
        })
        .unzip()
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap()
}

#[track_caller]
fn close_interval(ours: Interval, theirs: &Value, relative: f64) {
    close(ours.low, number(theirs, "low"), relative);
    close(ours.high, number(theirs, "high"), relative);
}

/// Every figure of a study to 9 digits: assesspy for COD, PRD and PRB with its analytic
/// interval, scipy for the interval of the median.
#[track_caller]
fn agrees(estimates: &[f64], paid: &[f64], level: f64, theirs: &Value) {
    let ours = study(estimates, paid, level).unwrap();
    assert_eq!(ours.sales as u64, theirs["sales"].as_u64().unwrap());
    close(
        ours.median.value,
        number(&theirs["median"], "median"),
        1e-12,
    );
    close_interval(ours.median.interval.unwrap(), &theirs["median"], 1e-12);
    close(ours.mean, number(theirs, "mean"), 1e-12);
    close(ours.weighted_mean, number(theirs, "weighted_mean"), 1e-12);
    close(ours.cod.unwrap().value, number(theirs, "cod"), 1e-9);
    close(ours.prd.unwrap().value, number(theirs, "prd"), 1e-9);
    let bias = ours.prb.unwrap();
    close(bias.value, number(&theirs["prb"], "slope"), 1e-9);
    close_interval(bias.interval.unwrap(), &theirs["prb"], 1e-9);
    close(
        ours.median_absolute_percentage_error,
        number(theirs, "median_absolute_percentage_error"),
        1e-9,
    );
}

/// Texas Comptroller of Public Accounts, Property Value Study 2000, tables five and six: the
/// median and the coefficient of dispersion, printed from ratios rounded to two digits.
#[test]
fn a_worked_study_to_the_printed_digits() {
    let (appraised, price) = sales("ratio_study_example.csv", "appraised", "sale_price");
    let (printed, _) = sales("ratio_study_example.csv", "printed_ratio", "sale_price");
    let exact = ratios(&appraised, &price).unwrap();
    assert_eq!(exact.len(), 25);
    let rounded: Vec<f64> = exact.iter().map(|r| (100.0 * r).round() / 100.0).collect();
    assert_eq!(rounded, printed);

    let middle = median(&rounded).unwrap();
    assert_eq!(middle, 0.81);
    let differences: f64 = rounded.iter().map(|r| (r - middle).abs()).sum();
    assert_eq!(format!("{differences:.2}"), "1.62");
    assert_eq!(format!("{:.1}", cod(&rounded).unwrap()), "8.0");
}

/// *Standard on Ratio Studies* (IAAO, 2013), tables 1-1, 1-4 and D-2: COD, PRD and PRB to the
/// printed digits, and the rest of each study to the digits of assesspy and scipy.
#[test]
fn tables_of_the_standard() {
    let reference = json("ratio.json");
    let tables = reference["standard"].as_object().unwrap();
    assert_eq!(tables.len(), 3);
    for (name, table) in tables {
        let (estimates, paid) = sales(&format!("{name}.csv"), "estimate", "sale_price");
        let ours = study(&estimates, &paid, 0.95).unwrap();
        let printed = &table["printed"];
        for (figure, value) in [
            ("cod", ours.cod.unwrap().value),
            ("prd", ours.prd.unwrap().value),
            ("prb", ours.prb.unwrap().value),
        ] {
            let decimals = printed[figure]["decimals"].as_u64().unwrap() as usize;
            let expected = number(&printed[figure], "value");
            assert_eq!(
                format!("{value:.decimals$}"),
                format!("{expected:.decimals$}"),
                "{name} {figure}"
            );
        }
        agrees(&estimates, &paid, 0.95, &table["computed"]);
    }
}

/// assesspy's own sample of 979 sales.
#[test]
fn a_sample_of_979_sales() {
    let (estimates, paid) = sales("ratio.csv", "estimate", "sale_price");
    assert_eq!(paid.len(), 979);
    let reference = json("ratio.json");
    agrees(
        &estimates,
        &paid,
        number(&reference, "level"),
        &reference["sample"],
    );
}

/// Bootstrap intervals of COD and PRD on the same sample: within four standard errors of the
/// mean of assesspy's over ten seeds, the error known from how its own ends differ.
#[test]
fn bootstrap_intervals_within_sampling_error() {
    let (estimates, paid) = sales("ratio.csv", "estimate", "sale_price");
    let reference = json("ratio.json");
    let theirs = &reference["bootstrap"];
    let resamples = theirs["resamples"].as_u64().unwrap() as usize;
    let [cods, prds] = bootstrap(&estimates, &paid, 0.95, resamples, |e, p| {
        Some([cod(&ratios(e, p)?)?, prd(e, p)?])
    })
    .unwrap();
    let errors = (1.0 + 1.0 / number(theirs, "seeds")).sqrt();
    for (figure, ours) in [("cod", cods), ("prd", prds)] {
        for (end, value) in [("low", ours.low), ("high", ours.high)] {
            let expected = &theirs[figure][end];
            let miss = (value - number(expected, "mean")).abs();
            let allowed = 4.0 * errors * number(expected, "sd");
            assert!(
                miss <= allowed,
                "{figure} {end}: {value}, off by {miss} of {allowed}"
            );
        }
    }
    let whole = study(&estimates, &paid, 0.95).unwrap();
    assert_eq!(whole.cod.unwrap().interval, Some(cods));
    assert_eq!(whole.prd.unwrap().interval, Some(prds));
}

/// Clopper-Pearson intervals against scipy.
#[test]
fn binomial_intervals() {
    let reference = json("ratio.json");
    let level = number(&reference, "level");
    for case in reference["coverage"].as_array().unwrap() {
        let count = |key: &str| case[key].as_u64().unwrap() as usize;
        let ours = coverage(count("held"), count("of"), level).unwrap();
        close_interval(ours.interval, case, 1e-9);
    }
}

/// Tests of uniformity against scipy: chi-square to 9 digits; Kolmogorov's p, an approximation
/// here and exact there, to 0.01.
#[test]
fn uniformity() {
    let reference = json("ratio.json");
    let bars = reference["bins"].as_u64().unwrap() as usize;
    for (name, case) in reference["uniformity"].as_object().unwrap() {
        let values = numbers(&case["values"]);
        let ours = pit(&values, bars).unwrap();
        let counts: Vec<f64> = ours.counts.iter().map(|c| *c as f64).collect();
        assert_eq!(counts, numbers(&case["counts"]), "{name}");
        match ours.chi_square {
            Some(chi) => {
                close(
                    chi.statistic,
                    number(&case["chi_square"], "statistic"),
                    1e-9,
                );
                close(chi.p, number(&case["chi_square"], "p"), 1e-9);
            }
            None => assert!(values.len() < 5 * bars, "{name}"),
        }
        let theirs = &case["kolmogorov"];
        close(ours.kolmogorov.statistic, number(theirs, "statistic"), 1e-9);
        let miss = (ours.kolmogorov.p - number(theirs, "p")).abs();
        assert!(miss < 0.01, "{name}: off by {miss}");
    }
}

/// The interval of the median holds at least its level, whatever the distribution; the
/// analytic interval of the bias holds about its level under its own assumptions.
#[test]
fn intervals_hold_what_they_say() {
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, LogNormal, StandardNormal};

    const ROUNDS: usize = 2000;
    let mut rng = StdRng::seed_from_u64(5);
    let skewed = LogNormal::new(0.0, 0.8).unwrap();
    let (mut medians, mut slopes) = (0, 0);
    for _ in 0..ROUNDS {
        let values: Vec<f64> = (0..17).map(|_| skewed.sample(&mut rng)).collect();
        medians += usize::from(median_interval(&values, 0.9).unwrap().contains(1.0));
        // A small spread about the true price, so that the proxy is nearly the price itself.
        let paid: Vec<f64> = (0..17).map(|_| rng.random_range(50.0..800.0)).collect();
        let estimates: Vec<f64> = paid
            .iter()
            .map(|p| {
                let z: f64 = StandardNormal.sample(&mut rng);
                p * (1.0 + 0.01 * z)
            })
            .collect();
        let bias = prb(&estimates, &paid, 0.9).unwrap();
        slopes += usize::from(bias.interval.unwrap().contains(0.0));
    }
    let share = |held: usize| held as f64 / ROUNDS as f64;
    // Of 17, ranks 5 to 13: P = 0.951. Standard error 0.005 and 0.007.
    assert!((share(medians) - 0.951).abs() < 0.02, "{}", share(medians));
    assert!((share(slopes) - 0.9).abs() < 0.025, "{}", share(slopes));
}
