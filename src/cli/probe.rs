//! `curdtrace probe`: what is attached, what it reads, its calibration. One
//! file a subcommand.

use super::error::Failure;

mod calibrate;
mod list;
mod read;

/// Arguments of `probe`.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, clap::Subcommand)]
enum Command {
    /// What is attached
    List(list::Args),
    /// One probe's number, rate, noise, health and reason, live
    Read(read::Args),
    /// Calibrate a probe: ice, boiling water, or a reference thermometer
    Calibrate(Box<calibrate::Args>),
}

/// Runs the subcommand.
pub fn run(args: Args) -> Result<(), Failure> {
    match args.command {
        Command::List(a) => list::run(a),
        Command::Read(a) => read::run(a),
        Command::Calibrate(a) => calibrate::run(&a),
    }
}
