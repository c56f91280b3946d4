//! `curdtrace lot close`.

use super::room::{Room, person};
use crate::cli::error::Failure;
use crate::cli::say;
use crate::lot::inbox::Ask;

/// Closes and seals a lot, and prints its folder.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lot
    lot: String,
    /// Who closes it
    #[arg(long, value_name = "NAME", value_parser = person)]
    by: Option<String>,
}

pub(super) fn run(room: &Room, args: Args) -> Result<(), Failure> {
    let folder = room.store.folder(&args.lot);
    let answer = room.ask(args.by, Ask::Close { lot: args.lot })?;
    say(&answer.text)?;
    say(&folder.display().to_string())
}
