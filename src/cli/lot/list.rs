//! `curdtrace lot list`.

use super::room::{Room, columns, failure};
use crate::cli::error::Failure;
use crate::cli::{remark, say};
use crate::words::record::counted;

/// All lots, oldest first.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only of this year, or month, or day: 2026, 2026-07, 2026-07-14
    #[arg(long, value_name = "DATE")]
    day: Option<String>,
    /// Only of this kettle
    #[arg(long)]
    kettle: Option<String>,
    /// Only open ones
    #[arg(long)]
    open: bool,
    /// As JSON, one object a line
    #[arg(long)]
    json: bool,
}

pub(super) fn run(room: &Room, args: &Args) -> Result<(), Failure> {
    room.must_be_there()?;
    super::verify::must_hold_lots(&room.store)?;
    let of_day = args.day.as_deref().map(|d| room.days(d)).transpose()?;
    let (mut heads, bad) = room.store.list().map_err(|e| failure(&e))?;
    // By when they were made; one attached afterwards was opened later.
    heads.sort_by_key(|h| h.made.unwrap_or(h.opened));
    let mut rows = Vec::new();
    for h in heads {
        let zone = h.zone();
        let day = h.day();
        let other = of_day.as_ref().is_some_and(|d| !day.starts_with(d.as_str()))
            || args.kettle.as_ref().is_some_and(|k| *k != h.kettle)
            || (args.open && h.is_closed());
        if other {
            continue;
        }
        if args.json {
            let json = serde_json::json!({
                "lot": h.lot, "day": day, "kettle": h.kettle, "product": h.product,
                "opened": h.opened, "closed": h.closed, "mother": h.mother, "score": h.score,
                "deviations": h.deviations,
            });
            say(&json.to_string())?;
            continue;
        }
        let state = match h.closed {
            Some(closed) => format!("closed {}", closed.clock(&zone)),
            None => "open".into(),
        };
        let deviations = match h.deviations.len() {
            0 => String::new(),
            1 => "1 to look at".into(),
            n => format!("{n} to look at"),
        };
        let score = h.score.map(|s| format!("score {s}")).unwrap_or_default();
        rows.push(vec![
            h.lot,
            day,
            h.made.unwrap_or(h.opened).clock(&zone),
            state,
            h.kettle,
            h.product,
            score,
            deviations,
        ]);
    }
    if !rows.is_empty() {
        say(&columns(&rows).join("\n"))?;
    } else if !args.json {
        remark(&format!("no such lot in {}", room.store.folder("").display()));
    }
    match bad.as_slice() {
        [] => Ok(()),
        [first, ..] => Err(Failure::data(format_args!(
            "{} could not be read; the first: {first}",
            counted(bad.len(), "lot")
        ))),
    }
}
