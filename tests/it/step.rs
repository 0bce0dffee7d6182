//! Prices that step: how soon an estimate follows, and that steady prices raise no alarm.

use chrono::{Duration, NaiveDate};
use compband::band::{Estimate, estimate};
use compband::select::Candidate;
use compband::settings::Settings;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Exp, StandardNormal, StudentT};

use crate::coverage::{comp, like, selection};

/// Day on which the history of a market begins.
const BEGIN: NaiveDate = NaiveDate::from_ymd_opt(2024, 6, 1).unwrap();

/// What a simulated market is like.
#[derive(Debug, Clone, Copy)]
pub struct Market {
    /// Mean sales in a month.
    pub sales: f64,
    /// Spread of single sales, log price.
    pub spread: f64,
    /// Whether they are spread as Student-t with 2.5 degrees of freedom rather than normally.
    pub heavy: bool,
    /// Change of price in a month.
    pub trend: f64,
    /// Change of price in one day, and that day, counted from the beginning.
    pub step: (f64, f64),
    /// Share of prices times or divided by five.
    pub mistyped: f64,
}

pub const STEADY: Market = Market {
    sales: 5.0,
    spread: 0.10,
    heavy: false,
    trend: 0.0,
    step: (0.0, f64::INFINITY),
    mistyped: 0.0,
};

impl Market {
    /// Log price of a unit of the best grade on day `day`.
    pub fn mark(&self, day: f64) -> f64 {
        let (change, at) = self.step;
        let stepped = if day >= at { change.ln_1p() } else { 0.0 };
        120f64.ln() + self.trend.ln_1p() * day / 30.4375 + stepped
    }

    /// A sale's deviation from its mark. Both kinds have the same middle 80 %.
    pub fn noise(&self, rng: &mut StdRng) -> f64 {
        if self.heavy {
            let t: f64 = StudentT::new(2.5).unwrap().sample(rng);
            self.spread * t * 1.2816 / 1.7327
        } else {
            let z: f64 = StandardNormal.sample(rng);
            self.spread * z
        }
    }

    /// Sales over `days` days, oldest first, with their day counted from the beginning.
    pub fn history(&self, rng: &mut StdRng, days: f64) -> Vec<(f64, Candidate)> {
        let normal = |rng: &mut StdRng, low: f64, high: f64| {
            let z: f64 = StandardNormal.sample(rng);
            f64::midpoint(low, high) + z * (high - low) / 2.0 / 1.2816
        };
        let grades: Vec<f64> = (0..3)
            .map(|_| normal(rng, -0.223, -0.020).min(0.0))
            .collect();
        let (extra, defect) = (
            normal(rng, 0.0, 0.14).max(0.0),
            normal(rng, -0.357, -0.03).min(0.0),
        );
        let gap = Exp::new(self.sales / 30.4375).unwrap();
        let (mut at, mut all) = (gap.sample(rng), Vec::new());
        while at < days {
            let day = at.floor();
            let grade = rng.random_range(0..4usize);
            let (lenses, scratched) = (rng.random_range(0..3u32), u32::from(rng.random_bool(0.2)));
            let mut log = self.mark(day)
                + grades[..grade].iter().sum::<f64>()
                + extra * f64::from(lenses)
                + defect * f64::from(scratched)
                + self.noise(rng);
            if rng.random_bool(self.mistyped) {
                log += if rng.random_bool(0.5) {
                    5f64.ln()
                } else {
                    -(5f64.ln())
                };
            }
            let mut sale = comp(all.len(), log.exp(), 0);
            sale.grade = ["A", "B", "C", "D"][grade].into();
            sale.extras.add("lens", lenses);
            sale.defects.add("scratched screen", scratched);
            all.push((day, sale));
            at += gap.sample(rng);
        }
        all
    }
}

/// The estimate for a unit of the best grade on day `day`, from the sales of the year before it.
pub fn ask(history: &[(f64, Candidate)], day: f64, settings: &Settings) -> Estimate {
    let earlier = history
        .iter()
        .filter(|(at, _)| *at <= day && day - at <= 365.0);
    ask_with(earlier, day, settings)
}

/// The same from these sales.
fn ask_with<'a>(
    sales: impl Iterator<Item = &'a (f64, Candidate)>,
    day: f64,
    settings: &Settings,
) -> Estimate {
    let as_of = BEGIN + Duration::days(day as i64);
    let mut comps: Vec<Candidate> = sales
        .map(|(at, sale)| Candidate {
            sold_on: Some(BEGIN + Duration::days(*at as i64)),
            age_days: Some((day - at) as i32),
            ..sale.clone()
        })
        .collect();
    comps.reverse();
    let mut unit = like(&comp(0, 1.0, 0));
    unit.grade = Some("A".into());
    estimate(selection(comps), &unit, settings, as_of, 80).unwrap()
}

/// What estimates so many days after a step are like.
#[derive(Debug, Clone, Copy, Default)]
pub struct After {
    /// Mean of estimate over mark, less one.
    pub bias: f64,
    /// Mean size of the log of that.
    pub miss: f64,
    /// Share of sales inside the band of 80 %.
    pub held: f64,
    /// Share of estimates that say that prices stepped.
    pub said: f64,
}

/// Estimates `days` after the step of `market`, a year and a month after the beginning.
pub fn after(
    market: Market,
    days: &[f64],
    draws: usize,
    seed: u64,
    settings: &Settings,
) -> Vec<After> {
    let mut rng = StdRng::seed_from_u64(seed);
    let at = market.step.1;
    let mut out = vec![After::default(); days.len()];
    for _ in 0..draws {
        let last = days.iter().copied().fold(0.0, f64::max);
        let history = market.history(&mut rng, at + last + 1.0);
        for (sum, day) in out.iter_mut().zip(days) {
            let made = ask(&history, at + day, settings);
            let mark = market.mark(at + day);
            let miss = made.outcome.median() - mark;
            let (low, high) = made.outcome.band(0.8);
            let sales: Vec<f64> = (0..20).map(|_| mark + market.noise(&mut rng)).collect();
            let inside = sales.iter().filter(|y| (low..=high).contains(*y)).count();
            let share = 1.0 / draws as f64;
            sum.bias += share * miss.exp_m1();
            sum.miss += share * miss.abs();
            sum.held += share * inside as f64 / 20.0;
            sum.said += share * f64::from(u8::from(!made.evidence.steps.is_empty()));
        }
    }
    out
}

/// Of `years` years of a market, in how many some estimate, one every `every` days, says that
/// prices stepped.
pub fn alarms(market: Market, years: usize, every: f64, seed: u64, settings: &Settings) -> usize {
    let mut rng = StdRng::seed_from_u64(seed);
    (0..years)
        .filter(|_| {
            let history = market.history(&mut rng, 731.0);
            let days = (0..).map(|k| 366.0 + every * f64::from(k));
            let mut days = days.take_while(|day| *day <= 731.0);
            days.any(|day| !ask(&history, day, settings).evidence.steps.is_empty())
        })
        .count()
}

const DOWN: Market = Market {
    step: (-0.25, 400.0),
    ..STEADY
};

/// The goals of the issue: after a fall of 25 % with five sales a month, estimates are off by at most
/// 8 % after 30 days and 4 % from 60 days on, and the band holds at least 70 % at 30 days. The step is
/// then said, with its size and day.
#[test]
fn estimates_follow_a_step() {
    let made = after(DOWN, &[30.0, 60.0, 180.0], 60, 11, &Settings::default());
    assert!(made[0].bias.abs() < 0.08 && made[0].held > 0.70, "{made:?}");
    assert!(
        made[1].bias.abs() < 0.04 && made[2].bias.abs() < 0.04,
        "{made:?}"
    );
    assert!(made[1].said > 0.6 && made[2].said > 0.6, "{made:?}");
    let never = Settings {
        estimate: compband::settings::EstimateSettings {
            steps_per_year: 0.0,
            ..Settings::default().estimate
        },
        ..Settings::default()
    };
    let without = after(DOWN, &[30.0], 30, 11, &never);
    assert!(
        without[0].bias > 0.12 && without[0].said == 0.0,
        "{without:?}"
    );
}

/// At most one false alarm in 50 years of steady prices, and as few where prices are mistyped.
#[test]
fn steady_prices_raise_no_alarm() {
    let settings = Settings::default();
    assert!(alarms(STEADY, 50, 14.0, 5, &settings) <= 1);
    let mistyped = Market {
        mistyped: 0.15,
        spread: 0.15,
        ..STEADY
    };
    assert!(alarms(mistyped, 25, 28.0, 6, &settings) <= 1);
}

/// Two sales, however low, are no step; their prices stay what they are taken for today.
#[test]
fn two_low_prices_are_no_step() {
    let mut rng = StdRng::seed_from_u64(3);
    let mut history = STEADY.history(&mut rng, 400.0);
    for k in 0..2 {
        let low = comp(900 + k, 40.0, 0);
        history.push((
            398.0 + k as f64,
            Candidate {
                grade: "A".into(),
                ..low
            },
        ));
    }
    let made = ask(&history, 400.0, &Settings::default());
    assert!(made.evidence.steps.is_empty());
    assert!((made.outcome.median() - 120f64.ln()).abs() < 0.12);
}

/// What is said of a step: in the warnings, the adjustments, the line of the chart, and the adjusted
/// prices, which are those of after it.
#[test]
fn a_step_is_said() {
    let mut rng = StdRng::seed_from_u64(21);
    let history = DOWN.history(&mut rng, 500.0);
    let made = ask(&history, 490.0, &Settings::default());
    let [step] = made.evidence.steps[..] else {
        panic!("{:?}", made.evidence.steps);
    };
    let day = BEGIN + Duration::days(400);
    assert!((step.day - day).num_days().abs() <= 14, "{step:?}");
    assert!(
        (step.percent.low..step.percent.high).contains(&-25.0),
        "{step:?}"
    );
    let said = format!("around {}", step.day);
    assert!(
        made.warnings
            .iter()
            .any(|w| w.starts_with("Prices dropped by about 2") && w.contains(&said))
    );
    let row = made
        .adjustments
        .iter()
        .find(|a| a.label == format!("sold before the step of {}", step.day));
    assert!(row.is_some_and(|a| a.used_percent > 20.0 && a.on_unit == 0.0));
    let at = |d: NaiveDate| made.trend.iter().rfind(|(day, _)| *day <= d).unwrap().1;
    let fall = at(step.day) / at(step.day - Duration::days(1)) - 1.0;
    assert!((100.0 * fall - step.percent.value).abs() < 1.0, "{fall}");
    assert!((at(made.as_of).ln() - made.outcome.median()).abs() < 0.02);
    let adjusted: Vec<f64> = made.comps.iter().filter_map(|c| c.adjusted).collect();
    let near = adjusted
        .iter()
        .filter(|a| (*a / 90.0).ln().abs() < 0.2)
        .count();
    assert!(
        near * 10 > adjusted.len() * 8,
        "{near} of {}",
        adjusted.len()
    );
}

/// Where later sales too speak of a day before a step, as where comps are not drawn in the order of
/// their days, the estimate is that of the prices before it.
#[test]
fn a_step_to_come_is_not_behind() {
    let mut settings = Settings::default();
    settings.estimate.half_life_days = f64::INFINITY;
    let mut rng = StdRng::seed_from_u64(22);
    let history = DOWN.history(&mut rng, 800.0);
    for day in [300.0, 500.0] {
        let made = ask_with(history.iter(), day, &settings);
        assert_eq!(made.evidence.steps.len(), 1, "{day}");
        let miss = made.outcome.median() - DOWN.mark(day);
        assert!(miss.abs() < 0.06, "{miss} on day {day}");
        let adjusted = made.comps.iter().filter_map(|c| c.adjusted);
        let apart = adjusted.map(|a| (a.ln() - DOWN.mark(day)).abs());
        let (sum, count) = apart.fold((0.0, 0), |(s, n), a| (s + a, n + 1));
        assert!(sum / f64::from(count) < 0.12, "{day}");
        let then = made.trend.first().unwrap().1.ln();
        assert!((then - DOWN.mark(0.0)).abs() < 0.08, "{day}");
    }
}

/// While it is open whether prices stepped, the estimate is an average and says so, with the price
/// were there no step.
#[test]
fn an_open_step_is_said() {
    let mut rng = StdRng::seed_from_u64(21);
    let history = DOWN.history(&mut rng, 500.0);
    let open = (405..460)
        .map(|day| ask(&history, f64::from(day), &Settings::default()))
        .find(|made| made.evidence.open_step.is_some_and(|s| s.probability > 0.2))
        .expect("a day on which it is open");
    let step = open.evidence.open_step.unwrap();
    assert!(step.percent < 0.0 && step.without > open.outcome.median().exp());
    assert!(
        open.warnings
            .iter()
            .any(|w| w.starts_with("Prices may have dropped")),
        "{:?}",
        open.warnings
    );
}
