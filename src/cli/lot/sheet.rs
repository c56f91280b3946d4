//! `curdtrace lot sheet`.

use std::io::IsTerminal as _;
use std::path::PathBuf;

use super::room::{Room, failure, write_out};
use crate::cli::error::Failure;
use crate::cli::{remark, say};
use crate::lot::sheet::render;
use crate::words::Words;

/// The make sheet as HTML, one page to print (two where there is much to say). A closed lot's is the sealed one;
/// an open lot's is drawn as things stand. On a terminal the sheet's place is
/// printed in its stead.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lot
    lot: String,
    /// Draw it in this language (en, it, de, fr) from what the lot holds; of a
    /// closed lot that is a copy beside the sealed sheet
    #[arg(long, value_name = "CODE", value_parser = clap::builder::PossibleValuesParser::new(Words::codes()))]
    language: Option<String>,
    /// Write it to this file
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

pub(super) fn run(room: &Room, args: &Args) -> Result<(), Failure> {
    let head = room.store.load(&args.lot).map_err(|e| failure(&e))?;
    let kept = room.store.folder(&args.lot).join("sheet.html");
    let sealed = head.is_closed() && args.language.is_none();
    let html = if sealed {
        room.store
            .storage()
            .read_text(&kept)
            .map_err(|e| Failure::io(format_args!("cannot read {}: {e}", kept.display())))?
    } else {
        let (mut record, points) = room.store.as_it_stands(&args.lot, room.now()).map_err(|e| failure(&e))?;
        let chain = room.store.chain().map_err(|e| failure(&e))?;
        // A closed lot's sheet names the seal before its own.
        let own = chain.links.iter().rposition(|l| l.lot == args.lot).unwrap_or(chain.links.len());
        if let Some(code) = &args.language {
            record.language.clone_from(code);
        }
        render(&record, &points, chain.links[..own].last())
    };
    if head.is_closed() && !sealed {
        remark(&format!("A copy drawn from the record; the sealed sheet is {}", kept.display()));
    }
    let terminal = std::io::stdout().is_terminal();
    if let Some(path) = &args.out {
        write_out(path, html.as_bytes())?;
    }
    if args.out.is_some() || terminal {
        remark("Open it in a browser and print it on A4.");
    }
    match &args.out {
        Some(path) => say(&path.display().to_string()),
        None if sealed && terminal => say(&kept.display().to_string()),
        None => say(html.trim_end()),
    }
}
