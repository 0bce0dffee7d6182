//! The tool's own band, from the rows of a set taken as a book.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use compband::backtest::selfcheck::subject_of;
use compband::band::estimate::{Context, Estimate, estimate_with};
use compband::fit::design::DAYS_PER_MONTH;
use compband::select::{Candidate, Selection};
use compband::settings::Family;
use compband::settings::Settings;
use compband::trade::attributes::{Attribute, Direction, Scale};
use rust_decimal::Decimal;

use super::regression::Band;
use super::sets::{Role, Row, Set};

const TODAY: NaiveDate = NaiveDate::from_ymd_opt(2026, 6, 30).unwrap();
pub const MODEL: &str = "any";
const CHANCE: u8 = 80;

/// A sale: as a comp, and the month it was in.
pub struct Sale {
    comp: Candidate,
    month: f64,
}

/// Default rules of thumb; of the set only its columns and their expected signs.
pub fn settings(set: &Set) -> Settings {
    let mut family = Family {
        models: vec![MODEL.into()],
        attributes: BTreeMap::new(),
    };
    for column in &set.columns {
        let (scale, sign) = match column.role {
            Role::Doubling => (Scale::Doubling, Direction::Either),
            Role::DoublingUp => (Scale::Doubling, Direction::Up),
            Role::DoublingDown => (Scale::Doubling, Direction::Down),
            Role::Step => (Scale::Unit, Direction::Either),
            Role::StepUp => (Scale::Unit, Direction::Up),
            Role::StepDown => (Scale::Unit, Direction::Down),
            Role::Price | Role::GradeA | Role::Extra | Role::Variant(_) | Role::Month => continue,
        };
        let attribute = Attribute {
            unit: String::new(),
            scale,
            sign,
            rule: None,
        };
        family.attributes.insert(column.name.into(), attribute);
    }
    let mut settings = Settings::default();
    settings.families.insert("set".into(), family);
    // Draws take no notice of time, so age says nothing; the trend does.
    settings.estimate.half_life_days = f64::INFINITY;
    settings
}

fn decimal(value: f64, places: u32) -> Decimal {
    Decimal::from_f64_retain(value)
        .expect("a number")
        .round_dp(places)
}

/// What a row of the set says of a sale.
pub fn sale(set: &Set, row: &Row) -> Sale {
    let (mut comp, mut month) = (Candidate::blank(Decimal::ONE), 0.0);
    for (column, &value) in set.columns.iter().zip(&row.cells) {
        let name = column.name;
        match column.role {
            Role::Price => comp.paid = decimal(value, 2),
            Role::GradeA => comp.grade = if value == 1.0 { "A" } else { "B" }.into(),
            Role::Extra => comp.extras.add(name, value as u32),
            Role::Variant(_) => comp.variant = format!("{name} {value}"),
            Role::Month => month = value,
            Role::Doubling
            | Role::DoublingUp
            | Role::DoublingDown
            | Role::Step
            | Role::StepUp
            | Role::StepDown => {
                comp.attributes.set(name, decimal(value, 6));
            }
        }
    }
    Sale { comp, month }
}

/// Comps as of the month of the target, each price times its factor.
pub fn selection(comps: &[&Sale], target: &Sale, factors: &[f64]) -> Selection {
    let candidates: Vec<Candidate> = comps
        .iter()
        .zip(factors)
        .enumerate()
        .map(|(i, (sale, factor))| {
            let age = ((target.month - sale.month) * DAYS_PER_MONTH).round() as i32;
            let factor = Decimal::from_f64_retain(*factor).expect("a factor");
            Candidate {
                comp_id: format!("c{i:03}"),
                age_days: Some(age),
                sold_on: Some(TODAY - chrono::Duration::days(age.into())),
                paid: sale.comp.paid * factor,
                ..sale.comp.clone()
            }
        })
        .collect();
    Selection {
        seen: candidates.len(),
        candidates,
        ..Selection::empty(MODEL)
    }
}

/// The estimate of the target from its comps, each price times its factor, and from what other
/// models say.
pub fn estimate(
    comps: &[&Sale],
    target: &Sale,
    settings: &Settings,
    factors: &[f64],
    context: &Context,
) -> Estimate {
    let subject = subject_of(MODEL, &target.comp);
    let selection = selection(comps, target, factors);
    estimate_with(context, selection, &subject, settings, TODAY, CHANCE).expect("an estimate")
}

/// Its 80 % band.
pub fn band(
    comps: &[&Sale],
    target: &Sale,
    settings: &Settings,
    factors: &[f64],
    context: &Context,
) -> Band {
    let made = estimate(comps, target, settings, factors, context);
    made.outcome.band(f64::from(CHANCE) / 100.0)
}
