//! `curdtrace lot sign`.

use super::room::{Room, failure};
use crate::cli::error::Failure;
use crate::cli::{remark, say};
use crate::lot::inbox::Ask;
use crate::lot::signature::SIGNATURE;

/// Sysexits' code of a configuration at fault.
const EXIT_CONFIG: u8 = 78;

/// Signs lots that were sealed without a signature, with the key of the
/// configuration: those named, or all that have none.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lots
    lots: Vec<String>,
}

pub(super) fn run(room: &Room, args: Args) -> Result<(), Failure> {
    room.must_be_there()?;
    let named = !args.lots.is_empty();
    let lots = if named { args.lots } else { unsigned(room)? };
    let lacking = if named { Vec::new() } else { lacking(room)? };
    if lots.is_empty() && lacking.is_empty() {
        remark("curdtrace: every sealed lot is signed");
    }
    for lot in lots {
        match room.ask(None, Ask::Sign { lot }) {
            Ok(answer) => say(&answer.text)?,
            // Whoever carries it out knows of no key, though we do.
            Err(e) if e.exit_code() == EXIT_CONFIG && room.signing.key.is_some() => {
                return Err(Failure::config(
                    "the running daemon knows of no key: it has the configuration it began with; \
                     restart it, then try again",
                ));
            }
            Err(e) => return Err(e),
        }
    }
    match lacking.as_slice() {
        [] => Ok(()),
        lots => Err(Failure::data(format_args!(
            "{SIGNATURE} is gone or is no file in {}, which was signed; put it back from a copy: \
             signing anew would hide that it went",
            lots.join(", ")
        ))),
    }
}

/// Lots that were signed, and whose signature is there no longer.
fn lacking(room: &Room) -> Result<Vec<String>, Failure> {
    let chain = room.store.chain().map_err(|e| failure(&e))?;
    let mut ids = room.store.ids().map_err(|e| failure(&e))?;
    let has_none = |id: &String| !room.store.folder(id).join(SIGNATURE).is_file();
    ids.retain(|id| chain.signature_of(id).is_some() && has_none(id));
    Ok(ids)
}

fn unsigned(room: &Room) -> Result<Vec<String>, Failure> {
    let chain = room.store.chain().map_err(|e| failure(&e))?;
    let mut ids = room.store.ids().map_err(|e| failure(&e))?;
    ids.retain(|id| chain.seal_of(id).is_some() && chain.signature_of(id).is_none());
    Ok(ids)
}
