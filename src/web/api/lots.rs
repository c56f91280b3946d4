//! Lots: yesterday's, a lot's sheet, the season.

use std::sync::Arc;

use axum::extract::{Json, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};

use super::plans::on_disk;
use super::{At, Problem, Wanted};
use crate::lot::store::Store;
use crate::web::Room;

/// A sheet may draw itself and do nothing else.
const SHEET_POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'; sandbox";

#[derive(Deserialize)]
pub(super) struct Stretch {
    limit: Option<u16>,
    before: Option<String>,
}

pub(super) async fn list(
    State(room): State<Arc<Room>>,
    Wanted(stretch): Wanted<Stretch>,
) -> Result<Json<Value>, Problem> {
    let lots = Store::on_disk(&room.seam.data);
    let limit = usize::from(stretch.limit.unwrap_or(50));
    if !(1..=500).contains(&limit) {
        return Err(Problem::new(StatusCode::BAD_REQUEST, "`limit` is from 1 to 500"));
    }
    on_disk(move || {
        let mut ids = ids(&lots);
        let count = ids.len();
        ids.retain(|id| stretch.before.as_ref().is_none_or(|b| id < b));
        let page: Vec<Value> = ids.iter().rev().take(limit).map(|id| summary(&lots, id)).collect();
        Ok(Json(json!({ "count": count, "lots": page })))
    })
    .await
}

pub(super) async fn show(State(room): State<Arc<Room>>, At(id): At<String>) -> Result<Json<Value>, Problem> {
    let lots = lots_with(&room, &id)?;
    on_disk(move || {
        let lot = read_toml(&lots, &id).ok_or_else(|| Problem::not_found("lot"))?;
        Ok(Json(json!({ "id": id, "closed": is_closed(&lots, &id), "lot": lot })))
    })
    .await
}

pub(super) async fn sheet(State(room): State<Arc<Room>>, At(id): At<String>) -> Result<Response, Problem> {
    let lots = lots_with(&room, &id)?;
    let html = on_disk(move || lots.file(&id, "sheet.html").map_err(|_| Problem::not_found("sheet"))).await?;
    let dress =
        [(header::CONTENT_TYPE, "text/html; charset=utf-8"), (header::CONTENT_SECURITY_POLICY, SHEET_POLICY)];
    Ok((dress, html).into_response())
}

pub(super) async fn season(State(room): State<Arc<Room>>) -> Result<Json<Value>, Problem> {
    let lots = Store::on_disk(&room.seam.data);
    on_disk(move || {
        let rows: Vec<Value> = ids(&lots).iter().rev().take(500).map(|id| summary(&lots, id)).collect();
        Ok(Json(json!({ "lots": rows })))
    })
    .await
}

/// The lots, where `id` is a plain name and one of them.
fn lots_with(room: &Room, id: &str) -> Result<Store, Problem> {
    let plain = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.');
    let fits = !id.is_empty() && id.len() <= 200 && !id.starts_with('.') && id.chars().all(plain);
    let lots = Store::on_disk(&room.seam.data);
    if fits && lots.folder(id).is_dir() { Ok(lots) } else { Err(Problem::not_found("lot")) }
}

fn ids(lots: &Store) -> Vec<String> {
    let folder = |id: &String| !id.starts_with('.') && lots.folder(id).is_dir();
    let names = lots.storage().list(&lots.data().join("lots")).unwrap_or_default();
    names.into_iter().filter(folder).collect()
}

fn is_closed(lots: &Store, id: &str) -> bool {
    lots.folder(id).join("SHA256SUMS").is_file()
}

fn read_toml(lots: &Store, id: &str) -> Option<Value> {
    let table: toml::Table = String::from_utf8(lots.file(id, "lot.toml").ok()?).ok()?.parse().ok()?;
    serde_json::to_value(table).ok()
}

/// What a list says of a lot. `lot.toml` is read as the contract has it, so
/// that a lot written by a later version still lists.
fn summary(lots: &Store, id: &str) -> Value {
    let lot = read_toml(lots, id).unwrap_or(Value::Null);
    let list = |key: &str| lot[key].as_array().map(Vec::as_slice).unwrap_or_default();
    let last = list("cook")
        .iter()
        .rev()
        .find_map(|c| Some((c["peak-celsius"].as_f64()?, c["target-celsius"].as_f64()?)));
    let kg: f64 = list("wheel").iter().filter_map(|w| w["kg"].as_f64()).sum();
    let litres = lot["milk"]["litres"].as_f64().filter(|l| *l > 0.0);
    let minutes = instant(&lot["opened"]).zip(instant(&lot["closed"])).map(|(o, c)| (c - o) / 60.0);
    json!({
        "id": id,
        "closed": is_closed(lots, id),
        "kettle": lot["kettle"].as_str(),
        "product": lot["product"].as_str(),
        "opened": lot["opened"].as_str(),
        "minutes": minutes.map(f64::round),
        "peak_celsius": last.map(|c| c.0),
        "over_celsius": last.map(|c| ((c.0 - c.1) * 100.0).round() / 100.0),
        "kg_per_100l": litres.filter(|_| kg > 0.0).map(|l| (kg / l * 1000.0).round() / 10.0),
        "score": lot["score"].as_f64(),
        "deviations": list("deviations").len(),
    })
}

/// An instant of `lot.toml`, seconds since 1970.
fn instant(value: &Value) -> Option<f64> {
    let t: jiff::Timestamp = value.as_str()?.parse().ok()?;
    Some(t.as_millisecond() as f64 / 1000.0)
}
