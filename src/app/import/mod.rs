//! Imports spreadsheets: reads them, plans the changes of the book and writes them.

mod desk;
mod mapping;
mod repeated;
mod request;
mod values;

use std::collections::{BTreeMap, HashMap, HashSet};
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use chrono::NaiveDate;

use super::AppError;
use super::record::new_model;
use super::rename::keep_words;
use crate::book::rates::{Conversion, KeptRates};
use crate::book::{Book, BookError, BookLock, Temporary};
use crate::settings::Settings;
use crate::settings::words::Meaning;
use crate::sheets::header::{Likely, Unused};
use crate::sheets::import::{Against, Undeclared, Witness, add_undeclared, plan};
use crate::sheets::{Input, PASTED};
use crate::trade::text::quoted;
use crate::trade::{Comp, Problem};
use desk::{Desk, is_there};

pub use crate::sheets::ReadOptions;
pub use crate::sheets::header::{Column, Wish, parse_wish};
pub use crate::sheets::import::{FileCount, Guessed, Plan};
pub use mapping::parse_fill;
pub use request::{Listener, Request, UnknownWord};
pub use values::parse_value;

/// Most notices about new models with a similar known name.
const SHOWN_MODELS: usize = 5;

/// Result of an import.
#[derive(Debug)]
pub struct Imported {
    /// The files read, in order.
    pub inputs: Vec<Input>,
    /// The changes of the book.
    pub plan: Plan,
    /// The old records of the first changed sales, by identifier.
    pub before: HashMap<String, Comp>,
    /// Files of rejected rows, each with their number.
    pub aside: Vec<(PathBuf, u64)>,
    /// The rejected rows of a sheet in memory, as a file of their own.
    pub set_aside: Option<Vec<u8>>,
    /// Whether the import was refused because of rows with problems.
    pub refused: bool,
    /// Whether it was a dry run.
    pub dry_run: bool,
    /// Number of its entry, and its file.
    pub entry: Option<(u64, PathBuf)>,
    /// Name of the saved mapping.
    pub mapping: Option<String>,
    /// Words whose meaning was given and is new to the book.
    pub words: Vec<Meaning>,
    /// Attributes that no family declares, with a summary of their rows.
    pub undeclared: BTreeMap<String, Undeclared>,
    /// A remaining step in words, and the error of it.
    pub unfinished: Option<(&'static str, AppError)>,
}

/// The flag that takes a column as one of ours; `shown` is its name in quotes.
pub fn map_flag(shown: &str, ours: &str) -> String {
    let name = shown.strip_suffix('"').unwrap_or(shown);
    let end = if name.len() < shown.len() { "\"" } else { "" };
    format!("--map {name}={ours}{end}")
}

/// A column of a file that is not used, in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotUsed {
    /// Its name in quotes, or its number.
    pub shown: String,
    /// The next step if it is the likely column; none if it resembles no known one.
    pub hint: Option<String>,
}

impl Imported {
    /// The columns of one of the inputs that are not used.
    pub fn not_used(&self, input: usize) -> Vec<NotUsed> {
        let of = |unused: Unused| {
            let shown = unused.shown;
            let hint = match unused.likely {
                Likely::Nothing => None,
                Likely::Taken(ours) => Some(format!("another was taken for {ours}")),
                Likely::Column(near) => Some(format!(
                    "if it is the {near}, say {}",
                    map_flag(&shown, near)
                )),
                Likely::Shipping => Some(format!(
                    "shipping counts as 0; if the buyer paid this for it, say {}",
                    map_flag(&shown, "shipping")
                )),
                Likely::Amounts => Some(format!(
                    "it holds amounts; if the buyer paid them for shipping, say {}",
                    map_flag(&shown, "shipping")
                )),
            };
            NotUsed { shown, hint }
        };
        let unused = self.inputs.get(input).map(Input::unused);
        unused.into_iter().flatten().map(of).collect()
    }
}

/// Imports files: all rows, or on request the clean ones, or none.
///
/// # Errors
/// If a file cannot be read, or the book cannot be changed. Rows with problems go to the listener and to
/// [`Imported::refused`].
pub fn import(
    book: &Book,
    request: &Request<'_>,
    listener: &mut dyn Listener,
    notice: &mut dyn FnMut(&str),
) -> Result<Imported, AppError> {
    let mut options = request.options.clone();
    if let Some(name) = request.mapping {
        mapping::add_saved(&mut options, name, book.settings())?;
    }
    check(request, book.settings())?;
    // The index comes before the inputs: its temporary memory is free again when they are read.
    let lock = book.lock(notice)?;
    let index = book.index()?;
    let rates = book.rates()?;
    // Read from the book only for the first sale in another currency.
    let kept: OnceLock<Result<KeptRates, BookError>> = OnceLock::new();
    let mut inputs = opened(request, &options, notice)?;
    ask_columns(&mut inputs, listener)?;
    let existing = |comp_id: &str| index.get(comp_id);
    let kept_rate = |comp_id: &str, code: &str, day: Option<NaiveDate>| {
        if request.new_rates {
            return None;
        }
        let kept = kept.get_or_init(|| book.kept_rates());
        kept.as_ref().ok()?.rate(comp_id, code, day)
    };
    let against = |settings| Against {
        settings,
        existing: &existing,
        today: request.today,
        conversion: Conversion {
            rates: &rates,
            kept: &kept_rate,
        },
    };
    let mut meanings = request.values.to_vec();
    let first = with_values(book.settings().clone(), &meanings);
    let answers = answers(&inputs, &against(&first), book, listener)?;
    let settings = with_values(first.clone(), &answers);
    meanings.extend(answers);
    let against = against(&settings);
    listener.begin(inputs.iter().map(|input| input.len() as u64).sum());
    let mut desk = Desk::new(request, book, listener)?;
    let (plan, canonical) = plan_into_temp(book, &inputs, &against, &mut desk, request.dry_run)?;
    if let Some(Err(error)) = kept.into_inner() {
        return Err(error.into());
    }
    desk.finish()?;
    meanings.retain(|one| {
        book.settings().words.get(&one.column, &one.word) != Some(one.value.as_str())
    });
    if !meanings.is_empty() && !request.dry_run {
        keep_words(book, &meanings)?;
    }
    let mut imported = Imported {
        words: meanings,
        before: before(book, &plan)?,
        aside: desk.rejected(),
        set_aside: None,
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
            commit(book, &lock, canonical, request, &mut imported)?;
            finish(book, request, &mut desk, &mut imported);
            if let Some((entry, _)) = imported.entry {
                let repeated = repeated::count(book, entry, notice)?;
                (repeated > 0).then(|| notice(&repeated::notice(repeated)));
            }
        }
    }
    Ok(imported)
}

/// Settings with further meanings of words.
fn with_values(mut settings: Settings, meanings: &[Meaning]) -> Settings {
    for meaning in meanings {
        settings.words.set(meaning);
    }
    settings
}

/// The meanings of the words that the inputs have and the settings do not know, as far as somebody is there to
/// give them. A row shows its model only once its words are known, so that it is asked again.
fn answers(
    inputs: &[Input],
    against: &Against<'_>,
    book: &Book,
    listener: &mut dyn Listener,
) -> Result<Vec<Meaning>, AppError> {
    let (mut meanings, mut asked) = (Vec::new(), HashSet::new());
    if !listener.can_ask() {
        return Ok(meanings);
    }
    let models = book.models()?;
    loop {
        let settings = with_values(against.settings.clone(), &meanings);
        let known = Against {
            settings: &settings,
            ..*against
        };
        let plan = plan(
            inputs,
            &known,
            &mut io::sink(),
            &mut OnlyProgress(&mut *listener),
        )
        .map_err(AppError::io(&book.comps_dir(), "read"))?;
        let mut unknown = values::unknown(&plan, &settings);
        unknown.extend(values::unknown_models(&plan, &models));
        unknown.retain(|one| asked.insert((one.column as usize, one.word.clone())));
        if unknown.is_empty() {
            break;
        }
        let answers = listener.ask(&unknown)?;
        if answers.is_empty() {
            break;
        }
        meanings.extend(answers);
    }
    Ok(meanings)
}

/// Receives only the progress of a plan.
struct OnlyProgress<'l>(&'l mut dyn Listener);

impl Witness for OnlyProgress<'_> {
    fn problem(&mut self, _: &Problem) -> io::Result<()> {
        Ok(())
    }

    fn progress(&mut self, bytes: u64) {
        self.0.progress(bytes);
    }
}

/// Puts the canonical rows into the book, if there are any.
fn commit(
    book: &Book,
    lock: &BookLock,
    canonical: Temporary,
    request: &Request<'_>,
    imported: &mut Imported,
) -> Result<(), AppError> {
    if imported.plan.written() > 0 {
        let held = request.held.map(|(name, _)| name.to_string());
        let source = held.unwrap_or_else(|| source_name(request.files));
        let (entry, path) = book.commit_import(lock, canonical, &source)?;
        let path = path.strip_prefix(book.root()).unwrap_or(&path);
        imported.entry = Some((entry, path.to_path_buf()));
    }
    Ok(())
}

/// Does the remaining steps once the sales are in the book.
fn finish(book: &Book, request: &Request<'_>, desk: &mut Desk<'_>, imported: &mut Imported) {
    let aside = desk.set_aside();
    imported.set_aside = desk.kept.take();
    if let Err(why) = aside {
        let left = "only the wrong rows are not set aside yet: run the same command again";
        imported.unfinished = Some((left, why));
        return;
    }
    let Some((name, input)) = request.save_mapping.zip(imported.inputs.first()) else {
        return;
    };
    match mapping::save_mapping(book, name, input) {
        Ok(()) => imported.mapping = Some(name.to_string()),
        Err(why) => {
            let left = "only the mapping is not saved yet: run the same command again";
            imported.unfinished = Some((left, why));
        }
    }
}

/// Refuses impossible requests before reading.
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
    for meaning in request.values {
        values::check(meaning, settings)?;
    }
    request
        .save_mapping
        .map_or(Ok(()), |name| mapping::check_name(name, settings))
}

/// Takes columns that are probably shipping as such, if somebody is there to confirm it.
fn ask_columns(inputs: &mut [Input], listener: &mut dyn Listener) -> Result<(), AppError> {
    if !listener.can_ask() {
        return Ok(());
    }
    for input in inputs {
        for unused in input.unused() {
            let open = input.mapping.cell_of[Column::Shipping as usize].is_none();
            if open
                && unused.likely == Likely::Shipping
                && listener.is_shipping(&unused.shown, &input.examples(unused.cell, 3))?
            {
                input.mapping.take(unused.cell, Column::Shipping);
            }
        }
    }
    Ok(())
}

/// Sends notices about the first new models that are probably misspelt known ones, or more frequent new ones.
fn misspelt(book: &Book, plan: &Plan, notice: &mut dyn FnMut(&str)) -> Result<(), AppError> {
    if plan.new == 0 {
        return Ok(());
    }
    for (model, near) in values::twins(plan, &book.models()?)
        .into_iter()
        .take(SHOWN_MODELS)
    {
        notice(&format!(
            "{}; if it is the same: compband models rename {} {}",
            new_model(&model, &near),
            quoted(&model),
            quoted(&near)
        ));
    }
    Ok(())
}

/// Plans the import; the canonical rows are in the returned temporary file.
fn plan_into_temp(
    book: &Book,
    inputs: &[Input],
    against: &Against<'_>,
    desk: &mut Desk<'_>,
    dry_run: bool,
) -> Result<(Plan, Temporary), AppError> {
    let temp = book.temporary()?;
    // Errors name the final folder of the rows, which the user knows.
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

/// Reads the sheets of a request, and notices how each was read.
fn opened(
    request: &Request<'_>,
    options: &ReadOptions,
    notice: &mut dyn FnMut(&str),
) -> Result<Vec<Input>, AppError> {
    let inputs = match request.held {
        Some((name, bytes)) => {
            let input = Input::from_bytes(name, bytes.to_vec(), options);
            vec![input.map_err(BookError::Rows)?]
        }
        None => open_all(request.files, options)?,
    };
    for input in &inputs {
        for text in &input.notices {
            notice(&format!("{}: {text}", input.name));
        }
    }
    Ok(inputs)
}

/// Opens every file, so that the problems of all headers are reported in one run.
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
    BookError::refuse(problems)?;
    Ok(inputs)
}

/// Name for the import file in the book.
fn source_name(files: &[PathBuf]) -> String {
    if files.first().is_some_and(|file| file == Path::new("-")) {
        return PASTED.into();
    }
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

/// The present records of the first sales that a plan changes, by identifier.
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
