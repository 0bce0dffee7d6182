//! Writes the problems of rejected rows, and the rows themselves.

use std::fs::{self, File};
use std::io::{self, BufWriter, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::request::{Listener, Request};
use crate::app::AppError;
use crate::book::csv::formula::neutral;
use crate::book::files::copy_new;
use crate::book::{Book, Temporary};
use crate::sheets::Input;
use crate::sheets::import::{Reject, RejectsWriter, Witness};
use crate::trade::Problem;

/// Columns of the file that `--problems` writes.
const PROBLEM_COLUMNS: [&str; 6] = ["file", "row", "column", "value", "expected", "how_to_mend"];

/// Passes problems on to the listener, writes them on request, and writes rejected rows.
pub(super) struct Desk<'a> {
    request: &'a Request<'a>,
    book: &'a Book,
    listener: &'a mut dyn Listener,
    problems: Option<csv::Writer<File>>,
    aside: Vec<Aside>,
    /// The file that could not be written, if any.
    pub(super) failed: Option<PathBuf>,
    /// The rejected rows of a sheet in memory.
    pub(super) kept: Option<Vec<u8>>,
}

/// The rejected rows of one input.
struct Aside {
    input: String,
    /// Their final file, written once the other rows are in the book.
    path: PathBuf,
    rows: u64,
    /// `None` in a dry run.
    writer: Option<RejectsWriter<BufWriter<Temporary>>>,
}

impl<'a> Desk<'a> {
    pub(super) fn new(
        request: &'a Request<'a>,
        book: &'a Book,
        listener: &'a mut dyn Listener,
    ) -> Result<Self, AppError> {
        request.problems.map(check_problems_name).transpose()?;
        Ok(Self {
            request,
            book,
            listener,
            problems: request.problems.map(open_problems).transpose()?,
            aside: Vec::new(),
            failed: None,
            kept: None,
        })
    }

    /// Finishes the display and the file of problems.
    pub(super) fn finish(&mut self) -> Result<(), AppError> {
        self.listener.end();
        if let (Some(problems), Some(path)) = (&mut self.problems, self.request.problems) {
            problems.flush().map_err(AppError::io(path, "write"))?;
        }
        Ok(())
    }

    /// The files of rejected rows, each with their number.
    pub(super) fn rejected(&self) -> Vec<(PathBuf, u64)> {
        let aside = self.aside.iter();
        aside
            .map(|aside| (aside.path.clone(), aside.rows))
            .collect()
    }

    /// Puts the files of rejected rows in place, once the clean rows are in the book. If the run ends before
    /// that, the same command does it again.
    pub(super) fn set_aside(&mut self) -> Result<(), AppError> {
        for Aside { path, writer, .. } in &mut self.aside {
            let Some(writer) = writer.take() else {
                continue;
            };
            let whole = writer.finish().and_then(|out| Ok(out.into_inner()?));
            if self.request.held.is_some() {
                let bytes = whole.and_then(|mut file| read_whole(file.as_file()));
                self.kept = Some(bytes.map_err(AppError::io(&*path, "read"))?);
                continue;
            }
            let placed = whole.and_then(|mut file| copy_new(file.as_file(), path));
            placed.map_err(AppError::io(&*path, "write"))?;
        }
        Ok(())
    }

    fn aside(&mut self, input: &Input) -> io::Result<&mut Aside> {
        let mut aside = self.aside.iter();
        let at = match aside.position(|aside| aside.input == input.name) {
            Some(at) => at,
            None => {
                let path = self.rejects_path(input);
                self.failed = Some(path.clone());
                let writer = if self.request.dry_run {
                    None
                } else {
                    let file = self.book.temporary().map_err(io::Error::other)?;
                    Some(RejectsWriter::new(BufWriter::new(file), input)?)
                };
                self.failed = None;
                self.aside.push(Aside {
                    input: input.name.clone(),
                    path,
                    rows: 0,
                    writer,
                });
                self.aside.len() - 1
            }
        };
        Ok(&mut self.aside[at])
    }

    /// Path for the rejected rows of an input, where no file exists yet.
    fn rejects_path(&self, input: &Input) -> PathBuf {
        let taken = |path: &PathBuf| self.aside.iter().any(|aside| aside.path == *path);
        let mut paths = (1..).map(|number| rejects_path(Path::new(&input.name), number));
        if self.request.held.is_some() {
            return "rejected.csv".into();
        }
        let named = self.request.rejects.map(Path::to_path_buf);
        named
            .or_else(|| paths.find(|path| !is_there(path) && !taken(path)))
            .unwrap_or_default()
    }
}

fn read_whole(file: &mut File) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.seek(SeekFrom::Start(0))?;
    file.read_to_end(&mut bytes)?;
    Ok(bytes)
}

pub(super) fn is_there(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok()
}

impl Witness for Desk<'_> {
    fn problem(&mut self, problem: &Problem) -> io::Result<()> {
        self.listener.problem(problem);
        if let (Some(writer), Some(path)) = (&mut self.problems, self.request.problems) {
            write_problem(writer, problem)
                .inspect_err(|_| self.failed = Some(path.to_path_buf()))?;
        }
        Ok(())
    }

    fn reject(&mut self, input: &Input, reject: &Reject<'_>) -> io::Result<()> {
        if !self.request.keep_good {
            return Ok(());
        }
        let aside = self.aside(input)?;
        aside.rows += 1;
        let Some(writer) = &mut aside.writer else {
            return Ok(());
        };
        let written = writer.write(reject);
        if written.is_err() {
            self.failed = Some(aside.path.clone());
        }
        written
    }

    fn progress(&mut self, bytes: u64) {
        self.listener.progress(bytes);
    }
}

fn write_problem(writer: &mut csv::Writer<File>, problem: &Problem) -> io::Result<()> {
    let row = Some(problem.row).filter(|row| *row > 0);
    let row = row.map_or(String::new(), |row| row.to_string());
    let [file, column, value] = [&problem.file, &problem.column, &problem.value];
    let cells = [file, &row, column, value, &problem.expected, &problem.fix];
    Ok(writer.write_record(cells.map(|cell| neutral(cell).into_owned()))?)
}

/// Refuses a file of problems that would replace another kind of file.
fn check_problems_name(path: &Path) -> Result<(), AppError> {
    match fs::read(path) {
        Ok(bytes) if !bytes.starts_with(PROBLEM_COLUMNS.join(",").as_bytes()) => {
            Err(AppError::Usage(format!(
                "--problems: {} is there already and holds something else: choose another name",
                path.display()
            )))
        }
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            Err(AppError::io(path, "read")(error))
        }
        _ => Ok(()),
    }
}

/// Creates the file of problems, or replaces an earlier one.
fn open_problems(path: &Path) -> Result<csv::Writer<File>, AppError> {
    let mut writer =
        csv::Writer::from_writer(File::create(path).map_err(AppError::io(path, "write"))?);
    writer
        .write_record(PROBLEM_COLUMNS)
        .map_err(|error| AppError::io(path, "write")(error.into()))?;
    Ok(writer)
}

/// `sales.csv` → `sales-rejected.csv`, then `sales-rejected-2.csv` and so on.
fn rejects_path(input: &Path, number: u32) -> PathBuf {
    let stem = input
        .file_stem()
        .map_or("import".into(), |stem| stem.to_string_lossy().into_owned());
    let number = (number > 1).then(|| format!("-{number}"));
    let number = number.unwrap_or_default();
    input.with_file_name(format!("{stem}-rejected{number}.csv"))
}
