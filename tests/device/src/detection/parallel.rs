//! The records of a study on all processors, in their order.

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// `f` of 0 to `count`, in order.
///
/// # Panics
/// One of them does.
pub fn map<T: Send>(count: usize, f: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::with_capacity(count));
    let threads = thread::available_parallelism().map_or(1, usize::from).min(count.max(1));
    thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    if index >= count {
                        return;
                    }
                    let result = f(index);
                    done.lock().expect("no other thread has panicked").push((index, result));
                }
            });
        }
    });
    let mut done = done.into_inner().expect("no thread has panicked");
    done.sort_by_key(|(index, _)| *index);
    done.into_iter().map(|(_, result)| result).collect()
}
