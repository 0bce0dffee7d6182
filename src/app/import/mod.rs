//! The import of spreadsheets: what is in them, what they would change in the book, what is refused.

mod desk;
mod mapping;
mod request;

use std::collections::{BTreeMap, HashMap, HashSet};
use std::io::BufWriter;
use std::path::PathBuf;
use std::sync::OnceLock;

use super::AppError;
use super::record::new_model;
use crate::book::rates::{Conversion, KeptRates};
use crate::book::{Book, BookError, Temporary};
use crate::settings::Settings;
use crate::sheets::Input;
use crate::sheets::import::{Against, Undeclared, add_undeclared, plan};
use crate::trade::Comp;
use crate::trade::near::KnownModels;
use desk::{Desk, is_there};

pub use crate::sheets::ReadOptions;
pub use crate::sheets::header::{Column, Wish, parse_wish};
pub use crate::sheets::import::{FileCount, Plan};
pub use mapping::parse_fill;
pub use request::{Listener, Request};

/// New models told to be near to one of the book, and the models looked at: an import of
/// thousands is no matter of a slip of the pen.
const SHOWN_MODELS: usize = 5;
const COMPARED_MODELS: usize = 1_000;

/// What came of an import.
#[derive(Debug)]
pub struct Imported {
    /// The files as they were read, in order.
    pub inputs: Vec<Input>,
    /// What it changes in the book, or would.
    pub plan: Plan,
    /// The first sales that it changes as they were before, by identifier.
    pub before: HashMap<String, Comp>,
    /// Files of rows set aside, each with how many those are.
    pub aside: Vec<(PathBuf, u64)>,
    /// Whether it was refused for the problems of some rows.
    pub refused: bool,
    /// Whether nothing was to be written.
    pub dry_run: bool,
    /// The entry that it is, and its file.
    pub entry: Option<(u64, PathBuf)>,
    /// The name under which the mapping was saved.
    pub mapping: Option<String>,
    /// Attributes that no family declares, with their rows.
    pub undeclared: BTreeMap<String, Undeclared>,
    /// What is left to do, and why it could not be done.
    pub unfinished: Option<(&'static str, AppError)>,
}

/// Imports files: all their rows, or the clean ones where that was asked, or none.
///
/// # Errors
/// Where a file cannot be read, or the book cannot be changed; rows that are refused are told to the
/// listener, and make [`Imported::refused`].
pub fn import(
    book: &Book,
    request: &Request<'_>,
    listener: &mut dyn Listener,
    notice: &mut dyn FnMut(&str),
) -> Result<Imported, AppError> {
    let settings = book.settings();
    let mut options = request.options.clone();
    if let Some(name) = request.mapping {
        mapping::add_saved(&mut options, name, settings)?;
    }
    check(request, settings)?;
    // The index before the inputs: making it takes memory that is free again when they are read.
    let lock = book.lock(notice)?;
    let index = book.index()?;
    let rates = book.rates()?;
    // Read from the book only when a sale in another currency comes up.
    let kept: OnceLock<Result<KeptRates, BookError>> = OnceLock::new();
    let inputs = open_all(request.files, &options)?;
    for input in &inputs {
        for text in &input.notices {
            notice(&format!("{}: {text}", input.name));
        }
    }
    let against = Against {
        settings,
        existing: &|comp_id: &str| index.get(comp_id),
        today: request.today,
        conversion: Conversion {
            rates: &rates,
            kept: &|comp_id, code, day| {
                if request.new_rates {
                    return None;
                }
                let kept = kept.get_or_init(|| book.kept_rates());
                kept.as_ref().ok()?.rate(comp_id, code, day)
            },
        },
    };
    listener.begin(inputs.iter().map(|input| input.len() as u64).sum());
    let mut desk = Desk::new(request, book, listener)?;
    let (plan, canonical) = plan_into_temp(book, &inputs, &against, &mut desk, request.dry_run)?;
    if let Some(Err(error)) = kept.into_inner() {
        return Err(error.into());
    }
    desk.finish()?;
    let mut imported = Imported {
        before: before(book, &plan)?,
        aside: desk.rejected(),
        refused: plan.problems > 0 && !request.keep_good,
        dry_run: request.dry_run,
        entry: None,
        mapping: None,
        undeclared: undeclared(&plan.files),
        unfinished: None,
        inputs,
        plan,
    };
    if !imported.refused {
        misspelt(book, &imported.plan, notice)?;
        if !request.dry_run {
            if imported.plan.written() > 0 {
                let source = source_name(request.files);
                let (entry, path) = book.commit_import(&lock, canonical, &source)?;
                let path = path.strip_prefix(book.root()).unwrap_or(&path);
                imported.entry = Some((entry, path.to_path_buf()));
            }
            finish(book, request, &mut desk, &mut imported);
        }
    }
    Ok(imported)
}

/// Does what is left when the sales are in the book.
fn finish(book: &Book, request: &Request<'_>, desk: &mut Desk<'_>, imported: &mut Imported) {
    if let Err(why) = desk.set_aside() {
        let left = "only the wrong rows are not set aside: the same command again sets them aside";
        imported.unfinished = Some((left, why));
        return;
    }
    let Some((name, input)) = request.save_mapping.zip(imported.inputs.first()) else {
        return;
    };
    match mapping::save_mapping(book, name, input) {
        Ok(()) => imported.mapping = Some(name.to_string()),
        Err(why) => {
            let left = "only the mapping is not saved: the same command again saves it";
            imported.unfinished = Some((left, why));
        }
    }
}

/// Refuses what cannot be done before anything is read.
fn check(request: &Request<'_>, settings: &Settings) -> Result<(), AppError> {
    if request.rejects.is_some() && request.files.len() > 1 {
        let message = "--rejects names one file, so import the files one by one";
        return Err(AppError::Usage(message.into()));
    }
    if let Some(path) = request.rejects.filter(|path| is_there(path)) {
        return Err(AppError::Usage(format!(
            "--rejects: {} is there already: choose another name",
            path.display()
        )));
    }
    request
        .save_mapping
        .map_or(Ok(()), |name| mapping::check_name(name, settings))
}

/// Notes the first of the new models that are probably ones of the book, misspelt.
fn misspelt(book: &Book, plan: &Plan, notice: &mut dyn FnMut(&str)) -> Result<(), AppError> {
    if plan.new == 0 {
        return Ok(());
    }
    let models = book.models()?;
    let known = KnownModels::new(models.iter().map(String::as_str));
    plan.models
        .iter()
        .take(COMPARED_MODELS)
        .filter_map(|model| Some((model, known.near(model)?)))
        .take(SHOWN_MODELS)
        .for_each(|(model, near)| notice(&new_model(model, near)));
    Ok(())
}

/// Plans the import; the canonical rows are in the file that comes with the plan, on disk.
fn plan_into_temp(
    book: &Book,
    inputs: &[Input],
    against: &Against<'_>,
    desk: &mut Desk<'_>,
    dry_run: bool,
) -> Result<(Plan, Temporary), AppError> {
    let temp = book.temporary()?;
    // Where the rows go in the end is what the user knows.
    let path = book.comps_dir();
    let mut out = BufWriter::with_capacity(1 << 20, temp);
    let planned = plan(inputs, against, &mut out, desk);
    let done = planned
        .map_err(|error| AppError::io(desk.failed.as_ref().unwrap_or(&path), "write")(error))?;
    let mut temp = out
        .into_inner()
        .map_err(|error| AppError::io(&path, "write")(error.into_error()))?;
    if done.written() > 0 && !dry_run {
        temp.as_file()
            .sync_all()
            .map_err(AppError::io(&path, "write"))?;
    }
    Ok((done, temp))
}

/// Opens every file, so that what is wrong with any header is told in one run.
fn open_all(files: &[PathBuf], options: &ReadOptions) -> Result<Vec<Input>, AppError> {
    let mut inputs = Vec::new();
    let mut problems = Vec::new();
    for path in files {
        match Input::open(path, options) {
            Ok(input) => inputs.push(input),
            Err(BookError::Rows(found)) => problems.extend(found),
            Err(error) => return Err(error.into()),
        }
    }
    if problems.is_empty() {
        Ok(inputs)
    } else {
        Err(BookError::Rows(problems).into())
    }
}

/// What the import file in the book is named after.
fn source_name(files: &[PathBuf]) -> String {
    let stem = files
        .first()
        .and_then(|file| file.file_stem())
        .map_or("import".into(), |stem| stem.to_string_lossy());
    if files.len() > 1 {
        format!("{stem} and {} more", files.len() - 1)
    } else {
        stem.into_owned()
    }
}

/// The first sales that a plan changes as they are in the book, by identifier.
fn before(book: &Book, plan: &Plan) -> Result<HashMap<String, Comp>, AppError> {
    if plan.updates.is_empty() {
        return Ok(HashMap::new());
    }
    let ids: HashSet<String> = plan
        .updates
        .iter()
        .map(|comp| comp.comp_id.clone())
        .collect();
    Ok(book.comps_by_id(&ids)?)
}

/// The attributes that no family declares.
fn undeclared(counts: &[FileCount]) -> BTreeMap<String, Undeclared> {
    let mut all = BTreeMap::new();
    for count in counts {
        add_undeclared(&mut all, count.undeclared.clone());
    }
    all
}
