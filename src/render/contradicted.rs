//! Rules of thumb that the sales of a book contradict.

use std::fmt::Write;

use super::numbers::count;
use super::prose::{sentence, wrap};
use crate::band::conflict::Conflict;
use crate::settings::statement::{Section, sections, text};
use crate::settings::{FILE_NAME, Settings};

/// Most models named for one rule.
const NAMED: usize = 4;

/// The sections of the settings with the proposed rules.
pub(super) fn instead(conflicts: &[Conflict], settings: &Settings) -> Vec<Section> {
    let statements: Vec<_> = conflicts.iter().map(|c| c.instead.clone()).collect();
    sections(&statements, settings)
}

/// One sentence about them that ends with `more`, a reference to more (`--figures says`); none if no rule is contradicted.
pub fn note(conflicts: &[Conflict], more: &str) -> Option<String> {
    let named = conflicts.iter().take(NAMED);
    let mut labels: Vec<&str> = named.map(|c| c.label.as_str()).collect();
    if conflicts.len() > NAMED {
        labels.push("…");
    }
    (!conflicts.is_empty()).then(|| {
        format!(
            "Your sales contradict {} of thumb ({}): {more} what to write instead.",
            count(conflicts.len(), "rule"),
            labels.join(", ")
        )
    })
}

/// The section of a check; empty if no rule is contradicted.
pub fn section(conflicts: &[Conflict], settings: &Settings, width: usize) -> String {
    if conflicts.is_empty() {
        return String::new();
    }
    let code = &settings.currency.code;
    let mut out = wrap("Rules that your sales contradict:", width, "") + "\n";
    for conflict in conflicts {
        let against = &conflict.findings[..conflict.against];
        let finding = match against {
            [one] => format!(
                "{}: your {} of {} put it at {}; {}",
                conflict.label,
                count(one.sales, "sale"),
                one.model,
                one.observed().text(code),
                conflict.rule_words(code)
            ),
            several => {
                let named = several.iter().take(NAMED);
                let named: Vec<String> = named
                    .map(|one| format!("{} at {}", one.model, one.observed().text(code)))
                    .collect();
                let more = if several.len() > NAMED { ", …" } else { "" };
                let sales = several.iter().map(|one| one.sales).sum::<usize>();
                format!(
                    "{}: your {} put it elsewhere for {} ({}{more}); {}",
                    conflict.label,
                    count(sales, "sale"),
                    count(several.len(), "model"),
                    named.join(", "),
                    conflict.rule_words(code)
                )
            }
        };
        sentence(&mut out, &format!("{finding}."), width);
    }
    let advice = format!(
        "Estimates already follow these sales; a better rule helps where sales are few. To change the rules, \
            write these lines into {FILE_NAME}, each under its heading, in place of the old one:"
    );
    let _ = writeln!(out, "{}\n", wrap(&advice, width, ""));
    out.push_str(&text(&instead(conflicts, settings)));
    out
}
