//! `curdtrace probe calibrate`.

use crate::cli::error::Failure;

/// (being built)
#[derive(Debug, clap::Args)]
pub struct Args {}

/// (being built)
pub fn run(_args: Args) -> Result<(), Failure> {
    Err(Failure::unavailable("not built yet"))
}
