//! The one thread that owns the book and does every job in order.

use std::cell::RefCell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;

use chrono::NaiveDate;
use tokio::sync::oneshot;

use super::checks::Checks;
use super::jobs::Jobs;
use super::page::sentence;
use super::ready::{Ready, Sent};
use crate::app::{AppError, Book, state};

/// A job; without an open book it gets the error.
type Job = Box<dyn FnOnce(Result<&Ready<'_>, &AppError>) + Send>;

/// Why a job has no result.
#[derive(Debug)]
pub enum Failure {
    /// The book could not be opened: why, and what to do.
    Closed(String),
    /// It failed by a fault of the program; the book was opened anew.
    Broken,
}

/// The thread, and the way to it. It ends when all handles are gone and its jobs are done.
#[derive(Clone)]
pub struct Worker {
    jobs: Sender<Job>,
}

impl Worker {
    /// Starts the thread for the book in a folder; `long` runs what takes long.
    ///
    /// # Errors
    /// If the thread cannot be started.
    pub fn start(root: PathBuf, long: Jobs) -> std::io::Result<(Self, JoinHandle<()>)> {
        let (jobs, waiting) = channel();
        let thread = std::thread::Builder::new().name("book".into());
        let thread = thread.spawn(move || work(&root, &long, &waiting))?;
        Ok((Self { jobs }, thread))
    }

    /// Does a job. If `needed` is false, it is left out when nobody waits for it any more.
    ///
    /// # Errors
    /// [`Failure`].
    pub async fn ask<T: Send + 'static>(
        &self,
        needed: bool,
        job: impl FnOnce(&Ready<'_>) -> T + Send + 'static,
    ) -> Result<T, Failure> {
        let (reply, answer) = oneshot::channel();
        let job: Job = Box::new(move |ready| {
            if reply.is_closed() && !needed {
                return;
            }
            // Nobody may be waiting any more.
            let _ = reply.send(match ready {
                Ok(ready) => Ok(job(ready)),
                Err(error) => Err(Failure::Closed(sentence(error))),
            });
        });
        self.jobs.send(job).map_err(|_| Failure::Broken)?;
        answer.await.map_err(|_| Failure::Broken)?
    }
}

/// The present day by the clock of this computer.
pub fn today() -> NaiveDate {
    chrono::Local::now().date_naive()
}

/// Does the jobs until there can be no more: the book is opened anew whenever its files have changed, on a new day,
/// and after a fault.
fn work(root: &Path, long: &Jobs, jobs: &Receiver<Job>) {
    let sent = RefCell::new(Sent::default());
    let checks = Checks::default();
    // An error here is also that of the first request.
    let begin: Job = Box::new(|ready| drop(ready.map(Ready::warm_up)));
    let mut next = Some(begin);
    while let Some(job) = next.take() {
        let (book, mark) = match open(root) {
            Ok(opened) => opened,
            Err(error) => {
                let _ = catch_unwind(AssertUnwindSafe(|| job(Err(&error))));
                next = jobs.recv().ok();
                continue;
            }
        };
        let day = today();
        let ready = Ready::new(&book, day, mark, (&sent, long, &checks));
        next = serve(&ready, (mark, day), job, jobs);
    }
}

/// Does jobs with an open book; returns the first one for which it must be opened anew.
fn serve(
    ready: &Ready<'_>,
    (mark, day): (u64, NaiveDate),
    first: Job,
    jobs: &Receiver<Job>,
) -> Option<Job> {
    let mut job = first;
    loop {
        let done = catch_unwind(AssertUnwindSafe(|| job(Ok(ready))));
        let next = jobs.recv().ok()?;
        let same = state::of(ready.book()).is_ok_and(|now| now == mark);
        if done.is_err() || !same || today() != day {
            return Some(next);
        }
        job = next;
    }
}

/// The book in a folder, and the state of its files before anything of it was read.
fn open(root: &Path) -> Result<(Book, u64), AppError> {
    let mark = state::of(&Book::open(Some(root))?)?;
    Ok((Book::open(Some(root))?, mark))
}
