//! `curdtrace wash`: how much hot water, or where it ends.

use std::io::{self, Write};

use super::dose::{unfit, words};
use super::error::Failure;
use crate::engine::amounts::{Unfit, Wash};
use crate::web::reckoned;
use crate::wire::figure::{figure, large};

/// Wash water: litres for a temperature wanted, or the temperature that litres give
#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("aim").required(true).args(["to", "litres"])))]
pub struct Args {
    /// Milk that went into the kettle, litres
    #[arg(long, value_name = "LITRES", allow_hyphen_values = true, value_parser = large)]
    milk: f64,
    /// Whey drawn off before, litres
    #[arg(long, value_name = "LITRES", default_value_t = 0.0, allow_hyphen_values = true, value_parser = large)]
    drawn: f64,
    /// What curd and whey are at now, °C
    #[arg(long, value_name = "°C", allow_hyphen_values = true, value_parser = figure)]
    at: f64,
    /// The water, °C
    #[arg(long, value_name = "°C", allow_hyphen_values = true, value_parser = figure)]
    water: f64,
    /// Wanted, °C
    #[arg(long, value_name = "°C", allow_hyphen_values = true, value_parser = figure)]
    to: Option<f64>,
    /// Water at hand, litres
    #[arg(long, value_name = "LITRES", allow_hyphen_values = true, value_parser = large)]
    litres: Option<f64>,
}

/// Prints the litres, or the temperature.
///
/// # Errors
/// 64 where a figure makes no sense, 74 where the answer cannot be written.
pub fn run(args: &Args) -> Result<(), Failure> {
    let words = words();
    let (left, litres, celsius) = washed(args).map_err(|e| unfit(words, &e))?;
    let said = [
        ("litres", &*words.number(litres, 1)),
        ("water", &reckoned::figure(words, args.water)),
        ("left", &words.number(left, 1)),
        ("at", &reckoned::figure(words, args.at)),
        ("to", &words.number(celsius, 1)),
    ];
    let mut out = io::stdout().lock();
    writeln!(out, "{}\n{}", words.say("wash-answer", &said), words.say("reckon-wash-note", &[]))
        .map_err(|e| Failure::io(format_args!("the answer cannot be written ({e}); look at where it goes")))
}

/// Litres washed, litres of water, and where they bring it, °C.
fn washed(a: &Args) -> Result<(f64, f64, f64), Unfit> {
    let wash = Wash { milk_litres: a.milk, drawn_litres: a.drawn, celsius: a.at, water_celsius: a.water };
    let (litres, celsius) = match (a.to, a.litres.unwrap_or_default()) {
        (Some(to), _) => (wash.litres_to(to)?, to),
        (None, litres) => (litres, wash.celsius_with(litres)?),
    };
    Ok((wash.left_litres()?, litres, celsius))
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
        let got = Line::try_parse_from(words).ok().and_then(|l| washed(&l.args).ok());
        match (got, expected) {
            (Some(w), Some((litres, celsius))) => {
                assert!((w.1 - litres).abs() < 0.05 && (w.2 - celsius).abs() < 0.01, "{line}: {w:?}");
            }
            (got, expected) => assert_eq!(got.map(|w| w.1), expected.map(|e| e.0), "{line}"),
        }
    }

    #[test]
    fn washes_as_by_mass_balance() {
        // Mass balance: 67 L at 31 °C and 22 L at 60 °C; it lies near the end
        // point of the washed-curd recipe, 36 to 38 °C less losses.
        check("--milk 100 --drawn 33 --at 31 --water 60 --litres 22", Some((22.0, 38.17)));
        // Mass balance: 66.7 L from 31 to 37 °C.
        check("--milk 100 --drawn 33.3 --at 31 --water 60 --to 37", Some((17.4, 37.0)));
        check("--milk 100 --drawn 33,3 --at 31,0 --water 60,0 --to 37,0", Some((17.4, 37.0)));
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
