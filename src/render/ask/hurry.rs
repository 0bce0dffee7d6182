//! Money of an asking price in words, and the asking prices of sellers in less and in more of a hurry.

use rust_decimal::Decimal;

use crate::app::ask::{Asking, Basis, Variant};
use crate::app::practice::Earns;
use crate::deal::earning::WORTH;
use crate::render::numbers::{amount, tenths};
use crate::render::prose::table;
use crate::render::table::text_and_numbers;
use crate::trade::Currency;

impl Basis<'_> {
    /// The currency.
    pub(in crate::render) fn currency(&self) -> &Currency {
        &self.made.currency
    }

    /// An amount of money.
    pub(in crate::render) fn money(&self, value: Decimal) -> String {
        amount(self.currency(), value)
    }

    /// An amount of money; `nothing` for zero.
    pub(in crate::render) fn money_or_nothing(&self, value: Decimal) -> String {
        if value.is_zero() {
            "nothing".into()
        } else {
            self.money(value)
        }
    }

    /// `, EUR`, to follow a heading.
    pub(in crate::render) fn in_currency(&self) -> String {
        format!(", {}", self.currency().code)
    }
}

/// The asking prices of sellers in no hurry and in a hurry, beside the usual one.
pub(super) fn sellers(out: &mut String, content: &Asking<'_>, width: Option<u16>) {
    let rows = hurries(content);
    if rows.is_empty() {
        return;
    }
    let head = (
        "If you are in less or more of a hurry",
        &*content.basis.in_currency(),
    );
    table(out, head, &text_and_numbers(HURRIES), rows, width);
}

/// Titles of the columns of [`hurries`].
pub const HURRIES: [&str; 5] = ["seller", "money earns", "ask", "accept at once", "weeks"];

/// A row for each seller: the patient one, the usual one, the hurried one; none if money earns nothing.
pub fn hurries(content: &Asking<'_>) -> Vec<[String; 5]> {
    let base = &content.basis;
    let [patient, hurried] = content.sellers.as_slice() else {
        return Vec::new();
    };
    let usual = (base.per_week, &content.usual);
    let of = |(word, per_week, variant): (&str, f64, &Variant)| {
        [
            word.to_string(),
            format!("{} a week", short_percent(per_week)),
            base.money(variant.ask),
            base.money(variant.at_once),
            tenths(variant.weeks),
        ]
    };
    [
        ("patient", patient.0, &patient.1),
        ("as planned", usual.0, usual.1),
        ("in a hurry", hurried.0, &hurried.1),
    ]
    .map(of)
    .to_vec()
}

/// Return on the money of a sale in words: per week and per year, and its source.
pub(super) fn earns(earns: &Earns) -> String {
    let (week, year) = (
        short_percent(earns.per_week()),
        short_percent(earns.per_year()),
    );
    let source = match earns {
        Earns::PerYear(_) => "as said".to_string(),
        Earns::Rule(_) => "the rule of thumb".to_string(),
        Earns::Ledger { recorded, rule, .. } => format!(
            "{} closed deals earned {} a week in the ledger, and the rule of thumb of {} % counts as {WORTH:.0} more",
            recorded.closed,
            short_percent(recorded.weekly),
            rule.normalize()
        ),
    };
    format!("{week} a week, which is {year} a year ({source})")
}

/// A share in per cent with two digits.
fn short_percent(share: f64) -> String {
    let percent = 100.0 * share;
    let text = if percent.abs() < 10.0 {
        let digits = if percent.abs() < 0.995 { 2 } else { 1 };
        let text = format!("{percent:.digits$}");
        text.trim_end_matches('0').trim_end_matches('.').to_string()
    } else {
        format!("{percent:.0}")
    };
    format!("{text} %").replace('-', "−")
}
