//! Owns what a report takes from a file of events: what the arm did, where it was, how full the drive
//! was.
//!
//! Two looks through the file, the first for its bounds. Memory does not grow with it. Always holds:
//! times and bytes by purpose are those of all rows; of each stretch of time the fullest moment is kept
//! beside the last.

use super::rows::{Row, Rows};
use crate::medium::movement::Purpose;
use crate::report::bins::grid::Grid;
use crate::report::bins::steps::Steps;
use crate::report::error::ReportError;
use crate::report::group::{self, Group};

/// Stretches of time in a curve.
const STRETCHES_MAX: u64 = 240;
/// Stretches of time and of the radius in a map of the arm.
const ARM_MAX: (u64, u64) = (200, 40);

const COLUMNS: [&str; 7] = [
    "start_ns",
    "duration_ns",
    "bytes",
    "cylinder",
    "staging_slots_used",
    "dirty_bands",
    "purpose",
];
const PURPOSE: usize = 6;

/// A file of events, binned.
#[derive(Debug)]
pub(in crate::report) struct Jobs {
    /// Parts of jobs in all.
    pub(in crate::report) rows: u64,
    /// When the first began.
    pub(in crate::report) from_ns: u64,
    /// When the last ended.
    pub(in crate::report) to_ns: u64,
    /// By purpose, all of them.
    pub(in crate::report) purposes: Vec<PurposeUse>,
    /// Time of the arm by moment and cylinder, by group in the order of [`Group::ALL`].
    pub(in crate::report) arm: Vec<Grid>,
    /// Stretches of time.
    pub(in crate::report) steps: Steps,
    /// How full the drive was in each; nothing where no job began.
    pub(in crate::report) fill: Vec<Option<Fill>>,
}

/// What a purpose took.
#[derive(Clone, Copy, Debug)]
pub(in crate::report) struct PurposeUse {
    /// Which.
    pub(in crate::report) purpose: Purpose,
    /// Bytes passed over.
    pub(in crate::report) bytes: u64,
    /// Time.
    pub(in crate::report) arm_ns: u64,
}

/// How full the drive was in a stretch of time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(in crate::report) struct Fill {
    /// Log slots in use at the end.
    pub(in crate::report) slots: u64,
    /// At most.
    pub(in crate::report) slots_max: u64,
    /// Bands with staged sectors at the end.
    pub(in crate::report) dirty: u64,
    /// At most.
    pub(in crate::report) dirty_max: u64,
}

#[derive(Default)]
struct Bounds {
    rows: u64,
    from_ns: u64,
    to_ns: u64,
    cylinder_max: u64,
}

/// Reads the file of events; `None`: the arm did nothing.
pub(super) fn gather(rows: &Rows) -> Result<Option<Jobs>, ReportError> {
    let bounds = bounds(rows)?;
    if bounds.rows == 0 {
        return Ok(None);
    }
    let mut jobs = Jobs::new(&bounds);
    rows.each(&COLUMNS, |row| jobs.take(row))?;
    Ok(Some(jobs))
}

fn bounds(rows: &Rows) -> Result<Bounds, ReportError> {
    let mut bounds = Bounds {
        from_ns: u64::MAX,
        ..Bounds::default()
    };
    rows.each(&["start_ns", "duration_ns", "cylinder"], |row| {
        let (start, duration) = (row.number(0)?, row.number(1)?);
        bounds.rows += 1;
        bounds.from_ns = bounds.from_ns.min(start);
        bounds.to_ns = bounds.to_ns.max(start + duration);
        bounds.cylinder_max = bounds.cylinder_max.max(row.number(2)?);
        Ok(())
    })?;
    Ok(bounds)
}

impl Jobs {
    fn new(bounds: &Bounds) -> Jobs {
        let steps = Steps::of_time(bounds.from_ns, bounds.to_ns, STRETCHES_MAX);
        let arm = Grid::new(
            Steps::of_time(bounds.from_ns, bounds.to_ns, ARM_MAX.0),
            Steps::of_addresses(bounds.cylinder_max + 1, ARM_MAX.1),
        );
        let nothing = |purpose| PurposeUse {
            purpose,
            bytes: 0,
            arm_ns: 0,
        };
        Jobs {
            rows: bounds.rows,
            from_ns: bounds.from_ns,
            to_ns: bounds.to_ns,
            purposes: Purpose::ALL.map(nothing).into(),
            arm: vec![arm; Group::ALL.len()],
            steps,
            fill: vec![None; steps.len()],
        }
    }

    fn take(&mut self, row: &Row<'_>) -> Result<(), String> {
        let word = row.text(PURPOSE)?;
        let purpose = group::purpose(word)
            .ok_or_else(|| format!("its purpose is {word:?}, which is none"))?;
        let (start, duration, bytes) = (row.number(0)?, row.number(1)?, row.number(2)?);
        let cylinder = row.number(3)?;
        let (slots, dirty) = (row.number(4)?, row.number(5)?);
        let used = self
            .purposes
            .iter_mut()
            .find(|used| used.purpose == purpose);
        let used = used.expect("all purposes are in the list");
        used.bytes = used.bytes.saturating_add(bytes);
        used.arm_ns = used.arm_ns.saturating_add(duration);
        let arm = &mut self.arm[Group::of(purpose).place()];
        arm.add_over_columns((start, start + duration), cylinder, duration);
        let fill = self.fill[self.steps.at(start)].get_or_insert_default();
        *fill = Fill {
            slots,
            slots_max: fill.slots_max.max(slots),
            dirty,
            dirty_max: fill.dirty_max.max(dirty),
        };
        Ok(())
    }
}
