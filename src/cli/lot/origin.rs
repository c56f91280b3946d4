//! `curdtrace lot origin|fate`: from a wheel to its milk, from a milking to its
//! wheels.

use super::room::{Room, failure};
use crate::cli::error::Failure;
use crate::cli::say;
use crate::lot::genealogy::Family;

/// From a wheel or a lot back to the milk, culture and rennet in it.
#[derive(Debug, clap::Args)]
pub struct OriginArgs {
    /// A lot, or LOT/WHEEL
    what: String,
}

/// From a milking (or a culture or rennet by its name or number, or a lot) forward
/// to everything that was made of it.
#[derive(Debug, clap::Args)]
pub struct FateArgs {
    /// A milking's name, a culture's or rennet's name or lot number, or a lot
    what: String,
}

pub(super) fn origin(room: &Room, args: &OriginArgs) -> Result<(), Failure> {
    let (lot, wheel) = args.what.split_once('/').map_or((args.what.as_str(), None), |(l, w)| (l, Some(w)));
    let family = Family::read(&room.store).map_err(|e| failure(&e))?;
    let lines = family.origin(lot, wheel).ok_or_else(|| {
        Failure::no_input(format_args!("there is no {}; `curdtrace lot list` shows the lots", args.what))
    })?;
    say(&lines.join("\n"))
}

pub(super) fn fate(room: &Room, args: &FateArgs) -> Result<(), Failure> {
    let family = Family::read(&room.store).map_err(|e| failure(&e))?;
    let lines = family.fate(&args.what);
    if lines.is_empty() {
        return Err(Failure::no_input(format_args!(
            "no lot has a milking, culture or rennet of the name {:?}, and none is called so; \
             `curdtrace lot show LOT` tells what went into one",
            args.what
        )));
    }
    say(&lines.join("\n"))
}
