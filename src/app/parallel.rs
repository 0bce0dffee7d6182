//! Work shared among all cores.

use super::AppError;
use std::sync::atomic::AtomicUsize;
use std::sync::atomic::Ordering;

/// `work` on each of `items`, on all cores; results in the order of the items, or the first error in
/// that order.
pub(crate) fn in_parallel<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(&T) -> Result<R, AppError> + Sync,
) -> Result<Vec<R>, AppError> {
    let next = AtomicUsize::new(0);
    // Not a parallel iterator: a thread of it that waits for polars would begin one item on top of another.
    let shares = rayon::broadcast(|_| {
        let mut done = Vec::new();
        loop {
            let at = next.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(at) else {
                return done;
            };
            let made = work(item);
            let failed = made.is_err();
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
