//! The baths: which ones, in which order, and what is true of each.

use super::talk::{Talk, tell};
use crate::cli::error::Failure;
use crate::config::dairy::Config;
use crate::sensor::boiling;
use crate::sensor::calibration::Against;
use crate::sensor::unit::typed_celsius;
use crate::wire::figure::{figure, large};

/// Flags that name baths.
#[derive(Debug, clap::Args)]
pub(super) struct BathArgs {
    /// The ice point: crushed ice and water, 0 °C
    #[arg(long)]
    ice: bool,
    /// The boiling point, by --barometer-hpa or by the altitude
    #[arg(long)]
    boiling: bool,
    /// A reference thermometer in the same bath, and what it shows (52.3, 126F, ask); up to five times
    #[arg(long, value_name = "CELSIUS")]
    reference: Vec<String>,
    /// The reference thermometer's name or number
    #[arg(long, value_name = "NAME", default_value = "reference")]
    reference_name: String,
    /// Its expanded uncertainty by its certificate, k = 2, °C
    #[arg(long, value_name = "CELSIUS", default_value_t = 0.2, value_parser = figure)]
    reference_uncertainty: f64,
    /// Height above the sea, m (default: the configuration's)
    #[arg(long, value_name = "M", allow_negative_numbers = true, value_parser = large)]
    altitude_m: Option<f64>,
    /// The barometer on the spot, hPa, not reduced to sea level
    #[arg(long, value_name = "HPA", conflicts_with = "altitude_m", value_parser = large)]
    barometer_hpa: Option<f64>,
}

/// One bath.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Bath {
    /// Known before the probe is in.
    Known(Against),
    /// A reference thermometer that is read when the probe stands.
    Asked {
        /// Its name.
        name: String,
        /// Its expanded uncertainty, °C.
        expanded_celsius: f64,
    },
}

impl BathArgs {
    /// The baths as meant; asks where no flag says.
    pub(super) fn resolved(&self, talk: &mut Talk, config: &Config) -> Result<Vec<Bath>, Failure> {
        let (mut ice, mut boiling, mut references) = (self.ice, self.boiling, self.reference.clone());
        if !ice && !boiling && references.is_empty() {
            if !talk.is_person() {
                return Err(Failure::usage("say against what: --ice, --boiling, --reference 52.3"));
            }
            tell("What do you have? Type the numbers, such as 12.");
            tell("  1  crushed ice and water");
            tell("  2  boiling water");
            tell("  3  a reference thermometer");
            let chosen = talk.answer(None, "--ice, --boiling or --reference", "")?;
            ice = chosen.contains('1');
            boiling = chosen.contains('2');
            if chosen.contains('3') {
                let many = talk.answer(None, "--reference", "At how many temperatures? 1 to 5.")?;
                let many: usize = many.parse().ok().filter(|n| (1..=5).contains(n)).unwrap_or(1);
                references = vec!["ask".to_owned(); many];
            }
        }
        if references.len() > 5 {
            return Err(Failure::usage("--reference is taken five times at most"));
        }
        if !(0.001..=5.0).contains(&self.reference_uncertainty) {
            return Err(Failure::usage("--reference-uncertainty is 0.001 to 5 °C, by the certificate"));
        }
        let mut baths = Vec::new();
        if ice {
            baths.push(Bath::Known(Against::Ice));
        }
        if boiling {
            baths.push(Bath::Known(self.boiling_point(talk, config)?));
        }
        for text in references {
            baths.push(self.reference(&text)?);
        }
        if baths.is_empty() {
            return Err(Failure::usage("nothing to calibrate against; say --ice, --boiling or --reference"));
        }
        Ok(baths)
    }

    fn boiling_point(&self, talk: &Talk, config: &Config) -> Result<Against, Failure> {
        let against = if let Some(hpa) = self.barometer_hpa {
            Against::BoilingAtPressure(hpa)
        } else if let Some(m) = self.altitude_m {
            Against::BoilingAtAltitude(m)
        } else if config.altitude_m.abs() >= 1.0 {
            Against::BoilingAtAltitude(config.altitude_m)
        } else {
            let text =
                talk.answer(None, "--altitude-m or --barometer-hpa", "How high is it here, in metres?")?;
            let m = large(text.trim_end_matches('m'));
            Against::BoilingAtAltitude(
                m.map_err(|_| Failure::usage(format!("{text:?} is no height in metres")))?,
            )
        };
        if against.true_celsius().is_none() {
            return Err(Failure::usage(
                "the altitude is −400 to 5000 m, the barometer 500 to 1100 hPa as it stands there, not reduced to sea level",
            ));
        }
        Ok(against)
    }

    fn reference(&self, text: &str) -> Result<Bath, Failure> {
        let (name, expanded_celsius) = (self.reference_name.clone(), self.reference_uncertainty);
        if text == "ask" {
            return Ok(Bath::Asked { name, expanded_celsius });
        }
        Ok(Bath::Known(Against::Reference { name, celsius: reference_celsius(text)?, expanded_celsius }))
    }
}

/// What a reference thermometer shows, within what a kettle can be.
fn reference_celsius(text: &str) -> Result<f64, Failure> {
    let celsius = typed_celsius(text).map_err(Failure::usage)?;
    if (-30.0..=120.0).contains(&celsius) {
        return Ok(celsius);
    }
    Err(Failure::usage(format!("a reference of {celsius} °C is beyond any kettle; −30 to 120 °C are taken")))
}

impl Bath {
    /// What to do, in one or two sentences.
    pub(super) fn instruction(&self) -> String {
        match self {
            Self::Known(Against::Ice) => {
                "ICE. Crushed ice, filled up with water, stirred. Probe in the middle, off the wall."
                    .to_owned()
            }
            Self::Known(a @ (Against::BoilingAtAltitude(_) | Against::BoilingAtPressure(_))) => format!(
                "BOILING WATER. It must boil hard; here that is {:.2} °C{}. Probe deep in, off the wall and the bottom. Mind the steam.",
                a.true_celsius().unwrap_or(f64::NAN),
                if matches!(a, Against::BoilingAtAltitude(_)) {
                    format!(" on an ordinary day, the weather moves it by ±{} °C", boiling::WEATHER_CELSIUS)
                } else {
                    String::new()
                }
            ),
            Self::Known(Against::Reference { name, celsius, .. }) => {
                format!("REFERENCE {name}, {celsius:.2} °C. Both in the same bath, side by side, stirred.")
            }
            Self::Asked { name, .. } => {
                format!("REFERENCE {name}. Both in the same bath, side by side, stirred.")
            }
        }
    }

    /// Whether its temperature is known to be another than the one before.
    pub(super) fn differs_from(&self, before: Option<&Self>) -> bool {
        match (self, before) {
            (Self::Known(a), Some(Self::Known(b))) => match (a.true_celsius(), b.true_celsius()) {
                (Some(a), Some(b)) => (a - b).abs() > 2.0 * super::wait::MOVED_CELSIUS,
                _ => false,
            },
            _ => false,
        }
    }

    /// What is true, now that the probe stands.
    pub(super) fn against(&self, talk: &mut Talk) -> Result<Against, Failure> {
        match self {
            Self::Known(against) => Ok(against.clone()),
            Self::Asked { name, expanded_celsius } => {
                let text = talk.answer(None, "--reference", "What does the reference thermometer show?")?;
                let celsius = reference_celsius(&text)?;
                Ok(Against::Reference { name: name.clone(), celsius, expanded_celsius: *expanded_celsius })
            }
        }
    }
}
