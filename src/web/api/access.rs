//! Who may do what from here, and the PIN.

use std::sync::Arc;

use axum::extract::{Json, Request, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::time::Instant;

use super::{Problem, Said};
use crate::web::Room;
use crate::web::guard::{self, COOKIE_NAME};
use crate::web::limits::Peer;
use crate::web::pin::{self, Tried};

/// A year: a season and the winter.
const COOKIE_AGE_S: u32 = 31_536_000;

pub(super) async fn access(State(room): State<Arc<Room>>, request: Request) -> Json<Value> {
    let access = room.settings.access;
    Json(json!({
        "version": env!("CARGO_PKG_VERSION"),
        "language": room.settings.language,
        "pin_set": room.pin.is_set(),
        "may_read": guard::allowed(&room, access.read, &request),
        "may_command": guard::allowed(&room, access.command, &request),
        "local": guard::is_local(&room, &request),
    }))
}

#[derive(Deserialize)]
pub(super) struct Typed {
    pin: String,
}

/// A device types the PIN once, and is known from then on.
pub(super) async fn type_pin(
    State(room): State<Arc<Room>>,
    peer: Option<axum::Extension<Peer>>,
    Said(typed): Said<Typed>,
) -> Result<Response, Problem> {
    let address = peer.and_then(|p| p.0.address);
    let shared = Arc::clone(&room);
    // Hashing takes some hundredths of a second; the page's one thread has better to do.
    let tried = tokio::task::spawn_blocking(move || shared.pin.try_pin(&typed.pin, address, Instant::now()))
        .await
        .map_err(|_| Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "the PIN could not be looked at"))?;
    match tried {
        Tried::Right(token) => {
            let cookie =
                format!("{COOKIE_NAME}={token}; Path=/; Max-Age={COOKIE_AGE_S}; HttpOnly; SameSite=Strict");
            Ok((StatusCode::NO_CONTENT, [(header::SET_COOKIE, cookie)]).into_response())
        }
        Tried::Wrong => Err(Problem::new(StatusCode::FORBIDDEN, "that is not the PIN")),
        Tried::Failed => Err(Problem::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "the PIN is right, but this machine cannot make a token now; try again",
        )),
        Tried::NoneSet => Err(Problem::new(
            StatusCode::CONFLICT,
            "no PIN is set yet; set one on the dairy's machine itself",
        )),
        Tried::TooMany(wait) => {
            let text = format!("too many wrong tries; wait {} minutes", wait.div_ceil(60));
            Err(Problem::new(StatusCode::TOO_MANY_REQUESTS, text).after(wait))
        }
    }
}

/// Sets the PIN: on the machine itself, or by a device that knows the old one.
pub(super) async fn set_pin(State(room): State<Arc<Room>>, request: Request) -> Result<StatusCode, Problem> {
    if !guard::is_local(&room, &request) && !guard::known(&room, request.headers()) {
        return Err(Problem::new(StatusCode::UNAUTHORIZED, "set the PIN on the dairy's machine itself"));
    }
    let Said(typed) = <Said<Typed> as axum::extract::FromRequest<()>>::from_request(request, &()).await?;
    if !pin::fit(&typed.pin) {
        return Err(Problem::unfit(
            "a PIN has 4 to 64 digits and nothing else: the page has no other keys for it",
        ));
    }
    let shared = Arc::clone(&room);
    tokio::task::spawn_blocking(move || shared.pin.set(&typed.pin))
        .await
        .map_err(|e| e.to_string())
        .and_then(|r| r.map_err(|e| e.to_string()))
        .map_err(|e| {
            Problem::new(StatusCode::INTERNAL_SERVER_ERROR, format!("the PIN could not be kept: {e}"))
        })?;
    Ok(StatusCode::NO_CONTENT)
}
