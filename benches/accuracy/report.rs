//! What the draws come to: the tables, and whether the goals are met.

use std::fmt::{self, Display, Formatter};

use super::bound::{Best, Tried, grid};
use super::pooled::Pair;

/// Interval scores of one draw, and whether our band held its target.
pub struct Scores {
    pub covered: bool,
    pub ours: f64,
    /// Ours with gross errors planted.
    pub spoilt: f64,
    pub by_eye: f64,
    /// None where it could not be fitted.
    pub least_squares: Option<f64>,
    /// None where it was not tried, and within that where it could not be fitted.
    pub quantile: Option<Option<f64>>,
    /// Those of the oracle on this target, as [`Study::floors`].
    pub floors: [f64; 2],
}

/// The draws of one size.
pub struct Cell {
    pub n: usize,
    pub scores: Vec<Scores>,
    /// The best single prior on the same draws, where it is wanted.
    pub best: Option<Best>,
}

/// The draws of one set beside its floors.
pub struct Study {
    pub name: &'static str,
    /// Score of the oracle on the columns that the goals were stated with, and on all.
    pub floors: [f64; 2],
    pub cells: Vec<Cell>,
    /// The column that makes the models of the table with and without other models.
    pub split: &'static str,
    pub models: usize,
    pub together: Vec<Together>,
}

/// The draws of one size with and without other models.
pub struct Together {
    pub n: usize,
    pub pairs: Vec<Pair>,
}

/// The tables and the goals, as markdown.
pub struct Report(pub Vec<Study>);

/// A figure with its standard error.
#[derive(Clone, Copy)]
struct Figure {
    value: f64,
    error: f64,
}

impl Figure {
    fn mean(values: impl Iterator<Item = f64> + Clone) -> Self {
        Self::ratio(values.map(|v| (v, 1.0)))
    }

    /// Ratio of two means over the same draws, with its standard error by the delta method
    /// (Cochran 1977, *Sampling Techniques*, chapter 6); not a number where there are none.
    fn ratio(pairs: impl Iterator<Item = (f64, f64)> + Clone) -> Self {
        let n = pairs.clone().count() as f64;
        let above: f64 = pairs.clone().map(|(a, _)| a).sum();
        let below: f64 = pairs.clone().map(|(_, b)| b).sum();
        let value = above / below;
        let squares: f64 = pairs.map(|(a, b)| (a - value * b).powi(2)).sum();
        let error = (squares / n).sqrt() / n.sqrt() / (below / n);
        Self { value, error }
    }
}

impl Display for Figure {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        if self.value.is_finite() {
            write!(f, "{:.3} ({:.3})", self.value, self.error)
        } else {
            f.write_str("–")
        }
    }
}

/// A baseline that cannot always be fitted, over the draws where it could.
struct Beside {
    score: Figure,
    /// Percent of the draws tried; not a number where none was.
    fitted: f64,
    ratio: Figure,
}

impl Cell {
    fn coverage(&self) -> Figure {
        Figure::mean(self.scores.iter().map(|s| f64::from(s.covered)))
    }

    fn ours(&self) -> Figure {
        Figure::mean(self.scores.iter().map(|s| s.ours))
    }

    /// To the oracle on the same targets.
    fn to_floor(&self, of: usize) -> Figure {
        Figure::ratio(self.scores.iter().map(|s| (s.ours, s.floors[of])))
    }

    fn by_eye(&self) -> Figure {
        Figure::mean(self.scores.iter().map(|s| s.by_eye))
    }

    fn to_by_eye(&self) -> Figure {
        Figure::ratio(self.scores.iter().map(|s| (s.ours, s.by_eye)))
    }

    /// How much the score rises with gross errors planted.
    fn rise(&self) -> Figure {
        let ratio = Figure::ratio(self.scores.iter().map(|s| (s.spoilt, s.ours)));
        Figure {
            value: ratio.value - 1.0,
            ..ratio
        }
    }

    /// `theirs`: none where not tried, and within that where not fitted.
    fn beside(&self, theirs: impl Fn(&Scores) -> Option<Option<f64>>) -> Beside {
        let tried = self.scores.iter().filter_map(|s| theirs(s).map(|t| (s, t)));
        let pairs: Vec<(f64, f64)> = tried
            .clone()
            .filter_map(|(s, theirs)| Some((s.ours, theirs?)))
            .collect();
        Beside {
            score: Figure::mean(pairs.iter().map(|(_, theirs)| *theirs)),
            fitted: 100.0 * pairs.len() as f64 / tried.count() as f64,
            ratio: Figure::ratio(pairs.iter().copied()),
        }
    }

    fn least_squares(&self) -> Beside {
        self.beside(|s| Some(s.least_squares))
    }

    fn quantile(&self) -> Beside {
        self.beside(|s| s.quantile)
    }
}

impl Display for Beside {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        if self.fitted.is_finite() {
            write!(f, "{} | {:.1} % | {}", self.score, self.fitted, self.ratio)
        } else {
            f.write_str("– | – | –")
        }
    }
}

/// What a figure has to keep to.
#[derive(Clone, Copy)]
enum Bound {
    AtMost(f64),
    Below(f64),
    Within(f64, f64),
}

impl Bound {
    /// How far the figure is on the wrong side; 0 where it is on the right one.
    fn miss(self, value: f64) -> f64 {
        match self {
            Self::AtMost(most) | Self::Below(most) => (value - most).max(0.0),
            Self::Within(low, high) => (low - value).max(value - high).max(0.0),
        }
    }

    fn verdict(self, figure: Figure) -> Verdict {
        let miss = self.miss(figure.value);
        let on_the_line = matches!(self, Self::Below(most) if figure.value == most);
        if miss == 0.0 && !on_the_line {
            Verdict::Met
        } else if miss <= 2.0 * figure.error {
            Verdict::WithinNoise
        } else {
            Verdict::NotMet
        }
    }
}

impl Display for Bound {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self {
            Self::AtMost(most) => write!(f, "at most {most:.2}"),
            Self::Below(most) => write!(f, "below {most:.2}"),
            Self::Within(low, high) => write!(f, "{low:.2} to {high:.2}"),
        }
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Verdict {
    Met,
    /// Missed by no more than two standard errors.
    WithinNoise,
    NotMet,
}

impl Display for Verdict {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Met => "met",
            Self::WithinNoise => "within noise",
            Self::NotMet => "**not met**",
        })
    }
}

/// A figure that has goals: its name, the figure, and what it has to keep to at a size.
struct Goal {
    what: &'static str,
    figure: fn(&Cell) -> Figure,
    bound: fn(usize) -> Option<Bound>,
    /// Whether it is among the goals as they were stated; shown beside them where not.
    stated: bool,
}

fn at_size(n: usize, bounds: [Option<f64>; 4]) -> Option<Bound> {
    let at = [8, 15, 30, 60].iter().position(|size| *size == n)?;
    bounds[at].map(Bound::AtMost)
}

fn of_floor(n: usize) -> Option<Bound> {
    at_size(n, [Some(1.20), Some(1.12), Some(1.06), Some(1.03)])
}

const GOALS: [Goal; 7] = [
    Goal {
        what: "coverage",
        figure: |cell| cell.coverage(),
        bound: |_| Some(Bound::Within(0.78, 0.84)),
        stated: true,
    },
    Goal {
        what: "score / stated floor",
        figure: |cell| cell.to_floor(0),
        bound: of_floor,
        stated: true,
    },
    Goal {
        what: "score / floor of all columns",
        figure: |cell| cell.to_floor(1),
        bound: of_floor,
        stated: false,
    },
    Goal {
        what: "score / by eye",
        figure: |cell| cell.to_by_eye(),
        bound: |_| Some(Bound::AtMost(0.62)),
        stated: true,
    },
    Goal {
        what: "score / least squares",
        figure: |cell| cell.least_squares().ratio,
        bound: |n| at_size(n, [None, Some(0.75), Some(0.97), Some(1.00)]),
        stated: true,
    },
    Goal {
        what: "score / quantile regression",
        figure: |cell| cell.quantile().ratio,
        bound: |n| (n <= 30).then_some(Bound::Below(0.90)),
        stated: true,
    },
    Goal {
        what: "rise with gross errors",
        figure: |cell| cell.rise(),
        bound: |_| Some(Bound::Below(1.0 / 3.0)),
        stated: true,
    },
];

impl Report {
    fn each(&self) -> impl Iterator<Item = (&Study, &Cell)> {
        self.0
            .iter()
            .flat_map(|study| study.cells.iter().map(move |cell| (study, cell)))
    }

    fn ours(&self, f: &mut Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "| set | n | coverage | score | / stated floor | / floor of all columns | gross errors |"
        )?;
        writeln!(f, "|---|---:|---:|---:|---:|---:|---:|")?;
        for study in &self.0 {
            let [stated, full] = study.floors;
            writeln!(
                f,
                "| {} | whole set | | | {stated:.3} | {full:.3} | |",
                study.name
            )?;
            for cell in &study.cells {
                writeln!(
                    f,
                    "| {} | {} | {} | {} | {} | {} | {:+.0} % |",
                    study.name,
                    cell.n,
                    cell.coverage(),
                    cell.ours(),
                    cell.to_floor(0),
                    cell.to_floor(1),
                    100.0 * cell.rise().value,
                )?;
            }
        }
        Ok(())
    }

    fn baselines(&self, f: &mut Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "| set | n | by eye | ours / it | least squares | fitted | ours / it | quantile regression | fitted | ours / it |"
        )?;
        writeln!(f, "|---|---:|---:|---:|---:|---:|---:|---:|---:|---:|")?;
        for (study, cell) in self.each() {
            writeln!(
                f,
                "| {} | {} | {} | {} | {} | {} |",
                study.name,
                cell.n,
                cell.by_eye(),
                cell.to_by_eye(),
                cell.least_squares(),
                cell.quantile(),
            )?;
        }
        Ok(())
    }

    /// With and without the other models, on the same draws.
    fn pooled(&self, f: &mut Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "| set | models | n | alone | coverage | with others | coverage | with / alone |"
        )?;
        writeln!(f, "|---|---|---:|---:|---:|---:|---:|---:|")?;
        for study in &self.0 {
            for Together { n, pairs } in &study.together {
                let mean = |of: fn(&Pair) -> f64| Figure::mean(pairs.iter().map(of));
                writeln!(
                    f,
                    "| {} | {} by {} | {n} | {} | {} | {} | {} | {} |",
                    study.name,
                    study.models,
                    study.split,
                    mean(|p| p.alone),
                    mean(|p| p.covered_alone.into()),
                    mean(|p| p.pooled),
                    mean(|p| p.covered.into()),
                    Figure::ratio(pairs.iter().map(|p| (p.pooled, p.alone))),
                )?;
            }
        }
        Ok(())
    }

    /// The best single prior beside the floors and ours, on the same draws.
    fn best(&self, f: &mut Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "\nThe best of {} priors, each the same for every column, chosen on the very targets, the \
             residuals' scale and quantiles known; mean towards the oracle's side\n",
            grid().len()
        )?;
        writeln!(
            f,
            "| set | n | prior mean | sd | per | coverage | score | / stated floor | / floor of all columns | ours / it |"
        )?;
        writeln!(f, "|---|---:|---:|---:|---|---:|---:|---:|---:|---:|")?;
        for (study, cell) in self.each() {
            let Some(Best { prior, tried }) = &cell.best else {
                continue;
            };
            let beside = |pair: fn((&Scores, &Tried)) -> (f64, f64)| {
                Figure::ratio(cell.scores.iter().zip(tried).map(pair))
            };
            writeln!(
                f,
                "| {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
                study.name,
                cell.n,
                prior.mean,
                prior.sd,
                prior.unit,
                Figure::mean(tried.iter().map(|t| f64::from(t.covered))),
                Figure::mean(tried.iter().map(|t| t.score)),
                beside(|(s, t)| (t.score, s.floors[0])),
                beside(|(s, t)| (t.score, s.floors[1])),
                beside(|(s, t)| (s.ours, t.score)),
            )?;
        }
        Ok(())
    }

    /// The goals one by one, and how many are met.
    fn goals(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let names: Vec<&str> = self.0.iter().map(|study| study.name).collect();
        writeln!(f, "| goal | n | {} |", names.join(" | "))?;
        writeln!(f, "|---|---:|{}", "---|".repeat(names.len()))?;
        let sizes = self.0.first().map_or(&[][..], |study| &study.cells);
        let mut verdicts = Vec::new();
        for goal in &GOALS {
            for (at, n) in sizes.iter().map(|cell| cell.n).enumerate() {
                let Some(bound) = (goal.bound)(n) else {
                    continue;
                };
                write!(f, "| {} {bound} | {n} |", goal.what)?;
                for study in &self.0 {
                    let figure = (goal.figure)(&study.cells[at]);
                    if figure.value.is_finite() {
                        let verdict = bound.verdict(figure);
                        if goal.stated {
                            verdicts.push(verdict);
                        }
                        write!(f, " {figure} {verdict} |")?;
                    } else {
                        f.write_str(" – |")?;
                    }
                }
                writeln!(f)?;
            }
        }
        let count = |verdict| verdicts.iter().filter(|v| **v == verdict).count();
        writeln!(
            f,
            "\nOf {} goals {} are met, {} missed by no more than two standard errors, {} not met \
             (the floor of all columns was not among them).",
            verdicts.len(),
            count(Verdict::Met),
            count(Verdict::WithinNoise),
            count(Verdict::NotMet),
        )
    }
}

impl Display for Report {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let draws = self.each().map(|(_, cell)| cell.scores.len()).max();
        writeln!(
            f,
            "{} draws of n comps and a target; 80 % bands; mean interval scores on log price \
             (standard error)\n",
            draws.unwrap_or(0)
        )?;
        self.ours(f)?;
        writeln!(f)?;
        self.baselines(f)?;
        writeln!(f)?;
        self.pooled(f)?;
        writeln!(f)?;
        self.goals(f)?;
        if self.each().any(|(_, cell)| cell.best.is_some()) {
            self.best(f)?;
        }
        Ok(())
    }
}
