//! `curdtrace lot mark`.

use super::room::{Room, failure};
use crate::cli::error::Failure;
use crate::lot::inbox::{Ask, MarkAsk};
use crate::wire::figure::figure;

/// Marks a moment of the make, now.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// What: rennet, floc, cut, heat-on, heat-off, wash, culture, acid, lift, ph, target, note
    name: String,
    /// The pH of `ph`, the °C of `target`, the words of `note`
    value: Option<String>,
    /// The kettle; the only one configured where left out
    #[arg(long)]
    kettle: Option<String>,
    /// The lot, in place of the kettle
    #[arg(long, conflicts_with = "kettle")]
    lot: Option<String>,
    /// Who marks it
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
}

pub(super) fn run(room: &Room, args: Args) -> Result<(), Failure> {
    let kettle = match args.lot {
        Some(lot) => kettle_of(room, &lot)?,
        None => room.kettle(args.kettle)?,
    };
    let number = || -> Result<Option<f64>, Failure> {
        let Some(text) = &args.value else { return Ok(None) };
        figure(text)
            .map(Some)
            .map_err(|_| Failure::usage(format_args!("{} wants a number, not {text:?}", args.name)))
    };
    let (value, text) = match args.name.as_str() {
        "ph" | "target" => (number()?, None),
        "note" => (None, args.value),
        name => {
            crate::wire::line::mark_kind(name, None, None, None).map_err(Failure::usage)?;
            if let Some(value) = &args.value {
                return Err(Failure::usage(format_args!(
                    "{name} takes no value, and {value:?} would be lost; write it as a note: curdtrace lot mark note {value:?}"
                )));
            }
            (None, None)
        }
    };
    let example = match args.name.as_str() {
        "ph" => Some("6.45"),
        "target" => Some("41.5"),
        "note" => Some("\"small grain\""),
        _ => None,
    };
    if let (Some(example), None, None) = (example, value, &text) {
        let name = &args.name;
        return Err(Failure::usage(format_args!(
            "say it after the name: curdtrace lot mark {name} {example}"
        )));
    }
    let mark = MarkAsk { kettle, name: args.name, value, text };
    // What cannot be is refused here, whoever carries it out.
    mark.kind().map_err(Failure::usage)?;
    room.ask_and_say(args.by, Ask::Mark(mark))
}

/// The kettle of a lot that takes marks.
fn kettle_of(room: &Room, lot: &str) -> Result<String, Failure> {
    let record = room.store.load(lot).map_err(|e| failure(&e))?;
    if record.is_closed() || record.past {
        let is = if record.is_closed() { "closed" } else { "of a make that is over" };
        return Err(Failure::data(format_args!(
            "lot {lot} is {is} and takes no marks; enter it into the lot: curdtrace lot set {lot} note=…, \
             curdtrace lot ph {lot} …, or curdtrace lot correct where it stands already"
        )));
    }
    Ok(record.kettle)
}
