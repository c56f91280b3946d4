//! How much rennet, how much wash water: the engine's sums, asked for.

use std::sync::Arc;

use axum::extract::{Json, State};
use serde::Deserialize;
use serde_json::{Value, json};

use super::{Problem, Wanted};
use crate::engine::amounts::{Rennet, Unfit, Wash};
use crate::engine::clot::SOXHLET_CELSIUS;
use crate::web::Room;
use crate::words::Words;
use crate::words::reckoned;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct DoseWanted {
    milk_litres: f64,
    strength: Option<f64>,
    floc_minutes: Option<f64>,
    celsius: Option<f64>,
    imcu_per_ml: Option<f64>,
    imcu_per_litre: Option<f64>,
    ml_per_100l: Option<f64>,
    factor: Option<f64>,
    language: Option<String>,
}

impl DoseWanted {
    fn rennet(&self) -> Result<Rennet, Problem> {
        match (
            self.strength.zip(self.floc_minutes),
            self.imcu_per_ml.zip(self.imcu_per_litre),
            self.ml_per_100l,
        ) {
            (Some((strength, floc_minutes)), None, None) => {
                let celsius = self.celsius.unwrap_or(SOXHLET_CELSIUS);
                Ok(Rennet::Soxhlet { strength, floc_minutes, celsius })
            }
            (None, Some((per_ml, per_litre)), None) => Ok(Rennet::Imcu { per_ml, per_litre }),
            (None, None, Some(ml_per_100l)) => Ok(Rennet::Supplier { ml_per_100l }),
            _ => Err(Problem::unfit(
                "give one of: `strength` with `floc_minutes`, `imcu_per_ml` with `imcu_per_litre`, or `ml_per_100l`",
            )),
        }
    }
}

pub(super) async fn dose(
    State(room): State<Arc<Room>>,
    Wanted(w): Wanted<DoseWanted>,
) -> Result<Json<Value>, Problem> {
    let unfit = |e| unfit(&room, w.language.as_deref(), &e);
    let ml = w.rennet()?.ml(w.milk_litres, w.factor.unwrap_or(1.0)).map_err(unfit)?;
    Ok(Json(json!({ "ml": ml })))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WashWanted {
    milk_litres: f64,
    drawn_litres: Option<f64>,
    celsius: f64,
    water_celsius: f64,
    to_celsius: Option<f64>,
    litres: Option<f64>,
    language: Option<String>,
}

pub(super) async fn wash(
    State(room): State<Arc<Room>>,
    Wanted(w): Wanted<WashWanted>,
) -> Result<Json<Value>, Problem> {
    let unfit = |e| unfit(&room, w.language.as_deref(), &e);
    let wash = Wash {
        milk_litres: w.milk_litres,
        drawn_litres: w.drawn_litres.unwrap_or(0.0),
        celsius: w.celsius,
        water_celsius: w.water_celsius,
    };
    let (litres, celsius) = match (w.to_celsius, w.litres) {
        (Some(to), None) => (wash.litres_to(to).map_err(unfit)?, to),
        (None, Some(litres)) => (litres, wash.celsius_with(litres).map_err(unfit)?),
        _ => return Err(Problem::unfit("give `to_celsius` or `litres`, one of them")),
    };
    Ok(Json(json!({ "litres": litres, "celsius": celsius })))
}

/// A figure that does not fit, by the page's label and in the language asked for,
/// else the dairy's.
fn unfit(room: &Room, language: Option<&str>, e: &Unfit) -> Problem {
    let words = Words::of(language.unwrap_or(&room.settings.language));
    Problem::unfit(reckoned::unfit(words, e, |name| reckoned::label(words, name)))
}
