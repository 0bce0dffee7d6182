//! Other names of a model: sales under one name become sales of another, now and at later imports.

use std::io::{self, BufWriter};
use std::path::PathBuf;

use super::AppError;
use super::error::unknown_model;
use crate::book::csv::canonical::write_comps;
use crate::book::history::comps_of;
use crate::book::{Book, BookError, Temporary};
use crate::settings::words::{Meaning, with_words, without_words};
use crate::trade::Comp;
use crate::trade::names::{composed, match_key};
use crate::trade::text::excerpt;

/// A model with another name.
#[derive(Debug)]
pub struct Renamed {
    /// The name that the sales had: the given one, or that of the model for which it stands.
    pub from: String,
    /// The name that they have now, likewise.
    pub to: String,
    /// Number of sales that changed; none if the name stood for that model before.
    pub sales: usize,
    /// The entry with the changed sales, and its file.
    pub entry: Option<(u64, PathBuf)>,
}

/// Makes every sale of `old` one of `new`, and keeps that `old` is another name of it: sheets that have it,
/// units in stock and watched ones are read so from now on. If `new` is another name of `old`, the two change
/// places.
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
    let lock = book.lock(notice)?;
    let words = &book.settings().words;
    let same = |one: &str, other: &str| match_key(one) == match_key(other);
    if same(old, new) && !same(words.model(old), old) {
        return Err(stands_for_another(old, words.model(old)));
    }
    let mut from = old;
    let mut sales = of_name(book, old, notice)?;
    if sales.is_empty() && !same(words.model(old), old) {
        from = words.model(old);
        sales = of_name(book, from, notice)?;
    }
    let turned = same(words.model(new), from) && !same(new, from);
    let to = if turned { new } else { words.model(new) };
    let known = !sales.is_empty() || from != old;
    sales.retain(|comp| comp.model != to);
    if sales.is_empty() && !turned && !(from != old && same(from, to)) {
        if old == to && known {
            return Err(AppError::Usage(format!(
                "the old and the new name are the same: {}",
                excerpt(to, 60)
            )));
        }
        if !same(words.model(old), to) || same(old, to) {
            let models = book.models()?;
            return Err(unknown_model(old, models.iter().map(String::as_str)));
        }
    }
    let (from, to) = (from.to_string(), to.to_string());
    for comp in &mut sales {
        comp.model.clone_from(&to);
    }
    // First the names: whoever is stopped in between can rename once more.
    keep_names(book, &from, &to)?;
    let mut renamed = Renamed {
        from,
        to,
        sales: sales.len(),
        entry: None,
    };
    if !sales.is_empty() {
        let path = book.comps_dir();
        let write = AppError::io(&path, "write");
        let written = written(&sales, BufWriter::new(book.temporary()?));
        let mut temp = written.map_err(write)?;
        temp.as_file()
            .sync_all()
            .map_err(AppError::io(&path, "write"))?;
        let (entry, path) = book.commit_renamed(&lock, temp, &renamed.from)?;
        let path = path
            .strip_prefix(book.root())
            .unwrap_or(&path)
            .to_path_buf();
        renamed.entry = Some((entry, path));
    }
    Ok(renamed)
}

/// The sales that have a name (ignoring case and spacing), not those of a model for which it stands.
fn of_name(book: &Book, name: &str, notice: &mut dyn FnMut(&str)) -> Result<Vec<Comp>, AppError> {
    let frame = book.frame_of_model(name, notice)?;
    Ok(comps_of(&frame, name, &book.settings().currency)?)
}

/// Number of sales of a model, by any of its names.
///
/// # Errors
/// If the book cannot be read.
pub fn sales_of(book: &Book, name: &str) -> Result<usize, AppError> {
    let own = of_name(book, name, &mut |_| {})?.len();
    let model = book.settings().words.model(name);
    if own > 0 || model == name {
        return Ok(own);
    }
    Ok(of_name(book, model, &mut |_| {})?.len())
}

fn stands_for_another(name: &str, model: &str) -> AppError {
    let (name, model) = (excerpt(name, 60), excerpt(model, 60));
    AppError::Refused {
        message: format!("{name} is another name of {model} in this book"),
        next: format!(
            "`compband models rename {model} {name}` calls the model so; or remove the line {name} = {model} \
             below [words.model] in compband.toml"
        ),
    }
}

/// A canonical file of these sales.
fn written(comps: &[Comp], out: BufWriter<Temporary>) -> io::Result<Temporary> {
    let out = write_comps(out, comps)?;
    out.into_inner().map_err(|error| error.into_error())
}

/// Keeps in the settings that a name, and all that were other names of it, stand for the new one, and that the new
/// one stands for itself.
fn keep_names(book: &Book, old: &str, new: &str) -> Result<(), AppError> {
    let words = &book.settings().words;
    let key = match_key(new);
    let others = words.names_of(old).into_iter().chain([old]);
    let meanings: Vec<Meaning> = others
        .filter(|word| match_key(word) != key && words.get("model", word) != Some(new))
        .map(|word| Meaning {
            column: "model".into(),
            word: word.to_string(),
            value: new.to_string(),
        })
        .collect();
    let own = words.get("model", new).map(|_| new.to_string());
    if meanings.is_empty() && own.is_none() {
        return Ok(());
    }
    let text = without_words(&book.settings_text()?, "model", own.as_slice()).map_err(refused)?;
    let text = with_words(&text, &meanings).map_err(refused)?;
    Ok(book.replace_settings(&text, refused)?)
}

/// Keeps meanings of words in the settings of a book.
///
/// # Errors
/// If the settings cannot take them, or cannot be written.
pub fn keep_words(book: &Book, meanings: &[Meaning]) -> Result<(), AppError> {
    let text = with_words(&book.settings_text()?, meanings).map_err(refused)?;
    Ok(book.replace_settings(&text, refused)?)
}

fn refused(why: String) -> BookError {
    BookError::Refused(format!(
        "the words cannot be changed in compband.toml ({why}); write them there by hand, below [words.COLUMN]"
    ))
}
