//! A forecast says what its runs say: the idle time is what cleaning takes and is enough where half of
//! it is not, the control is compared with itself as an equal, a rebuild of the control goes at the rate
//! of its platters, and the number of threads changes nothing.

use imbrex::drive::Drive;
use imbrex::host::recorder::Answered;
use imbrex::lab::forecast::asked::Asked;
use imbrex::lab::forecast::help::{Came, Kind};
use imbrex::lab::forecast::idle::{self, Found, Idle};
use imbrex::lab::forecast::plan::Aspect;
use imbrex::lab::forecast::trial::{self, Figures};
use imbrex::lab::forecast::verdict::Verdict;
use imbrex::lab::forecast::whole::{self, Forecast, Question};
use imbrex::lab::forecast::window::{HostLimits, Window};
use imbrex::lab::forecast::{alter, rebuild};
use imbrex::lab::simulation::course::{Course, Outcome, Pauses};
use imbrex::lab::simulation::{self, Observers};
use imbrex::lab::start::Start;
use imbrex::lab::workload::Workload;
use imbrex::profile::Profile;
use imbrex::profile::changed::Change;
use imbrex::time::Duration;

fn built_in(name: &str) -> Profile {
    let text = Profile::built_in(name).expect("a shipped profile");
    Profile::from_toml(name, text).expect("it is valid")
}

fn words(words: &str) -> Asked {
    Asked::Workload(Workload::from_words(words).expect("the words are known"))
}

fn set(profile: &Profile, keys: &[&str]) -> Profile {
    let change = |key: &&str| Change::from_words(key).expect("a key and its value");
    let changes: Vec<Change> = keys.iter().map(change).collect();
    profile.changed(&changes).expect("it is valid")
}

fn run(drive: &Drive, asked: &Asked, course: &Course) -> Outcome {
    let observers = Observers {
        progress: &mut |_| {},
        jobs: None,
        answers: None,
    };
    simulation::carry_out(drive.clone(), asked.load(), course, observers).expect("it runs")
}

const IDLE_DELAY: Duration = Duration::from_ms(1);

/// The tiny drive with room for 16 staged writes only, without a write cache, all of it written.
fn cramped() -> Drive {
    let profile = set(
        &built_in("tiny"),
        &[
            "staging.slots=16",
            "staging.bytes=512 KiB",
            "write_cache.enabled=false",
            "cleaning.idle_delay=1 ms",
        ],
    );
    Start::Formatted.drive(&profile).expect("it fits")
}

/// Writes one block of each outer band after the other, round and round: with staging for 16, no write
/// meets a band that still has a staged one, so that each costs the cleaning of a band.
fn one_band_each(count: u64) -> Asked {
    let text = format!(
        "[workload]\nname = \"one band each\"\ncount = {count}\n[[stream]]\n\
         order = \"alternate-blocks\"\nskip = 63\nrequest = \"4 KiB\"\nwrite = \"100%\"\n\
         under_way = 1\n"
    );
    Asked::Workload(Workload::from_toml("one band each", &text).expect("it is valid"))
}

const A_DAY: u64 = 96;
/// Bands that a round of [`one_band_each`] goes over.
const A_ROUND: u64 = 32;

/// How long one band takes to be cleaned, on average over a round, measured from outside: what the drive
/// goes on for after a round of writes, with room for all of them.
fn band_cleaning_ns() -> u64 {
    let keys = ["write_cache.enabled=false", "cleaning.idle_delay=1 ms"];
    let roomy = set(&built_in("tiny"), &keys);
    let drive = Start::Formatted.drive(&roomy).expect("it fits");
    let course = Course {
        drain: true,
        ..Course::default()
    };
    let outcome = run(&drive, &one_band_each(A_ROUND), &course);
    let summary = outcome.summary;
    assert_eq!(summary.room_ran_out_ns, None);
    assert_eq!(summary.status.counters.bands_cleaned, A_ROUND);
    let took = summary.drained_ns.expect("it drained") - summary.answered_ns;
    (took - IDLE_DELAY.0) / A_ROUND
}

fn idle_of(drive: &Drive, asked: &Asked) -> Idle {
    let once = trial::course(Duration::from_s(3600));
    let day = Figures::of(&run(drive, asked, &once));
    let idle = idle::look(drive, asked, &day).expect("it runs");
    idle.expect("the drive stages")
}

#[test]
fn idle_time_is_the_dirty_bands_of_a_day_times_the_cleaning_of_a_band() {
    let idle = idle_of(&cramped(), &one_band_each(A_DAY));
    let Found::Pauses { day_ns, .. } = idle.found else {
        panic!("{idle:?}");
    };
    let band = band_cleaning_ns();
    // At the end of all days as many bands may be left dirty as there are slots.
    let least = (idle.days * A_DAY - 16) * band / idle.days;
    // Of each pause the idle delay is lost, and a step of cleaning that does not end within it: a band
    // of four tracks in four passes is sixteen of them. It is looked for to one part in sixteen.
    let most = (A_DAY * band + idle.pauses * (IDLE_DELAY.0 + band / 16)) * 17 / 16;
    assert!(
        (least * 15 / 16..=most).contains(&day_ns),
        "{idle:?}: {least} to {most}"
    );
}

#[test]
fn with_the_idle_time_the_drive_stays_out_of_the_slow_mode_and_with_half_of_it_not() {
    for (drive, asked) in [
        (cramped(), one_band_each(A_DAY)),
        (
            Start::from_words("filled 60%")
                .unwrap()
                .drive(&built_in("tiny"))
                .unwrap(),
            words("uniform write 4KiB 1000-requests"),
        ),
    ] {
        let requests = run(&drive, &asked, &Course::default()).summary.answered;
        let idle = idle_of(&drive, &asked);
        let Found::Pauses {
            day_ns, short_ns, ..
        } = idle.found
        else {
            panic!("{idle:?}");
        };
        assert!(
            short_ns < day_ns && day_ns - short_ns <= day_ns / 16,
            "{idle:?}"
        );
        let waited_with = |day_ns: u64| {
            let course = Course {
                days: idle.days,
                pauses: Pauses {
                    each: Duration(day_ns / idle.pauses),
                    every: (idle.pauses > 1).then(|| requests.div_ceil(idle.pauses)),
                },
                ..Course::default()
            };
            let summary = run(&drive, &asked, &course).summary;
            assert_eq!(summary.answered, idle.days * requests);
            summary.room_ran_out_ns.is_some()
        };
        assert!(!waited_with(day_ns), "{idle:?}");
        assert!(waited_with(day_ns / 2), "{idle:?}");
    }
}

#[test]
fn a_load_that_the_drive_cleans_up_after_by_itself_needs_no_idle_time() {
    let drive = Start::New.drive(&built_in("tiny")).expect("it fits");
    let paused = words("uniform write 4KiB 60-requests bursts-of-20 pause-60s");
    assert_eq!(idle_of(&drive, &paused).found, Found::Nothing);
}

/// Done by then, and no host drops the drive.
fn within(deadline: Duration) -> Window {
    Window {
        deadline,
        limits: HostLimits::all(),
    }
}

fn question(profile: Profile, asked: Asked) -> Question {
    Question {
        asked,
        profiles: vec![profile],
        control: built_in("control-5tb"),
        start: Start::from_words("filled 60%").expect("a state"),
        aspects: vec![Aspect::Start, Aspect::Seed, Aspect::Corners],
        window: within(Duration::from_s(120)),
        advise: true,
        jobs: 1,
    }
}

fn forecast(question: &Question) -> Forecast {
    whole::forecast(question, &|_, _| {}).expect("it runs")
}

#[test]
fn the_control_is_as_fast_as_itself() {
    let (control, _) = built_in("control-5tb")
        .scaled_to(4 << 30)
        .expect("it can be");
    let load = words("uniform 50%read 50%write 16KiB 500-requests 4-under-way");
    let mut question = question(control, load);
    question.aspects.clear();
    let forecast = forecast(&question);
    let [drive] = &forecast.drives[..] else {
        panic!("{forecast:?}");
    };
    for range in [&drive.slowdown_milli, &drive.request_slowdown_milli] {
        assert_eq!(
            (range.lowest, range.centre, range.highest),
            (Some(1000), Some(1000), Some(1000))
        );
    }
    assert_eq!(drive.verdict, Verdict::Fits);
    assert!(drive.idle.is_none() && forecast.fits());
}

#[test]
fn the_number_of_threads_changes_nothing() {
    let asked = words("uniform write 4KiB 800-requests");
    let said = |jobs| {
        let question = Question {
            jobs,
            ..question(built_in("tiny"), asked.clone())
        };
        let forecast = forecast(&question);
        let json = serde_json::to_string(&forecast).expect("plain values");
        (forecast.to_string(), json)
    };
    assert_eq!(said(1), said(1));
    assert_eq!(said(1), said(4));
}

/// What came of trying this, as asked for on the tiny drive.
fn tried(load: &str, deadline: Duration, kind: Kind) -> Came {
    let mut question = question(built_in("tiny"), words(load));
    (question.aspects, question.window) = (Vec::new(), within(deadline));
    let mut forecast = forecast(&question);
    let mut help = forecast.drives.remove(0).help.into_iter();
    let found = help.find(|help| help.kind == kind);
    found.expect("it is among what would help").came
}

#[test]
fn a_rate_at_which_no_request_waits_for_room_was_seen_to_the_end_of_the_load() {
    let load = "uniform write 4KiB 3000-requests";
    let came = tried(load, Duration::from_s(10), Kind::RateLimit);
    if let Came::Tried { how, figures, .. } = came {
        assert_eq!(figures.answered, 3000, "{how}");
        assert_eq!(figures.room_ran_out_ns, None, "{how}");
        assert!(figures.finish_ns.is_some(), "{how}");
    } else {
        let Came::NotTried { why } = came else {
            unreachable!("there are two")
        };
        assert!(why.contains("requests wait for room"), "{why}");
    }
}

#[test]
fn the_idle_time_told_is_the_sum_of_the_pauses_that_were_put_in() {
    // 100 requests are no multiple of 24 pauses; a load by time has as many as it comes to.
    for load in ["uniform write 4KiB 100-requests", "uniform write 4KiB 5s"] {
        let asked = words(load);
        let profile = set(
            &built_in("tiny"),
            &["staging.slots=16", "staging.bytes=512 KiB"],
        );
        let drive = Start::Formatted.drive(&profile).expect("it fits");
        let day = Figures::of(&run(&drive, &asked, &trial::course(Duration::from_s(3600))));
        let idle = idle::look(&drive, &asked, &day)
            .expect("it runs")
            .expect("it stages");
        let Found::Pauses {
            day_ns, each_ns, ..
        } = idle.found
        else {
            panic!("{idle:?}");
        };
        let each = Duration(each_ns);
        let course = |each, days| {
            let every = idle::once(&idle, &day, 512 << 10).expect("pauses").every;
            Course {
                days,
                pauses: Pauses { each, every },
                ..Course::default()
            }
        };
        // From outside: a request that comes after the one before was answered, by a pause or more.
        let mut pauses = 1;
        let mut last = 0;
        let mut count = |answers: &[Answered]| {
            for answer in answers {
                let came = answer.completion.arrived.0;
                pauses += u64::from(last > 0 && came >= last + each.0);
                last = answer.completion.due.0;
            }
            Ok(())
        };
        let observers = Observers {
            progress: &mut |_| {},
            jobs: None,
            answers: Some(&mut count),
        };
        let course = course(each, idle.days);
        simulation::carry_out(drive.clone(), asked.load(), &course, observers).expect("it runs");
        assert_eq!(
            day_ns,
            each_ns * pauses / idle.days,
            "{load}: {idle:?}, {pauses}"
        );
    }
}

#[test]
fn a_load_that_waits_for_answers_and_ends_by_its_own_time_is_told_by_what_it_got_done() {
    let mut question = question(built_in("tiny"), words("uniform write 4KiB 20s"));
    question.aspects.clear();
    let forecast = forecast(&question);
    let drive = &forecast.drives[0];
    let said = forecast.to_string();
    assert!(
        forecast.ends_by_time && said.contains("BUT the load ends by its own time"),
        "{said}"
    );
    assert!(
        drive.answered.centre < Some(drive.control.figures.answered),
        "{said}"
    );
    let line = said
        .lines()
        .find(|line| line.contains("unshingled answers"));
    let answered = drive.control.figures.answered.to_string();
    assert!(line.is_some_and(|line| line.contains(&answered)), "{said}");
    let larger = drive
        .help
        .iter()
        .find(|help| help.kind == Kind::LargerRequests);
    assert!(
        matches!(larger.map(|help| &help.came), Some(Came::NotTried { .. })),
        "{said}"
    );
    for other in [
        "uniform write 4KiB 20-requests",
        "uniform write 4KiB 5/s 20s",
    ] {
        assert!(!words(other).ends_by_time(), "{other}");
    }
}

#[test]
fn a_recovery_that_was_never_looked_at_is_not_said_to_take_a_day() {
    let mut question = question(built_in("tiny"), words("uniform write 4KiB 3000-requests"));
    (question.aspects, question.window) = (Vec::new(), within(Duration::from_s(1)));
    question.advise = false;
    let said = forecast(&question).to_string();
    let line = said
        .lines()
        .find(|line| line.contains("recovers afterwards in"));
    assert!(
        line.is_some_and(|line| line.ends_with("not seen: the load was stopped")),
        "{said}"
    );
}

fn rebuild_of_tiny(member_bytes: u64, piece: u64, deadline: Duration) -> rebuild::Rebuild {
    let question = rebuild::Question {
        profile: built_in("tiny"),
        control: built_in("control-5tb"),
        start: Start::New,
        member_bytes,
        pieces: vec![piece],
        foreground: None,
        window: within(deadline),
        jobs: 1,
    };
    rebuild::rebuild(&question, &|_, _| {}).expect("it runs")
}

#[test]
fn what_is_left_of_a_member_is_written_in_a_last_smaller_piece() {
    let rebuild = rebuild_of_tiny(1000 << 10, 512 << 10, Duration::from_s(3600));
    let piece = rebuild
        .pieces
        .iter()
        .find(|piece| piece.asked_for)
        .expect("asked for");
    assert_eq!(piece.member.figures.answered, 2);
    assert_eq!(piece.last_bytes, Some(488 << 10));
    assert!(
        rebuild
            .to_string()
            .contains("pieces of 512 KiB, the last of 488 KiB"),
        "{rebuild}"
    );
    let whole = rebuild_of_tiny(1024 << 10, 512 << 10, Duration::from_s(3600));
    assert!(
        whole.pieces.iter().all(|piece| piece.last_bytes.is_none()),
        "{whole}"
    );
}

#[test]
fn a_rebuild_that_was_stopped_says_how_many_pieces_were_not_answered() {
    let rebuild = rebuild_of_tiny(8 << 20, 64 << 10, Duration::from_ms(10));
    let piece = rebuild
        .pieces
        .iter()
        .find(|piece| piece.asked_for)
        .expect("asked for");
    let stopped = piece.member.stopped.expect("it is stopped");
    assert_eq!((stopped.pieces, stopped.after_ns), (128, 40_000_000));
    assert_eq!(stopped.pieces_written, piece.member.figures.answered);
    let said = rebuild.to_string();
    let words = format!(
        "with {} of 128 pieces unanswered",
        128 - stopped.pieces_written
    );
    assert!(
        said.contains(&words) && said.contains("not by the time it was stopped"),
        "{said}"
    );
    assert!(!rebuild.fits());
}

#[test]
fn a_load_that_is_done_in_time_does_not_fit_where_an_array_drops_the_drive_meanwhile() {
    // Many at once: while the staging area is full each waits for those before it.
    let load = "uniform write 64KiB 400-requests 32-under-way";
    let mut question = question(built_in("tiny"), words(load));
    (question.aspects, question.advise) = (Vec::new(), false);
    question.window = within(Duration::from_s(3600));
    let judged = forecast(&question);
    let figures = &judged.drives[0].runs[0].figures;
    assert!(figures.finish_ns < Some(3_600_000_000_000), "{judged}");
    assert!(figures.longest_request_ns > 7_000_000_000, "{judged}");
    let Verdict::DoesNotFit { why, does_with } = &judged.drives[0].verdict else {
        panic!("{judged}");
    };
    let dropped = why.dropped.expect("a host drops it");
    assert!(!why.late && does_with.is_empty(), "{why:?}");
    // The first that took longer than 7 s did so at the end of these.
    assert!(dropped.after_ns > 7_000_000_000, "{dropped:?}");
    assert!(!judged.fits());
    let said = judged.to_string();
    assert!(
        said.contains("tiny (8 MiB): DOES NOT FIT in 1 h, in the only run\n  as asked for, a host drops the drive after "),
        "{said}"
    );
    assert!(
        said.contains("  by the time alone: FITS in 1 h, in the only run"),
        "{said}"
    );
    question.window.limits = HostLimits::none();
    let by_time = forecast(&question);
    assert_eq!(by_time.drives[0].verdict, Verdict::Fits);
    assert_eq!(by_time.drives[0].not_judged, Some(dropped));
    let said = by_time.to_string();
    assert!(
        by_time.fits() && said.contains("BUT as asked for, a host drops the drive after"),
        "{said}"
    );
}

#[test]
fn steps_are_told_to_the_end() {
    let question = question(built_in("tiny"), words("uniform write 4KiB 50-requests"));
    let told = std::sync::Mutex::new(Vec::new());
    let tell = |done, all| told.lock().expect("no panic").push((done, all));
    whole::forecast(&question, &tell).expect("it runs");
    let told = told.into_inner().expect("no panic");
    let all = told.len();
    assert!(
        told.into_iter().eq((1..=all).map(|done| (done, all))),
        "{all}"
    );
}

/// Time in which all of a conventional drive passes under the heads, and how many tracks that is.
fn platter_ns(profile: &Profile, bytes: u64) -> (u64, u64) {
    let revolution_ns = 60_000_000_000_000 / profile.platters.rpm_milli;
    let (mut left, mut ns, mut tracks) = (bytes / 4096, 0, 0);
    for zone in &profile.platters.zones {
        let sectors = u64::from(zone.sectors_per_track);
        let here = u64::from(zone.tracks) * u64::from(profile.platters.surfaces);
        let used = here.min(left.div_ceil(sectors));
        ns += used * revolution_ns;
        tracks += used;
        left -= left.min(here * sectors);
    }
    (ns, tracks)
}

#[test]
fn a_rebuild_of_the_control_takes_what_its_platters_take_to_pass() {
    let (control, _) = built_in("control-5tb")
        .scaled_to(2 << 30)
        .expect("it can be");
    let (platters_ns, tracks) = platter_ns(&control, 2 << 30);
    let question = rebuild::Question {
        profile: control.clone(),
        control: built_in("control-5tb"),
        start: Start::New,
        member_bytes: 2 << 30,
        pieces: vec![1 << 20],
        foreground: None,
        window: within(Duration::from_s(3600)),
        jobs: 2,
    };
    let rebuild = rebuild::rebuild(&question, &|_, _| {}).expect("it runs");
    let piece = rebuild
        .pieces
        .iter()
        .find(|piece| piece.asked_for)
        .expect("asked for");
    assert_eq!(
        (piece.slowdown_milli, piece.share_milli),
        (Some(1000), 1000)
    );
    let took = piece.member.finish_ns.expect("it is done");
    // What the write cache holds at the end is not waited for.
    let cached = control.write_cache.bytes * platters_ns / (2 << 30);
    // From track to track the heads are switched, or the arm moves by one and settles: twice a
    // millisecond at most.
    let switches = tracks * 2_000_000;
    assert!(
        (platters_ns - cached..=platters_ns + switches).contains(&took),
        "{took} for {platters_ns}, {tracks} tracks"
    );
    assert!(rebuild.fits());
}

#[test]
fn a_member_that_stalls_for_longer_than_arrays_wait_is_dropped_and_does_not_fit() {
    let mut question = rebuild::Question {
        profile: built_in("tiny"),
        control: built_in("control-5tb"),
        start: Start::from_words("filled 60%, staging 95%").expect("a state"),
        member_bytes: 8 << 20,
        pieces: vec![64 << 10],
        foreground: None,
        window: within(Duration::from_s(3600)),
        jobs: 1,
    };
    let alone = rebuild::rebuild(&question, &|_, _| {}).expect("it runs");
    let alone_piece = &alone.pieces[0];
    assert_eq!(alone_piece.miss, None, "{alone}");
    assert!(alone.fits() && alone_piece.alone.is_none());
    let busy = "uniform write 64KiB 1-requests 64-under-way";
    question.foreground = Some(Workload::from_words(busy).expect("known"));
    let busy = rebuild::rebuild(&question, &|_, _| {}).expect("it runs");
    let piece = &busy.pieces[0];
    assert_eq!(piece.alone.as_ref(), Some(&alone_piece.member));
    assert!(
        piece.member.finish_ns > alone_piece.member.finish_ns,
        "{busy}"
    );
    let dropped = piece.miss.and_then(|miss| miss.dropped);
    assert!(dropped.is_some(), "{busy}");
    assert!(!busy.fits() && busy.to_string().contains("the member would be dropped"));
    question.window.limits = HostLimits::none();
    let by_time = rebuild::rebuild(&question, &|_, _| {}).expect("it runs");
    assert!(by_time.fits(), "{by_time}");
    let dropped = dropped.expect("just seen").limit;
    let words = format!("by {dropped}, which is not judged");
    assert!(by_time.to_string().contains(&words), "{by_time}");
}

#[test]
fn a_larger_control_keeps_its_mechanics() {
    let archive = built_in("archive-8tb");
    let small = built_in("control-5tb");
    let control = alter::control(&small, &archive).expect("it can be");
    assert_eq!(control.drive.capacity_bytes, archive.drive.capacity_bytes);
    assert_eq!(control.platters.seek, small.platters.seek);
    assert_eq!(control.platters.rpm_milli, small.platters.rpm_milli);
}
