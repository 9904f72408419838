//! A guest with its drives: started through `scripts/vm`, talked to by lines, cut off from its power.
//!
//! A guest does not outlive the test that started it, and has a time limit of its own.

use std::io::{BufRead, BufReader, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::Value;
use tempfile::TempDir;

use crate::program::{Ended, Served, imbrex, told};

/// Enough for the slowest of them on a busy machine.
const GUEST_SECONDS: &str = "400";

/// Images in a folder of their own.
pub(crate) struct Images {
    pub(crate) folder: TempDir,
}

impl Images {
    /// New drives of these names.
    pub(crate) fn new(names: &[&str], capacity: &str) -> Images {
        let folder = tempfile::tempdir().expect("a folder");
        let images = Images { folder };
        for name in names {
            images.create(name, capacity);
        }
        images
    }

    pub(crate) fn create(&self, name: &str, capacity: &str) {
        imbrex(
            &format!("create {{}} --capacity {capacity}"),
            &self.path(name),
        )
        .success();
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name).with_extension("img")
    }

    /// Serves it on a Unix socket and a TCP port, as fast as this machine goes.
    pub(crate) fn serve(&self, name: &str) -> Served {
        self.serve_at(name, "off")
    }

    /// The same at this pace.
    pub(crate) fn serve_at(&self, name: &str, pace: &str) -> Served {
        let options = format!("--pace {pace} --nbd tcp:127.0.0.1:0");
        Served::start(&self.path(name), &options)
    }

    /// What a served drive answers when it is told to do something.
    pub(crate) fn told(&self, name: &str, what: &str) -> Value {
        told(&self.path(name), what)
    }

    /// The account of a served drive so far.
    pub(crate) fn account(&self, name: &str) -> Value {
        self.told(name, "account")["account"].take()
    }

    /// Has every structure and every byte in use checked.
    pub(crate) fn check(&self, name: &str) {
        imbrex("check {} --data", &self.path(name)).success();
    }
}

/// The TCP port that a server says it listens on.
pub(crate) fn port(served: &Served) -> String {
    let (_, rest) = served.said.split_once("127.0.0.1:").expect("it says where");
    rest.chars().take_while(char::is_ascii_digit).collect()
}

/// Whether guests can be had. Where not, a word about it, or a failure where `CI` is set.
pub(crate) fn available() -> bool {
    let target = option_env!("CARGO_TARGET_DIR").unwrap_or("target");
    let kernel = root().join(target).join("vm/kernel/vmlinuz");
    if kernel.exists() {
        return true;
    }
    let what = "guests cannot be had: run scripts/packages --vm, or scripts/test --vm";
    assert!(std::env::var_os("CI").is_none(), "{what}");
    // Past the test harness, which shows nothing of a test that passes.
    let _ = writeln!(std::io::stderr(), "not tested: {what}");
    false
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// A guest that runs a script of `tests/vm/scripts`.
pub(crate) struct Guest {
    child: Child,
    stdin: Option<ChildStdin>,
    stdout: BufReader<ChildStdout>,
    /// All that it has said.
    said: String,
}

impl Guest {
    /// Boots one with these options of `scripts/vm`.
    pub(crate) fn start(options: &[&str], script: &str, arguments: &[&str]) -> Guest {
        let mut child = Command::new(root().join("scripts/vm"))
            .args(["--seconds", GUEST_SECONDS])
            .args(options)
            .arg(root().join("tests/vm/scripts").join(script))
            .args(arguments)
            .current_dir(root())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        let stdin = child.stdin.take();
        let stdout = BufReader::new(child.stdout.take().expect("piped"));
        Guest {
            child,
            stdin,
            stdout,
            said: String::new(),
        }
    }

    /// The next line; `None` at its end. A line that was cut short is none.
    pub(crate) fn line(&mut self) -> Option<String> {
        let mut bytes = Vec::new();
        self.stdout.read_until(b'\n', &mut bytes).expect("readable");
        let line = String::from_utf8_lossy(&bytes).into_owned();
        self.said.push_str(&line);
        line.ends_with('\n').then(|| line.trim_end().to_owned())
    }

    /// Waits for a line that begins so and hands back the rest of it.
    pub(crate) fn hear(&mut self, beginning: &str) -> String {
        while let Some(line) = self.line() {
            if let Some(rest) = line.strip_prefix(beginning) {
                return rest.trim().to_owned();
            }
        }
        panic!("it did not say '{beginning}' but ended: {}", self.account());
    }

    pub(crate) fn tell(&mut self, line: &str) {
        let stdin = self.stdin.as_mut().expect("piped");
        writeln!(stdin, "{line}").expect("it listens");
    }

    /// Waits for its end and hands back what it said in all.
    pub(crate) fn success(mut self) -> String {
        self.stdin = None;
        while self.line().is_some() {}
        let code = self.child.wait().expect("it ends").code();
        assert_eq!(code, Some(0), "{}", self.account());
        std::mem::take(&mut self.said)
    }

    /// Waits until its script has failed by itself and hands back what was not heard yet.
    pub(crate) fn failure(mut self) -> Vec<String> {
        let rest = std::iter::from_fn(|| self.line()).collect();
        let code = self.child.wait().expect("it ends").code();
        // 125 and more: the guest, not its script.
        let failed = code.is_some_and(|code| (1..125).contains(&code));
        assert!(failed, "{code:?}: {}", self.account());
        rest
    }

    /// A power cut. Hands back what it was still heard to say.
    pub(crate) fn cut(mut self) -> Vec<String> {
        let pid = i32::try_from(self.child.id()).expect("a process number");
        kill(Pid::from_raw(pid), Signal::SIGTERM).expect("it is running");
        std::iter::from_fn(|| self.line()).collect()
    }

    fn account(&mut self) -> String {
        let mut errors = String::new();
        if let Some(mut stderr) = self.child.stderr.take() {
            // What there is of it is enough.
            let _ = stderr.read_to_string(&mut errors);
        }
        format!("it said:\n{}\nand of errors:\n{errors}", self.said)
    }
}

impl Drop for Guest {
    fn drop(&mut self) {
        let pid = i32::try_from(self.child.id()).expect("a process number");
        if matches!(self.child.try_wait(), Ok(None)) {
            // Gone meanwhile is as good. Not SIGKILL, which would leave the emulator behind.
            let _ = kill(Pid::from_raw(pid), Signal::SIGTERM);
        }
        let _ = self.child.wait();
    }
}

/// Where a host's view ends: how an ended server is reported.
pub(crate) fn trims(ended: Ended) -> u64 {
    let account = ended.success();
    let words: Vec<&str> = account.split([' ', ',', '\n']).collect();
    let at = words.iter().position(|word| word.starts_with("trim"));
    let number = at.and_then(|at| words[at - 1].parse().ok());
    number.unwrap_or_else(|| panic!("no number of trims: {account}"))
}
