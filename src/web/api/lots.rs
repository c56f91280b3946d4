//! Lots: yesterday's, a lot's sheet, the season.

use std::io::ErrorKind;
use std::path::Path;
use std::sync::Arc;

use axum::extract::{Json, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::time::Instant;

use super::beside::{drawn, on_disk};
use super::{At, InLanguage, Problem, Wanted};
use crate::lot::at::At as Moment;
use crate::lot::findings::deviations;
use crate::lot::record::{CookDone, Record};
use crate::lot::sheet::render;
use crate::lot::store::{LotError, Store};
use crate::web::{Room, state};
use crate::words::Words;

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
pub(super) async fn show(
    State(room): State<Arc<Room>>,
    At(id): At<String>,
    Wanted(w): Wanted<InLanguage>,
) -> Result<Response, Problem> {
    let (now, words) = (now(&room), w.language.as_deref().map(Words::of));
    let (lots, kept) = looked_up(&room, &id, move |lots, id| kept(lots, id, words)).await?;
    if let Some(lot) = kept {
        return Ok(Json(json!({ "id": id, "closed": true, "lot": lot })).into_response());
    }
    let json = drawn(name_of(&lots, &id, "record", words), move || {
        let (mut record, _) = lots.as_it_stands(&id, now).map_err(|e| unread(&e))?;
        if let Some(words) = words {
            record.deviations = deviations(&record, words);
        }
        let lot = toml::Table::try_from(&record).map_err(|_| Problem::not_found("lot"))?;
        let json = json!({ "id": id, "closed": record.is_closed(), "lot": lot });
        Ok(json.to_string().into_bytes())
    });
    Ok(([(header::CONTENT_TYPE, "application/json")], json.await?).into_response())
}

/// What is looked up of a lot that is there, and the lots to draw it from.
async fn looked_up<T: Send + 'static>(
    room: &Room,
    id: &str,
    look: impl FnOnce(&Store, &str) -> Result<T, Problem> + Send + 'static,
) -> Result<(Store, T), Problem> {
    let (data, id) = (room.seam.data.clone(), id.to_owned());
    on_disk(move || {
        let lots = lots_with(&data, &id)?;
        let found = look(&lots, &id)?;
        Ok((lots, found))
    })
    .await
}

/// What is drawn, so that it is not taken for another.
fn name_of(lots: &Store, id: &str, what: &str, words: Option<&Words>) -> String {
    format!("{} {id} {what} {}", lots.data().display(), words.map_or("", Words::code))
}

/// What stands in a closed lot's file, its deviations in the language asked for; `None`
/// where the lot is open.
fn kept(lots: &Store, id: &str, words: Option<&Words>) -> Result<Option<toml::Table>, Problem> {
    let record = lots.load(id).map_err(|e| unread(&e))?;
    if !record.is_closed() {
        return Ok(None);
    }
    // A later version may have written more than is known here.
    let file = lots.file(id, "lot.toml").ok().and_then(|bytes| String::from_utf8(bytes).ok());
    let lot: Option<toml::Table> = file.and_then(|text| text.parse().ok());
    let mut lot = lot.ok_or_else(|| Problem::not_found("lot"))?;
    // Where another version found others, what was sealed stands as it is.
    let same = |_: &&Words| deviations(&record, Words::of("en")) == record.deviations;
    if let Some(words) = words.filter(same)
        && let Some(told) = lot.get_mut("deviations")
    {
        *told = deviations(&record, words).into();
    }
    Ok(Some(lot))
}

/// A lot's sheet: a closed one's as it is kept, an open one's as things stand. In another
/// language than the lot's own it is drawn anew, from what is kept.
pub(super) async fn sheet(
    State(room): State<Arc<Room>>,
    At(id): At<String>,
    Wanted(w): Wanted<InLanguage>,
) -> Result<Response, Problem> {
    let (now, words) = (now(&room), w.language.as_deref().map(Words::of));
    let (lots, kept) = looked_up(&room, &id, move |lots, id| {
        let record = lots.load(id).map_err(|e| unread(&e))?;
        let is_kept = record.is_closed() && words.is_none_or(|w| w.code() == record.words().code());
        is_kept.then(|| lots.file(id, "sheet.html")).transpose().map_err(|_| Problem::not_found("sheet"))
    })
    .await?;
    let html = if let Some(html) = kept {
        html.into()
    } else {
        let name = name_of(&lots, &id, "sheet", words);
        drawn(name, move || drawn_sheet(&lots, &id, now, words)).await?
    };
    let dress =
        [(header::CONTENT_TYPE, "text/html; charset=utf-8"), (header::CONTENT_SECURITY_POLICY, SHEET_POLICY)];
    Ok((dress, html).into_response())
}

fn drawn_sheet(lots: &Store, id: &str, now: Moment, words: Option<&Words>) -> Result<Vec<u8>, Problem> {
    let (mut record, points) = lots.as_it_stands(id, now).map_err(|e| unread(&e))?;
    if let Some(words) = words {
        words.code().clone_into(&mut record.language);
    }
    let links = lots.chain().map_err(|e| unread(&e))?.links;
    // A closed lot's sheet names the seal before its own.
    let before = links.iter().rposition(|l| l.lot == id).unwrap_or(links.len());
    Ok(render(&record, &points, links[..before].last()).into_bytes())
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

/// The lots, where `id` is one of them. It asks the disk.
pub(super) fn lots_with(data: &Path, id: &str) -> Result<Store, Problem> {
    let lots = Store::on_disk(data);
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
