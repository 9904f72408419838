//! How faults on request end: by a setting that is none, lifted, and with the session.

use imbrex::drive::fault::{Fault, PowerCut, Slow};

use super::bench::{Bench, SECTOR};
use super::{FUA, lazy};

#[test]
fn the_mechanisms_own_speed_is_no_fault_and_ends_its_slowness() {
    let mut bench = Bench::new(&lazy());
    let own = Fault::Slow(Slow { percent: 100 });
    bench.impose(own.clone());
    assert_eq!(bench.in_force(), 0);
    bench.impose(Fault::Slow(Slow { percent: 300 }));
    assert_eq!(bench.in_force(), 1);
    bench.impose(own);
    assert_eq!(bench.in_force(), 0);
}

#[test]
fn a_power_cut_that_never_came_says_so_when_it_ends() {
    let cut = Fault::PowerCut(PowerCut {
        after_movements: 1_000_000,
        ..PowerCut::default()
    });
    for lifted in [true, false] {
        let mut bench = Bench::new(&lazy());
        let id = bench.impose(cut.clone());
        bench.ask(FUA, 0, SECTOR);
        if lifted {
            bench.lift(Some(id));
        } else {
            bench.drive.leave_faults(bench.now);
            bench.collect();
        }
        assert_eq!(bench.in_force(), 0);
        let noted = bench.noted(id);
        let last = noted.last().unwrap();
        assert!(
            last.starts_with("never struck: it had to wait for 9999"),
            "{last}"
        );
        let how = if lifted {
            "lifted"
        } else {
            "the session has ended"
        };
        assert!(last.ends_with(how), "{last}");
    }
}
