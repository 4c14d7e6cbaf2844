//! The hands that do the work.

use std::num::NonZero;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::thread::available_parallelism;

use rayon::{ThreadPool, ThreadPoolBuilder};

use super::Trouble;

/// More hands than this only get in each other's way on one drive.
const MOST: usize = 8;

/// One hand a core, for one piece of work: it ends with the pool.
///
/// # Errors
/// When threads cannot be made.
pub fn pool() -> Result<ThreadPool, Trouble> {
    let cores = available_parallelism().map_or(2, NonZero::get);
    ThreadPoolBuilder::new()
        .num_threads(cores.clamp(2, MOST))
        .thread_name(|number| format!("hand {number}"))
        .build()
        .map_err(|error| Trouble::Index(std::io::Error::other(error)))
}

/// A lock whose holder panicked still holds facts.
pub fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
