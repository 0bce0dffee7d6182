//! Short sheets: the answer first, at most 14 lines at 80 columns; the rest is behind `--why`.

pub mod ask;
pub mod bid;
pub mod check;
pub mod estimate;

use anstyle::Style;
use unicode_width::UnicodeWidthStr;

use super::numbers::amount;
use super::prose::{HEADING, PRICE, QUIET, WARNING, wrap};
use super::sheet;
use crate::band::estimate::Estimate;
use crate::trade::comp::PriceBasis;
use crate::trade::text::shorten;

/// Most lines of a sheet on a screen of [`SCREEN`] columns.
const MOST_LINES: usize = 14;

/// The width at which that holds.
const SCREEN: usize = 80;

/// Most lines of the title, and of a remark, at that width.
const MOST_OF_PROSE: usize = 2;

/// Width of the labels before the answers.
const LABELS: usize = 14;

/// Last line of the sheets.
const CLOSING: &str = "Not a promise; not tax or legal advice. All of it: --why";

/// As many lines on a narrower screen as this many on one of [`SCREEN`] columns.
fn scaled(lines: usize, width: usize) -> usize {
    (lines * SCREEN).div_ceil(width.min(SCREEN))
}

/// Some lines that stay together.
struct Part {
    /// The lines, wrapped.
    lines: Vec<String>,
    /// Number of lines to keep if room is short.
    least: usize,
    /// Whether a blank line before it helps, if there is room.
    apart: bool,
}

/// A short sheet in the making.
struct Short {
    width: usize,
    parts: Vec<Part>,
}

impl Short {
    /// A sheet under a title.
    fn new(title: &str, width: usize) -> Self {
        let most = scaled(MOST_OF_PROSE, width);
        let lines = cut(lines_of(title, width, 0), most, width);
        let lines: Vec<String> = lines.iter().map(|line| styled(HEADING, line)).collect();
        let mut short = Self {
            width,
            parts: Vec::new(),
        };
        short.push(lines, false);
        short
    }

    /// Adds lines that all stay.
    fn push(&mut self, lines: Vec<String>, apart: bool) {
        self.parts.push(Part {
            least: lines.len(),
            lines,
            apart,
        });
    }

    /// Adds a labelled answer: the highlighted words, and the text after them.
    fn answer(&mut self, label: &str, strong: &str, rest: &str, apart: bool) {
        self.push(labelled(label, strong, rest, self.width), apart);
    }

    /// Adds a labelled sentence of which `least` lines stay if room is short (at 80 columns).
    fn remark(&mut self, label: &str, text: &str, least: usize) {
        let lines = cut(
            labelled(label, "", text, self.width),
            scaled(MOST_OF_PROSE, self.width),
            self.width,
        );
        self.parts.push(Part {
            least: scaled(least, self.width).min(lines.len()),
            lines,
            apart: false,
        });
    }

    /// Adds the assumptions about the unit, if there are any, with more about them.
    fn assumed(&mut self, made: &Estimate, more: &str) {
        if let Some(text) = sheet::assumptions(made) {
            self.remark("Assumed", &format!("{text}{more}"), 1);
        }
    }

    /// Adds cautions in full.
    fn cautions(&mut self, cautions: &[&str]) {
        let wrapped = cautions
            .iter()
            .flat_map(|text| lines_of(text, self.width, 0));
        let lines: Vec<String> = wrapped.map(|line| styled(WARNING, &line)).collect();
        self.push(lines, true);
    }

    /// The sheet with the warnings that fit, the first ones first.
    fn text(mut self, warnings: &[String], closing: &str) -> String {
        let budget = scaled(MOST_LINES, self.width);
        let longest = lines_of(&closing_with(closing, warnings.len()), self.width, 0);
        let used = |parts: &[Part]| {
            parts.iter().map(|part| part.lines.len()).sum::<usize>() + longest.len()
        };
        let wanted = warnings.len().min(MOST_OF_PROSE);
        while used(&self.parts) + wanted > budget {
            let longer = |part: &&mut Part| part.lines.len() > part.least;
            let Some(part) = self.parts.iter_mut().rev().find(longer) else {
                break;
            };
            let kept = part.lines.len() - 1;
            part.lines = cut(std::mem::take(&mut part.lines), kept, self.width);
        }
        let room = budget.saturating_sub(used(&self.parts)).max(1);
        let (warned, left) = fitting(warnings, room, self.width);
        let closing = lines_of(&closing_with(closing, left), self.width, 0);
        self.parts.push(Part {
            least: 0,
            apart: true,
            lines: warned.iter().map(|line| styled(WARNING, line)).collect(),
        });
        let mut spare = budget.saturating_sub(used(&self.parts));
        let mut out = String::new();
        for part in self.parts.iter().filter(|part| !part.lines.is_empty()) {
            if part.apart && spare > 0 {
                spare -= 1;
                out.push('\n');
            }
            for line in &part.lines {
                out.push_str(line);
                out.push('\n');
            }
        }
        if spare > 0 {
            out.push('\n');
        }
        for line in &closing {
            out.push_str(&styled(QUIET, line));
            out.push('\n');
        }
        out
    }
}

/// Text wrapped at a width, as lines; each begins with `indent` spaces.
fn lines_of(text: &str, width: usize, indent: usize) -> Vec<String> {
    let wrapped = wrap(text, width, &" ".repeat(indent));
    wrapped.lines().map(|line| fitted(line, width)).collect()
}

/// Text of at most this many columns.
fn fitted(text: &str, columns: usize) -> String {
    let mut kept = text.chars().count();
    let mut short = text.to_string();
    while short.width() > columns && kept > 0 {
        kept -= 1;
        short = shorten(text, kept);
    }
    short
}

fn styled(style: Style, line: &str) -> String {
    format!("{style}{line}{style:#}")
}

/// A label, the highlighted words, and the rest, wrapped beside the label.
fn labelled(label: &str, strong: &str, rest: &str, width: usize) -> Vec<String> {
    // The highlighted words do not break, unless they are too long for that.
    let (strong, before) = if LABELS + strong.width() < width {
        (strong, "")
    } else {
        ("", strong)
    };
    let held = strong.replace(' ', "\u{a0}");
    let rest = format!("{before}{rest}");
    let text = if rest.is_empty() || held.is_empty() || rest.starts_with([',', ':', ';']) {
        format!("{held}{rest}")
    } else {
        format!("{held} {rest}")
    };
    let mut lines = lines_of(&text, width, LABELS);
    if let Some(first) = lines.first_mut() {
        let body = first.trim_start().replacen(
            &held,
            &styled(PRICE, strong),
            usize::from(!held.is_empty()),
        );
        // A label that is too long for its column has a space after it.
        *first = format!(
            "{label:<width$}{body}",
            width = LABELS.max(label.width() + 1)
        );
    }
    lines
}

/// The first `most` of some lines; the last of them ends in an ellipsis if others are left out.
fn cut(mut lines: Vec<String>, most: usize, width: usize) -> Vec<String> {
    if lines.len() > most {
        lines.truncate(most);
        if let Some(last) = lines.last_mut() {
            *last = ellipsis(last, width);
        }
    }
    lines
}

/// A line with an ellipsis at its end, at most `width` columns wide.
fn ellipsis(line: &str, width: usize) -> String {
    let mut kept = line.trim_end().to_string();
    while !kept.is_empty() && kept.width() + 2 > width {
        let at = kept.rfind(' ').unwrap_or_default();
        kept.truncate(at);
    }
    format!(
        "{} …",
        kept.trim_end_matches([',', ';', ':', '.', '…', ' '])
    )
}

/// The warnings that fit into `room` lines, and the number of the others. One that does not fit is cut to the
/// sentences that do; the first is cut within a sentence if it must be.
fn fitting(warnings: &[String], room: usize, width: usize) -> (Vec<String>, usize) {
    let mut lines: Vec<String> = Vec::new();
    for (at, warning) in warnings.iter().enumerate() {
        let left = warnings.len() - at;
        // The next one has a line too, if there is one.
        let own = room.saturating_sub(lines.len() + usize::from(left > 1));
        let own = if at == 0 { own.max(1) } else { own };
        let ends = warning.rmatch_indices(". ").map(|(end, _)| end + 1);
        let texts = std::iter::once(warning.len()).chain(ends);
        let mut wrapped = texts.map(|end| lines_of(&warning[..end], width, 0));
        match wrapped.find(|some| some.len() <= own) {
            Some(some) => lines.extend(some),
            None if at == 0 => lines = cut(lines_of(warning, width, 0), own, width),
            None => return (lines, left),
        }
    }
    (lines, 0)
}

/// The last line, with the number of warnings that are not shown.
fn closing_with(closing: &str, left: usize) -> String {
    let more = match left {
        0 => return closing.into(),
        1 => "1 more warning".into(),
        several => format!("{several} more warnings"),
    };
    closing.replace("All of it:", &format!("All of it, and {more}:"))
}

/// The basis of a price, after an amount.
fn basis(basis: PriceBasis) -> &'static str {
    match basis {
        PriceBasis::Delivered => "shipping included",
        PriceBasis::Item => "without shipping",
    }
}

/// `147.95 EUR`
fn price(made: &Estimate) -> String {
    format!(
        "{} {}",
        amount(&made.currency, made.median),
        made.currency.code
    )
}

/// `129.70 to 168.91 EUR`
fn range(made: &Estimate) -> String {
    format!(
        "{} to {} {}",
        amount(&made.currency, made.low),
        amount(&made.currency, made.high),
        made.currency.code
    )
}

/// `80 % range`
fn range_label(made: &Estimate) -> String {
    format!("{}\u{a0}% range", made.level)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn warnings(number: usize) -> Vec<String> {
        (0..number)
            .map(|n| format!("Warning {n} goes on for more than half of a line of eighty columns, as they do."))
            .collect()
    }

    #[test]
    fn warnings_are_left_out_only_where_they_do_not_fit() {
        let shown = |number, room| fitting(&warnings(number), room, 50);
        assert_eq!(shown(0, 1), (Vec::new(), 0));
        let (lines, left) = shown(2, 4);
        assert_eq!((lines.len(), left), (4, 0));
        let (lines, left) = shown(3, 5);
        assert_eq!((lines.len(), left), (4, 1));
        let (lines, left) = shown(3, 1);
        assert_eq!((lines.len(), left), (1, 2));
        assert!(
            lines[0].ends_with('…') && lines[0].width() <= 50,
            "{lines:?}"
        );
        assert!(shown(1, 1).0[0].ends_with('…'));
        // Whole sentences rather than a part of one.
        let two = [
            "A first sentence that fits. And a second one that is far too long for it.".to_string(),
        ];
        assert_eq!(
            fitting(&two, 1, 50),
            (vec!["A first sentence that fits.".into()], 0)
        );
        assert_eq!(
            closing_with(CLOSING, 2),
            "Not a promise; not tax or legal advice. All of it, and 2 more warnings: --why"
        );
    }

    #[test]
    fn what_gives_way_are_lines_that_may() {
        let mut short = Short::new("A title", 80);
        short.remark("Based on", "one line", 0);
        for _ in 0..11 {
            short.answer("Answer", "1.00 EUR", "and no more", true);
        }
        let text = anstream::adapter::strip_str(&short.text(&warnings(2), CLOSING)).to_string();
        assert_eq!(text.lines().count(), MOST_LINES, "{text}");
        assert!(
            !text.contains("Based on") && text.contains("All of it, and 1 more warning: --why"),
            "{text}"
        );
    }

    #[test]
    fn an_amount_is_not_broken() {
        let lines = labelled(
            "Likely price",
            "1 234 567.00 EUR",
            "on a day that is named at some length",
            40,
        );
        let plain: Vec<String> = lines
            .iter()
            .map(|line| anstream::adapter::strip_str(line).to_string())
            .collect();
        assert_eq!(plain[0], "Likely price  1 234 567.00 EUR on a day");
        assert!(plain.iter().all(|line| line.width() <= 40), "{plain:?}");
    }
}
