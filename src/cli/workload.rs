//! `imbrex workload`: lists, prints and checks workloads.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Subcommand;

use super::exit::{Code, UnusableError};
use super::{output, workload_source};
use crate::lab::workload::Workload;

const EXAMPLES: &str = "\
Examples:
  imbrex workload list
  imbrex workload text database-commit > mine.toml
  imbrex workload check mine.toml
  imbrex workload check 'uniform write 4KiB 10000-requests'
  imbrex simulate desktop-5tb mine.toml";

/// Arguments of `workload`.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Arguments {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// List the workloads that come with imbrex.
    List,
    /// Print the TOML text of one of them, with its comments.
    Text {
        /// Its name.
        name: String,
    },
    /// Check a workload; says all that is wrong with it.
    Check {
        /// A TOML file, words that begin with an order, or the name of one that comes with imbrex.
        #[arg(value_name = "FILE|WORDS")]
        file: PathBuf,
    },
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Code> {
    match &arguments.action {
        Action::List => {
            let mut text = String::new();
            for (name, about) in Workload::built_in_names() {
                let _ = writeln!(text, "{name:<20}{about}");
            }
            output::print(&text)?;
        }
        Action::Text { name } => {
            let text = Workload::built_in(name).ok_or_else(|| {
                let what = format!("{name} does not come with imbrex; see `imbrex workload list`");
                UnusableError(what)
            })?;
            output::print(text)?;
        }
        Action::Check { file } => {
            let workload = workload_source::load_to_check(file)?;
            let (streams, phases) = (workload.streams.len(), workload.phases.len());
            output::print(&format!(
                "{}: a valid workload ({}; streams: {streams}, phases: {phases})\n",
                file.display(),
                workload.name
            ))?;
        }
    }
    Ok(Code::Ok)
}
