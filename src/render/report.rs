//! The report: one or several estimates as a self-contained HTML page.
//!
//! The page is complete without its script, which only makes tables sortable. It refers to no other
//! file, and its content security policy lets it load none. The policy allows the script by a nonce
//! that is a hash of everything on the page, so that the same estimate gives the same page and no
//! text of a comp can predict the nonce. Colours are those of the charts, and a dark set if the
//! reader's screen prefers one; on paper it is always light.

pub(in crate::render) mod deal;
mod evidence;
mod method;
mod page;

use deal::command;
use evidence::{adjustments, comps, past};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use method::{definitions, facts, made_by};
use xxhash_rust::xxh3::xxh3_128;

use super::html::{Place, list, prose, visible};
use super::numbers::{amount, count};
use super::prose::capitalised;
use super::sheet::{CLOSING, basis, evidence_lines, how_sold, odds, unit};
use crate::band::estimate::Estimate;
pub use deal::{ask_section, bid_section};
pub use page::{Check, Page, Unit};

const STYLE: &str = concat!(
    include_str!("report/page.css"),
    include_str!("../../data/chart.css")
);
const SCRIPT: &str = include_str!("report/sort.js");

/// Class of warnings.
const CARE: Option<&str> = Some("care");

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
    let main = html! { (content(only)) (only.place.section("How it was made", &made)) };
    let body = framed(&title, &under, &main);
    (title, body)
}

/// Title and body of a page about several units: a table of contents, then a part for each.
fn several(page: &Page<'_>) -> (String, Markup) {
    let title = count(page.units.len(), "unit");
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

/// Way of selling and price basis.
fn how(made: &Estimate) -> String {
    format!("{} ({})", how_sold(&made.subject), basis(made.basis))
}

/// The units with their prices, each with a link to its part.
fn contents(page: &Page<'_>) -> Markup {
    let price = |made: &Estimate| {
        let median = amount(&made.currency, made.median);
        visible(&format!("{median} {}", made.currency.code))
    };
    let band = |made: &Estimate| {
        let money = |value| amount(&made.currency, value);
        let (low, high) = (money(made.low), money(made.high));
        prose(&format!("{} % range {low} to {high}", made.level))
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

/// The part about one of several units.
fn part(unit: &Unit<'_>) -> Markup {
    let made = definitions(&facts(unit));
    html! {
        article {
            h2 id=(unit.place.name_id()) dir="auto" { (visible(&unit.title())) }
            p.under {
                (visible(&capitalised(&how(unit.estimate)))) ". "
                a href="#contents" { "Back to the contents" }
            }
            (content(unit))
            (unit.place.section("How it was made", &made))
        }
        "\n"
    }
}

/// Everything about a unit, except the details of the method.
fn content(unit: &Unit<'_>) -> Markup {
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
                dt { (made.level) " % range" }
                dd.band {
                    (money(made.low)) " to " (money(made.high)) " " (code) " "
                    span.odds { (odds(made.level)) }
                }
            }
        }
    };
    place.section("What it will sell for", &facts)
}

fn chart(unit: &Unit<'_>) -> Markup {
    let (made, currency) = (unit.estimate, &unit.estimate.currency);
    let caption = format!(
        "Above, how likely each price is, with the {} % range from {} to {} {} shaded and the likely price \
         of {} marked; below that each sale as a dot at its price adjusted to this unit and date, hollow where \
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
