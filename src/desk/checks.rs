//! Checks of past estimates, each on a thread of its own: a first one of a large book takes minutes.

use std::cell::RefCell;
use std::ops::ControlFlow;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::Duration;

use super::worker::sentence;
use crate::app::check::{Checked, check};
use crate::app::{AppError, Book};

/// Most checks kept, those that run among them.
const KEPT: usize = 4;

/// Longest wait for a check before the page shows how far it is.
const PATIENCE: Duration = Duration::from_millis(1_200);

/// The state of the files of a book as [`super::ready::Ready::seen`] says it, and a model or the whole book.
pub type Key = (String, Option<String>);

/// The checks of a run of the desk, oldest first.
#[derive(Default)]
pub struct Checks {
    known: RefCell<Vec<(Key, Arc<Work>)>>,
}

/// A check that runs or ran.
#[derive(Default)]
struct Work {
    done: AtomicUsize,
    of: AtomicUsize,
    stop: AtomicBool,
    found: Mutex<Option<Found>>,
    ended: Condvar,
}

/// What a check found, with its notices; or why it failed.
type Found = Result<Arc<(Checked, Vec<String>)>, String>;

/// How far a check is.
pub enum Stand {
    /// It is done.
    Done(Arc<(Checked, Vec<String>)>),
    /// It runs: past sales done, of how many that are to be estimated.
    Runs(usize, usize),
    /// It was stopped.
    Stopped,
    /// It failed: why.
    Failed(String),
}

impl Checks {
    /// Where the check of a book stands. It is begun if it is not known, or if it was stopped and `again` is asked
    /// for. Waits a moment for it.
    ///
    /// # Errors
    /// If a thread cannot be started.
    pub fn of(&self, root: PathBuf, key: &Key, again: bool) -> Result<Stand, AppError> {
        let mut known = self.known.borrow_mut();
        if again {
            known.retain(|(of, work)| of != key || !work.stop.load(Ordering::Relaxed));
        }
        let work = match known.iter().find(|(of, _)| of == key) {
            Some((_, work)) => work.clone(),
            None => {
                // Nobody looks at what was asked of another state of the files.
                known.retain(|(of, work)| of.0 == key.0 || !work.end());
                if known.len() >= KEPT {
                    known.remove(0).1.end();
                }
                let work = Arc::new(Work::default());
                begin(root, key.1.clone(), work.clone())?;
                known.push((key.clone(), work.clone()));
                work
            }
        };
        let stand = work.stand();
        if matches!(stand, Stand::Failed(_)) {
            known.retain(|(of, _)| of != key);
        }
        Ok(stand)
    }

    /// Stops a check.
    pub fn stop(&self, key: &Key) {
        let known = self.known.borrow();
        let such = known.iter().filter(|(of, _)| of == key);
        such.for_each(|(_, work)| {
            work.end();
        });
    }
}

impl Drop for Checks {
    fn drop(&mut self) {
        self.known.get_mut().iter().for_each(|(_, work)| {
            work.end();
        });
    }
}

impl Work {
    /// Stops it; true.
    fn end(&self) -> bool {
        self.stop.store(true, Ordering::Relaxed);
        true
    }

    /// Where it stands after a moment.
    fn stand(&self) -> Stand {
        let found = self.found.lock().unwrap_or_else(PoisonError::into_inner);
        let waited = self.ended.wait_timeout_while(found, PATIENCE, |found| {
            found.is_none() && !self.stop.load(Ordering::Relaxed)
        });
        let (found, _) = waited.unwrap_or_else(PoisonError::into_inner);
        match &*found {
            Some(Ok(checked)) => Stand::Done(checked.clone()),
            _ if self.stop.load(Ordering::Relaxed) => Stand::Stopped,
            Some(Err(why)) => Stand::Failed(why.clone()),
            None => Stand::Runs(
                self.done.load(Ordering::Relaxed),
                self.of.load(Ordering::Relaxed),
            ),
        }
    }

    fn report(&self, done: usize, of: usize) -> ControlFlow<()> {
        self.done.store(done, Ordering::Relaxed);
        self.of.store(of, Ordering::Relaxed);
        if self.stop.load(Ordering::Relaxed) {
            return ControlFlow::Break(());
        }
        ControlFlow::Continue(())
    }
}

fn begin(root: PathBuf, model: Option<String>, work: Arc<Work>) -> Result<(), AppError> {
    let failed = AppError::io("a thread", "start");
    let run = move || {
        let made = catch_unwind(AssertUnwindSafe(|| made(root, model.as_deref(), &work)));
        let found =
            made.unwrap_or_else(|_| Err("The check failed by a fault of the program.".into()));
        *work.found.lock().unwrap_or_else(PoisonError::into_inner) = Some(found);
        work.ended.notify_all();
    };
    let thread = std::thread::Builder::new().name("check".into());
    thread.spawn(run).map(|_| ()).map_err(failed)
}

fn made(root: PathBuf, model: Option<&str>, work: &Work) -> Found {
    // Threads of its own, so that other pages do not wait behind it.
    let threads = std::thread::available_parallelism().map_or(1, |all| all.get().max(2) - 1);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    let pool = pool.map_err(|error| error.to_string())?;
    let mut notices = Vec::new();
    let checked = pool.install(|| {
        let book = Book::open(Some(&root))?;
        let mut notice = |text: &str| notices.push(text.to_string());
        check(&book, model, &mut notice, &|done, of| work.report(done, of))
    });
    match checked {
        Ok(checked) => Ok(Arc::new((checked, notices))),
        Err(error) => Err(sentence(&error)),
    }
}
