//! How far off estimates are on open data, against named baselines.
//!
//! usage: cargo bench --bench accuracy [-- --draws N] [--sizes 8,15,30,60] [--sets auctions,…]
//!        [--columns all|stated] [--bound] [--python PROGRAM [--quantile-draws N] [--exact]]
//!
//! From each set (see `make_data.py`) n comps and one target are drawn, over and over, and the
//! target's 80 % band is made from the comps alone by the tool and by the baselines: what people
//! do by eye (10 and 90 % quantiles of the comps), least squares on log price with its t
//! prediction interval, and quantile regression of statsmodels. Scored on log price by coverage
//! and by the interval score (Winkler 1972). The rules of thumb are the defaults for every set; a
//! set declares its columns and which way they are expected to move the price.
//!
//! The floor is an oracle, least squares fitted on the whole set, leave-one-out, with the
//! empirical 10 and 90 % quantiles of its residuals. The stated floor, which the goals go by, is
//! fitted on some of the columns; beside it stands that of all columns. `--columns stated` leaves
//! the others out for everybody.
//!
//! Each set is also taken apart into models by one of its columns, to see what the other models of
//! a book are worth to one that has few comps: 3, 5, 8, 15 or 30 of it beside 30 of each other, the
//! same draws with and without the others.
//!
//! With `--bound` a further table says what the best single shrinkage prior does on the same draws,
//! chosen on the very targets (`bound.rs`): what no rules of thumb the same for every column can
//! be expected to pass.
//!
//! Quantile regression needs Python:
//! `python3 -m venv venv && venv/bin/pip install -r tests/reference/requirements.txt`, then
//! `--python venv/bin/python`. Without `--python` or `--quantile-draws` it is left out.
//! Ratios to a floor are to the oracle's score on the very targets drawn, which leaves the luck of
//! the draw out of them.
//!
//! Least squares, the oracle and the bound are checked against statsmodels in `tests/it/accuracy.rs`.

mod bound;
mod ours;
mod pooled;
mod quantile;
mod regression;
mod report;
mod sets;

use std::process::ExitCode;

use clap::{Parser, ValueEnum};
use compband::band::estimate::Aids;
use compband::book::Settings;
use rand::rngs::StdRng;
use rand::seq::index::sample;
use rand::{RngExt, SeedableRng};

use bound::{Best, Known};
use ours::Sale;
use regression::{Band, Oracle, least_squares, middle, winkler};
use report::{Cell, Report, Scores, Study, Together};
use sets::{Row, Set, sets};

const SEED: u64 = 1972;

/// How far off estimates are on open data, against named baselines.
#[derive(Parser)]
struct Options {
    /// Draws of comps and a target, for each set and size.
    #[arg(long, default_value_t = 2000)]
    draws: usize,
    /// Numbers of comps.
    #[arg(long, value_delimiter = ',', default_values_t = [8, 15, 30, 60])]
    sizes: Vec<usize>,
    /// Sets to draw from: auctions, computers, houses; all where not given.
    #[arg(long, value_delimiter = ',')]
    sets: Vec<String>,
    /// Whether all columns are used or only those of the stated floor.
    #[arg(long, value_enum, default_value = "all")]
    columns: Columns,
    /// Also what the best single shrinkage prior does, chosen on the very targets.
    #[arg(long)]
    bound: bool,
    /// Python with the packages of tests/reference/requirements.txt, for quantile regression.
    #[arg(long)]
    python: Option<String>,
    /// The first so many draws are given to quantile regression; all where not given.
    #[arg(long)]
    quantile_draws: Option<usize>,
    /// Quantile regression by its linear programme instead of statsmodels' reweighting.
    #[arg(long)]
    exact: bool,
    /// Given by cargo.
    #[arg(long, hide = true)]
    bench: bool,
}

#[derive(Clone, Copy, PartialEq, ValueEnum)]
enum Columns {
    All,
    Stated,
}

impl Options {
    /// The interpreter and the number of draws for quantile regression, where it is wanted.
    fn quantile(&self) -> Option<(&str, usize)> {
        let wanted = self.python.is_some() || self.quantile_draws.is_some();
        let draws = self.quantile_draws.unwrap_or(self.draws).min(self.draws);
        wanted.then(|| (self.python.as_deref().unwrap_or("python3"), draws))
    }

    fn wanted_sets(&self) -> Result<Vec<Set>, String> {
        let known = sets();
        if let Some(other) = self
            .sets
            .iter()
            .find(|name| known.iter().all(|set| set.name != **name))
        {
            let names = known.map(|set| set.name).join(", ");
            return Err(format!("no set is called {other}; there are {names}"));
        }
        let wanted = known
            .into_iter()
            .filter(|set| self.sets.is_empty() || self.sets.iter().any(|name| name == set.name));
        Ok(wanted
            .map(|mut set| {
                set.columns
                    .retain(|c| c.stated || self.columns == Columns::All);
                set
            })
            .collect())
    }
}

/// A set read: its rows as baselines take them, and the same sales as the tool takes them.
struct Data {
    rows: Vec<Row>,
    sales: Vec<Sale>,
    settings: Settings,
    /// On the columns of the stated floor, and on all.
    oracles: [Oracle; 2],
}

/// The generator of a draw, and the rows it draws: the target first, its comps behind.
fn drawn(rows: usize, n: usize, draw: usize) -> (StdRng, Vec<usize>) {
    let mut rng = StdRng::seed_from_u64(SEED + ((n as u64) << 32) + draw as u64);
    let chosen = sample(&mut rng, rows, n + 1).into_vec();
    (rng, chosen)
}

fn by_eye(comps: &[&Row]) -> Band {
    middle(comps.iter().map(|row| row.log_price).collect())
}

/// Factors of gross errors: one price in ten times or divided by five.
fn gross(rng: &mut StdRng, n: usize) -> Vec<f64> {
    (0..n)
        .map(|_| match rng.random_range(0..20) {
            0 => 5.0,
            1 => 0.2,
            _ => 1.0,
        })
        .collect()
}

fn score(data: &Data, n: usize, draw: usize) -> Scores {
    let (mut rng, chosen) = drawn(data.rows.len(), n, draw);
    let (target, comps) = (chosen[0], &chosen[1..]);
    let sales: Vec<&Sale> = comps.iter().map(|&i| &data.sales[i]).collect();
    let rows: Vec<&Row> = comps.iter().map(|&i| &data.rows[i]).collect();
    let row = &data.rows[target];
    let y = row.log_price;
    let ours = |factors: &[f64]| {
        let alone = Aids::default();
        ours::band(&sales, &data.sales[target], &data.settings, factors, &alone)
    };
    let band = ours(&vec![1.0; n]);
    Scores {
        covered: band.0 <= y && y <= band.1,
        ours: winkler(band, y),
        spoilt: winkler(ours(&gross(&mut rng, n)), y),
        by_eye: winkler(by_eye(&rows), y),
        least_squares: least_squares(&rows, row).map(|band| winkler(band, y)),
        quantile: None,
        floors: [0, 1].map(|of| data.oracles[of].scores[target]),
    }
}

/// Scores of all draws, in their order, over all cores.
fn gather<T: Send>(draws: usize, score: impl Fn(usize) -> T + Copy + Send) -> Vec<T> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let part = draws.div_ceil(threads);
    std::thread::scope(|scope| {
        let running: Vec<_> = (0..threads)
            .map(|k| {
                let draws = (k * part).min(draws)..((k + 1) * part).min(draws);
                scope.spawn(move || draws.map(score).collect::<Vec<_>>())
            })
            .collect();
        running
            .into_iter()
            .flat_map(|thread| thread.join().expect("scores"))
            .collect()
    })
}

/// Adds the scores of quantile regression to the first draws.
fn add_quantile(
    options: &Options,
    data: &Data,
    n: usize,
    scores: &mut [Scores],
) -> Result<(), String> {
    let Some((python, draws)) = options.quantile() else {
        return Ok(());
    };
    let samples: Vec<Vec<usize>> = (0..draws).map(|d| drawn(data.rows.len(), n, d).1).collect();
    let bands = quantile::bands(python, options.exact, &data.rows, &samples)?;
    for ((scores, band), chosen) in scores.iter_mut().zip(bands).zip(samples) {
        let y = data.rows[chosen[0]].log_price;
        scores.quantile = Some(band.map(|band| winkler(band, y)));
    }
    Ok(())
}

/// The best single prior on the draws of n comps.
fn best_prior(options: &Options, data: &Data, known: &Known, n: usize) -> Best {
    let tries = gather(options.draws, |draw| {
        let (_, chosen) = drawn(data.rows.len(), n, draw);
        let comps: Vec<&Row> = chosen[1..].iter().map(|&i| &data.rows[i]).collect();
        known.tries(&comps, &data.rows[chosen[0]])
    });
    Best::of(&tries)
}

fn study(options: &Options, set: &Set) -> Result<Study, String> {
    let rows = set.load();
    if let Some(n) = options.sizes.iter().find(|n| !(1..rows.len()).contains(*n)) {
        let most = rows.len() - 1;
        return Err(format!(
            "{} has no draws of {n} comps; from 1 to {most}",
            set.name
        ));
    }
    let every: Vec<usize> = (0..rows[0].design.len()).collect();
    let data = Data {
        oracles: [set.stated(), every].map(|kept| Oracle::of(&rows, &kept)),
        sales: rows.iter().map(|row| ours::sale(set, row)).collect(),
        settings: ours::settings(set),
        rows,
    };
    let known = options
        .bound
        .then(|| Known::of(set, &data.rows, &data.oracles[1]));
    let mut cells = Vec::new();
    for &n in &options.sizes {
        eprintln!("{}, {n} comps", set.name);
        let mut scores = gather(options.draws, |draw| score(&data, n, draw));
        add_quantile(options, &data, n, &mut scores)?;
        let best = known
            .as_ref()
            .map(|known| best_prior(options, &data, known, n));
        cells.push(Cell { n, scores, best });
    }
    let models = pooled::models(set, &data.rows);
    let together = pooled::SIZES.map(|n| {
        eprintln!("{}, {n} comps beside other models", set.name);
        let pairs = gather(options.draws, |draw| pooled::score(&data, &models, n, draw));
        Together { n, pairs }
    });
    Ok(Study {
        name: set.name,
        floors: [0, 1].map(|of| data.oracles[of].floor()),
        cells,
        split: pooled::split(set.name),
        models: models.len(),
        together: together.into(),
    })
}

fn run() -> Result<(), String> {
    let options = Options::parse();
    if options.draws == 0 {
        return Err("--draws must be 1 or more".into());
    }
    let studies: Result<Vec<Study>, String> = options
        .wanted_sets()?
        .iter()
        .map(|set| study(&options, set))
        .collect();
    print!("{}", Report(studies?));
    Ok(())
}

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("error: {message}");
            ExitCode::FAILURE
        }
    }
}
