//! `curdtrace lot mark`.

use super::room::{Room, failure, person};
use crate::cli::error::Failure;
use crate::lot::inbox::{Ask, MarkAsk};
use crate::lot::record::Mark;
use crate::wire::figure::figure;

/// What is said below the options.
const MORE: &str = "A mark of the past (--at) is kept in the lot's record only, with when it was told: it moves \
                    no stage and no call. A wrong one is moved by `lot correct LOT mark.NAME=18:03` and struck by \
                    `lot correct LOT mark.NAME=`, with --by and --reason; it stays in the record.";

/// Marks a moment of the make, now; with --at one that is past.
#[derive(Debug, clap::Args)]
#[command(after_help = MORE)]
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
    /// When it was, where that is past: 06:03, "yesterday 06:03", "2026-07-14 06:03"; into
    /// the record only
    #[arg(long, value_name = "MOMENT")]
    at: Option<String>,
    /// Who marks it
    #[arg(long, value_name = "NAME", value_parser = person)]
    by: Option<String>,
}

pub(super) fn run(room: &mut Room, args: Args) -> Result<(), Failure> {
    // Whoever names a kettle or a lot that is not there hears that first.
    let kettle = match (&args.lot, &args.at) {
        (Some(lot), None) => kettle_of(room, lot)?,
        (Some(lot), Some(_)) => room.store.load(lot).map_err(|e| failure(&e))?.kettle,
        (None, _) => room.kettle(args.kettle)?,
    };
    let number = || -> Result<Option<f64>, Failure> {
        let Some(text) = &args.value else { return Ok(None) };
        figure(text)
            .map(Some)
            .map_err(|_| Failure::usage(format_args!("{} wants a number, not {text:?}", args.name)))
    };
    let (value, text) = match args.name.as_str() {
        "ph" | "target" => (number()?, None),
        "note" => (None, args.value.clone()),
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
    let mark = MarkAsk { kettle, name: args.name, value, text, lot: args.lot.clone() };
    // What cannot be is refused here, whoever carries it out.
    mark.kind().map_err(Failure::usage)?;
    let Some(at) = args.at else { return room.ask_and_say(args.by, Ask::Mark(mark)) };
    let MarkAsk { kettle, name, value, text, .. } = mark;
    let lot = args.lot.map_or_else(|| open_on(room, &kettle), Ok)?;
    if name == "ph" {
        return Err(Failure::usage(format_args!(
            "a pH that was read before is entered by: curdtrace lot ph {lot} {} --at {at:?}",
            value.unwrap_or_default()
        )));
    }
    room.go_by(&lot)?;
    let (told, meant) = (room.now(), room.past("--at", &at)?);
    let mark = Mark { at: meant, name, by: args.by.clone(), value, text, told: Some(told) };
    room.ask_and_say(args.by, Ask::MarkLate { lot, mark })
}

/// The lot that is open on a kettle.
fn open_on(room: &Room, kettle: &str) -> Result<String, Failure> {
    let heads = room.store.list().map_err(|e| failure(&e))?.0;
    let open = heads.into_iter().filter(|h| h.kettle == kettle && !h.is_closed() && !h.past);
    open.max_by_key(|h| h.opened).map(|h| h.lot).ok_or_else(|| {
        Failure::data(format_args!(
            "no lot is open on kettle {kettle}; name the one it belongs to: --lot LOT (curdtrace lot list shows them)"
        ))
    })
}

/// The kettle of a lot that takes marks.
fn kettle_of(room: &Room, lot: &str) -> Result<String, Failure> {
    let record = room.store.load(lot).map_err(|e| failure(&e))?;
    if record.is_closed() || record.past {
        let is = if record.is_closed() { "closed" } else { "of a make that is over" };
        return Err(Failure::data(format_args!(
            "lot {lot} is {is} and takes no marks of now; say when it was: --at 18:03. Or enter it into the lot: \
             curdtrace lot set {lot} note=…, curdtrace lot ph {lot} …, or curdtrace lot correct where it stands already"
        )));
    }
    Ok(record.kettle)
}
