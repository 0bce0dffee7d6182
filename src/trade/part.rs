//! Parts that come into the drawer or leave it: `display x2 = 44.00; battery x1 from 12 = 6.00`.

use rust_decimal::Decimal;

use super::attributes::plain_number;
use super::items::{MOST, fold_name};
use super::money::money_text;

/// Longest name of a part, in characters.
pub const LONGEST_NAME: usize = 60;

/// Some parts of one name, bought or used together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PartLine {
    /// Name, folded ([`fold_name`]).
    pub name: String,
    /// How many.
    pub count: u32,
    /// Their cost in all.
    pub cost: Decimal,
    /// Number of the entry that brought them; none if this entry brings them.
    pub lot: Option<u32>,
}

/// The name of a part as it is kept.
///
/// # Errors
/// The expected form.
pub fn part_name(text: &str) -> Result<String, String> {
    let name = fold_name(text);
    let plain = !name.is_empty()
        && name.chars().count() <= LONGEST_NAME
        && !name.contains([';', ',', '=', ':'])
        && !name.contains(char::is_control);
    plain.then_some(name).ok_or_else(|| {
        format!(
            "a name of a part, such as \"display\", of at most {LONGEST_NAME} characters, without ; , : or ="
        )
    })
}

/// A list of parts as a cell.
pub fn parts_text(parts: &[PartLine]) -> String {
    let entry = |line: &PartLine| {
        let lot = line.lot.map_or(String::new(), |lot| format!(" from {lot}"));
        format!(
            "{} x{}{lot} = {}",
            line.name,
            line.count,
            money_text(line.cost)
        )
    };
    parts.iter().map(entry).collect::<Vec<_>>().join("; ")
}

/// Reads what [`parts_text`] writes.
///
/// # Errors
/// The first entry that is none.
pub fn parse_parts(cell: &str) -> Result<Vec<PartLine>, String> {
    let entries = cell.split(';').map(str::trim);
    entries
        .map(|entry| line(entry).ok_or_else(|| entry.to_string()))
        .collect()
}

fn line(entry: &str) -> Option<PartLine> {
    let (counted, cost) = entry.rsplit_once(" = ")?;
    let cost = plain_number(cost).filter(|cost| *cost >= Decimal::ZERO)?;
    let from = counted
        .rsplit_once(" from ")
        .and_then(|(counted, lot)| Some((counted, lot.parse::<u32>().ok()?)));
    let (counted, lot) = from.map_or((counted, None), |(counted, lot)| (counted, Some(lot)));
    let (name, count) = counted.rsplit_once(" x")?;
    let count = count.parse().ok().filter(|n| (1..=MOST).contains(n))?;
    let name = part_name(name).ok().filter(|folded| folded == name)?;
    Some(PartLine {
        name,
        count,
        cost,
        lot,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(name: &str, count: u32, cost: &str, lot: Option<u32>) -> PartLine {
        PartLine {
            name: name.into(),
            count,
            cost: cost.parse().unwrap(),
            lot,
        }
    }

    #[test]
    fn lists_read_back_as_written() {
        let parts = [
            of("display", 2, "44.00", None),
            of("cable from 12", 1, "0.50", None),
            of("board x3", 10, "6.00", Some(12)),
        ];
        let text = parts_text(&parts);
        assert_eq!(
            text,
            "display x2 = 44.00; cable from 12 x1 = 0.50; board x3 x10 from 12 = 6.00"
        );
        assert_eq!(parse_parts(&text).unwrap(), parts);
    }

    #[test]
    fn anything_else_is_refused() {
        for cell in [
            "",
            "display",
            "display = 4.00",
            "display x0 = 4.00",
            "display x1 = -4.00",
            "Display x1 = 4.00",
            " x1 = 4.00",
            "display x1 from 1 = 4.00;",
        ] {
            assert!(parse_parts(cell).is_err(), "{cell}");
        }
        assert_eq!(part_name("  New  DISPLAY ").unwrap(), "new display");
        for name in ["", " ", "a;b", "a=b", "a:b", &"x".repeat(61)] {
            assert!(part_name(name).is_err(), "{name}");
        }
    }
}
