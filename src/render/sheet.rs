//! The sheet: an estimate as a person reads it on the terminal.

use std::fmt::Write;

use anstyle::{AnsiColor, Style};

use super::numbers::{about, amount, change, percent_change};
use super::table::plain;
use crate::band::estimate::{Adjustment, CompLine, Estimate, Spread};
use crate::band::outcome::MadeBy;
use crate::book::comp::HowSold;
use crate::book::settings::PriceBasis;
use crate::fit::design::Term;
use crate::select::{Candidate, Subject};

const HEADING: Style = Style::new().bold();
const PRICE: Style = AnsiColor::Green.on_default().bold();
const WARNING: Style = AnsiColor::Yellow.on_default();
const QUIET: Style = Style::new().dimmed();

/// How much of the comps is listed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Listing {
    /// Most comps used that are listed.
    pub used: usize,
    /// Most dropped comps that are listed.
    pub dropped: usize,
    /// Fewest characters of an id that tell every comp of the book apart.
    pub id_width: usize,
}

/// The sheet for a screen `width` columns wide, with ANSI styles.
pub fn sheet(estimate: &Estimate, listing: Listing, width: usize) -> String {
    let mut out = String::new();
    headline(&mut out, estimate);
    evidence(&mut out, estimate, width);
    warnings(&mut out, estimate, width);
    adjustments(&mut out, estimate, width);
    comps(&mut out, estimate, listing, width);
    let closing =
        "An estimate from the sales you recorded, not a promise; not tax or legal advice.";
    let _ = writeln!(out, "\n{QUIET}{}{QUIET:#}", wrap(closing, width, ""));
    out
}

/// The unit in words: `Nerrow F4, grade B, usable, charger missing`.
pub fn unit(subject: &Subject) -> String {
    let mut parts = vec![subject.model.clone()];
    parts.extend(subject.variant.iter().cloned());
    if !subject.works {
        parts.push("for parts".into());
    }
    parts.extend(subject.grade.iter().map(|g| format!("grade {g}")));
    parts.extend(subject.completeness.iter().cloned());
    let counted = |name: &str, count: u32| {
        if count > 1 {
            format!("{count} {name}")
        } else {
            name.to_string()
        }
    };
    parts.extend(
        subject
            .missing
            .iter()
            .map(|(name, count)| format!("{} missing", counted(name, count))),
    );
    parts.extend(
        subject
            .extras
            .iter()
            .map(|(name, count)| format!("with {}", counted(name, count))),
    );
    parts.extend(
        subject
            .defects
            .iter()
            .map(|(name, count)| counted(name, count)),
    );
    parts.join(", ")
}

/// What the price means.
pub fn basis(basis: PriceBasis) -> &'static str {
    match basis {
        PriceBasis::Delivered => "delivered: price and shipping",
        PriceBasis::Item => "item only, without shipping",
    }
}

/// The chance of a band as a count of sales: `4 sales in 5`.
fn odds(chance: u8) -> String {
    match chance {
        50 => "1 sale in 2".into(),
        75 => "3 sales in 4".into(),
        80 => "4 sales in 5".into(),
        90 => "9 sales in 10".into(),
        95 => "19 sales in 20".into(),
        other => format!("{other} sales in 100"),
    }
}

fn headline(out: &mut String, estimate: &Estimate) {
    let currency = &estimate.currency;
    let money = |value| amount(currency, value);
    let sold = estimate.subject.how_sold.unwrap_or(HowSold::Fixed);
    let how = match sold {
        HowSold::Auction => "sold by auction",
        HowSold::Fixed => "sold at a fixed price",
        HowSold::Offer => "sold by an accepted offer",
    };
    let _ = writeln!(out, "{HEADING}{}{HEADING:#}", unit(&estimate.subject));
    let _ = writeln!(
        out,
        "on {}, {how} ({})\n",
        estimate.as_of,
        basis(estimate.basis)
    );
    let label = format!("{} % band", estimate.chance);
    let wide = label.len().max("Likely price".len());
    let _ = writeln!(
        out,
        "  {:wide$}  {PRICE}{} {}{PRICE:#}",
        "Likely price",
        money(estimate.median),
        currency.code
    );
    let _ = writeln!(
        out,
        "  {label:wide$}  {PRICE}{} to {} {}{PRICE:#}   {} of such a unit",
        money(estimate.low),
        money(estimate.high),
        currency.code,
        odds(estimate.chance)
    );
}

fn evidence(out: &mut String, estimate: &Estimate, width: usize) {
    let evidence = &estimate.evidence;
    let _ = writeln!(out, "\n{HEADING}Evidence{HEADING:#}");
    let mut lines = vec![format!(
        "{} of {} comps of the model used; by age and fit they count as {:.1}.",
        evidence.used, evidence.seen, evidence.effective
    )];
    if let (Some(newest), Some(oldest)) = (evidence.newest, evidence.oldest) {
        lines.push(format!("Newest sale {newest}, oldest {oldest}."));
    }
    if evidence.used > 0 {
        let steps: Vec<String> = estimate
            .steps
            .iter()
            .map(|s| format!("{} {}", s.stage.label(), s.brought))
            .collect();
        lines.push(format!("Called in: {}.", steps.join(", then ")));
    }
    if let Some(trend) = evidence.trend_percent {
        lines.push(format!(
            "Trend {} a month ({} to {}).",
            percent_change(trend.value),
            percent_change(trend.low),
            percent_change(trend.high)
        ));
    }
    lines.push(format!(
        "Single sales spread by about {:.0} % around their mark.",
        evidence.spread_percent
    ));
    lines.push(made_by(estimate.made_by));
    lines.extend(
        estimate
            .assumptions
            .iter()
            .map(|a| format!("Not said, so assumed: {a}.")),
    );
    for line in lines {
        let _ = writeln!(out, "{}", wrap(&line, width, "  "));
    }
}

/// What made the band, in words.
pub fn made_by(made_by: MadeBy) -> String {
    match made_by {
        MadeBy::Model => {
            "Band from the model's predictive distribution (too few comps to check it against)."
                .into()
        }
        MadeBy::Residuals { share, comps } => format!(
            "Band: {:.0} % from how far each of {comps} comps fell from what the others said, {:.0} % from the model.",
            100.0 * share,
            100.0 * (1.0 - share)
        ),
    }
}

fn warnings(out: &mut String, estimate: &Estimate, width: usize) {
    if estimate.warnings.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{HEADING}Take care{HEADING:#}");
    for warning in &estimate.warnings {
        let _ = writeln!(out, "{WARNING}{}{WARNING:#}", wrap(warning, width, "  "));
    }
}

fn adjustments(out: &mut String, estimate: &Estimate, width: usize) {
    if estimate.adjustments.is_empty() {
        return;
    }
    let currency = &estimate.currency;
    let range = |spread: &Spread| {
        let (low, high) = if spread.low.abs() <= spread.high.abs() {
            (spread.low, spread.high)
        } else {
            (spread.high, spread.low)
        };
        format!("{} to {}", change(currency, low), change(currency, high))
    };
    let rows = estimate
        .adjustments
        .iter()
        .map(|a| {
            vec![
                format!("{} {}", if applies(a) { "•" } else { " " }, a.label),
                range(&a.rule),
                a.comps.as_ref().map_or("–".into(), range),
                change(currency, a.used.value),
                source(a),
            ]
        })
        .collect();
    let _ = writeln!(
        out,
        "\n{HEADING}Adjustments{HEADING:#}, {} on this unit ({}: already in its price)",
        currency.code, "•"
    );
    let header = ["  What", "Rule of thumb", "Your comps", "Used", "From"];
    let _ = writeln!(out, "{}", plain(&header, rows, &[1, 2, 3], width));
}

fn applies(adjustment: &Adjustment) -> bool {
    adjustment.on_unit != 0.0 && adjustment.term != Term::Trend
}

fn source(adjustment: &Adjustment) -> String {
    let comps = match adjustment.informed_by {
        1 => "1 comp".to_string(),
        n => format!("{n} comps"),
    };
    match adjustment.comps {
        None => "rule".into(),
        Some(_) => format!("{comps}, {:.0} %", 100.0 * adjustment.from_comps),
    }
}

fn comps(out: &mut String, estimate: &Estimate, listing: Listing, width: usize) {
    let currency = &estimate.currency;
    let (used, dropped): (Vec<&CompLine>, Vec<&CompLine>) = estimate
        .comps
        .iter()
        .partition(|line| line.comp.dropped.is_none());
    let _ = writeln!(
        out,
        "\n{HEADING}Comps{HEADING:#}, {}; adjusted is the price brought to this unit and day",
        currency.code
    );
    let cells = |line: &CompLine, weight: String, last: String| {
        vec![
            line.comp.sold_on.to_string(),
            short_id(&line.comp.comp_id, listing.id_width),
            amount(currency, line.comp.paid),
            line.adjusted
                .map_or("–".into(), |price| about(currency, price)),
            weight,
            last,
        ]
    };
    let mut rows: Vec<Vec<String>> = used
        .iter()
        .take(listing.used)
        .map(|line| cells(line, format!("{:.2}", line.weight), condition(&line.comp)))
        .collect();
    rows.extend(dropped.iter().take(listing.dropped).map(|line| {
        let why = line.comp.dropped.map_or(String::new(), |d| d.reason());
        cells(line, "no".into(), why)
    }));
    let header = [
        "Sold",
        "Id",
        "Paid",
        "Adjusted",
        "Weight",
        "Condition, or why not used",
    ];
    let _ = writeln!(out, "{}", plain(&header, rows, &[2, 3, 4], width));
    let hidden = |all: usize, shown: usize, what: &str| {
        (all > shown).then(|| format!("{} more {what}", all - shown))
    };
    let unlisted = estimate.evidence.seen - estimate.comps.len();
    let more: Vec<String> = [
        hidden(used.len(), listing.used, "used"),
        hidden(
            dropped.len() + unlisted,
            listing.dropped.min(dropped.len()),
            "not used",
        ),
    ]
    .into_iter()
    .flatten()
    .collect();
    if !more.is_empty() {
        let _ = writeln!(
            out,
            "{QUIET}… {} (--all-comps, or --json, for every one){QUIET:#}",
            more.join(" and ")
        );
    }
}

/// The first `width` characters of an id that was derived; ids of the user's own whole.
fn short_id(id: &str, width: usize) -> String {
    if id.len() == 14 && width < 14 {
        id.chars().take(width).collect()
    } else {
        id.to_string()
    }
}

/// A comp's condition in a few words.
fn condition(comp: &Candidate) -> String {
    let mut parts: Vec<String> = Vec::new();
    if !comp.works {
        parts.push("for parts".into());
    }
    parts.push(if comp.grade.is_empty() {
        "no grade".into()
    } else {
        comp.grade.clone()
    });
    parts.extend((!comp.completeness.is_empty()).then(|| comp.completeness.clone()));
    parts.extend((!comp.variant.is_empty()).then(|| comp.variant.clone()));
    parts.extend((!comp.missing.is_empty()).then(|| format!("−{}", comp.missing)));
    parts.extend((!comp.extras.is_empty()).then(|| format!("+{}", comp.extras)));
    parts.extend((!comp.defects.is_empty()).then(|| comp.defects.to_string()));
    parts.extend(
        comp.how_sold
            .filter(|h| *h != HowSold::Fixed)
            .map(|h| h.to_string()),
    );
    if comp.pinned {
        parts.push("kept by you".into());
    }
    parts.join(", ")
}

/// `text` broken at spaces to `width` columns, every line after `indent`.
pub fn wrap(text: &str, width: usize, indent: &str) -> String {
    use unicode_width::UnicodeWidthStr;
    let room = width.saturating_sub(indent.len()).max(20);
    let mut wrapped = String::from(indent);
    let mut taken = 0;
    for word in text.split(' ') {
        let needed = word.width();
        if taken > 0 && taken + 1 + needed > room {
            wrapped.push('\n');
            wrapped.push_str(indent);
            taken = 0;
        }
        if taken > 0 {
            wrapped.push(' ');
            taken += 1;
        }
        wrapped.push_str(word);
        taken += needed;
    }
    wrapped
}
