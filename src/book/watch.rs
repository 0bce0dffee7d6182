//! `watch.toml`: the watched units, one table for each by its name.
//!
//! Both the owner and the program edit the file. The program appends names and removes them with
//! their tables, so that comments and order stay; unknown keys are refused. It is written whole,
//! under the lock of the book.

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use toml_edit::{DocumentMut, Table};

use super::open::{Book, BookLock};
use super::stamp::Stamp;
use crate::book::BookError;
use crate::settings::{self, read_toml};
use crate::trade::HowSold;
use crate::trade::comp::PriceBasis;

/// Name of the file.
pub const FILE_NAME: &str = "watch.toml";

/// Longest name of a watched unit, in characters.
const LONGEST_NAME: usize = 40;

/// Head of a new file.
const HEAD: &str = "\
# Watched units: `compband refresh` estimates each of them as of the day you run it.
# The keys are those of `compband estimate --help`; you can edit this file by hand.
";

/// A watched unit, in the words of the flags of `compband estimate`.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Watched {
    /// Model.
    pub model: String,
    /// Variant.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub variant: Option<String>,
    /// Level of the completeness scale.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub completeness: Option<String>,
    /// Grade.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grade: Option<String>,
    /// Pieces missing.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<String>,
    /// Extras, in addition to the kit.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extra: Vec<String>,
    /// Faults with which the unit still works.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub defect: Vec<String>,
    /// Numeric attributes, `name=value`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub set: Vec<String>,
    /// Whether it is for parts only.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub parts: bool,
    /// How it will be sold.
    #[serde(
        default,
        skip_serializing_if = "Option::is_none",
        serialize_with = "write_how_sold",
        deserialize_with = "read_how_sold"
    )]
    pub how_sold: Option<HowSold>,
    /// Level of the band, per cent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band: Option<u8>,
    /// Price basis.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub basis: Option<PriceBasis>,
    /// Comps always used, whatever the tests find.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub keep: Vec<String>,
    /// Comps never used.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub drop: Vec<String>,
    /// Number of comps at which widening stops.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub enough: Option<u32>,
    /// Length of the window before the last widening step, in days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub window: Option<u32>,
}

fn write_how_sold<S: Serializer>(how: &Option<HowSold>, serializer: S) -> Result<S::Ok, S::Error> {
    how.map(HowSold::as_str).serialize(serializer)
}

fn read_how_sold<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<HowSold>, D::Error> {
    let word = String::deserialize(deserializer)?;
    HowSold::parse(&word).map(Some).ok_or_else(|| {
        let known = HowSold::words();
        serde::de::Error::custom(format!("found {word:?}; write one of these: {known}"))
    })
}

impl Watched {
    /// The error in it, if any: the key and the expected form.
    fn fault(&self) -> Option<&'static str> {
        if self.model.trim().is_empty() {
            return Some("model: expected the name of a model");
        }
        if self.band.is_some_and(|band| !(1..=99).contains(&band)) {
            return Some("band: expected a whole number from 1 to 99 (per cent)");
        }
        if self.enough == Some(0) {
            return Some("enough: expected at least 1");
        }
        (self.window == Some(0)).then_some("window: expected at least 1 (days)")
    }
}

/// The error in a name, if any: it is part of a file name.
pub fn name_fault(name: &str) -> Option<String> {
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_');
    let good = (1..=LONGEST_NAME).contains(&name.len())
        && name.chars().all(plain)
        && !name.starts_with('-');
    (!good).then(|| {
        format!(
            "{name:?} is not a name for a watched unit: write up to {LONGEST_NAME} letters (a to z), digits, - and _, \
             such as \"qn948-grey\""
        )
    })
}

/// Watched units by name.
pub type Watches = BTreeMap<String, Watched>;

impl Book {
    /// Path of `watch.toml`.
    pub fn watch_path(&self) -> PathBuf {
        self.root().join(FILE_NAME)
    }

    /// The watched units; empty if there is no file.
    ///
    /// # Errors
    /// [`BookError::Settings`] with line and key if the file is invalid.
    pub fn watched(&self) -> Result<Watches, BookError> {
        self.read_watched(&self.watch_text()?)
    }

    fn watch_text(&self) -> Result<String, BookError> {
        let path = self.watch_path();
        String::from_utf8(self.read(&path)?.unwrap_or_default()).map_err(|_| {
            BookError::Settings(format!(
                "{}: not UTF-8 text; save it as UTF-8",
                path.display()
            ))
        })
    }

    fn read_watched(&self, text: &str) -> Result<Watches, BookError> {
        let path = self.watch_path();
        let watches: Watches = read_toml(text.strip_prefix('\u{feff}').unwrap_or(text), &path)?;
        let refused = |why: String| BookError::Settings(format!("{}: {why}", path.display()));
        let mut seen: BTreeMap<String, &str> = BTreeMap::new();
        for (name, watched) in &watches {
            if let Some(fault) = name_fault(name) {
                return Err(refused(fault));
            }
            if let Some(other) = seen.insert(name.to_ascii_lowercase(), name) {
                return Err(refused(format!(
                    "{other:?} and {name:?} differ only in upper and lower case; rename one of them"
                )));
            }
            if let Some(fault) = watched.fault() {
                return Err(refused(format!("[{name}] {fault}")));
            }
        }
        Ok(watches)
    }

    /// Adds a watched unit.
    ///
    /// # Errors
    /// [`BookError::Refused`] for a name that is invalid or taken (ignoring case).
    pub fn add_watched(
        &self,
        _lock: &BookLock,
        name: &str,
        watched: &Watched,
    ) -> Result<(), BookError> {
        if let Some(fault) = name_fault(name) {
            return Err(BookError::Refused(fault));
        }
        let mut text = self.watch_text()?;
        let taken = self.read_watched(&text)?;
        if let Some(taken) = taken.keys().find(|taken| taken.eq_ignore_ascii_case(name)) {
            return Err(BookError::Refused(format!(
                "{taken:?} is watched already; remove it with `compband watch remove {taken}`, choose another name, \
                 or change it in {FILE_NAME}"
            )));
        }
        if text.is_empty() {
            text.push_str(HEAD);
        }
        if !text.ends_with('\n') {
            text.push('\n');
        }
        let table = toml::to_string(watched).map_err(|error| {
            BookError::Refused(format!("{name:?} cannot be written as TOML: {error}"))
        })?;
        text.push_str(&format!("\n[{name}]\n{table}"));
        self.read_watched(&text)?;
        self.replace_file(&self.watch_path(), text.as_bytes())
    }

    /// Removes a watched unit with its table; comments and order of the others stay.
    ///
    /// # Errors
    /// [`BookError::Refused`] if there is none with this name, or its lines cannot be separated
    /// from those of the others.
    pub fn remove_watched(&self, _lock: &BookLock, name: &str) -> Result<Watched, BookError> {
        let text = self.watch_text()?;
        let mut watches = self.read_watched(&text)?;
        let Some(removed) = watches.remove(name) else {
            return Err(BookError::Refused(no_such_watch(name, watches.keys())));
        };
        let left = |rest: &String| self.read_watched(rest).is_ok_and(|left| left == watches);
        let rest = without_table(&text, name).filter(left).ok_or_else(|| {
            BookError::Refused(format!(
                "cannot tell which lines of {FILE_NAME} belong to {name:?}; delete them by hand"
            ))
        })?;
        self.replace_file(&self.watch_path(), rest.as_bytes())?;
        Ok(removed)
    }

    /// A value that changes with the files behind estimates, computed from their names, sizes and
    /// times alone.
    ///
    /// # Errors
    /// [`BookError::Io`] if the folder cannot be read.
    pub fn mark(&self) -> Result<u64, BookError> {
        let (root, comps) = (self.root(), self.comps_dir());
        let listed = self.folder().list(&comps);
        let names = listed.map_err(BookError::io(&comps, "read"))?;
        let mut paths: Vec<PathBuf> = names.iter().map(|name| comps.join(name)).collect();
        paths.extend([root.join(settings::FILE_NAME), self.watch_path()]);
        paths.sort_unstable();
        // Readers report files that cannot be opened.
        let marks: Vec<Option<Stamp>> = paths
            .iter()
            .map(|path| self.stamp(path).ok().flatten())
            .collect();
        Ok(xxhash_rust::xxh3::xxh3_64(format!("{marks:?}").as_bytes()))
    }
}

/// The message for a name that is not watched.
pub fn no_such_watch<'a>(name: &str, known: impl Iterator<Item = &'a String> + Clone) -> String {
    let near = crate::trade::text::nearest(name, known.clone().map(String::as_str))
        .map_or(String::new(), |near| format!("; did you mean {near:?}?"));
    format!("no watched unit is named {name:?}{near}")
}

/// The text without a table that has a heading. Comments above the heading stay, for the next
/// table.
fn without_table(text: &str, name: &str) -> Option<String> {
    let mut document: DocumentMut = text.parse().ok()?;
    let at = document.iter().position(|(key, _)| key == name)?;
    let removed = document.remove(name)?.into_table().ok()?;
    if removed.is_dotted() {
        return None;
    }
    let above = |table: &Table| table.decor().prefix()?.as_str().map(str::to_string);
    let remarks = above(&removed).unwrap_or_default();
    if let Some((_, next)) = document.iter_mut().nth(at) {
        let next = next.as_table_mut()?;
        let both = remarks + &above(next).unwrap_or_default();
        next.decor_mut().set_prefix(both);
    } else {
        let both = remarks + document.trailing().as_str().unwrap_or_default();
        document.set_trailing(both);
    }
    Some(document.to_string())
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    fn watched() -> Watched {
        Watched {
            model: "Nulva \"61K\"".into(),
            variant: None,
            completeness: Some("usable".into()),
            grade: Some("B".into()),
            missing: vec!["charger".into(), "battery x2".into()],
            extra: vec![],
            defect: vec![],
            set: vec!["storage=32 GB".into()],
            parts: true,
            how_sold: Some(HowSold::Offer),
            band: Some(50),
            basis: Some(PriceBasis::Item),
            keep: vec![],
            drop: vec!["nsw9".into()],
            enough: Some(20),
            window: None,
        }
    }

    fn book() -> (tempfile::TempDir, Book) {
        let dir = tempfile::tempdir().unwrap();
        let book = Book::init(dir.path()).unwrap();
        (dir, book)
    }

    #[test]
    fn units_go_in_and_out_and_remarks_stay() {
        let (_dir, book) = book();
        let lock = book.lock(&mut |_| {}).unwrap();
        let other = Watched {
            how_sold: None,
            parts: false,
            ..watched()
        };
        book.add_watched(&lock, "one", &watched()).unwrap();
        let mut text = fs::read_to_string(book.watch_path()).unwrap();
        text.push_str("# the grey one");
        fs::write(book.watch_path(), &text).unwrap();
        book.add_watched(&lock, "Two_2", &other).unwrap();
        assert_eq!(
            book.watched().unwrap(),
            Watches::from([("one".into(), watched()), ("Two_2".into(), other.clone())])
        );
        let refused = book.add_watched(&lock, "ONE", &other).unwrap_err();
        assert!(refused.to_string().contains("watched already"));
        assert_eq!(book.remove_watched(&lock, "Two_2").unwrap(), other);
        assert_eq!(
            fs::read_to_string(book.watch_path()).unwrap(),
            text + "\n\n"
        );
        let between = "# head\n\n[b]\nmodel = 'x' # why\n# about a\n[ 'a' ]\nmodel = \"y\"\n\n# about c\n[c]\nmodel = \"z\"\n";
        assert_eq!(
            without_table(between, "a").unwrap(),
            between.replace("[ 'a' ]\nmodel = \"y\"\n", "")
        );
        let error = book.remove_watched(&lock, "on").unwrap_err().to_string();
        assert!(error.contains("did you mean \"one\"?"), "{error}");
        book.remove_watched(&lock, "one").unwrap();
        assert!(book.watched().unwrap().is_empty());
    }

    #[test]
    fn errors_in_the_file_are_reported_with_their_place() {
        let (_dir, book) = book();
        for (text, expected) in [
            (
                "[a]\nmodel = \"x\"\ngrad = \"B\"\n",
                "line 3: \"grad\" is not a setting (did you mean \"grade\"?)",
            ),
            ("[a]\ngrade = \"B\"\n", "missing field `model`"),
            ("[a]\nmodel = \" \"\n", "[a] model: expected the name"),
            ("[a]\nmodel = \"x\"\nband = 100\n", "[a] band: expected"),
            ("[a]\nmodel = \"x\"\nwindow = 0\n", "[a] window: expected"),
            (
                "[a]\nmodel = \"x\"\nmissing = \"charger\"\n",
                "line 3: missing:",
            ),
            (
                "[a]\nmodel = \"x\"\nhow_sold = \"swap\"\n",
                "line 3: how_sold: found \"swap\"; write one of these: bid, fixed price, haggled",
            ),
            (
                "[a]\nmodel = \"x\"\nbasis = \"net\"\n",
                "write one of these: delivered, item",
            ),
            ("[\"../a\"]\nmodel = \"x\"\n", "\"../a\" is not a name"),
            ("[\"-a\"]\nmodel = \"x\"\n", "\"-a\" is not a name"),
            (
                "[a]\nmodel = \"x\"\n[A]\nmodel = \"x\"\n",
                "differ only in upper and lower case",
            ),
        ] {
            fs::write(book.watch_path(), text).unwrap();
            let error = book.watched().unwrap_err().to_string();
            assert!(
                error.contains(expected) && error.contains("watch.toml"),
                "{error}"
            );
        }
    }

    #[test]
    fn a_table_that_cannot_be_separated_is_left_alone() {
        let (_dir, book) = book();
        let lock = book.lock(&mut |_| {}).unwrap();
        let text = "a.model = \"x\"\nb.model = \"y\"\n";
        fs::write(book.watch_path(), text).unwrap();
        let error = book.remove_watched(&lock, "a").unwrap_err().to_string();
        assert!(error.contains("by hand"), "{error}");
        assert_eq!(fs::read_to_string(book.watch_path()).unwrap(), text);
    }
}
