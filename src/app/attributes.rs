//! Numeric attributes as typed on the command line.

use crate::parse::attribute::attribute_value;
use rust_decimal::Decimal;

use crate::settings::Settings;
use crate::trade::attributes::is_name;
use crate::trade::cells::Wrong;
use crate::trade::{Attributes, Problem};

/// Reads the values of `--set`; adds errors to `problems`.
pub fn read_attributes(
    set: &[String],
    model: &str,
    settings: &Settings,
    problems: &mut Vec<Problem>,
) -> Attributes {
    let mut attributes = Attributes::NONE;
    for text in set {
        let (expected, fix) = match read_attribute(text, model, settings) {
            Ok((name, value)) => match attributes.set(name, value) {
                None => continue,
                Some(_) => ("each attribute once".to_string(), "remove one of the two"),
            },
            Err(expected) => (expected, "write it as storage=256"),
        };
        problems.push(Wrong::new(expected, fix).at("--set", 0, "", text));
    }
    attributes
}

/// Reads `storage=256` or `storage=256 GB`.
///
/// # Errors
/// The expected form.
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
