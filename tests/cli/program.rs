//! Runs the built program: to its end, or as a server that is waited for and stopped.

use std::io::{BufRead, BufReader, Read};
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
        let text = |bytes| String::from_utf8(bytes).expect("it prints text");
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

/// A server, and where its socket is.
pub(crate) struct Served {
    child: Child,
    stdout: BufReader<ChildStdout>,
    pub(crate) said: String,
    socket: PathBuf,
}

impl Served {
    /// Serves `image` over NBD and waits until it is ready.
    pub(crate) fn start(image: &Path, options: &str) -> Served {
        let socket = image.with_extension("sock");
        let options = options.split(' ').filter(|option| !option.is_empty());
        let mut child = command()
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
            child,
            stdout,
            said,
            socket,
        }
    }

    pub(crate) fn client(&self) -> Client {
        Client::connect(&self.socket)
    }

    /// Asks it to end and waits for that.
    pub(crate) fn stop(self) -> Ended {
        self.signal(Signal::SIGTERM);
        self.wait()
    }

    /// A power cut.
    pub(crate) fn cut(self) {
        self.signal(Signal::SIGKILL);
        assert_eq!(self.wait().code, None);
    }

    /// Waits until it ends by itself.
    pub(crate) fn wait(mut self) -> Ended {
        let mut rest = String::new();
        self.stdout
            .read_to_string(&mut rest)
            .expect("it prints text");
        let mut ended = Ended::from(self.child.wait_with_output().expect("it ends"));
        ended.stdout = self.said + &rest;
        ended
    }

    fn signal(&self, signal: Signal) {
        let pid = i32::try_from(self.child.id()).expect("a process number");
        kill(Pid::from_raw(pid), signal).expect("it is running");
    }
}
