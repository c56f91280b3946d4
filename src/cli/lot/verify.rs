//! `curdtrace lot verify`.

use std::borrow::Cow;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use super::room::{Room, failure, pause};
use crate::cli::error::Failure;
use crate::cli::{remark, say};
use crate::daemon::ssh_keygen::{Checked, check};
use crate::lot::hold::LOCK;
use crate::lot::seal::{Chain, Difference, SUMS};
use crate::lot::signature::SIGNATURE;
use crate::lot::store::{LotError, Store};
use crate::words::record::counted;

/// Whether lots are as they were closed, one line a lot. Without a name: every
/// lot there is or that was ever sealed; on a copy, such as a stick, those in it.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lots, or the paths of their folders; all there are, or were ever sealed, where none is named
    lots: Vec<String>,
    /// Only what is not as it was
    #[arg(long)]
    quiet: bool,
    /// Check signatures against this file instead of the configuration's
    #[arg(long, value_name = "FILE")]
    allowed_signers: Option<PathBuf>,
}

pub(super) fn run(room: &Room, args: &Args) -> Result<(), Failure> {
    // The configuration's file may be missing and costs no lot its check; one that
    // is named here is what was asked for.
    if let Some(signers) = args.allowed_signers.as_ref().filter(|path| !path.exists()) {
        return Err(Failure::no_input(format_args!(
            "the file of signers {} is not there; name one of lines `NAME ssh-ed25519 AAAA…`",
            signers.display()
        )));
    }
    let mut seen = Seen::default();
    if args.lots.is_empty() {
        room.must_be_there()?;
        must_hold_lots(&room.store)?;
        let chain = seen.chain_of(&room.store)?;
        let lots = all(&room.store, &chain)?;
        if lots.is_empty() {
            remark(&format!("there is no lot in {}", room.store.folder("").display()));
        }
        for lot in lots {
            seen.look(room, args, (&room.store, &chain), &lot)?;
        }
    }
    for name in &args.lots {
        let (store, lot) = meant(room, name)?;
        let chain = seen.chain_of(&store)?;
        seen.look(room, args, (&store, &chain), &lot)?;
    }
    if seen.still_open > 0 && !args.quiet {
        let (lots, are) = (counted(seen.still_open, "lot"), if seen.still_open == 1 { "is" } else { "are" });
        remark(&format!("{lots} {are} open: nothing vouches for an open lot until it is closed and sealed"));
    }
    seen.sum()
}

/// That a folder is a dairy's or a copy of one: any other was named by mistake,
/// and nothing in it would be nothing found.
pub(super) fn must_hold_lots(store: &Store) -> Result<(), Failure> {
    let held = [store.folder(""), store.data().join("chain.txt"), store.journal(), store.data().join(LOCK)];
    if held.iter().any(|path| std::fs::symlink_metadata(path).is_ok()) {
        return Ok(());
    }
    Err(Failure::no_input(format_args!(
        "{} is no data folder nor a copy of one: it has no lots, no chain.txt and no journal; name it with --data DIR",
        store.data().display()
    )))
}

/// The names among the lots, and the lots that were ever sealed.
fn all(store: &Store, chain: &Chain) -> Result<BTreeSet<String>, Failure> {
    let mut ids: BTreeSet<String> = store.ids().map_err(|e| failure(&e))?.into_iter().collect();
    ids.extend(chain.links.iter().filter(|l| l.is_seal()).map(|l| l.lot.clone()));
    Ok(ids)
}

/// The lot that is meant, and where it is kept: a path says both.
fn meant(room: &Room, name: &str) -> Result<(Store, String), Failure> {
    let path = Path::new(name);
    let lot = path.file_name().and_then(|n| n.to_str()).unwrap_or(name).to_owned();
    if path.parent().is_none_or(|above| above.as_os_str().is_empty()) {
        return Ok((room.store.clone(), lot));
    }
    let whole = std::path::absolute(path).map_err(|e| Failure::no_input(format_args!("{name}: {e}")))?;
    let lots = whole.parent().filter(|lots| lots.file_name().is_some_and(|n| n == "lots"));
    let data = lots.and_then(Path::parent).ok_or_else(|| {
        Failure::no_input(format_args!(
            "{name} lies in no folder called lots, beside which the chain of seals would be; name the lot, \
             and its data folder with --data"
        ))
    })?;
    Ok((Store::at(room.store.storage().clone(), data), lot))
}

/// A stick has the whole chain and some of its lots, and nothing of what the
/// dairy's own folder has beside them. In that one a sealed lot that is gone is
/// a fault, and so it is when the journal went with it.
fn is_copy(store: &Store) -> bool {
    let has = |what: PathBuf| std::fs::symlink_metadata(what).is_ok();
    !has(store.journal()) && !has(store.data().join(LOCK))
}

/// What was found so far.
#[derive(Default)]
struct Seen {
    /// Lots that are not as they were closed.
    other: u32,
    /// Lots whose sealing was cut short.
    cut_short: u32,
    /// A lot that was named and is open.
    open: Option<String>,
    /// Open ones where none was named.
    still_open: usize,
    /// Signatures that are not good.
    unbelieved: u32,
    /// What could not be looked at; the last.
    failed: Option<Failure>,
    /// What is wrong with a chain.
    chain: Option<Difference>,
}

impl Seen {
    fn chain_of(&mut self, store: &Store) -> Result<Chain, Failure> {
        let chain = store.still_chain(&pause).map_err(|e| failure(&e))?;
        if !chain.is_whole() {
            let path = store.data().join("chain.txt");
            let what = match chain.bad_lines.first() {
                Some(line) => format!("line {line} of {}", path.display()),
                None => format!("the end of {} is cut short", path.display()),
            };
            self.chain = Some(Difference::Chain(what));
        }
        Ok(chain)
    }

    /// Looks at one lot, and says what it finds.
    fn look(
        &mut self,
        room: &Room,
        args: &Args,
        (store, chain): (&Store, &Chain),
        lot: &str,
    ) -> Result<(), Failure> {
        let all = args.lots.is_empty();
        let well = |words: &str| if args.quiet { Ok(()) } else { say(&format!("{lot}: {words}")) };
        let gone = || std::fs::symlink_metadata(store.folder(lot)).is_err();
        if all && is_copy(store) && gone() {
            return well("not in this copy");
        }
        let (found, chain) = match differences(store, chain, lot) {
            Ok(found) => found,
            Err(LotError::NoSuchLot { .. }) if all => return well("no lot, it has none of a lot's files"),
            Err(e) => {
                if let Some(former) = self.failed.replace(failure(&e)) {
                    remark(&former.to_string());
                }
                return Ok(());
            }
        };
        if found.is_empty() {
            let seal =
                chain.seal_of(lot).map(|l| format!("sealed {}, seal {}", l.at, l.number)).unwrap_or_default();
            let mut signed = signature(room, args, store, lot, &chain);
            if signed.is_bad {
                // Unless it is being signed anew just now.
                let again = store.still(lot, &pause, |now| Ok(signature(room, args, store, lot, now)));
                signed = again.map_err(|e| failure(&e))?;
            }
            self.unbelieved += u32::from(signed.is_bad);
            let words = format!("as it was closed ({seal}){}", signed.words);
            return if signed.is_bad { say(&format!("{lot}: {words}")) } else { well(&words) };
        }
        if found == [Difference::Open] {
            if all {
                self.still_open += 1;
            } else {
                self.open = Some(lot.to_owned());
            }
            return well("open, not sealed yet");
        }
        let words = found.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
        if store.is_being_sealed(lot).map_err(|e| failure(&e))? {
            self.cut_short += 1;
            return say(&format!("{lot}: its sealing was cut short: {words}"));
        }
        self.other += 1;
        say(&format!("{lot}: NOT AS IT WAS CLOSED: {words}"))
    }

    fn sum(self) -> Result<(), Failure> {
        if let Some(chain) = self.chain {
            return Err(Failure::data(format_args!(
                "{chain}; put the file back from a copy and keep the one found for whoever asks"
            )));
        }
        match (self.other, self.failed) {
            (0, Some(failure)) => return Err(failure),
            (0, None) => {}
            (1, _) => {
                return Err(Failure::data(
                    "1 lot is not as it was closed; put it back from a copy and keep the one found for whoever asks",
                ));
            }
            (n, _) => {
                return Err(Failure::data(format_args!(
                    "{n} lots are not as they were closed; put them back from a copy and keep those found for whoever asks"
                )));
            }
        }
        if self.cut_short > 0 {
            return Err(Failure::data(format_args!(
                "the sealing of {} was cut short; the next command that writes, or the daemon's start, finishes it",
                counted(self.cut_short as usize, "lot")
            )));
        }
        if self.unbelieved > 0 {
            return Err(Failure::data(
                "a signature is not good; ask who made it, and whether the file of signers is the right one",
            ));
        }
        match self.open {
            Some(lot) => Err(Failure::data(format_args!(
                "lot {lot} is open and has no seal yet; close it first: curdtrace lot close {lot}"
            ))),
            None => Ok(()),
        }
    }
}

/// What differs in a lot, and the chain that says so. What differs because the
/// lot is being sealed just now is no difference: it is looked at again.
fn differences<'c>(
    store: &Store,
    chain: &'c Chain,
    lot: &str,
) -> Result<(Vec<Difference>, Cow<'c, Chain>), LotError> {
    match store.verify(lot, chain) {
        Ok(found) if found.is_empty() || found == [Difference::Open] => Ok((found, Cow::Borrowed(chain))),
        _ => store.still(lot, &pause, |now| Ok((store.verify(lot, now)?, Cow::Owned(now.clone())))),
    }
}

/// What is said of a lot's signature, after the seal.
struct Signed {
    words: String,
    is_bad: bool,
}

fn signature(room: &Room, args: &Args, store: &Store, lot: &str, chain: &Chain) -> Signed {
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
    let folder = store.folder(lot);
    let sums = store.storage().read(&folder.join(SUMS)).unwrap_or_default();
    match check(&room.signing.program, signers, &folder.join(SIGNATURE), &sums) {
        Checked::By(name) => well(format!("; signed by {name}")),
        Checked::Not(why) => well(format!("; signed, not checked: {why}")),
        Checked::Bad(why) => Signed { words: format!("; SIGNATURE NOT GOOD: {why}"), is_bad: true },
    }
}
