//! Runs programs: the one under test to its end or as a server that is waited for and stopped, and
//! the tools that meet it.
//!
//! A server does not outlive the test that started it, however that ends.

#![allow(dead_code)] // every test program compiles this anew and uses a part of it

use std::ffi::OsStr;
use std::io::{BufRead, BufReader, ErrorKind, Read, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Output, Stdio};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use crate::nbd_client::Client;

/// How a run ended.
#[derive(Debug)]
pub(crate) struct Ended {
    pub(crate) code: Option<i32>,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
}

impl Ended {
    /// Insists on an exit code and hands back what was printed as an error.
    pub(crate) fn expect(self, code: i32) -> String {
        assert_eq!(self.code, Some(code), "{self:#?}");
        self.stderr
    }

    /// Insists on success and hands back what was printed.
    pub(crate) fn success(self) -> String {
        assert_eq!(self.code, Some(0), "{self:#?}");
        self.stdout
    }

    pub(crate) fn json(self) -> serde_json::Value {
        serde_json::from_str(&self.stdout).unwrap_or_else(|error| panic!("{error}: {self:#?}"))
    }
}

impl From<Output> for Ended {
    fn from(output: Output) -> Ended {
        let text = |bytes: Vec<u8>| String::from_utf8_lossy(&bytes).into_owned();
        Ended {
            code: output.status.code(),
            stdout: text(output.stdout),
            stderr: text(output.stderr),
        }
    }
}

fn command() -> Command {
    Command::new(env!("CARGO_BIN_EXE_imbrex"))
}

/// Runs it to its end. `{}` in an argument stands for the path.
pub(crate) fn imbrex(arguments: &str, path: &Path) -> Ended {
    let shown = path.to_str().expect("a plain path");
    let arguments = arguments
        .split(' ')
        .map(|argument| argument.replace("{}", shown));
    command().args(arguments).output().expect("it runs").into()
}

/// Has the server of an image told to do something.
pub(crate) fn tell(image: &Path, what: &str) -> Ended {
    imbrex(&format!("tell {{}} {what}"), image)
}

/// What it answers to a command that succeeds.
pub(crate) fn told(image: &Path, what: &str) -> serde_json::Value {
    let ended = tell(image, &format!("{what} --json"));
    assert_eq!(ended.code, Some(0), "{what}: {ended:#?}");
    ended.json()
}

/// Whether this user may mount and attach loop devices. Where not, a word about it, or a failure where
/// `CI` is set.
pub(crate) fn is_root(what: &str) -> bool {
    if nix::unistd::geteuid().is_root() {
        return true;
    }
    assert!(
        std::env::var_os("CI").is_none(),
        "{what} takes root: run the tests as root, or scripts/test, which uses sudo for this"
    );
    // Past the test harness, which shows nothing of a test that passes.
    let _ = writeln!(std::io::stderr(), "not tested: {what} takes root");
    false
}

/// Runs a tool of the system to its end; one that is not installed fails the test with what to do.
pub(crate) fn tool<I: IntoIterator<Item: AsRef<OsStr>>>(name: &str, arguments: I) -> Ended {
    match Command::new(name).args(arguments).output() {
        Ok(output) => output.into(),
        Err(error) if error.kind() == ErrorKind::NotFound => {
            panic!("{name} is missing: run scripts/packages, which installs what the tests need")
        }
        Err(error) => panic!("{name} cannot be started: {error}"),
    }
}

/// A server, and where its socket is.
pub(crate) struct Served {
    /// Taken once it is waited for.
    child: Option<Child>,
    stdout: BufReader<ChildStdout>,
    pub(crate) said: String,
    pub(crate) socket: PathBuf,
}

impl Served {
    /// Serves `image` over NBD and waits until it is ready.
    pub(crate) fn start(image: &Path, options: &str) -> Served {
        Served::run(command(), image, options)
    }

    /// The same, by a shell that lets others do everything to new files (mask 0) or less.
    pub(crate) fn start_with_umask(image: &Path, options: &str, mask: u32) -> Served {
        let mut shell = Command::new("sh");
        let script = format!("umask {mask:03o}; exec \"$0\" \"$@\"");
        shell.args(["-c", &script, env!("CARGO_BIN_EXE_imbrex")]);
        Served::run(shell, image, options)
    }

    fn run(mut program: Command, image: &Path, options: &str) -> Served {
        let socket = image.with_extension("sock");
        let options = options.split(' ').filter(|option| !option.is_empty());
        let mut child = program
            .arg("serve")
            .arg(image)
            .arg("--nbd")
            .arg(format!("unix:{}", socket.display()))
            .args(options)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        let mut stdout = BufReader::new(child.stdout.take().expect("piped"));
        let mut said = String::new();
        while !said.lines().any(|line| line.starts_with("ready: ")) {
            let read = stdout.read_line(&mut said).expect("it prints text");
            assert!(read > 0, "it ended: {said} {:?}", child.wait_with_output());
        }
        Served {
            child: Some(child),
            stdout,
            said,
            socket,
        }
    }

    pub(crate) fn client(&self) -> Client {
        Client::connect(&self.socket)
    }

    /// The address for tools.
    pub(crate) fn uri(&self) -> String {
        format!("nbd+unix:///?socket={}", self.socket.display())
    }

    /// Asks it to end and waits for that.
    pub(crate) fn stop(self) -> Ended {
        self.signal(Signal::SIGTERM);
        self.wait()
    }

    /// A power cut. To be told of with [`Served::cut`].
    pub(crate) fn kill(&self) {
        self.signal(Signal::SIGKILL);
    }

    /// A power cut.
    pub(crate) fn cut(self) {
        self.kill();
        let ended = self.wait();
        assert_eq!(
            ended.code, None,
            "it ended before it was cut off: {ended:#?}"
        );
    }

    /// Waits until it ends by itself.
    pub(crate) fn wait(mut self) -> Ended {
        let child = self.child.take().expect("it is waited for once");
        let mut rest = String::new();
        self.stdout
            .read_to_string(&mut rest)
            .expect("it prints text");
        let mut ended = Ended::from(child.wait_with_output().expect("it ends"));
        ended.stdout = self.said.clone() + &rest;
        ended
    }

    /// Its process number.
    pub(crate) fn pid(&self) -> u32 {
        let child = self.child.as_ref().expect("it is not waited for yet");
        child.id()
    }

    pub(crate) fn signal(&self, signal: Signal) {
        let pid = i32::try_from(self.pid()).expect("a process number");
        kill(Pid::from_raw(pid), signal).expect("it is running");
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            // Gone already is as good.
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}
