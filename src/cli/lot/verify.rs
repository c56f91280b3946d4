//! `curdtrace lot verify`.

use std::collections::BTreeSet;

use super::room::{Room, failure};
use crate::cli::error::Failure;
use crate::cli::{remark, say};
use crate::lot::seal::Difference;

/// Whether lots are as they were closed, one line a lot. Without a name: every
/// lot there is or that was ever sealed; on a copy, such as a stick, those in it.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lots; all there are, or were ever sealed, where none is named
    lots: Vec<String>,
    /// Only what is not as it was
    #[arg(long)]
    quiet: bool,
}

pub(super) fn run(room: &Room, args: &Args) -> Result<(), Failure> {
    let chain = room.store.chain().map_err(|e| failure(&e))?;
    let all = args.lots.is_empty();
    let lots: Vec<String> = if all {
        let mut ids: BTreeSet<String> = room.store.ids().map_err(|e| failure(&e))?.into_iter().collect();
        ids.extend(chain.links.iter().map(|l| l.lot.clone()));
        ids.into_iter().collect()
    } else {
        args.lots.clone()
    };
    // A stick has the whole chain and some of its lots, and no journal. In the
    // dairy's own folder a sealed lot that is gone is a fault.
    let is_copy = !room.store.journal().is_dir();
    let (mut other, mut io) = (0, None::<Failure>);
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
            if !args.quiet {
                say(&format!("{lot}: as it was closed ({seal})"))?;
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
