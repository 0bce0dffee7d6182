//! The goals, each with the cells that it speaks of, and whether they are met.

use std::fmt::{self, Display, Formatter};

use super::draws::Cell;
use super::figure::Figure;
use super::market::{Held, Kind, Others};
use super::peers::BAYESIAN_RIDGE;
use super::report::{Report, Study};
use super::wrong::Wrong;

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

/// One figure that a goal speaks of.
struct Place {
    at: String,
    bound: Bound,
    figure: Figure,
}

struct Goal {
    what: &'static str,
    places: Vec<Place>,
}

impl Goal {
    fn count(&self, verdict: Verdict) -> usize {
        self.missed(verdict).count()
    }

    fn missed(&self, verdict: Verdict) -> impl Iterator<Item = &Place> {
        self.places
            .iter()
            .filter(move |p| p.bound.verdict(p.figure) == verdict)
    }
}

/// The bound at a size of a table by 8, 15, 30 and 60 comps.
fn at_size<T: Copy>(n: usize, bounds: [T; 4]) -> Option<T> {
    let at = [8, 15, 30, 60].iter().position(|size| *size == n)?;
    Some(bounds[at])
}

/// Gathers what is there of a goal: of each cell a place, a bound and a figure.
fn goal(what: &'static str, places: impl Iterator<Item = (String, Bound, Figure)>) -> Goal {
    let places = places
        .filter(|(_, _, figure)| figure.value.is_finite())
        .map(|(at, bound, figure)| Place { at, bound, figure })
        .collect();
    Goal { what, places }
}

fn alone(n: usize) -> Option<Bound> {
    let bounds = [(0.70, 0.86), (0.75, 0.85), (0.77, 0.84), (0.77, 0.84)];
    at_size(n, bounds).map(|(low, high)| Bound::Within(low, high))
}

fn with_others(n: usize) -> Bound {
    match n {
        ..=7 => Bound::Within(0.74, 0.88),
        8..=14 => Bound::Within(0.76, 0.85),
        15.. => Bound::Within(0.77, 0.84),
    }
}

fn simulated(held: &Held) -> Bound {
    match held.market.n {
        _ if held.market.others == Others::Like => Bound::Within(0.76, 0.86),
        ..=11 => Bound::Within(0.74, 0.90),
        12..=24 => Bound::Within(0.76, 0.87),
        25.. => Bound::Within(0.77, 0.84),
    }
}

fn named(study: &Study, n: usize) -> String {
    format!("{}, {n}", study.name)
}

impl Report {
    /// A goal on cells: of each of those of `set` (of all, where not given), the bound at its size.
    fn of_cells(
        &self,
        what: &'static str,
        set: Option<&str>,
        bound: impl Fn(usize) -> Option<Bound>,
        figure: impl Fn(&Study, &Cell) -> Figure,
    ) -> Goal {
        let cells = self
            .cells()
            .filter(|(study, _)| set.is_none_or(|set| study.name == set));
        goal(
            what,
            cells.filter_map(|(study, cell)| {
                let at = named(study, cell.n);
                Some((at, bound(cell.n)?, figure(study, cell)))
            }),
        )
    }

    /// A goal on what comes of all sets at each size.
    fn of_sizes(
        &self,
        what: &'static str,
        bound: Bound,
        figure: impl Fn(&mut dyn Iterator<Item = &Cell>) -> Figure,
    ) -> Goal {
        let sizes = self.sizes().into_iter().map(|n| {
            let mut cells = self.cells().map(|(_, cell)| cell).filter(|c| c.n == n);
            (format!("all sets, {n}"), bound, figure(&mut cells))
        });
        goal(what, sizes)
    }

    fn on_data(&self) -> Vec<Goal> {
        let together = self.studies.iter().flat_map(|study| {
            let named = |n| named(study, n);
            study
                .together
                .iter()
                .map(move |t| (named(t.n), with_others(t.n), t.coverage()))
        });
        let gross = |n| at_size(n, [0.15, 0.05, 0.05, 0.05]).map(Bound::AtMost);
        let stones = |n| at_size(n, [2.0, 1.25, 1.10, 1.05]).map(Bound::AtMost);
        let cars = |n| {
            let most = |most| Bound::AtMost(most);
            at_size(n, [Bound::Below(1.0), most(1.15), most(1.05), most(1.03)])
        };
        let best = |cell: &Cell| match self.has_all_peers() {
            true => cell.to_best_peer(),
            false => Figure::NONE,
        };
        vec![
            self.of_cells("coverage, alone", None, alone, |_, cell| cell.coverage()),
            self.of_sizes(
                "coverage, alone, mean over sets",
                Bound::Within(0.77, 0.83),
                |cells| Figure::mean_of(cells.map(Cell::coverage)),
            ),
            goal("coverage with other models", together),
            self.of_sizes(
                "score / best peer, geometric mean over sets",
                Bound::AtMost(0.95),
                |cells| Figure::geometric_mean_of(cells.map(best)),
            ),
            self.of_cells(
                "score / best peer, every cell",
                None,
                |_| Some(Bound::AtMost(1.05)),
                |_, cell| best(cell),
            ),
            self.of_cells(
                "score / oracle, stones",
                Some("stones"),
                stones,
                |_, cell| cell.to_oracle(),
            ),
            self.of_cells(
                "score / Bayesian ridge, cars",
                Some("cars"),
                cars,
                |_, cell| cell.to_peer(BAYESIAN_RIDGE),
            ),
            self.of_cells(
                "score / that kept from before",
                None,
                |_| Some(Bound::AtMost(1.01)),
                |study, cell| self.before(study, cell),
            ),
            self.of_cells("rise in score with gross errors", None, gross, |_, cell| {
                cell.rise()
            }),
            goal(
                "rise in score by wrong rules, over sets",
                self.rises_by_wrong_rules(),
            ),
        ]
    }

    fn rises_by_wrong_rules(&self) -> impl Iterator<Item = (String, Bound, Figure)> {
        let by_three = [Wrong::TimesThree, Wrong::ByThree];
        by_three.into_iter().map(|wrong| {
            let rise = self.wrong(wrong).less_one();
            (wrong.label().to_string(), Bound::AtMost(0.10), rise)
        })
    }

    fn on_markets(&self) -> Vec<Goal> {
        let plain = self.markets.iter().filter(|held| {
            let spread = (0.08..=0.25).contains(&held.market.spread);
            spread && matches!(held.market.kind, Kind::Plain | Kind::Heavy)
        });
        let stepped = self.markets.iter().filter_map(|held| {
            let Kind::Stepped(days) = held.market.kind else {
                return None;
            };
            let most = match days {
                ..30 => return None,
                30..60 => 0.08,
                60.. => 0.04,
            };
            let off = Figure {
                value: held.off.value.abs(),
                ..held.off
            };
            Some((held.market.label(), Bound::AtMost(most), off))
        });
        let held_after = self
            .markets
            .iter()
            .filter(|held| matches!(held.market.kind, Kind::Stepped(30..)));
        vec![
            goal(
                "coverage in simulated markets",
                plain.map(|held| (held.market.label(), simulated(held), held.coverage)),
            ),
            goal("off after a step, either way", stepped),
            goal(
                "coverage after a step",
                held_after.map(|h| (h.market.label(), Bound::Within(0.70, 1.0), h.coverage)),
            ),
        ]
    }

    fn goals(&self) -> Vec<Goal> {
        let mut goals = self.on_data();
        goals.extend(self.on_markets());
        let time = self.time.iter().map(|time| {
            let at = format!("{} estimates", time.estimates);
            (at, Bound::AtMost(5.0), time.median)
        });
        goals.push(goal("ms for an estimate of 60 comps, median", time));
        goals.retain(|goal| !goal.places.is_empty());
        goals
    }

    /// Goal by goal how many of its cells meet it, then those that do not.
    pub fn verdicts(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let goals = self.goals();
        writeln!(
            f,
            "| goal | cells | met | within two standard errors | not met |"
        )?;
        writeln!(f, "|---|---:|---:|---:|---:|")?;
        for goal in &goals {
            writeln!(
                f,
                "| {} | {} | {} | {} | {} |",
                goal.what,
                goal.places.len(),
                goal.count(Verdict::Met),
                goal.count(Verdict::WithinNoise),
                goal.count(Verdict::NotMet),
            )?;
        }
        let total = |verdict| goals.iter().map(|g| g.count(verdict)).sum::<usize>();
        writeln!(
            f,
            "| all | {} | {} | {} | {} |\n",
            goals.iter().map(|g| g.places.len()).sum::<usize>(),
            total(Verdict::Met),
            total(Verdict::WithinNoise),
            total(Verdict::NotMet),
        )?;
        writeln!(f, "| not met | where | goal | figure |\n|---|---|---|---:|")?;
        for goal in &goals {
            for place in goal.missed(Verdict::NotMet) {
                let Place { at, bound, figure } = place;
                writeln!(f, "| {} | {at} | {bound} | {figure} |", goal.what)?;
            }
        }
        Ok(())
    }
}
