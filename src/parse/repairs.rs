//! Repairs as typed: `new battery: parts 14, minutes 30, success 0.9`, or with a part that is there
//! already: `display: from drawer, success 0.8, spoils 0.5`.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use crate::parse::money::parse_amount;
use crate::parse::quantity::number;
use crate::trade::Currency;
use crate::trade::items::split_count;
use crate::trade::part::part_name;
use crate::trade::repair::{FromDrawer, Repair, ValueFrom};
use crate::trade::text::{excerpt, nearest};

/// Form of a repair, for messages.
pub const FORM: &str = "a repair as \"new battery: parts 14, minutes 30, success 0.9\"";

/// Words of a repair.
const WORDS: [&str; 5] = ["parts", "from", "minutes", "success", "spoils"];

/// Longest repair, in minutes.
const MOST_MINUTES: i64 = 60_000;

/// Reads one repair. `success` is required; parts and minutes default to 0, `spoils` to 1. `from drawer` takes
/// the part that the repair is named after, `from drawer display x2` takes others.
///
/// # Errors
/// The expected form.
pub fn repair(text: &str, currency: &Currency) -> Result<Repair, String> {
    let (what, rest) = text.split_once(':').ok_or(FORM)?;
    if what.trim().is_empty() {
        return Err(FORM.into());
    }
    let mut given: [Option<&str>; WORDS.len()] = [None; WORDS.len()];
    for entry in rest.split(',').map(str::trim).filter(|e| !e.is_empty()) {
        let (word, value) = entry.split_once(char::is_whitespace).ok_or(FORM)?;
        let Some(at) = WORDS
            .iter()
            .position(|known| known.eq_ignore_ascii_case(word))
        else {
            let near = nearest(word, WORDS).map_or(String::new(), |near| {
                format!(", not {}: did you mean {near}?", excerpt(word, 40))
            });
            return Err(format!("{FORM}{near}"));
        };
        if given[at].replace(value.trim()).is_some() {
            return Err(format!("each of {} once", WORDS.join(", ")));
        }
    }
    let [parts, from, minutes, success, spoils] = given;
    if parts.is_some() && from.is_some() {
        return Err("either \"parts 14\", to be bought, or \"from drawer\"".into());
    }
    let success = success.ok_or("the chance that it succeeds, such as \"success 0.9\"")?;
    let share = |text: &str| Ok::<_, String>(chance(text)?.to_f64().unwrap_or_default());
    Ok(Repair {
        parts: parts.map_or(Ok(Decimal::ZERO), |text| money(text, currency))?,
        drawer: from.map(|text| drawn(text, what)).transpose()?,
        minutes: minutes.map_or(Ok(Decimal::ZERO), self::minutes)?,
        success: share(success)?,
        spoils: spoils.map_or(Ok(1.0), share)?,
        what: what.trim().to_string(),
    })
}

/// Reads what follows `from`: `drawer`, or `drawer` and a part with an optional count.
fn drawn(text: &str, what: &str) -> Result<FromDrawer, String> {
    let form = || "\"from drawer\", or \"from drawer display x2\"".to_string();
    let (drawer, part) = text.split_once(char::is_whitespace).unwrap_or((text, what));
    if !drawer.eq_ignore_ascii_case("drawer") {
        return Err(form());
    }
    let (name, count) = split_count(part.trim()).ok_or_else(form)?;
    Ok(FromDrawer {
        name: part_name(&name)?,
        count,
        valued: ValueFrom::Nothing,
    })
}

/// Reads repairs separated by `;`.
///
/// # Errors
/// The expected form of the first invalid one.
pub fn repairs(text: &str, currency: &Currency) -> Result<Vec<Repair>, String> {
    text.split(';')
        .map(str::trim)
        .filter(|entry| !entry.is_empty())
        .map(|entry| repair(entry, currency))
        .collect()
}

fn money(text: &str, currency: &Currency) -> Result<Decimal, String> {
    let amount = parse_amount(text, currency)?;
    if amount.is_sign_negative() {
        return Err("parts that cost 0 or more".into());
    }
    Ok(amount)
}

/// Reads minutes of work.
///
/// # Errors
/// The expected form.
pub fn minutes(text: &str) -> Result<Decimal, String> {
    number(text, "min")
        .filter(|value| (Decimal::ZERO..=Decimal::from(MOST_MINUTES)).contains(value))
        .ok_or_else(|| format!("minutes from 0 to {MOST_MINUTES}"))
}

/// Reads a probability or a share: `0.9` or `90 %`.
///
/// # Errors
/// The expected form.
pub fn chance(text: &str) -> Result<Decimal, String> {
    let value = match text.trim().strip_suffix('%') {
        Some(percent) => number(percent, "").map(|value| value / Decimal::ONE_HUNDRED),
        None => number(text, ""),
    };
    value
        .filter(|value| (Decimal::ZERO..=Decimal::ONE).contains(value))
        .ok_or_else(|| "a share from 0 to 1, or a per cent, such as 0.9 or \"90 %\"".into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn repairs_as_typed() {
        let eur = Currency { code: "EUR".into() };
        let two = repairs(
            "new battery: parts 14, minutes 30, success 0.9; clean jack: success 95 %;",
            &eur,
        )
        .unwrap();
        assert_eq!(two.len(), 2);
        assert_eq!(two[0].what, "new battery");
        assert_eq!(
            (two[0].parts, two[0].minutes),
            (Decimal::from(14), Decimal::from(30))
        );
        assert_eq!((two[0].success, two[1].success), (0.9, 0.95));
        assert!(repairs("", &eur).unwrap().is_empty());
        assert_eq!((two[0].spoils, two[0].drawer.as_ref()), (1.0, None));
        let drawer = repairs(
            "Display: from drawer, success 0.8, spoils 50 %; screen: FROM drawer  display x2, success 1",
            &eur,
        )
        .unwrap();
        let part = |name: &str, count| {
            Some(FromDrawer {
                name: String::from(name),
                count,
                valued: ValueFrom::Nothing,
            })
        };
        assert_eq!(drawer[0].drawer, part("display", 1));
        assert_eq!((drawer[0].spoils, drawer[0].to_buy()), (0.5, Decimal::ZERO));
        assert_eq!(drawer[1].drawer, part("display", 2));
        for (wrong, expected) in [
            ("new battery", "a repair as"),
            (": success 1", "a repair as"),
            ("x: parts 14", "the chance that it succeeds"),
            ("x: success 1.2", "from 0 to 1"),
            ("x: success 120 %", "from 0 to 1"),
            ("x: succes 0.9", "did you mean success?"),
            ("x: success 0.9, success 0.8", "once"),
            ("x: success 0.9, parts -3", "0 or more"),
            ("x: success 0.9, minutes many", "minutes from 0"),
            ("x: success", "a repair as"),
            (
                "x: success 0.9, from drawer, parts 3",
                "either \"parts 14\"",
            ),
            ("x: success 0.9, from shop", "\"from drawer\""),
            ("x: success 0.9, from drawer y x0", "\"from drawer\""),
            ("x: success 0.9, spoils 2", "from 0 to 1"),
        ] {
            let error = repair(wrong, &eur).unwrap_err();
            assert!(error.contains(expected), "{wrong}: {error}");
        }
    }
}
