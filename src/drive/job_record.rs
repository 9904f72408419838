//! Owns what the drive tells about the jobs of its arm and what they change, for whoever plots or adds
//! up.
//!
//! Off until asked for, and then costs nothing. Always holds: the times and bytes of all records add
//! up, purpose by purpose, to the drive's counters. A record is made from a plan and its timing and
//! decides nothing.

use super::engine::Drive;
use super::meters::Busy;
use crate::medium::movement::{Movement, Plan, PlanId, Purpose, Step};
use crate::medium::timing::Timing;
use crate::time::{Duration, Instant};
use crate::translation::change::Change;
use crate::units::{BandId, HomeBand, Pba};

/// What one purpose took of one job.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct JobRecord {
    /// The plan that the job carried out; a job has as many records as purposes.
    pub job: PlanId,
    /// When this part began. The purposes of a job are laid one after the other in the order in
    /// which they begin, also where the arm goes to and fro between them.
    pub start: Instant,
    /// How long it took.
    pub duration: Duration,
    /// Why.
    pub purpose: Purpose,
    /// Bytes of the medium that it passed over.
    pub bytes: u64,
    /// Cylinder where it began; where the arm was, if it lies on no track.
    pub cylinder: u32,
    /// Surface, likewise.
    pub surface: u32,
    /// The physical band where it began, if it lies in one.
    pub band: Option<BandId>,
    /// The home band that is cleaned by this job.
    pub cleaning: Option<HomeBand>,
    /// Log slots in use after the job was planned.
    pub staging_slots_used: u64,
    /// Bands with staged sectors, likewise.
    pub dirty_bands: u64,
}

/// What a job changed in the drive's durable state.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChangeRecord {
    /// The plan that makes it durable: the same number as in the job's records.
    pub job: PlanId,
    /// What changed.
    pub change: Change,
}

/// Keeps records until they are fetched.
#[derive(Clone, Debug, Default)]
pub(super) struct Recorder(Vec<JobRecord>);

impl Drive {
    /// Whether the jobs of the arm are recorded from now on. Whoever says yes fetches them from time
    /// to time: they take memory until then.
    pub fn record_jobs(&mut self, wanted: bool) {
        self.recorder = wanted.then(Recorder::default);
    }

    /// Whether changes of the durable state are recorded from now on. Whoever says yes fetches them.
    pub fn record_changes(&mut self, wanted: bool) {
        self.back.tell_changes(wanted);
        self.changes = wanted.then(Vec::new);
    }

    /// Moves the changes recorded so far to `into`, in the order in which they were made.
    pub fn drain_changes(&mut self, into: &mut Vec<ChangeRecord>) {
        if let Some(changes) = &mut self.changes {
            into.append(changes);
        }
    }

    /// Records what a plan changes.
    pub(super) fn record_plan(&mut self, job: PlanId) {
        if let Some(changes) = &mut self.changes {
            let made = self.back.take_changes().into_iter();
            changes.extend(made.map(|change| ChangeRecord { job, change }));
        }
    }

    /// Moves the records made so far to `into`, in order.
    pub fn drain_jobs(&mut self, into: &mut Vec<JobRecord>) {
        if let Some(recorder) = &mut self.recorder {
            into.append(&mut recorder.0);
        }
    }

    /// Records a job that began at `start`.
    pub(super) fn record_job(&mut self, plan: &Plan, start: Instant, timing: &Timing) {
        let Some(mut recorder) = self.recorder.take() else {
            return;
        };
        let layout = self.back.layout();
        let (staging_slots_used, dirty_bands) = self
            .back
            .translation()
            .map_or((0, 0), |t| (t.slots_used(), t.dirty_bands()));
        let mut seen: Vec<Purpose> = Vec::new();
        let mut begins = start;
        for (purpose, pba) in plan.steps.iter().filter_map(place_of) {
            let used = timing.by_purpose[purpose];
            let nothing = used.bytes == 0 && used.time == Duration::ZERO;
            if nothing || seen.contains(&purpose) {
                continue;
            }
            seen.push(purpose);
            let (cylinder, surface) = layout
                .spot(pba)
                .map_or_else(|| self.arm.spot(), |spot| (spot.cylinder, spot.surface));
            recorder.0.push(JobRecord {
                job: plan.id,
                start: begins,
                duration: used.time,
                purpose,
                bytes: used.bytes,
                cylinder,
                surface,
                band: layout.band_at(pba),
                cleaning: None,
                staging_slots_used,
                dirty_bands,
            });
            begins += used.time;
        }
        self.recorder = Some(recorder);
    }

    /// States what the jobs recorded last, those from `at` on, were for.
    pub(super) fn attribute_jobs(&mut self, busy: Busy, at: Instant) {
        if let (Some(recorder), Busy::Cleaning(band) | Busy::Room(band)) =
            (&mut self.recorder, busy)
        {
            let last = recorder.0.iter_mut().rev();
            for record in last.take_while(|record| record.start >= at) {
                record.cleaning = Some(band);
            }
        }
    }
}

/// Why a step accesses the medium, and where it begins.
fn place_of(step: &Step) -> Option<(Purpose, Pba)> {
    match step {
        Step::Move(Movement { buffered: true, .. }) | Step::Order | Step::Barrier => None,
        Step::Move(movement) => {
            let (pba, _) = movement.writes().or_else(|| movement.reads())?;
            Some((movement.purpose, pba))
        }
        Step::Record(record) => Some((record.purpose, record.at)),
    }
}
