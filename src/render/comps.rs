//! Comps in words: in a line, in a table, and the differences between two records of one.

use super::numbers::count;
use super::prose::fitted;
use super::table::{Grid, Kind};
use crate::settings::Settings;
use crate::trade::text::shorten;
use crate::trade::{Comp, Currency};

/// Mark before an amount converted from another currency.
const CONVERTED: &str = "*";

/// Most converted sales in the notes below the table.
const FOOTNOTES: usize = 10;

/// The comps as a table that is not laid out yet, each with its shortened identifier, and the original amounts of
/// the converted ones.
pub fn grid(
    comps: Vec<Comp>,
    ids: &[String],
    settings: &Settings,
) -> (Grid<'static>, Vec<(String, String)>) {
    let currency = &settings.currency;
    let mut sheet = Grid::ranked(&[
        ("id", Kind::Fixed, 0),
        ("sold on", Kind::Fixed, 0),
        ("unit", Kind::Text, 0),
        ("complete", Kind::Fixed, 1),
        ("grade", Kind::Fixed, 1),
        ("condition", Kind::Text, 2),
        ("price", Kind::Number, 0),
        ("+ship", Kind::Number, 3),
        ("sold by", Kind::Fixed, 4),
        ("venue", Kind::Text, 5),
        ("note", Kind::Text, 6),
    ]);
    let mut converted = Vec::new();
    for (comp, id) in comps.into_iter().zip(ids) {
        let mark = comp.foreign.as_ref().map_or("", |_| CONVERTED);
        let foreign = comp.foreign.as_ref();
        converted.extend(foreign.map(|foreign| (id.clone(), foreign.in_words())));
        sheet.push(vec![
            id.clone(),
            comp.sold_on.map_or("–".into(), |day| day.to_string()),
            if comp.variant.is_empty() {
                comp.model.clone()
            } else {
                format!("{}, {}", comp.model, comp.variant)
            },
            comp.completeness.clone(),
            comp.grade.clone(),
            condition(&comp, settings),
            format!("{mark}{}", currency.exact(comp.price)),
            currency.exact(comp.shipping),
            comp.how_sold.map_or(String::new(), |how| how.to_string()),
            comp.venue,
            comp.note,
        ]);
    }
    (sheet, converted)
}

/// The table of comps, each with its shortened identifier.
pub fn table(comps: Vec<Comp>, ids: &[String], settings: &Settings, width: Option<u16>) -> String {
    let (sheet, converted) = grid(comps, ids, settings);
    format!(
        "Amounts in {}\n\n{}{}",
        settings.currency.code,
        sheet.render(width),
        footnotes(&converted, width)
    )
}

/// The original amounts of the marked ones, one line each, and the number of further ones.
fn footnotes(converted: &[(String, String)], width: Option<u16>) -> String {
    let mut text = String::new();
    for (id, paid) in converted.iter().take(FOOTNOTES) {
        let line = format!("{CONVERTED} {id}: paid {paid}");
        text.push_str(&(fitted(&line, "", width) + "\n"));
    }
    let more = converted.len().saturating_sub(FOOTNOTES);
    if more > 0 {
        let more = count(more, "more converted sale");
        text.push_str(&format!("{CONVERTED} {more}; --csv shows all\n"));
    }
    text
}

/// Missing pieces, extras, defects and other particulars of a unit.
fn condition(comp: &Comp, settings: &Settings) -> String {
    let works = (!comp.works).then(|| "parts only".to_string());
    let declared = |name: &str| settings.attribute(&comp.model, name);
    let unit = |name: &str| declared(name).map_or("", |declared| declared.unit.as_str());
    let parts: Vec<String> = works.into_iter().chain(particulars(comp, unit)).collect();
    parts.join("; ")
}

/// Lot size, attributes with their units, missing pieces, extras and defects.
fn particulars<'s>(comp: &Comp, unit: impl Fn(&str) -> &'s str) -> Vec<String> {
    let mut parts = Vec::new();
    if comp.lot_size != 1 {
        parts.push(format!("lot of {}", comp.lot_size));
    }
    for (name, value) in comp.attributes.iter() {
        let unit = unit(name);
        parts.push(format!("{name} {value} {unit}").trim_end().to_string());
    }
    for (what, items) in [
        ("missing", &comp.missing),
        ("with", &comp.extras),
        ("defects:", &comp.defects),
    ] {
        if !items.is_empty() {
            parts.push(format!("{what} {}", items.to_string().replace("; ", ", ")));
        }
    }
    parts
}

/// The differences between two records of a sale, one change each: `price 12.00 → 13.50`.
pub fn changes(old: &Comp, new: &Comp) -> Vec<String> {
    let shown = |comp: &Comp, column: &str, cell: &str| {
        let currency = Currency {
            code: comp.currency.clone(),
        };
        match column {
            "price" => currency.exact(comp.price),
            "shipping" => currency.exact(comp.shipping),
            _ if cell.is_empty() => "(blank)".to_string(),
            _ => shorten(cell, 60),
        }
    };
    old.changes(new)
        .iter()
        .map(|(column, was, is)| {
            let (was, is) = (shown(old, column, was), shown(new, column, is));
            format!("{column} {was} → {is}")
        })
        .collect()
}

/// A comp in one line.
pub fn line(comp: &Comp) -> String {
    let currency = Currency {
        code: comp.currency.clone(),
    };
    let kind = [&comp.variant, &comp.completeness, &comp.grade].into_iter();
    let kind: Vec<String> = kind
        .filter(|text| !text.is_empty())
        .cloned()
        .chain(particulars(comp, |_| ""))
        .collect();
    let how = comp.how_sold.map(|how| how.to_string());
    let venue = Some(comp.venue.clone()).filter(|venue| !venue.is_empty());
    let sold: Vec<String> = how.into_iter().chain(venue).collect();
    let sold = match sold.join(", ") {
        none if none.is_empty() => none,
        some => format!(" ({some})"),
    };
    let kind: String = kind.iter().map(|text| format!(", {text}")).collect();
    let day = comp
        .sold_on
        .map_or("on a day not recorded".to_string(), |day| day.to_string());
    let parts = if comp.works { "" } else { ", parts only" };
    let paid = comp.foreign.as_ref().map_or(String::new(), |foreign| {
        format!(" (paid {})", foreign.paid())
    });
    format!(
        "{}: {}{kind}{parts}, sold {day} for {} {} + {} shipping{paid}{sold}",
        comp.comp_id,
        comp.model,
        currency.exact(comp.price),
        comp.currency,
        currency.exact(comp.shipping)
    )
}
