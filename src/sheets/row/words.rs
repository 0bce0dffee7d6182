//! Words in cells of a spreadsheet, with their meanings.

use crate::settings::of_scale;
use crate::sheets::header::Column;
use crate::trade::cells::Wrong;
use crate::trade::comp::HowSold;
use crate::trade::text::nearest;
use crate::trade::{Items, checks};

/// The scale's spelling of a name; `key` is the scale in the settings.
pub(super) fn on_scale<'s>(
    text: &str,
    what: &str,
    key: &str,
    names: impl Iterator<Item = &'s str> + Clone,
) -> Result<&'s str, Wrong> {
    let found = of_scale(names.clone(), text).map(|(_, name)| name);
    found.ok_or_else(|| {
        let near = nearest(text, names.clone()).map_or(String::new(), |near| format!(" (did you mean {near:?}?)"));
        let names: Vec<&str> = names.collect();
        Wrong::new(
            format!("a {what} of the scale: {}{near}", names.join(", ")),
            format!("use one of these, leave the cell blank, or change the scale ({key} in compband.toml)"),
        )
    })
}

/// Names in the model column of rows with totals.
pub(super) const SUMS: &[&str] = &["total", "totals", "grand total", "subtotal", "sum"];

/// Words that mean no in a yes-or-no column and do not count as a grade.
pub(super) const PLAIN_NO: &[&str] = &["no", "n", "false", "0"];
const WORKS_YES: &[&str] = &[
    "yes",
    "y",
    "true",
    "1",
    "working",
    "works",
    "ok",
    "functional",
    "fully working",
    "tested working",
];
pub(super) const WORKS_NO: &[&str] = &[
    "no",
    "n",
    "false",
    "0",
    "broken",
    "parts",
    "parts only",
    "for parts",
    "for parts only",
    "spares",
    "for spares",
    "spares or repair",
    "for parts or repair",
    "parts or repair",
    "for repair",
    "not working",
    "non working",
    "defective",
    "faulty",
    "dead",
];

/// Whether `text` is one of `words`, ignoring case, hyphens, slashes and spacing.
pub(super) fn word(text: &str, words: &[&str]) -> bool {
    if text.len() > 40 || text.is_empty() {
        return false;
    }
    if words.iter().any(|known| known.eq_ignore_ascii_case(text)) {
        return true;
    }
    let folded = crate::trade::items::fold_name(&text.replace(['-', '_', '/'], " "));
    words.contains(&folded.as_str())
}

pub(super) fn works_of(text: &str) -> Result<bool, Wrong> {
    if word(text, WORKS_YES) {
        Ok(true)
    } else if word(text, WORKS_NO) {
        Ok(false)
    } else {
        Err(Wrong::new(
            "yes or no (no: sold for parts)",
            "write yes or no; blank means yes",
        ))
    }
}

pub(super) fn how_sold(text: &str) -> Result<Option<HowSold>, Wrong> {
    const AUCTION: &[&str] = &[
        "auction",
        "bid",
        "bids",
        "bidding",
        "auctioned",
        "highest bid",
    ];
    const FIXED: &[&str] = &[
        "fixed",
        "fixed price",
        "buy now",
        "asking",
        "asking price",
        "full price",
        "list price",
        "set price",
    ];
    const OFFER: &[&str] = &[
        "offer",
        "best offer",
        "accepted",
        "offer accepted",
        "accepted offer",
        "haggled",
        "negotiated",
        "counter offer",
    ];
    if text.is_empty() {
        return Ok(None);
    }
    if let Some(how) = HowSold::parse(text) {
        return Ok(Some(how));
    }
    let known = [
        (AUCTION, HowSold::Auction),
        (FIXED, HowSold::Fixed),
        (OFFER, HowSold::Offer),
    ];
    known
        .into_iter()
        .find(|(words, _)| word(text, words))
        .map(|(_, how)| Some(how))
        .ok_or_else(|| {
            Wrong::new(
                "auction, fixed or offer",
                "write one of these (bids, buy now and best offer are known too), or nothing",
            )
        })
}

pub(super) fn lot_size(text: &str) -> Result<u32, Wrong> {
    if text.is_empty() {
        return Ok(1);
    }
    // Spreadsheets sometimes write whole numbers as 2.0.
    let whole = text
        .split_once(['.', ','])
        .filter(|(_, zeros)| zeros.bytes().all(|b| b == b'0'))
        .map_or(text, |(w, _)| w);
    let digits = whole.bytes().all(|b| b.is_ascii_digit());
    let units = whole.parse().ok().filter(|_| digits).unwrap_or(0);
    checks::units(units)?;
    Ok(units)
}

pub(super) fn items_of(column: Column, text: &str) -> Result<Items, Wrong> {
    if text.is_empty() {
        return Ok(Items::default());
    }
    checks::text(column.name(), text)?;
    Items::parse(text).map_err(|entry| {
        Wrong::new(
            format!(
                "names apart by ;, each with a count from 1 to 999 or none, but {entry:?} is not so"
            ),
            "write it as charger; battery x2",
        )
    })
}
