//! `curdtrace lot`: the lots, one file a subcommand.
//!
//! Reading works whether a daemon runs or not. Whatever changes a lot is asked
//! of the running daemon through the data folder's inbox; where none runs, the
//! command takes its place for the moment ([`room`]).

use clap::Subcommand;

use super::Place;
use super::error::Failure;

mod asking;
mod attach;
mod close;
mod compare;
mod enter;
mod export;
mod limits;
mod list;
mod mark;
mod open;
mod origin;
mod room;
mod season;
mod sheet;
mod show;
mod sign;
mod verify;

/// The lots: opened, entered into, shown, handed over.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Open a lot on a kettle
    Open(open::Args),
    /// Mark a moment of the make: rennet, floc, cut, heat-on, heat-off, wash, culture, acid, lift, ph, target, note
    Mark(mark::Args),
    /// Close and seal a lot
    Close(close::Args),
    /// Give a lot a stretch of a probe's trace, before or after it is closed
    Attach(attach::Args),
    /// Enter what is known: lot set LOT rennet.dose-ml=32 milk.litres=320
    Set(enter::SetArgs),
    /// Correct what stands: who and why are kept beside the old value
    Correct(enter::CorrectArgs),
    /// A milking went into a lot
    Milking(enter::MilkingArgs),
    /// Wheels came out of a lot
    Wheel(enter::WheelArgs),
    /// A pH was read
    Ph(enter::PhArgs),
    /// All lots, one a line
    List(list::Args),
    /// One lot in words
    Show(show::Args),
    /// The make sheet, to print
    Sheet(sheet::Args),
    /// Hand lots over: to a stick, as an archive, as CSV or JSON
    Export(export::Args),
    /// Whether lots are as they were closed
    Verify(verify::Args),
    /// Sign lots that were sealed without a signature
    Sign(sign::Args),
    /// From a wheel or a lot back to its milk
    Origin(origin::OriginArgs),
    /// From a milking or a lot forward to its wheels
    Fate(origin::FateArgs),
    /// One make over the best ones, stage by stage
    Compare(compare::Args),
    /// A season's table and picture
    Season(season::Args),
    /// The dairy's own limits, judged on a lot
    Limits(limits::Args),
}

/// Runs the subcommand.
pub fn run(args: Args) -> Result<(), Failure> {
    let mut room = room::Room::enter(args.place)?;
    match args.command {
        Command::Open(a) => open::run(&room, a),
        Command::Mark(a) => mark::run(&mut room, a),
        Command::Close(a) => close::run(&room, a),
        Command::Attach(a) => attach::run(&mut room, a),
        Command::Set(a) => enter::set(&room, a),
        Command::Correct(a) => enter::correct(&room, a),
        Command::Milking(a) => enter::milking(&room, a),
        Command::Wheel(a) => enter::wheel(&room, &a),
        Command::Ph(a) => enter::ph(&mut room, a),
        Command::List(a) => list::run(&room, &a),
        Command::Show(a) => show::run(&room, &a),
        Command::Sheet(a) => sheet::run(&room, &a),
        Command::Export(a) => export::run(&room, &a),
        Command::Verify(a) => verify::run(&room, &a),
        Command::Sign(a) => sign::run(&room, a),
        Command::Origin(a) => origin::origin(&room, &a),
        Command::Fate(a) => origin::fate(&room, &a),
        Command::Compare(a) => compare::run(&room, &a),
        Command::Season(a) => season::run(&room, &a),
        Command::Limits(a) => limits::run(&mut room, &a),
    }
}
