//! What is not recorded, and what is said of it.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;

use crate::program::{Ended, Served, imbrex, is_root};
use crate::rig::{Rig, rows};

#[test]
fn nobody_records_an_image_that_nobody_serves() {
    let rig = Rig::new();
    let file = rig.beside("none.parquet");
    let told = rig.record(&file, &["--", "true"]).wait().expect(6);
    assert!(told.contains("no server answers"), "{told}");
    assert!(!file.exists());
    let nothing = rig.beside("nothing.img");
    let told = imbrex("record {} -o x.parquet", &nothing).expect(3);
    assert!(told.contains("nothing.img"), "{told}");
}

#[test]
fn an_existing_file_is_left_alone_and_one_that_cannot_be_made_is_named() {
    let rig = Rig::new();
    let (served, _client) = rig.serve("");
    let file = rig.beside("thesis.parquet");
    fs::write(&file, "thesis").expect("written");
    let run = rig.beside("run");
    let command = ["--", "touch", run.to_str().expect("plain")];
    let told = rig.record(&file, &command).wait().expect(4);
    assert!(
        told.contains("thesis.parquet exists and is left alone"),
        "{told}"
    );
    assert!(!run.exists(), "the command is not run");
    assert_eq!(fs::read_to_string(&file).expect("still there"), "thesis");
    rig.tell(&format!("record {}", file.display())).expect(4);
    let deep = rig.beside("no/such/folder.parquet");
    let told = rig.record(&deep, &[]).wait().expect(1);
    assert!(
        told.contains("cannot create") && told.contains("no/such/folder"),
        "{told}"
    );
    assert!(told.contains("No such file"), "{told}");
    let told = rig.tell("end-recording 7").expect(1);
    assert!(told.contains("recording 7 is not under way"), "{told}");
    served.stop().success();
    let options = format!(
        "serve {{}} --nbd tcp:127.0.0.1:0 --record {}",
        file.display()
    );
    let told = imbrex(&options, &rig.image).expect(4);
    assert!(told.contains("exists and is left alone"), "{told}");
    // Where nobody could connect nothing is left either, and the corrected command finds its file free.
    let useless = rig.beside("useless.parquet");
    let options = format!(
        "serve {{}} --nbd unix:/nonexistent/socket --record {}",
        useless.display()
    );
    imbrex(&options, &rig.image).expect(6);
    assert!(!useless.exists());
}

#[test]
fn a_path_that_depends_on_where_somebody_is_is_no_path_to_a_server() {
    let rig = Rig::new();
    let (served, _client) = rig.serve("");
    let answer = rig.raw(r#"{"command": "record", "file": "a/b.parquet"}"#);
    assert_eq!(answer["error"]["kind"], "not-understood", "{answer}");
    let message = answer["error"]["message"].as_str().expect("words");
    assert!(message.contains("a/b.parquet is not absolute"), "{message}");
    assert!(rig.under_way().is_empty());
    served.stop().success();
}

#[test]
fn a_path_that_somebody_types_is_one_from_where_they_are() {
    let rig = Rig::new();
    let (served, _client) = rig.serve("");
    let elsewhere = rig.beside("elsewhere");
    fs::create_dir(&elsewhere).expect("a folder");
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_imbrex"));
    command.current_dir(&elsewhere);
    command.args(["record", "../disk.img", "-o", "here.parquet", "--", "true"]);
    let ended = Ended::from(command.output().expect("it runs"));
    ended.success();
    assert_eq!(rows(&elsewhere.join("here.parquet")), []);
    served.stop().success();
}

#[test]
fn a_ninth_recording_is_refused_and_the_eight_go_on() {
    let rig = Rig::new();
    let (served, _client) = rig.serve("");
    for n in 1..=8 {
        let file = rig.beside(&format!("{n}.parquet"));
        assert_eq!(
            rig.told(&format!("record {}", file.display()))["recording"],
            n
        );
    }
    let ninth = rig.beside("9.parquet");
    let told = rig.tell(&format!("record {}", ninth.display())).expect(1);
    assert!(told.contains("8 recordings are under way"), "{told}");
    assert!(!ninth.exists());
    rig.told("end-recording 3");
    assert_eq!(
        rig.told(&format!("record {}", ninth.display()))["recording"],
        9
    );
    served.stop().success();
}

#[test]
fn the_server_writes_as_the_user_that_it_runs_as() {
    if !is_root("going on as another user") {
        return;
    }
    let rig = Rig::new();
    let folder = rig.image.parent().expect("it lies in a folder");
    fs::set_permissions(folder, fs::Permissions::from_mode(0o777)).expect("ours");
    let served = Served::start(&rig.image, "--pace off --user nobody");
    let mine = rig.beside("mine");
    fs::create_dir(&mine).expect("a folder");
    let told = rig.record(&mine.join("x.parquet"), &[]).wait().expect(1);
    assert!(
        told.contains("mine/x.parquet") && told.contains("Permission denied"),
        "{told}"
    );
    let file = rig.beside("theirs.parquet");
    rig.record(&file, &["--", "true"]).wait().success();
    served.stop().success();
}
