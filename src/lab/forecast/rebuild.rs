//! Owns the forecast of a rebuild: a member of an array is written from front to back, one piece after
//! the other, with or without other work beside it.
//!
//! A rebuild of many small pieces is run in stretches spread evenly over the member and its time
//! multiplied; that is said with the share that was run. What builds up over hours is not seen by
//! stretches. It does not know the rest of the array: pieces come as fast as the member takes them.

use serde::Serialize;

use super::asked::Asked;
use super::crew::{Steps, Told};
use super::filling::Filling;
use super::trial::{self, Figures, TrialError, milli};
use super::whole::ForecastError;
use super::window::{HostLimits, Miss, Window};
use super::{alter, crew};
use crate::drive::Drive;
use crate::lab::simulation::course::{Course, Stop};
use crate::lab::start::Start;
use crate::lab::workload::Workload;
use crate::profile::Profile;
use crate::time::Instant;

/// What is to be forecast.
#[derive(Clone, Debug)]
pub struct Question {
    /// The member.
    pub profile: Profile,
    /// The conventional drive that it is compared with.
    pub control: Profile,
    /// The state of the member at the start.
    pub start: Start,
    /// Bytes to be rebuilt.
    pub member_bytes: u64,
    /// Sizes of pieces for which there is a verdict; never empty.
    pub pieces: Vec<u64>,
    /// What else is asked of the member meanwhile: the streams of this workload, which has at least one.
    pub foreground: Option<Workload>,
    /// What the rebuild has to hold to fit.
    pub window: Window,
    /// Threads.
    pub jobs: usize,
}

/// The answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Rebuild {
    /// Name of the member's profile.
    pub profile: String,
    /// Name of the control's.
    pub control: String,
    /// Its capacity.
    pub capacity_bytes: u64,
    /// Bytes to be rebuilt.
    pub member_bytes: u64,
    /// The state at the start, in words.
    pub start: String,
    /// What is asked of it meanwhile.
    pub foreground: Option<Beside>,
    /// By when it is to be done.
    pub deadline_ns: u64,
    /// The limits of hosts by none of which the member may be dropped.
    pub host_limits: HostLimits,
    /// By size of piece, those asked for and some beside them, smallest first.
    pub pieces: Vec<Piece>,
}

/// What is asked of the member meanwhile.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Beside {
    /// Name of the workload.
    pub workload: String,
    /// Names of its streams.
    pub streams: Vec<String>,
}

/// The rebuild in pieces of one size.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Piece {
    /// Bytes of a piece.
    pub piece_bytes: u64,
    /// Bytes of the last piece, where the member is no multiple of a piece.
    pub last_bytes: Option<u64>,
    /// Whether it was asked for, and not only tried to compare.
    pub asked_for: bool,
    /// Whether it is done by the deadline and no host drops the member; nothing where only a part was
    /// run with work beside it, and that part would fit.
    pub fits: Option<bool>,
    /// What is wrong with it where it does not fit.
    pub miss: Option<Miss>,
    /// Share of the pieces that was run, in thousandths; with less than 1000 times are multiplied.
    pub share_milli: u64,
    /// The member.
    pub member: Run,
    /// The member without the work beside it; nothing where there is none.
    pub alone: Option<Run>,
    /// The control, under the same work.
    pub control: Run,
    /// Time to finish in thousandths of the control's.
    pub slowdown_milli: Option<u64>,
}

/// A rebuild of a drive.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Run {
    /// When it was done; nothing where it was stopped before.
    pub finish_ns: Option<u64>,
    /// Where it was stopped before it was done. What still waited then is in no other figure.
    pub stopped: Option<Stopped>,
    /// What was seen in what was run of it.
    pub figures: Figures,
}

/// A rebuild that was stopped before it was done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Stopped {
    /// When.
    pub after_ns: u64,
    /// Pieces that were answered by then.
    pub pieces_written: u64,
    /// Pieces that were to be.
    pub pieces: u64,
    /// For how long nothing had been answered by then.
    pub silent_ns: u64,
}

/// A rebuild in no more pieces is run as a whole.
const PIECES_WHOLE_MAX: u64 = 40_000_000;
/// Otherwise so many are.
const PIECES_SAMPLED: u64 = 2_000_000;
/// In so many stretches.
const STRETCHES: u64 = 64;
/// Beside the pieces asked for, those so many times smaller and larger are tried.
const AROUND: u64 = 4;
/// The smallest and the largest piece that is tried without being asked for.
const PIECE_BYTES: (u64, u64) = (64 << 10, 16 << 20);

/// Answers a question.
///
/// # Errors
/// If the rebuild cannot be run on the member or on the control.
pub fn rebuild(question: &Question, told: &Told<'_>) -> Result<Rebuild, ForecastError> {
    let capacity = question.profile.drive.capacity_bytes;
    let control = alter::control(&question.control, &question.profile);
    let control = control.map_err(|why| ForecastError::Control {
        drive: question.profile.name.clone(),
        why,
    })?;
    let start = |profile: &Profile| -> Result<Drive, ForecastError> {
        let drive = question.start.drive(profile);
        drive.map_err(|error| ForecastError::Load {
            drive: profile.name.clone(),
            source: error.into(),
        })
    };
    let drives = [start(&question.profile)?, start(&control)?];
    let sizes = sizes(&question.pieces, question.member_bytes);
    let tasks: Vec<Task<'_>> = sizes
        .iter()
        .flat_map(|piece| tasks(question, &drives, *piece))
        .collect();
    let steps = Steps::new(tasks.len(), told);
    let run = |task: Task<'_>| task.run(question);
    let runs = crew::all(question.jobs, tasks, &run, &|| steps.step());
    let mut runs = runs.into_iter();
    let mut pieces = Vec::new();
    for piece_bytes in sizes {
        let mut next = |drive: &str| {
            let run = runs.next().expect("each task has a result");
            run.map_err(|source| ForecastError::Load {
                drive: drive.to_owned(),
                source,
            })
        };
        let member = next(&question.profile.name)?;
        let on_control = next(&control.name)?;
        let alone = match question.foreground {
            Some(_) => Some(next(&question.profile.name)?),
            None => None,
        };
        pieces.push(piece(question, piece_bytes, (member, on_control, alone)));
    }
    Ok(Rebuild {
        profile: question.profile.name.clone(),
        control: control.name,
        capacity_bytes: capacity,
        member_bytes: question.member_bytes,
        start: question.start.to_string(),
        foreground: question.foreground.as_ref().map(|workload| Beside {
            workload: workload.name.clone(),
            streams: workload.streams.iter().map(|s| s.name.clone()).collect(),
        }),
        deadline_ns: question.window.deadline.0,
        host_limits: question.window.limits.clone(),
        pieces,
    })
}

fn piece(
    question: &Question,
    piece_bytes: u64,
    (member, control, alone): (Run, Run, Option<Run>),
) -> Piece {
    let filling = filling(question.member_bytes, piece_bytes);
    let miss = question.window.miss_at(member.finish_ns, &member.figures);
    let share_milli = milli(filling.pieces(), question.member_bytes / piece_bytes).unwrap_or(1000);
    let unsure = share_milli < 1000 && question.foreground.is_some();
    let slowdown_milli = match (member.finish_ns, control.finish_ns) {
        (Some(member), Some(control)) => milli(member, control),
        _ => None,
    };
    Piece {
        piece_bytes,
        last_bytes: Some(filling.rest_bytes()).filter(|bytes| *bytes > 0),
        asked_for: question.pieces.contains(&piece_bytes),
        fits: (miss.is_some() || !unsure).then_some(miss.is_none()),
        miss,
        share_milli,
        slowdown_milli,
        member,
        alone,
        control,
    }
}

/// The sizes to be tried, smallest first.
fn sizes(asked_for: &[u64], member_bytes: u64) -> Vec<u64> {
    let (least, most) = PIECE_BYTES;
    let around = asked_for
        .iter()
        .flat_map(|piece| [piece / AROUND, piece * AROUND]);
    let around = around.filter(|piece| (least..=most.min(member_bytes)).contains(piece));
    let mut all: Vec<u64> = around.chain(asked_for.iter().copied()).collect();
    all.sort_unstable();
    all.dedup();
    all
}

/// How much of the rebuild is run.
fn filling(member_bytes: u64, piece_bytes: u64) -> Filling {
    let pieces = member_bytes / piece_bytes;
    let (stretches, pieces_each) = if pieces <= PIECES_WHOLE_MAX {
        (1, pieces)
    } else {
        (STRETCHES, PIECES_SAMPLED / STRETCHES)
    };
    Filling {
        member_bytes,
        piece_bytes,
        stretches,
        pieces_each,
    }
}

/// A rebuild to be run.
struct Task<'d> {
    drive: &'d Drive,
    filling: Filling,
    beside: bool,
}

/// On the member, on the control, and on the member alone where there is something beside.
fn tasks<'d>(question: &Question, drives: &'d [Drive; 2], piece_bytes: u64) -> Vec<Task<'d>> {
    let filling = filling(question.member_bytes, piece_bytes);
    let beside = question.foreground.is_some();
    let [member, control] = drives;
    let task = |drive, beside| Task {
        drive,
        filling,
        beside,
    };
    let mut tasks = vec![task(member, beside), task(control, beside)];
    if beside {
        tasks.push(task(member, false));
    }
    tasks
}

impl Task<'_> {
    fn run(&self, question: &Question) -> Result<Run, TrialError> {
        let foreground = question.foreground.as_ref().filter(|_| self.beside);
        let workload = self.filling.beside(foreground);
        let all = self.filling.member_bytes / self.filling.piece_bytes;
        let part = |ns: u64| scaled(ns, self.filling.pieces(), all);
        let stop_ns = part(question.window.deadline.0).saturating_mul(trial::DEADLINES_MAX);
        let course = Course {
            stop: Stop {
                load_at: Some(Instant(stop_ns)),
                ..Stop::default()
            },
            ..Course::default()
        };
        let asked = Asked::Workload(workload.clone());
        let outcome = trial::run(self.drive.clone(), &asked, &course)?;
        let figures = Figures::of(&outcome);
        let (pieces_written, pieces) = self.filling.written(&workload, &outcome.summary);
        let stopped = figures.finish_ns.is_none().then(|| Stopped {
            after_ns: stop_ns,
            pieces_written,
            pieces,
            silent_ns: stop_ns.saturating_sub(outcome.summary.answered_ns),
        });
        let whole = |ns| scaled(ns, all, self.filling.pieces());
        Ok(Run {
            finish_ns: figures.finish_ns.map(whole),
            stopped,
            figures,
        })
    }
}

fn scaled(value: u64, by: u64, over: u64) -> u64 {
    let wide = u128::from(value) * u128::from(by) / u128::from(over.max(1));
    u64::try_from(wide).map_or(u64::MAX >> 4, |value| value.min(u64::MAX >> 4))
}

/// The name of a stream that is left out of what is asked meanwhile: the forecast makes its own.
pub const OWN_STREAM: &str = "rebuild";

/// The streams of `workload` that are asked beside a rebuild; nothing where none is left.
pub fn beside(mut workload: Workload) -> Option<Workload> {
    workload.streams.retain(|stream| stream.name != OWN_STREAM);
    workload.phases.clear();
    (!workload.streams.is_empty()).then_some(workload)
}

impl Rebuild {
    /// Whether it fits in every size of piece that was asked for.
    pub fn fits(&self) -> bool {
        let mut asked_for = self.pieces.iter().filter(|piece| piece.asked_for);
        asked_for.all(|piece| piece.fits == Some(true))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_around_those_asked_for_are_tried_and_none_twice() {
        const KIB: u64 = 1024;
        let tb = 1_000_000_000_000;
        assert_eq!(sizes(&[512 * KIB], tb), [128 * KIB, 512 * KIB, 2048 * KIB]);
        assert_eq!(
            sizes(&[128 * KIB, 512 * KIB], tb),
            [128 * KIB, 512 * KIB, 2048 * KIB]
        );
        assert_eq!(sizes(&[4 * KIB], tb), [4 * KIB]);
        assert_eq!(sizes(&[64 * KIB], 128 * KIB), [64 * KIB]);
    }

    #[test]
    fn a_workload_with_a_rebuild_of_its_own_is_left_with_the_rest() {
        let text = Workload::built_in("array-rebuild").unwrap();
        let workload = Workload::from_toml("array-rebuild", text).unwrap();
        let left = beside(workload).unwrap();
        let names: Vec<&str> = left.streams.iter().map(|s| s.name.as_str()).collect();
        assert_eq!(names, ["users"]);
    }

    #[test]
    fn a_rebuild_in_few_pieces_is_run_as_a_whole_and_one_in_many_in_stretches() {
        let whole = filling(1 << 40, 1 << 20);
        assert_eq!((whole.stretches, whole.pieces()), (1, 1 << 20));
        let part = filling(1 << 40, 4096);
        assert_eq!((part.stretches, part.pieces()), (64, 2_000_000));
    }
}
