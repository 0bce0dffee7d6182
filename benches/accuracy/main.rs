//! How far off estimates are on open data, against named baselines.
//!
//! usage: cargo bench --bench accuracy [-- --draws N] [--sizes 8,15,30,60] [--sets auctions,…]
//!
//! From each set (see `make_data.py`) n comps and one target are drawn, over and over, and the
//! target's 80 % band is made from the comps alone by the tool and by the baselines: what people
//! do by eye (10 and 90 % quantiles of the comps) and least squares on log price with its t
//! prediction interval. Scored on log price by coverage and by the interval score (Winkler 1972);
//! the floor is an oracle, least squares fitted on the whole set, leave-one-out, with the
//! empirical 10 and 90 % quantiles of its residuals. The rules of thumb are the defaults for every
//! set; a set declares its columns and which way they are expected to move the price.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::NaiveDate;
use compband::band::estimate;
use compband::book::attributes::{Attribute, Direction, Scale};
use compband::book::settings::Family;
use compband::book::{Attributes, Items, Settings};
use compband::fit::design::DAYS_PER_MONTH;
use compband::fit::robust::{Fit, Loss, Options, Problem, fit};
use compband::fit::solve::Sign;
use compband::select::order::quantile;
use compband::select::{Candidate, Selection, Stage, Subject};
use nalgebra::{DMatrix, DVector};
use rand::rngs::StdRng;
use rand::seq::index::sample;
use rand::{RngExt, SeedableRng};
use rust_decimal::Decimal;
use statrs::distribution::{ContinuousCDF, StudentsT};

const TODAY: NaiveDate = NaiveDate::from_ymd_opt(2026, 6, 30).unwrap();
const MODEL: &str = "any";
const CHANCE: u8 = 80;
const SEED: u64 = 1972;

/// What a column of a set is declared to be.
#[derive(Clone, Copy)]
enum Role {
    Price,
    /// Grade A where 1, B where 0.
    GradeA,
    /// Each adds.
    Extra,
    /// A number that counts by doublings.
    Doubling(Direction),
    /// One of several kinds, either way.
    Variant,
    /// Month of the sale.
    Month,
}

struct Set {
    name: &'static str,
    file: &'static str,
    columns: &'static [(&'static str, Role)],
}

const SETS: [Set; 3] = [
    Set {
        name: "auctions",
        file: "tests/reference/mariokart.csv",
        columns: &[
            ("total_pr", Role::Price),
            ("cond", Role::GradeA),
            ("stock_photo", Role::Extra),
            ("wheels", Role::Extra),
            ("duration", Role::Doubling(Direction::Either)),
        ],
    },
    Set {
        name: "computers",
        file: "benches/accuracy/computers.csv",
        columns: &[
            ("price", Role::Price),
            ("speed", Role::Doubling(Direction::Up)),
            ("hd", Role::Doubling(Direction::Up)),
            ("ram", Role::Doubling(Direction::Up)),
            ("screen", Role::Doubling(Direction::Up)),
            ("cd", Role::Extra),
            ("multi", Role::Extra),
            ("premium", Role::Variant),
            ("trend", Role::Month),
        ],
    },
    Set {
        name: "houses",
        file: "benches/accuracy/houses.csv",
        columns: &[
            ("price", Role::Price),
            ("lotsize", Role::Doubling(Direction::Up)),
            ("bedrooms", Role::Extra),
            ("bathrooms", Role::Extra),
            ("stories", Role::Extra),
            ("driveway", Role::Extra),
            ("recreation", Role::Extra),
            ("fullbase", Role::Extra),
            ("gasheat", Role::Extra),
            ("aircon", Role::Extra),
            ("garage", Role::Extra),
            ("prefer", Role::Extra),
        ],
    },
];

/// A sale: as a comp, the month it was in, and as a row of the baselines' design.
struct Sale {
    comp: Candidate,
    month: f64,
    row: Vec<f64>,
    log_price: f64,
}

fn number(cell: &str) -> f64 {
    match cell {
        "yes" | "new" => 1.0,
        "no" | "used" => 0.0,
        other => other.parse().expect("a number"),
    }
}

impl Set {
    fn settings(&self) -> Settings {
        let mut family = Family {
            models: vec![MODEL.into()],
            attributes: BTreeMap::new(),
        };
        for (name, role) in self.columns {
            if let Role::Doubling(sign) = role {
                let attribute = Attribute {
                    unit: String::new(),
                    scale: Scale::Doubling,
                    sign: *sign,
                    rule: None,
                };
                family.attributes.insert((*name).into(), attribute);
            }
        }
        let mut settings = Settings::default();
        settings.families.insert("set".into(), family);
        // Draws take no notice of time, so age says nothing; the trend does.
        settings.estimate.half_life_days = f64::INFINITY;
        settings
    }

    fn load(&self) -> Vec<Sale> {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(self.file);
        let mut reader = csv::Reader::from_path(path).expect("the data set");
        let header = reader.headers().expect("a header").clone();
        let at = |name: &str| header.iter().position(|h| h == name).expect("the column");
        reader
            .records()
            .map(|r| self.sale(&r.expect("a row"), &at))
            .collect()
    }

    fn sale(&self, record: &csv::StringRecord, at: &dyn Fn(&str) -> usize) -> Sale {
        let mut comp = blank();
        let (mut month, mut log_price, mut row) = (0.0, 0.0, vec![1.0]);
        for (name, role) in self.columns {
            let value = number(&record[at(name)]);
            match role {
                Role::Price => {
                    comp.paid = Decimal::from_f64_retain(value)
                        .expect("a price")
                        .round_dp(2);
                    log_price = value.ln();
                }
                Role::GradeA => comp.grade = if value == 1.0 { "A" } else { "B" }.into(),
                Role::Extra => comp.extras.add(name, value as u32),
                Role::Doubling(_) => {
                    comp.attributes.set(
                        name,
                        Decimal::from_f64_retain(value)
                            .expect("a number")
                            .round_dp(6),
                    );
                }
                Role::Variant => comp.variant = format!("{name} {value}"),
                Role::Month => month = value,
            }
            match role {
                Role::Price => {}
                Role::Doubling(_) => row.push(value.log2()),
                _ => row.push(value),
            }
        }
        Sale {
            comp,
            month,
            row,
            log_price,
        }
    }
}

fn blank() -> Candidate {
    Candidate {
        comp_id: String::new(),
        origin: String::new(),
        sold_on: Some(TODAY),
        age_days: Some(0),
        variant: String::new(),
        completeness: String::new(),
        grade: String::new(),
        missing: Items::NONE,
        extras: Items::NONE,
        defects: Items::NONE,
        attributes: Attributes::NONE,
        works: true,
        how_sold: None,
        paid: Decimal::ONE,
        stage: Stage::Exact,
        dropped: None,
        pinned: false,
    }
}

/// An interval on log price.
type Band = (f64, f64);

/// The interval score of Winkler (1972) at 80 %.
fn winkler((low, high): Band, y: f64) -> f64 {
    high - low + 2.0 / 0.2 * ((low - y).max(0.0) + (y - high).max(0.0))
}

fn ours(comps: &[&Sale], target: &Sale, settings: &Settings, spoilt: &[f64]) -> Band {
    let candidates: Vec<Candidate> = comps
        .iter()
        .zip(spoilt)
        .enumerate()
        .map(|(i, (sale, factor))| {
            let age = ((target.month - sale.month) * DAYS_PER_MONTH).round() as i32;
            let factor = Decimal::from_f64_retain(*factor).expect("a factor");
            Candidate {
                comp_id: format!("c{i:03}"),
                age_days: Some(age),
                sold_on: Some(TODAY - chrono::Duration::days(age.into())),
                paid: sale.comp.paid * factor,
                ..sale.comp.clone()
            }
        })
        .collect();
    let given = |text: &str| (!text.is_empty()).then(|| text.to_string());
    let comp = &target.comp;
    let subject = Subject {
        model: MODEL.into(),
        variant: given(&comp.variant),
        completeness: None,
        grade: given(&comp.grade),
        missing: Items::NONE,
        extras: comp.extras.clone(),
        defects: Items::NONE,
        attributes: comp.attributes.clone(),
        works: true,
        how_sold: None,
    };
    let selection = Selection {
        seen: candidates.len(),
        candidates,
        ..Selection::empty(MODEL)
    };
    let made = estimate(selection, &subject, settings, TODAY, CHANCE).expect("an estimate");
    let (low, high, _) = made.outcome.band(f64::from(CHANCE) / 100.0);
    (low, high)
}

fn by_eye(comps: &[&Sale], spoilt: &[f64]) -> Band {
    let mut logs: Vec<f64> = comps
        .iter()
        .zip(spoilt)
        .map(|(s, f)| s.log_price + f.ln())
        .collect();
    logs.sort_by(f64::total_cmp);
    (
        quantile(&logs, 0.1).expect("comps"),
        quantile(&logs, 0.9).expect("comps"),
    )
}

fn flat_fit(x: &DMatrix<f64>, y: &DVector<f64>) -> Option<Fit> {
    let weights = vec![1.0; y.len()];
    let signs = vec![Sign::Free; x.ncols()];
    let problem = Problem {
        x,
        y,
        weights: &weights,
        penalties: &[],
        signs: &signs,
        start: None,
    };
    let options = Options {
        loss: Loss::LeastSquares,
        prior_rows: 0.0,
        ..Options::default()
    };
    fit(&problem, &options).ok()
}

/// Least squares on log price over the columns that vary, with its t prediction interval; none
/// where the comps cannot determine it or leave no degree of freedom.
fn least_squares(comps: &[&Sale], target: &Sale) -> Option<Band> {
    let p = target.row.len();
    let varies = |j: &usize| *j == 0 || comps.iter().any(|s| s.row[*j] != comps[0].row[*j]);
    let kept: Vec<usize> = (0..p).filter(varies).collect();
    let degrees = comps.len().checked_sub(kept.len()).filter(|d| *d > 0)?;
    let x = DMatrix::from_fn(comps.len(), kept.len(), |i, j| comps[i].row[kept[j]]);
    let y = DVector::from_iterator(comps.len(), comps.iter().map(|s| s.log_price));
    let fit = flat_fit(&x, &y)?;
    let row = DVector::from_iterator(kept.len(), kept.iter().map(|&j| target.row[j]));
    let sigma = (fit.residuals.norm_squared() / degrees as f64).sqrt();
    let scale = (sigma * sigma + fit.variance(&row) * (sigma / fit.sigma).powi(2)).sqrt();
    let t = StudentsT::new(0.0, 1.0, degrees as f64)
        .ok()?
        .inverse_cdf(0.9);
    let mean = fit.mean(&row);
    Some((mean - t * scale, mean + t * scale))
}

/// Mean score of least squares on the whole set, leave-one-out.
fn oracle(sales: &[Sale]) -> f64 {
    let p = sales[0].row.len();
    let x = DMatrix::from_fn(sales.len(), p, |i, j| sales[i].row[j]);
    let y = DVector::from_iterator(sales.len(), sales.iter().map(|s| s.log_price));
    let fit = flat_fit(&x, &y).expect("a whole set determines its fit");
    let residuals: Vec<f64> = fit
        .residuals
        .iter()
        .zip(&fit.leverages)
        .map(|(r, h)| r / (1.0 - h))
        .collect();
    let mut sorted = residuals.clone();
    sorted.sort_by(f64::total_cmp);
    let band = (
        quantile(&sorted, 0.1).expect("rows"),
        quantile(&sorted, 0.9).expect("rows"),
    );
    residuals.iter().map(|r| winkler(band, *r)).sum::<f64>() / residuals.len() as f64
}

/// Mean and standard error.
#[derive(Default, Clone, Copy)]
struct Mean {
    n: f64,
    sum: f64,
    squares: f64,
}

impl Mean {
    fn add(&mut self, value: f64) {
        self.n += 1.0;
        self.sum += value;
        self.squares += value * value;
    }

    fn join(mut self, other: Self) -> Self {
        self.n += other.n;
        self.sum += other.sum;
        self.squares += other.squares;
        self
    }

    fn mean(self) -> f64 {
        self.sum / self.n
    }

    fn error(self) -> f64 {
        ((self.squares / self.n - self.mean().powi(2)).max(0.0) / self.n).sqrt()
    }
}

/// What is gathered over the draws of one set and size.
#[derive(Default, Clone, Copy)]
struct Tally {
    covered: Mean,
    ours: Mean,
    by_eye: Mean,
    least_squares: Mean,
    /// Ours where least squares could be fitted.
    beside: Mean,
    /// Ours with gross errors planted.
    spoilt: Mean,
}

impl Tally {
    fn join(self, other: Self) -> Self {
        Self {
            covered: self.covered.join(other.covered),
            ours: self.ours.join(other.ours),
            by_eye: self.by_eye.join(other.by_eye),
            least_squares: self.least_squares.join(other.least_squares),
            beside: self.beside.join(other.beside),
            spoilt: self.spoilt.join(other.spoilt),
        }
    }
}

fn draw(sales: &[Sale], n: usize, settings: &Settings, rng: &mut StdRng, tally: &mut Tally) {
    let chosen: Vec<&Sale> = sample(rng, sales.len(), n + 1)
        .into_iter()
        .map(|i| &sales[i])
        .collect();
    let (target, comps) = (chosen[0], &chosen[1..]);
    let clean = vec![1.0; n];
    let y = target.log_price;
    let band = ours(comps, target, settings, &clean);
    let score = winkler(band, y);
    tally.covered.add(f64::from(band.0 <= y && y <= band.1));
    tally.ours.add(score);
    tally.by_eye.add(winkler(by_eye(comps, &clean), y));
    if let Some(band) = least_squares(comps, target) {
        tally.least_squares.add(winkler(band, y));
        tally.beside.add(score);
    }
    let gross: Vec<f64> = (0..n)
        .map(|_| match rng.random_range(0..20) {
            0 => 5.0,
            1 => 0.2,
            _ => 1.0,
        })
        .collect();
    tally
        .spoilt
        .add(winkler(ours(comps, target, settings, &gross), y));
}

fn gather(sales: &[Sale], n: usize, draws: usize, settings: &Settings) -> Tally {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        let part = |k: usize| {
            let mut tally = Tally::default();
            for d in (k..draws).step_by(threads) {
                let mut rng = StdRng::seed_from_u64(SEED + ((n as u64) << 32) + d as u64);
                draw(sales, n, settings, &mut rng, &mut tally);
            }
            tally
        };
        let running: Vec<_> = (0..threads).map(|k| scope.spawn(move || part(k))).collect();
        running
            .into_iter()
            .map(|t| t.join().expect("a tally"))
            .fold(Tally::default(), Tally::join)
    })
}

/// The value behind an option of the command line.
fn option(name: &str) -> Option<String> {
    let args: Vec<String> = std::env::args().collect();
    args.iter()
        .position(|a| a == name)
        .and_then(|at| args.get(at + 1).cloned())
}

fn main() {
    let draws: usize = option("--draws").map_or(2000, |n| n.parse().expect("--draws N"));
    let sizes = option("--sizes").unwrap_or_else(|| "8,15,30,60".into());
    let sizes: Vec<usize> = sizes
        .split(',')
        .map(|n| n.parse().expect("--sizes N,N"))
        .collect();
    let wanted = option("--sets");
    println!(
        "{draws} draws of n comps and a target; 80 % bands; interval scores on log price (standard error)"
    );
    println!(
        "| set | n | coverage | score | / oracle | by eye | ours / it | least squares | fitted | ours / it | with gross errors |"
    );
    println!("|---|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|");
    for set in SETS.iter().filter(|s| {
        wanted
            .as_ref()
            .is_none_or(|w| w.split(',').any(|n| n == s.name))
    }) {
        let sales = set.load();
        let settings = set.settings();
        let floor = oracle(&sales);
        println!("| {} | oracle | | {floor:.3} | | | | | | | |", set.name);
        for &n in &sizes {
            let t = gather(&sales, n, draws, &settings);
            let with = |m: Mean| format!("{:.3} ({:.3})", m.mean(), m.error());
            println!(
                "| {} | {n} | {:.3} ({:.3}) | {} | {:.3} | {} | {:.3} | {} | {:.0} % | {:.3} | +{:.0} % |",
                set.name,
                t.covered.mean(),
                t.covered.error(),
                with(t.ours),
                t.ours.mean() / floor,
                with(t.by_eye),
                t.ours.mean() / t.by_eye.mean(),
                with(t.least_squares),
                100.0 * t.least_squares.n / t.ours.n,
                t.beside.mean() / t.least_squares.mean(),
                100.0 * (t.spoilt.mean() / t.ours.mean() - 1.0),
            );
        }
    }
}
