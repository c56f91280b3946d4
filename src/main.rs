//! The `curdtrace` program: parse, run, exit code.

#![deny(clippy::disallowed_methods)]

use std::io::{ErrorKind, Write as _};
use std::process::ExitCode;

use clap::Parser;
use curdtrace::cli::{self, Cli};

fn main() -> ExitCode {
    match Cli::try_parse() {
        Ok(cli) => match cli::run(cli) {
            Ok(()) => ExitCode::SUCCESS,
            Err(failure) => {
                cli::remark(&format!("curdtrace: {failure}"));
                ExitCode::from(failure.exit_code())
            }
        },
        Err(usage) => ExitCode::from(told(&usage)),
    }
}

/// Says what was typed wrongly, or what `--help` and `--version` ask for; gives
/// the exit code.
fn told(usage: &clap::Error) -> u8 {
    let printed = usage.print();
    if usage.use_stderr() {
        return cli::EXIT_USAGE;
    }
    match printed.and_then(|()| std::io::stdout().flush()) {
        // A closed pipe behind --help is no failure of ours.
        Err(e) if e.kind() != ErrorKind::BrokenPipe => {
            let failure = cli::unwritten(&e);
            cli::remark(&format!("curdtrace: {failure}"));
            failure.exit_code()
        }
        _ => 0,
    }
}
