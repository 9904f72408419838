//! Commands survive the way to a line and back, and no bytes do any harm.

use proptest::prelude::*;

use super::*;
use crate::drive::fault::{
    Commands, FailCommands, Lasts, PowerCut, Slow, Stall, Switch, Whereabouts,
};
use crate::medium::movement::Purpose;

fn every_command() -> Vec<Command> {
    let impose = |fault| Command::Impose(fault);
    let mut all = vec![
        Command::Status,
        Command::Account,
        Command::Faults,
        Command::PowerOn,
        Command::DropConnections,
        Command::Lift(Lift { fault: None }),
        Command::Lift(Lift {
            fault: Some(FaultId(7)),
        }),
        Command::Enforce(Enforce {
            limits: TimeLimit::ALL.to_vec(),
        }),
        Command::Save(Save {
            file: "/a/b".into(),
            as_power_cut: true,
        }),
        Command::Restore(Restore {
            file: "/a/b".into(),
        }),
        Command::Record(Record {
            file: "/a/b".into(),
        }),
        Command::EndRecording(EndRecording {
            recording: RecordingId(7),
            discard: true,
        }),
        impose(Fault::Stall(Stall { duration_ns: None })),
        impose(Fault::Slow(Slow { percent: 300 })),
        impose(Fault::FailCommands(FailCommands {
            commands: 3,
            after_bands_cleaned: 4,
        })),
        impose(Fault::PowerCut(PowerCut::default())),
        impose(Fault::PowerCut(PowerCut {
            after_movements: 9,
            purpose: Some(Purpose::CleanWrite),
            stay_off: true,
        })),
        impose(Fault::ReadOnly(Switch { on: true })),
        impose(Fault::WriteCache(Switch { on: false })),
    ];
    let lasts = [
        Lasts::Once,
        Lasts::Times(5),
        Lasts::UntilRewritten,
        Lasts::Permanent,
    ];
    for lasts in lasts {
        for place in [
            Whereabouts::Anywhere,
            Whereabouts::Home,
            Whereabouts::Staged,
        ] {
            for on in [Commands::Reads, Commands::Writes] {
                all.push(impose(Fault::MediaError(MediaError {
                    offset: 1,
                    bytes: u64::MAX,
                    on,
                    lasts,
                    place,
                    tries_ns: 7,
                })));
            }
        }
    }
    all
}

#[test]
fn every_command_survives_the_way_to_a_line_and_back() {
    let all = every_command();
    for command in &all {
        let (id, again) = read(command.to_line().as_bytes());
        assert_eq!(id, None);
        assert_eq!(again.as_ref(), Ok(command), "{}", command.to_line());
    }
    for word in WORDS {
        assert!(all.iter().any(|command| command.word() == word), "{word}");
    }
}

fn refused(line: &str) -> String {
    let (_, command) = read(line.as_bytes());
    command.expect_err(line).to_string()
}

#[test]
fn errors_say_what_is_wrong_and_what_is_allowed() {
    let check = |line, expected: &str| {
        let told = refused(line);
        assert!(told.contains(expected), "{line}: {told}");
    };
    check("{", "no JSON");
    check("[]", "no JSON object");
    check("{}", "media-error");
    check(r#"{"command": "dance"}"#, "\"dance\"");
    check(r#"{"command": "status", "version": 2}"#, "only 1");
    check(
        r#"{"command": "status", "colour": 2}"#,
        "unknown field `colour`",
    );
    check(r#"{"command": "stall", "seconds": 2}"#, "`duration_ns`");
    check(r#"{"command": "slow", "percent": -1}"#, "-1");
    check(
        r#"{"command": "power-cut", "purpose": "fun"}"#,
        "clean-write",
    );
    check(r#"{"command": "enforce", "limits": ["tea"]}"#, "hung-task");
    check(r#"{"command": "save", "file": "a"}"#, "not absolute");
    check(
        r#"{"command": "record", "file": "a/b.parquet"}"#,
        "record: the path a/b.parquet is not absolute",
    );
    check(r#"{"command": "record"}"#, "missing field `file`");
    check(
        r#"{"command": "end-recording"}"#,
        "missing field `recording`",
    );
    check(r#"{"command": "end-recording", "recording": -1}"#, "-1");
}

#[test]
fn a_recording_is_kept_unless_it_is_said_to_be_of_no_use() {
    let (_, command) = read(br#"{"command": "end-recording", "recording": 3}"#);
    let kept = EndRecording {
        recording: RecordingId(3),
        discard: false,
    };
    assert_eq!(command, Ok(Command::EndRecording(kept)));
}

#[test]
fn the_page_has_a_row_for_every_command() {
    let page = include_str!("../../docs/control.md");
    for word in WORDS {
        assert!(page.contains(&format!("\n| `{word}` | ")), "{word}");
    }
    let version = format!("## The protocol, version {VERSION}\n");
    assert!(page.contains(&version));
}

#[test]
fn an_id_is_handed_back_whatever_becomes_of_the_rest() {
    let (id, command) = read(br#"{"id": [1, "x"], "command": "dance"}"#);
    assert_eq!(id, Some(serde_json::json!([1, "x"])));
    assert!(command.is_err());
}

proptest! {
    #[test]
    fn no_bytes_do_any_harm(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let (_, command) = read(&bytes);
        prop_assert!(command.is_err());
    }

    #[test]
    fn a_damaged_command_is_a_command_or_an_error(
        which in any::<prop::sample::Index>(), at in any::<prop::sample::Index>(), byte in any::<u8>(),
    ) {
        let all = every_command();
        let mut line = which.get(&all).to_line().into_bytes();
        let at = at.index(line.len());
        line[at] = byte;
        if let (_, Ok(command)) = read(&line) {
            prop_assert_eq!(read(command.to_line().as_bytes()).1, Ok(command));
        }
    }
}
