//! Numeric attributes as typed on the command line.

use rust_decimal::Decimal;

use crate::parse::money::read_quantity;
use crate::settings::Settings;
use crate::trade::attributes::{Attribute, is_name, same_unit};
use crate::trade::text::shorten;
use crate::trade::{Attributes, Problem};

/// Reads what `--set` gives; what is wrong goes to `problems`.
pub fn read_attributes(
    set: &[String],
    model: &str,
    settings: &Settings,
    problems: &mut Vec<Problem>,
) -> Attributes {
    let mut attributes = Attributes::NONE;
    for text in set {
        let problem = match read_attribute(text, model, settings) {
            Ok((name, value)) => match attributes.set(name, value) {
                None => continue,
                Some(_) => ("each attribute once".to_string(), "take one of the two out"),
            },
            Err(expected) => (expected, "write it as storage=256"),
        };
        problems.push(Problem {
            file: "--set".into(),
            row: 0,
            column: String::new(),
            value: shorten(text, 60),
            expected: problem.0,
            mend: problem.1.into(),
        });
    }
    attributes
}

/// Reads `storage=256` or `storage=256 GB`.
///
/// # Errors
/// What was expected instead.
fn read_attribute<'t>(
    text: &'t str,
    model: &str,
    settings: &Settings,
) -> Result<(&'t str, Decimal), String> {
    let (name, value) = text
        .split_once('=')
        .filter(|(name, _)| is_name(name))
        .ok_or("the name of an attribute and its value")?;
    let declared = settings.attribute(model, name);
    Ok((name, attribute_value(value, declared)?))
}

/// Reads a value of an attribute as typed: a number, with its unit or none behind it.
///
/// # Errors
/// What was expected instead.
pub fn attribute_value(text: &str, declared: Option<&Attribute>) -> Result<Decimal, String> {
    let (amount, unit) =
        read_quantity(text).map_err(|_| "a number, with a unit or none behind it")?;
    let value = amount
        .certain()
        .ok_or("a number with one reading: write it without a mark between thousands")?;
    let Some(declared) = declared else {
        return Ok(value);
    };
    if !unit.is_empty() && !declared.unit.is_empty() && !same_unit(unit, &declared.unit) {
        return Err(format!(
            "a number in {0}, as compband.toml says: convert it to {0}",
            declared.unit
        ));
    }
    declared.fault(value).map_or(Ok(value), Err)
}
