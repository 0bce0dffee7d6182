//! What other models are worth: each set taken apart into models by one of its columns.

use std::sync::Arc;

use compband::band::estimate::Aids;
use compband::band::siblings::learn;
use compband::book::Settings;
use compband::fit::pool::{Learnt, Pool};
use rand::rngs::StdRng;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};

use super::ours::{self, Sale};
use super::regression::winkler;
use super::sets::{Row, Set};
use super::{Data, SEED};

/// Numbers of comps of the model.
pub const SIZES: [usize; 5] = [3, 5, 8, 15, 30];

/// Comps of each other model.
const OTHERS: usize = 30;

/// Scores of one draw with and without the other models.
pub struct Pair {
    pub pooled: f64,
    pub alone: f64,
    pub covered: bool,
    pub covered_alone: bool,
}

/// The column that a set is taken apart by.
pub fn split(set: &str) -> &'static str {
    match set {
        "auctions" => "duration",
        "computers" => "speed",
        _ => "bedrooms",
    }
}

/// Positions of the rows of each model; values that [`OTHERS`] rows or fewer have are left out.
pub fn models(set: &Set, rows: &[Row]) -> Vec<Vec<usize>> {
    let at = set.columns.iter().position(|c| c.name == split(set.name));
    let mut classes: Vec<(f64, Vec<usize>)> = Vec::new();
    for (i, row) in rows.iter().enumerate() {
        let value = at.map_or(0.0, |at| row.cells[at]);
        match classes.iter_mut().find(|(known, _)| *known == value) {
            Some((_, class)) => class.push(i),
            None => classes.push((value, vec![i])),
        }
    }
    classes.sort_by(|a, b| a.0.total_cmp(&b.0));
    classes.retain(|(_, class)| class.len() > OTHERS);
    classes.into_iter().map(|(_, class)| class).collect()
}

fn learnt(sales: &[&Sale], target: &Sale, settings: &Settings) -> Option<Learnt> {
    let selection = ours::selection(sales, target, &vec![1.0; sales.len()]);
    learn(selection, true, settings)
}

/// Draw number `draw` of n comps and a target of one model and [`OTHERS`] comps of each other.
pub fn score(data: &Data, models: &[Vec<usize>], n: usize, draw: usize) -> Pair {
    let mut rng = StdRng::seed_from_u64(SEED + (1 << 63) + ((n as u64) << 32) + draw as u64);
    let own = rng.random_range(0..models.len());
    let mut drawn = |class: &[usize], most: usize| -> Vec<usize> {
        let mut class = class.to_vec();
        let (chosen, _) = class.partial_shuffle(&mut rng, most);
        chosen.to_vec()
    };
    let chosen = drawn(&models[own], n + 1);
    let target = &data.sales[chosen[0]];
    let sales = |rows: &[usize]| -> Vec<&Sale> { rows.iter().map(|&i| &data.sales[i]).collect() };
    let others: Vec<Learnt> = (0..models.len())
        .filter(|&other| other != own)
        .filter_map(|other| {
            let rows = drawn(&models[other], OTHERS);
            learnt(&sales(&rows), target, &data.settings)
        })
        .collect();
    let family = data.settings.family(ours::MODEL);
    let aids = Aids {
        pool: Arc::new(Pool::of(&others, family)),
        ..Aids::default()
    };
    let comps = sales(&chosen[1..]);
    let y = data.rows[chosen[0]].log_price;
    let band = |aids: &Aids| ours::band(&comps, target, &data.settings, &vec![1.0; n], aids);
    let (pooled, alone) = (band(&aids), band(&Aids::default()));
    let covered = |band: (f64, f64)| band.0 <= y && y <= band.1;
    Pair {
        pooled: winkler(pooled, y),
        alone: winkler(alone, y),
        covered: covered(pooled),
        covered_alone: covered(alone),
    }
}
