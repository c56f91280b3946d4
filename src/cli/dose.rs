//! `curdtrace dose`: how much rennet.
//!
//! By Soxhlet strength and the time wanted, by IMCU, or by the supplier's own
//! figure. It advises; the test of the curd decides.

use std::io::{self, Write};

use super::error::Failure;
use crate::engine::amounts::{self, Rennet, Unfit};
use crate::engine::clot::SOXHLET_CELSIUS;
use crate::web::reckoned;
use crate::wire::figure::{figure, large};
use crate::words::Words;

/// How much rennet: by Soxhlet strength and minutes, by IMCU, or by a supplier's figure
#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("kind").required(true).args(["strength", "imcu_per_ml", "ml_per_100l"])))]
pub struct Args {
    /// Milk, litres
    #[arg(long, value_name = "LITRES", allow_hyphen_values = true, value_parser = large)]
    milk: f64,
    /// Soxhlet strength: 10000 means that 1 mL clots 10,000 mL of milk in 40 min at 35 °C
    #[arg(long, value_name = "F", requires = "minutes", allow_hyphen_values = true, value_parser = large)]
    strength: Option<f64>,
    /// Minutes to first flocs
    #[arg(long, value_name = "MIN", group = "minutes", allow_hyphen_values = true, value_parser = figure)]
    floc: Option<f64>,
    /// Minutes until it has set; first flocs come at this ÷ --multiplier
    #[arg(long, value_name = "MIN", group = "minutes", allow_hyphen_values = true, value_parser = figure)]
    set: Option<f64>,
    /// Time to the set ÷ time to first flocs
    #[arg(long, value_name = "K", default_value_t = 2.0, requires = "set", allow_hyphen_values = true, value_parser = figure)]
    multiplier: f64,
    /// Temperature of the milk, °C
    #[arg(long, value_name = "°C", default_value_t = SOXHLET_CELSIUS, requires = "strength", allow_hyphen_values = true, value_parser = figure)]
    celsius: f64,
    /// Strength in IMCU to the millilitre (ISO 11815)
    #[arg(long, value_name = "IMCU", requires = "imcu_per_litre", allow_hyphen_values = true, value_parser = large)]
    imcu_per_ml: Option<f64>,
    /// IMCU wanted to a litre of milk; 30 to 40 are usual
    #[arg(long, value_name = "IMCU", allow_hyphen_values = true, value_parser = figure)]
    imcu_per_litre: Option<f64>,
    /// The supplier's figure, mL to 100 litres of milk
    #[arg(long, value_name = "ML", allow_hyphen_values = true, value_parser = figure)]
    ml_per_100l: Option<f64>,
    /// What else changes the dose, such as 0.89 where calcium is added
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0, allow_hyphen_values = true, value_parser = figure)]
    factor: f64,
}

/// Prints the dose.
///
/// # Errors
/// 64 where a figure makes no sense, 74 where the answer cannot be written.
pub fn run(args: &Args) -> Result<(), Failure> {
    let words = words();
    let (ml, rennet) = dose(args).map_err(|e| unfit(words, &e))?;
    let answer = [("ml", &*words.number(ml, 2)), ("litres", &reckoned::figure(words, args.milk))];
    let mut out = io::stdout().lock();
    writeln!(out, "{}\n{}", words.say("dose-answer", &answer), how(words, &rennet))
        .map_err(|e| Failure::io(format_args!("the dose cannot be written ({e}); look at where it goes")))
}

/// The language of the terminal (`LC_ALL`, `LC_MESSAGES`, `LANG`), as programs
/// choose it; English where it is none of ours.
pub(super) fn words() -> &'static Words {
    let set = ["LC_ALL", "LC_MESSAGES", "LANG"].map(|v| std::env::var(v).unwrap_or_default());
    Words::of(set.iter().find(|v| !v.is_empty()).map_or("en", String::as_str))
}

/// Millilitres, and what they rest on.
fn dose(a: &Args) -> Result<(f64, Rennet), Unfit> {
    let rennet = rennet(a)?;
    Ok((rennet.ml(a.milk, a.factor)?, rennet))
}

fn rennet(a: &Args) -> Result<Rennet, Unfit> {
    Ok(match (a.strength, a.imcu_per_ml, a.ml_per_100l) {
        (Some(strength), _, _) => {
            amounts::above_zero("multiplier", a.multiplier)?;
            let floc_minutes = a.floc.or(a.set.map(|set| set / a.multiplier)).unwrap_or_default();
            Rennet::Soxhlet { strength, floc_minutes, celsius: a.celsius }
        }
        (_, Some(per_ml), _) => Rennet::Imcu { per_ml, per_litre: a.imcu_per_litre.unwrap_or_default() },
        (_, _, per_100l) => Rennet::Supplier { ml_per_100l: per_100l.unwrap_or_default() },
    })
}

/// What the dose rests on.
fn how(words: &Words, rennet: &Rennet) -> String {
    let fig = |value: &f64| reckoned::figure(words, *value);
    match rennet {
        Rennet::Soxhlet { strength, floc_minutes, celsius } => {
            let min = words.number(*floc_minutes, 0);
            let values = [("strength", &*fig(strength)), ("min", &min), ("celsius", &fig(celsius))];
            format!("{}\n{}", words.say("dose-by-strength", &values), words.say("reckon-dose-note", &[]))
        }
        Rennet::Imcu { per_ml, per_litre } => {
            words.say("dose-by-imcu", &[("litre", &fig(per_litre)), ("ml", &fig(per_ml))])
        }
        Rennet::Supplier { ml_per_100l } => words.say("dose-by-supplier", &[("ml", &fig(ml_per_100l))]),
    }
}

/// A figure that does not fit, by its option.
pub(super) fn unfit(words: &Words, e: &Unfit) -> Failure {
    Failure::usage(reckoned::unfit(words, e, |name| format!("--{name}")))
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;
    use crate::engine::clot;

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
        check("--milk 250,5 --ml-per-100l 20,5", Some(51.35));
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
        // Ten litres were no thousand.
        check("--milk 1,000 --ml-per-100l 20", None);
        check("--milk 100", None);
        check("--milk 100 --strength 10000", None);
        check("--milk 0 --strength 10000 --floc 20", None);
        check("--milk 100 --strength 10000 --floc 20 --celsius 70", None);
        check("--milk 100 --strength 10000 --floc 20 --ml-per-100l 20", None);
        check("--milk NaN --ml-per-100l 20", None);
        check("--milk 100 --imcu-per-ml 200", None);
    }

    /// It said "unexpected argument '-4'".
    #[test]
    fn a_figure_below_zero_is_refused_for_what_it_is() {
        let args = ["dose", "--milk", "-4", "--strength", "10000", "--floc", "12"];
        let args = Line::try_parse_from(args).unwrap().args;
        let why = unfit(Words::of("en"), &dose(&args).unwrap_err()).to_string();
        assert!(why.contains("--milk") && why.contains("zero"), "{why}");
        assert!(args.milk < 0.0);
    }
}
