//! Long work beside the thread of the book: it shows progress and can be cancelled.
//!
//! Work runs on a thread of its own with a handle of the book of its own. Cancelled work stops at its next report of
//! progress by unwinding; what a use case writes it writes whole or not at all, so nothing is left half written.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use maud::html;

use super::page::{Page, Reply, View};
use crate::app::parallel::lock;
use crate::app::{AppError, Book};
use crate::render::numbers::count;

/// Most pieces of work at one time.
const MOST: usize = 2;

/// Most finished pieces of work that are kept, to be looked at.
const KEPT: usize = 20;

/// The pieces of work of a run.
#[derive(Clone)]
pub struct Jobs {
    root: PathBuf,
    known: Arc<Mutex<Known>>,
}

#[derive(Default)]
struct Known {
    next: u64,
    work: BTreeMap<u64, Arc<Work>>,
    threads: Vec<JoinHandle<()>>,
}

/// A piece of work.
struct Work {
    view: View,
    title: String,
    progress: Progress,
    state: Mutex<State>,
}

enum State {
    Running,
    /// The address of the desk where its result is.
    Done(String),
    Failed(String),
    Cancelled,
}

/// How far work is, as it reports itself.
#[derive(Clone, Default)]
pub struct Progress {
    done: Arc<AtomicUsize>,
    of: Arc<AtomicUsize>,
    cancelled: Arc<AtomicBool>,
}

/// The reason of an unwinding that is no fault.
struct Cancelled;

impl Progress {
    /// Reports that this many of all are done; 0 of 0 is not known. Does not return once the work is cancelled.
    pub fn at(&self, done: usize, of: usize) {
        self.reach(done, of);
        self.check();
    }

    /// Reports that this many of all are done, and returns in any case.
    pub fn reach(&self, done: usize, of: usize) {
        self.done.store(done, Ordering::Relaxed);
        self.of.store(of, Ordering::Relaxed);
    }

    /// Does not return once the work is cancelled.
    pub fn check(&self) {
        if self.is_cancelled() {
            resume_unwind(Box::new(Cancelled));
        }
    }

    /// Whether the work is to end.
    pub fn is_cancelled(&self) -> bool {
        self.cancelled.load(Ordering::Relaxed)
    }
}

impl Jobs {
    /// No work yet, for the book in a folder.
    pub fn new(root: PathBuf) -> Self {
        Self {
            root,
            known: Arc::default(),
        }
    }

    /// Starts work for a view; the reply leads to the page that shows how far it is. What it returns is the address of
    /// the desk where its result is.
    ///
    /// # Errors
    /// If other work has to end first, or no thread can be started.
    pub fn start(
        &self,
        view: View,
        title: &str,
        job: impl FnOnce(&Book, &Progress) -> Result<String, AppError> + Send + 'static,
    ) -> Result<Reply, AppError> {
        let mut known = lock(&self.known);
        let running = known.work.values().filter(|work| work.is_running());
        if running.count() >= MOST {
            return Err(AppError::Refused {
                message: "other work is still going on".into(),
                next: "wait until it is done, or cancel it".into(),
            });
        }
        known.forget();
        let work = Arc::new(Work {
            view,
            title: title.to_string(),
            progress: Progress::default(),
            state: Mutex::new(State::Running),
        });
        let (root, mine) = (self.root.clone(), work.clone());
        let thread = std::thread::Builder::new().name("work".into());
        let thread = thread
            .spawn(move || mine.run(&root, job))
            .map_err(AppError::io(&self.root, "start a thread for"))?;
        known.threads.push(thread);
        known.next += 1;
        let id = known.next;
        known.work.insert(id, work);
        Ok(Reply::SeeOther(address(id)))
    }

    /// The page of a piece of work, or where its result is; none if there is no such work.
    pub fn show(&self, id: u64) -> Option<Reply> {
        let work = lock(&self.known).work.get(&id).cloned()?;
        Some(work.show(id))
    }

    /// Asks work to end; none if there is no such work.
    pub fn cancel(&self, id: u64) -> Option<Reply> {
        let work = lock(&self.known).work.get(&id).cloned()?;
        work.progress.cancelled.store(true, Ordering::Relaxed);
        Some(Reply::SeeOther(address(id)))
    }

    /// Cancels everything and waits for it to end, at most this long.
    pub fn end(&self, patience: Duration) {
        let (work, threads) = {
            let mut known = lock(&self.known);
            (
                std::mem::take(&mut known.work),
                std::mem::take(&mut known.threads),
            )
        };
        for one in work.values() {
            one.progress.cancelled.store(true, Ordering::Relaxed);
        }
        let begun = Instant::now();
        for thread in threads {
            while !thread.is_finished() && begun.elapsed() < patience {
                std::thread::sleep(Duration::from_millis(10));
            }
        }
    }
}

/// Address of the page of a piece of work.
fn address(id: u64) -> String {
    format!("/work/{id}")
}

impl Known {
    /// Forgets the oldest finished work and the threads that have ended.
    fn forget(&mut self) {
        self.threads.retain(|thread| !thread.is_finished());
        let finished = self.work.iter().filter(|(_, work)| !work.is_running());
        let finished: Vec<u64> = finished.map(|(id, _)| *id).collect();
        for id in &finished[..finished.len().saturating_sub(KEPT)] {
            self.work.remove(id);
        }
    }
}

impl Work {
    fn is_running(&self) -> bool {
        matches!(*lock(&self.state), State::Running)
    }

    fn run(
        &self,
        root: &std::path::Path,
        job: impl FnOnce(&Book, &Progress) -> Result<String, AppError>,
    ) {
        let progress = &self.progress;
        let done = catch_unwind(AssertUnwindSafe(|| {
            let book = Book::open(Some(root))?;
            job(&book, progress)
        }));
        *lock(&self.state) = match done {
            Ok(Ok(address)) => State::Done(address),
            Ok(Err(error)) => State::Failed(super::page::sentence(&error)),
            Err(reason) if reason.is::<Cancelled>() => State::Cancelled,
            // Work that shares itself out over threads may not hand the reason on.
            Err(_) if progress.is_cancelled() => State::Cancelled,
            Err(_) => State::Failed("A fault of the program, not yours.".into()),
        };
    }

    fn show(&self, id: u64) -> Reply {
        let page = |answer| Page::new(self.view, html! {}, answer).titled(&self.title);
        let link = html! { p { a href=(self.view.path()) { "Back to " (self.view.name()) } } };
        match &*lock(&self.state) {
            State::Running => Reply::Page(page(self.bar(id))),
            State::Done(address) => Reply::SeeOther(address.clone()),
            State::Failed(why) => Reply::Page(page(link).with_error(why)),
            State::Cancelled => {
                let words = format!("{}: cancelled. Nothing was changed.", self.title);
                Reply::Page(page(link).with_note(words))
            }
        }
    }

    fn bar(&self, id: u64) -> maud::Markup {
        let done = self.progress.done.load(Ordering::Relaxed);
        let of = self.progress.of.load(Ordering::Relaxed);
        let stopping = self.progress.is_cancelled();
        let what = match self.view {
            View::Check => "sale",
            _ => "row",
        };
        html! {
            section id="working" data-poll=(address(id)) {
                h2 { (self.title) }
                @if of > 0 {
                    progress max=(of) value=(done) aria-label=(self.title) {}
                    p.muted { (count(done, what)) " of " (of) }
                } @else {
                    progress aria-label=(self.title) {}
                    p.muted { "Reading" }
                }
                @if stopping {
                    p { "It is being cancelled." }
                } @else {
                    form method="post" action={ (address(id)) "/cancel" } { button type="submit" { "Cancel" } }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::channel;

    use super::*;

    fn until(jobs: &Jobs, wanted: impl Fn(&Reply) -> bool) -> Reply {
        let begun = Instant::now();
        loop {
            let shown = jobs.show(1).unwrap();
            if wanted(&shown) {
                return shown;
            }
            assert!(begun.elapsed() < Duration::from_secs(20), "{shown:?}");
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    fn book() -> (tempfile::TempDir, Jobs) {
        let dir = tempfile::tempdir().unwrap();
        Book::init(dir.path()).unwrap();
        let jobs = Jobs::new(dir.path().to_path_buf());
        (dir, jobs)
    }

    #[test]
    fn work_shows_how_far_it_is_and_where_it_led() {
        let (_dir, jobs) = book();
        let (go, wait) = channel();
        let started = jobs.start(View::Sales, "Import", move |_, progress| {
            progress.at(3, 8);
            wait.recv().unwrap();
            Ok("/sales".into())
        });
        assert!(matches!(started, Ok(Reply::SeeOther(address)) if address == "/work/1"));
        let bar = until(
            &jobs,
            |shown| matches!(shown, Reply::Page(page) if page.answer.0.contains("3 rows of 8")),
        );
        assert!(matches!(bar, Reply::Page(page) if page.answer.0.contains("/work/1/cancel")));
        go.send(()).unwrap();
        until(
            &jobs,
            |shown| matches!(shown, Reply::SeeOther(address) if address == "/sales"),
        );
        assert!(jobs.show(2).is_none() && jobs.cancel(2).is_none());
    }

    #[test]
    fn cancelled_work_ends() {
        let (_dir, jobs) = book();
        let (ended, wait) = channel::<()>();
        let started = jobs.start(View::Check, "Check", move |_, progress| {
            let _held = ended;
            loop {
                progress.at(1, 2);
                std::thread::sleep(Duration::from_millis(1));
            }
        });
        assert!(started.is_ok());
        jobs.cancel(1).unwrap();
        assert!(
            wait.recv_timeout(Duration::from_secs(20))
                == Err(std::sync::mpsc::RecvTimeoutError::Disconnected)
        );
        let said = |page: &Page| format!("{:?}", page.messages).contains("Nothing was changed");
        until(
            &jobs,
            |shown| matches!(shown, Reply::Page(page) if said(page)),
        );
    }

    #[test]
    fn failed_work_states_why() {
        let (_dir, jobs) = book();
        let failed = |_: &Book, _: &Progress| Err(AppError::Usage("no such sheet".into()));
        jobs.start(View::Sales, "Import", failed).unwrap();
        let said = |page: &Page| format!("{:?}", page.messages).contains("no such sheet");
        until(
            &jobs,
            |shown| matches!(shown, Reply::Page(page) if said(page)),
        );
    }
}
