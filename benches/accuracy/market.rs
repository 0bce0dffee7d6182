//! Simulated markets of used electronics: sales drawn from a model whose parameters are known.
//!
//! Log price is a level plus what grade, extras, defects and age change, plus noise. Each effect is
//! normal with the middle 80 % of its default rule of thumb, cut at its sign, times a factor where
//! the rules are to be too small. The noise has a stated spread; where it is heavy-tailed it is a
//! Student-t with 2.5 degrees of freedom whose middle 80 % is that of a normal of that spread.

use std::sync::Arc;

use chrono::NaiveDate;
use compband::backtest::selfcheck::subject_of;
use compband::band::estimate::{Context, estimate_with};
use compband::band::related::learn;
use compband::fit::design::DAYS_PER_MONTH;
use compband::fit::pool::Pool;
use compband::select::{Candidate, Selection};
use compband::settings::Settings;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal, StudentT};
use rust_decimal::Decimal;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::draws::{SEED, gather};
use super::figure::Figure;
use super::regression::{Band, Tried};

const TODAY: NaiveDate = NaiveDate::from_ymd_opt(2026, 6, 30).unwrap();
const MODEL: &str = "own";
const DEGREES: f64 = 2.5;

/// Heavy tails now and then give a price that nobody could write; it is brought within these.
const PRICES: (f64, f64) = (0.01, 1e6);

/// Days that the sales of a market go back.
const DAYS: i32 = 240;

/// Days of a market with a step, and the sales of a month in it.
const YEAR: i32 = 365;
const A_MONTH: f64 = 5.0;

/// Fewest and most comps of another model of the book.
const OTHERS: std::ops::RangeInclusive<usize> = 15..=40;

pub const SIZES: [usize; 3] = [6, 12, 25];
pub const SPREADS: [f64; 6] = [0.05, 0.08, 0.10, 0.15, 0.25, 0.40];

/// Days after a step at which estimates are made.
pub const AFTER: [i32; 4] = [7, 30, 60, 180];

/// What sets a market apart.
#[derive(Clone, Copy, PartialEq)]
pub enum Kind {
    /// As the rules of thumb say.
    Plain,
    /// Heavy-tailed noise.
    Heavy,
    /// Effects so many times what the rules say.
    Larger(u8),
    /// A trend of -4 % a month.
    Falling,
    /// 15 % of the prices times or divided by 10 or by 5.
    Mistyped,
    /// Prices fell by a quarter so many days ago.
    Stepped(i32),
}

impl Kind {
    pub fn label(self) -> String {
        match self {
            Self::Plain => "normal noise".into(),
            Self::Heavy => "noise t(2.5)".into(),
            Self::Larger(times) => format!("effects {times} times the rules"),
            Self::Falling => "-4 % a month".into(),
            Self::Mistyped => "15 % mistyped".into(),
            Self::Stepped(days) => format!("-25 % {days} days ago"),
        }
    }
}

/// A market to draw from.
#[derive(Clone, Copy, PartialEq)]
pub struct Market {
    pub kind: Kind,
    pub spread: f64,
    pub others: Others,
    pub n: usize,
}

/// The other models of the book.
#[derive(Clone, Copy, PartialEq)]
pub enum Others {
    None,
    /// Two, whose effects and spread are those of this one.
    Like,
    /// Two, like each other but not like this one: their effects are drawn anew.
    Unlike,
}

impl Market {
    pub fn book(&self) -> &'static str {
        match self.others {
            Others::None => "alone",
            Others::Like => "two other models",
            Others::Unlike => "two unlike it",
        }
    }

    pub fn label(&self) -> String {
        let (kind, spread) = (self.kind.label(), 100.0 * self.spread);
        format!("{kind}, {spread:.0} %, {}, {}", self.book(), self.n)
    }
}

/// One estimate in a market.
struct Seen {
    tried: Tried,
    /// Score of the band by the true parameters on the same sale.
    known: f64,
    /// Log of the estimated median over the true one.
    off: f64,
}

/// What the draws of a market come to.
pub struct Held {
    pub market: Market,
    pub coverage: Figure,
    /// Mean by which the median is off, as a share.
    pub off: Figure,
    /// Score to that of the band by the true parameters.
    pub to_known: Figure,
}

/// All markets, the plain ones first.
pub fn markets() -> Vec<Market> {
    let mut all = Vec::new();
    let mut add = |kind, spreads: &[f64], sizes: &[usize], others: &[Others]| {
        for &others in others {
            for &spread in spreads {
                let sized = |&n| Market {
                    kind,
                    spread,
                    others,
                    n,
                };
                all.extend(sizes.iter().map(sized));
            }
        }
    };
    let both = [Others::None, Others::Like];
    add(Kind::Plain, &SPREADS, &SIZES, &both);
    add(Kind::Heavy, &SPREADS, &SIZES, &both);
    for times in [2, 3] {
        add(Kind::Larger(times), &[0.10, 0.25], &SIZES, &[Others::None]);
    }
    add(Kind::Plain, &[0.10, 0.25], &SIZES, &[Others::Unlike]);
    add(Kind::Falling, &[0.10], &SIZES, &both);
    add(Kind::Mistyped, &[0.10, 0.25], &SIZES, &[Others::None]);
    let year = (A_MONTH * f64::from(YEAR) / DAYS_PER_MONTH).round() as usize;
    for days in AFTER {
        add(Kind::Stepped(days), &[0.10], &[year], &both);
    }
    all
}

/// What the sales of the models of one market share.
struct Truth {
    market: Market,
    /// Steps from A to B, B to C, C to D.
    grades: [f64; 3],
    extra: f64,
    defect: f64,
    /// By month.
    trend: f64,
}

fn effect(rng: &mut StdRng, low: f64, high: f64) -> f64 {
    let z: f64 = StandardNormal.sample(rng);
    let decile = Normal::standard().inverse_cdf(0.9);
    f64::midpoint(low, high) + z * (high - low) / 2.0 / decile
}

impl Truth {
    fn drawn(market: Market, rng: &mut StdRng) -> Self {
        let times = match market.kind {
            Kind::Larger(times) => f64::from(times),
            _ => 1.0,
        };
        let mut down = |low: f64, high: f64| {
            let drawn = effect(rng, (1.0 - high).ln(), (1.0 - low).ln());
            times * drawn.min(0.0)
        };
        let grades = [down(0.02, 0.20), down(0.02, 0.20), down(0.02, 0.20)];
        let defect = down(0.03, 0.30);
        let extra = times * effect(rng, 0.0, 1.15f64.ln()).max(0.0);
        let drawn = effect(rng, 0.97f64.ln(), 1.01f64.ln());
        let trend = match market.kind {
            Kind::Falling => 0.96f64.ln(),
            Kind::Stepped(_) => 0.0,
            _ => drawn,
        };
        Self {
            market,
            grades,
            extra,
            defect,
            trend,
        }
    }

    fn noise(&self, rng: &mut StdRng) -> f64 {
        let standard = if self.market.kind == Kind::Heavy {
            let deciles = StudentsT::new(0.0, 1.0, DEGREES).expect("degrees");
            let scale = Normal::standard().inverse_cdf(0.9) / deciles.inverse_cdf(0.9);
            scale * StudentT::new(DEGREES).expect("degrees").sample(rng)
        } else {
            StandardNormal.sample(rng)
        };
        self.market.spread * standard
    }

    /// A sale so many days ago, and the log of the price that half of such sales exceed.
    fn sale(&self, level: f64, age: i32, rng: &mut StdRng) -> (Candidate, f64) {
        let grade = rng.random_range(0..4usize);
        let extras = rng.random_range(0..3u32);
        let defects = u32::from(rng.random_bool(0.2));
        let before = matches!(self.market.kind, Kind::Stepped(days) if age > days);
        let median = level
            + self.grades[..grade].iter().sum::<f64>()
            + self.extra * f64::from(extras)
            + self.defect * f64::from(defects)
            - self.trend * f64::from(age) / DAYS_PER_MONTH
            - if before { 0.75f64.ln() } else { 0.0 };
        let paid = (median + self.noise(rng)).exp() * self.mistyped(age, rng);
        let (least, most) = PRICES;
        let paid = Decimal::from_f64_retain(paid.clamp(least, most)).expect("a price");
        let mut comp = Candidate::blank(paid.round_dp(2));
        comp.sold_on = Some(TODAY - chrono::Duration::days(age.into()));
        comp.age_days = Some(age);
        comp.grade = ["A", "B", "C", "D"][grade].into();
        comp.extras.add("lens", extras);
        comp.defects.add("scratched screen", defects);
        (comp, median)
    }

    /// The factor of a mistyped price; targets are sold today and not mistyped.
    fn mistyped(&self, age: i32, rng: &mut StdRng) -> f64 {
        if self.market.kind == Kind::Mistyped && age > 0 && rng.random_bool(0.15) {
            [10.0, 0.1, 5.0, 0.2][rng.random_range(0..4usize)]
        } else {
            1.0
        }
    }

    /// So many comps of one model.
    fn comps(&self, model: &str, level: f64, n: usize, rng: &mut StdRng) -> Selection {
        let days = match self.market.kind {
            Kind::Stepped(_) => YEAR,
            _ => DAYS,
        };
        let candidates: Vec<Candidate> = (0..n)
            .map(|i| {
                let age = rng.random_range(1..=days);
                let (comp, _) = self.sale(level, age, rng);
                Candidate {
                    comp_id: format!("c{i:03}"),
                    ..comp
                }
            })
            .collect();
        Selection {
            seen: n,
            candidates,
            ..Selection::empty(model)
        }
    }
}

/// An estimate of a sale of today in one draw of a market.
fn seen(market: Market, settings: &Settings, draw: usize) -> Seen {
    let mut rng = StdRng::seed_from_u64(SEED + (1 << 62) + ((market.n as u64) << 32) + draw as u64);
    let truth = Truth::drawn(market, &mut rng);
    let level = 120f64.ln();
    let comps = truth.comps(MODEL, level, market.n, &mut rng);
    let (sale, median) = truth.sale(level, 0, &mut rng);
    let mut context = Context::default();
    if market.others != Others::None {
        let theirs = match market.others {
            Others::Unlike => &Truth::drawn(market, &mut rng),
            _ => &truth,
        };
        let learnt: Vec<_> = ["other", "third"]
            .iter()
            .filter_map(|model| {
                let level = rng.random_range(40f64.ln()..400f64.ln());
                let n = rng.random_range(OTHERS);
                learn(theirs.comps(model, level, n, &mut rng), true, settings)
            })
            .collect();
        context.pool = Arc::new(Pool::of(&learnt, None));
    }
    let subject = subject_of(MODEL, &sale);
    let made = estimate_with(&context, comps, &subject, settings, TODAY, 80).expect("an estimate");
    let y = f64::try_from(sale.paid).expect("a price").ln();
    let (low, high) = made.outcome.band(0.8);
    let half = Normal::standard().inverse_cdf(0.9) * market.spread;
    let known: Band = (median - half, median + half);
    Seen {
        tried: Tried::of((low, high), y),
        known: Tried::of(known, y).score,
        off: made.outcome.median() - median,
    }
}

/// Draws of a market.
pub fn hold(market: Market, draws: usize) -> Held {
    let settings = Settings::default();
    let all = gather(draws, |draw| seen(market, &settings, draw));
    let off = Figure::mean(all.iter().map(|s| s.off));
    Held {
        market,
        coverage: Figure::share(all.iter().map(|s| s.tried.covered)),
        off: Figure {
            value: off.value.exp_m1(),
            ..off
        },
        to_known: Figure::ratio(all.iter().map(|s| (s.tried.score, s.known))),
    }
}
