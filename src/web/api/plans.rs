//! Plans: chosen and edited.
//!
//! A plan is one TOML file of the plans' folder; its id is the file's name
//! without `.toml`. What is sent is checked as `curdtrace check` would, and
//! nothing faulty is kept.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use axum::extract::{Json, State};
use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::{Value, json};

use super::beside::on_disk;
use super::{At, Problem, Said};
use crate::config::{self, whole_file};
use crate::engine::plan::Plan;
use crate::web::Room;
use crate::web::state::planned;

/// Most plans that are listed.
const PLANS_MOST: usize = 500;

pub(super) async fn list(State(room): State<Arc<Room>>) -> Result<Json<Value>, Problem> {
    let folder = room.settings.plans.clone();
    let plans = on_disk(move || {
        let mut ids: Vec<String> = fs::read_dir(&folder)
            .map(|entries| {
                let files = entries.flatten().map(|e| e.path()).filter(|p| p.is_file());
                files.filter_map(|p| id_of(&p)).take(PLANS_MOST).collect()
            })
            .unwrap_or_default();
        ids.sort();
        Ok(ids.into_iter().map(|id| listed(&folder, &id)).collect::<Vec<Value>>())
    })
    .await?;
    Ok(Json(json!({ "plans": plans })))
}

fn listed(folder: &Path, id: &str) -> Value {
    match config::plan::read(&path(folder, id)) {
        Ok(plan) => json!({ "id": id, "name": plan.name, "stages": planned(&plan) }),
        Err(faults) => json!({ "id": id, "name": id, "faults": texts(&faults) }),
    }
}

pub(super) async fn show(State(room): State<Arc<Room>>, At(id): At<String>) -> Result<Json<Value>, Problem> {
    let id = fit(&id)?;
    let file = path(&room.settings.plans, &id);
    let text = on_disk(move || {
        // A pipe would be waited for.
        if fs::metadata(&file).is_ok_and(|m| !m.is_file()) {
            return Err(Problem::not_found("plan"));
        }
        fs::read_to_string(&file).map_err(|e| of_disk(&e, "read"))
    })
    .await?;
    let mut out = json!({ "id": id, "toml": text });
    match config::plan::parse(&text, &id) {
        Ok(plan) => out["plan"] = meant(&plan),
        Err(faults) => out["faults"] = json!(texts(&faults)),
    }
    Ok(Json(out))
}

/// A plan as JSON, for the page's form.
fn meant(plan: &Plan) -> Value {
    let stages: Value = plan
        .stages
        .iter()
        .map(|s| {
            json!({
                "kind": s.kind.name(),
                "to_celsius": s.to_celsius,
                "minutes": s.minutes,
                "optional": s.optional,
                "points": s.points,
                "band_celsius": s.band_celsius,
            })
        })
        .collect();
    json!({
        "name": plan.name,
        "reaction_s": plan.reaction_s,
        "tolerance_celsius": plan.tolerance_celsius,
        "get_ready_minutes": plan.get_ready_minutes,
        "altitude_m": plan.altitude_m,
        "litres": plan.litres,
        "stages": stages,
    })
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PlanText {
    toml: String,
}

/// Keeps a plan, new or changed.
pub(super) async fn keep(
    State(room): State<Arc<Room>>,
    At(id): At<String>,
    Said(said): Said<PlanText>,
) -> Result<Json<Value>, Problem> {
    let id = fit(&id)?;
    let plan = config::plan::parse(&said.toml, &format!("{id}.toml"))
        .map_err(|f| Problem::unfit("the plan has faults; nothing was changed").with(texts(&f)))?;
    let folder = room.settings.plans.clone();
    let file = path(&folder, &id);
    on_disk(move || {
        let kept = || {
            fs::create_dir_all(&folder)?;
            whole_file::put(&file, &said.toml, 0o666)?;
            whole_file::settle(&file)
        };
        kept().map_err(|e: io::Error| of_disk(&e, "kept"))
    })
    .await?;
    Ok(Json(json!({ "id": id, "name": plan.name })))
}

/// Removes a plan that no kettle is configured with: without that the daemon would not
/// start again.
pub(super) async fn remove(State(room): State<Arc<Room>>, At(id): At<String>) -> Result<StatusCode, Problem> {
    let file = path(&room.settings.plans, &fit(&id)?);
    on_disk(move || {
        let is_it = |other: &Path| *other == file || fs::canonicalize(other).ok() == fs::canonicalize(&file).ok();
        if let Some((kettle, _)) = room.settings.configured_plans.iter().find(|(_, plan)| is_it(plan)) {
            let why = format!(
                "kettle {kettle} is configured with this plan; give its [[kettle]] another in the configuration first"
            );
            return Err(Problem::new(StatusCode::CONFLICT, why));
        }
        fs::remove_file(&file).map_err(|e| of_disk(&e, "removed"))
    })
    .await?;
    Ok(StatusCode::NO_CONTENT)
}

/// What the disk says of a plan's file.
fn of_disk(e: &io::Error, done: &str) -> Problem {
    if e.kind() == io::ErrorKind::NotFound {
        return Problem::not_found("plan");
    }
    Problem::new(StatusCode::INTERNAL_SERVER_ERROR, format!("the plan could not be {done}: {e}"))
}

/// A plan of the folder, checked.
pub(super) async fn load(room: &Room, id: &str) -> Result<Plan, Problem> {
    let id = fit(id)?;
    let file = path(&room.settings.plans, &id);
    on_disk(move || {
        if !file.is_file() {
            return Err(Problem::not_found("plan"));
        }
        config::plan::read(&file)
            .map_err(|f| Problem::unfit("the plan has faults; mend it first").with(texts(&f)))
    })
    .await
}

/// An id that is a plain file name: letters, digits, `-` and `_`, 64 at most.
fn fit(id: &str) -> Result<String, Problem> {
    let plain = |c: char| c.is_alphanumeric() || c == '-' || c == '_';
    if (1..=64).contains(&id.chars().count()) && id.len() <= 200 && id.chars().all(plain) {
        Ok(id.to_owned())
    } else {
        Err(Problem::not_found("plan"))
    }
}

fn path(folder: &Path, id: &str) -> PathBuf {
    folder.join(format!("{id}.toml"))
}

fn id_of(path: &Path) -> Option<String> {
    (path.extension()? == "toml").then(|| path.file_stem()?.to_str().map(str::to_owned)).flatten()
}

fn texts(faults: &[config::Fault]) -> Vec<String> {
    faults.iter().map(ToString::to_string).collect()
}

#[cfg(test)]
mod tests {
    use super::fit;

    #[test]
    fn an_id_never_leaves_the_folder() {
        for bad in ["", "..", "a/b", "a\\b", ".hidden", "a.toml", "a\0", &"x".repeat(65)] {
            assert!(fit(bad).is_err(), "{bad:?}");
        }
        assert!(fit("Semi-cooked_2").is_ok());
        assert!(fit("mezza-pasta-cotta-à").is_ok());
    }
}
