//! What persons enter into a lot: its fields, and the wheels that came out.
//!
//! It goes the way of the commands, through the data folder's inbox, so that there is
//! one that changes lots, and a request that was put there outlasts a power cut.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::{Json, State};
use serde::Deserialize;
use serde_json::{Value, json};

use super::beside::on_disk;
use super::kettles::person;
use super::lots::{lots_with, now, unread};
use super::{At, InLanguage, Problem, Said, StatusCode, Wanted};
use crate::lot::correct::{FIELDS, entered};
use crate::lot::inbox::{Ask, Heard, Inbox, Request};
use crate::lot::record::Wheel;
use crate::web::Room;
use crate::words::Words;

/// So long a person waits before it is taken back: less than an answer may take.
const PATIENCE: Duration = Duration::from_secs(4);
/// The most that one field may hold, characters.
const LONGEST: usize = 2_000;

/// A lot that opens by itself has its kettle and mother from there; a person seldom has
/// another to say, and says it at the command line.
fn is_asked_for(field: &str) -> bool {
    !matches!(field, "kettle" | "mother")
}

/// What can be entered, in the order of the work, with what stands already.
pub(super) async fn fields(
    State(room): State<Arc<Room>>,
    At(id): At<String>,
    Wanted(w): Wanted<InLanguage>,
) -> Result<Json<Value>, Problem> {
    let words = Words::of(w.language.as_deref().unwrap_or(&room.settings.language));
    on_disk(move || {
        let lots = lots_with(&room.seam.data, &id)?;
        let record = lots.load(&id).map_err(|e| unread(&e))?;
        let stands =
            entered(&record).map_err(|e| Problem::new(StatusCode::INTERNAL_SERVER_ERROR, e.to_string()))?;
        // First what goes in, in the order of the work; then what is said of the whole.
        let (parts, whole): (Vec<_>, Vec<_>) = FIELDS
            .iter()
            .filter(|(field, _)| is_asked_for(field))
            .partition(|(field, _)| field.contains('.'));
        let fields: Vec<Value> = parts
            .into_iter()
            .chain(whole)
            .map(|(field, _)| {
                let label = words.one_of("field", &field.replace('.', "-"));
                json!({ "field": field, "label": label, "value": stands.get(field) })
            })
            .collect();
        Ok(Json(json!({ "closed": record.is_closed(), "fields": fields })))
    })
    .await
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FieldsSaid {
    fields: BTreeMap<String, String>,
    by: Option<String>,
    reason: Option<String>,
}

/// Enters or corrects fields.
pub(super) async fn enter(
    State(room): State<Arc<Room>>,
    At(lot): At<String>,
    Said(said): Said<FieldsSaid>,
) -> Result<Json<Value>, Problem> {
    let too_long = |text: &String| text.chars().count() > LONGEST;
    if said.fields.is_empty() || said.fields.values().chain(&said.reason).any(too_long) {
        return Err(Problem::unfit(format!(
            "`fields` names at least one; a value and `reason` have at most {LONGEST} characters"
        )));
    }
    let reason = said.reason.map(|r| r.trim().to_owned()).filter(|r| !r.is_empty());
    let fields = said.fields.into_iter().collect();
    carried_out(room, said.by, lot, move |lot| Ask::Set { lot, fields, reason }).await
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WheelSaid {
    wheel: String,
    kg: Option<f64>,
    note: Option<String>,
    by: Option<String>,
}

/// A wheel came out.
pub(super) async fn wheel(
    State(room): State<Arc<Room>>,
    At(lot): At<String>,
    Said(said): Said<WheelSaid>,
) -> Result<Json<Value>, Problem> {
    let wheel = Wheel { wheel: said.wheel.trim().to_owned(), kg: said.kg, note: said.note };
    carried_out(room, said.by, lot, move |lot| Ask::Wheels { lot, wheels: vec![wheel] }).await
}

/// Asks for it and waits for what became of it.
async fn carried_out(
    room: Arc<Room>,
    by: Option<String>,
    lot: String,
    ask: impl FnOnce(String) -> Ask,
) -> Result<Json<Value>, Problem> {
    let by = person(by)?.map(|by| by.to_string());
    let request = Request { at: now(&room), by, ask: ask(lot.clone()) };
    on_disk(move || {
        let lots = lots_with(&room.seam.data, &lot)?;
        let heard = Inbox::of(&**lots.storage(), lots.data()).and_then(|inbox| {
            let name = inbox.ask(&request, std::process::id())?;
            inbox.hear(&name, PATIENCE)
        });
        let failed = |e: std::io::Error| Problem::new(StatusCode::INTERNAL_SERVER_ERROR, e.to_string());
        match heard.map_err(failed)? {
            Heard::Answer(answer) if answer.code == 0 => Ok(Json(json!({ "text": answer.text }))),
            Heard::Answer(answer) => Err(Problem::unfit(answer.text)),
            Heard::TakenBack => Err(Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "the daemon did not begin with it, and nothing was entered; try again, and look at its log",
            )),
            Heard::StillInHand => Err(Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "it is being carried out and takes long; look at the lot before it is entered again",
            )),
        }
    })
    .await
}
