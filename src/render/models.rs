//! The models of a book as a table.

use super::numbers::count;
use super::prose::fitted;
use super::table::{Grid, Kind};
use crate::app::models::Model;
use crate::settings::Settings;
use crate::trade::Currency;
use crate::trade::comp::PriceBasis;
use crate::trade::money::{MINOR_SCALE, from_minor_units};

/// The table of models.
pub fn table(models: &[Model], settings: &Settings, width: Option<u16>) -> String {
    let currency = &settings.currency;
    let grades: Vec<&str> = settings.grade_names().collect();
    let levels: Vec<&str> = settings.completeness_names().collect();
    let mut sheet = Grid::ranked(&[
        ("model", Kind::Text, 0),
        ("comps", Kind::Number, 0),
        ("first", Kind::Fixed, 2),
        ("last", Kind::Fixed, 1),
        ("lowest", Kind::Number, 1),
        ("median", Kind::Number, 0),
        ("highest", Kind::Number, 1),
        ("for parts", Kind::Number, 3),
        ("grades", Kind::Text, 2),
        ("completeness", Kind::Text, 4),
    ]);
    let day = |day: Option<chrono::NaiveDate>| day.map_or("–".into(), |day| day.to_string());
    let plain = |minor: i64| currency.plain(from_minor_units(minor));
    let price = |minor: Option<i64>| minor.map_or(String::new(), plain);
    for model in models {
        sheet.push(vec![
            model.name.clone(),
            model.comps.to_string(),
            day(model.first),
            day(model.last),
            price(model.lowest),
            model
                .median
                .map_or(String::new(), |median| median_text(median, currency)),
            price(model.highest),
            if model.parts == 0 {
                String::new()
            } else {
                model.parts.to_string()
            },
            listed(&model.grades, &grades),
            listed(&model.levels, &levels),
        ]);
    }
    let basis = match settings.price_basis {
        PriceBasis::Delivered => "with shipping",
        PriceBasis::Item => "without shipping",
    };
    let head = format!(
        "{}; prices in {} {basis}, of single working units",
        count(models.len(), "model"),
        currency.code
    );
    format!("{}\n\n{}", fitted(&head, "", width), sheet.render(width))
}

/// `A 3, B 5, not given 2` in the order of the scale.
fn listed(counts: &[(String, u32)], scale: &[&str]) -> String {
    let number = |name: &str| {
        let found = counts.iter().find(|(word, _)| word == name);
        found.map(|(_, number)| *number)
    };
    let named = scale
        .iter()
        .filter_map(|name| Some(format!("{name} {}", number(name)?)));
    let blank = number("").map(|number| format!("not given {number}"));
    named.chain(blank).collect::<Vec<_>>().join(", ")
}

fn median_text(minor: f64, currency: &Currency) -> String {
    let amount = minor / 10_f64.powi(MINOR_SCALE as i32);
    currency
        .from_statistics(amount)
        .map_or(String::new(), |amount| currency.plain(amount))
}
