//! Verdicts on the figures of a check, in plain words, with advice.
//!
//! A verdict depends on the figure's interval, never on its value alone: [`Standing::Holds`] if the
//! whole interval is acceptable, [`Standing::Fails`] if none of it is, and otherwise
//! [`Standing::Open`]. Of many groups with intervals of 95 %, one in twenty fails by chance; a
//! group that fails in several figures, or again later, is more serious.

use crate::backtest::calibration::{Coverage, Pit};
use crate::backtest::ratio::{
    COD_RANGE, Figure, Interval, MEDIAN_RANGE, PRB_RANGE, PRD_RANGE, Study,
};
use crate::trade::text::after;

/// Widest interval of a coverage that allows a verdict: 10 points to each side.
const SETTLED: f64 = 0.2;

/// p-value below which PIT values do not count as uniform.
const UNLIKELY: f64 = 0.01;

const LOG_MORE: &str = "Log more sales; until then there is too little to judge by.";
/// Advice if different units are treated alike.
const SET_APART: &str = "Record what sets these units apart (grade, pieces, defects, variant, how sold), so that \
     they are compared with similar units.";

/// The same advice if recorded numbers would help but are not used.
const DECLARE: &str = "Declare the numbers that are recorded but not used (see below), so that units are compared \
     with similar ones.";

const CLOSER: &str = "Sales fall closer than the range says: a narrower range will do.";

/// Verdict on a figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// The whole interval is acceptable.
    Holds,
    /// The sales do not decide.
    Open,
    /// No value in the interval is acceptable.
    Fails,
}

/// A verdict with its reasons.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verdict {
    /// The verdict.
    pub standing: Standing,
    /// The finding, a clause without a full stop.
    pub finding: String,
    /// Advice, in sentences; `None` if nothing needs to be done.
    pub advice: Option<String>,
}

impl Verdict {
    fn holds(finding: String) -> Self {
        Self {
            standing: Standing::Holds,
            finding,
            advice: None,
        }
    }

    fn open(finding: String) -> Self {
        Self {
            standing: Standing::Open,
            finding,
            advice: Some(LOG_MORE.into()),
        }
    }

    /// The same verdict if numbers that would distinguish the units are recorded but not declared.
    pub fn with_undeclared(mut self) -> Self {
        if self.advice.as_deref() == Some(SET_APART) {
            self.advice = Some(DECLARE.into());
        }
        self
    }

    fn fails(finding: String, advice: &str) -> Self {
        Self {
            standing: Standing::Fails,
            finding,
            advice: Some(advice.into()),
        }
    }
}

/// Verdict on bands of `level` in 0..1 with this coverage. `group` names the sales ("grade C"); it
/// is empty for all.
pub fn bands(group: &str, level: f64, coverage: &Coverage) -> Verdict {
    let whose = of(group);
    let (nominal, found, n) = (percent(level), percent(coverage.share), coverage.of);
    let range = coverage.interval;
    if range.high < level {
        return Verdict::fails(
            format!(
                "ranges are too narrow{whose}: {found} of {n} sales fell in them instead of {nominal}"
            ),
            &format!("{SET_APART} Until that helps, ask for a wider range (`--band`)."),
        );
    }
    if range.low > level {
        return Verdict::fails(
            format!(
                "ranges are too wide{whose}: {found} of {n} sales fell in them instead of {nominal}"
            ),
            &format!(
                "{CLOSER} Rules of thumb with narrower ranges, where you are sure of them, sharpen it."
            ),
        );
    }
    let finding = format!("{nominal} ranges covered {found} of {n} sales{whose}");
    if range.high - range.low > SETTLED {
        let (low, high) = (percent(range.low), percent(range.high));
        return Verdict::open(format!(
            "{finding}: anything from {low} to {high} would fit"
        ));
    }
    Verdict::holds(finding)
}

/// Verdicts on a ratio study: its median, its dispersion, and its two measures of bias between
/// expensive and cheap units. `group` as in [`bands`].
pub fn study(group: &str, study: &Study) -> Vec<Verdict> {
    let n = study.sales;
    let mut out = vec![level(group, study.median, n)];
    out.extend(study.cod.map(|figure| dispersion(group, figure, n)));
    out.extend(study.prd.map(|figure| differential(group, figure, n)));
    out.extend(study.prb.map(|figure| bias(group, figure, n)));
    out
}

/// Verdict on the shape of the PIT histogram. `group` as in [`bands`].
pub fn shape(group: &str, pit: &Pit) -> Verdict {
    let whose = of(group);
    let n: usize = pit.counts.iter().sum();
    let Some(test) = pit.chi_square else {
        return Verdict::open(format!(
            "too few sales{whose} to see how they spread over the range, n = {n}"
        ));
    };
    // Either test may detect what the other does not; each has half of the level.
    if test.p.min(pit.kolmogorov.p) >= UNLIKELY / 2.0 {
        return Verdict::holds(format!(
            "sales spread over the range as it says{whose}, n = {n}"
        ));
    }
    let (found, advice) = match heap(&pit.counts) {
        Heap::Above => (
            "too many sales fall in the upper part of the range",
            "Estimates are too low: see the ratio over time, and what these units have that is not recorded.",
        ),
        Heap::Below => (
            "too many sales fall in the lower part of the range",
            "Estimates are too high: see the ratio over time, and wear or missing pieces that are not recorded.",
        ),
        Heap::Ends => (
            "too many sales fall at the ends of the range: it is too narrow",
            SET_APART,
        ),
        Heap::Middle => (
            "too many sales fall in the middle of the range: it is too wide",
            CLOSER,
        ),
    };
    Verdict::fails(format!("{found}{whose}, n = {n}"), advice)
}

fn level(group: &str, median: Figure, n: usize) -> Verdict {
    let whose = of(group);
    let detail = format!(
        "median estimate {} of what was paid{}, n = {n}",
        percent(median.value),
        range(median.interval, percent)
    );
    match place(median.interval, MEDIAN_RANGE) {
        Place::Within => Verdict::holds(format!("estimates are right on average{whose}: {detail}")),
        Place::Open => Verdict::open(format!(
            "estimates may be too high or too low{whose}: {detail}"
        )),
        Place::Above => Verdict::fails(
            format!("estimates are too high{whose}: {detail}"),
            "Look whether prices have fallen, and for wear or missing pieces that are not recorded.",
        ),
        Place::Below => Verdict::fails(
            format!("estimates are too low{whose}: {detail}"),
            "Look whether prices have risen, and for what these units have that is not recorded.",
        ),
    }
}

fn dispersion(group: &str, cod: Figure, n: usize) -> Verdict {
    let whose = of(group);
    let per_cent = |v: f64| format!("{v:.1} %");
    let detail = format!(
        "ratios differ by {} from their median on average{}, n = {n}",
        per_cent(cod.value),
        range(cod.interval, per_cent)
    );
    // Low dispersion is no fault of an estimate from earlier sales.
    match place(cod.interval, Interval::new(0.0, COD_RANGE.high)) {
        Place::Within => Verdict::holds(format!("estimates are consistent{whose}: {detail}")),
        Place::Open => Verdict::open(format!("estimates may be inconsistent{whose}: {detail}")),
        Place::Above | Place::Below => Verdict::fails(
            format!("estimates are inconsistent{whose}: {detail}"),
            SET_APART,
        ),
    }
}

fn differential(group: &str, prd: Figure, n: usize) -> Verdict {
    let plain = |v: f64| format!("{v:.2}");
    let detail = format!(
        "price-related differential {}{}, n = {n}",
        plain(prd.value),
        range(prd.interval, plain)
    );
    // Above its range, cheap units are estimated too high.
    let dear = match place(prd.interval, PRD_RANGE) {
        Place::Above => Place::Below,
        Place::Below => Place::Above,
        other => other,
    };
    vertical(group, dear, &detail)
}

fn bias(group: &str, prb: Figure, n: usize) -> Verdict {
    let change = |v: f64| {
        let text = format!("{:.1}", 100.0 * v.abs());
        let sign = match text.as_str() {
            "0.0" => "",
            _ if v < 0.0 => "−",
            _ => "+",
        };
        format!("{sign}{text} %")
    };
    let detail = format!(
        "{} where the price doubles{}, n = {n}",
        change(prb.value),
        range(prb.interval, change)
    );
    vertical(group, place(prb.interval, PRB_RANGE), &detail)
}

/// Verdict on the bias between expensive and cheap units; `dear` is the place of the expensive
/// ones.
fn vertical(group: &str, dear: Place, detail: &str) -> Verdict {
    let whose = of(group);
    let advice = "Units at such different prices may need separate models or variants, or a numeric attribute.";
    match dear {
        Place::Within => Verdict::holds(format!(
            "expensive and cheap units are estimated alike{whose}: {detail}"
        )),
        Place::Open => Verdict::open(format!(
            "expensive and cheap units may not be estimated alike{whose}: {detail}"
        )),
        Place::Above => Verdict::fails(
            format!("expensive units are estimated too high beside cheap ones{whose}: {detail}"),
            advice,
        ),
        Place::Below => Verdict::fails(
            format!("expensive units are estimated too low beside cheap ones{whose}: {detail}"),
            advice,
        ),
    }
}

/// Place of an interval relative to an acceptable range.
#[derive(Clone, Copy)]
enum Place {
    Within,
    Above,
    Below,
    Open,
}

fn place(interval: Option<Interval>, range: Interval) -> Place {
    match interval {
        None => Place::Open,
        Some(i) if range.holds(i) => Place::Within,
        Some(i) if i.low > range.high => Place::Above,
        Some(i) if i.high < range.low => Place::Below,
        Some(_) => Place::Open,
    }
}

/// Place where the values of a histogram concentrate.
enum Heap {
    Above,
    Below,
    Ends,
    Middle,
}

/// On one side if the mean is more than two standard errors of a uniform mean from ½. Otherwise in
/// the middle or at both ends, by whether the variance is below or above that of a uniform
/// distribution in bars, `(1 − 1/bars²)/12`.
fn heap(counts: &[usize]) -> Heap {
    let bars = counts.len() as f64;
    let n: f64 = counts.iter().sum::<usize>() as f64;
    let moment = |f: &dyn Fn(f64) -> f64| {
        let at = |bar: usize| f((bar as f64 + 0.5) / bars);
        counts
            .iter()
            .enumerate()
            .map(|(bar, count)| at(bar) * *count as f64)
            .sum::<f64>()
            / n
    };
    let mean = moment(&|x| x);
    let uniform = (1.0 - 1.0 / (bars * bars)) / 12.0;
    let reach = 2.0 * (uniform / n).sqrt();
    if mean > 0.5 + reach {
        Heap::Above
    } else if mean < 0.5 - reach {
        Heap::Below
    } else if moment(&|x| (x - mean) * (x - mean)) > uniform {
        Heap::Ends
    } else {
        Heap::Middle
    }
}

fn of(group: &str) -> String {
    after(" for ", group)
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

fn range(interval: Option<Interval>, text: impl Fn(f64) -> String) -> String {
    interval.map_or(String::new(), |i| {
        format!(" ({} to {})", text(i.low), text(i.high))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::backtest::calibration::{coverage, pit};
    use crate::backtest::ratio;

    #[test]
    fn bands_are_judged_by_their_interval() {
        let verdict = |covered, of| bands("grade C", 0.8, &coverage(covered, of, 0.95).unwrap());
        let narrow = verdict(25, 41);
        assert_eq!(narrow.standing, Standing::Fails);
        assert_eq!(
            narrow.finding,
            "ranges are too narrow for grade C: 61 % of 41 sales fell in them instead of 80 %"
        );
        assert!(narrow.advice.unwrap().contains("`--band`"));
        // The same share of fewer sales decides nothing.
        let few = verdict(5, 8);
        assert_eq!(few.standing, Standing::Open);
        assert!(
            few.finding.contains("anything from 24 % to 91 %"),
            "{}",
            few.finding
        );
        assert!(verdict(400, 410).finding.starts_with("ranges are too wide"));
        let covered = bands("", 0.8, &coverage(89, 112, 0.95).unwrap());
        assert_eq!(
            covered,
            Verdict::holds("80 % ranges covered 79 % of 112 sales".into())
        );
    }

    /// 40 sales with ratios about `level`, within `spread`, and with slope `slope` in log₂ price.
    fn sales(level: f64, spread: f64, slope: f64) -> Study {
        let paid: Vec<f64> = (0..40)
            .map(|i| 50.0 * (f64::from(i) / 10.0).exp2())
            .collect();
        let estimates: Vec<f64> = paid
            .iter()
            .enumerate()
            .map(|(i, p)| {
                let wobble = spread * (f64::from((i * 7 % 11) as u32) / 5.0 - 1.0);
                p * level * (1.0 + wobble) * (1.0 + slope * (p.log2() - 7.6))
            })
            .collect();
        ratio::study(&estimates, &paid, 0.95).unwrap()
    }

    fn standings(verdicts: &[Verdict]) -> Vec<Standing> {
        verdicts.iter().map(|v| v.standing).collect()
    }

    #[test]
    fn good_estimates_pass_in_every_figure() {
        let found = study("", &sales(1.0, 0.05, 0.0));
        assert_eq!(standings(&found), [Standing::Holds; 4], "{found:?}");
        assert!(found.iter().all(|v| v.advice.is_none()));
    }

    #[test]
    fn each_fault_is_named() {
        let high = &study("model X", &sales(1.3, 0.05, 0.0))[0];
        assert_eq!(high.standing, Standing::Fails);
        assert!(
            high.finding
                .starts_with("estimates are too high for model X: median estimate 13"),
            "{}",
            high.finding
        );
        assert!(
            study("", &sales(0.7, 0.05, 0.0))[0]
                .finding
                .starts_with("estimates are too low")
        );
        let uneven = &study("", &sales(1.0, 0.6, 0.0))[1];
        assert_eq!(uneven.standing, Standing::Fails, "{}", uneven.finding);
        // Expensive units too low, or too high: PRD and PRB agree.
        for (slope, expected) in [
            (-0.15, "too low beside cheap"),
            (0.15, "too high beside cheap"),
        ] {
            for verdict in &study("", &sales(1.0, 0.02, slope))[2..] {
                assert_eq!(verdict.standing, Standing::Fails, "{}", verdict.finding);
                assert!(verdict.finding.contains(expected), "{}", verdict.finding);
            }
        }
    }

    #[test]
    fn few_sales_leave_it_open() {
        let few = ratio::study(&[100.0, 180.0, 90.0], &[90.0, 100.0, 120.0], 0.95).unwrap();
        let found = study("", &few);
        assert_eq!(standings(&found), [Standing::Open; 4], "{found:?}");
        assert!(found.iter().all(|v| v.advice.is_some()));
    }

    #[test]
    fn shapes_of_the_band() {
        let shape_of = |f: &dyn Fn(f64) -> f64| {
            let values: Vec<f64> = (0..100).map(|i| f((f64::from(i) + 0.5) / 100.0)).collect();
            shape("", &pit(&values, 10).unwrap())
        };
        assert_eq!(shape_of(&|u| u).standing, Standing::Holds);
        assert!(shape_of(&|u| u.sqrt()).finding.contains("upper part"));
        assert!(shape_of(&|u| u * u).finding.contains("lower part"));
        assert!(
            shape_of(&|u| 0.5 + (u - 0.5) / 3.0)
                .finding
                .contains("too wide")
        );
        let ends = |u: f64| {
            if u < 0.5 {
                2.0 * u * u
            } else {
                1.0 - 2.0 * (1.0 - u) * (1.0 - u)
            }
        };
        assert!(shape_of(&ends).finding.contains("too narrow"));
        let few = shape("", &pit(&[0.5; 20], 10).unwrap());
        assert_eq!(few.standing, Standing::Open);
    }
}
