//! A trace of another tool; the first byte says of which. What is imported is in order and can be read
//! back; rates make a workload that is valid.
#![no_main]

use std::io::Cursor;

use imbrex::lab::import::table::Columns;
use imbrex::lab::import::{
    BadLines, Event, Format, Hide, Key, Lines, Options, TimeUnit, import, rates,
};
use imbrex::lab::recording::{Recording, RecordingWriter};
use imbrex::lab::workload::Workload;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    let Some((first, text)) = input.split_first() else {
        return;
    };
    let format = match first % 8 {
        0 => Format::Blkparse(Event::Queued),
        1 => Format::Blkparse(Event::Completed),
        2 => Format::FioLog(TimeUnit::Milliseconds),
        3 => Format::FioLog(TimeUnit::Microseconds),
        4 => Format::Table(Columns::host_disk()),
        5 => Format::Table(Columns::volume()),
        _ => return make_workload(text),
    };
    let hide = Hide {
        drive_bytes: 1 << 40,
        piece_bytes: 1 << 30,
        key: Key::new(7),
    };
    let options = Options {
        format,
        device: None,
        bad_lines: if first & 0x40 == 0 {
            BadLines::Skip
        } else {
            BadLines::Stop
        },
        bad_shown: 3,
        hide: (first & 0x80 != 0).then_some(hide),
    };
    let file = tempfile::NamedTempFile::new_in("/dev/shm").expect("room in memory");
    let to = RecordingWriter::new(file.reopen().expect("it is there"), &[]).expect("it begins");
    let Ok(mut lines) = Lines::of(Cursor::new(text.to_vec())) else {
        return;
    };
    match import(&mut lines, &options, to) {
        Err(error) => assert!(!error.to_string().is_empty()),
        Ok(_) => drop(Recording::read(file.path()).expect("what was written can be read")),
    }
});

fn make_workload(text: &[u8]) {
    let Ok(text) = std::str::from_utf8(text) else {
        return;
    };
    match rates::workload(text, None, None) {
        Err(error) => assert!(!error.to_string().is_empty()),
        Ok(made) => {
            Workload::from_toml("made", &made.toml).expect("what is made is valid");
        }
    }
}
