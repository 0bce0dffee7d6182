//! A page for the phone: one file with the figures and all that shows them, [`crate::app::pocket`].
//!
//! It loads nothing. Its script works with whole minor units; the figures are packed ([`pack`]) and unpacked for one
//! model at a time.

mod pack;

use maud::{DOCTYPE, PreEscaped, html};
use serde::Serialize;
use xxhash_rust::xxh3::xxh3_128;

use self::pack::packed;
use super::html::visible;
use crate::app::pocket::choices::Kind;
use crate::app::pocket::values::CHANCES;
use crate::app::pocket::{Pocket, Sheet};
use crate::trade::comp::PriceBasis;

const LOOK: &str = include_str!("../../../data/look.css");
const STYLE: &str = include_str!("../../../data/pocket/pocket.css");
const SCRIPT: &str = include_str!("../../../data/pocket/pocket.js");

/// Days after which the page asks to be made again, and after which it should not be relied on.
const AGES: [u32; 2] = [30, 90];

/// The figures of the page, `compband.pocket/1`.
#[derive(Debug, Serialize)]
struct Document<'a> {
    schema: &'static str,
    /// Day of the estimates.
    made: String,
    ages: [u32; 2],
    currency: &'a str,
    decimals: u32,
    /// Chance that a sale falls in the range, per cent.
    level: u8,
    /// Chances that a repair succeeds, per cent.
    chances: [u32; CHANCES.len()],
    outlets: Vec<Outlet>,
    models: Vec<Model>,
}

#[derive(Debug, Serialize)]
struct Outlet {
    name: String,
    /// Whether it has prices of its own.
    priced: bool,
}

#[derive(Debug, Serialize)]
struct Model {
    name: String,
    grades: Vec<String>,
    levels: Vec<String>,
    others: Vec<Other>,
    /// Pairs of other choices that are worked out.
    pairs: Vec<[usize; 2]>,
    /// Most other choices at once.
    reach: usize,
    /// The figures, packed.
    figures: String,
}

#[derive(Debug, Serialize)]
struct Other {
    kind: &'static str,
    name: String,
    /// The level that it implies where none is given, plus one.
    implies: usize,
}

/// The page, one HTML file.
///
/// # Errors
/// If the figures cannot be written as JSON.
pub fn page(pocket: &Pocket) -> std::io::Result<String> {
    let figures = serde_json::to_string(&document(pocket))?;
    // In a script element nothing else could end it or begin a comment.
    let figures = figures.replace('<', "\\u003c");
    // The scripts carry a number that depends on the whole content, so that no text of the book can carry it.
    let nonce = format!("{:032x}", xxh3_128(figures.as_bytes()));
    let policy = format!(
        "default-src 'none'; style-src 'nonce-{nonce}'; script-src 'nonce-{nonce}'; base-uri 'none'; form-action 'none'"
    );
    let basis = match pocket.basis {
        PriceBasis::Delivered => "with shipping",
        PriceBasis::Item => "without shipping",
    };
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                title { "What to pay: " (pocket.as_of) }
                style nonce=(nonce) { (PreEscaped(LOOK)) (PreEscaped(STYLE)) }
            }
            body {
                header {
                    h1.unseen { "What to pay for a used unit" }
                    div.which {
                        label.unseen for="model" { "Model" }
                        select id="model" {}
                        button id="clear" type="button" { "Clear" }
                    }
                    p id="age" hidden {}
                    div id="answer" role="status" aria-atomic="true" {
                        div.pair {
                            p { span.label { "Likely price, " (visible(&pocket.currency.code)) } span.number id="likely" { "–" } span.beside id="range" {} }
                            p { span.label { "Pay at most" } span.number id="most" { "–" } span.beside id="kept" {} }
                        }
                        p id="note" {}
                    }
                }
                main id="choices" {
                    noscript { p { "This page works out its figures with JavaScript, which is switched off here." } }
                }
                footer {
                    p {
                        "Made on " time datetime=(pocket.as_of) { (pocket.as_of) } ", by sales up to that day; prices "
                        (basis) ". " (pocket.level) " in 100 such units should sell in the range. "
                        "Pay at most: the highest price that keeps your aims. Not a promise, and not tax or legal advice."
                    }
                }
                script type="application/json" id="figures" { (PreEscaped(figures)) }
                script nonce=(nonce) { (PreEscaped(SCRIPT)) }
            }
        }
    };
    Ok(markup.into_string())
}

fn document(pocket: &Pocket) -> Document<'_> {
    let outlet = |place: &crate::app::pocket::Place| Outlet {
        name: visible(&place.name),
        priced: place.priced,
    };
    Document {
        schema: "compband.pocket/1",
        made: pocket.as_of.to_string(),
        ages: AGES,
        currency: &pocket.currency.code,
        decimals: pocket.currency.decimals(),
        level: pocket.level,
        chances: CHANCES,
        outlets: pocket.places.iter().map(outlet).collect(),
        models: pocket
            .sheets
            .iter()
            .map(|sheet| model(sheet, pocket))
            .collect(),
    }
}

fn model(sheet: &Sheet, pocket: &Pocket) -> Model {
    let names = |names: &[String]| names.iter().map(|name| visible(name)).collect();
    let choices = &sheet.choices;
    let priced: Vec<bool> = pocket.places.iter().map(|place| place.priced).collect();
    let others = choices.others.iter().map(|choice| Other {
        kind: match choice.kind {
            Kind::Variant => "variant",
            Kind::Missing => "missing",
            Kind::Extra => "extra",
            Kind::Defect => "defect",
        },
        name: visible(&choice.name),
        implies: choice.implies,
    });
    let pairs = sheet.others.iter().filter_map(|others| match others[..] {
        [one, other] => Some([one, other]),
        _ => None,
    });
    Model {
        name: visible(&choices.model),
        grades: names(&choices.grades),
        levels: names(&choices.levels),
        others: others.collect(),
        pairs: pairs.collect(),
        reach: sheet.reach,
        figures: packed(&sheet.figures, &priced),
    }
}
