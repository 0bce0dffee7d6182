//! Expectation propagation on the grid of scales and errors against a long Gibbs run in numpy
//! (`tests/reference/make_posterior.py`).

use compband::band::predictive::{Predictive, Scale};
use compband::fit::ep::{Direction, Moments, Quadratic, Rule, Sites};
use compband::fit::posterior::{Posterior, Question, SpreadPrior};
use compband::fit::prior::{Belief, Prior};
use compband::fit::solve::Sign;
use compband::select::order::median;
use nalgebra::{DMatrix, DVector};
use serde_json::Value;

use crate::reference::{json, numbers};

fn number(of: &Value, key: &str) -> f64 {
    of[key].as_f64().unwrap()
}

/// A rule of the reference about a column.
fn rule(of: &Value, column: usize) -> Rule {
    Rule {
        of: Direction::Column(column),
        belief: Belief::of_rule(Prior {
            mean: number(of, "mean"),
            sd: number(of, "sd"),
        }),
        sign: match of["sign"].as_i64().unwrap() {
            0 => Sign::Free,
            1 => Sign::NotNegative,
            _ => Sign::NotPositive,
        },
    }
}

/// Our posterior of a problem of the reference, started from the rules and the median price.
fn posterior(problem: &Value, settings: &Value) -> Posterior {
    let rows: Vec<Vec<f64>> = problem["x"]
        .as_array()
        .unwrap()
        .iter()
        .map(numbers)
        .collect();
    let x = DMatrix::from_fn(rows.len(), rows[0].len(), |i, j| rows[i][j]);
    let y = DVector::from_vec(numbers(&problem["y"]));
    let mut start = DVector::zeros(x.ncols());
    let mut rules = Vec::new();
    for of in problem["rules"].as_array().unwrap() {
        let column = usize::try_from(of["column"].as_u64().unwrap()).unwrap();
        start[column] = number(of, "mean");
        rules.push(rule(of, column));
    }
    start[0] = (&y - &x * &start).mean();
    let usual = number(settings, "usual_spread");
    Posterior::of(&Question {
        x: &x,
        y: &y,
        weights: &vec![1.0; y.len()],
        rules: &rules,
        spread: &SpreadPrior::about(usual, number(settings, "spread_worth")),
        nu: number(settings, "nu"),
        start,
    })
    .unwrap()
}

/// The distribution of one sale of the subject.
fn sale(of: &Posterior, subject: &DVector<f64>) -> Predictive {
    let scales = of.places.iter().map(|place| Scale {
        sigma: place.sigma,
        nu: place.nu,
        weight: place.weight,
        mean: subject.dot(&place.coefficients.mean),
        variance: place.coefficients.variance(subject),
    });
    Predictive::mixture(scales.collect())
}

/// How far we are from the reference in one problem.
#[derive(Debug)]
struct Score {
    /// Of the 10, 50 and 90 % points of a sale, in widths of the band.
    ends: Vec<f64>,
    /// Of the means of the coefficients, in their standard deviations.
    means: Vec<f64>,
    /// Of their standard deviations, as shares.
    sds: Vec<f64>,
    /// Of the mean of log σ.
    log_spread: f64,
    /// Of the largest probability that a price is mistyped.
    mistyped: f64,
}

fn miss(problem: &Value, settings: &Value) -> Score {
    let ours = posterior(problem, settings);
    let gibbs = |key: &str| numbers(&problem["gibbs"][key]);
    let subject = DVector::from_vec(numbers(&problem["subject"]));
    let (sale, points) = (sale(&ours, &subject), gibbs("sale"));
    let width = points[2] - points[0];
    let ends = [0.1, 0.5, 0.9].iter().zip(&points);
    let unit = |j: usize| DVector::from_fn(subject.len(), |i, _| f64::from(i == j));
    let sds = gibbs("sd");
    let means = gibbs("mean").into_iter().zip(&sds).enumerate();
    let unsound = ours.mistyped().into_iter().zip(gibbs("mistyped"));
    Score {
        ends: ends
            .map(|(p, at)| (sale.quantile(*p) - at).abs() / width)
            .collect(),
        means: means
            .map(|(j, (mean, sd))| (ours.mean[j] - mean).abs() / sd)
            .collect(),
        sds: (0..sds.len())
            .map(|j| (ours.variance(&unit(j)).sqrt() / sds[j] - 1.0).abs())
            .collect(),
        log_spread: (ours.log_spread().mean - gibbs("log_spread")[0]).abs(),
        mistyped: unsound.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max),
    }
}

fn largest(values: &[f64]) -> f64 {
    values.iter().copied().fold(0.0, f64::max)
}

/// The points of a sale, the coefficients, the residual scale and what may be mistyped, in twelve
/// problems: rules that fit and that are off by eight scales, three kinds of errors.
#[test]
fn a_long_gibbs_run() {
    let reference = json("posterior.json");
    let problems = reference["problems"].as_array().unwrap();
    assert_eq!(problems.len(), 12);
    let mut ends = Vec::new();
    for (at, problem) in problems.iter().enumerate() {
        let miss = miss(problem, &reference["settings"]);
        println!("{at}: {miss:.4?}");
        assert!(largest(&miss.ends) < 0.03, "{at}: {miss:?}");
        assert!(largest(&miss.means) < 0.20, "{at}: {miss:?}");
        assert!(largest(&miss.sds) < 0.15, "{at}: {miss:?}");
        assert!(miss.log_spread < 0.06, "{at}: {miss:?}");
        assert!(miss.mistyped < 0.10, "{at}: {miss:?}");
        ends.push(largest(&miss.ends));
    }
    let usual = median(&mut ends);
    println!("median of the largest: {usual:.4}");
    assert!(usual < 0.015, "{usual}");
}

/// With one coefficient and one rule the posterior is a normal times that rule, of which scipy's
/// truncated normals know mass, mean and variance; expectation propagation is then exact where no site
/// is held at its least precision.
#[test]
fn one_rule_by_truncated_normals() {
    let cases = json("posterior.json")["moments"]
        .as_array()
        .unwrap()
        .clone();
    for case in &cases {
        let rules = [rule(&case["rule"], 0)];
        let cavity = Moments {
            mean: number(&case["cavity"], "mean"),
            variance: number(&case["cavity"], "variance"),
        };
        let likelihood = Quadratic {
            precision: DMatrix::repeat(1, 1, cavity.variance.recip()),
            shift: DVector::repeat(1, cavity.mean / cavity.variance),
            constant: -cavity.mean.powi(2) / cavity.variance / 2.0,
        };
        let mut sites = Sites::of(&rules);
        let ours = sites
            .settle(&rules, &likelihood, 60, 0.0)
            .unwrap()
            .posterior();
        let sd = number(case, "variance").sqrt();
        let mass = sites.log_mass(&rules, &likelihood, &ours)
            - rules[0].log_possible()
            - (2.0 * std::f64::consts::PI * cavity.variance).ln() / 2.0;
        let off = (ours.mean[0] - number(case, "mean")).abs() / sd;
        // A rule that contradicts the rest can ask for a site of negative precision, which none has.
        let wide = (ours.covariance[(0, 0)].sqrt() / sd - 1.0).abs();
        assert!(off < 1e-4 && wide < 0.01, "{case}: {off} {wide}");
        assert!(
            (mass - number(case, "log_mass")).abs() < 1e-5,
            "{case}: {mass}"
        );
    }
    assert_eq!(cases.len(), 20);
}
