//! Distributes work among all cores.

use super::AppError;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Calls `work` for each of `items`, on all cores. Returns the results in the order of the items,
/// or the first error in that order.
pub(crate) fn in_parallel<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(&T) -> Result<R, AppError> + Sync,
) -> Result<Vec<R>, AppError> {
    shared(items, work, Result::is_err).into_iter().collect()
}

/// Calls `work` for each of `items`, on all cores. Returns the results in the order of the items.
pub(crate) fn each_in_parallel<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(&T) -> R + Sync,
) -> Vec<R> {
    shared(items, work, |_| false)
}

/// Calls `work` for each of `items`; a thread stops after a result that is the `last`.
fn shared<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(&T) -> R + Sync,
    last: impl Fn(&R) -> bool + Sync,
) -> Vec<R> {
    let next = AtomicUsize::new(0);
    // Not a parallel iterator: a thread that waits for polars would begin another item in the
    // meantime.
    let shares = rayon::broadcast(|_| {
        let mut done = Vec::new();
        loop {
            let at = next.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(at) else {
                return done;
            };
            let made = work(item);
            let failed = last(&made);
            done.push((at, made));
            if failed {
                return done;
            }
        }
    });
    let mut all: Vec<_> = shares.into_iter().flatten().collect();
    all.sort_unstable_by_key(|(at, _)| *at);
    all.into_iter().map(|(_, made)| made).collect()
}

/// Locks a shared value for one thread. The value is consistent after each change, so that the
/// panic of another thread does no harm.
pub(crate) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
