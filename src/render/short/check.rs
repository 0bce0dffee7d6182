//! The short sheet of a check of past estimates.

use std::fmt::Write;

use crate::app::check::{OF_80_BAND, OF_LEVEL};
use crate::backtest::selfcheck::Figures;
use crate::backtest::verdict::{Standing, Verdict};
use crate::render::check::{Sheet, advised_once, judged, set_aside};
use crate::render::numbers::count;
use crate::render::prose::{prose_width, wrap};
use crate::settings::Settings;

/// The sheet: its [`lines`], and the flag that shows every figure.
pub fn sheet(
    content: &Sheet<'_>,
    notes: &[String],
    settings: &Settings,
    width: Option<u16>,
) -> String {
    let prose = prose_width(width);
    let mut out = String::new();
    let mut lines = lines(content, notes, settings);
    lines.push(Line::plain("Every figure, and what it means: --figures"));
    for line in lines {
        let indent = if line.below { "  " } else { "" };
        let marked = match line.mark {
            "" => line.text,
            mark => format!("{mark} {}", line.text),
        };
        // Later lines are set in by two columns.
        let wrapped = wrap(&marked, prose.saturating_sub(2), indent);
        let _ = writeln!(out, "{}", wrapped.replace('\n', "\n  "));
    }
    out
}

/// A sentence of the short sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// `✓`, `✗` or `?` for a verdict, else empty.
    pub mark: &'static str,
    /// The sentence.
    pub text: String,
    /// Whether it is about the line above it.
    pub below: bool,
}

impl Line {
    fn plain(text: impl Into<String>) -> Self {
        Self {
            mark: "",
            text: text.into(),
            below: false,
        }
    }
}

/// A sentence for all sales and for each group, failures with advice, and the groups of which too few sales are
/// known in one line; then `notes`, one sentence each.
pub fn lines(content: &Sheet<'_>, notes: &[String], settings: &Settings) -> Vec<Line> {
    let mut lines = vec![Line::plain(format!("{}.", content.how()))];
    let set_aside = set_aside(content.sales, settings);
    lines.extend((!set_aside.is_empty()).then(|| Line::plain(set_aside)));
    let mut advised: Vec<String> = Vec::new();
    let mut open: Vec<String> = Vec::new();
    for (at, (name, figures)) in content.groups.iter().enumerate() {
        let verdicts = judged(name, figures, content.helps);
        let fails: Vec<&Verdict> = verdicts
            .iter()
            .filter(|v| v.standing == Standing::Fails)
            .collect();
        let settled = is_settled(&verdicts);
        if at > 0 && fails.is_empty() && !settled {
            open.push(format!("{name} ({})", figures.sales));
            continue;
        }
        let mark = match (fails.is_empty(), settled) {
            (false, _) => "✗",
            (true, true) => "✓",
            (true, false) => "?",
        };
        let few = if settled || !fails.is_empty() {
            ""
        } else {
            " Too few sales to be sure of that: log more."
        };
        lines.push(Line {
            mark,
            ..Line::plain(format!("{name}: {}.{few}", in_words(figures)))
        });
        for verdict in fails {
            lines.push(Line {
                below: true,
                ..Line::plain(advised_once(verdict, &mut advised))
            });
        }
    }
    if !open.is_empty() {
        let text = format!("Too few sales to tell yet: {}.", open.join(", "));
        lines.push(Line {
            mark: "?",
            ..Line::plain(text)
        });
    }
    lines.extend(notes.iter().map(Line::plain));
    lines
}

/// Whether level and 80 % band of a group are judged, so that its sentence can be relied on.
fn is_settled(verdicts: &[Verdict]) -> bool {
    let holds = |at: usize| verdicts.get(at).map(|v| v.standing) == Some(Standing::Holds);
    holds(OF_80_BAND) && holds(OF_LEVEL)
}

/// `estimates were 1 % low on average, half of them within 7 %; 81 of 100 sales fell in their 80 % range`
fn in_words(figures: &Figures) -> String {
    let off = 100.0 * (figures.study.median.value - 1.0);
    let average = match off.round() {
        0.0 => "right on average".to_string(),
        low if low < 0.0 => format!("{:.0} % low on average", -low),
        high => format!("{high:.0} % high on average"),
    };
    let within = figures.study.median_absolute_percentage_error;
    let coverage = &figures.coverage[OF_80_BAND];
    format!(
        "estimates were {average}, half of them within {within:.0} %; {} of {} fell in their 80 % range",
        coverage.covered,
        count(coverage.of, "sale")
    )
}
