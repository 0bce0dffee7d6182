//! How a report was made: the method, the settings and the files.

use maud::{Markup, html};
use rust_decimal::Decimal;

use super::page::{Page, Unit};
use crate::render::html::visible;
use crate::render::sheet::basis;
use crate::settings::{Errors, PoolFrom};

/// Names and values of facts.
type Facts = Vec<(&'static str, String)>;

pub(super) fn definitions(facts: &Facts) -> Markup {
    html! {
        dl.facts {
            @for (name, value) in facts { dt { (name) } dd { (visible(value)) } "\n" }
        }
    }
}

/// Facts about the origin of the whole page.
pub(super) fn made_by(page: &Page<'_>) -> Facts {
    vec![
        ("Program", format!("compband {}", env!("CARGO_PKG_VERSION"))),
        (
            "Book",
            format!(
                "{:016x}, a hash of its settings and sales: the same book has the same",
                page.fingerprint
            ),
        ),
    ]
}

/// Facts about the inputs of an estimate.
pub(super) fn facts(unit: &Unit<'_>) -> Facts {
    let watched = unit.watched.map(|(name, flags)| {
        [
            ("Watched as", name.to_string()),
            ("Described by", flags.to_string()),
        ]
    });
    let mut facts: Facts = watched.into_iter().flatten().collect();
    facts.extend(estimated_with(unit));
    facts
}

fn estimated_with(unit: &Unit<'_>) -> Facts {
    let (made, settings) = (unit.estimate, unit.settings);
    let e = &settings.estimate;
    let names = |names: Vec<&str>| names.join(", ");
    let steps: Vec<String> = made
        .steps
        .iter()
        .map(|step| format!("{} {}", step.label(), step.brought))
        .collect();
    vec![
        ("Date of the estimate", made.as_of.to_string()),
        ("Currency", made.currency.code.clone()),
        ("Price", basis(made.basis).to_string()),
        ("Range", format!("{} %", made.level)),
        (
            "Search",
            format!(
                "similar sales first, until there are {}; {} days back before the last step",
                e.enough, e.window_days
            ),
        ),
        (
            "Steps taken",
            if steps.is_empty() {
                "none".into()
            } else {
                steps.join(", then ")
            },
        ),
        (
            "Ageing",
            format!("a sale counts half after {} days", e.half_life_days),
        ),
        (
            "Steps in prices",
            format!("expected {} times a year", e.steps_per_year),
        ),
        ("Most sales used", e.most_comps.to_string()),
        ("Errors", errors(e.errors, e.nu)),
        (
            "Mistyped prices",
            "not used if more likely mistyped than right (70 % or more)".into(),
        ),
        (
            "First guess of the spread",
            format!(
                "{} % ({} % for parts), worth {} sales",
                percent(e.spread),
                percent(e.parts_spread),
                e.spread_worth
            ),
        ),
        (
            "Other models",
            match e.pool {
                PoolFrom::Book => "all of the book count".into(),
                PoolFrom::Family => "those of the same family count".into(),
                PoolFrom::None => "do not count".into(),
            },
        ),
        ("Grades", names(settings.grade_names().collect())),
        (
            "Completeness",
            names(settings.completeness_names().collect()),
        ),
    ]
}

fn percent(share: f64) -> Decimal {
    Decimal::from_f64_retain(100.0 * share)
        .unwrap_or_default()
        .round_dp(1)
        .normalize()
}

fn errors(errors: Errors, nu: f64) -> String {
    match errors {
        Errors::StudentT => format!(
            "Student-t with {} degrees of freedom, normal, or some mistyped",
            nu / 2.0
        ),
        Errors::Huber => "Huber's loss".into(),
        Errors::Tukey => "Tukey's biweight".into(),
        Errors::LeastSquares => "least squares".into(),
    }
}
