//! `curdtrace lot sheet`.

use std::collections::BTreeMap;
use std::io::IsTerminal as _;
use std::path::PathBuf;

use super::room::{Room, failure, write_out};
use crate::cli::error::Failure;
use crate::cli::{remark, say};
use crate::lot::gather::Point;
use crate::lot::record::Record;
use crate::lot::sheet::render;
use crate::lot::store::LotError;

/// The make sheet as HTML, one page to print. A closed lot's is the sealed one;
/// an open lot's is drawn as things stand. On a terminal the sheet's place is
/// printed in its stead.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lot
    lot: String,
    /// Write it to this file
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

pub(super) fn run(room: &Room, args: &Args) -> Result<(), Failure> {
    let head = room.store.load(&args.lot).map_err(|e| failure(&e))?;
    let kept = room.store.folder(&args.lot).join("sheet.html");
    let html = if head.is_closed() {
        room.store
            .storage()
            .read_text(&kept)
            .map_err(|e| Failure::io(format_args!("cannot read {}: {e}", kept.display())))?
    } else {
        let (record, points) = as_it_stands(room, &args.lot).map_err(|e| failure(&e))?;
        let chain = room.store.chain().map_err(|e| failure(&e))?;
        render(&record, &points, chain.links.last())
    };
    let terminal = std::io::stdout().is_terminal();
    if args.out.is_some() || terminal {
        remark("One A4 page: open it in a browser and print it.");
    }
    match &args.out {
        Some(path) => {
            write_out(path, html.as_bytes())?;
            say(&path.display().to_string())
        }
        None if head.is_closed() && terminal => say(&kept.display().to_string()),
        None => say(html.trim_end()),
    }
}

/// A lot and its readings: a closed one as it is kept, an open one as the
/// journal tells it now. Nothing is written.
pub(super) fn as_it_stands(
    room: &Room,
    lot: &str,
) -> Result<(Record, BTreeMap<String, Vec<Point>>), LotError> {
    let record = room.store.load(lot)?;
    if record.is_closed() {
        let points = room.store.points(lot)?;
        return Ok((record, points));
    }
    room.store.preview(record, room.now())
}
