//! The short sheet of an estimate.

use unicode_width::UnicodeWidthStr;

use super::{CLOSING, Short, basis, fitted, lines_of, price, range, range_label};
use crate::band::estimate::{Effect, Estimate, Source};
use crate::render::numbers::change;
use crate::render::prose::prose_width;
use crate::render::sheet::{based_on, odds, sold_in_any_way, unit};

/// Most effects on the price that are named.
const NAMED: usize = 3;

/// Longest label of an effect beside its amount, in columns.
const LONGEST: usize = 34;

/// The sheet with ANSI styles: unit, likely price, range, assumptions, largest effects on the price, warnings.
pub fn sheet(made: &Estimate, width: Option<u16>) -> String {
    let width = prose_width(width);
    let mut short = Short::new(&unit(&made.subject), width);
    let when = format!(", {}, on {}", basis(made.basis), made.as_of);
    short.answer("Likely price", &price(made), &when, false);
    let means = format!(": {}", odds(made.level));
    short.answer(&range_label(made), &range(made), &means, false);
    if made.evidence.used > 0 {
        short.remark("Based on", &based_on(made), 0);
    }
    let fixed = if sold_in_any_way(made) {
        " (ask/offer: fixed price)"
    } else {
        ""
    };
    short.assumed(made, fixed);
    let effects = made.effects();
    let shown: Vec<&Effect> = effects.iter().take(NAMED).collect();
    if !shown.is_empty() {
        short.push(effect_lines(made, &shown, width), true);
    }
    short.text(&made.warnings, CLOSING)
}

fn effect_lines(made: &Estimate, effects: &[&Effect], width: usize) -> Vec<String> {
    let heading = format!(
        "Largest effects, already in the likely price, {}:",
        made.currency.code
    );
    let mut lines = lines_of(&heading, width, 0);
    let row = |effect: &&Effect| {
        let money = change(&made.currency, effect.money);
        [effect.label.clone(), money, origin(effect.source).into()]
    };
    let cells: Vec<[String; 3]> = effects.iter().map(row).collect();
    let most = |at: usize| {
        let widths = cells.iter().map(|row| row[at].width());
        widths.max().unwrap_or_default()
    };
    let (number, source) = (most(1), most(2));
    let beside = width.saturating_sub(2 + 2 + number + 2 + source);
    let room = width.saturating_sub(2 + 2 + number);
    let one_line = beside >= most(0).min(LONGEST);
    let label = most(0).min(if one_line { beside } else { room });
    for [what, money, whence] in &cells {
        let what = fitted(what, label);
        let pad = " ".repeat(label.saturating_sub(what.width()));
        let line = format!("  {what}{pad}  {money:>number$}");
        if one_line {
            lines.push(format!("{line}  {whence}"));
        } else {
            lines.push(line);
            lines.push(format!("    {whence}"));
        }
    }
    lines
}

/// Source of an effect.
pub(in crate::render) fn origin(source: Source) -> &'static str {
    match source {
        Source::RuleOfThumb => "from a rule of thumb",
        Source::OtherModels => "from your other models",
        Source::Both => "from sales and a rule of thumb",
        Source::Comps => "from this model's sales",
    }
}
