//! Owns the arguments of `imbrex serve`: what may be on its line and what it says of itself.

use std::path::PathBuf;

use clap::ValueEnum;

use crate::cli::address::NbdAddress;
use crate::cli::number;
use crate::cli::tls::TlsArguments;
use crate::host::clock::Pace;
use crate::host::pace;
use crate::host::time_limits::TimeLimit;
use crate::medium::mover::MoverChoice;

const LONG: &str = "\
Show an image as a disk until Ctrl-C or SIGTERM.

A line beginning with `ready:` on stdout tells where, as soon as clients can connect. At the end an
account of the session is printed. A second Ctrl-C ends at once, which is a power cut for the drive:
what was flushed is there, the rest may be.";

const EXAMPLES: &str = "\
Examples:
  imbrex serve disk.img --nbd unix:/tmp/disk.sock
  imbrex serve disk.img --nbd tcp:127.0.0.1:10809 --pace 10x
  imbrex serve disk.img --fuse /mnt/disk --account session.json
  imbrex serve disk.img --nbd unix:/tmp/disk.sock --enforce array-recovery,flush
  imbrex serve disk.img --nbd tcp:0.0.0.0:10809 --user imbrex \\
      --tls-certificate server.pem --tls-key server.key --tls-client-ca clients.pem";

/// Arguments of `serve`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
#[allow(clippy::struct_excessive_bools)] // words of the user, independent of each other
pub(in crate::cli) struct Arguments {
    /// The image.
    pub(super) image: PathBuf,
    /// Serve NBD at unix:PATH or tcp:HOST:PORT; may be given more than once.
    #[arg(long, value_name = "ADDRESS")]
    pub(super) nbd: Vec<NbdAddress>,
    /// Mount a filesystem at DIR (existing, empty) in which the file `disk` is the drive.
    #[arg(long, value_name = "DIR")]
    pub(super) fuse: Option<PathBuf>,
    /// Let root use that file too (needs `user_allow_other` in /etc/fuse.conf).
    #[arg(long, requires = "fuse")]
    pub(super) allow_root: bool,
    /// How long the drive takes: real, off (as fast as this machine goes), or a factor like 10x.
    #[arg(long, default_value = "real", value_parser = pace::parse)]
    pub(super) pace: Pace,
    /// What carries the bytes.
    #[arg(long, value_enum, default_value_t = MoverWord::Auto)]
    pub(super) mover: MoverWord,
    /// Serve for reading only; nothing is written to the image.
    #[arg(long)]
    pub(super) read_only: bool,
    /// IMAGE is a block device.
    #[arg(long)]
    pub(super) block_device: bool,
    /// Listen on TCP addresses that other machines can reach, without TLS for everyone.
    #[arg(long)]
    pub(super) allow_remote: bool,
    /// Once the image is open, go on as this user (needs root; not with --fuse).
    #[arg(long, value_name = "NAME", conflicts_with = "fuse")]
    pub(super) user: Option<String>,
    /// Show the state of the drive on stderr every so many seconds (on a terminal always).
    #[arg(long, value_name = "SECONDS", value_parser = number::from_1_to(u32::MAX))]
    pub(super) status: Option<u32>,
    /// Fail commands that take longer than these limits of hosts (`imbrex tell IMAGE account` lists
    /// them all).
    #[arg(long, value_name = "LIMIT", value_delimiter = ',')]
    pub(super) enforce: Vec<TimeLimit>,
    /// Put the control socket here instead of beside the image.
    #[arg(long, value_name = "PATH")]
    pub(super) control: Option<PathBuf>,
    /// Write the account to this file too, as JSON.
    #[arg(long, value_name = "FILE")]
    pub(super) account: Option<PathBuf>,
    /// Record every request and its answer in this new file (Parquet, see docs/events.md), for
    /// `simulate --replay`.
    #[arg(long, value_name = "FILE")]
    pub(super) record: Option<PathBuf>,
    #[command(flatten)]
    pub(super) tls: TlsArguments,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum MoverWord {
    /// `io_uring` where the system allows it, else plain.
    Auto,
    /// `io_uring` or nothing.
    Ring,
    /// One system call after another.
    Plain,
}

impl MoverWord {
    pub(super) fn choice(self) -> MoverChoice {
        match self {
            MoverWord::Auto => MoverChoice::Auto,
            MoverWord::Ring => MoverChoice::Ring,
            MoverWord::Plain => MoverChoice::Plain,
        }
    }
}
