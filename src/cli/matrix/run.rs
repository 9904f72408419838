//! Owns a run of a matrix: what is left to do is done, kept and told.

use std::fmt::Write as _;
use std::num::NonZeroUsize;
use std::path::Path;
use std::sync::Arc;

use crossbeam_channel::{Receiver, select};

use super::cell::Done;
use super::crew::Crew;
use super::keeping::Keeping;
use super::progress::Shown;
use super::serving::{Rig, Stop};
use super::{RunArguments, bundles, closing, plan_in, scratch};
use crate::cli::exit::{Code, RigError, UsageError};
use crate::cli::{output, signals};
use crate::lab::matrix::plan::{Cell, Job, Plan};
use crate::lab::matrix::results::Header;
use crate::units::{count, index};

pub(super) fn run(file: &Path, arguments: &RunArguments) -> anyhow::Result<Code> {
    let plan = Arc::new(plan_in(file)?);
    let part = arguments.part;
    let ours: Vec<usize> = (0..plan.cells.len())
        .filter(|at| part.is_none_or(|part| part.has(plan.cells[*at].number)))
        .collect();
    if arguments.list {
        return list(&plan, &ours);
    }
    let path = arguments.output.as_deref();
    let path = path.ok_or_else(|| UsageError("no file of results: give -o FILE".to_owned()))?;
    check_vm(&plan, arguments)?;
    let baseline = arguments.baseline.as_deref();
    let baseline = baseline.map(super::keeping::read).transpose()?;
    let asked = signals::catch().map_err(|source| RigError {
        doing: "catch SIGINT and SIGTERM",
        source,
    })?;
    let mut keeping = Keeping::open(path, &Header::of(&plan))?;
    closing::check_places(arguments)?;
    let left = begin(&plan, &ours, &keeping, (path, arguments));
    let stop = Stop::new();
    let place = match &arguments.scratch {
        Some(folder) => folder.clone(),
        None => path.with_extension("scratch"),
    };
    scratch::clear(&place);
    let mut shown = Shown::new(count(left.len()));
    let (simulated, served): (Vec<usize>, Vec<usize>) = left
        .into_iter()
        .partition(|at| plan.job(&plan.cells[*at]).is_simulated());
    let processors = std::thread::available_parallelism().unwrap_or(NonZeroUsize::MIN);
    let turns = [
        (simulated, arguments.jobs.unwrap_or(processors)),
        (served, arguments.served_jobs),
    ];
    for (cells, jobs) in turns {
        if cells.is_empty() {
            continue;
        }
        let waits = !plan.job(&plan.cells[cells[0]]).is_simulated();
        let rig = Rig::new(&place, &arguments.vm, &stop)?;
        let crew = Crew::start(&plan, cells, jobs, rig)?;
        let mut take = |done: Done| take(&plan, arguments, (&mut keeping, &mut shown), done);
        if !collect(crew.done(), &asked, &mut take)? {
            stop.now();
            if waits {
                crew.wait();
            }
            shown.end();
            let words = "interrupted: the same command goes on with the cells that are left";
            output::say(words);
            return Ok(Code::Interrupted);
        }
        crew.wait();
    }
    shown.end();
    closing::close(&plan, &keeping.lines, baseline.as_ref(), arguments)
}

/// Says what is going to be run, and hands it back.
fn begin(
    plan: &Plan,
    ours: &[usize],
    keeping: &Keeping,
    (path, arguments): (&Path, &RunArguments),
) -> Vec<usize> {
    let (left, again) = left_to_run(plan, ours, keeping);
    let again = match again {
        0 => String::new(),
        again => format!(" ({again} again, which told nothing of their drives)"),
    };
    output::say(&format!(
        "{}: {} of {} cells to run{again}, results in {}",
        plan.matrix.name,
        left.len(),
        plan.cells.len(),
        path.display()
    ));
    tell_of_starts(plan, &left);
    if let Some(folder) = &arguments.bundles {
        bundles::tell_missing(folder, &keeping.lines);
    }
    left
}

/// Says which drives are not in the state that cells ask for, in one line.
fn tell_of_starts(plan: &Plan, left: &[usize]) {
    let cells = left.iter().map(|at| &plan.cells[*at]);
    let mut others: Vec<&Cell> = cells
        .filter(|cell| !cell.start.is_known_to(&cell.profile))
        .collect();
    others.sort_by_key(|cell| cell.place.drive);
    if let Some(first) = others.first() {
        let profiles = others.iter().map(|cell| &*cell.profile);
        if let Some(words) = first.start.not_known(profiles) {
            output::say(&words);
        }
    }
}

/// The cells of `ours` that are to be run, and how many of them were before without telling anything of
/// their drives.
fn left_to_run(plan: &Plan, ours: &[usize], keeping: &Keeping) -> (Vec<usize>, usize) {
    let mut known = vec![None; plan.cells.len()];
    for line in &keeping.lines {
        known[index(line.cell - 1)] = Some(line.outcome.tells());
    }
    let left = ours.iter().copied().filter(|at| known[*at] != Some(true));
    let left: Vec<usize> = left.collect();
    let again = left.iter().filter(|at| known[**at].is_some()).count();
    (left, again)
}

/// Takes cells as they are done; `false`: the run was interrupted.
fn collect(
    done: &Receiver<Done>,
    asked: &Receiver<()>,
    take: &mut impl FnMut(Done) -> anyhow::Result<()>,
) -> anyhow::Result<bool> {
    loop {
        select! {
            recv(done) -> next => match next {
                Ok(next) => take(next)?,
                Err(_) => return Ok(true),
            },
            recv(asked) -> _ => return Ok(false),
        }
    }
}

fn take(
    plan: &Plan,
    arguments: &RunArguments,
    (keeping, shown): (&mut Keeping, &mut Shown),
    done: Done,
) -> anyhow::Result<()> {
    if let Some(folder) = &arguments.bundles
        && bundles::leaves_one(done.line.outcome)
    {
        // Before the line: a cell that counts as done has its bundle.
        let cell = &plan.cells[index(done.line.cell - 1)];
        bundles::write(folder, plan, cell, &done)?;
    }
    shown.take(&done.line);
    keeping.add(done.line)
}

fn list(plan: &Plan, ours: &[usize]) -> anyhow::Result<Code> {
    let mut text = String::new();
    for at in ours {
        let cell = &plan.cells[*at];
        let _ = writeln!(text, "{} {}", cell.number, plan.words(cell));
        for demand in &cell.demands {
            let _ = writeln!(text, "    {demand}");
        }
    }
    output::print(&text)?;
    Ok(Code::Ok)
}

/// Guests need the command that boots them.
fn check_vm(plan: &Plan, arguments: &RunArguments) -> anyhow::Result<()> {
    let guests = plan.jobs.iter().any(|job| {
        let Job::Served { script, .. } = job else {
            return false;
        };
        script.is_some()
    });
    if guests && !arguments.vm.is_file() {
        let what = format!(
            "the matrix has works for guests, and {} is not there: start imbrex in the folder of its \
             sources, or say with --vm where their scripts/vm is (see docs/guests.md)",
            arguments.vm.display()
        );
        return Err(UsageError(what).into());
    }
    Ok(())
}
