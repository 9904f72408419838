//! Owns how many runs are carried out at once: a few threads that take one after the other.
//!
//! Always holds: the results stand in the order of the tasks, whatever the number of threads. It does
//! not know what a task is.

use std::sync::Mutex;
use std::sync::PoisonError;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// Told how many steps of how many are done.
pub type Told<'t> = dyn Fn(usize, usize) + Sync + 't;

/// Counts steps.
pub struct Steps<'t> {
    done: AtomicUsize,
    all: usize,
    told: &'t Told<'t>,
}

impl<'t> Steps<'t> {
    /// None of `all` is done.
    pub fn new(all: usize, told: &'t Told<'t>) -> Steps<'t> {
        Steps {
            done: AtomicUsize::new(0),
            all,
            told,
        }
    }

    /// One more is done.
    pub fn step(&self) {
        let done = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        (self.told)(done.min(self.all), self.all);
    }
}

/// Does `run` for each of `tasks` on at most `threads` threads; `done` is told after each.
pub fn all<T: Send, R: Send>(
    threads: usize,
    tasks: Vec<T>,
    run: &(dyn Fn(T) -> R + Sync),
    done: &(dyn Fn() + Sync),
) -> Vec<R> {
    let threads = threads.clamp(1, tasks.len().max(1));
    let mut results: Vec<Option<R>> = tasks.iter().map(|_| None).collect();
    let waiting = Mutex::new(tasks.into_iter().zip(results.iter_mut()));
    let work = || {
        loop {
            // The iterator is whole between any two statements that could panic.
            let next = waiting
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .next();
            let Some((task, result)) = next else {
                return;
            };
            *result = Some(run(task));
            done();
        }
    };
    thread::scope(|scope| {
        for _ in 1..threads {
            scope.spawn(work);
        }
        work();
    });
    let done = results.into_iter();
    done.map(|result| result.expect("every task was taken by somebody, who finished it"))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_stand_in_the_order_of_the_tasks() {
        for threads in [0, 1, 2, 7] {
            let told = AtomicUsize::new(0);
            let done = || {
                told.fetch_add(1, Ordering::Relaxed);
            };
            let squares = all(threads, (0..50_u64).collect(), &|n| n * n, &done);
            assert!(squares.into_iter().eq((0..50).map(|n| n * n)), "{threads}");
            assert_eq!(told.load(Ordering::Relaxed), 50);
        }
        assert!(all(3, Vec::<u8>::new(), &|n| n, &|| {}).is_empty());
    }
}
