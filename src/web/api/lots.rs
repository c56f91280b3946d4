//! Lots: yesterday's, a lot's sheet, the season.

use std::io::ErrorKind;
use std::sync::Arc;

use axum::extract::{Json, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::time::Instant;

use super::plans::on_disk;
use super::{At, Problem, Wanted};
use crate::lot::at::At as Moment;
use crate::lot::record::{CookDone, Record};
use crate::lot::sheet::render;
use crate::lot::store::{LotError, Store};
use crate::web::{Room, state};

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
        let mut ids = ids(&lots)?;
        let count = ids.len();
        ids.retain(|id| stretch.before.as_ref().is_none_or(|b| id < b));
        let page: Vec<Value> = ids.iter().rev().take(limit).map(|id| summary(&lots, id)).collect();
        Ok(Json(json!({ "count": count, "lots": page })))
    })
    .await
}

/// A lot's record: a closed one's as its file has it, an open one's as the journal tells
/// it now.
pub(super) async fn show(State(room): State<Arc<Room>>, At(id): At<String>) -> Result<Json<Value>, Problem> {
    let lots = lots_with(&room, &id)?;
    let now = now(&room);
    on_disk(move || {
        let closed = lots.load(&id).map_err(|e| unread(&e))?.is_closed();
        let lot: Option<toml::Table> = if closed {
            // A later version may have written more than is known here.
            let file = lots.file(&id, "lot.toml").ok().and_then(|bytes| String::from_utf8(bytes).ok());
            file.and_then(|text| text.parse().ok())
        } else {
            let (record, _) = lots.as_it_stands(&id, now).map_err(|e| unread(&e))?;
            toml::Table::try_from(&record).ok()
        };
        Ok(Json(json!({ "id": id, "closed": closed, "lot": lot.ok_or_else(|| Problem::not_found("lot"))? })))
    })
    .await
}

/// A lot's sheet: a closed one's as it is kept, an open one's as things stand.
pub(super) async fn sheet(State(room): State<Arc<Room>>, At(id): At<String>) -> Result<Response, Problem> {
    let lots = lots_with(&room, &id)?;
    let now = now(&room);
    let html = on_disk(move || {
        if lots.load(&id).map_err(|e| unread(&e))?.is_closed() {
            return lots.file(&id, "sheet.html").map_err(|_| Problem::not_found("sheet"));
        }
        let (record, points) = lots.as_it_stands(&id, now).map_err(|e| unread(&e))?;
        let chain = lots.chain().map_err(|e| unread(&e))?;
        Ok(render(&record, &points, chain.links.last()).into_bytes())
    })
    .await?;
    let dress =
        [(header::CONTENT_TYPE, "text/html; charset=utf-8"), (header::CONTENT_SECURITY_POLICY, SHEET_POLICY)];
    Ok((dress, html).into_response())
}

/// By the daemon's clock.
pub(super) fn now(room: &Room) -> Moment {
    let seen = room.seam.snapshot.borrow().clone();
    Moment(state::Moment::at(&seen, Instant::now()).now_ns.unwrap_or_default())
}

pub(super) async fn season(State(room): State<Arc<Room>>) -> Result<Json<Value>, Problem> {
    let lots = Store::on_disk(&room.seam.data);
    on_disk(move || {
        let rows: Vec<Value> = ids(&lots)?.iter().rev().take(500).map(|id| summary(&lots, id)).collect();
        Ok(Json(json!({ "lots": rows })))
    })
    .await
}

/// The lots, where `id` is one of them.
pub(super) fn lots_with(room: &Room, id: &str) -> Result<Store, Problem> {
    let lots = Store::on_disk(&room.seam.data);
    if lots.has(id).map_err(|e| unread(&e))? { Ok(lots) } else { Err(Problem::not_found("lot")) }
}

/// What there is, also a lot whose record cannot be read; a stray folder is none.
fn ids(lots: &Store) -> Result<Vec<String>, Problem> {
    let mut ids = lots.ids().map_err(|e| unread(&e))?;
    ids.retain(|id| lots.is_a_lots(id).unwrap_or(true));
    Ok(ids)
}

/// Why lots cannot be shown. What is no file, such as a pipe, is none.
pub(super) fn unread(e: &LotError) -> Problem {
    match e {
        LotError::NoSuchLot { .. } | LotError::NoRecord { .. } => Problem::not_found("lot"),
        LotError::Io { source, .. }
            if matches!(source.kind(), ErrorKind::NotFound | ErrorKind::InvalidInput) =>
        {
            Problem::not_found("lot")
        }
        _ => Problem::new(StatusCode::INTERNAL_SERVER_ERROR, e.to_string()),
    }
}

/// What a list says of a lot: what the season says, and nothing of one whose record
/// cannot be read.
fn summary(lots: &Store, id: &str) -> Value {
    let lot = lots.load(id).ok();
    let of = lot.as_ref();
    let cook = of.and_then(|l| l.cooks.last());
    let minutes = of.and_then(|l| Some(l.closed?.minutes_since(l.opened).round()));
    let rounded = |value: f64, by: f64| (value * by).round() / by;
    json!({
        "id": id,
        "closed": of.is_some_and(Record::is_closed),
        "kettle": of.map(|l| &l.kettle),
        "product": of.map(|l| &l.product),
        "opened": of.map(|l| l.opened),
        "minutes": minutes,
        "peak_celsius": cook.map(|c| c.peak_celsius),
        "over_celsius": cook.and_then(CookDone::over_celsius).map(|over| rounded(over, 100.0)),
        "kg_per_100l": of.and_then(Record::yield_kg_per_100_l).map(|kg| rounded(kg, 10.0)),
        "score": of.and_then(|l| l.score),
        "deviations": of.map_or(0, |l| l.deviations.len()),
    })
}
