//! `curdtrace lot compare`.

use std::path::PathBuf;

use super::room::{Room, columns, failure, write_out};
use crate::cli::error::Failure;
use crate::cli::say;
use crate::lot::compare::{Make, best, page, rows};
use crate::words::record::word;

/// One make over the best ones of the same cheese (by the maker's score), stage
/// by stage.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lot
    lot: String,
    /// Over these lots in place of the best
    #[arg(long, value_name = "LOT", num_args = 1..)]
    with: Vec<String>,
    /// Write a page with the curves over each other to this file
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

pub(super) fn run(room: &Room, args: &Args) -> Result<(), Failure> {
    let make = |lot: &str| -> Result<Make, Failure> {
        let (record, points) = room.store.as_it_stands(lot, room.now()).map_err(|e| failure(&e))?;
        Ok(Make { record, points })
    };
    let this = make(&args.lot)?;
    let others = if args.with.is_empty() {
        let heads = room.store.list().map_err(|e| failure(&e))?.0;
        best(&heads, &this.record, 3).iter().map(|h| make(&h.lot)).collect::<Result<Vec<_>, _>>()?
    } else {
        args.with.iter().map(|l| make(l)).collect::<Result<Vec<_>, _>>()?
    };
    if others.is_empty() {
        return Err(Failure::no_input(format_args!(
            "no other lot of {:?} has a score; give one with `curdtrace lot set LOT score=9`, or name lots with --with",
            this.record.product
        )));
    }
    if let Some(path) = &args.out {
        write_out(path, page(&this, &others).as_bytes())?;
        return say(&path.display().to_string());
    }
    let mut table = vec![vec!["stage".to_owned(), this.record.lot.clone()]];
    table[0].extend(others.iter().map(|o| o.record.lot.clone()));
    for row in rows(&this, &others) {
        let cell = |(m, c): (&Option<f64>, &Option<f64>)| match (m, c) {
            (Some(m), Some(c)) => format!("{m:.0} min, {c:.1} °C"),
            (Some(m), None) => format!("{m:.0} min"),
            _ => "-".into(),
        };
        let mut line = vec![word(&row.stage)];
        line.extend(row.minutes.iter().zip(&row.celsius).map(cell));
        table.push(line);
    }
    say(&columns(&table).join("\n"))
}
