//! Whether bands hold what they promise.

use chrono::NaiveDate;
use compband::backtest::selfcheck::subject_of;
use compband::band::estimate;
use compband::select::{Candidate, Selection};
use compband::settings::Settings;
use compband::trade::Unit;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal, StudentT};
use rust_decimal::Decimal;

pub const TODAY: NaiveDate = NaiveDate::from_ymd_opt(2026, 6, 30).unwrap();

/// A comp with nothing recorded but what it was sold for.
pub fn comp(id: usize, paid: f64, age_days: i32) -> Candidate {
    Candidate {
        comp_id: format!("c{id:04}"),
        sold_on: Some(TODAY - chrono::Duration::days(i64::from(age_days))),
        age_days: Some(age_days),
        ..Candidate::blank(Decimal::from_f64_retain(paid).unwrap().round_dp(2))
    }
}

pub fn selection(candidates: Vec<Candidate>) -> Selection {
    Selection {
        model: "Nulva 61K".into(),
        seen: candidates.len(),
        candidates,
        steps: Vec::new(),
    }
}

pub fn like(comp: &Candidate) -> Unit {
    subject_of("Nulva 61K", comp)
}

/// A market drawn from what the default rules of thumb think likely: each effect normal with
/// the rule's middle 80 %, single sales spread by 7 to 25 %, with normal or heavy-tailed errors.
/// The last comp is the sale to be predicted: of today.
pub fn market(rng: &mut StdRng, n: usize) -> Vec<Candidate> {
    let mut effect = |low: f64, high: f64| {
        let z: f64 = StandardNormal.sample(rng);
        f64::midpoint(low, high) + z * (high - low) / 2.0 / 1.2816
    };
    let down = |low: f64, high: f64| ((1.0 - high).ln(), (1.0 - low).ln());
    let (low, high) = down(0.02, 0.20);
    let steps = [
        effect(low, high).min(0.0),
        effect(low, high).min(0.0),
        effect(low, high).min(0.0),
    ];
    let extra = effect(0.0, 1.15f64.ln()).max(0.0);
    let (low, high) = down(0.03, 0.30);
    let defect = effect(low, high).min(0.0);
    let trend = effect(0.97f64.ln(), 1.01f64.ln());
    let spread = effect(0.07f64.ln(), 0.25f64.ln()).exp();
    let heavy = rng.random_bool(0.5);
    let t = StudentT::new(4.0).unwrap();
    (0..=n)
        .map(|i| {
            let age = if i == n { 0 } else { rng.random_range(0..240) };
            let grade = rng.random_range(0..4usize);
            let extras = rng.random_range(0..3u32);
            let defects = u32::from(rng.random_bool(0.2));
            let noise: f64 = if heavy {
                t.sample(rng)
            } else {
                StandardNormal.sample(rng)
            };
            let log = 120f64.ln()
                + steps[..grade].iter().sum::<f64>()
                + extra * f64::from(extras)
                + defect * f64::from(defects)
                - trend * f64::from(age) / 30.4375
                + spread * noise;
            let mut comp = comp(i, log.exp(), age);
            comp.grade = ["A", "B", "C", "D"][grade].into();
            comp.extras.add("lens", extras);
            comp.defects.add("scratched screen", defects);
            comp
        })
        .collect()
}

/// Shares of `draws` markets whose last sale falls in the band, for each chance.
fn coverage(n: usize, draws: usize, chances: &[u8]) -> Vec<f64> {
    let settings = Settings::default();
    let mut rng = StdRng::seed_from_u64(20_261_125);
    let mut inside = vec![0usize; chances.len()];
    for _ in 0..draws {
        let mut comps = market(&mut rng, n);
        let target = comps.pop().unwrap();
        let made = estimate(selection(comps), &like(&target), &settings, TODAY, 80).unwrap();
        let y = f64::try_from(target.paid).unwrap().ln();
        for (count, chance) in inside.iter_mut().zip(chances) {
            let (low, high) = made.outcome.band(f64::from(*chance) / 100.0);
            *count += usize::from(low <= y && y <= high);
        }
    }
    inside
        .into_iter()
        .map(|count| count as f64 / draws as f64)
        .collect()
}

/// Over markets drawn from the rules of thumb, bands hold what they say, from the model alone
/// (8 comps) to mostly the residuals (60). Allowed: three binomial standard errors of 600 draws
/// and two points for what is not exact (trimming, the t approximation).
#[test]
fn bands_hold_what_they_say() {
    const DRAWS: usize = 600;
    for n in [8, 20, 60] {
        let chances = [50, 80, 90];
        for (held, chance) in coverage(n, DRAWS, &chances).into_iter().zip(chances) {
            let stated = f64::from(chance) / 100.0;
            let allowed = 3.0 * (stated * (1.0 - stated) / DRAWS as f64).sqrt() + 0.02;
            assert!(
                (held - stated).abs() < allowed,
                "{n} comps, {chance} %: {held}"
            );
        }
    }
}
