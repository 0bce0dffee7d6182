//! Listings at each outlet side by side.

use crate::app::ask::Basis;
use crate::app::places::{Beside, Listed};
use crate::render::numbers::tenths;
use crate::render::prose::{prose_width, sentence, table};
use crate::render::table::text_and_numbers;

/// The outlets side by side on the terminal.
pub(super) fn side_by_side(
    out: &mut String,
    base: &Basis<'_>,
    beside: &Beside<'_>,
    width: Option<u16>,
) {
    let head = ("Side by side", &*base.in_currency());
    let rows = beside_rows(base, beside);
    table(out, head, &text_and_numbers(BESIDE), rows, width);
    let prose = prose_width(width);
    sentence(out, COUNTED, prose);
    if beside.pair.is_some() {
        sentence(out, STREAMS, prose);
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

/// A listing at each outlet, best first, and then two at once.
pub(in crate::render) fn beside_rows(base: &Basis<'_>, beside: &Beside<'_>) -> Vec<[String; 6]> {
    let one = |one: &Listed<'_>| {
        [
            one.outlet.to_string(),
            base.money(one.ask),
            base.money(one.at_once),
            tenths(one.weeks),
            base.money(one.left),
            base.money(one.value),
        ]
    };
    let pair = beside.pair.iter().map(|pair| {
        [
            pair.outlets.join(" and "),
            "–".into(),
            "–".into(),
            tenths(pair.weeks),
            base.money(pair.left),
            base.money(pair.value),
        ]
    });
    beside.listed.iter().map(one).chain(pair).collect()
}

/// Costs that the comparison of outlets includes.
pub(in crate::render) const COUNTED: &str = "Fees, postage, returns, waiting and your time are paid for (minutes of an outlet at your wage).";

/// Assumptions about two listings at once.
pub(in crate::render) const STREAMS: &str = "Who looks at one of the two is taken not to look at the other; an outlet with offers_per_week \
                       of its own has buyers of its own.";
