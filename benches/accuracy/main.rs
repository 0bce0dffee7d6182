//! The league: how far off estimates are on open data, against named peers.
//!
//! usage: cargo bench --bench accuracy [-- --draws N] [--sizes 8,15,30,60] [--sets auctions,…]
//!        [--judges all|no|yes] [--ours-only | --markets-only] [--python PROGRAM [--peer-draws N]]
//!        [--save FILE] [--against FILE] [--bound] [--ideal-draws N]
//!
//! From each set (see `make_data.py`) n comps and one target are drawn, over and over, and the
//! target's 80 % band is made from the comps alone by the tool and by its peers: what people do by
//! eye (10 and 90 % quantiles of the comps), least squares on log price with its t prediction
//! interval, and with `--python`, on the first draws, quantile regression, Bayesian ridge regression,
//! a Gaussian process, a quantile forest and the jackknife+ on ridge regression (`peers.py`). Scored on
//! log price by coverage and by the interval score (Winkler 1972). The rules of thumb are the
//! defaults for every set; a set declares its columns and which way they are expected to move the
//! price.
//!
//! The floor is an oracle, least squares fitted on the whole set, leave-one-out, with the
//! empirical 10 and 90 % quantiles of its residuals. Ratios to it are to its score on the very
//! targets drawn, which leaves the luck of the draw out of them.
//!
//! Some sets may be looked at while choosing, the others only judge (`sets.rs` says by what rule):
//! `--judges no` draws from the first alone. `--ours-only` leaves out all but the table of ours.
//! `--save` keeps our score on each draw, `--against` sets ours beside scores kept so, such as
//! those of another version of the estimator, on the same draws.
//!
//! Further tables say
//! - what the other models of a book are worth to one that has few comps (`pooled.rs`): each set
//!   taken apart into models by one of its columns, 3, 8, 15 or 30 comps of one beside 30 of each
//!   other, the same draws with and without the others;
//! - what wrong rules of thumb cost (`wrong.rs`): all of them times three, divided by three and of
//!   the opposite sign;
//! - how bands hold in simulated markets (`market.rs`), `--markets-only` these alone;
//! - with `--bound` what the best single shrinkage prior does on the same draws, chosen on the very
//!   targets (`bound.rs`): the least that rules of thumb which hold every column alike could come to;
//! - with `--ideal-draws` what gross errors cost an observer that knows the law by which prices are
//!   mistyped (`ideal.rs`): the least that the same rules of thumb could come to.
//!
//! Last come the goals (`goals.rs`), with two standard errors of grace.
//!
//! The peers in Python need the packages of tests/reference/requirements.txt:
//! `python3 -m venv venv && venv/bin/pip install -r tests/reference/requirements.txt`, then
//! `--python venv/bin/python`. They take about 20 minutes on two cores.
//!
//! Least squares, the oracle and the bound are checked against statsmodels in `tests/it/accuracy.rs`,
//! the quantile regression and the jackknife+ in `tests/reference/make_accuracy.py`.

mod bound;
mod draws;
mod figure;
mod goals;
mod ideal;
mod kept;
mod market;
mod ours;
mod peers;
mod pooled;
mod regression;
mod report;
mod sets;
mod time;
mod wrong;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, ValueEnum};

use bound::{Best, Known};
use draws::{Data, cell, drawn, gather};
use kept::Kept;
use report::{Report, Study};
use sets::{Row, Set, sets};
use time::Time;
use wrong::{Tested, Wrong};

/// Estimates timed of each set that has enough rows.
const TIMED: usize = 60;

/// Scores kept before heavy-tailed rules of thumb.
const BEFORE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/accuracy/before.csv");

/// How far off estimates are on open data, against named peers.
#[derive(Parser)]
struct Options {
    /// Draws of comps and a target, for each set and size.
    #[arg(long, default_value_t = 500)]
    draws: usize,
    /// Numbers of comps; a set is drawn from where they are at most two thirds of it.
    #[arg(long, value_delimiter = ',', default_values_t = [8, 15, 30, 60])]
    sizes: Vec<usize>,
    /// Sets to draw from; all where not given.
    #[arg(long, value_delimiter = ',')]
    sets: Vec<String>,
    /// Whether to draw from the sets that judge.
    #[arg(long, value_enum, default_value = "all")]
    judges: Judges,
    /// Only the table of ours beside what needs no Python.
    #[arg(long)]
    ours_only: bool,
    /// Keeps our score on each draw in this file.
    #[arg(long)]
    save: Option<PathBuf>,
    /// Sets our scores beside those kept in this file: by default those of the first three sets
    /// before heavy-tailed rules of thumb.
    #[arg(long, default_value = BEFORE)]
    against: PathBuf,
    /// Also what the best single shrinkage prior does, chosen on the very targets.
    #[arg(long)]
    bound: bool,
    /// The first so many draws are given to the ideal observer of gross errors, which is slow.
    #[arg(long, default_value_t = 0)]
    ideal_draws: usize,
    /// Only the simulated markets.
    #[arg(long, conflicts_with = "ours_only")]
    markets_only: bool,
    /// Python with the packages of tests/reference/requirements.txt, for the peers that need it.
    #[arg(long)]
    python: Option<String>,
    /// The first so many draws are given to these peers, which are slow.
    #[arg(long, default_value_t = 200)]
    peer_draws: usize,
    /// Given by cargo.
    #[arg(long, hide = true)]
    bench: bool,
}

#[derive(Clone, Copy, PartialEq, ValueEnum)]
enum Judges {
    /// All sets.
    All,
    /// Only sets that may be looked at while choosing.
    No,
    /// Only sets that judge.
    Yes,
}

impl Options {
    fn wanted_sets(&self) -> Result<Vec<Set>, String> {
        let known = sets();
        let is_known = |name: &&String| known.iter().any(|set| set.name == **name);
        if let Some(other) = self.sets.iter().find(|name| !is_known(name)) {
            let names: Vec<&str> = known.iter().map(|set| set.name).collect();
            let names = names.join(", ");
            return Err(format!("no set is called {other}; there are {names}"));
        }
        let named = |set: &Set| self.sets.is_empty() || self.sets.iter().any(|n| n == set.name);
        let used = |set: &Set| match self.judges {
            Judges::All => true,
            Judges::No => !set.judges,
            Judges::Yes => set.judges,
        };
        Ok(known
            .into_iter()
            .filter(|set| named(set) && used(set))
            .collect())
    }
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

fn study(options: &Options, set: &Set, times: &mut Vec<f64>) -> Result<Study, String> {
    let data = Data::of(set);
    let mut study = Study::of(set, data.rows.len(), data.oracle.floor());
    let known = options
        .bound
        .then(|| Known::of(set, &data.rows, &data.oracle));
    let fits = |n: &&usize| **n > 0 && 3 * **n <= 2 * data.rows.len();
    for &n in options.sizes.iter().filter(fits) {
        eprintln!("{}, {n} comps", set.name);
        study.cells.push(cell(&data, n, options.draws));
        if n <= ideal::LARGEST && options.ideal_draws > 0 {
            let draws = options.ideal_draws.min(options.draws);
            study.ideal.push((n, ideal::ideal(&data, n, draws)));
        }
        let best = known.iter().map(|k| best_prior(options, &data, k, n));
        study.best.extend(best);
    }
    if let Some(python) = &options.python {
        eprintln!("{}, peers in Python", set.name);
        peers::add(python, options.peer_draws, &data, &mut study.cells)?;
    }
    if fits(&&time::SIZE) {
        times.extend(time::times(&data, TIMED));
    }
    if !options.ours_only {
        study.together = pooled::together(set, &data, options.draws);
        eprintln!("{}, wrong rules", set.name);
        let cell = study.cells.iter().find(|cell| cell.n == wrong::SIZE);
        let tested = |cell| Wrong::ALL.map(|wrong| Tested::of(wrong, &data, cell));
        study.tested = cell.map_or(Vec::new(), |cell| tested(cell).into());
    }
    Ok(study)
}

fn markets(draws: usize) -> Vec<market::Held> {
    let one = |market: market::Market| {
        eprintln!("{}", market.label());
        market::hold(market, draws)
    };
    market::markets().into_iter().map(one).collect()
}

fn run() -> Result<(), String> {
    let options = Options::parse();
    if options.draws == 0 || options.peer_draws == 0 {
        return Err("--draws and --peer-draws must be 1 or more".into());
    }
    let wanted = options.wanted_sets()?;
    let before = Kept::read(&options.against)?;
    let (mut studies, mut times) = (Vec::new(), Vec::new());
    if !options.markets_only {
        for set in &wanted {
            studies.push(study(&options, set, &mut times)?);
        }
    }
    if let Some(path) = &options.save {
        Kept::of(&studies).write(path)?;
    }
    let markets = match options.ours_only {
        true => Vec::new(),
        false => markets(options.draws),
    };
    print!(
        "{}",
        Report {
            studies,
            markets,
            time: Time::of(times),
            before,
        }
    );
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
