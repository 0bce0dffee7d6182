//! The sections of a unit that are based on its comps: adjustments, comps, past estimates.

use chrono::Datelike;
use maud::{Markup, html};
use rust_decimal::prelude::ToPrimitive;

use super::page::{Check, Unit};
use crate::backtest::selfcheck::LEVELS;
use crate::backtest::verdict::Standing;
use crate::band::estimate::{Adjustment, Estimate, Spread};
use crate::render::html::{Cell, Column, Place, Table, list, paragraphs, prose};
use crate::render::numbers::{about, amount, change, percent_change};
use crate::render::sheet::{
    IMPLIED, LEGEND, Named, checked, condition, listed, mark, range, unlisted, used_and_dropped,
};

/// Most comps listed as not used for one reason.
const LISTED: usize = 12;

pub(super) fn adjustments(place: Place, made: &Estimate) -> Markup {
    if made.adjustments.is_empty() {
        return Markup::default();
    }
    let pooled = made.adjustments.iter().any(|a| a.others.is_some());
    let mut columns = vec![
        ("What", Column::Head),
        ("This unit", Column::Line),
        ("Used", Column::Number),
        ("In per cent", Column::Number),
        (
            if pooled { "Rule" } else { "Rule of thumb" },
            Column::Number,
        ),
    ];
    columns.extend(pooled.then_some(("Others", Column::Number)));
    columns.extend([
        (if pooled { "Comps" } else { "Your comps" }, Column::Number),
        ("Sales that tell", Column::Number),
        ("From this model's sales", Column::Number),
    ]);
    let table = Table {
        id: "adjustments",
        caption: &format!(
            "{}: effect of each on this unit's price, all else the same; ranges hold the middle 80 %.",
            made.currency.code
        ),
        sortable: true,
        columns,
        rows: made
            .adjustments
            .iter()
            .map(|a| (adjustment(made, a, pooled), false))
            .collect(),
    };
    let markup = html! {
        (table.render(place))
        @if pooled { (small(&[LEGEND])) }
    };
    place.section("Adjustments", &markup)
}

fn adjustment(made: &Estimate, a: &Adjustment, pooled: bool) -> Vec<Cell> {
    let spread = |spread: Option<&Spread>| {
        spread.map_or_else(
            || Cell::number("–", None),
            |spread| Cell::number(range(made, spread), Some(spread.value)),
        )
    };
    let mut cells = vec![
        Cell::text(&a.label),
        Cell::text(match mark(made, a) {
            "" => "",
            IMPLIED => "by its completeness",
            _ => "applies",
        }),
        Cell::number(change(&made.currency, a.used.value), Some(a.used.value)),
        Cell::number(percent_change(a.used_percent), Some(a.used_percent)),
        spread(Some(&a.rule)),
    ];
    if pooled {
        cells.push(spread(a.others.as_ref().map(|others| &others.spread)));
    }
    cells.push(spread(a.comps.as_ref()));
    cells.push(Cell::number(
        a.informed_by.to_string(),
        a.informed_by.to_f64(),
    ));
    cells.push(Cell::number(
        format!("{:.0} %", 100.0 * a.from_comps),
        Some(a.from_comps),
    ));
    cells
}

pub(super) fn comps(unit: &Unit<'_>) -> Markup {
    let made = unit.estimate;
    if made.comps.is_empty() {
        return Markup::default();
    }
    let (used, dropped) = used_and_dropped(made, unit.ids);
    let (shown, hidden) = listed(&dropped, LISTED);
    let mut columns = vec![
        ("Sold", Column::Line),
        ("Id", Column::Head),
        ("Paid", Column::Number),
        ("Adjusted", Column::Number),
        ("Weight", Column::Number),
        ("Condition", Column::Text),
    ];
    columns.extend((!shown.is_empty()).then_some(("Not used because", Column::Text)));
    let table = Table {
        id: "comps",
        caption: &format!(
            "{}: adjusted is the price adjusted to this unit and date.",
            made.currency.code
        ),
        sortable: true,
        columns,
        rows: used
            .iter()
            .chain(&shown)
            .map(|named| (comp(made, *named), named.0.comp.dropped.is_some()))
            .collect(),
    };
    let markup = html! {
        p.small data-sorts hidden { "The heads of the columns sort the tables." }
        (table.render(unit.place))
        (small(&unlisted(made, 0, &hidden)))
    };
    unit.place.section("Comps", &markup)
}

/// Paragraphs of small print.
fn small<T: AsRef<str>>(texts: &[T]) -> Markup {
    html! {
        @for text in texts { p.small { (prose(text.as_ref())) } "\n" }
    }
}

fn comp(made: &Estimate, (line, id): Named<'_>) -> Vec<Cell> {
    let comp = &line.comp;
    let day = comp.sold_on.map(|day| f64::from(day.num_days_from_ce()));
    let weight = comp.dropped.is_none().then_some(line.weight);
    vec![
        Cell::number(comp.sold_on.map_or("–".into(), |day| day.to_string()), day),
        Cell::text(id),
        Cell::number(amount(&made.currency, comp.paid), comp.paid.to_f64()),
        Cell::number(
            line.adjusted
                .map_or("–".into(), |price| about(&made.currency, price)),
            line.adjusted,
        ),
        Cell::number(weight.map_or("–".into(), |w| format!("{w:.2}")), weight),
        Cell::text(condition(comp)),
        Cell::text(
            comp.dropped
                .map_or(String::new(), |dropped| dropped.reason()),
        ),
    ]
}

pub(super) fn past(unit: &Unit<'_>) -> Markup {
    let coverage = unit.estimate.recalibration.as_ref().map_or_else(
        || {
            "The book's past says nothing of this range: it holds too few sales to judge by, or so many \
             that `compband check` has to go through them first."
                .to_string()
        },
        checked,
    );
    let markup = html! {
        (paragraphs([coverage]))
        @if let Some(check) = unit.check { (figures(unit.place, check)) }
    };
    unit.place.section("How past estimates held", &markup)
}

fn figures(place: Place, check: &Check) -> Markup {
    let percent = |share: f64| format!("{:.0} %", 100.0 * share);
    let rows = LEVELS.iter().zip(&check.figures.coverage);
    let rows = rows.map(|(chance, c)| {
        let (low, high) = (percent(c.interval.low), percent(c.interval.high));
        [
            format!("{chance} %"),
            c.of.to_string(),
            c.covered.to_string(),
            percent(c.share),
            format!("{low} to {high}"),
        ]
    });
    let table = Table::plain(
        "check",
        "Ranges of past estimates of this model, each from what was known before the sale.",
        Column::head_and_numbers(&[
            "Range",
            "Sales",
            "Held",
            "Share",
            "95 % interval of the share",
        ]),
        rows,
    );
    let verdicts = check.verdicts.iter().map(|verdict| {
        let word = match verdict.standing {
            Standing::Holds => "Holds",
            Standing::Open => "Cannot be told yet",
            Standing::Fails => "Fails",
        };
        let advice = verdict.advice.as_ref();
        let advice = advice.map_or(String::new(), |advice| format!(" {advice}"));
        format!("{word}: {}.{advice}", verdict.finding)
    });
    html! {
        (paragraphs([format!("This model: {}.", check.predicted)]))
        (table.render(place))
        (place.subheading("What the figures mean"))
        (list(verdicts))
    }
}
