//! Warnings about an estimate, in plain words.

use std::collections::BTreeMap;

use rust_decimal::prelude::ToPrimitive;

use super::answer::{Adjustment, CompLine, Estimate, OpenStep, PriceStep};
use super::conflict::Conflict;
use super::undeclared::{Point, explained};
use crate::fit::design::Term;
use crate::select::Dropped;
use crate::settings::{FILE_NAME, Settings};
use crate::trade::attributes::column_name;
use crate::trade::money::grouped;
use crate::trade::text::nearest;

/// Effective number of comps below which an estimate warns that they are few.
const FEW: f64 = 8.0;

/// Share of the weight at which one comp dominates.
const DOMINATES: f64 = 0.4;

/// Spread of single sales, per cent, above which some of them are probably wrong.
const TOO_FAR_APART: f64 = 120.0;

/// Robustness weight below which a comp is named: about five residual scales off.
const ODD: f64 = 0.17;

/// Number of comps from which an undeclared number without effect on their prices is not mentioned.
const ENOUGH_TO_TELL: usize = 40;

/// Most comps named because their price looks mistyped.
const MOST_MISTYPED: usize = 3;

/// Most contradicted rules named.
const MOST_CONTRADICTED: usize = 3;

/// The warnings about an estimate, most serious first.
pub fn warnings(estimate: &Estimate, settings: &Settings) -> Vec<String> {
    let evidence = &estimate.evidence;
    let mut out = misspelt(estimate, settings);
    out.extend(mistyped(estimate));
    out.extend(few(estimate));
    out.extend(evidence.steps.iter().map(stepped));
    out.extend(
        evidence
            .open_step
            .filter(|step| (step.without.ln() - estimate.outcome.median()).abs() >= WORTH_SAYING)
            .map(|step| may_have_stepped(&step, estimate)),
    );
    out.extend(dominated(estimate));
    if evidence.used > 0 && evidence.spread_percent > TOO_FAR_APART {
        out.push(format!(
            "Prices of like units differ by about {:.0} %: too few sales to tell which one is odd. Look for a mistyped price.",
            evidence.spread_percent
        ));
    }
    out.extend(old(estimate, settings));
    out.extend(odd(estimate));
    out.extend(extrapolated(estimate, settings));
    out.extend(trimmed(estimate));
    out.extend(contradicted(estimate, settings));
    out.extend(undeclared(estimate, settings));
    if !evidence.settled {
        out.push("The calculation did not settle: take the figures as rough.".into());
    }
    if evidence.used > 0 && evidence.effective < FEW && estimate.level >= 95 {
        out.push(format!(
            "A {} % range from so few sales rests on an assumed shape of prices.",
            estimate.level
        ));
    }
    out
}

/// Warns that the comps are few, or that there are none.
fn few(estimate: &Estimate) -> Option<String> {
    let evidence = &estimate.evidence;
    if evidence.used == 0 && estimate.working.is_none() {
        return Some(
            "No sale was used: this is your rule of thumb for its price and nothing else.".into(),
        );
    }
    (evidence.used > 0 && evidence.effective < FEW).then(|| {
        format!(
            "Few sales: {} used, together worth about {:.1} fresh ones. The range is wide because little is known; log more sales.",
            evidence.used, evidence.effective
        )
    })
}

/// Names a comp with a large share of the weight.
fn dominated(estimate: &Estimate) -> Option<String> {
    let (line, share) = dominating(&estimate.comps).filter(|_| estimate.evidence.used > 1)?;
    let day = line.comp.sold_on;
    Some(format!(
        "One sale carries {:.0} % of the weight: {}{}.",
        100.0 * share,
        line.comp.comp_id,
        day.map_or(String::new(), |day| format!(" of {day}"))
    ))
}

/// Warns that the comps are old, or that none is dated.
fn old(estimate: &Estimate, settings: &Settings) -> Vec<String> {
    let evidence = &estimate.evidence;
    let days = |newest: chrono::NaiveDate| (estimate.as_of - newest).num_days();
    let stale = evidence
        .newest
        .map(days)
        .filter(|days| *days > i64::from(settings.estimate.stale_days))
        .map(|days| {
            format!(
                "Stale: the newest sale is {days} days older than the day of the estimate, and the trend is carried on over that time."
            )
        });
    let undated = (evidence.used > 0 && evidence.undated == evidence.used).then(|| {
        "No sale used has a date: how old these prices are is not known, and no trend is seen."
            .into()
    });
    stale.into_iter().chain(undated).collect()
}

/// Names used comps whose price is far from its prediction.
fn odd(estimate: &Estimate) -> Option<String> {
    let odd: Vec<&str> = estimate
        .comps
        .iter()
        .filter(|l| l.comp.dropped.is_none() && !l.comp.pinned && l.fits < ODD)
        .map(|l| l.comp.comp_id.as_str())
        .collect();
    (!odd.is_empty()).then(|| {
        format!(
            "Far from the other sales, yet used, since few are of such a unit: {}. Check the price, or leave it out with --drop.",
            odd.join(", ")
        )
    })
}

/// Warns that many comps were dropped as outliers.
fn trimmed(estimate: &Estimate) -> Option<String> {
    let outlier = |line: &&CompLine| matches!(line.comp.dropped, Some(Dropped::GrossError(_)));
    let trimmed = estimate.comps.iter().filter(outlier).count();
    let all = estimate.evidence.used + trimmed;
    (trimmed * 5 > all).then(|| {
        format!(
            "{trimmed} of {all} sales are not used, since their prices are far off: see whether they are typing errors or another kind of unit."
        )
    })
}

/// Rules of thumb that the comps contradict, and the rules to write instead.
fn contradicted(estimate: &Estimate, settings: &Settings) -> Vec<String> {
    let currency = &settings.currency.code;
    let line = |conflict: &Conflict| {
        let first = &conflict.findings[0];
        let (heading, line) = conflict.instead.line(settings);
        format!(
            "Your {} sales put “{}” at {}; {}. If that holds elsewhere too, write {line} under {heading} in \
             {FILE_NAME}.",
            first.sales,
            conflict.label,
            first.observed().text(currency),
            conflict.rule_words(currency)
        )
    };
    let conflicts = estimate.conflicts.iter();
    conflicts.take(MOST_CONTRADICTED).map(line).collect()
}

/// Numbers recorded for the comps in use that no family declares, if they may affect the price.
fn undeclared(estimate: &Estimate, settings: &Settings) -> Option<String> {
    let mut found: BTreeMap<&str, Vec<Point>> = BTreeMap::new();
    for line in estimate.comps.iter().filter(|l| l.comp.dropped.is_none()) {
        for (name, value) in line.comp.attributes.iter() {
            let point = line
                .adjusted
                .zip(value.to_f64())
                .map(|(price, value)| Point {
                    model: 0,
                    value,
                    miss: price.ln(),
                });
            found.entry(name).or_default().extend(point);
        }
    }
    let model = &estimate.subject.model;
    let differs = |points: &[Point]| {
        let differs = points.iter().any(|point| point.value != points[0].value);
        differs && (points.len() < ENOUGH_TO_TELL || explained(points).is_some())
    };
    let named: Vec<String> = found
        .into_iter()
        .filter(|(name, points)| settings.attribute(model, name).is_none() && differs(points))
        .map(|(name, points)| {
            let sales = if points.len() == 1 { "sale" } else { "sales" };
            format!("{} ({} {sales})", column_name(name), points.len())
        })
        .collect();
    (!named.is_empty()).then(|| {
        format!(
            "Recorded but not declared, so not used: {}. `compband check` says how much each would explain.",
            named.join(", ")
        )
    })
}

/// Change of the likely price (log) from which a possible step is mentioned.
const WORTH_SAYING: f64 = 0.02;

/// Warns of a possible step, and states its effect.
fn may_have_stepped(step: &OpenStep, estimate: &Estimate) -> String {
    let currency = &estimate.currency;
    let without = currency.from_statistics(step.without).unwrap_or_default();
    format!(
        "Prices may have {} by about {:.0} % around {} ({} chances in 100); if not, the likely price is {} {}. More sales will tell.",
        if step.percent < 0.0 {
            "dropped"
        } else {
            "risen"
        },
        step.percent.abs(),
        step.day,
        (100.0 * step.probability).round().clamp(1.0, 99.0),
        grouped(&currency.plain(without)),
        currency.code
    )
}

/// Asks whether a piece or fault of the unit that no comp in use has is one that they, the kit or the rules of
/// thumb have under a name nearly the same.
fn misspelt(estimate: &Estimate, settings: &Settings) -> Vec<String> {
    let unknown = estimate
        .adjustments
        .iter()
        .filter(|a| a.on_unit != 0.0 && a.informed_by == 0);
    unknown
        .filter_map(|a| {
            let (asked, near) = similar(&a.term, estimate, settings)?;
            Some(format!(
                "No sale used has {asked:?}. Did you mean {near:?}?"
            ))
        })
        .collect()
}

/// Names the newest comps whose price looks mistyped.
fn mistyped(estimate: &Estimate) -> Option<String> {
    let named: Vec<String> = estimate
        .comps
        .iter()
        .filter_map(|line| match line.comp.dropped {
            Some(Dropped::GrossError(ratio)) => Some(format!(
                "{} ({ratio:.1} times the others), {}",
                grouped(&estimate.currency.plain(line.comp.paid)),
                line.comp.comp_id
            )),
            _ => None,
        })
        .take(MOST_MISTYPED)
        .collect();
    (!named.is_empty()).then(|| {
        format!(
            "Not used, looks mistyped: {}. `--keep ID` uses it all the same.",
            named.join("; ")
        )
    })
}

/// States that prices stepped.
fn stepped(step: &PriceStep) -> String {
    let change = step.percent.value;
    format!(
        "Prices {} by about {:.0} % around {}: earlier sales are adjusted to the new prices.",
        if change < 0.0 { "dropped" } else { "rose" },
        change.abs(),
        step.day
    )
}

/// The comp with more than [`DOMINATES`] of the weight, and its share.
fn dominating(lines: &[CompLine]) -> Option<(&CompLine, f64)> {
    let total: f64 = lines.iter().map(|line| line.weight).sum();
    lines
        .iter()
        .map(|line| (line, line.weight / total))
        .filter(|(_, share)| *share > DOMINATES)
        .max_by(|a, b| a.1.total_cmp(&b.1))
}

/// Facts of the unit that no comp in use shares.
fn extrapolated(estimate: &Estimate, settings: &Settings) -> Vec<String> {
    let mut out = Vec::new();
    if estimate.evidence.used == 0 && estimate.working.is_none() {
        return out;
    }
    let subject = &estimate.subject;
    let any_used = estimate.evidence.used > 0;
    let used = || {
        estimate
            .comps
            .iter()
            .filter(|l| l.comp.dropped.is_none())
            .map(|l| &l.comp)
    };
    if any_used
        && let Some(grade) = &subject.grade
        && !used().any(|c| crate::trade::names::same(&c.grade, grade))
    {
        let at = settings.grade_index(grade);
        let next_to_it = |a: &&Adjustment| match a.term {
            Term::Grade(step) => Some(step) == at || Some(step + 1) == at,
            _ => false,
        };
        let source = thought(estimate.adjustments.iter().find(next_to_it));
        out.push(format!(
            "No sale used is of grade {grade}: the effect of the grade is {source}."
        ));
    }
    if let Some(working) = estimate.working {
        let price = estimate
            .currency
            .from_statistics(working)
            .unwrap_or_default();
        out.push(format!(
            "Few parts-only sales, so a rule of thumb counts too: {} of the {price} {} that it would sell for working.",
            settings.rules.parts_only, estimate.currency.code
        ));
    }
    for adjustment in &estimate.adjustments {
        let named = matches!(
            adjustment.term,
            Term::Missing(_) | Term::Extra(_) | Term::Defect(_) | Term::Completeness(_)
        );
        if named
            && adjustment.on_unit != 0.0
            && adjustment.informed_by == 0
            && !estimate.is_unstated(adjustment)
        {
            out.push(format!(
                "“{}” rests on {}: the sales used say nothing about it.",
                adjustment.label,
                thought(Some(adjustment))
            ));
        }
    }
    for a in estimate.adjustments.iter().filter(|a| a.informed_by > 0) {
        let counted = matches!(a.term, Term::Missing(_) | Term::Extra(_) | Term::Defect(_));
        if counted && a.on_unit > a.most + 1e-6 {
            out.push(format!(
                "No sale has more than {} of “{}”: what the unit has beyond that is a guess.",
                a.most.round(),
                a.label
            ));
        }
    }
    if any_used && let Some(variant) = &subject.variant {
        let key = crate::trade::names::match_key(variant);
        if !used().any(|c| crate::trade::names::match_key(&c.variant) == key) {
            out.push(format!("No sale used is of the variant {variant:?}."));
        }
    }
    out
}

/// Origin of an adjustment that no comp informs.
fn thought(adjustment: Option<&Adjustment>) -> &'static str {
    match adjustment.and_then(|a| a.others) {
        Some(_) => "a rule of thumb and your other models",
        None => "a rule of thumb",
    }
}

/// The name of a piece or fault, and a similar one of the same kind among the comps, in the kit or in the rules of
/// thumb; none if the kit or the rules have the very name.
fn similar<'a>(
    term: &'a Term,
    estimate: &'a Estimate,
    settings: &'a Settings,
) -> Option<(&'a str, &'a str)> {
    fn name(term: &Term) -> Option<&str> {
        match term {
            Term::Missing(name) | Term::Extra(name) | Term::Defect(name) => Some(name),
            _ => None,
        }
    }
    let asked = name(term)?;
    let same_kind = estimate
        .adjustments
        .iter()
        .filter(|a| {
            a.informed_by > 0 && std::mem::discriminant(&a.term) == std::mem::discriminant(term)
        })
        .filter_map(|a| name(&a.term));
    let pieces = settings
        .kit(&estimate.subject.model)
        .into_iter()
        .filter(|_| matches!(term, Term::Missing(_)))
        .flat_map(|kit| kit.ships_with.iter().map(|(piece, _)| piece));
    let rules = match term {
        Term::Missing(_) => &settings.rules.missing,
        Term::Extra(_) => &settings.rules.extras,
        _ => &settings.rules.defects,
    };
    let declared = pieces.chain(rules.keys().map(String::as_str));
    let known: Vec<&str> = same_kind.chain(declared).collect();
    if known.contains(&asked) {
        return None;
    }
    nearest(asked, known).map(|near| (asked, near))
}
