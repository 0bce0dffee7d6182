//! What the draws come to, as markdown tables.

use std::fmt::{self, Display, Formatter};

use super::bound::{Best, grid};
use super::draws::{BY_EYE, Cell, LEAST_SQUARES};
use super::figure::Figure;
use super::kept::Kept;
use super::pooled::Together;
use super::regression::Tried;
use super::sets::Set;

/// The draws of one set.
pub struct Study {
    pub name: &'static str,
    pub goods: &'static str,
    pub judges: bool,
    pub rows: usize,
    /// Mean score of the oracle over the whole set.
    pub floor: f64,
    pub cells: Vec<Cell>,
    /// The best single prior on the draws of each cell, where it is wanted.
    pub best: Vec<Best>,
    /// With and without other models, where the set comes apart into models.
    pub together: Vec<Together>,
}

impl Study {
    pub fn of(set: &Set, rows: usize, floor: f64) -> Self {
        Self {
            name: set.name,
            goods: set.goods,
            judges: set.judges,
            rows,
            floor,
            cells: Vec::new(),
            best: Vec::new(),
            together: Vec::new(),
        }
    }
}

/// All studies, and the scores kept from before where they are compared.
pub struct Report {
    pub studies: Vec<Study>,
    pub before: Option<Kept>,
}

impl Report {
    pub fn cells(&self) -> impl Iterator<Item = (&Study, &Cell)> + Clone {
        self.studies
            .iter()
            .flat_map(|study| study.cells.iter().map(move |cell| (study, cell)))
    }

    /// Sizes that some set has, in order.
    pub fn sizes(&self) -> Vec<usize> {
        let mut sizes: Vec<usize> = self.cells().map(|(_, cell)| cell.n).collect();
        sizes.sort_unstable();
        sizes.dedup();
        sizes
    }

    fn before(&self, study: &Study, cell: &Cell) -> Figure {
        let before = self.before.as_ref();
        before.map_or(Figure::NONE, |kept| kept.to_kept(study.name, cell))
    }

    fn which(&self, f: &mut Formatter<'_>) -> fmt::Result {
        writeln!(f, "| set | goods | rows | use | oracle's score |")?;
        writeln!(f, "|---|---|---:|---|---:|")?;
        for study in &self.studies {
            writeln!(
                f,
                "| {} | {} | {} | {} | {:.3} |",
                study.name,
                study.goods,
                study.rows,
                if study.judges { "judges" } else { "choosing" },
                study.floor,
            )?;
        }
        Ok(())
    }

    /// Ours beside what needs no Python: one row for each set and size, then the means.
    fn ours(&self, f: &mut Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "| set | n | coverage | score | / oracle | / by eye | / least squares | gross errors | / kept |"
        )?;
        writeln!(f, "|---|---:|---:|---:|---:|---:|---:|---:|---:|")?;
        for (study, cell) in self.cells() {
            writeln!(
                f,
                "| {} | {} | {} | {} | {} | {} | {} | {} | {} |",
                study.name,
                cell.n,
                cell.coverage(),
                cell.score(),
                cell.to_oracle(),
                cell.to_peer(BY_EYE),
                cell.to_peer(LEAST_SQUARES),
                cell.rise().percent(),
                self.before(study, cell),
            )?;
        }
        for n in self.sizes() {
            let at = || self.cells().filter(|(_, cell)| cell.n == n);
            let geometric = |of: &dyn Fn(&Study, &Cell) -> Figure| {
                Figure::geometric_mean_of(at().map(|(study, cell)| of(study, cell)))
            };
            writeln!(
                f,
                "| mean of {} sets | {n} | {} | | {} | {} | {} | {} | {} |",
                at().count(),
                Figure::mean_of(at().map(|(_, cell)| cell.coverage())),
                geometric(&|_, cell| cell.to_oracle()),
                geometric(&|_, cell| cell.to_peer(BY_EYE)),
                geometric(&|_, cell| cell.to_peer(LEAST_SQUARES)),
                Figure::mean_of(at().map(|(_, cell)| cell.rise())).percent(),
                geometric(&|study, cell| self.before(study, cell)),
            )?;
        }
        writeln!(f, "\nMeans of ratios are geometric.")
    }

    /// With and without the other models, on the same draws.
    fn pooled(&self, f: &mut Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "| set | models | n | score alone | coverage | with others | coverage | with / alone |"
        )?;
        writeln!(f, "|---|---|---:|---:|---:|---:|---:|---:|")?;
        for study in &self.studies {
            for together in &study.together {
                let pairs = &together.pairs;
                writeln!(
                    f,
                    "| {} | {} by {} | {} | {} | {} | {} | {} | {} |",
                    study.name,
                    together.models,
                    together.by,
                    together.n,
                    Figure::mean(pairs.iter().map(|p| p.alone.score)),
                    Figure::share(pairs.iter().map(|p| p.alone.covered)),
                    Figure::mean(pairs.iter().map(|p| p.pooled.score)),
                    together.coverage(),
                    together.to_alone(),
                )?;
            }
        }
        Ok(())
    }

    /// The best single prior beside the oracle and ours, on the same draws.
    fn best(&self, f: &mut Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "\nThe best of {} normal priors, each the same for every column and chosen on the very \
             targets, the residuals' scale and quantiles being known. Means are towards the oracle's \
             side, per step of the column (grade, extra, doubling, kind or ten months) or per \
             standard deviation of it over the set.\n",
            grid().len()
        )?;
        writeln!(
            f,
            "| set | n | prior mean | sd | per | coverage | score | / oracle | ours / it |"
        )?;
        writeln!(f, "|---|---:|---:|---:|---|---:|---:|---:|---:|")?;
        for study in &self.studies {
            for (cell, Best { prior, tried }) in study.cells.iter().zip(&study.best) {
                let pairs = || cell.draws.iter().zip(tried);
                writeln!(
                    f,
                    "| {} | {} | {} | {} | {} | {} | {} | {} | {} |",
                    study.name,
                    cell.n,
                    prior.mean,
                    prior.sd,
                    prior.unit,
                    Figure::share(tried.iter().map(|t| t.covered)),
                    Figure::mean(tried.iter().map(|t: &Tried| t.score)),
                    Figure::ratio(pairs().map(|(d, t)| (t.score, d.oracle))),
                    Figure::ratio(pairs().map(|(d, t)| (d.ours.score, t.score))),
                )?;
            }
        }
        Ok(())
    }
}

impl Display for Report {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let draws = self.cells().map(|(_, cell)| cell.draws.len()).max();
        writeln!(
            f,
            "{} draws of n comps and a target; 80 % bands; mean interval scores on log price \
             (standard error)\n",
            draws.unwrap_or(0)
        )?;
        self.which(f)?;
        writeln!(f)?;
        self.ours(f)?;
        if self.studies.iter().any(|study| !study.together.is_empty()) {
            writeln!(f)?;
            self.pooled(f)?;
        }
        if self.studies.iter().any(|study| !study.best.is_empty()) {
            self.best(f)?;
        }
        Ok(())
    }
}
