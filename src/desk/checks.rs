//! Checks of past estimates as works beside the pages: a first one of a large book takes minutes.

use std::cell::RefCell;
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::jobs::{Jobs, Outcome, Progress};
use super::page::sentence;
use crate::app::check::{Checked, check};
use crate::app::{AppError, Book};

/// Most checks kept, those that run among them.
const KEPT: usize = 4;

/// Longest wait for a check before the page shows how far it is.
const PATIENCE: Duration = Duration::from_millis(1_000);

/// The state of the files of a book as [`super::ready::Ready::seen`] says it, and a model or the whole book.
pub type Key = (String, Option<String>);

/// The checks of a run of the desk, oldest first, each with the name of its work.
#[derive(Default)]
pub struct Checks {
    known: RefCell<Vec<(Key, String)>>,
}

/// What became of a check.
pub enum Found {
    /// It is done; with its notices.
    Checked(Checked, Vec<String>),
    /// It was stopped.
    Stopped,
    /// It failed: why.
    Failed(String),
}

/// How far a check is.
pub enum Stand {
    /// It ended.
    Ended(Arc<Found>),
    /// It runs: the name of its work, and its progress in past sales.
    Runs(String, Progress),
}

impl Checks {
    /// How far the check of a book is; it is begun where it is not known. Waits a moment for it. `back` is the
    /// address of the page that shows it.
    ///
    /// # Errors
    /// If a thread cannot be started.
    pub fn of(&self, jobs: &Jobs, root: PathBuf, key: &Key, back: &str) -> Result<Stand, AppError> {
        if let Some(id) = self.known(key)
            && let Some(stand) = stand(jobs, id)
        {
            return Ok(stand);
        }
        let id = self.begin(jobs, root, key, back)?;
        Ok(stand(jobs, id).unwrap_or_else(fault))
    }

    /// The name of the work of a check.
    fn known(&self, key: &Key) -> Option<String> {
        let known = self.known.borrow();
        let found = known.iter().find(|(of, _)| of == key);
        found.map(|(_, id)| id.clone())
    }

    /// Forgets a check that did not come to its end, so that it is begun anew.
    pub fn again(&self, jobs: &Jobs, key: &Key) {
        let done = |id: &str| match jobs.outcome::<Found>(id) {
            Outcome::Ended(found) => matches!(*found, Found::Checked(..)),
            Outcome::Running(progress) => !progress.is_cancelled(),
            Outcome::Broken | Outcome::Unknown => false,
        };
        let mut known = self.known.borrow_mut();
        known.retain(|(of, id)| of != key || done(id));
    }

    fn begin(&self, jobs: &Jobs, root: PathBuf, key: &Key, back: &str) -> Result<String, AppError> {
        let mut known = self.known.borrow_mut();
        // Nobody looks at what was asked of another state of the files.
        let (mut kept, old): (Vec<_>, Vec<_>) = known
            .drain(..)
            .partition(|(of, _)| of.0 == key.0 && of != key);
        let surplus = (kept.len() + 1).saturating_sub(KEPT);
        let surplus: Vec<_> = kept.drain(..surplus).collect();
        for (_, id) in old.iter().chain(&surplus) {
            jobs.cancel(id);
        }
        let model = key.1.clone();
        let started = jobs.start(back, move |progress| {
            found(root, model.as_deref(), progress)
        });
        let id = started.map_err(AppError::io("a thread", "start"))?;
        kept.push((key.clone(), id.clone()));
        *known = kept;
        Ok(id)
    }
}

/// How far a work is after a moment; none if it is not remembered.
fn stand(jobs: &Jobs, id: String) -> Option<Stand> {
    let begun = Instant::now();
    loop {
        match jobs.outcome::<Found>(&id) {
            Outcome::Ended(found) => return Some(Stand::Ended(found)),
            Outcome::Running(progress) if progress.is_cancelled() => {
                return Some(Stand::Ended(Arc::new(Found::Stopped)));
            }
            Outcome::Running(progress) if begun.elapsed() > PATIENCE => {
                return Some(Stand::Runs(id, progress));
            }
            Outcome::Running(_) => std::thread::sleep(Duration::from_millis(4)),
            Outcome::Broken => return Some(fault()),
            Outcome::Unknown => return None,
        }
    }
}

fn fault() -> Stand {
    let why = "The check failed by a fault of the program.";
    Stand::Ended(Arc::new(Found::Failed(why.into())))
}

fn found(root: PathBuf, model: Option<&str>, progress: &Progress) -> Found {
    // Threads of its own, so that other pages do not wait behind it.
    let threads = std::thread::available_parallelism().map_or(1, |all| all.get().max(2) - 1);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    let pool = match pool {
        Ok(pool) => pool,
        Err(error) => return Found::Failed(error.to_string()),
    };
    let mut notices = Vec::new();
    let checked = pool.install(|| {
        let book = Book::open(Some(&root))?;
        let mut notice = |text: &str| notices.push(text.to_string());
        check(&book, model, &mut notice, &|done, of| {
            progress.reach(done as u64, of as u64);
            if progress.is_cancelled() {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        })
    });
    match checked {
        Ok(checked) => Found::Checked(checked, notices),
        Err(_) if progress.is_cancelled() => Found::Stopped,
        Err(error) => Found::Failed(sentence(&error)),
    }
}
