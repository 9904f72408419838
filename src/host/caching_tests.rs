//! What an ask to cache comes to: a read of what the drive can keep, without its bytes.

use super::{
    Answer, Ask, CAPACITY, DriveInfo, HostError, Pace, Rig, StandIn, TAKES, info, plain_rig, rig,
};

#[test]
fn caching_reads_what_the_drive_can_keep_and_brings_no_data() {
    let mut with_buffer = plain_rig(Pace::Off);
    let cache = |offset, bytes| Ask::Cache { offset, bytes };
    let completed = |rig: &mut Rig, ask| {
        rig.ask(ask);
        rig.settle();
        let (_, reply) = rig.replies().pop().expect("one reply");
        assert_eq!(reply.outcome, Ok(Answer::Done));
        reply.completion.map(|completion| completion.bytes)
    };
    assert_eq!(completed(&mut with_buffer, cache(0, 4096)), Some(4096));
    assert_eq!(
        completed(&mut with_buffer, cache(0, CAPACITY)),
        Some(16_384)
    );
    for (offset, bytes) in [(CAPACITY, 1), (4096, CAPACITY), (0, 0)] {
        let refused = with_buffer.outcome(cache(offset, bytes));
        assert!(matches!(refused, Err(HostError::Refused(_))), "{refused:?}");
    }
    let without_buffer = DriveInfo {
        read_buffer_bytes: 0,
        ..info(CAPACITY)
    };
    let machine = StandIn::new(TAKES, false);
    let mut without = rig(Pace::Off, machine, without_buffer);
    assert_eq!(completed(&mut without, cache(0, 4096)), None);
}
