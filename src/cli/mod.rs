//! The command line: parses arguments, composes a drive from an image and a profile, prints.
//!
//! One file (or folder) per command. Around them: `exit` (codes), `output` (what goes to stdout),
//! `image_file` (the way from a path to an opened image), `profile_source`, `workload_source` and
//! `structure_source` (the way from a word to a profile, a workload or a list of structures), `beginning`
//! (from a word to a drive that an experiment begins with), `load_choice` with `replay_choice` (what is
//! asked of it), `address`, `number` and `tls` (arguments with a form of their own), `frontends`, `privileges`,
//! `signals`, `room_watch`, `account`, `scribe` (writes recordings), `bar` and `display`. Errors end here:
//! they are printed once, with everything that led to them.

mod account;
mod address;
mod age;
mod bar;
mod beginning;
mod blame;
mod check;
mod compare;
mod create;
mod display;
mod draw;
mod exit;
mod forecast;
mod frontends;
mod image_file;
mod import;
mod inspect;
mod load_choice;
mod matrix;
mod number;
mod output;
mod privileges;
mod profile;
mod profile_source;
mod record;
mod replay_choice;
mod report;
mod room_watch;
mod scribe;
mod serve;
mod signals;
mod simulate;
mod structure_source;
mod tell;
mod tls;
mod workload;
mod workload_source;

use std::process::ExitCode;

use clap::{ArgAction, CommandFactory, FromArgMatches, Parser, Subcommand};

use self::exit::Code;

const EXAMPLES: &str = "\
Examples:
  imbrex create disk.img --capacity 20GiB
  imbrex serve disk.img --nbd unix:/tmp/disk.sock
  imbrex serve disk.img --fuse /mnt/disk --pace off
  imbrex check disk.img --data
  imbrex tell disk.img stall 40s
  imbrex record disk.img -o session.parquet --for 60s
  imbrex age disk.img --filled 60% --staging 95%
  imbrex simulate desktop-5tb 'uniform write 4KiB 10000-requests'
  imbrex forecast nightly-backup --deadline 8h
  imbrex matrix mine.toml -o results.jsonl
  imbrex report session.parquet -o session.html

Exit codes:
  0  all is well
  1  the check found damage, what was compared is slower, a forecast does not fit, a demand of a
     matrix does not hold, a command that was recorded failed, or something else went wrong
  2  the command line, or a matrix, cannot be understood
  3  the image, profile, workload or another file that is read cannot be used (not there, damaged,
     another version, not one)
  4  refused, to protect data that is already there or in use
  5  the drive failed while it was served
  6  the machine got in the way: an address, a mount, the mover, a file that cannot be written
";

/// A shingled disk in software.
///
/// imbrex shows a file as a disk that may be rewritten anywhere, and obeys inside what overlapping
/// tracks demand: a staging area, a map, bands that are cleaned. It takes as long as such a disk
/// would.
#[derive(Debug, Parser)]
#[command(name = "imbrex", version, after_long_help = EXAMPLES, propagate_version = false)]
struct Cli {
    /// Say more on stderr; twice for details.
    #[arg(short, long, global = true, action = ArgAction::Count)]
    verbose: u8,
    #[command(subcommand)]
    command: Command,
}

// By attributes: a comment on a variant would take away what its arguments say of it at length.
#[derive(Debug, Subcommand)]
enum Command {
    #[command(about = "Make an image")]
    Create(create::Arguments),
    #[command(about = "Show an image as a disk, over NBD or FUSE, until Ctrl-C")]
    Serve(Box<serve::Arguments>),
    #[command(about = "Check every structure of an image without writing to it")]
    Check(check::Arguments),
    #[command(about = "Tell what an image is and holds")]
    Inspect(inspect::Arguments),
    #[command(
        about = "Tell a served drive what is to befall it, save or restore its state, ask how it is"
    )]
    Tell(Box<tell::Arguments>),
    #[command(
        about = "Record what a served drive is asked and answers, from one moment to another"
    )]
    Record(record::Arguments),
    #[command(about = "Bring an image to a stated condition without hours of use")]
    Age(age::Arguments),
    #[command(about = "List, show and check profiles of drives")]
    Profile(profile::Arguments),
    #[command(about = "Run a workload on a drive in virtual time")]
    Simulate(Box<simulate::Arguments>),
    #[command(
        about = "Tell whether a load is done in time on shingled drives, and what would help"
    )]
    Forecast(Box<forecast::Arguments>),
    #[command(
        about = "Run drives x starts x works x seeds with demands, and tell what does not hold"
    )]
    Matrix(Box<matrix::Arguments>),
    #[command(
        about = "Tell what differs between two recordings, or two workloads on the same drive"
    )]
    Compare(Box<compare::Arguments>),
    #[command(about = "Tell which addresses cause which cleaning")]
    Blame(Box<blame::Arguments>),
    #[command(about = "Make a drive with hidden parameters, and score guesses of them")]
    Draw(Box<draw::Arguments>),
    #[command(about = "Make a recording of a trace of another tool")]
    Import(Box<import::Arguments>),
    #[command(about = "Make a page with figures of what was recorded")]
    Report(report::Arguments),
    #[command(about = "List, print and check workloads")]
    Workload(workload::Arguments),
    #[command(about = "Print the version")]
    Version,
}

/// Runs the program with the process's arguments and returns its exit code.
pub fn run() -> ExitCode {
    let read = command_line().try_get_matches();
    let cli = match read.and_then(|read| Cli::from_arg_matches(&read)) {
        Ok(cli) => cli,
        Err(told) => {
            // Help goes to stdout, which may be closed: then nobody wants it.
            let _ = told.print();
            return if told.use_stderr() {
                Code::Usage
            } else {
                Code::Ok
            }
            .into();
        }
    };
    start_log(cli.verbose);
    match carry_out(cli.command) {
        Ok(code) => code.into(),
        Err(error) => {
            output::complain(&error);
            exit::code_of(&error).into()
        }
    }
}

/// The command line. What its commands say of themselves at length is in paragraphs, so that lines break where
/// the terminal ends and not where the source does.
fn command_line() -> clap::Command {
    let in_paragraphs = |text: String| {
        let paragraphs: Vec<String> = text
            .split("\n\n")
            .map(|all| all.replace('\n', " "))
            .collect();
        paragraphs.join("\n\n")
    };
    Cli::command().mut_subcommands(|command| {
        let long = command.get_long_about().map(ToString::to_string);
        match long {
            Some(long) => command.long_about(in_paragraphs(long)),
            None => command,
        }
    })
}

fn carry_out(command: Command) -> anyhow::Result<Code> {
    match command {
        Command::Create(arguments) => create::run(&arguments),
        Command::Serve(arguments) => serve::run(&arguments),
        Command::Check(arguments) => check::run(&arguments),
        Command::Inspect(arguments) => inspect::run(&arguments),
        Command::Tell(arguments) => tell::run(&arguments),
        Command::Record(arguments) => record::run(&arguments),
        Command::Age(arguments) => age::run(&arguments),
        Command::Profile(arguments) => profile::run(&arguments),
        Command::Simulate(arguments) => simulate::run(&arguments),
        Command::Forecast(arguments) => forecast::run(&arguments),
        Command::Matrix(arguments) => matrix::run(&arguments),
        Command::Compare(arguments) => compare::run(&arguments),
        Command::Blame(arguments) => blame::run(&arguments),
        Command::Draw(arguments) => draw::run(&arguments),
        Command::Import(arguments) => import::run(&arguments),
        Command::Report(arguments) => report::run(&arguments),
        Command::Workload(arguments) => workload::run(&arguments),
        Command::Version => {
            output::print(&format!("imbrex {}\n", env!("CARGO_PKG_VERSION")))?;
            Ok(Code::Ok)
        }
    }
}

fn start_log(verbose: u8) {
    let level = match verbose {
        0 => log::LevelFilter::Warn,
        1 => log::LevelFilter::Info,
        _ => log::LevelFilter::Debug,
    };
    // Not from the environment: what a command does is on its line.
    env_logger::Builder::new()
        .filter_level(log::LevelFilter::Error)
        .filter_module("imbrex", level)
        .format_target(false)
        .init();
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_command_line_is_consistent() {
        super::command_line().debug_assert();
    }

    #[test]
    fn the_help_of_a_command_says_at_length_what_its_arguments_say_of_it() {
        let cli = super::command_line();
        let long: Vec<&str> = cli
            .get_subcommands()
            .filter(|command| {
                assert!(command.get_about().is_some(), "{}", command.get_name());
                command.get_long_about().is_some()
            })
            .map(clap::Command::get_name)
            .collect();
        let short = ["inspect", "profile", "workload", "version"];
        let all = cli.get_subcommands().map(clap::Command::get_name);
        let expected: Vec<&str> = all.filter(|name| !short.contains(name)).collect();
        assert_eq!(long, expected);
    }
}
