//! Owns the drives that cells begin with: each is made once, by whoever needs it first, and cloned.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use crate::drive::Drive;
use crate::lab::matrix::plan::{Beginning, Cell, Plan};
use crate::lab::start::StartError;

/// A drive, or nothing before it is made.
type Made = Arc<Mutex<Option<Drive>>>;

/// Drives that were made, for as long as somebody needs them.
#[derive(Default)]
pub(super) struct Beginnings {
    /// With the cells that still need each.
    made: Mutex<BTreeMap<Beginning, (Made, usize)>>,
}

impl Beginnings {
    /// The drives that these cells will need.
    pub(super) fn of<'c>(plan: &Plan, cells: impl Iterator<Item = &'c Cell>) -> Beginnings {
        let mut made: BTreeMap<Beginning, (Made, usize)> = BTreeMap::new();
        for cell in cells {
            made.entry(plan.beginning(cell)).or_default().1 += 1;
        }
        Beginnings {
            made: Mutex::new(made),
        }
    }

    /// A drive for `cell`, for which this is called once.
    pub(super) fn drive(&self, plan: &Plan, cell: &Cell) -> Result<Drive, StartError> {
        let beginning = plan.beginning(cell);
        let (made, is_last) = {
            let mut all = self.made.lock().unwrap_or_else(PoisonError::into_inner);
            match all.get_mut(&beginning) {
                None => (Made::default(), true),
                Some((made, needed)) => {
                    *needed = needed.saturating_sub(1);
                    (Arc::clone(made), *needed == 0)
                }
            }
        };
        // Others that need the same one wait here until it is made.
        let mut drive = made.lock().unwrap_or_else(PoisonError::into_inner);
        let found = match drive.take() {
            Some(found) => found,
            None => cell.start.drive(&cell.profile)?,
        };
        if is_last {
            let mut all = self.made.lock().unwrap_or_else(PoisonError::into_inner);
            all.remove(&beginning);
        } else {
            *drive = Some(found.clone());
        }
        Ok(found)
    }
}
