//! The command line: arguments as typed become arguments as meant, one file a
//! command.

use std::path::PathBuf;

use clap::{Parser, Subcommand};

mod check;
mod dose;
mod error;
mod lot;
mod probe;
mod rehearse;
mod replay;
mod run;
mod trial;
mod wash;

pub use error::{EXIT_USAGE, Failure};

/// Reads the probe in the kettle, calls before the cook overshoots, and writes
/// each lot's record.
#[derive(Debug, Parser)]
#[command(name = "curdtrace", version, about, propagate_version = true)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// The daemon: reads the probes, calls, records
    Run(run::Args),
    /// A whole make without hardware
    Rehearse(rehearse::Args),
    /// Readings in, events out: the engine as a filter
    Replay(replay::Args),
    /// Every fault of a configuration at once
    Check(check::Args),
    /// Probes: what is attached, what it reads, its calibration
    Probe(probe::Args),
    /// Lots: open, mark, close, attach, show, print, export, verify
    Lot(lot::Args),
    /// How much rennet: by Soxhlet strength and minutes, by IMCU, or by a supplier's figure
    Dose(dose::Args),
    /// Wash water: litres for a temperature wanted, or the temperature that litres give
    Wash(wash::Args),
    /// For maintainers: how well stages are found and cooks called, on simulated makes
    #[command(hide = true)]
    Trial(trial::Args),
}

/// Where the options of every command stand in its help.
const PLACE: &str = "Where things are";

/// Where things are stored: `--data`, else the configuration's, else `./data`.
#[derive(Debug, clap::Args)]
pub struct Place {
    /// Where the journal and the lots are kept; the configuration's place, else ./data
    #[arg(long, value_name = "DIR", env = "CURDTRACE_DATA", global = true, help_heading = PLACE)]
    pub data: Option<PathBuf>,
    /// The daemon's configuration; else curdtrace.toml here, else /etc/curdtrace/curdtrace.toml
    #[arg(long, value_name = "FILE", env = "CURDTRACE_CONFIG", global = true, help_heading = PLACE)]
    pub config: Option<PathBuf>,
}

/// Reads a plan as a command's argument names it.
fn read_plan(path: &std::path::Path) -> Result<crate::engine::plan::Plan, Failure> {
    if !path.exists() {
        return Err(Failure::no_input(format_args!(
            "plan {} is not there; name a plan file",
            path.display()
        )));
    }
    crate::config::plan::read(path).map_err(|faults| faulty(&faults))
}

/// Every fault of a file, one a line.
fn faulty(faults: &[crate::config::Fault]) -> Failure {
    let lines: Vec<String> = faults.iter().map(ToString::to_string).collect();
    Failure::config(lines.join("\n"))
}

/// Runs the command.
///
/// # Errors
/// What failed, where, and what to do, with its exit code.
pub fn run(cli: Cli) -> Result<(), Failure> {
    match cli.command {
        Command::Run(a) => run::run(a),
        Command::Rehearse(a) => rehearse::run(&a),
        Command::Replay(a) => replay::run(&a),
        Command::Check(a) => check::run(a),
        Command::Probe(a) => probe::run(a),
        Command::Lot(a) => lot::run(a),
        Command::Dose(a) => dose::run(&a),
        Command::Wash(a) => wash::run(&a),
        Command::Trial(a) => trial::run(&a),
    }
}

/// The daemon's configuration as meant, `--data` in place of its own folder.
fn configured(place: Place) -> Result<crate::config::dairy::Config, Failure> {
    let path = crate::config::dairy::place(place.config).map_err(Failure::no_input)?;
    let mut config = crate::config::dairy::read(&path)
        .map_err(|faults| Failure::config(crate::config::fault::listed(&faults)))?;
    if let Some(data) = place.data {
        config.data = data;
    }
    Ok(config)
}

/// Writes one line to standard output, at once. A reader that has gone away is
/// no failure of ours.
fn say(line: &str) -> Result<(), Failure> {
    say_while_read(line).map(|_| ())
}

/// As [`say`]; tells whether the reader is still there, for commands that would
/// go on for ever.
fn say_while_read(line: &str) -> Result<bool, Failure> {
    use std::io::Write as _;
    let mut out = std::io::stdout().lock();
    match writeln!(out, "{line}").and_then(|()| out.flush()) {
        Ok(()) => Ok(true),
        Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(false),
        Err(e) => Err(unwritten(&e)),
    }
}

/// Standard output takes nothing.
pub fn unwritten(e: &std::io::Error) -> Failure {
    Failure::io(format_args!("standard output cannot be written ({e}); check where it goes"))
}

/// A word beside the answer, on standard error; nothing hangs on it, so that one
/// which is full or gone (where `eprintln!` panics) costs no command its work.
pub fn remark(line: &str) {
    use std::io::Write as _;
    let _ = writeln!(std::io::stderr().lock(), "{line}");
}
