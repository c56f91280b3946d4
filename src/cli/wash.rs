//! `curdtrace wash`: how much hot water, or where it ends.
//!
//! A balance of volumes: milk, whey and water take up nearly the same heat to
//! the litre (4.05 against 4.18 kJ/K; the difference is below the losses to the
//! room, which are not counted).

use std::io::{self, Write};

use super::dose::above_zero;
use super::error::Failure;

/// Wash water: litres for a temperature wanted, or the temperature that litres give
#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("aim").required(true).args(["to", "litres"])))]
pub struct Args {
    /// Milk that went into the kettle, litres
    #[arg(long, value_name = "LITRES")]
    milk: f64,
    /// Whey drawn off before, litres
    #[arg(long, value_name = "LITRES", default_value_t = 0.0)]
    drawn: f64,
    /// What curd and whey are at now, °C
    #[arg(long, value_name = "°C")]
    at: f64,
    /// The water, °C
    #[arg(long, value_name = "°C")]
    water: f64,
    /// Wanted, °C
    #[arg(long, value_name = "°C")]
    to: Option<f64>,
    /// Water at hand, litres
    #[arg(long, value_name = "LITRES")]
    litres: Option<f64>,
}

/// The answer: litres of water and the temperature they give.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Wash {
    litres: f64,
    celsius: f64,
}

/// Prints the litres, or the temperature.
///
/// # Errors
/// 64 where a figure makes no sense, 74 where the answer cannot be written.
pub fn run(args: &Args) -> Result<(), Failure> {
    let wash = wash(args)?;
    let mut out = io::stdout().lock();
    writeln!(
        out,
        "{:.1} L of water at {} °C bring {:.1} L from {} to {:.1} °C\n\
         Losses to the room are not counted: it ends a little lower. Pour slowly, stir, look at the \
         thermometer; mind the hot water.",
        wash.litres,
        args.water,
        args.milk - args.drawn,
        args.at,
        wash.celsius
    )
    .map_err(|e| Failure::io(format_args!("the answer cannot be written ({e}); look at where it goes")))
}

fn wash(a: &Args) -> Result<Wash, Failure> {
    above_zero("--milk", a.milk)?;
    if !(a.drawn >= 0.0 && a.drawn < a.milk) {
        return Err(Failure::usage(format_args!(
            "--drawn is {} of {} L; less whey can be drawn than milk went in",
            a.drawn, a.milk
        )));
    }
    for (name, celsius) in [("--at", a.at), ("--water", a.water), ("--to", a.to.unwrap_or(a.at))] {
        if !(0.0..=100.0).contains(&celsius) {
            return Err(Failure::usage(format_args!("{name} is {celsius}; give 0 to 100 °C")));
        }
    }
    let left = a.milk - a.drawn;
    match (a.to, a.litres) {
        (Some(to), _) => Ok(Wash { litres: litres(left, a.at, a.water, to)?, celsius: to }),
        (_, litres) => {
            let litres = litres.unwrap_or_default();
            above_zero("--litres", litres)?;
            Ok(Wash { litres, celsius: mixed_celsius(left, a.at, litres, a.water) })
        }
    }
}

/// Litres of water at `water` °C that bring `left` litres from `at` to `to`.
fn litres(left: f64, at: f64, water: f64, to: f64) -> Result<f64, Failure> {
    let share = (to - at) / (water - to);
    if share.is_finite() && share > 0.0 {
        return Ok(left * share);
    }
    Err(Failure::usage(format_args!(
        "water at {water} °C cannot bring {at} °C to {to} °C; the aim must lie between them"
    )))
}

/// Where two volumes mix to, °C.
fn mixed_celsius(litres: f64, celsius: f64, more_litres: f64, more_celsius: f64) -> f64 {
    (litres * celsius + more_litres * more_celsius) / (litres + more_litres)
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Debug, Parser)]
    struct Line {
        #[command(flatten)]
        args: Args,
    }

    /// A command line, and (litres, °C) it gives (`None`: refused).
    fn check(line: &str, expected: Option<(f64, f64)>) {
        let words = std::iter::once("wash").chain(line.split_whitespace());
        let got = Line::try_parse_from(words).ok().and_then(|l| wash(&l.args).ok());
        match (got, expected) {
            (Some(w), Some((litres, celsius))) => {
                assert!(
                    (w.litres - litres).abs() < 0.05 && (w.celsius - celsius).abs() < 0.01,
                    "{line}: {w:?}"
                );
            }
            (got, expected) => assert_eq!(got.map(|w| w.litres), expected.map(|e| e.0), "{line}"),
        }
    }

    #[test]
    fn washes_as_by_mass_balance() {
        // Mass balance: 67 L at 31 °C and 22 L at 60 °C; it lies near the end
        // point of the washed-curd recipe, 36 to 38 °C less losses.
        check("--milk 100 --drawn 33 --at 31 --water 60 --litres 22", Some((22.0, 38.17)));
        // Mass balance: 66.7 L from 31 to 37 °C.
        check("--milk 100 --drawn 33.3 --at 31 --water 60 --to 37", Some((17.4, 37.0)));
        // Cold water after an overshoot: 100 L from 42 to 41 °C with 10 °C.
        check("--milk 100 --at 42 --water 10 --to 41", Some((3.23, 41.0)));
    }

    #[test]
    fn refuses_nonsense() {
        check("--milk 100 --at 31 --water 60 --to 61", None);
        check("--milk 100 --at 31 --water 60 --to 30", None);
        check("--milk 100 --drawn 100 --at 31 --water 60 --to 37", None);
        check("--milk 100 --at 31 --water 60", None);
        check("--milk 100 --at 31 --water 160 --to 37", None);
        check("--milk 100 --at 31 --water 60 --litres -3", None);
        check("--milk 100 --at 31 --water 60 --litres NaN", None);
    }
}
