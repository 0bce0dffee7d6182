//! The report: an estimate as one page of HTML that needs nothing beside it.
//!
//! The page is whole without its script, which only lets tables be sorted. It names no other file and
//! its content security policy lets it load none; the script is let in by a nonce that is a hash of
//! everything on the page, so that the same estimate makes the same page and no text of a comp can
//! foretell it. Colours are those of the charts, and of a dark set where the reader's screen asks
//! for one; on paper it is always light.

use std::fmt::Write;

use chrono::Datelike;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use xxhash_rust::xxh3::xxh3_128;

use super::bid::{self, Told};
use super::html::{Cell, Column, Table, escape, list, paragraphs, prose};
use super::numbers::{about, amount, change, percent_change};
use super::sheet::{
    CLOSING, LEGEND, Named, applies, basis, checked, condition, evidence_lines, listed, odds,
    range, unit,
};
use crate::band::estimate::{Adjustment, Estimate, Spread};
use crate::band::selfcheck::{CHANCES, Figures};
use crate::band::verdict::{Standing, Verdict};
use crate::book::comp::HowSold;
use crate::book::settings::{Errors, PoolFrom, Settings};
use crate::deal::bid::{Limit, binding};

const STYLE: &str = include_str!("report/page.css");
const SCRIPT: &str = include_str!("report/sort.js");

/// Most comps that are listed as not used for one reason.
const LISTED: usize = 12;

/// What stands on the page.
#[derive(Debug)]
pub struct Page<'a> {
    /// The estimate.
    pub estimate: &'a Estimate,
    /// How each of its comps is named, in its order.
    pub ids: &'a [&'a str],
    /// Its chart as an SVG document that says nothing a user wrote.
    pub chart: &'a str,
    /// The figures of past estimates, where they were asked for.
    pub check: Option<Check>,
    /// What to bid, where that was asked: made by [`bid_section`].
    pub bid: Option<String>,
    /// The settings in force.
    pub settings: &'a Settings,
    /// The hash of the book that it was made from.
    pub fingerprint: u64,
    /// The command that makes this page.
    pub command: &'a str,
}

/// Past estimates of the model held against what was paid.
#[derive(Debug)]
pub struct Check {
    /// How many were foretold, and from what.
    pub told: String,
    /// Their figures.
    pub figures: Figures,
    /// What they mean.
    pub verdicts: Vec<Verdict>,
}

/// The page as a document.
pub fn html(page: &Page<'_>) -> String {
    let title = unit(&page.estimate.subject);
    let body = body(page, &title);
    let nonce = format!("{:032x}", xxh3_128(body.as_bytes()));
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; base-uri 'none'; \
         form-action 'none'; style-src 'unsafe-inline'; script-src 'nonce-{nonce}'\">\n\
         <meta name=\"generator\" content=\"compband {}\">\n\
         <title>{}: what it will sell for</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n{body}\
         <script nonce=\"{nonce}\">\n{SCRIPT}</script>\n</body>\n</html>\n",
        env!("CARGO_PKG_VERSION"),
        escape(&title),
    )
}

fn body(page: &Page<'_>, title: &str) -> String {
    let made = page.estimate;
    let sold = made.subject.how_sold.unwrap_or(HowSold::Fixed).phrase();
    let sections = [
        headline(made),
        warnings(made),
        chart(page),
        section("What it rests on", &list(evidence_lines(made))),
        adjustments(made),
        comps(page),
        past(page),
        page.bid.clone().unwrap_or_default(),
        reproduce(page),
    ];
    format!(
        "<header>\n<h1 dir=\"auto\">{}</h1>\n<p class=\"under\">On {}, {sold} ({}).</p>\n</header>\n\
         <main>\n{}</main>\n<footer>\n<p>{CLOSING}</p>\n</footer>\n",
        escape(title),
        made.as_of,
        basis(made.basis),
        sections.concat()
    )
}

/// Markup below a heading; nothing where there is none.
fn section(heading: &str, markup: &str) -> String {
    classed(heading, markup, "")
}

fn classed(heading: &str, markup: &str, class: &str) -> String {
    if markup.is_empty() {
        return String::new();
    }
    format!(
        "<section{class}>\n<h2>{}</h2>\n{markup}</section>\n",
        escape(heading)
    )
}

fn headline(made: &Estimate) -> String {
    let money = |value| escape(&amount(&made.currency, value));
    let code = escape(&made.currency.code);
    let facts = format!(
        "<dl class=\"price\">\n<div><dt>Likely price</dt><dd class=\"likely\">{} {code}</dd></div>\n\
         <div><dt>{} % band</dt><dd class=\"band\">{} to {} {code}\
         <span class=\"odds\">{} of such a unit</span></dd></div>\n</dl>\n",
        money(made.median),
        made.chance,
        money(made.low),
        money(made.high),
        odds(made.chance)
    );
    section("What it will sell for", &facts)
}

fn warnings(made: &Estimate) -> String {
    classed("Take care", &list(&made.warnings), " class=\"care\"")
}

fn chart(page: &Page<'_>) -> String {
    let (made, currency) = (page.estimate, &page.estimate.currency);
    let caption = format!(
        "Above, how likely each price is, with the {} % band from {} to {} {} shaded and the likely price \
         of {} marked; below that each sale as a dot at its price brought to this unit and day, hollow where \
         it was not used. At the bottom the same sales by date, with the trend.",
        made.chance,
        amount(currency, made.low),
        amount(currency, made.high),
        currency.code,
        amount(currency, made.median)
    );
    let figure = format!(
        "<figure>\n<div class=\"scroll chart\" role=\"region\" aria-label=\"Chart\" tabindex=\"0\">\n{}</div>\n\
         <figcaption>{}</figcaption>\n</figure>\n",
        page.chart,
        prose(&caption)
    );
    section("Where the price is likely to fall", &figure)
}

fn adjustments(made: &Estimate) -> String {
    if made.adjustments.is_empty() {
        return String::new();
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
        ("Comps that tell", Column::Number),
        ("Their say", Column::Number),
    ]);
    let table = Table {
        id: "adjustments",
        caption: &format!(
            "{}: what one of each changes on this unit, all else the same; ranges hold the middle 80 %.",
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
    let mut markup = table.render();
    if pooled {
        markup.push_str(&small(&[LEGEND]));
    }
    section("Adjustments", &markup)
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
        Cell::text(if applies(a) { "has it" } else { "" }),
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
    cells.push(if a.held {
        Cell::number("held at 0", None)
    } else {
        Cell::number(format!("{:.0} %", 100.0 * a.from_comps), Some(a.from_comps))
    });
    cells
}

fn comps(page: &Page<'_>) -> String {
    let made = page.estimate;
    if made.comps.is_empty() {
        return String::new();
    }
    let named = made.comps.iter().zip(page.ids.iter().copied());
    let (used, dropped): (Vec<Named<'_>>, Vec<Named<'_>>) =
        named.partition(|(line, _)| line.comp.dropped.is_none());
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
            "{}: adjusted is the price brought to this unit and day.",
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
    let mut more: Vec<String> = hidden
        .iter()
        .map(|(reason, count)| format!("{count} more not used: {reason}"))
        .collect();
    let unlisted = made.evidence.seen - made.comps.len();
    if unlisted > 0 {
        more.push(format!(
            "{unlisted} not looked at: as many as are listed came before them"
        ));
    }
    let markup = format!(
        "<p class=\"small\" data-sorts hidden>The heads of the columns sort the tables.</p>\n{}{}",
        table.render(),
        small(&more)
    );
    section("Comps", &markup)
}

/// Paragraphs of small print.
fn small<T: AsRef<str>>(texts: &[T]) -> String {
    let paragraph = |text: &T| format!("<p class=\"small\">{}</p>\n", prose(text.as_ref()));
    texts.iter().map(paragraph).collect()
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

fn past(page: &Page<'_>) -> String {
    let mut markup = match &page.estimate.own {
        Some(own) => paragraphs([checked(own)]),
        None => paragraphs([
            "The book's past says nothing of this band: it holds too few sales to judge by, or so many \
             that `compband check` has to go through them first.",
        ]),
    };
    if let Some(check) = &page.check {
        markup.push_str(&figures(check));
    }
    section("How past estimates held", &markup)
}

fn figures(check: &Check) -> String {
    let percent = |share: f64| format!("{:.0} %", 100.0 * share);
    let rows = CHANCES.iter().zip(&check.figures.coverage);
    let table = Table {
        id: "check",
        caption: "Bands of past estimates of this model, each from what was known before the sale.",
        sortable: false,
        columns: vec![
            ("Band", Column::Head),
            ("Sales", Column::Number),
            ("Held", Column::Number),
            ("Share", Column::Number),
            ("95 % interval of the share", Column::Number),
        ],
        rows: rows
            .map(|(chance, c)| {
                let interval = format!(
                    "{} to {}",
                    percent(c.interval.low),
                    percent(c.interval.high)
                );
                let cells = [
                    format!("{chance} %"),
                    c.of.to_string(),
                    c.held.to_string(),
                    percent(c.share),
                    interval,
                ];
                (cells.map(Cell::text).to_vec(), false)
            })
            .collect(),
    };
    let verdicts = check.verdicts.iter().map(|verdict| {
        let word = match verdict.standing {
            Standing::Holds => "Holds",
            Standing::Open => "Cannot be told yet",
            Standing::Fails => "Fails",
        };
        let advice = verdict.advice.as_ref();
        let advice = advice.map_or(String::new(), |advice| format!(" {advice}"));
        format!("{word}: {}.{advice}", verdict.says)
    });
    format!(
        "{}{}<h3>What the figures mean</h3>\n{}",
        paragraphs([format!("This model: {}.", check.told)]),
        table.render(),
        list(verdicts)
    )
}

/// The section on what to bid.
pub fn bid_section(told: &Told<'_>) -> String {
    let currency = &told.made.currency;
    let money = |value| amount(currency, value);
    let reason = binding(told.limits).map_or(String::new(), |limit| bid::aim(limit.aim, currency));
    let mut lines = vec![match &told.at_most {
        Some(at) => format!(
            "Bid at most {} {}. What binds: {reason}.",
            money(at.bid),
            currency.code
        ),
        None => format!("Not even as a gift. What fails: {reason}."),
    }];
    lines.extend(
        told.asked
            .as_ref()
            .map(|asked| bid::advice(asked, currency)),
    );
    if let (Some(outlet), Some(net)) = (told.outlet, &told.net) {
        lines.push(format!(
            "Through {outlet}, {} of the likely price is left.",
            money(net.net)
        ));
    }
    let mut markup = paragraphs(lines);
    markup.push_str(&aims(told));
    markup.push_str(&measures(told));
    let repairs = bid::repair_lines(told);
    if !repairs.is_empty() {
        let _ = write!(
            markup,
            "<h3>Repairs</h3>\n{}<div class=\"care\">\n{}</div>\n",
            paragraphs(repairs),
            list(bid::CAUTIONS)
        );
    }
    section("What to bid", &markup)
}

fn aims(told: &Told<'_>) -> String {
    let currency = &told.made.currency;
    let binds = binding(told.limits);
    let row = |limit: &Limit| {
        let most = limit
            .most
            .map_or("none".into(), |most| amount(currency, most));
        let mark = if binds == Some(limit) { "binds" } else { "" };
        let cells = [bid::aim(limit.aim, currency), most, mark.to_string()];
        (cells.map(Cell::text).to_vec(), false)
    };
    Table {
        id: "aims",
        caption: &format!("{}: the most to bid that keeps each aim.", currency.code),
        sortable: false,
        columns: vec![
            ("Aim", Column::Head),
            ("Most to bid", Column::Number),
            ("Binds", Column::Text),
        ],
        rows: told.limits.iter().map(row).collect(),
    }
    .render()
}

fn measures(told: &Told<'_>) -> String {
    let (titles, rows) = bid::measured(told);
    if titles.is_empty() {
        return String::new();
    }
    let mut columns = vec![("What it comes to", Column::Head)];
    columns.extend(titles.iter().map(|title| (title.as_str(), Column::Number)));
    Table {
        id: "measures",
        caption: &format!("{}: what may come of it.", told.made.currency.code),
        sortable: false,
        columns,
        rows: rows
            .into_iter()
            .map(|row| (row.into_iter().map(Cell::text).collect(), false))
            .collect(),
    }
    .render()
}

/// What it takes to make the page again.
fn reproduce(page: &Page<'_>) -> String {
    let facts: String = facts(page)
        .into_iter()
        .map(|(name, value)| format!("<dt>{}</dt><dd>{}</dd>\n", escape(name), escape(&value)))
        .collect();
    let markup = format!(
        "<pre><code>{}</code></pre>\n<dl class=\"facts\">\n{facts}</dl>\n",
        escape(page.command)
    );
    section("How it was made", &markup)
}

fn facts(page: &Page<'_>) -> Vec<(&'static str, String)> {
    let (made, settings) = (page.estimate, page.settings);
    let e = &settings.estimate;
    let names = |names: Vec<&str>| names.join(", ");
    let steps: Vec<String> = made
        .steps
        .iter()
        .map(|step| format!("{} {}", step.label(), step.brought))
        .collect();
    vec![
        ("Program", format!("compband {}", env!("CARGO_PKG_VERSION"))),
        (
            "Book",
            format!(
                "{:016x}, a hash of its settings and comps: the same book has the same",
                page.fingerprint
            ),
        ),
        ("Day of the estimate", made.as_of.to_string()),
        ("Currency", made.currency.code.clone()),
        ("Price", basis(made.basis).to_string()),
        ("Band", format!("{} %", made.chance)),
        (
            "Search",
            format!(
                "widened until {} comps are found, {} days back before the last step",
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
            format!("a sale weighs half after {} days", e.half_life_days),
        ),
        ("Most comps of a fit", e.most_comps.to_string()),
        ("Errors", errors(e.errors, e.nu)),
        (
            "Gross errors",
            format!(
                "beyond {} interquartile ranges of log price, adjusted",
                e.fence
            ),
        ),
        (
            "Outliers of the fit",
            format!("a modified z-score above {}", e.modified_z),
        ),
        (
            "Guess of the spread",
            format!(
                "{} % ({} % for parts); comps that it is worth: {}",
                percent(e.spread),
                percent(e.parts_spread),
                e.spread_worth
            ),
        ),
        (
            "Other models",
            match e.pool {
                PoolFrom::Book => "all of the book have a say".into(),
                PoolFrom::Family => "those of the same family have a say".into(),
                PoolFrom::None => "have no say".into(),
            },
        ),
        (
            "Grades",
            names(settings.grades.iter().map(|g| g.name.as_str()).collect()),
        ),
        (
            "Completeness",
            names(
                settings
                    .completeness
                    .iter()
                    .map(|c| c.name.as_str())
                    .collect(),
            ),
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
        Errors::StudentT => format!("Student-t with {nu} degrees of freedom"),
        Errors::Huber => "Huber's loss".into(),
        Errors::Tukey => "Tukey's biweight".into(),
        Errors::LeastSquares => "least squares".into(),
    }
}
