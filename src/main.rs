//! The `curdtrace` program: parse, run, exit code.

use std::process::ExitCode;

use clap::Parser;
use curdtrace::cli::{self, Cli};

fn main() -> ExitCode {
    match Cli::try_parse() {
        Ok(cli) => match cli::run(cli) {
            Ok(()) => ExitCode::SUCCESS,
            Err(failure) => {
                eprintln!("curdtrace: {failure}");
                ExitCode::from(failure.exit_code())
            }
        },
        Err(usage) => {
            let code = if usage.use_stderr() { cli::EXIT_USAGE } else { 0 };
            // A closed pipe behind --help is no failure of ours.
            let _ = usage.print();
            ExitCode::from(code)
        }
    }
}
