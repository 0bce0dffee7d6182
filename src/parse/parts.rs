//! Parts of a unit as typed: `display = 18; battery x2 = 6`.

use rust_decimal::Decimal;

use crate::parse::money::parse_amount;
use crate::trade::Currency;
use crate::trade::items::split_count;
use crate::trade::part::part_name;
use crate::trade::text::excerpt;

/// Form of the parts, for messages.
pub const FORM: &str = "parts as \"display = 18; battery x2 = 6\", each worth so much";

/// Parts of one name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PartGiven {
    /// Name, folded.
    pub name: String,
    /// How many.
    pub count: u32,
    /// Value of one of them, if given.
    pub each: Option<Decimal>,
}

/// Reads parts separated by `;`, each named once, at least one.
///
/// # Errors
/// The expected form.
pub fn parts(text: &str, currency: &Currency) -> Result<Vec<PartGiven>, String> {
    let entries = text
        .split(';')
        .map(str::trim)
        .filter(|entry| !entry.is_empty());
    let all: Vec<PartGiven> = entries
        .map(|entry| part(entry, currency))
        .collect::<Result<_, _>>()?;
    if all.is_empty() {
        return Err(FORM.into());
    }
    for (at, part) in all.iter().enumerate() {
        if all[..at].iter().any(|before| before.name == part.name) {
            return Err(format!(
                "each part once, with a count where there are several: \"{} x2\"",
                part.name
            ));
        }
    }
    Ok(all)
}

fn part(entry: &str, currency: &Currency) -> Result<PartGiven, String> {
    if let Some((name, value)) = entry.split_once(':').filter(|_| !entry.contains('=')) {
        let (name, value) = (name.trim(), value.trim());
        return Err(format!(
            "what a part is worth behind an equals sign: {}",
            short(&format!("{name} = {value}"))
        ));
    }
    let (counted, value) = match entry.split_once('=') {
        Some((counted, value)) => (counted, Some(value.trim())),
        None => (entry, None),
    };
    let (name, count) =
        split_count(counted.trim()).ok_or_else(|| format!("{FORM}, not {}", short(counted)))?;
    let each = value
        .map(|value| {
            let amount = parse_amount(value, currency)
                .map_err(|expected| format!("{expected} in {}", short(entry)))?;
            if amount.is_sign_negative() {
                return Err(format!(
                    "parts that are worth 0 or more, not {}",
                    short(entry)
                ));
            }
            Ok(amount)
        })
        .transpose()?;
    Ok(PartGiven {
        name: part_name(&name)?,
        count,
        each,
    })
}

fn short(text: &str) -> String {
    excerpt(text.trim(), 40)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_as_typed() {
        let eur = Currency { code: "EUR".into() };
        let read = parts("Display = 18,50; battery x2 =6; 3 x screw; lid;", &eur).unwrap();
        let found: Vec<(&str, u32, Option<String>)> = read
            .iter()
            .map(|part| {
                let each = part.each.map(|each| each.to_string());
                (part.name.as_str(), part.count, each)
            })
            .collect();
        assert_eq!(
            found,
            [
                ("display", 1, Some("18.50".into())),
                ("battery", 2, Some("6".into())),
                ("screw", 3, None),
                ("lid", 1, None),
            ]
        );
        for (wrong, expected) in [
            ("", "parts as"),
            (" ; ", "parts as"),
            ("= 5", "a name of a part"),
            ("display = ", "in \"display =\""),
            ("display = much", "in \"display = much\""),
            ("display = -3", "0 or more"),
            ("battery x0 = 3", "not \"battery x0\""),
            ("lid = 1; Lid = 2", "each part once"),
            ("a:b = 2", "a name of a part"),
        ] {
            let error = parts(wrong, &eur).unwrap_err();
            assert!(error.contains(expected), "{wrong}: {error}");
        }
    }
}
