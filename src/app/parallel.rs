//! Work shared among all cores.

use super::AppError;
use std::sync::atomic::AtomicUsize;
use std::sync::atomic::Ordering;

/// `work` on each of `items`, on all cores; results in no order.
pub(crate) fn in_parallel<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(&T) -> Result<R, AppError> + Sync,
) -> Result<Vec<R>, AppError> {
    let next = AtomicUsize::new(0);
    let share = || -> Result<Vec<R>, AppError> {
        let mut done = Vec::new();
        while let Some(item) = items.get(next.fetch_add(1, Ordering::Relaxed)) {
            done.push(work(item)?);
        }
        Ok(done)
    };
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        let running: Vec<_> = (0..threads).map(|_| scope.spawn(share)).collect();
        let mut all = Vec::new();
        for thread in running {
            match thread.join() {
                Ok(done) => all.extend(done?),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        Ok(all)
    })
}
