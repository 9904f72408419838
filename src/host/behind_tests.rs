//! What the loop does while the mover is far behind the drive.

use super::{BEHIND_BYTES_MAX, Next, Pace, TAKES, plain_rig, read};
use crate::medium::movement::BufferId;
use crate::units::index;

#[test]
fn a_drive_that_is_far_ahead_of_the_mover_waits_for_it_and_nobody_is_forgotten() {
    for pace in [Pace::Off, Pace::Real] {
        let mut rig = plain_rig(pace);
        let far = BufferId::Internal(7);
        let bytes = index(BEHIND_BYTES_MAX) + 1;
        let buffers = &mut rig.event_loop.buffers;
        buffers.insert(far, vec![0; bytes]);
        buffers.hold(far);
        buffers.release(far);
        rig.ask(read(0));
        assert_eq!(rig.settle(), Next::Rest(None));
        assert!(!rig.event_loop.is_called(), "it may sleep");
        assert!(rig.dials.log.lock().expect("no panic").is_empty());
        rig.event_loop.buffers.let_go(far);
        assert!(rig.event_loop.is_called());
        rig.settle();
        rig.time.step(TAKES);
        rig.settle();
        assert_eq!(rig.replies().len(), 1);
    }
}
