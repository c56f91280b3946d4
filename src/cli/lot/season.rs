//! `curdtrace lot season`.

use std::path::PathBuf;

use super::room::{Room, columns, failure, write_out};
use crate::cli::error::Failure;
use crate::cli::say;
use crate::lot::season::{COLUMNS, cells, drift, lines, outliers, page, to_csv};

/// A season's table: yield, how the cooks ended, coasts, gaps; and where a day
/// differs.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A year, month or day: 2026, 2026-07; everything where left out
    season: Option<String>,
    /// Write a page with the picture to this file
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// As CSV
    #[arg(long)]
    csv: bool,
}

pub(super) fn run(room: &Room, args: &Args) -> Result<(), Failure> {
    let season = args.season.as_deref().map(|d| room.days(d)).transpose()?.unwrap_or_default();
    let mut lots = Vec::new();
    for head in room.store.list().map_err(|e| failure(&e))?.0 {
        if head.is_closed() && head.day().starts_with(&season) {
            lots.push(room.store.load(&head.lot).map_err(|e| failure(&e))?);
        }
    }
    if lots.is_empty() {
        return Err(Failure::no_input(format_args!("no closed lot is of {season:?}")));
    }
    lots.sort_by_key(|r| r.made.unwrap_or(r.opened));
    let lines = lines(&lots);
    let drift = drift(&room.store.calibrations());
    if let Some(path) = &args.out {
        let name = if season.is_empty() { "so far" } else { &season };
        write_out(path, page(&room.dairy.name, name, &lines, &drift).as_bytes())?;
        return say(&path.display().to_string());
    }
    if args.csv {
        return say(to_csv(&lines).trim_end());
    }
    let mut table = vec![COLUMNS.map(String::from).to_vec()];
    table.extend(lines.iter().map(|l| cells(l).to_vec()));
    say(&columns(&table).join("\n"))?;
    for line in outliers(&lines) {
        say(&format!("differs: {line}"))?;
    }
    for line in &drift {
        say(&format!("probe {line}"))?;
    }
    Ok(())
}
