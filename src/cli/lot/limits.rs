//! `curdtrace lot limits`.

use super::room::{Room, columns, failure};
use crate::cli::error::Failure;
use crate::cli::say;
use crate::words::record::word;

/// The dairy's own limits, judged on a lot as they stand today.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lot
    lot: String,
    /// Judged for this day (ageing): "2026-07-14 06:03"; today where left out
    #[arg(long, value_name = "MOMENT")]
    on: Option<String>,
}

pub(super) fn run(room: &mut Room, args: &Args) -> Result<(), Failure> {
    let (record, points) = room.store.as_it_stands(&args.lot, room.now()).map_err(|e| failure(&e))?;
    room.zone = record.zone();
    let on = args.on.as_deref().map_or_else(|| Ok(room.now()), |t| room.moment(t))?;
    let found = room.store.judge_by_today(&record, &points, on).map_err(|e| failure(&e))?;
    if found.is_empty() {
        return Err(Failure::no_input(format_args!(
            "the dairy has set no limits for this lot; put them into {}",
            room.store.data().join(crate::lot::limits::FILE).display()
        )));
    }
    let rows: Vec<Vec<String>> = found
        .iter()
        .map(|l| vec![word(&l.verdict), l.name.clone(), l.limit.clone(), l.found.clone(), l.source.clone()])
        .collect();
    say(&columns(&rows).join("\n"))?;
    match found.iter().filter(|l| l.verdict == "fail").count() {
        0 => Ok(()),
        n => Err(Failure::data(format_args!("{n} of the dairy's limits not kept by lot {}", record.lot))),
    }
}
