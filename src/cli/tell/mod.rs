//! `imbrex tell`: has a served drive do what no host can ask of it, by way of its control socket.
//!
//! It turns words into one command of the protocol and prints what came of it. Whether the drive can
//! do what is asked is for its server to say. How amounts are said is in `amounts`.

mod amounts;

use std::ffi::OsString;
use std::fmt::Write as _;
use std::path::PathBuf;

use clap::{Subcommand, ValueEnum};
use serde_json::{Map, Value};

use self::amounts::{StallTime, bytes, factor, lasts, purpose, stall_time, time};
use super::exit::{Code, UsageError};
use super::output;
use super::record::{self, absolute, socket_meant_by};
use crate::control::client;
use crate::control::command::{Command, EndRecording, Enforce, Lift, Record, Restore, Save};
use crate::drive::fault::{
    Commands, FailCommands, Fault, FaultId, Lasts, MediaError, PowerCut, Slow, Stall, Switch,
    Whereabouts,
};
use crate::host::recorder::RecordingId;
use crate::host::time_limits::TimeLimit;
use crate::medium::movement::Purpose;

const LONG: &str = "\
Tell a served drive what is to befall it, save or restore its state, ask how it is.

The command goes to the server of IMAGE, by the control socket beside it (IMAGE.control), or to the
socket that is given. Faults are part of the model: they happen at moments of the drive's own time,
each is noted with its time and cause, and the account at the end of `serve` lists them. The protocol
is described in docs/control.md.";

const EXAMPLES: &str = "\
Examples:
  imbrex tell disk.img status
  imbrex tell disk.img stall 40s
  imbrex tell disk.img media-error 1MiB 4KiB --lasts until-rewritten --tries 7s
  imbrex tell disk.img power-cut --after 3 --purpose clean-write
  imbrex tell disk.img save before.img
  imbrex tell disk.img restore before.img";

/// Arguments of `tell`.
#[derive(Debug, clap::Args)]
#[command(long_about = LONG, after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// The image that is served, or the control socket of its server.
    image: PathBuf,
    /// Print one JSON object.
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Tell the live state: staging area, cleaning, counters, faults in force.
    Status,
    /// Tell latencies, slow requests, tripped limits and what faults did, as JSON.
    Account,
    /// List the faults in force.
    Faults,
    /// Cut the power: what is not durable is lost, and the drive comes back by recovery.
    PowerCut {
        /// After so many movements from now on (0: at once).
        #[arg(long, value_name = "MOVEMENTS", default_value_t = 0)]
        after: u64,
        /// Count movements of this purpose only.
        #[arg(long, value_parser = purpose, requires = "after")]
        purpose: Option<Purpose>,
        /// Leave the drive without power until `power-on`.
        #[arg(long)]
        stay_off: bool,
    },
    /// Give power again after `power-cut --stay-off`.
    PowerOn,
    /// Make a range of bytes unreadable or unwritable.
    MediaError {
        /// First byte, such as 4096 or 1MiB.
        #[arg(value_parser = bytes)]
        offset: u64,
        /// How many bytes.
        #[arg(value_parser = bytes)]
        bytes: u64,
        /// Which commands fail.
        #[arg(long, value_enum, default_value_t = OnWord::Reads)]
        on: OnWord,
        /// For how long: once, a number of commands, until-rewritten or permanent.
        #[arg(long, default_value = "permanent", value_parser = lasts)]
        lasts: Lasts,
        /// Where sectors must lie to be unreadable.
        #[arg(long, value_enum, default_value_t = PlaceWord::Anywhere)]
        place: PlaceWord,
        /// How long the drive tries before it gives up.
        #[arg(long, value_name = "TIME", default_value = "0s", value_parser = time)]
        tries: u64,
    },
    /// Answer nothing for a time.
    Stall {
        /// Such as 40s, or forever.
        #[arg(value_name = "TIME|forever", value_parser = stall_time)]
        time: StallTime,
    },
    /// Fail the next host commands.
    FailCommands {
        /// How many.
        commands: u64,
        /// Not before so many more bands were cleaned while a command waited for room.
        #[arg(long, value_name = "BANDS", default_value_t = 0)]
        after_bands_cleaned: u64,
    },
    /// Slow the mechanism down.
    Slow {
        /// Such as 3x; 1x is its own speed.
        #[arg(value_parser = factor)]
        factor: u64,
    },
    /// Switch the volatile write cache.
    WriteCache {
        /// On or off.
        to: OnOff,
    },
    /// Take nothing that would change what the drive holds, or take it again.
    ReadOnly {
        /// On or off.
        to: OnOff,
    },
    /// End all connections of NBD clients; they may connect again.
    DropConnections,
    /// Lift a fault, or all of them.
    Lift {
        /// Its number.
        fault: Option<u64>,
    },
    /// Fail commands at these limits of hosts and at no others.
    Enforce {
        /// Limits, separated by commas; none: no limit.
        #[arg(value_delimiter = ',')]
        limits: Vec<TimeLimit>,
    },
    /// Copy the image to a new file, after a flush.
    Save {
        /// The file.
        file: PathBuf,
        /// Without a flush: as a power cut would leave it.
        #[arg(long)]
        as_power_cut: bool,
    },
    /// Record what the drive is asked and answers from now on (`imbrex record` ends it by itself).
    Record {
        /// A new file.
        file: PathBuf,
    },
    /// End a recording; its file is complete then.
    EndRecording {
        /// Its number.
        recording: u64,
        /// Remove the file.
        #[arg(long)]
        discard: bool,
    },
    /// Put a saved file in the place of the image. No filesystem on the drive may be mounted.
    Restore {
        /// The file.
        file: PathBuf,
    },
    /// What is no command, so that it can be said which there are.
    #[command(external_subcommand)]
    Unknown(Vec<OsString>),
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum OnWord {
    /// Reads, and writes of parts of a sector.
    Reads,
    /// Writes and zeroing.
    Writes,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum PlaceWord {
    /// Anywhere but in the write cache.
    Anywhere,
    /// In their home band.
    Home,
    /// In the staging area.
    Staged,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum OnOff {
    /// On.
    On,
    /// Off.
    Off,
}

impl OnWord {
    fn commands(self) -> Commands {
        match self {
            OnWord::Reads => Commands::Reads,
            OnWord::Writes => Commands::Writes,
        }
    }
}

impl PlaceWord {
    fn whereabouts(self) -> Whereabouts {
        match self {
            PlaceWord::Anywhere => Whereabouts::Anywhere,
            PlaceWord::Home => Whereabouts::Home,
            PlaceWord::Staged => Whereabouts::Staged,
        }
    }
}

impl OnOff {
    fn switch(self) -> Switch {
        Switch {
            on: matches!(self, OnOff::On),
        }
    }
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    let command = command(&arguments.what)?;
    let socket = socket_meant_by(&arguments.image)?;
    let told = client::tell(&socket, &command)?;
    if arguments.json {
        output::print_json(&Value::Object(told))?;
    } else {
        output::print(&words(&command, told)?)?;
    }
    Ok(Code::Ok)
}

/// What is said of a word that is no command.
fn no_such(words: &[OsString]) -> UsageError {
    let word = words.first().map(|word| word.to_string_lossy());
    let all = What::augment_subcommands(clap::Command::new("tell"));
    let names: Vec<&str> = all.get_subcommands().map(clap::Command::get_name).collect();
    UsageError(format!(
        "{:?} is no command; there are {}",
        word.unwrap_or_default(),
        names.join(", ")
    ))
}

fn command(what: &What) -> anyhow::Result<Command> {
    Ok(match what {
        What::Unknown(words) => return Err(no_such(words).into()),
        What::Status => Command::Status,
        What::Account => Command::Account,
        What::Faults => Command::Faults,
        What::PowerOn => Command::PowerOn,
        What::DropConnections => Command::DropConnections,
        What::Lift { fault } => Command::Lift(Lift {
            fault: fault.map(FaultId),
        }),
        What::Enforce { limits } => Command::Enforce(Enforce {
            limits: limits.clone(),
        }),
        What::Save { file, as_power_cut } => Command::Save(Save {
            file: absolute(file)?,
            as_power_cut: *as_power_cut,
        }),
        What::Restore { file } => Command::Restore(Restore {
            file: absolute(file)?,
        }),
        What::Record { file } => Command::Record(Record {
            file: absolute(file)?,
        }),
        What::EndRecording { recording, discard } => Command::EndRecording(EndRecording {
            recording: RecordingId(*recording),
            discard: *discard,
        }),
        What::PowerCut {
            after,
            purpose,
            stay_off,
        } => Command::Impose(Fault::PowerCut(PowerCut {
            after_movements: *after,
            purpose: *purpose,
            stay_off: *stay_off,
        })),
        What::Stall { time } => Command::Impose(Fault::Stall(Stall {
            duration_ns: time.0,
        })),
        What::Slow { factor } => Command::Impose(Fault::Slow(Slow { percent: *factor })),
        What::FailCommands {
            commands,
            after_bands_cleaned,
        } => Command::Impose(Fault::FailCommands(FailCommands {
            commands: *commands,
            after_bands_cleaned: *after_bands_cleaned,
        })),
        What::WriteCache { to } => Command::Impose(Fault::WriteCache(to.switch())),
        What::ReadOnly { to } => Command::Impose(Fault::ReadOnly(to.switch())),
        What::MediaError {
            offset,
            bytes,
            on,
            lasts,
            place,
            tries,
        } => Command::Impose(Fault::MediaError(MediaError {
            offset: *offset,
            bytes: *bytes,
            on: on.commands(),
            lasts: *lasts,
            place: place.whereabouts(),
            tries_ns: *tries,
        })),
    })
}

fn words(command: &Command, told: Map<String, Value>) -> anyhow::Result<String> {
    Ok(match command {
        Command::Impose(fault) => {
            format!("fault {}: {}\n", told["fault"], fault.words())
        }
        Command::Lift(_) => format!("faults lifted: {}\n", told["lifted"]),
        Command::DropConnections => format!("connections ended: {}\n", told["dropped"]),
        Command::Save(save) => {
            let how = if told["shared"] == true {
                "sharing its blocks".to_owned()
            } else {
                format!("{} bytes copied", told["copied_bytes"])
            };
            format!("saved to {}, {how}\n", save.file.display())
        }
        Command::Status | Command::Faults | Command::Account => rows("", &told),
        Command::Record(record) => {
            let (recording, file) = (&told["recording"], record.file.display());
            format!("recording {recording} begun in {file}\n")
        }
        Command::EndRecording(_) => record::words(&record::held(told)?),
        Command::PowerOn => "the drive has power again\n".to_owned(),
        Command::Enforce(_) => "limits enforced as asked\n".to_owned(),
        Command::Restore(restore) => {
            format!("the drive holds what {} holds\n", restore.file.display())
        }
    })
}

/// Nested values as lines of a name with dots and a value.
fn rows(prefix: &str, told: &Map<String, Value>) -> String {
    let mut text = String::new();
    for (name, value) in told {
        let name = format!("{prefix}{name}");
        match value {
            Value::Object(inner) => text.push_str(&rows(&format!("{name}."), inner)),
            Value::String(word) => {
                let _ = writeln!(text, "{name:<44}{word}");
            }
            other => {
                let _ = writeln!(text, "{name:<44}{other}");
            }
        }
    }
    text
}
