//! Other names of a model: sales under one name become sales of another, now and at later imports.

use std::io::{self, BufWriter};
use std::path::PathBuf;

use super::AppError;
use super::error::unknown_model;
use crate::book::comps::frame::FrameRows;
use crate::book::csv::canonical::{Writer, optional_columns};

use crate::book::{Book, BookError, Temporary};
use crate::settings::words::{Meaning, with_words};
use crate::trade::Comp;
use crate::trade::comp::COLUMNS;
use crate::trade::names::{composed, match_key};

/// A model with another name.
#[derive(Debug)]
pub struct Renamed {
    /// Number of sales that changed.
    pub sales: usize,
    /// The entry with the changed sales, and its file.
    pub entry: Option<(u64, PathBuf)>,
}

/// Makes every sale of `old` one of `new`, and keeps that `old` is another name of it: sheets that have it,
/// units in stock and watched ones are read so from now on.
///
/// # Errors
/// If the book does not know `old`, the names are the same, or the book cannot be changed.
pub fn rename(
    book: &Book,
    old: &str,
    new: &str,
    notice: &mut dyn FnMut(&str),
) -> Result<Renamed, AppError> {
    let (old, new) = (composed(old.trim()), composed(new.trim()));
    let (old, new) = (old.as_ref(), new.as_ref());
    if new.is_empty() {
        return Err(AppError::Usage("the new name is empty".into()));
    }
    let words = &book.settings().words;
    let new = words.model(new).to_string();
    let lock = book.lock(notice)?;
    let frame = book.frame_of_model(old, notice)?;
    let key = match_key(old);
    let all = FrameRows::new(&frame, &book.settings().currency)?;
    let mut changed: Vec<Comp> = (0..all.len())
        .map(|at| all.comp(at))
        .filter(|comp| match_key(&comp.model) == key && comp.model != new)
        .collect();
    if changed.is_empty() && words.model(old) != new {
        let models = book.models()?;
        return Err(unknown_model(old, models.iter().map(String::as_str)));
    }
    for comp in &mut changed {
        comp.model.clone_from(&new);
    }
    if match_key(&new) != key {
        keep(book, old, &new)?;
    }
    let mut renamed = Renamed {
        sales: changed.len(),
        entry: None,
    };
    if !changed.is_empty() {
        let path = book.comps_dir();
        let write = AppError::io(&path, "write");
        let written = written(&changed, BufWriter::new(book.temporary()?));
        let mut temp = written.map_err(write)?;
        temp.as_file()
            .sync_all()
            .map_err(AppError::io(&path, "write"))?;
        let (entry, path) = book.commit_import(&lock, temp, &format!("renamed {old}"))?;
        let path = path
            .strip_prefix(book.root())
            .unwrap_or(&path)
            .to_path_buf();
        renamed.entry = Some((entry, path));
    }
    Ok(renamed)
}

/// A canonical file of these sales.
fn written(comps: &[Comp], out: BufWriter<Temporary>) -> io::Result<Temporary> {
    let mut writer = Writer::with_header(out, &COLUMNS, optional_columns(comps))?;
    comps.iter().try_for_each(|comp| writer.comp(comp))?;
    writer
        .finish()?
        .into_inner()
        .map_err(|error| error.into_error())
}

/// Keeps a name in the settings, and what was another name of it as one of the new model.
fn keep(book: &Book, old: &str, new: &str) -> Result<(), AppError> {
    let others = book.settings().words.of("model");
    let before = others
        .iter()
        .filter(|(_, model)| match_key(model) == match_key(old))
        .map(|(word, _)| word.as_str());
    let meanings: Vec<Meaning> = before
        .chain([old])
        .map(|word| Meaning {
            column: "model".into(),
            word: word.to_string(),
            value: new.to_string(),
        })
        .collect();
    keep_words(book, &meanings)
}

/// Keeps meanings of words in the settings of a book.
///
/// # Errors
/// If the settings cannot take them, or cannot be written.
pub fn keep_words(book: &Book, meanings: &[Meaning]) -> Result<(), AppError> {
    let refused = |why| {
        BookError::Refused(format!(
            "the words cannot be added to compband.toml ({why}); write them there by hand, below [words.COLUMN]"
        ))
    };
    let text = with_words(&book.settings_text()?, meanings).map_err(refused)?;
    Ok(book.replace_settings(&text, refused)?)
}
