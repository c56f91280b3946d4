//! `curdtrace lot verify`.

use std::collections::BTreeSet;
use std::path::PathBuf;

use super::room::{Room, failure};
use crate::cli::error::Failure;
use crate::cli::{remark, say};
use crate::daemon::ssh_keygen::{Checked, check};
use crate::lot::seal::{Chain, Difference, SUMS};
use crate::lot::signature::SIGNATURE;

/// Whether lots are as they were closed, one line a lot. Without a name: every
/// lot there is or that was ever sealed; on a copy, such as a stick, those in it.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lots; all there are, or were ever sealed, where none is named
    lots: Vec<String>,
    /// Only what is not as it was
    #[arg(long)]
    quiet: bool,
    /// Check signatures against this file instead of the configuration's
    #[arg(long, value_name = "FILE")]
    allowed_signers: Option<PathBuf>,
}

pub(super) fn run(room: &Room, args: &Args) -> Result<(), Failure> {
    let chain = room.store.chain().map_err(|e| failure(&e))?;
    let all = args.lots.is_empty();
    let lots: Vec<String> = if all {
        let mut ids: BTreeSet<String> = room.store.ids().map_err(|e| failure(&e))?.into_iter().collect();
        ids.extend(chain.links.iter().filter(|l| l.is_seal()).map(|l| l.lot.clone()));
        ids.into_iter().collect()
    } else {
        args.lots.clone()
    };
    // A stick has the whole chain and some of its lots, and no journal. In the
    // dairy's own folder a sealed lot that is gone is a fault.
    let is_copy = !room.store.journal().is_dir();
    let (mut other, mut io, mut unbelieved) = (0, None::<Failure>, 0);
    for lot in &lots {
        if all && is_copy && !room.store.folder(lot).exists() {
            if !args.quiet {
                say(&format!("{lot}: not in this copy"))?;
            }
            continue;
        }
        let found = match room.store.verify(lot, &chain) {
            Ok(found) => found,
            Err(e) => {
                if let Some(former) = io.replace(failure(&e)) {
                    remark(&former.to_string());
                }
                continue;
            }
        };
        if found.is_empty() {
            let seal =
                chain.seal_of(lot).map(|l| format!("sealed {}, seal {}", l.at, l.number)).unwrap_or_default();
            let signed = signature(room, args, lot, &chain);
            unbelieved += u32::from(signed.is_bad);
            if !args.quiet || signed.is_bad {
                say(&format!("{lot}: as it was closed ({seal}){}", signed.words))?;
            }
        } else if all && found == [Difference::Open] {
            if !args.quiet {
                say(&format!("{lot}: open, not sealed yet"))?;
            }
        } else {
            other += 1;
            let words: Vec<String> = found.iter().map(ToString::to_string).collect();
            say(&format!("{lot}: NOT AS IT WAS CLOSED: {}", words.join("; ")))?;
        }
    }
    if !chain.is_whole() {
        let what = match chain.bad_lines.first() {
            Some(line) => format!("line {line}"),
            None => "its end is cut short".into(),
        };
        return Err(Failure::data(Difference::Chain(what)));
    }
    match (other, io) {
        (0, None) if unbelieved > 0 => Err(Failure::data(
            "a signature is not good; ask who made it, and whether the file of signers is the right one",
        )),
        (0, None) => Ok(()),
        (0, Some(failure)) => Err(failure),
        (1, _) => Err(Failure::data(
            "1 lot is not as it was closed; put it back from a copy and keep the one found for whoever asks",
        )),
        (n, _) => Err(Failure::data(format_args!(
            "{n} lots are not as they were closed; put them back from a copy and keep those found for whoever asks"
        ))),
    }
}

/// What is said of a lot's signature, after the seal.
struct Signed {
    words: String,
    is_bad: bool,
}

fn signature(room: &Room, args: &Args, lot: &str, chain: &Chain) -> Signed {
    let well = |words: String| Signed { words, is_bad: false };
    if chain.signature_of(lot).is_none() {
        return well(match room.signing.key {
            Some(_) => format!("; NOT SIGNED, though a key is configured: curdtrace lot sign {lot}"),
            None => String::new(),
        });
    }
    let Some(signers) = args.allowed_signers.as_ref().or(room.signing.allowed_signers.as_ref()) else {
        return well("; signed, by whom is not checked: no allowed-signers are named".into());
    };
    let folder = room.store.folder(lot);
    let sums = room.store.storage().read(&folder.join(SUMS)).unwrap_or_default();
    match check(&room.signing.program, signers, &folder.join(SIGNATURE), &sums) {
        Checked::By(name) => well(format!("; signed by {name}")),
        Checked::Not(why) => well(format!("; signed, not checked: {why}")),
        Checked::Bad(why) => Signed { words: format!("; SIGNATURE NOT GOOD: {why}"), is_bad: true },
    }
}
