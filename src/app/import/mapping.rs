//! Mappings of columns from the command line and the settings.

use std::collections::BTreeMap;

use crate::app::AppError;
use crate::book::{Book, BookError};
use crate::settings::Settings;
use crate::sheets::header::{Column, Wish, wish};
use crate::sheets::{Input, ReadOptions};
use crate::trade::text::did_you_mean;

/// Reads `model=Nulva 61K`: the value of a missing column.
///
/// # Errors
/// The expected text.
pub fn parse_fill(text: &str) -> Result<(Column, String), String> {
    let (column, value) = text
        .split_once('=')
        .ok_or_else(|| format!("{text:?} has no value: write COLUMN=VALUE, such as model=Nulva"))?;
    match Column::parse(column)? {
        Column::CompId => {
            Err("a comp_id belongs to one sale only; leave it out and compband makes one".into())
        }
        column => Ok((column, value.trim().to_string())),
    }
}

/// Adds the columns of a saved mapping to those of the command line, which come first.
pub(super) fn add_saved(
    options: &mut ReadOptions,
    name: &str,
    settings: &Settings,
) -> Result<(), AppError> {
    let Some(saved) = settings.mappings.get(name) else {
        let near = did_you_mean(name, settings.mappings.keys().map(String::as_str));
        return Err(AppError::Usage(format!(
            "compband.toml has no mapping {name:?}{near}"
        )));
    };
    let given = options.wishes.clone();
    for (theirs, ours) in saved {
        let (theirs, ours) = wish(theirs, ours)
            .map_err(|why| BookError::Settings(format!("compband.toml, mappings.{name}: {why}")))?;
        let same =
            |(header, column): &Wish| *header == theirs || (column.is_some() && *column == ours);
        if !given.iter().any(same) {
            options.wishes.push((theirs, ours));
        }
    }
    Ok(())
}

/// Checks that a mapping can be saved under this name.
pub(super) fn check_name(name: &str, settings: &Settings) -> Result<(), AppError> {
    if name.trim().is_empty() {
        return Err(AppError::Usage("--save-mapping needs a name".into()));
    }
    if settings.mappings.contains_key(name) {
        return Err(AppError::Usage(format!(
            "compband.toml has a mapping {name:?} already: choose another name, or remove it there"
        )));
    }
    Ok(())
}

/// Adds the mapping of an input at the end of the settings file.
pub(super) fn save_mapping(book: &Book, name: &str, input: &Input) -> Result<(), AppError> {
    let text = book.settings_text()?;
    let table = mapping_table(name, input)?;
    let gap = if text.is_empty() || text.ends_with("\n\n") {
        ""
    } else if text.ends_with('\n') {
        "\n"
    } else {
        "\n\n"
    };
    let text = format!("{text}{gap}{table}");
    let refused = |why| {
        BookError::Refused(format!(
            "the mapping cannot be added to compband.toml ({why}); add it by hand:\n{table}"
        ))
    };
    Ok(book.replace_settings(&text, refused)?)
}

/// `[mappings.NAME]` with the columns of other names and the omitted ones.
fn mapping_table(name: &str, input: &Input) -> Result<String, AppError> {
    let mapping = &input.mapping;
    let taken = mapping
        .taken()
        .into_iter()
        .filter(|(theirs, ours)| *theirs != ours.name());
    let columns: BTreeMap<&str, String> = taken
        .map(|(theirs, ours)| (theirs, ours.name()))
        .chain(
            mapping
                .left_out
                .iter()
                .map(|cell| (mapping.names[*cell].as_str(), "-".to_string())),
        )
        .filter(|(theirs, _)| !theirs.is_empty())
        .collect();
    let tables = BTreeMap::from([("mappings", BTreeMap::from([(name, columns)]))]);
    toml::to_string(&tables)
        .map_err(|why| BookError::Refused(format!("the mapping cannot be written: {why}")).into())
}
