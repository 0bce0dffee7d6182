//! Figures to take along where there is no computer: for each model, those of the units that one may meet.
//!
//! A unit is described by its grade, its completeness and other choices ([`choices`]). All combinations of grade and
//! completeness, with none, one or two other choices, are worked out as `estimate` and `bid` do it ([`values`]). For
//! those with more choices the page finds prices by steps from these ([`steps`]): as many choices at once as a sample of
//! combinations, worked out as well, shows to be near enough.

pub mod choices;
mod nets;
pub mod steps;
pub mod values;

use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use chrono::NaiveDate;
use xxhash_rust::xxh3::xxh3_64;

use self::choices::{Choices, Combination};
use self::nets::Nets;
use self::steps::{Near, error};
use self::values::{Figures, Run};
use super::AppError;
use super::bid::AimsGiven;
use super::error::FILL_THE_BOOK;
use super::ledger::ledger_on;
use super::models::models;
use super::parallel::in_parallel;
use super::reader::{Asked, Reader};
use super::selling::{Through, no_outlet_yet, outlet};
use super::unit::AskedUnit;
use crate::book::Book;
use crate::select::pieces::Wording;
use crate::settings::Settings;
use crate::trade::comp::PriceBasis;
use crate::trade::{Currency, Unit};

/// Most combinations of one model that are worked out, but for those with at most [`LEAST`] other choices.
const MOST: usize = 1340;

/// Other choices that a model has room for in any case.
const LEAST: usize = 3;

/// Other choices at once of which all combinations are worked out, and most at once.
const PAIRS: usize = 2;
const REACH: usize = 4;

/// Combinations of each number of choices by which steps are judged.
const SAMPLE: usize = 24;

/// The largest error in the sample, as a share of the largest allowed, with which steps are taken.
const NEAR_ENOUGH: f64 = 0.6;

/// The request.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// The models; all that have sales, if empty.
    pub models: Vec<String>,
    /// Day of the estimates.
    pub as_of: NaiveDate,
}

/// An outlet on the page.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Place {
    /// Its name; empty if the book has no outlet.
    pub name: String,
    /// Whether it has prices of its own.
    pub priced: bool,
}

/// Everything that is taken along.
#[derive(Debug)]
pub struct Pocket {
    /// Day of the estimates.
    pub as_of: NaiveDate,
    /// Currency of all money.
    pub currency: Currency,
    /// Price basis.
    pub basis: PriceBasis,
    /// Chance that a sale falls in the range, per cent.
    pub level: u8,
    /// The outlets; the first is the usual one.
    pub places: Vec<Place>,
    /// The models.
    pub sheets: Vec<Sheet>,
    /// Models that are left out, as nothing informs their price.
    pub left_out: Vec<String>,
}

/// The figures of one model.
#[derive(Debug)]
pub struct Sheet {
    /// The choices that describe its units.
    pub choices: Choices,
    /// The other choices of the combinations that are worked out, for each grade and level: none, each alone, and
    /// pairs.
    pub others: Vec<Vec<usize>>,
    /// Their figures, by grade, then level, then these; `None` where nothing informs the price.
    pub figures: Vec<Option<Figures>>,
    /// Most other choices at once for which there are figures, worked out or by steps.
    pub reach: usize,
    /// At each outlet, the likely prices with what is kept of them, ascending.
    kept: Vec<Vec<(i64, i64)>>,
    /// Number of combinations that were worked out, the sample included; equal units count once.
    pub worked_out: usize,
}

/// Number of combinations done, and of all.
pub type Progress<'p> = dyn Fn(usize, usize) + Sync + 'p;

/// The outlets on the page: those named, or else the usual one, or else all. One that cannot take a usual parcel is left
/// out of all, with a notice.
///
/// # Errors
/// If no outlet has a name, or one that is named cannot take a usual parcel.
pub fn outlets<'s>(
    named: &[String],
    settings: &'s Settings,
    notice: &mut dyn FnMut(&str),
) -> Result<Vec<Through<'s>>, AppError> {
    let usual = settings.deal.outlet.as_str();
    if named.is_empty() && usual.is_empty() {
        let mut all = Vec::new();
        for (name, outlet) in &settings.outlets {
            match Through::new((name, outlet), settings, None, None) {
                Ok(through) => all.push(through),
                Err(error) => notice(&format!("outlet {name:?} is left out: {error}")),
            }
        }
        return Ok(all);
    }
    let named: Vec<&str> = if named.is_empty() {
        vec![usual]
    } else {
        named.iter().map(String::as_str).collect()
    };
    let mut all: Vec<Through<'s>> = Vec::new();
    for name in named {
        let found = outlet(Some(name), settings)?.ok_or_else(no_outlet_yet)?;
        if all.iter().all(|other| other.name != found.0) {
            all.push(Through::new(found, settings, None, None)?);
        }
    }
    Ok(all)
}

/// Works out the figures of the models, sold at these outlets. Results are the same on any number of cores.
///
/// # Errors
/// If the book cannot be read, a model does not exist, or none can be estimated.
pub fn pocket(
    book: &Book,
    wanted: &Wanted,
    outlets: &[Through<'_>],
    progress: &Progress<'_>,
    notice: &mut dyn FnMut(&str),
) -> Result<Pocket, AppError> {
    let settings = book.settings();
    let found = models(book, &wanted.models, notice)?;
    let names: Vec<&str> = found.iter().map(|model| model.name.as_str()).collect();
    let ground = AimsGiven::default().with_book(book, settings, wanted.as_of, notice)?;
    let ledger = ledger_on(book, wanted.as_of, &mut |_| {})?;
    let nets: Vec<Nets> = (0..outlets.len().max(1)).map(|_| Nets::default()).collect();
    let run = Run {
        settings,
        ledger: &ledger,
        ground: &ground,
        outlets,
        nets: &nets,
    };
    let own = Arc::new(settings.clone());
    let reader = Reader::new(book, wanted.as_of, names.iter().copied(), notice)?;
    let grids = names
        .iter()
        .map(|name| {
            let choices = Choices::of(&reader, name, settings, room)?;
            Grid::of(choices, &reader, &own)
        })
        .collect::<Result<Vec<Grid>, AppError>>()?;
    let all = grids.iter().map(|grid| grid.rows.len()).sum();
    let done = AtomicUsize::new(0);
    progress(0, all);
    let step = |count: usize| {
        progress(done.fetch_add(count, Ordering::Relaxed) + count, all);
    };
    let (mut sheets, mut left_out) = (Vec::new(), Vec::new());
    for grid in grids {
        let model = grid.choices.model.clone();
        match grid.sheet(&run, &step)? {
            Some(sheet) => sheets.push(sheet),
            None => left_out.push(model),
        }
    }
    progress(all, all);
    if sheets.is_empty() {
        return Err(AppError::Absent {
            message: match left_out.first() {
                None => "this book has no sales yet".into(),
                Some(model) => format!("there is too little to go by for {model:?}"),
            },
            next: FILL_THE_BOOK.into(),
        });
    }
    let place = |outlet: &Through<'_>| Place {
        name: outlet.name.to_string(),
        priced: settings.priced_outlet(outlet.name).is_some(),
    };
    Ok(Pocket {
        as_of: wanted.as_of,
        currency: settings.currency.clone(),
        basis: settings.price_basis,
        level: settings.estimate.band,
        places: if outlets.is_empty() {
            vec![Place::default()]
        } else {
            outlets.iter().map(place).collect()
        },
        sheets,
        left_out,
    })
}

/// The combinations of one model that are to be worked out.
struct Grid {
    choices: Choices,
    /// A unit without any choice.
    unit: AskedUnit<'static>,
    others: Vec<Vec<usize>>,
    rows: Vec<Combination>,
    wording: Wording,
}

impl Grid {
    fn of(choices: Choices, reader: &Reader<'_>, own: &Arc<Settings>) -> Result<Self, AppError> {
        let mut unit = reader.unit(Asked {
            settings: own.clone(),
            subject: Unit::blank(&choices.model),
            keep: &[],
            drop: &[],
        })?;
        unit.context.fits = Some(Arc::default());
        let core = choices.all_grades() * choices.all_levels();
        let others = up_to_two(&choices);
        let mut rows = Vec::with_capacity(core * others.len());
        for grade in 0..choices.all_grades() {
            for level in 0..choices.all_levels() {
                rows.extend(others.iter().map(|others| Combination {
                    grade,
                    level,
                    others: others.clone(),
                }));
            }
        }
        Ok(Self {
            wording: Wording::of(&choices.model, own),
            unit,
            choices,
            others,
            rows,
        })
    }

    fn sheet(
        self,
        run: &Run<'_>,
        step: &(dyn Fn(usize) + Sync),
    ) -> Result<Option<Sheet>, AppError> {
        let (figures, mut worked_out) = self.figures(&self.rows, run, step)?;
        if figures.iter().all(Option::is_none) {
            return Ok(None);
        }
        let mut sheet = Sheet {
            kept: kept(&figures),
            choices: self.choices.clone(),
            others: self.others.clone(),
            figures,
            reach: PAIRS,
            worked_out: 0,
        };
        let unit = 10_f64.powi(run.settings.currency.decimals() as i32);
        let least = (unit / 2.0).max(1.0);
        for size in PAIRS + 1..=REACH {
            let sample = sheet.sample(size);
            let (truth, count) = self.figures(&sample, run, &|_| {})?;
            worked_out += count;
            let off = |(combination, truth): (&Combination, &Option<Figures>)| {
                match (sheet.by_steps(combination), truth) {
                    (Some(found), Some(truth)) => error(&found, truth, least),
                    // The page states that there are no figures.
                    (None, _) => 0.0,
                    (Some(_), None) => f64::INFINITY,
                }
            };
            let worst = sample.iter().zip(&truth).map(off).fold(0.0, f64::max);
            if sample.is_empty() || worst > NEAR_ENOUGH {
                break;
            }
            sheet.reach = size;
        }
        sheet.worked_out = worked_out;
        Ok(Some(sheet))
    }

    /// The figures of these combinations, and the number of units that are not equal.
    fn figures(
        &self,
        rows: &[Combination],
        run: &Run<'_>,
        step: &(dyn Fn(usize) + Sync),
    ) -> Result<(Vec<Option<Figures>>, usize), AppError> {
        let mut places: HashMap<String, usize> = HashMap::new();
        let mut asked: Vec<(usize, Unit)> = Vec::new();
        let mut counts: Vec<usize> = Vec::new();
        let place: Vec<usize> = rows
            .iter()
            .map(|row| {
                let subject = self.choices.unit(row);
                let place = *places.entry(self.key(&subject)).or_insert_with(|| {
                    asked.push((asked.len(), subject));
                    counts.push(0);
                    counts.len() - 1
                });
                counts[place] += 1;
                place
            })
            .collect();
        let found = in_parallel(&asked, |(at, subject)| {
            let mut unit = self.unit.clone();
            unit.subject = subject.clone();
            let figures = run.figures(&unit);
            step(counts[*at]);
            figures
        })?;
        let figures = place.into_iter().map(|at| found[at].clone()).collect();
        Ok((figures, asked.len()))
    }

    /// A key that two descriptions of the same unit share. It has the missing pieces as they are given, since
    /// they leave less to take out of a unit.
    fn key(&self, unit: &Unit) -> String {
        let described = self.wording.of_unit(unit);
        let pieces = described.pieces();
        let (grade, variant) = (&unit.grade, &unit.variant);
        let (defects, missing) = (&unit.defects, &unit.missing);
        let works = unit.works;
        format!("{pieces:?} {grade:?} {variant:?} {defects:?} {missing:?} {works}")
    }
}

/// So many other choices that all pairs of them fit, for a number of grades and levels.
fn room(core: usize) -> usize {
    let fits = |count: &usize| core * (1 + count + count * count.saturating_sub(1) / 2) <= MOST;
    (LEAST..).take_while(fits).last().unwrap_or(LEAST)
}

/// No other choice, each alone, and all pairs that can hold at once.
fn up_to_two(choices: &Choices) -> Vec<Vec<usize>> {
    let count = choices.others.len();
    let single = (0..count).map(|at| vec![at]);
    let pairs = (0..count).flat_map(|other| (0..other).map(move |one| vec![one, other]));
    let pairs = pairs.filter(|pair| choices.all_agree(pair));
    std::iter::once(Vec::new())
        .chain(single)
        .chain(pairs)
        .collect()
}

/// At each outlet, the likely prices with what is kept of them, ascending.
fn kept(figures: &[Option<Figures>]) -> Vec<Vec<(i64, i64)>> {
    let outlets = figures
        .iter()
        .flatten()
        .next()
        .map_or(0, |one| one.at.len());
    let at = |at: usize| {
        let all = figures.iter().flatten().map(|one| &one.at[at]);
        let mut all: Vec<(i64, i64)> = all.map(|at| (at.likely, at.kept)).collect();
        all.sort_unstable();
        all.dedup_by_key(|(likely, _)| *likely);
        all
    };
    (0..outlets).map(at).collect()
}

impl Sheet {
    /// The figures of a combination that was worked out.
    fn of(&self, grade: usize, level: usize, others: &[usize]) -> Option<&Figures> {
        let at = self.others.iter().position(|known| known == others)?;
        let row = (grade * self.choices.all_levels() + level) * self.others.len() + at;
        self.figures[row].as_ref()
    }

    /// The figures of a combination of three or more other choices, by steps; `None` where they lead nowhere.
    fn by_steps(&self, combination: &Combination) -> Option<Figures> {
        let Combination { grade, others, .. } = combination;
        let level = self.choices.level(combination);
        let of = |others: &[usize]| self.of(*grade, level, others);
        let each = others.iter().map(|at| of(&[*at]));
        let before = others.iter().enumerate();
        let pairs =
            before.flat_map(|(at, other)| others[..at].iter().map(move |one| [*one, *other]));
        let near = Near {
            none: of(&[])?,
            each: each.collect::<Option<_>>()?,
            pairs: pairs.map(|pair| of(&pair)).collect::<Option<_>>()?,
        };
        near.figures(&self.kept)
    }

    /// Combinations with this number of other choices that were not worked out, drawn evenly; the same each time.
    fn sample(&self, size: usize) -> Vec<Combination> {
        let mut draws = Draws(xxh3_64(self.choices.model.as_bytes()) ^ size as u64);
        let mut sample: Vec<Combination> = Vec::new();
        // Most draws are of choices that do not agree where there are few.
        for _ in 0..SAMPLE * 20 {
            let mut others: Vec<usize> = Vec::new();
            for _ in 0..size {
                others.push(draws.below(self.choices.others.len().max(1)));
            }
            others.sort_unstable();
            let grade = draws.below(self.choices.all_grades());
            let level = draws.below(self.choices.all_levels());
            let twice = others.windows(2).any(|pair| pair[0] == pair[1]);
            let beyond = others.iter().any(|at| *at >= self.choices.others.len());
            if twice || beyond || self.others.contains(&others) || !self.choices.all_agree(&others)
            {
                continue;
            }
            let drawn = Combination {
                grade,
                level,
                others,
            };
            if !sample.contains(&drawn) {
                sample.push(drawn);
            }
            if sample.len() == SAMPLE {
                break;
            }
        }
        sample
    }
}

/// Numbers that look random (splitmix64; Steele, Lea and Flood 2014, *OOPSLA*).
struct Draws(u64);

impl Draws {
    fn below(&mut self, count: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) % count as u64) as usize
    }
}
