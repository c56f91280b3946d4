//! `curdtrace lot set|correct|milking|wheel|ph`: what persons know of a lot.

use super::room::{Room, person};
use crate::cli::error::Failure;
use crate::lot::correct;
use crate::lot::inbox::Ask;
use crate::lot::record::{Milking, Ph, Wheel};
use crate::wire::figure::{figure, large};

/// Enters fields that are empty.
#[derive(Debug, clap::Args)]
#[command(after_help = fields())]
pub struct SetArgs {
    /// The lot
    lot: String,
    /// What to enter, such as rennet.dose-ml=32
    #[arg(required = true, value_name = "FIELD=VALUE")]
    fields: Vec<String>,
    /// Who enters it
    #[arg(long, value_name = "NAME", value_parser = person)]
    by: Option<String>,
}

/// Corrects fields that stand already; the old value is kept. A wheel, a milking
/// or a pH too: wheel.1.kg=9, milking.NAME.litres=80, ph.06:30=6.45. Nothing after the = strikes
/// what was entered by mistake: milk.litres=, a whole wheel.5=, milking.NAME=, ph.06:30=. A mark
/// is moved to the moment meant, mark.rennet=18:03 (mark.cut.18:40=18:38 where there are
/// several), or struck, mark.rennet=; what was found and called with it stays.
#[derive(Debug, clap::Args)]
#[command(after_help = fields())]
pub struct CorrectArgs {
    /// The lot
    lot: String,
    /// What to correct, such as rennet.dose-ml=35
    #[arg(required = true, value_name = "FIELD=VALUE")]
    fields: Vec<String>,
    /// Who corrects it
    #[arg(long, value_name = "NAME", value_parser = person)]
    by: String,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: String,
}

/// A milking that went into a lot.
#[derive(Debug, clap::Args)]
pub struct MilkingArgs {
    /// The lot
    lot: String,
    /// The dairy's name of the milking, such as 2026-07-13-evening
    milking: String,
    /// Litres of it
    #[arg(long, allow_hyphen_values = true, value_parser = large)]
    litres: Option<f64>,
    /// Its temperature when it went in, °C
    #[arg(long, value_parser = figure, allow_negative_numbers = true)]
    celsius: Option<f64>,
    /// Which animals
    #[arg(long)]
    source: Option<String>,
    /// Who enters it
    #[arg(long, value_name = "NAME", value_parser = person)]
    by: Option<String>,
}

/// Wheels that came out of a lot.
#[derive(Debug, clap::Args)]
pub struct WheelArgs {
    /// The lot
    lot: String,
    /// Each wheel's number, with its weight where it was weighed: 1=28.6
    #[arg(required = true, value_name = "WHEEL[=KG]")]
    wheels: Vec<String>,
    /// The mould, or other words
    #[arg(long)]
    note: Option<String>,
    /// Who enters it
    #[arg(long, value_name = "NAME", value_parser = person)]
    by: Option<String>,
}

/// A pH that was read.
#[derive(Debug, clap::Args)]
pub struct PhArgs {
    /// The lot
    lot: String,
    /// The pH
    #[arg(value_parser = figure)]
    value: f64,
    /// When: 06:03, "yesterday 06:03", "2026-07-14 06:03"; now where left out
    #[arg(long, value_name = "MOMENT")]
    at: Option<String>,
    /// Who read it
    #[arg(long, value_name = "NAME", value_parser = person)]
    by: Option<String>,
}

/// What can be entered, for the help.
fn fields() -> String {
    format!("Fields: {}", correct::fields())
}

/// `FIELD=VALUE` in two.
pub(super) fn pairs(fields: &[String]) -> Result<Vec<(String, String)>, Failure> {
    fields
        .iter()
        .map(|f| {
            let (field, value) = f.split_once('=').ok_or_else(|| {
                Failure::usage(format_args!("{f:?} is no FIELD=VALUE, such as rennet.dose-ml=32"))
            })?;
            Ok((field.trim().to_owned(), value.trim().to_owned()))
        })
        .collect()
}

pub(super) fn set(room: &Room, args: SetArgs) -> Result<(), Failure> {
    let fields = pairs(&args.fields)?;
    room.ask_and_say(args.by, Ask::Set { lot: args.lot, fields, reason: None })
}

pub(super) fn correct(room: &Room, args: CorrectArgs) -> Result<(), Failure> {
    if args.reason.trim().is_empty() {
        return Err(Failure::usage("a correction says why: --reason TEXT"));
    }
    let fields = pairs(&args.fields)?;
    room.ask_and_say(Some(args.by), Ask::Set { lot: args.lot, fields, reason: Some(args.reason) })
}

pub(super) fn milking(room: &Room, args: MilkingArgs) -> Result<(), Failure> {
    let name = args.milking.trim().to_owned();
    let milking = Milking { milking: name, litres: args.litres, celsius: args.celsius, source: args.source };
    room.ask_and_say(args.by, Ask::Milking { lot: args.lot, milking })
}

pub(super) fn wheel(room: &Room, args: &WheelArgs) -> Result<(), Failure> {
    let wheel = |text: &String| -> Result<Wheel, Failure> {
        let (name, kg) = match text.split_once('=') {
            None => (text.as_str(), None),
            Some((name, kg)) => {
                let kg = figure(kg).map_err(|_| {
                    Failure::usage(format_args!("{kg:?} is no weight in kg; write it as {name}=6.2"))
                })?;
                (name, Some(kg))
            }
        };
        Ok(Wheel { wheel: name.trim().into(), kg, note: args.note.clone() })
    };
    let wheels = args.wheels.iter().map(wheel).collect::<Result<Vec<_>, _>>()?;
    room.ask_and_say(args.by.clone(), Ask::Wheels { lot: args.lot.clone(), wheels })
}

pub(super) fn ph(room: &mut Room, args: PhArgs) -> Result<(), Failure> {
    let at = match &args.at {
        None => room.now(),
        Some(text) => {
            room.go_by(&args.lot)?;
            room.past("--at", text)?
        }
    };
    let ph = Ph { at, value: args.value, by: args.by.clone() };
    room.ask_and_say(args.by, Ask::Ph { lot: args.lot, ph })
}
