//! What the draws come to, as markdown tables.

use std::fmt::{self, Display, Formatter};

use super::bound::{Best, grid};
use super::draws::{BY_EYE, Cell, FITTED, LEAST_SQUARES, Peer};
use super::figure::Figure;
use super::kept::Kept;
use super::market::Held;
use super::peers::BAYESIAN_RIDGE;
use super::pooled::Together;
use super::regression::Tried;
use super::sets::Set;
use super::time::Time;
use super::wrong::{self, Tested, Wrong};

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
    /// How the ideal observer of gross errors did at each size, on the first draws.
    pub ideal: Vec<(usize, Vec<Tried>)>,
    /// With and without other models, where the set comes apart into models.
    pub together: Vec<Together>,
    /// With rules of thumb made wrong.
    pub tested: Vec<Tested>,
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
            ideal: Vec::new(),
            together: Vec::new(),
            tested: Vec::new(),
        }
    }
}

/// All studies.
pub struct Report {
    pub studies: Vec<Study>,
    pub markets: Vec<Held>,
    pub time: Option<Time>,
    /// Scores kept from before.
    pub before: Kept,
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

    pub fn before(&self, study: &Study, cell: &Cell) -> Figure {
        self.before.to_kept(study.name, cell)
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
            "| set | n | coverage | score | / oracle | / by eye | / least squares | gross errors | were they known | / kept |"
        )?;
        writeln!(f, "|---|---:|---:|---:|---:|---:|---:|---:|---:|---:|")?;
        for (study, cell) in self.cells() {
            writeln!(
                f,
                "| {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
                study.name,
                cell.n,
                cell.coverage(),
                cell.score(),
                cell.to_oracle(),
                cell.to_peer(BY_EYE),
                cell.to_peer(LEAST_SQUARES),
                cell.rise().percent(),
                cell.rise_were_they_known().percent(),
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
                "| mean of {} sets | {n} | {} | | {} | {} | {} | {} | {} | {} |",
                at().count(),
                Figure::mean_of(at().map(|(_, cell)| cell.coverage())),
                geometric(&|_, cell| cell.to_oracle()),
                geometric(&|_, cell| cell.to_peer(BY_EYE)),
                geometric(&|_, cell| cell.to_peer(LEAST_SQUARES)),
                Figure::mean_of(at().map(|(_, cell)| cell.rise())).percent(),
                Figure::mean_of(at().map(|(_, cell)| cell.rise_were_they_known())).percent(),
                geometric(&|study, cell| self.before(study, cell)),
            )?;
        }
        writeln!(f, "\nMeans of ratios are geometric.")
    }

    /// What gross errors cost us and the ideal observer on the same draws.
    fn ideal(&self, f: &mut Formatter<'_>) -> fmt::Result {
        writeln!(f, "| set | n | ours | were they known | ideal observer |")?;
        writeln!(f, "|---|---:|---:|---:|---:|")?;
        for (study, cell) in self.cells() {
            let Some((_, tried)) = study.ideal.iter().find(|(n, _)| *n == cell.n) else {
                continue;
            };
            let draws = &cell.draws[..tried.len()];
            let rise = |score: &dyn Fn(usize) -> f64| {
                let pairs: Vec<(f64, f64)> = (0..draws.len())
                    .map(|at| (score(at), draws[at].ours.score))
                    .collect();
                Figure::ratio(pairs.into_iter()).less_one()
            };
            writeln!(
                f,
                "| {} | {} | {} | {} | {} |",
                study.name,
                cell.n,
                rise(&|at| draws[at].spoilt.score),
                rise(&|at| draws[at].known.score),
                rise(&|at| tried[at].score),
            )?;
        }
        Ok(())
    }

    /// Names of the peers, the same for every cell.
    fn peers(&self) -> Vec<&'static str> {
        let first = self.cells().next();
        first.map_or(Vec::new(), |(_, cell)| {
            cell.peers.iter().map(|peer| peer.name).collect()
        })
    }

    /// Whether those that need Python are among them.
    pub fn has_all_peers(&self) -> bool {
        self.peers().contains(&BAYESIAN_RIDGE)
    }

    /// A figure of ours and of every peer on the draws that all of them were tried on.
    fn league(
        &self,
        f: &mut Formatter<'_>,
        ours: impl Fn(&Cell) -> f64,
        theirs: impl Fn(&Cell, &Peer) -> f64,
        is_best: impl Fn(f64, &[f64]) -> bool,
    ) -> fmt::Result {
        let peers = self.peers();
        writeln!(f, "| set | n | ours | {} |", peers.join(" | "))?;
        writeln!(f, "|---|---:|---:|{}", "---:|".repeat(peers.len()))?;
        for (study, cell) in self.cells() {
            let few = |peer: &Peer| peer.share_fitted() < FITTED;
            let mut figures = vec![(ours(cell), false)];
            let peers = cell.peers.iter();
            figures.extend(peers.map(|peer| (theirs(cell, peer), few(peer))));
            let fitted = figures.iter().filter(|(_, few)| !few);
            let fitted: Vec<f64> = fitted.map(|(value, _)| *value).collect();
            write!(f, "| {} | {} |", study.name, cell.n)?;
            for (value, few) in figures {
                match value {
                    v if !v.is_finite() => write!(f, " – |")?,
                    v if few => write!(f, " ({v:.2}) |")?,
                    v if is_best(v, &fitted) => write!(f, " **{v:.2}** |")?,
                    v => write!(f, " {v:.2} |")?,
                }
            }
            writeln!(f)?;
        }
        Ok(())
    }

    /// Score to the oracle's and coverage of all, on the same draws.
    fn leagues(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let draws = self.cells().map(|(_, cell)| cell.shared().len()).max();
        let least = 100.0 * FITTED;
        writeln!(
            f,
            "Score / oracle on the first {} draws, the best in bold; in brackets what could be \
             fitted on fewer than {least:.0} % of them.\n",
            draws.unwrap_or(0)
        )?;
        let least = |value: f64, all: &[f64]| all.iter().all(|other| value <= *other);
        let score = |cell: &Cell| {
            Figure::ratio(cell.shared().iter().map(|d| (d.ours.score, d.oracle))).value
        };
        let theirs = |cell: &Cell, peer: &Peer| peer.to_oracle(cell.shared()).value;
        self.league(f, score, theirs, least)?;
        self.means(f)?;
        writeln!(
            f,
            "\nCoverage on the same draws, the nearest to 80 % in bold.\n"
        )?;
        let nearest = |value: f64, all: &[f64]| {
            let off = |v: f64| (v - 0.8).abs();
            all.iter().all(|other| off(value) <= off(*other))
        };
        let covered =
            |cell: &Cell| Figure::share(cell.shared().iter().map(|d| d.ours.covered)).value;
        let theirs_covered = |cell: &Cell, peer: &Peer| peer.coverage(cell.shared()).value;
        self.league(f, covered, theirs_covered, nearest)
    }

    /// The last rows of the table of scores: geometric means over the sets where all were fitted
    /// often enough, at each size.
    fn means(&self, f: &mut Formatter<'_>) -> fmt::Result {
        for n in self.sizes() {
            let at = || self.cells().map(|(_, cell)| cell).filter(|c| c.n == n);
            let ours =
                Figure::geometric_mean_of(at().map(|cell| {
                    Figure::ratio(cell.shared().iter().map(|d| (d.ours.score, d.oracle)))
                }));
            write!(f, "| geometric mean | {n} | {:.2} |", ours.value)?;
            for name in self.peers() {
                let peers = || at().filter_map(|cell| Some((cell, cell.peer(name)?)));
                if peers().all(|(_, peer)| peer.share_fitted() >= FITTED) {
                    let mean = Figure::geometric_mean_of(
                        peers().map(|(cell, peer)| peer.to_oracle(cell.shared())),
                    );
                    write!(f, " {:.2} |", mean.value)?;
                } else {
                    write!(f, " – |")?;
                }
            }
            writeln!(f)?;
        }
        Ok(())
    }

    /// The geometric mean over sets of the score with rules made wrong to that as they are.
    pub fn wrong(&self, wrong: Wrong) -> Figure {
        let tested = self.studies.iter().flat_map(|study| &study.tested);
        let tested = tested.filter(|tested| tested.wrong == wrong);
        Figure::geometric_mean_of(tested.map(Tested::ratio))
    }

    fn wrong_rules(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let labels = Wrong::ALL.map(Wrong::label).join(" | ");
        writeln!(
            f,
            "Score with every rule of thumb made wrong to that with the rules as they are, at {} \
             comps.\n",
            wrong::SIZE
        )?;
        writeln!(f, "| set | {labels} |\n|---|---:|---:|---:|")?;
        for study in self.studies.iter().filter(|s| !s.tested.is_empty()) {
            let ratios = study.tested.iter().map(|t| t.ratio().to_string());
            let ratios = ratios.collect::<Vec<_>>().join(" | ");
            writeln!(f, "| {} | {ratios} |", study.name)?;
        }
        let means = Wrong::ALL.map(|wrong| self.wrong(wrong).to_string());
        writeln!(f, "| geometric mean | {} |", means.join(" | "))
    }

    fn simulated(&self, f: &mut Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "Simulated markets; score to that of the band by the true parameters.\n\n\
             | market | spread | book | n | coverage | median off by | score / known |\n\
             |---|---:|---|---:|---:|---:|---:|"
        )?;
        for held in &self.markets {
            let market = held.market;
            writeln!(
                f,
                "| {} | {:.0} % | {} | {} | {} | {} | {} |",
                market.kind.label(),
                100.0 * market.spread,
                market.book(),
                market.n,
                held.coverage,
                held.off.percent(),
                held.to_known,
            )?;
        }
        Ok(())
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

impl Report {
    /// What the draws from the sets come to.
    fn on_sets(&self, f: &mut Formatter<'_>) -> fmt::Result {
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
        let has = |of: fn(&Study) -> bool| self.studies.iter().any(of);
        if self.has_all_peers() {
            writeln!(f)?;
            self.leagues(f)?;
        }
        if has(|study| !study.together.is_empty()) {
            writeln!(f)?;
            self.pooled(f)?;
        }
        if has(|study| !study.tested.is_empty()) {
            writeln!(f)?;
            self.wrong_rules(f)?;
        }
        if has(|study| !study.best.is_empty()) {
            self.best(f)?;
        }
        if has(|study| !study.ideal.is_empty()) {
            writeln!(f)?;
            self.ideal(f)?;
        }
        writeln!(f)
    }
}

impl Display for Report {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        if !self.studies.is_empty() {
            self.on_sets(f)?;
        }
        if !self.markets.is_empty() {
            self.simulated(f)?;
            writeln!(f)?;
        }
        self.verdicts(f)
    }
}
