//! The kettles: what is known, marks, alarms, plan, stage.

use std::sync::Arc;
use std::time::Duration;

use axum::extract::{Json, State};
use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::time::Instant;

use super::{At, Problem, Said, ask};
use crate::engine::alarm::AlarmKind;
use crate::engine::event::{Ask, Command, Mark, MarkKind, Name};
use crate::engine::stage::Stage;
use crate::web::Room;
use crate::web::marks::LONGEST_HOLD_S;
use crate::web::seam::Wish;
use crate::web::state::{self, Moment};
use crate::wire::line::{LineError, mark_kind};

/// Longest free words of a note, characters.
const NOTE_MOST: usize = 500;
/// Longest shelving, minutes: a morning.
const SHELVE_MOST_MIN: u32 = 240;

pub(super) async fn state(State(room): State<Arc<Room>>) -> Json<Value> {
    let seen = room.seam.snapshot.borrow().clone();
    Json(state::whole(Moment::at(&seen, Instant::now()), &room.run, &room.held.list()))
}

/// The kettle's own name, where there is one of that name.
pub(super) fn kettle(room: &Room, name: &str) -> Result<Name, Problem> {
    let seen = room.seam.snapshot.borrow().clone();
    let found = seen.view.kettles.iter().find(|k| &*k.kettle == name).map(|k| k.kettle.clone());
    found.ok_or_else(|| Problem::not_found("kettle"))
}

/// A person's name as said: trimmed, of a sensible length, without control
/// characters.
pub(super) fn person(by: Option<String>) -> Result<Option<Name>, Problem> {
    let Some(by) = by else { return Ok(None) };
    let by = by.trim();
    if by.chars().count() > 60 || by.chars().any(char::is_control) {
        return Err(Problem::unfit("`by` is a name of at most 60 characters"));
    }
    Ok((!by.is_empty()).then(|| Name::from(by)))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct MarkSaid {
    name: String,
    value: Option<f64>,
    celsius: Option<f64>,
    text: Option<String>,
    by: Option<String>,
    hold_s: Option<f64>,
}

impl MarkSaid {
    fn kind(&self) -> Result<MarkKind, Problem> {
        // What is given must fit even where this mark has no use for it.
        if self.value.is_some_and(|v| !(0.0..=14.0).contains(&v)) {
            return Err(Problem::unfit("`value` is from 0 to 14"));
        }
        if self.celsius.is_some_and(|c| !(0.0..=110.0).contains(&c)) {
            return Err(Problem::unfit("`celsius` is from 0 to 110"));
        }
        if self.text.as_ref().is_some_and(|t| t.chars().count() > NOTE_MOST) {
            return Err(Problem::unfit(format!("`text` has at most {NOTE_MOST} characters")));
        }
        let note = (self.name == "note").then(|| self.note()).transpose()?;
        mark_kind(&self.name, self.value, self.celsius, note).map_err(|e| match e {
            LineError::Missing { .. } if self.name == "ph" => {
                Problem::unfit("a pH has a `value` from 0 to 14")
            }
            LineError::Missing { .. } => Problem::unfit("a target has `celsius` from 0 to 110"),
            _ => Problem::unfit("there is no mark of that name"),
        })
    }

    fn note(&self) -> Result<String, Problem> {
        let text = self.text.as_deref().unwrap_or_default().trim();
        let fits = !text.is_empty() && !text.chars().any(char::is_control);
        fits.then(|| text.to_owned()).ok_or_else(|| {
            Problem::unfit(format!("a note has `text` of 1 to {NOTE_MOST} characters on one line"))
        })
    }
}

/// Takes a mark: at once, or held for a few seconds in which it can be
/// withdrawn.
pub(super) async fn mark(
    State(room): State<Arc<Room>>,
    At(name): At<String>,
    Said(said): Said<MarkSaid>,
) -> Result<(StatusCode, Json<Value>), Problem> {
    let kettle = kettle(&room, &name)?;
    let kind = said.kind()?;
    let hold_s = said.hold_s.unwrap_or(0.0);
    if !(0.0..=LONGEST_HOLD_S).contains(&hold_s) {
        return Err(Problem::unfit(format!("`hold_s` is from 0 to {LONGEST_HOLD_S} seconds")));
    }
    let mark = Mark { kettle, kind, by: person(said.by)? };
    if hold_s > 0.0 {
        let id = room.held.hold(mark, Duration::from_secs_f64(hold_s));
        return Ok((StatusCode::ACCEPTED, Json(json!({ "id": id, "held_s": hold_s }))));
    }
    ask(&room, Wish::Mark(mark, Duration::ZERO)).await?;
    Ok((StatusCode::OK, Json(json!({ "taken": true }))))
}

/// Withdraws a mark that still waits.
pub(super) async fn withdraw(State(room): State<Arc<Room>>, At(id): At<u64>) -> Result<StatusCode, Problem> {
    if room.held.withdraw(id) {
        Ok(StatusCode::NO_CONTENT)
    } else {
        Err(Problem::new(
            StatusCode::NOT_FOUND,
            "it is recorded already, or was withdrawn; add a note instead",
        ))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TakeSaid {
    alarm: Option<String>,
    by: Option<String>,
}

impl TakeSaid {
    fn ask(&self) -> Result<Ask, Problem> {
        Ok(Ask::Acknowledge(self.alarm.as_deref().map(alarm_named).transpose()?))
    }
}

/// Takes one alarm, or all of the kettle's.
pub(super) async fn take(
    State(room): State<Arc<Room>>,
    At(name): At<String>,
    Said(said): Said<TakeSaid>,
) -> Result<StatusCode, Problem> {
    let asked = said.ask()?;
    command(&room, &name, said.by, asked).await
}

/// Takes one alarm of the house's own, or all of them.
pub(super) async fn take_house(
    State(room): State<Arc<Room>>,
    Said(said): Said<TakeSaid>,
) -> Result<StatusCode, Problem> {
    let asked = said.ask()?;
    command_to(&room, Name::from(""), said.by, asked).await
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ShelveSaid {
    alarm: String,
    minutes: u32,
    by: Option<String>,
}

impl ShelveSaid {
    fn ask(&self) -> Result<Ask, Problem> {
        let which = alarm_named(&self.alarm)?;
        if self.minutes > SHELVE_MOST_MIN {
            return Err(Problem::unfit(format!("`minutes` is from 0 to {SHELVE_MOST_MIN}")));
        }
        Ok(if self.minutes == 0 { Ask::Unshelve(which) } else { Ask::Shelve(which, self.minutes * 60) })
    }
}

/// Silences an alarm for some minutes; 0 ends that early.
pub(super) async fn shelve(
    State(room): State<Arc<Room>>,
    At(name): At<String>,
    Said(said): Said<ShelveSaid>,
) -> Result<StatusCode, Problem> {
    let asked = said.ask()?;
    command(&room, &name, said.by, asked).await
}

/// The same for an alarm of the house's own.
pub(super) async fn shelve_house(
    State(room): State<Arc<Room>>,
    Said(said): Said<ShelveSaid>,
) -> Result<StatusCode, Problem> {
    let asked = said.ask()?;
    command_to(&room, Name::from(""), said.by, asked).await
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PlanSaid {
    plan: Option<String>,
    by: Option<String>,
}

/// Follows a plan of the folder, or none.
pub(super) async fn follow_plan(
    State(room): State<Arc<Room>>,
    At(name): At<String>,
    Said(said): Said<PlanSaid>,
) -> Result<StatusCode, Problem> {
    let plan = match said.plan {
        Some(id) => Some(Arc::new(super::plans::load(&room, &id).await?)),
        None => None,
    };
    command(&room, &name, said.by, Ask::Follow(plan)).await
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StageSaid {
    stage: String,
    by: Option<String>,
}

/// A person says which stage it is.
pub(super) async fn say_stage(
    State(room): State<Arc<Room>>,
    At(name): At<String>,
    Said(said): Said<StageSaid>,
) -> Result<StatusCode, Problem> {
    let stage = Stage::named(&said.stage).ok_or_else(|| Problem::unfit("there is no stage of that name"))?;
    command(&room, &name, said.by, Ask::Stage(stage)).await
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct EndSaid {
    by: Option<String>,
}

/// Ends the make now.
pub(super) async fn end(
    State(room): State<Arc<Room>>,
    At(name): At<String>,
    Said(said): Said<EndSaid>,
) -> Result<StatusCode, Problem> {
    let kettle = kettle(&room, &name)?;
    // What was marked in the last seconds is of this make.
    room.held.pass_on_all(Some(&kettle)).await;
    command_to(&room, kettle, said.by, Ask::EndMake).await
}

/// Sends every outlet a test.
pub(super) async fn test_outlets(State(room): State<Arc<Room>>) -> Result<StatusCode, Problem> {
    ask(&room, Wish::TestOutlets).await?;
    Ok(StatusCode::NO_CONTENT)
}

async fn command(room: &Room, name: &str, by: Option<String>, asked: Ask) -> Result<StatusCode, Problem> {
    command_to(room, kettle(room, name)?, by, asked).await
}

async fn command_to(
    room: &Room,
    kettle: Name,
    by: Option<String>,
    asked: Ask,
) -> Result<StatusCode, Problem> {
    ask(room, Wish::Command(Command { kettle, by: person(by)?, ask: asked })).await?;
    Ok(StatusCode::NO_CONTENT)
}

fn alarm_named(name: &str) -> Result<AlarmKind, Problem> {
    AlarmKind::named(name).ok_or_else(|| Problem::unfit("there is no alarm of that name"))
}
