//! The sheet: an estimate on the terminal.

use std::collections::BTreeMap;
use std::fmt::Write;

use rust_decimal::Decimal;

use super::numbers::{about, amount, change, count, percent_change};
use super::prose::{
    HEADING, PRICE, QUIET, capitalised, heading, prose_width, sentences, small_print, take_care,
    wrap,
};
use super::table::{Grid, Kind};
use crate::band::estimate::{Adjustment, CompLine, Estimate, STATED_NOWHERE, Spread, Unknown};
use crate::band::recalibration::Recalibration;
use crate::fit::term::Fact;
use crate::select::Candidate;
use crate::trade::Unit;
use crate::trade::comp::{HowSold, PriceBasis};

/// Limits of the list of comps.
#[derive(Debug, Clone, Copy)]
pub struct Listing<'a> {
    /// Most used comps in the list.
    pub used: usize,
    /// Most dropped comps in the list for one reason.
    pub dropped: usize,
    /// Name of each comp of the estimate, in its order.
    pub ids: &'a [&'a str],
}

/// Legend of the columns of the adjustments if other models contribute.
pub(super) const LEGEND: &str = "Rule: the rule of thumb; others: your other models added to it; \
     comps: this model's sales alone; used: all of them together, each by how sure it is; \
     n: sales that tell; share: how much of it comes from this model's sales.";

/// A comp with its displayed name.
pub(super) type Named<'a> = (&'a CompLine, &'a str);

/// Last line of every page and sheet of an estimate.
pub(super) const CLOSING: &str =
    "An estimate from the sales you recorded, not a promise; not tax or legal advice.";

/// Last line of the sheets of asking prices and bids.
pub(super) const WORKED_OUT: &str =
    "Worked out from the sales you recorded, not a promise; not tax or legal advice.";

/// Longest label of an adjustment that is not broken.
const SHORT_LABEL: usize = 24;

/// The sheet with ANSI styles, for a screen `width` columns wide. Without a screen, tables are as
/// wide as necessary.
pub fn sheet(estimate: &Estimate, listing: &Listing<'_>, width: Option<u16>) -> String {
    let mut out = String::new();
    let prose = prose_width(width);
    headline(&mut out, estimate, prose);
    evidence(&mut out, estimate, prose);
    take_care(&mut out, &estimate.warnings, prose);
    adjustments(&mut out, estimate, width);
    comps(&mut out, estimate, listing, width);
    out.push('\n');
    small_print(&mut out, CLOSING, prose);
    out
}

/// The unit in words: `Nulva 61K, grade B, usable, charger missing`.
pub fn unit(subject: &Unit) -> String {
    let mut parts = vec![subject.model.clone()];
    parts.extend(subject.variant.iter().cloned());
    if !subject.works {
        parts.push("for parts".into());
    }
    parts.extend(subject.grade.iter().map(|g| format!("grade {g}")));
    parts.extend(subject.completeness.iter().cloned());
    let attributes = subject.attributes.iter();
    parts.extend(attributes.map(|(name, value)| format!("{name} {value}")));
    let counted = |(name, count): (&str, u32)| match count {
        0 | 1 => name.to_string(),
        count => format!("{name} x{count}"),
    };
    let missing = subject.missing.iter().map(counted);
    parts.extend(missing.map(|item| format!("{item} missing")));
    let extras = subject.extras.iter().map(counted);
    parts.extend(extras.map(|item| format!("with {item}")));
    parts.extend(subject.defects.iter().map(counted));
    // Only where prices are apart from those elsewhere.
    let venue = subject.venue.iter();
    parts.extend(venue.map(|outlet| format!("sold at {outlet}")));
    parts.join(", ")
}

/// The way of selling the unit, in words.
pub fn how_sold(subject: &Unit) -> &'static str {
    subject
        .how_sold
        .map_or("sold in a mix of ways", HowSold::phrase)
}

/// The price basis, in words.
pub fn basis(basis: PriceBasis) -> &'static str {
    match basis {
        PriceBasis::Delivered => "delivered: price and shipping",
        PriceBasis::Item => "item only, without shipping",
    }
}

/// `Likely price 147.95 EUR (80 % range 129.70 to 168.91)`; `once` follows the currency.
pub(super) fn likely(made: &Estimate, once: &str) -> String {
    let money = |value| amount(&made.currency, value);
    format!(
        "Likely price {} {}{once} ({} % range {} to {})",
        money(made.median),
        made.currency.code,
        made.level,
        money(made.low),
        money(made.high)
    )
}

/// Meaning of a band of a level: `4 in 5 such units should sell in this range`.
pub(super) fn odds(chance: u8) -> String {
    let units = match chance {
        50 => "1 in 2".into(),
        75 => "3 in 4".into(),
        80 => "4 in 5".into(),
        90 => "9 in 10".into(),
        95 => "19 in 20".into(),
        other => format!("{other} in 100"),
    };
    format!("{units} such units should sell in this range")
}

/// An effective number of sales: `45 fresh ones`.
fn fresh(number: f64) -> String {
    match number {
        few if few < 0.95 => "less than 1 fresh one".into(),
        one if one.round() <= 1.0 => "1 fresh one".into(),
        several => format!("{several:.0} fresh ones"),
    }
}

/// `62 sales; older or odd ones count less: as much as 46 fresh ones`.
pub(super) fn based_on(made: &Estimate) -> String {
    format!(
        "{}; older or odd ones count less: as much as {}",
        count(made.evidence.used, "sale"),
        fresh(made.evidence.effective)
    )
}

/// Assumptions about a unit, in words; none if there are none.
pub(super) fn assumptions(made: &Estimate) -> Option<String> {
    let open: Vec<String> = made.unknown.iter().map(Unknown::words).collect();
    let stated = made.assumptions.iter().filter(|text| !open.contains(text));
    let (unstated, others): (Vec<&str>, Vec<&str>) = stated
        .map(String::as_str)
        .partition(|text| text.ends_with(STATED_NOWHERE));
    let mut texts: Vec<String> = Vec::new();
    if !unstated.is_empty() {
        let facts: Vec<&str> = unstated
            .iter()
            .map(|text| text.strip_suffix(STATED_NOWHERE).unwrap_or(text))
            .collect();
        texts.push(format!("{}{STATED_NOWHERE}", facts.join(", ")));
    }
    texts.extend(others.into_iter().map(String::from));
    let (once, mixed): (Vec<&Unknown>, Vec<&Unknown>) =
        made.unknown.iter().partition(|one| one.stated_by == 1);
    for (facts, whose) in [
        (mixed, "mixed as in the sales used"),
        (once, "as in the one sale that states it"),
    ] {
        let names: Vec<&str> = facts.iter().map(|one| one.fact.label()).collect();
        if !names.is_empty() {
            texts.push(format!("{} {whose}", listed_in_words(&names)));
        }
    }
    if let Some((fact, (now, then))) = made
        .unknown
        .iter()
        .find_map(|one| Some((one.fact.label(), one.narrows()?)))
    {
        texts.push(format!(
            "state the {fact} and the range narrows from ±{now:.0} % to about ±{then:.0} %"
        ));
    }
    (!texts.is_empty()).then(|| texts.join("; "))
}

/// `a, b and c`
fn listed_in_words(names: &[&str]) -> String {
    match names {
        [names @ .., last] if !names.is_empty() => format!("{} and {last}", names.join(", ")),
        names => names.concat(),
    }
}

/// Whether the way of selling is left open, which `ask` and `offer` take for a fixed price.
pub(super) fn sold_in_any_way(made: &Estimate) -> bool {
    let mut unknown = made.unknown.iter();
    unknown.any(|one| one.fact == Fact::HowSold)
}

/// Remark for an estimate whose way of selling is left open.
pub(super) const FIXED_ELSEWHERE: &str = "`ask` and `offer` assume a fixed price";

/// [`assumptions`] as a sentence; empty if there are none.
pub(super) fn assumed(made: &Estimate) -> String {
    assumptions(made).map_or(String::new(), |text| format!("Assumed: {text}."))
}

fn headline(out: &mut String, estimate: &Estimate, width: usize) {
    let currency = &estimate.currency;
    let money = |value| amount(currency, value);
    let how = how_sold(&estimate.subject);
    let title = wrap(&unit(&estimate.subject), width, "");
    let meaning = format!("on {}, {how} ({})", estimate.as_of, basis(estimate.basis));
    let _ = writeln!(
        out,
        "{HEADING}{title}{HEADING:#}\n{}\n",
        wrap(&meaning, width, "")
    );
    let label = format!("{} % range", estimate.level);
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
        "  {label:wide$}  {PRICE}{} to {} {}{PRICE:#}",
        money(estimate.low),
        money(estimate.high),
        currency.code
    );
    let means = wrap(&odds(estimate.level), width, &" ".repeat(wide + 4));
    let _ = writeln!(out, "{means}");
}

fn evidence(out: &mut String, estimate: &Estimate, width: usize) {
    heading(out, "Evidence", "");
    sentences(out, evidence_lines(estimate), width);
}

/// The evidence, one or a few sentences each.
pub(super) fn evidence_lines(estimate: &Estimate) -> Vec<String> {
    let evidence = &estimate.evidence;
    let mut lines = vec![format!(
        "Used: {} of this model's {} sales; older or odd sales count less: together worth about {}.",
        evidence.used,
        evidence.seen,
        fresh(evidence.effective)
    )];
    if let (Some(newest), Some(oldest)) = (evidence.newest, evidence.oldest) {
        let undated = match evidence.undated {
            0 => String::new(),
            1 => " 1 of them has no date: taken as of average age.".to_string(),
            undated => format!(" {undated} of them have no date: taken as of average age."),
        };
        lines.push(format!("Newest sale {newest}, oldest {oldest}.{undated}"));
    }
    if evidence.converted > 0 {
        lines.push(format!(
            "{} of them were paid in another currency, converted at the rate kept with each.",
            evidence.converted
        ));
    }
    if evidence.used > 0 {
        let steps: Vec<String> = estimate
            .steps
            .iter()
            .map(|s| format!("{} {}", s.label(), s.brought))
            .collect();
        lines.push(format!(
            "Sales included, closest first: {}.",
            steps.join(", then ")
        ));
    }
    if evidence.other_models > 0 {
        lines.push(format!(
            "Some adjustments also use {} ({}).",
            count(evidence.other_models, "other model"),
            count(evidence.other_comps, "sale")
        ));
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
        "The likely price is known to about ±{:.0} %. Even like units vary: 4 in 5 sales land within about {:.0} % above or below.",
        evidence.level_percent, evidence.sale_percent
    ));
    lines.extend(estimate.recalibration.map(|own| checked(&own)));
    let assumed = assumed(estimate);
    lines.extend((!assumed.is_empty()).then_some(assumed));
    lines.extend(sold_in_any_way(estimate).then(|| format!("{}.", capitalised(FIXED_ELSEWHERE))));
    lines
}

/// The coverage of past bands, and its effect on this one.
pub fn checked(own: &Recalibration) -> String {
    let change = 100.0 * (own.widening - 1.0);
    let asked = match change.round() {
        0.0 => String::new(),
        change if change > 0.0 => format!(" This range is {change:.0} % wider for it."),
        change => format!(" This range is {:.0} % narrower for it.", -change),
    };
    format!(
        "Checked on your book: {:.0} % of the last {} sales fell in their 80 % range.{asked}",
        100.0 * own.covered as f64 / own.of as f64,
        own.of
    )
}

fn adjustments(out: &mut String, estimate: &Estimate, width: Option<u16>) {
    if estimate.adjustments.is_empty() {
        return;
    }
    let currency = &estimate.currency;
    let range = |spread: &Spread| range(estimate, spread);
    let pooled = estimate.adjustments.iter().any(|a| a.others.is_some());
    let short = estimate
        .adjustments
        .iter()
        .all(|a| a.label.chars().count() <= SHORT_LABEL);
    let mut grid = Grid::ranked(&[
        ("", Kind::Fixed, 0),
        ("what", if short { Kind::Fixed } else { Kind::Text }, 0),
        (
            if pooled { "rule" } else { "rule of thumb" },
            Kind::Number,
            1,
        ),
        ("others", Kind::Number, 2),
        (if pooled { "comps" } else { "your comps" }, Kind::Number, 2),
        ("used", Kind::Number, 0),
        (if pooled { "n" } else { "comps" }, Kind::Number, 4),
        ("share", Kind::Number, 3),
    ]);
    for a in &estimate.adjustments {
        grid.push(vec![
            mark(estimate, a).into(),
            a.label.clone(),
            range(&a.rule),
            match &a.others {
                Some(others) => range(&others.spread),
                None if pooled => "–".into(),
                None => String::new(),
            },
            a.comps.as_ref().map_or("–".into(), range),
            change(currency, a.used.value),
            a.informed_by.to_string(),
            format!("{:.0} %", 100.0 * a.from_comps),
        ]);
    }
    let mut adjustments = estimate.adjustments.iter();
    let implied = if adjustments.any(|a| mark(estimate, a) == IMPLIED) {
        ", ◦ by its completeness"
    } else {
        ""
    };
    let what = format!(
        "{}: effect of each on this unit's price (• applies here{implied})",
        currency.code
    );
    table_heading(out, "Adjustments", &what, width);
    out.push_str(&grid.render(width));
    if pooled {
        small_print(out, LEGEND, prose_width(width));
    }
}

/// A bold word, followed by text about the table below it.
fn table_heading(out: &mut String, word: &str, rest: &str, width: Option<u16>) {
    let line = wrap(&format!("{word}, {rest}"), prose_width(width), "");
    heading(out, word, &line[word.len()..]);
}

/// Both ends of a range of changes.
pub(super) fn range(estimate: &Estimate, spread: &Spread) -> String {
    format!(
        "{} to {}",
        brief(estimate, spread.low),
        brief(estimate, spread.high)
    )
}

/// A change in whole units of money if the unit costs 50 or more: ends of a range need no cents.
fn brief(estimate: &Estimate, amount: f64) -> String {
    if estimate.median < Decimal::from(50) {
        return change(&estimate.currency, amount);
    }
    match amount.round() {
        whole if whole < 0.0 => format!("−{:.0}", -whole),
        whole if whole > 0.0 => format!("+{whole:.0}"),
        _ => "0".into(),
    }
}

/// The mark of what the unit lacks by its completeness.
pub(super) const IMPLIED: &str = "◦";

/// The mark before an adjustment: whether it applies to the unit for certain, and whether that was named.
pub(super) fn mark(estimate: &Estimate, adjustment: &Adjustment) -> &'static str {
    match estimate.applies(adjustment) {
        true if estimate.is_implied(adjustment) => IMPLIED,
        true => "•",
        false => "",
    }
}

fn comps(out: &mut String, estimate: &Estimate, listing: &Listing<'_>, width: Option<u16>) {
    let currency = &estimate.currency;
    let (used, dropped) = used_and_dropped(estimate, listing.ids);
    let mut grid = Grid::ranked(&[
        ("sold", Kind::Fixed, 0),
        ("id", Kind::Fixed, 0),
        ("paid", Kind::Number, 0),
        ("adjusted", Kind::Number, 0),
        ("weight", Kind::Number, 1),
        ("condition, or why not used", Kind::Text, 0),
    ]);
    let (listed, hidden) = listed(&dropped, listing.dropped);
    for (line, id) in used.iter().take(listing.used).chain(&listed) {
        let (weight, last) = match line.comp.dropped {
            None => (format!("{:.2}", line.weight), condition(&line.comp)),
            Some(dropped) => ("not used".into(), dropped.reason()),
        };
        grid.push(vec![
            line.comp.sold_on.map_or("–".into(), |day| day.to_string()),
            id.to_string(),
            amount(currency, line.comp.paid),
            line.adjusted
                .map_or("–".into(), |price| about(currency, price)),
            weight,
            last,
        ]);
    }
    if used.len() + dropped.len() > 0 {
        table_heading(
            out,
            "Comps",
            &format!(
                "{}: adjusted is the price adjusted to this unit and date",
                currency.code
            ),
            width,
        );
        out.push_str(&grid.render(width));
    }
    let more = unlisted(estimate, used.len().saturating_sub(listing.used), &hidden);
    for line in &more {
        let _ = writeln!(out, "{QUIET}… {line}{QUIET:#}");
    }
    if more.len() > usize::from(estimate.evidence.seen > estimate.comps.len()) {
        let _ = writeln!(out, "{QUIET}--all-comps lists them, --json too.{QUIET:#}");
    }
}

/// The comps of an estimate with their displayed names: used ones, and dropped ones.
pub(super) fn used_and_dropped<'a>(
    made: &'a Estimate,
    ids: &[&'a str],
) -> (Vec<Named<'a>>, Vec<Named<'a>>) {
    let named = made.comps.iter().zip(ids.iter().copied());
    named.partition(|(line, _)| line.comp.dropped.is_none())
}

/// The comps that a list leaves out: the number of used ones, of those dropped for each reason, and of those that
/// were not examined.
pub(super) fn unlisted(
    made: &Estimate,
    used: usize,
    dropped: &BTreeMap<String, usize>,
) -> Vec<String> {
    let used = (used > 0).then(|| format!("{used} more used"));
    let dropped = dropped.iter();
    let dropped = dropped.map(|(reason, count)| format!("{count} more not used: {reason}"));
    let unseen = made.evidence.seen - made.comps.len();
    let unseen =
        (unseen > 0).then(|| format!("{unseen} not looked at: there are enough newer sales"));
    used.into_iter().chain(dropped).chain(unseen).collect()
}

/// The listed dropped comps, `most` for each reason (one more rather than hide a single one), and
/// the numbers of the others by reason.
pub(super) fn listed<'a>(
    dropped: &[Named<'a>],
    most: usize,
) -> (Vec<Named<'a>>, BTreeMap<String, usize>) {
    let reason = |line: &CompLine| line.comp.dropped.map_or(String::new(), |d| d.reason());
    let mut left: BTreeMap<String, usize> = BTreeMap::new();
    for (line, _) in dropped {
        *left.entry(reason(line)).or_insert(0) += 1;
    }
    let mut room = left.clone();
    for count in room.values_mut().filter(|count| **count != most + 1) {
        *count = most;
    }
    let mut listed = Vec::new();
    for named in dropped {
        let reason = reason(named.0);
        if let (Some(room), Some(left)) = (room.get_mut(&reason), left.get_mut(&reason))
            && *room > 0
        {
            *room -= 1;
            *left -= 1;
            listed.push(*named);
        }
    }
    left.retain(|_, count| *count > 0);
    (listed, left)
}

/// Condition of a comp in a few words.
pub(super) fn condition(comp: &Candidate) -> String {
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
    parts.extend((!comp.attributes.is_empty()).then(|| comp.attributes.to_string()));
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
