//! Long work beside the pages, on threads of its own: with its progress, and a way to end it. A page shows it with
//! [`shown`]; the script asks `GET /work/ID` how far it is, and its button sends `POST /work/ID` to end it.

use std::any::Any;
use std::collections::BTreeMap;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use maud::{Markup, html};
use serde_json::json;

use crate::render::html::visible;

/// Most works remembered.
const REMEMBERED: usize = 40;

/// How far a work is, and whether it is to end. Clones are the same.
#[derive(Debug, Clone, Default)]
pub struct Progress(Arc<Counts>);

#[derive(Debug, Default)]
struct Counts {
    done: AtomicU64,
    of: AtomicU64,
    cancelled: AtomicBool,
}

impl Progress {
    /// Begins anew with so many steps in all; 0 if that is not known.
    pub fn begin(&self, of: u64) {
        self.0.done.store(0, Ordering::Relaxed);
        self.0.of.store(of, Ordering::Relaxed);
    }

    /// So many steps are done.
    pub fn at(&self, done: u64) {
        self.0.done.store(done, Ordering::Relaxed);
    }

    /// Steps done, and steps in all.
    pub fn steps(&self) -> (u64, u64) {
        let read = |count: &AtomicU64| count.load(Ordering::Relaxed);
        (read(&self.0.done), read(&self.0.of))
    }

    /// Whether the work is to end.
    pub fn is_cancelled(&self) -> bool {
        self.0.cancelled.load(Ordering::Relaxed)
    }

    /// Asks the work to end.
    pub fn cancel(&self) {
        self.0.cancelled.store(true, Ordering::Relaxed);
    }
}

/// What is known of a work.
#[derive(Debug, Clone)]
pub enum Outcome<T> {
    /// It is under way.
    Running(Progress),
    /// It ended with this.
    Ended(Arc<T>),
    /// It failed by a fault of the program.
    Broken,
    /// There is none of this name, or it is long past.
    Unknown,
}

struct Job {
    /// Counts up in the order of the starts.
    order: u64,
    progress: Progress,
    result: Arc<Mutex<Result>>,
    /// Address to go to after it was cancelled.
    back: String,
    thread: Option<JoinHandle<()>>,
}

enum Result {
    Running,
    Ended(Arc<dyn Any + Send + Sync>),
    Broken,
}

/// All works of a desk. Clones are the same.
#[derive(Clone, Default)]
pub struct Jobs(Arc<Mutex<BTreeMap<String, Job>>>);

impl Jobs {
    fn known(&self) -> MutexGuard<'_, BTreeMap<String, Job>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Starts a work; `back` is the address of the page that shows it. Returns its name.
    ///
    /// # Errors
    /// If the system gives no thread.
    pub fn start<T: Send + Sync + 'static>(
        &self,
        back: &str,
        work: impl FnOnce(&Progress) -> T + Send + 'static,
    ) -> io::Result<String> {
        let progress = Progress::default();
        let result = Arc::new(Mutex::new(Result::Running));
        let (mine, into) = (progress.clone(), result.clone());
        let thread = std::thread::Builder::new().name("work".into());
        let thread = thread.spawn(move || {
            let done = catch_unwind(AssertUnwindSafe(|| work(&mine)));
            let mut into = into.lock().unwrap_or_else(PoisonError::into_inner);
            *into = done.map_or(Result::Broken, |done| Result::Ended(Arc::new(done)));
        })?;
        let id = token();
        let mut known = self.known();
        let order = known.values().map(|job| job.order + 1).max();
        let job = Job {
            order: order.unwrap_or_default(),
            progress,
            result,
            back: back.to_string(),
            thread: Some(thread),
        };
        known.insert(id.clone(), job);
        while known.len() > REMEMBERED
            && let Some(oldest) = oldest(&known)
        {
            known.remove(&oldest);
        }
        Ok(id)
    }

    /// What is known of a work that gives a `T`.
    pub fn outcome<T: Send + Sync + 'static>(&self, id: &str) -> Outcome<T> {
        let known = self.known();
        let Some(job) = known.get(id) else {
            return Outcome::Unknown;
        };
        let result = job.result.lock().unwrap_or_else(PoisonError::into_inner);
        match &*result {
            Result::Running => Outcome::Running(job.progress.clone()),
            Result::Broken => Outcome::Broken,
            Result::Ended(done) => {
                let done = Arc::clone(done).downcast();
                done.map_or(Outcome::Unknown, Outcome::Ended)
            }
        }
    }

    /// How far a work is, for the script.
    pub fn report(&self, id: &str) -> Option<String> {
        let known = self.known();
        let job = known.get(id)?;
        let result = job.result.lock().unwrap_or_else(PoisonError::into_inner);
        let running = matches!(&*result, Result::Running);
        let (done, of) = job.progress.steps();
        Some(json!({ "running": running, "done": done, "of": of }).to_string())
    }

    /// Asks a work to end; the address to go to.
    pub fn cancel(&self, id: &str) -> Option<String> {
        let known = self.known();
        let job = known.get(id)?;
        job.progress.cancel();
        Some(job.back.clone())
    }

    /// Asks all works to end, and waits for them: what is being written is written to its end.
    pub fn end(&self) {
        let threads: Vec<_> = {
            let mut known = self.known();
            let jobs = known.values_mut().inspect(|job| job.progress.cancel());
            jobs.filter_map(|job| job.thread.take()).collect()
        };
        for thread in threads {
            // A fault in it was caught there.
            let _ = thread.join();
        }
    }
}

/// The oldest work that ended.
fn oldest(known: &BTreeMap<String, Job>) -> Option<String> {
    let ended = known.iter().filter(|(_, job)| {
        let result = job.result.lock().unwrap_or_else(PoisonError::into_inner);
        !matches!(&*result, Result::Running)
    });
    let oldest = ended.min_by_key(|(_, job)| job.order);
    oldest.map(|(id, _)| id.clone())
}

/// A random word that nobody guesses; one that counts up where the system gives no random numbers.
pub fn token() -> String {
    static COUNT: AtomicU64 = AtomicU64::new(0);
    let mut bytes = [0_u8; 16];
    if getrandom::fill(&mut bytes).is_err() {
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        bytes[..8].copy_from_slice(&count.to_be_bytes());
    }
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The part of a page that shows a work under way: what it does, its progress, and a button to end it.
pub fn shown(id: &str, progress: &Progress, doing: &str) -> Markup {
    let (done, of) = progress.steps();
    let share = if of == 0 { 0 } else { 100 * done.min(of) / of };
    html! {
        section.work data-work=(id) {
            h2 id="work-name" { (visible(doing)) }
            progress aria-labelledby="work-name" max="100" value=(share) { (share) " %" }
            p { a href="" { "Look again" } }
            form method="post" action={ "/work/" (id) } {
                p.send { button type="submit" { "Cancel" } }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::{Duration, Instant};

    fn ended<T: Send + Sync + Clone + 'static>(jobs: &Jobs, id: &str) -> Outcome<T> {
        let begun = Instant::now();
        loop {
            match jobs.outcome::<T>(id) {
                Outcome::Running(_) if begun.elapsed() < Duration::from_secs(20) => {
                    std::thread::sleep(Duration::from_millis(2));
                }
                other => return other,
            }
        }
    }

    #[test]
    fn a_work_tells_how_far_it_is_and_what_came_of_it() {
        let jobs = Jobs::default();
        let (go, wait) = std::sync::mpsc::channel::<()>();
        let work = move |progress: &Progress| {
            progress.begin(10);
            progress.at(4);
            let _ = wait.recv();
            42_u32
        };
        let id = jobs.start("/sales", work).unwrap();
        let begun = Instant::now();
        while !jobs.report(&id).unwrap().contains("\"done\":4") {
            assert!(begun.elapsed() < Duration::from_secs(20));
        }
        assert!(matches!(jobs.outcome::<u32>(&id), Outcome::Running(_)));
        go.send(()).unwrap();
        assert!(matches!(ended::<u32>(&jobs, &id), Outcome::Ended(n) if *n == 42));
        assert!(jobs.report(&id).unwrap().contains("\"running\":false"));
        assert!(matches!(jobs.outcome::<u32>("x"), Outcome::Unknown));
        assert_eq!(jobs.cancel("x"), None);
    }

    #[test]
    fn a_work_can_be_ended_and_a_fault_is_caught() {
        let jobs = Jobs::default();
        let work = |progress: &Progress| {
            while !progress.is_cancelled() {
                std::thread::sleep(Duration::from_millis(1));
            }
            "ended".to_string()
        };
        let id = jobs.start("/sales?sheet=1", work).unwrap();
        assert_eq!(jobs.cancel(&id).as_deref(), Some("/sales?sheet=1"));
        assert!(matches!(ended::<String>(&jobs, &id), Outcome::Ended(_)));
        let other = jobs.start("/sales", work).unwrap();
        jobs.end();
        assert!(matches!(jobs.outcome::<String>(&other), Outcome::Ended(_)));
        let broken = jobs.start("/", |_| -> u8 { panic!("a fault") }).unwrap();
        assert!(matches!(ended::<u8>(&jobs, &broken), Outcome::Broken));
    }
}
