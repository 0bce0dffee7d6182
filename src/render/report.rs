//! The report: one estimate or several as one page of HTML that needs nothing beside it.
//!
//! The page is whole without its script, which only lets tables be sorted. It names no other file and
//! its content security policy lets it load none; the script is let in by a nonce that is a hash of
//! everything on the page, so that the same estimate makes the same page and no text of a comp can
//! predict it. Colours are those of the charts, and of a dark set where the reader's screen asks
//! for one; on paper it is always light.

use chrono::{Datelike, NaiveDate};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use xxhash_rust::xxh3::xxh3_128;

use super::ask;
use super::bid::{self, Told};
use super::html::{Cell, Column, Place, Table, list, paragraphs, prose, visible};
use super::numbers::{about, amount, change, percent_change};
use super::sheet::{
    CLOSING, LEGEND, Named, applies, basis, checked, condition, evidence_lines, how_sold, listed,
    odds, range, unit,
};
use crate::backtest::selfcheck::{Figures, LEVELS};
use crate::backtest::verdict::{Standing, Verdict};
use crate::band::estimate::{Adjustment, Estimate, Spread};
use crate::deal::bid::{Limit, binding};
use crate::settings::{Errors, PoolFrom, Settings};

const STYLE: &str = include_str!("report/page.css");
const SCRIPT: &str = include_str!("report/sort.js");

/// Class of what asks for care.
const CARE: Option<&str> = Some("care");

/// Most comps that are listed as not used for one reason.
const LISTED: usize = 12;

/// What stands on the page.
#[derive(Debug)]
pub struct Page<'a> {
    /// The units in their order.
    pub units: &'a [Unit<'a>],
    /// What was to be on the page and is not, and why, a sentence each.
    pub absent: &'a [String],
    /// Day of the estimates.
    pub as_of: NaiveDate,
    /// The hash of the book that it was made from.
    pub fingerprint: u64,
    /// The command that makes this page.
    pub command: &'a str,
}

/// What is told of one unit.
#[derive(Debug)]
pub struct Unit<'a> {
    /// Where it stands, which its sections of bid and ask have to be made for.
    pub place: Place,
    /// The name it is watched by, and the flags that describe it.
    pub watched: Option<(&'a str, &'a str)>,
    /// The estimate.
    pub estimate: &'a Estimate,
    /// How each of its comps is named, in its order.
    pub ids: &'a [&'a str],
    /// Its chart as an SVG document that says nothing a user wrote.
    pub chart: &'a str,
    /// The figures of past estimates, where they were asked for.
    pub check: Option<&'a Check>,
    /// What to bid, where that was asked: made by [`bid_section`].
    pub bid: Option<&'a str>,
    /// What to ask, where that was asked: made by [`ask_section`].
    pub ask: Option<&'a str>,
    /// The settings in force.
    pub settings: &'a Settings,
}

impl Unit<'_> {
    /// What it is, behind the name it is watched by.
    fn title(&self) -> String {
        let unit = unit(&self.estimate.subject);
        self.watched
            .map_or_else(|| unit.clone(), |(name, _)| format!("{name}: {unit}"))
    }
}

/// Past estimates of the model held against what was paid.
#[derive(Debug)]
pub struct Check {
    /// How many were predicted, and from what.
    pub told: String,
    /// Their figures.
    pub figures: Figures,
    /// What they mean.
    pub verdicts: Vec<Verdict>,
}

/// The page as a document.
pub fn html(page: &Page<'_>) -> String {
    let (title, body) = match page.units {
        [only] if page.absent.is_empty() => one(page, only),
        _ => several(page),
    };
    let nonce = format!("{:032x}", xxh3_128(body.0.as_bytes()));
    let policy = format!(
        "default-src 'none'; base-uri 'none'; form-action 'none'; style-src 'unsafe-inline'; \
         script-src 'nonce-{nonce}'"
    );
    let document = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="generator" content=(concat!("compband ", env!("CARGO_PKG_VERSION")));
                title { (visible(&title)) ": what it will sell for" }
                style { (PreEscaped(STYLE)) }
            }
            "\n"
            body { (body) script nonce=(nonce) { (PreEscaped(SCRIPT)) } }
        }
        "\n"
    };
    document.into_string()
}

/// Title and body of a page about one unit.
fn one(page: &Page<'_>, only: &Unit<'_>) -> (String, Markup) {
    let title = unit(&only.estimate.subject);
    let mut facts = made_by(page);
    facts.extend(self::facts(only));
    let made = html! { (command(page)) (definitions(&facts)) };
    let under = format!("On {}, {}.", page.as_of, how(only.estimate));
    let main = html! { (told(only)) (only.place.section("How it was made", &made)) };
    let body = framed(&title, &under, &main);
    (title, body)
}

/// Title and body of a page about several: a table of contents, then a part for each.
fn several(page: &Page<'_>) -> (String, Markup) {
    let units = page.units.len();
    let title = format!("{units} unit{}", if units == 1 { "" } else { "s" });
    let whole = Place::WHOLE;
    let made = html! { (command(page)) (definitions(&made_by(page))) };
    let main = html! {
        (contents(page))
        (whole.classed("Not on this page", &list(page.absent), CARE))
        @for unit in page.units { (part(unit)) }
        (whole.section("How this page was made", &made))
    };
    let heading = format!("What {title} will sell for");
    let body = framed(&heading, &format!("On {}.", page.as_of), &main);
    (title, body)
}

/// The body of a page.
fn framed(title: &str, under: &str, main: &Markup) -> Markup {
    html! {
        header {
            h1 dir="auto" { (visible(title)) }
            p.under { (visible(under)) }
        }
        "\n"
        main { (main) }
        footer { p { (CLOSING) } }
    }
}

/// How it is sold and which price is meant.
fn how(made: &Estimate) -> String {
    format!("{} ({})", how_sold(&made.subject), basis(made.basis))
}

/// The units with their prices, each leading to its part.
fn contents(page: &Page<'_>) -> Markup {
    let price = |made: &Estimate| {
        let median = amount(&made.currency, made.median);
        visible(&format!("{median} {}", made.currency.code))
    };
    let band = |made: &Estimate| {
        let money = |value| amount(&made.currency, value);
        let (low, high) = (money(made.low), money(made.high));
        prose(&format!("{} % band {low} to {high}", made.level))
    };
    let nav = html! {
        nav id="contents" aria-label="Units" {
            ul {
                @for unit in page.units {
                    li {
                        a href={ "#" (unit.place.name_id()) } { (visible(&unit.title())) } " "
                        b { (price(unit.estimate)) } " "
                        span { (band(unit.estimate)) }
                    }
                    "\n"
                }
            }
        }
    };
    Place::WHOLE.section("Contents", &nav)
}

/// One unit of several.
fn part(unit: &Unit<'_>) -> Markup {
    let made = definitions(&facts(unit));
    html! {
        article {
            h2 id=(unit.place.name_id()) dir="auto" { (visible(&unit.title())) }
            p.under {
                (visible(&capitalised(&how(unit.estimate)))) ". "
                a href="#contents" { "Back to the contents" }
            }
            (told(unit))
            (unit.place.section("How it was made", &made))
        }
        "\n"
    }
}

/// The text with a capital at its beginning.
pub(super) fn capitalised(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(chars).collect()
    })
}

/// All that is told of a unit but how it was made.
fn told(unit: &Unit<'_>) -> Markup {
    let (place, made) = (unit.place, unit.estimate);
    html! {
        (headline(place, made))
        (place.classed("Take care", &list(&made.warnings), CARE))
        (chart(unit))
        (place.section("What it rests on", &list(evidence_lines(made))))
        (adjustments(place, made))
        (comps(unit))
        (past(unit))
        (PreEscaped(unit.bid.unwrap_or_default()))
        (PreEscaped(unit.ask.unwrap_or_default()))
    }
}

fn headline(place: Place, made: &Estimate) -> Markup {
    let money = |value| visible(&amount(&made.currency, value));
    let code = visible(&made.currency.code);
    let facts = html! {
        dl.price {
            div { dt { "Likely price" } dd.likely { (money(made.median)) " " (code) } }
            div {
                dt { (made.level) " % band" }
                dd.band {
                    (money(made.low)) " to " (money(made.high)) " " (code) " "
                    span.odds { (odds(made.level)) " of such a unit" }
                }
            }
        }
    };
    place.section("What it will sell for", &facts)
}

fn chart(unit: &Unit<'_>) -> Markup {
    let (made, currency) = (unit.estimate, &unit.estimate.currency);
    let caption = format!(
        "Above, how likely each price is, with the {} % band from {} to {} {} shaded and the likely price \
         of {} marked; below that each sale as a dot at its price brought to this unit and day, hollow where \
         it was not used. At the bottom the same sales by date, with the trend.",
        made.level,
        amount(currency, made.low),
        amount(currency, made.high),
        currency.code,
        amount(currency, made.median)
    );
    let label = unit.watched.map_or_else(
        || "Chart".to_string(),
        |(name, _)| format!("Chart of {name}"),
    );
    let figure = html! {
        figure {
            div.scroll.chart role="region" aria-label=(visible(&label)) tabindex="0" {
                (PreEscaped(unit.chart))
            }
            figcaption { (prose(&caption)) }
        }
    };
    unit.place
        .section("Where the price is likely to fall", &figure)
}

fn adjustments(place: Place, made: &Estimate) -> Markup {
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
    cells.push(Cell::number(
        format!("{:.0} %", 100.0 * a.from_comps),
        Some(a.from_comps),
    ));
    cells
}

fn comps(unit: &Unit<'_>) -> Markup {
    let made = unit.estimate;
    if made.comps.is_empty() {
        return Markup::default();
    }
    let named = made.comps.iter().zip(unit.ids.iter().copied());
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
    let markup = html! {
        p.small data-sorts hidden { "The heads of the columns sort the tables." }
        (table.render(unit.place))
        (small(&more))
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

fn past(unit: &Unit<'_>) -> Markup {
    let held = unit.estimate.recalibration.as_ref().map_or_else(
        || {
            "The book's past says nothing of this band: it holds too few sales to judge by, or so many \
             that `compband check` has to go through them first."
                .to_string()
        },
        checked,
    );
    let markup = html! {
        (paragraphs([held]))
        @if let Some(check) = unit.check { (figures(unit.place, check)) }
    };
    unit.place.section("How past estimates held", &markup)
}

fn figures(place: Place, check: &Check) -> Markup {
    let percent = |share: f64| format!("{:.0} %", 100.0 * share);
    let rows = LEVELS.iter().zip(&check.figures.coverage);
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
                    c.covered.to_string(),
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
    html! {
        (paragraphs([format!("This model: {}.", check.told)]))
        (table.render(place))
        (place.subheading("What the figures mean"))
        (list(verdicts))
    }
}

/// A note as a sentence.
fn sentence(note: &str) -> String {
    let mut letters = note.chars();
    let first = letters.next().map(|first| first.to_uppercase().to_string());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}

/// The section on what to bid, to stand there.
pub fn bid_section(told: &Told<'_>, place: Place) -> String {
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
    lines.extend(told.unsure.map(sentence));
    let repairs = bid::repair_lines(told);
    let markup = html! {
        (paragraphs(lines))
        (aims(told, place))
        (measures(told, place))
        @if !repairs.is_empty() {
            (place.subheading("Repairs"))
            (paragraphs(repairs))
            div.care { (list(bid::CAUTIONS)) }
        }
    };
    place.section("What to bid", &markup).into_string()
}

/// The section on what to ask and when to stop waiting, to stand there.
pub fn ask_section(told: &ask::Told<'_>, place: Place) -> String {
    let (base, usual) = (&told.basis, &told.usual);
    let currency = &base.made.currency;
    let money = |value| amount(currency, value);
    let left = base.outlet.map_or(String::new(), |outlet| {
        format!(
            " ({} left of it through {outlet})",
            money(usual.left_of_ask)
        )
    });
    let mut lines = vec![
        format!("Ask {} {}{left}.", money(usual.ask), currency.code),
        format!(
            "Take {} {} or more at once.",
            money(usual.at_once),
            currency.code
        ),
    ];
    lines.extend(ask::foreseen(told));
    lines.push(ask::sells(base));
    lines.extend(base.unsure.map(sentence));
    let mut stop = vec![
        "Take the first offer that reaches the lowest to take of its week; week 1 begins on the day of the estimate."
            .to_string(),
    ];
    stop.extend(ask::at_deadline(base));
    let cautions = ask::cautions(told);
    let markup = html! {
        (paragraphs(lines))
        @if !cautions.is_empty() { div.care { (list(cautions)) } }
        (place.subheading("When to stop"))
        (paragraphs(stop))
        (weekly(told, place))
        (place.subheading("Reckoned with"))
        (paragraphs([ask::rates_and_costs(base), ask::DOUBT.to_string()]))
    };
    place.section("What to ask", &markup).into_string()
}

fn weekly(told: &ask::Told<'_>, place: Place) -> Markup {
    let titles = ask::WEEKLY.map(capitalised);
    let [week, rest @ ..] = titles.each_ref().map(String::as_str);
    let mut columns = vec![(week, Column::Head)];
    columns.extend(rest.map(|title| (title, Column::Number)));
    Table {
        id: "weeks",
        caption: &format!(
            "{}: what to ask and the lowest to take, week by week.",
            told.basis.made.currency.code
        ),
        sortable: false,
        columns,
        rows: ask::weekly(told)
            .into_iter()
            .map(|row| (row.map(Cell::text).to_vec(), false))
            .collect(),
    }
    .render(place)
}

fn aims(told: &Told<'_>, place: Place) -> Markup {
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
    .render(place)
}

fn measures(told: &Told<'_>, place: Place) -> Markup {
    let (titles, rows) = bid::measured(told);
    if titles.is_empty() {
        return Markup::default();
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
    .render(place)
}

/// The command that makes the page again.
fn command(page: &Page<'_>) -> Markup {
    html! { pre { code { (visible(page.command)) } } }
}

/// Names of facts and the facts.
type Facts = Vec<(&'static str, String)>;

fn definitions(facts: &Facts) -> Markup {
    html! {
        dl.facts {
            @for (name, value) in facts { dt { (name) } dd { (visible(value)) } "\n" }
        }
    }
}

/// What the page as a whole was made by and from.
fn made_by(page: &Page<'_>) -> Facts {
    vec![
        ("Program", format!("compband {}", env!("CARGO_PKG_VERSION"))),
        (
            "Book",
            format!(
                "{:016x}, a hash of its settings and comps: the same book has the same",
                page.fingerprint
            ),
        ),
    ]
}

/// What an estimate was made with.
fn facts(unit: &Unit<'_>) -> Facts {
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
        ("Day of the estimate", made.as_of.to_string()),
        ("Currency", made.currency.code.clone()),
        ("Price", basis(made.basis).to_string()),
        ("Band", format!("{} %", made.level)),
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
        (
            "Steps in prices",
            format!("thought to come {} times a year", e.steps_per_year),
        ),
        ("Most comps of a fit", e.most_comps.to_string()),
        ("Errors", errors(e.errors, e.nu)),
        (
            "Gross errors",
            "prices that are mistyped with a probability above 70 %".into(),
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
