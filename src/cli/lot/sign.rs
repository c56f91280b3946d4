//! `curdtrace lot sign`.

use super::room::{Room, failure};
use crate::cli::error::Failure;
use crate::lot::inbox::Ask;

/// Signs lots that were sealed without a signature, with the key of the
/// configuration: those named, or all that have none.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lots
    lots: Vec<String>,
}

pub(super) fn run(room: &Room, args: Args) -> Result<(), Failure> {
    let lots = if args.lots.is_empty() { unsigned(room)? } else { args.lots };
    if lots.is_empty() {
        eprintln!("curdtrace: every sealed lot is signed");
    }
    for lot in lots {
        room.ask_and_say(None, Ask::Sign { lot })?;
    }
    Ok(())
}

fn unsigned(room: &Room) -> Result<Vec<String>, Failure> {
    let chain = room.store.chain().map_err(|e| failure(&e))?;
    let mut ids = room.store.ids().map_err(|e| failure(&e))?;
    ids.retain(|id| chain.seal_of(id).is_some() && chain.signature_of(id).is_none());
    Ok(ids)
}
