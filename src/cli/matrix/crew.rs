//! Owns the threads that run cells: they take the next one from a queue and hand back what came out.
//!
//! Simulated cells come first, as many at a time as there are processors; then the served ones. Threads
//! of simulated cells are not waited for when a run is interrupted: they hold nothing that matters.

use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::sync::Arc;
use std::thread::JoinHandle;

use crossbeam_channel::{Receiver, Sender};

use super::beginnings::Beginnings;
use super::cell::{self, Done};
use super::serving::Rig;
use crate::cli::exit::RigError;
use crate::lab::matrix::plan::{Beginning, Plan};

/// What the threads of a crew share.
struct Shared {
    plan: Arc<Plan>,
    beginnings: Beginnings,
    rig: Rig,
}

/// Threads that run cells.
pub(super) struct Crew {
    threads: Vec<JoinHandle<()>>,
    done: Receiver<Done>,
}

impl Crew {
    /// Starts to run `cells`, which are indices of the plan's cells.
    pub(super) fn start(
        plan: &Arc<Plan>,
        mut cells: Vec<usize>,
        jobs: NonZeroUsize,
        rig: Rig,
    ) -> Result<Crew, RigError> {
        in_order_of_beginnings(plan, &mut cells);
        let beginnings = Beginnings::of(plan, cells.iter().map(|at| &plan.cells[*at]));
        let count = jobs.get().min(cells.len());
        let (queue, next) = crossbeam_channel::unbounded();
        for at in cells {
            queue
                .send(at)
                .expect("the queue has a reader, which is here");
        }
        let shared = Arc::new(Shared {
            plan: Arc::clone(plan),
            beginnings,
            rig,
        });
        let (sender, done) = crossbeam_channel::bounded(1024);
        let mut threads = Vec::new();
        for number in 0..count {
            let (shared, next, sender) = (Arc::clone(&shared), next.clone(), sender.clone());
            let thread = std::thread::Builder::new()
                .name(format!("imbrex-cell-{number}"))
                .spawn(move || work(&shared, &next, &sender))
                .map_err(|source| RigError {
                    doing: "start a thread for cells",
                    source,
                })?;
            threads.push(thread);
        }
        Ok(Crew { threads, done })
    }

    /// Where cells that are done come out; that ends when all are.
    pub(super) fn done(&self) -> &Receiver<Done> {
        &self.done
    }

    /// Waits for the threads to end.
    pub(super) fn wait(self) {
        for thread in self.threads {
            if let Err(panic) = thread.join() {
                std::panic::resume_unwind(panic);
            }
        }
    }
}

fn work(shared: &Shared, next: &Receiver<usize>, done: &Sender<Done>) {
    while let Ok(at) = next.try_recv() {
        if shared.rig.is_asked_to_stop() {
            return;
        }
        let cell = &shared.plan.cells[at];
        let Some(ran) = cell::run(&shared.plan, cell, &shared.beginnings, &shared.rig) else {
            return;
        };
        if done.send(ran).is_err() {
            // Nobody wants to know any more.
            return;
        }
    }
}

/// Cells that begin with the same drive come one after another, so that few are kept.
fn in_order_of_beginnings(plan: &Plan, cells: &mut [usize]) {
    let mut first: BTreeMap<Beginning, usize> = BTreeMap::new();
    for &at in cells.iter() {
        first.entry(plan.beginning(&plan.cells[at])).or_insert(at);
    }
    cells.sort_by_key(|at| (first[&plan.beginning(&plan.cells[*at])], *at));
}
