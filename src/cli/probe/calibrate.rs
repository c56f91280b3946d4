//! `curdtrace probe calibrate`: a guided act, for a maker with wet hands.
//!
//! It asks for one bath after another, waits by itself until the reading
//! stands, compares, refuses what cannot be, and keeps a record. What it says
//! goes to standard error; the record's path is all that goes to standard
//! output. Every question has a flag, so that a script can answer them.

use std::path::PathBuf;
use std::sync::Arc;

use crate::cli::error::Failure;
use crate::cli::{Place, configured, say};
use crate::config::dairy::Config;
use crate::config::modbus::Link;
use crate::daemon::channels::{self, Channels};
use crate::daemon::listen::{Listening, only_for};
use crate::lot::hold::Hold;
use crate::sensor::calibration::{Point, Shape, fit};
use crate::sensor::channel::{Channel, Sensor};

mod bath;
mod outcome;
pub(super) mod source;
mod talk;
mod wait;

use talk::{Talk, tell};

/// Calibrate a probe: ice, boiling water, or a reference thermometer. The
/// daemon holds the serial port while it runs: stop it first.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The probe's name
    #[arg(value_name = "PROBE")]
    probe: String,
    #[command(flatten)]
    place: Place,
    #[command(flatten)]
    source: source::SourceArgs,
    #[command(flatten)]
    baths: bath::BathArgs,
    /// Who calibrates
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// How points become a correction: a straight line, or from point to point
    #[arg(long, value_enum, default_value_t = ShapeArg::Linear)]
    shape: ShapeArg,
    /// The calibration holds so long, days (default: the configuration's)
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..=3650))]
    due_days: Option<u32>,
    /// Today's date, where the machine's clock was never set (2026-06-14)
    #[arg(long, value_name = "DATE")]
    date: Option<String>,
    /// The reading must stand for so long, seconds
    #[arg(long, value_name = "S", default_value_t = 60, value_parser = clap::value_parser!(u32).range(2..=3600))]
    settle_s: u32,
    /// Give a bath up after so many minutes
    #[arg(long, value_name = "MIN", default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..=240))]
    patience_min: u32,
    /// A word for the record
    #[arg(long, value_name = "TEXT")]
    remark: Vec<String>,
    /// Ask nothing: begin at once, and take the next bath when the reading moves
    #[arg(long)]
    yes: bool,
    /// Go on although another wire or swapped wires would explain the reading
    #[arg(long)]
    accept_doubt: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum ShapeArg {
    Linear,
    Piecewise,
}

impl From<ShapeArg> for Shape {
    fn from(s: ShapeArg) -> Self {
        match s {
            ShapeArg::Linear => Self::Linear,
            ShapeArg::Piecewise => Self::Piecewise,
        }
    }
}

/// Calibrates.
pub fn run(args: &Args) -> Result<(), Failure> {
    let mut talk = Talk::new(args.yes);
    let config = config(args)?;
    let channel = channels::channel(&config, &args.probe);
    let day = outcome::today(args.date.as_deref())?;
    let baths = args.baths.resolved(&mut talk, &config)?;
    let by = talk.answer(args.by.clone(), "--by", "Who calibrates?")?;
    let (listening, mut origin) = listen(&config, &args.probe)?;
    let mut points: Vec<Point> = Vec::new();
    for (n, bath) in baths.iter().enumerate() {
        tell(&format!("\n{} of {}: {}", n + 1, baths.len(), bath.instruction()));
        let earlier = points.last().map(|p| p.seen.mean_celsius);
        let moved = earlier.filter(|_| args.yes && bath.differs_from(baths.get(n.wrapping_sub(1))));
        if !args.yes {
            talk.pause("Press Enter when the probe is in.")?;
        }
        let demand = wait::demand(args.settle_s);
        let seen =
            wait::until_settled(&listening, &args.probe, &mut origin, demand, args.patience_min, moved)?;
        let point = Point { against: bath.against(&mut talk)?, seen };
        outcome::tell_point(&point, &channel);
        refuse_or_go_on(&point, &channel, args, &mut talk)?;
        points.push(point);
    }
    drop(listening);
    share_step(&mut points);
    let fitted = fit(&points, args.shape.into(), couple(&channel)).map_err(Failure::data)?;
    let days = args.due_days.unwrap_or_else(|| holds_days(&config, &args.probe));
    let made =
        outcome::Made { probe: &args.probe, by: &by, points: &points, remarks: &args.remark, day, days };
    let record = outcome::record(&made, &channel, &fitted, &config.data);
    outcome::tell_outcome(&record);
    if !talk.agreed("Keep this calibration?", true)? {
        tell("Nothing was kept.");
        return Ok(());
    }
    let path = crate::daemon::calibrations::keep(&config.data, &record).map_err(Failure::io)?;
    tell("Kept. A running daemon takes it within a minute.");
    say(&path.display().to_string())
}

/// The step of the numbers is the probe's: what one bath showed of it holds in
/// all.
fn share_step(points: &mut [Point]) {
    let seen = points.iter().map(|p| p.seen.step_celsius).filter(|s| *s > 0.0).reduce(f64::min);
    for p in points {
        p.seen.step_celsius = seen.unwrap_or(0.0);
    }
}

/// The configuration, or one made up of `--port` and what goes with it.
fn config(args: &Args) -> Result<Config, Failure> {
    let mut config = if args.source.is_given() {
        args.source.config(&args.probe)?
    } else {
        let mut config = configured(Place { data: None, config: args.place.config.clone() })?;
        args.source.set_sensor(&mut config, &args.probe)?;
        config
    };
    if let Some(data) = &args.place.data {
        config.data.clone_from(data);
    } else if args.source.is_given() {
        config.data = PathBuf::from("data");
    }
    Ok(config)
}

fn listen(config: &Config, probe: &str) -> Result<(Listening, wait::Origin), Failure> {
    let channels = Arc::new(Channels::uncorrected(config));
    let config = only_for(config.clone(), probe);
    if config.serial.is_empty() && config.brokers.is_empty() && config.modbus.is_empty() {
        return Err(Failure::config(format!(
            "no source of the configuration brings the probe {probe:?}; name its port with --port and its format with --format, or add it to a [[serial]], [[mqtt]] or [[modbus]]"
        )));
    }
    // A broker and a Modbus TCP device serve several at once; a port does not.
    let rtu = config.modbus.iter().any(|m| matches!(m.link, Link::Rtu { .. }));
    if (!config.serial.is_empty() || rtu) && matches!(Hold::take(&config.data), Ok(None)) {
        return Err(Failure::unavailable(
            "the daemon runs and holds the port; stop it first (systemctl stop curdtrace), calibrate, and start it again",
        ));
    }
    let origin = wait::Origin::of(&config);
    let listening = Listening::start(config, channels)
        .map_err(|e| Failure::unavailable(format!("the port cannot be listened to ({e})")))?;
    Ok((listening, origin))
}

fn couple(channel: &Channel) -> Option<crate::sensor::thermocouple::Couple> {
    match channel.sensor {
        Sensor::Couple(c) => Some(c),
        _ => None,
    }
}

fn holds_days(config: &Config, probe: &str) -> u32 {
    let set = config.probes.iter().find(|p| &*p.name == probe);
    set.map_or(crate::config::sensor::HOLDS_DAYS, |p| p.sensor.calibration_days)
}

/// Nonsense ends the act; what another wire would explain goes on only with
/// the maker's word.
fn refuse_or_go_on(point: &Point, channel: &Channel, args: &Args, talk: &mut Talk) -> Result<(), Failure> {
    // A point alone that only checks is no fault yet.
    match fit(std::slice::from_ref(point), Shape::Linear, couple(channel)) {
        Ok(_) | Err(crate::sensor::calibration::CalibrationError::NoPoint) => {}
        Err(e) => return Err(Failure::data(e)),
    }
    let Some(doubt) = outcome::doubt(point, channel) else { return Ok(()) };
    tell(&format!("CAREFUL. {doubt}."));
    if args.accept_doubt || (!args.yes && talk.agreed("Go on all the same?", false)?) {
        return Ok(());
    }
    Err(Failure::data(format!("{doubt}; mend that first, or go on with --accept-doubt")))
}
