//! `curdtrace dose`: how much rennet.
//!
//! By Soxhlet strength and the time wanted, by IMCU, or by the supplier's own
//! figure. It advises; the test of the curd decides.

use std::io::{self, Write};

use super::error::Failure;
use crate::engine::clot::{self, SOXHLET_CELSIUS};

/// How much rennet: by Soxhlet strength and minutes, by IMCU, or by a supplier's figure
#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("kind").required(true).args(["strength", "imcu_per_ml", "ml_per_100l"])))]
pub struct Args {
    /// Milk, litres
    #[arg(long, value_name = "LITRES")]
    milk: f64,
    /// Soxhlet strength: 10000 means that 1 mL clots 10,000 mL of milk in 40 min at 35 °C
    #[arg(long, value_name = "F", requires = "minutes")]
    strength: Option<f64>,
    /// Minutes to first flocs
    #[arg(long, value_name = "MIN", group = "minutes")]
    floc: Option<f64>,
    /// Minutes until it has set; first flocs come at this ÷ --multiplier
    #[arg(long, value_name = "MIN", group = "minutes")]
    set: Option<f64>,
    /// Time to the set ÷ time to first flocs
    #[arg(long, value_name = "K", default_value_t = 2.0, requires = "set")]
    multiplier: f64,
    /// Temperature of the milk, °C
    #[arg(long, value_name = "°C", default_value_t = SOXHLET_CELSIUS, requires = "strength")]
    celsius: f64,
    /// Strength in IMCU to the millilitre (ISO 11815)
    #[arg(long, value_name = "IMCU", requires = "imcu_per_litre")]
    imcu_per_ml: Option<f64>,
    /// IMCU wanted to a litre of milk; 30 to 40 are usual
    #[arg(long, value_name = "IMCU")]
    imcu_per_litre: Option<f64>,
    /// The supplier's figure, mL to 100 litres of milk
    #[arg(long, value_name = "ML")]
    ml_per_100l: Option<f64>,
    /// What else changes the dose, such as 0.89 where calcium is added
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    factor: f64,
}

/// Prints the dose.
///
/// # Errors
/// 64 where a figure makes no sense, 74 where the answer cannot be written.
pub fn run(args: &Args) -> Result<(), Failure> {
    let (ml, how) = dose(args)?;
    let mut out = io::stdout().lock();
    writeln!(out, "{ml:.2} mL of rennet to {} L of milk\n{how}", args.milk)
        .map_err(|e| Failure::io(format_args!("the dose cannot be written ({e}); look at where it goes")))
}

/// Millilitres, and what they rest on.
fn dose(a: &Args) -> Result<(f64, String), Failure> {
    above_zero("--milk", a.milk)?;
    above_zero("--factor", a.factor)?;
    let (ml, how) = match (a.strength, a.imcu_per_ml, a.ml_per_100l) {
        (Some(strength), _, _) => by_strength(a, strength)?,
        (_, Some(per_ml), _) => {
            let per_litre = a.imcu_per_litre.unwrap_or_default();
            above_zero("--imcu-per-ml", per_ml)?;
            above_zero("--imcu-per-litre", per_litre)?;
            let how = format!("{per_litre} IMCU to the litre, {per_ml} IMCU in a millilitre (ISO 11815).");
            (clot::imcu_ml(per_litre * a.milk, per_ml), how)
        }
        (_, _, per_100l) => {
            let per_100l = per_100l.unwrap_or_default();
            above_zero("--ml-per-100l", per_100l)?;
            (per_100l * a.milk / 100.0, format!("{per_100l} mL to 100 L by the supplier's figure."))
        }
    };
    let ml = ml * a.factor;
    if !ml.is_finite() {
        return Err(Failure::usage("these figures give no dose; look at their units"));
    }
    Ok((ml, how))
}

fn by_strength(a: &Args, strength: f64) -> Result<(f64, String), Failure> {
    above_zero("--strength", strength)?;
    above_zero("--multiplier", a.multiplier)?;
    let floc_min = match (a.floc, a.set) {
        (Some(floc), _) => floc,
        (_, set) => set.unwrap_or_default() / a.multiplier,
    };
    above_zero("--floc or --set", floc_min)?;
    if !(20.0..=50.0).contains(&a.celsius) {
        return Err(Failure::usage(format_args!(
            "--celsius {}: milk below 20 °C hardly clots and above 50 °C the rennet dies; give 20 to 50",
            a.celsius
        )));
    }
    // Warmer milk clots sooner: the time that it would take at 35 °C.
    let slower = clot::relative_time(&[], a.celsius) / clot::relative_time(&[], SOXHLET_CELSIUS);
    let ml = clot::dose_ml(strength, a.milk, floc_min * 60.0 / slower);
    let how = format!(
        "Strength {strength} by Soxhlet: volumes of milk that one volume clots in 2,400 s (40 min) at 35 °C; \
         some suppliers count 45 min.\nFirst flocs after {floc_min:.0} min in milk at {} °C like the test's; \
         in practice it may need up to twice as much. Mark the flocs: they correct it.",
        a.celsius
    );
    Ok((ml, how))
}

/// Refuses what is not a figure above zero.
pub(super) fn above_zero(name: &str, value: f64) -> Result<(), Failure> {
    if value.is_finite() && value > 0.0 {
        return Ok(());
    }
    Err(Failure::usage(format_args!("{name} is {value}; give a figure above zero")))
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

    /// A command line, and the millilitres it gives (`None`: refused).
    fn check(line: &str, expected_ml: Option<f64>) {
        let words = std::iter::once("dose").chain(line.split_whitespace());
        let got = Line::try_parse_from(words).ok().and_then(|l| dose(&l.args).ok());
        match (got, expected_ml) {
            (Some((ml, _)), Some(expected)) => assert!((ml - expected).abs() < 0.01, "{line}: {ml}"),
            (got, expected) => assert_eq!(got.map(|g| g.0), expected, "{line}"),
        }
    }

    #[test]
    fn doses_as_published() {
        // Soxhlet's formula for 100 L at 1:10,000: 40, 20 and 15 min.
        check("--milk 100 --strength 10000 --floc 40", Some(10.0));
        check("--milk 100 --strength 10000 --floc 20", Some(20.0));
        check("--milk 100 --strength 10000 --floc 15", Some(26.67));
        // Setting is about twice the coagulation (university cheese pages).
        check("--milk 100 --strength 10000 --set 40", Some(20.0));
        // 200 mL to 1,000 kg (same pages): 50 mL to 250.
        check("--milk 250 --ml-per-100l 20", Some(50.0));
        // A maker's page: 11 mL × 0.89 for added calcium.
        check("--milk 100 --ml-per-100l 11 --factor 0.89", Some(9.79));
        // 4,000 IMCU to 100 L at 200, 175 and 600 IMCU/mL.
        check("--milk 100 --imcu-per-litre 40 --imcu-per-ml 200", Some(20.0));
        check("--milk 100 --imcu-per-litre 40 --imcu-per-ml 175", Some(22.86));
        check("--milk 100 --imcu-per-litre 40 --imcu-per-ml 600", Some(6.67));
        // Colder milk wants more: the textbook table's 30 °C against 35 °C.
        let more = clot::relative_time(&[], 30.0) / clot::relative_time(&[], 35.0);
        check("--milk 100 --strength 10000 --floc 20 --celsius 30", Some(20.0 * more));
    }

    #[test]
    fn refuses_nonsense() {
        check("--milk 100", None);
        check("--milk 100 --strength 10000", None);
        check("--milk 0 --strength 10000 --floc 20", None);
        check("--milk 100 --strength 10000 --floc 20 --celsius 70", None);
        check("--milk 100 --strength 10000 --floc 20 --ml-per-100l 20", None);
        check("--milk NaN --ml-per-100l 20", None);
        check("--milk 100 --imcu-per-ml 200", None);
    }
}
