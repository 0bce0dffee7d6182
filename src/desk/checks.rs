//! Checks of past estimates as work beside the pages: a first one of a large book takes minutes.

use std::ops::ControlFlow;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use super::jobs::{Jobs, Progress};
use super::page::{Reply, View};
use crate::app::check::{Checked, check};
use crate::app::parallel::lock;
use crate::app::{AppError, Book};

/// Most checks kept, those that run among them.
const KEPT: usize = 4;

/// Longest wait for a check before the page shows how far it is.
const PATIENCE: Duration = Duration::from_millis(1_000);

/// The state of the files of a book by [`super::ready::Ready::seen`], and a model or the whole book.
pub type Key = (String, Option<String>);

/// The checks of a run of the desk, oldest first.
#[derive(Default)]
pub struct Checks {
    known: Mutex<Vec<One>>,
}

struct One {
    key: Key,
    /// Address of the page of its work.
    address: String,
    stand: Arc<Mutex<Stand>>,
}

/// A check that is done, with its notices.
pub type Found = Arc<(Checked, Vec<String>)>;

/// How far a check is.
#[derive(Clone)]
pub enum Stand {
    /// It runs: the address of its work.
    Runs(String),
    /// It is done.
    Done(Found),
    /// It was stopped.
    Stopped,
    /// It failed: why.
    Failed(String),
}

impl Checks {
    /// How far the check of a book is; it is begun where it is not known. Waits a moment for it. `back` is the
    /// address of the page that shows it.
    ///
    /// # Errors
    /// If it cannot be started.
    pub fn of(&self, jobs: &Jobs, key: &Key, back: &str) -> Result<Stand, AppError> {
        let mut known = lock(&self.known);
        let at = known.iter().position(|one| one.key == *key);
        let one = match at {
            Some(at) => &known[at],
            None => {
                let one = begin(jobs, key, back)?;
                make_room(&mut known, key, jobs);
                known.push(one);
                &known[known.len() - 1]
            }
        };
        let begun = Instant::now();
        loop {
            let stand = lock(&one.stand).clone();
            match stand {
                Stand::Runs(_) if begun.elapsed() > PATIENCE => {
                    return Ok(Stand::Runs(one.address.clone()));
                }
                Stand::Runs(_) => std::thread::sleep(Duration::from_millis(4)),
                other => return Ok(other),
            }
        }
    }

    /// Forgets a check that ended and is not done, so that it is begun anew.
    pub fn again(&self, key: &Key) {
        let ended = |one: &One| matches!(*lock(&one.stand), Stand::Stopped | Stand::Failed(_));
        lock(&self.known).retain(|one| one.key != *key || !ended(one));
    }
}

/// Stops and forgets checks of another state of the files, and the oldest where there are too many.
fn make_room(known: &mut Vec<One>, key: &Key, jobs: &Jobs) {
    let same = known.iter().filter(|one| one.key.0 == key.0).count();
    let mut surplus = (same + 1).saturating_sub(KEPT);
    known.retain(|one| {
        let kept = one.key.0 == key.0 && surplus == 0;
        if one.key.0 == key.0 {
            surplus = surplus.saturating_sub(1);
        }
        if !kept
            && let Some(id) = one
                .address
                .rsplit('/')
                .next()
                .and_then(|id| id.parse().ok())
        {
            jobs.cancel(id);
        }
        kept
    });
}

fn begin(jobs: &Jobs, key: &Key, back: &str) -> Result<One, AppError> {
    let stand = Arc::new(Mutex::new(Stand::Runs(String::new())));
    let (into, model, back) = (Ends(stand.clone()), key.1.clone(), back.to_string());
    let started = jobs.start(View::Check, "The check runs", move |book, progress| {
        let done = made(book, model.as_deref(), progress);
        // Does not return if it was stopped.
        progress.check();
        *lock(&into.0) = match done {
            Ok(found) => Stand::Done(Arc::new(found)),
            Err(error) => Stand::Failed(super::page::sentence(&error)),
        };
        Ok(back)
    })?;
    let address = match started {
        Reply::SeeOther(address) => address,
        _ => View::Check.path().to_string(),
    };
    Ok(One {
        key: key.clone(),
        address,
        stand,
    })
}

/// Marks a check as stopped if it ends without a result.
struct Ends(Arc<Mutex<Stand>>);

impl Drop for Ends {
    fn drop(&mut self) {
        let mut stand = lock(&self.0);
        if matches!(*stand, Stand::Runs(_)) {
            *stand = Stand::Stopped;
        }
    }
}

fn made(
    book: &Book,
    model: Option<&str>,
    progress: &Progress,
) -> Result<(Checked, Vec<String>), AppError> {
    // Threads of its own, so that other pages do not wait behind it.
    let threads = std::thread::available_parallelism().map_or(1, |all| all.get().max(2) - 1);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    let pool = pool.map_err(|error| AppError::Usage(error.to_string()))?;
    let mut notices = Vec::new();
    let checked = pool.install(|| {
        let mut notice = |text: &str| notices.push(text.to_string());
        check(book, model, &mut notice, &|done, of| {
            progress.reach(done, of);
            if progress.is_cancelled() {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        })
    })?;
    Ok((checked, notices))
}
