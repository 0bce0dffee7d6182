//! Listings at each outlet side by side.

use std::fmt::Write;

use crate::app::ask::Basis;
use crate::app::places::{Beside, Listed};
use crate::render::sheet::{HEADING, prose_width, wrap};
use crate::render::table::{Grid, Kind};

/// The outlets side by side on the terminal.
pub(super) fn side_by_side(
    out: &mut String,
    base: &Basis<'_>,
    beside: &Beside<'_>,
    width: Option<u16>,
) {
    let titles = BESIDE.iter().zip(KINDS).map(|(title, kind)| (*title, kind));
    let mut grid = Grid::new(&titles.collect::<Vec<_>>());
    for row in beside_rows(base, beside) {
        grid.push(row.to_vec());
    }
    let code = &base.currency().code;
    let _ = writeln!(out, "\n{HEADING}Side by side{HEADING:#}, {code}");
    out.push_str(&grid.render(width));
    let prose = prose_width(width);
    let _ = writeln!(out, "{}", wrap(COUNTED, prose, "  "));
    if beside.pair.is_some() {
        let _ = writeln!(out, "{}", wrap(STREAMS, prose, "  "));
    }
}

/// Titles of the columns of [`beside_rows`].
pub(in crate::render) const BESIDE: [&str; 6] = [
    "list at",
    "ask",
    "accept at once",
    "weeks",
    "you keep",
    "worth today",
];

const KINDS: [Kind; 6] = [
    Kind::Text,
    Kind::Number,
    Kind::Number,
    Kind::Number,
    Kind::Number,
    Kind::Number,
];

/// A listing at each outlet, best first, and then two at once.
pub(in crate::render) fn beside_rows(base: &Basis<'_>, beside: &Beside<'_>) -> Vec<[String; 6]> {
    let weeks = |weeks: Option<f64>| weeks.map_or("–".into(), |weeks| format!("{weeks:.1}"));
    let one = |one: &Listed<'_>| {
        [
            one.outlet.to_string(),
            base.money(one.ask),
            base.money(one.at_once),
            weeks(one.weeks),
            base.money(one.left),
            base.money(one.value),
        ]
    };
    let pair = beside.pair.iter().map(|pair| {
        [
            pair.outlets.join(" and "),
            "–".into(),
            "–".into(),
            weeks(pair.weeks),
            base.money(pair.left),
            base.money(pair.value),
        ]
    });
    beside.listed.iter().map(one).chain(pair).collect()
}

/// What the outlets are compared by.
pub(in crate::render) const COUNTED: &str = "Fees, postage, returns, waiting and your time are paid for (minutes of an outlet at your wage).";

/// What two listings at once rest on.
pub(in crate::render) const STREAMS: &str = "Who looks at one of the two is taken not to look at the other; an outlet with offers_per_week \
                       of its own has buyers of its own.";
