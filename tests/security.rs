//! What `docs/security.md` promises of the built program; each line there names the test that keeps
//! it, here or elsewhere, and one test compares.

#![allow(clippy::print_stdout)] // says what it skips

#[path = "cli/image.rs"]
#[allow(dead_code)] // a part of it is used
mod image;
mod nbd_client;
mod program;

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt, symlink};
use std::path::Path;

use image::Scratch;
use program::{Served, imbrex};

fn is_root() -> bool {
    nix::unistd::geteuid().is_root()
}

/// The numbers after a word in what the kernel says of a process.
fn kernel_says(status: &str, word: &str) -> BTreeSet<u32> {
    let line = status.lines().find_map(|line| line.strip_prefix(word));
    let numbers = line.expect("the kernel says it").split_whitespace();
    numbers
        .map(|number| number.parse().expect("a number"))
        .collect()
}

#[test]
fn root_goes_on_as_another_user_in_all_of_its_threads() {
    if !is_root() {
        println!("skipped: takes root");
        return;
    }
    let scratch = Scratch::tiny();
    let folder = scratch.image.parent().expect("it lies in a folder");
    fs::set_permissions(folder, fs::Permissions::from_mode(0o777)).expect("ours");
    assert_eq!(fs::metadata(&scratch.image).expect("there").uid(), 0);
    let served = Served::start(&scratch.image, "--pace off --user nobody");
    let nobody = nix::unistd::User::from_name("nobody");
    let nobody = nobody.expect("looked up").expect("every system has it");
    let threads = fs::read_dir(format!("/proc/{}/task", served.pid())).expect("it runs");
    let mut seen = 0;
    for thread in threads {
        let path = thread.expect("a thread").path().join("status");
        let status = fs::read_to_string(path).expect("it runs");
        let only = |number: u32| BTreeSet::from([number]);
        assert_eq!(kernel_says(&status, "Uid:"), only(nobody.uid.as_raw()));
        assert_eq!(kernel_says(&status, "Gid:"), only(nobody.gid.as_raw()));
        assert_eq!(kernel_says(&status, "Groups:"), only(nobody.gid.as_raw()));
        assert_eq!(kernel_says(&status, "NoNewPrivs:"), only(1));
        assert!(status.contains("CapEff:\t0000000000000000"), "{status}");
        seen += 1;
    }
    assert!(seen > 2, "{seen} threads");
    let socket = fs::metadata(&served.socket).expect("there");
    assert_eq!(socket.uid(), nobody.uid.as_raw());
    let mut client = served.client();
    client.write(0, &[7; 4096]).expect("written");
    client.flush().expect("flushed");
    let socket = served.socket.clone();
    served.stop().success();
    assert!(!socket.exists(), "the lesser user removes its own socket");
    imbrex("check {}", &scratch.image).success();
}

#[test]
fn a_user_that_cannot_be_become_is_refused_before_the_image_is_touched() {
    let scratch = Scratch::tiny();
    let before = fs::read(&scratch.image).expect("read");
    for user in ["root", "0", "nobody-of-that-name"] {
        let serve = format!("serve {{}} --nbd unix:{{}}.sock --user {user}");
        let told = imbrex(&serve, &scratch.image).expect(2);
        assert!(told.contains("--user") && told.contains(user), "{told}");
    }
    let both = "serve {} --fuse /mnt --user nobody";
    imbrex(both, &scratch.image).expect(2);
    assert!(fs::read(&scratch.image).expect("read") == before);
}

#[test]
fn a_served_socket_is_private_whatever_the_umask() {
    let scratch = Scratch::tiny();
    let served = Served::start_with_umask(&scratch.image, "--pace off", 0);
    let control = scratch.image.with_extension("img.control");
    for socket in [&served.socket, &control] {
        let mode = fs::metadata(socket).expect("there").permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "{}", socket.display());
    }
    served.stop().success();
}

#[test]
fn an_image_is_private_and_no_link_is_followed_to_make_it() {
    let scratch = Scratch::tiny();
    let mode = fs::metadata(&scratch.image).expect("there").mode();
    assert_eq!(mode & 0o777, 0o600);
    let folder = scratch.image.parent().expect("it lies in a folder");
    let (link, target) = (folder.join("link"), folder.join("target"));
    symlink(&target, &link).expect("linked");
    for replace in ["", " --replace"] {
        let create = format!("create {{}} --profile tiny{replace}");
        imbrex(&create, &link).expect(4);
        assert!(!target.exists(), "nothing is made where a link leads");
        fs::write(&target, "precious").expect("written");
        imbrex(&create, &link).expect(4);
        assert_eq!(fs::read(&target).expect("read"), b"precious");
        fs::remove_file(&target).expect("removed");
    }
}

#[test]
fn other_machines_are_not_served_by_accident() {
    let scratch = Scratch::tiny();
    for address in ["0.0.0.0:0", "[::]:0"] {
        let serve = format!("serve {{}} --nbd tcp:{address}");
        let told = imbrex(&serve, &scratch.image).expect(4);
        assert!(told.contains("not a loopback address"), "{told}");
        assert!(told.contains("TLS"), "{told}");
    }
}

/// Every Rust file of the sources and the tests in one text.
fn all_code(folder: &Path, into: &mut String) {
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            all_code(&path, into);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            into.push_str(&fs::read_to_string(path).expect("text"));
        }
    }
}

#[test]
fn every_promise_of_the_security_page_names_a_test_that_exists() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let page = fs::read_to_string(root.join("docs/security.md")).expect("the page");
    let mut code = String::new();
    all_code(&root.join("src"), &mut code);
    all_code(&root.join("tests"), &mut code);
    let mut promises = 0;
    for line in page.lines().filter(|line| line.starts_with("- `")) {
        let name = line[3..].split('`').next().expect("a name");
        assert!(code.contains(&format!("fn {name}(")), "{name} is no test");
        promises += 1;
    }
    assert!(promises > 10, "{promises} promises");
}
