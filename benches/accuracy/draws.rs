//! Draws of comps and a target from a set, and the scores of bands on them.

use compband::band::estimate::Context;
use compband::settings::Settings;
use rand::rngs::StdRng;
use rand::seq::index::sample;
use rand::{RngExt, SeedableRng};
use rayon::iter::{IntoParallelIterator, ParallelIterator};

use super::figure::Figure;
use super::ours::{self, Sale};
use super::regression::{Band, Oracle, Tried, least_squares, middle};
use super::sets::{Row, Set};

pub const SEED: u64 = 1972;

/// A baseline that could be fitted on a smaller share of the draws is not compared.
const LEAST_FITTED: f64 = 0.1;

/// The best peer can be fitted on at least this share.
pub const FITTED: f64 = 0.95;

/// A set read: its rows as baselines take them, and the same sales as the tool takes them.
pub struct Data {
    pub rows: Vec<Row>,
    pub sales: Vec<Sale>,
    pub settings: Settings,
    pub oracle: Oracle,
}

impl Data {
    pub fn of(set: &Set) -> Self {
        let rows = set.load();
        Self {
            oracle: Oracle::of(&rows),
            sales: rows.iter().map(|row| ours::sale(set, row)).collect(),
            settings: ours::settings(set),
            rows,
        }
    }
}

/// How our band did on one draw, and the oracle's on the same target.
pub struct Draw {
    pub ours: Tried,
    /// Ours with gross errors planted.
    pub spoilt: Tried,
    /// The same, were it known which comps they are: the least that gross errors can cost.
    pub known: Tried,
    pub oracle: f64,
}

/// A baseline on the first draws; none where it could not be fitted.
pub struct Peer {
    pub name: &'static str,
    pub tried: Vec<Option<Tried>>,
}

/// The draws of one size.
pub struct Cell {
    pub n: usize,
    pub draws: Vec<Draw>,
    pub peers: Vec<Peer>,
}

impl Cell {
    pub fn coverage(&self) -> Figure {
        Figure::share(self.draws.iter().map(|d| d.ours.covered))
    }

    pub fn score(&self) -> Figure {
        Figure::mean(self.draws.iter().map(|d| d.ours.score))
    }

    /// Ours to the oracle on the same targets.
    pub fn to_oracle(&self) -> Figure {
        Figure::ratio(self.draws.iter().map(|d| (d.ours.score, d.oracle)))
    }

    /// How much our score rises with gross errors planted.
    pub fn rise(&self) -> Figure {
        Figure::ratio(self.draws.iter().map(|d| (d.spoilt.score, d.ours.score))).less_one()
    }

    /// The same, were it known which comps they are.
    pub fn rise_were_they_known(&self) -> Figure {
        Figure::ratio(self.draws.iter().map(|d| (d.known.score, d.ours.score))).less_one()
    }

    pub fn peer(&self, name: &str) -> Option<&Peer> {
        self.peers.iter().find(|peer| peer.name == name)
    }

    /// Ours to a peer's score, over the draws where it was fitted; nothing where those are few.
    pub fn to_peer(&self, name: &str) -> Figure {
        let peer = self.peer(name).filter(|p| p.share_fitted() >= LEAST_FITTED);
        peer.map_or(Figure::NONE, |peer| {
            let fitted = peer.fitted(&self.draws);
            Figure::ratio(fitted.map(|(d, t)| (d.ours.score, t.score)))
        })
    }

    /// The peer with the lowest score to the oracle's, over the draws that every peer was tried on,
    /// among those fitted on all but a few of them.
    pub fn best_peer(&self) -> Option<&Peer> {
        let score = |peer: &Peer| peer.to_oracle(self.shared()).value;
        self.peers
            .iter()
            .filter(|peer| peer.share_fitted() >= FITTED)
            .min_by(|a, b| score(a).total_cmp(&score(b)))
    }

    /// Ours to the best peer's score on these draws.
    pub fn to_best_peer(&self) -> Figure {
        self.best_peer().map_or(Figure::NONE, |peer| {
            let fitted = peer.fitted(self.shared());
            Figure::ratio(fitted.map(|(d, t)| (d.ours.score, t.score)))
        })
    }

    /// Draws that every peer was tried on.
    pub fn shared(&self) -> &[Draw] {
        let shared = self.peers.iter().map(|peer| peer.tried.len()).min();
        &self.draws[..shared.unwrap_or(0)]
    }
}

impl Peer {
    /// The draws where it was fitted.
    fn fitted<'a>(
        &'a self,
        draws: &'a [Draw],
    ) -> impl Iterator<Item = (&'a Draw, &'a Tried)> + Clone {
        draws
            .iter()
            .zip(&self.tried)
            .filter_map(|(draw, tried)| Some((draw, tried.as_ref()?)))
    }

    /// Its score to the oracle's, over the draws where it was fitted.
    pub fn to_oracle(&self, draws: &[Draw]) -> Figure {
        Figure::ratio(self.fitted(draws).map(|(d, t)| (t.score, d.oracle)))
    }

    /// Its coverage over the draws where it was fitted.
    pub fn coverage(&self, draws: &[Draw]) -> Figure {
        Figure::share(self.fitted(draws).map(|(_, t)| t.covered))
    }

    /// Share of the draws where it was fitted.
    pub fn share_fitted(&self) -> f64 {
        self.tried.iter().flatten().count() as f64 / self.tried.len() as f64
    }
}

/// The generator of a draw, and the rows it draws: the target first, its comps behind.
pub fn drawn(rows: usize, n: usize, draw: usize) -> (StdRng, Vec<usize>) {
    let mut rng = StdRng::seed_from_u64(SEED + ((n as u64) << 32) + draw as u64);
    let chosen = sample(&mut rng, rows, n + 1).into_vec();
    (rng, chosen)
}

fn by_eye(comps: &[&Row]) -> Band {
    middle(comps.iter().map(|row| row.log_price).collect())
}

/// Factors of gross errors: one price in ten times or divided by five.
pub fn gross(rng: &mut StdRng, n: usize) -> Vec<f64> {
    (0..n)
        .map(|_| match rng.random_range(0..20) {
            0 => 5.0,
            1 => 0.2,
            _ => 1.0,
        })
        .collect()
}

/// Our band of a draw by the given settings; of prices as they are.
pub fn ours_by(data: &Data, settings: &Settings, n: usize, draw: usize) -> Tried {
    let (_, chosen) = drawn(data.rows.len(), n, draw);
    let comps: Vec<&Sale> = chosen[1..].iter().map(|&i| &data.sales[i]).collect();
    let target = &data.sales[chosen[0]];
    let band = ours::band(&comps, target, settings, &vec![1.0; n], &Context::default());
    Tried::of(band, data.rows[chosen[0]].log_price)
}

fn score(data: &Data, n: usize, draw: usize) -> (Draw, [Option<Tried>; 2]) {
    let (mut rng, chosen) = drawn(data.rows.len(), n, draw);
    let (target, comps) = (chosen[0], &chosen[1..]);
    let sales: Vec<&Sale> = comps.iter().map(|&i| &data.sales[i]).collect();
    let rows: Vec<&Row> = comps.iter().map(|&i| &data.rows[i]).collect();
    let row = &data.rows[target];
    let tried = |band| Tried::of(band, row.log_price);
    let ours = |sales: &[&Sale], factors: &[f64]| {
        let (unit, alone) = (&data.sales[target], Context::default());
        tried(ours::band(sales, unit, &data.settings, factors, &alone))
    };
    let factors = gross(&mut rng, n);
    let pairs = sales.iter().zip(&factors);
    let honest: Vec<&Sale> = pairs.filter(|(_, f)| **f == 1.0).map(|(s, _)| *s).collect();
    let draw = Draw {
        ours: ours(&sales, &vec![1.0; n]),
        spoilt: ours(&sales, &factors),
        known: ours(&honest, &vec![1.0; honest.len()]),
        oracle: data.oracle.scores[target],
    };
    (
        draw,
        [
            Some(tried(by_eye(&rows))),
            least_squares(&rows, row).map(tried),
        ],
    )
}

pub const LEAST_SQUARES: &str = "least squares";
pub const BY_EYE: &str = "by eye";

/// All draws of n comps, with the baselines that need no Python.
pub fn cell(data: &Data, n: usize, draws: usize) -> Cell {
    let (draws, tried): (Vec<Draw>, Vec<[Option<Tried>; 2]>) =
        gather(draws, |draw| score(data, n, draw))
            .into_iter()
            .unzip();
    let peers = [BY_EYE, LEAST_SQUARES].iter().enumerate();
    let peers = peers.map(|(at, &name)| Peer {
        name,
        tried: tried.iter().map(|both| both[at]).collect(),
    });
    Cell {
        n,
        draws,
        peers: peers.collect(),
    }
}

/// Results of all draws, in their order, over all cores.
pub fn gather<T: Send>(draws: usize, one: impl Fn(usize) -> T + Sync + Send) -> Vec<T> {
    (0..draws).into_par_iter().map(one).collect()
}
