//! What other models are worth: each set taken apart into models by one of its columns.

use std::sync::Arc;

use compband::band::estimate::Context;
use compband::band::related::learn;
use compband::fit::pool::{Learnt, Pool};
use compband::settings::Settings;
use rand::rngs::StdRng;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};

use super::draws::{Data, SEED, gather};
use super::figure::Figure;
use super::ours::{self, Sale};
use super::regression::Tried;
use super::sets::{Row, Set};

/// Numbers of comps of the model.
pub const SIZES: [usize; 4] = [3, 8, 15, 30];

/// Comps of each other model, where it has as many.
const OTHERS: usize = 30;

/// Values of the column that fewer rows have make no model.
const FEWEST: usize = 16;

/// One draw with and without the other models.
pub struct Pair {
    pub pooled: Tried,
    pub alone: Tried,
}

/// The draws of one size with and without other models.
pub struct Together {
    /// The column that makes the models, and how many there are.
    pub by: &'static str,
    pub models: usize,
    pub n: usize,
    pub pairs: Vec<Pair>,
}

impl Together {
    pub fn coverage(&self) -> Figure {
        Figure::share(self.pairs.iter().map(|p| p.pooled.covered))
    }

    /// The score with other models to that without.
    pub fn to_alone(&self) -> Figure {
        Figure::ratio(self.pairs.iter().map(|p| (p.pooled.score, p.alone.score)))
    }
}

/// Positions of the rows of each value of a column that has enough of them.
fn models(set: &Set, by: &str, rows: &[Row]) -> Vec<Vec<usize>> {
    let at = set.columns.iter().position(|c| c.name == by);
    let at = at.expect("the column that makes the models");
    let mut classes: Vec<(f64, Vec<usize>)> = Vec::new();
    for (i, row) in rows.iter().enumerate() {
        match classes
            .iter_mut()
            .find(|(known, _)| *known == row.cells[at])
        {
            Some((_, class)) => class.push(i),
            None => classes.push((row.cells[at], vec![i])),
        }
    }
    classes.sort_by(|a, b| a.0.total_cmp(&b.0));
    classes.retain(|(_, class)| class.len() >= FEWEST);
    classes.into_iter().map(|(_, class)| class).collect()
}

fn learnt(sales: &[&Sale], target: &Sale, settings: &Settings) -> Option<Learnt> {
    let selection = ours::selection(sales, target, &vec![1.0; sales.len()]);
    learn(selection, true, settings)
}

/// Draws of every size that some model has comps for; none where the set makes no models.
pub fn together(set: &Set, data: &Data, draws: usize) -> Vec<Together> {
    let Some(by) = set.models else {
        return Vec::new();
    };
    let models = models(set, by, &data.rows);
    let fits = |n: &usize| models.iter().any(|class| class.len() > *n);
    let sizes = SIZES.into_iter().filter(fits);
    sizes
        .map(|n| {
            eprintln!("{}, {n} comps beside other models", set.name);
            Together {
                by,
                models: models.len(),
                n,
                pairs: gather(draws, |draw| pair(data, &models, n, draw)),
            }
        })
        .collect()
}

/// Draw number `draw` of n comps and a target of one model and [`OTHERS`] comps of each other.
fn pair(data: &Data, models: &[Vec<usize>], n: usize, draw: usize) -> Pair {
    let mut rng = StdRng::seed_from_u64(SEED + (1 << 63) + ((n as u64) << 32) + draw as u64);
    let able: Vec<usize> = (0..models.len())
        .filter(|&at| models[at].len() > n)
        .collect();
    let own = able[rng.random_range(0..able.len())];
    let mut drawn = |class: &[usize], most: usize| -> Vec<usize> {
        let mut class = class.to_vec();
        let most = most.min(class.len());
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
    let context = Context {
        pool: Arc::new(Pool::of(&others, family)),
        ..Context::default()
    };
    let comps = sales(&chosen[1..]);
    let band = |context: &Context| {
        let band = ours::band(&comps, target, &data.settings, &vec![1.0; n], context);
        Tried::of(band, data.rows[chosen[0]].log_price)
    };
    Pair {
        pooled: band(&context),
        alone: band(&Context::default()),
    }
}
