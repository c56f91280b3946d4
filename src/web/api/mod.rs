//! `/api/v1`: all that the page does, for anyone else as well.
//!
//! It is described in `openapi.json` beside this file, which is served at
//! `/api/v1/openapi.json`; `tests/house/api_contract.rs` and schemathesis hold the
//! two together.
//!
//! Every refusal is a JSON object with `error`, a sentence that says what was
//! wrong and what to do.

mod access;
mod amounts;
mod beside;
mod curve;
mod entries;
mod kettles;
mod lots;
mod plans;
mod probes;

use std::sync::Arc;

use axum::Router;
use axum::body::Body;
use axum::extract::{FromRequest, FromRequestParts, Json, Path, Query, Request};
use axum::http::request::Parts;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{delete, get, post};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::json;

use super::Room;
use super::limits::Peer;
use super::live;
use super::seam::Wish;

/// A refusal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    status: StatusCode,
    error: String,
    faults: Vec<String>,
    retry_after_s: Option<u64>,
}

impl Problem {
    /// A refusal with its reason.
    pub fn new(status: StatusCode, error: impl Into<String>) -> Self {
        Self { status, error: error.into(), faults: Vec::new(), retry_after_s: None }
    }

    /// Not now: try again after so many seconds.
    fn busy(error: &str, after_s: u64) -> Self {
        let error = format!("{error}; try again in {after_s} seconds");
        Self::new(StatusCode::SERVICE_UNAVAILABLE, error).after(after_s)
    }

    fn not_found(what: &str) -> Self {
        Self::new(StatusCode::NOT_FOUND, format!("there is no {what} of that name"))
    }

    fn unfit(error: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, error)
    }

    /// With the seconds after which it may be tried again.
    fn after(mut self, seconds: u64) -> Self {
        self.retry_after_s = Some(seconds);
        self
    }

    /// With every fault of a plan.
    fn with(mut self, faults: Vec<String>) -> Self {
        self.faults = faults;
        self
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut body = json!({ "error": self.error });
        if !self.faults.is_empty() {
            body["faults"] = json!(self.faults);
        }
        let mut answer = (self.status, Json(body)).into_response();
        answer.headers_mut().extend(self.retry_after_s.map(|s| (header::RETRY_AFTER, HeaderValue::from(s))));
        answer
    }
}

/// A path's parameters, with a refusal of ours.
struct At<T>(T);

impl<T: DeserializeOwned + Send, S: Send + Sync> FromRequestParts<S> for At<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let Path(value) = Path::<T>::from_request_parts(parts, state)
            .await
            .map_err(|e| Problem::new(StatusCode::NOT_FOUND, e.body_text()))?;
        Ok(Self(value))
    }
}

/// A query, with a refusal of ours.
struct Wanted<T>(T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequestParts<S> for Wanted<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let Query(value) = Query::<T>::from_request_parts(parts, state)
            .await
            .map_err(|e| Problem::new(StatusCode::BAD_REQUEST, e.body_text()))?;
        Ok(Self(value))
    }
}

/// The language that is asked for; the one that it has anyhow where none is.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct InLanguage {
    language: Option<String>,
}

/// A JSON body, with a refusal of ours.
struct Said<T>(T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for Said<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        let Json(value) = Json::<serde_json::Value>::from_request(request, state)
            .await
            .map_err(|e| Problem::new(e.status(), e.body_text()))?;
        // Derived readers would take a list for an object, field by field.
        if !value.is_object() {
            return Err(Problem::unfit("the body is a JSON object"));
        }
        serde_json::from_value(value).map(Self).map_err(|e| Problem::unfit(e.to_string()))
    }
}

pub(super) fn routes() -> Router<Arc<Room>> {
    let v1 = Router::new()
        .route("/openapi.json", get(openapi))
        .route("/live", get(follow))
        .route("/state", get(kettles::state))
        .route("/access", get(access::access))
        .route("/pin", post(access::type_pin).put(access::set_pin))
        .route("/outlets/test", post(kettles::test_outlets))
        .route("/marks/{id}", delete(kettles::withdraw))
        .route("/kettles/{kettle}/marks", post(kettles::mark))
        .route("/kettles/{kettle}/take", post(kettles::take))
        .route("/kettles/{kettle}/shelve", post(kettles::shelve))
        .route("/house/take", post(kettles::take_house))
        .route("/house/shelve", post(kettles::shelve_house))
        .route("/kettles/{kettle}/plan", post(kettles::follow_plan))
        .route("/kettles/{kettle}/stage", post(kettles::say_stage))
        .route("/kettles/{kettle}/end", post(kettles::end))
        .route("/kettles/{kettle}/curve.svg", get(curve::curve))
        .route("/lots", get(lots::list))
        .route("/lots/{lot}", get(lots::show))
        .route("/lots/{lot}/sheet.html", get(lots::sheet))
        .route("/lots/{lot}/fields", get(entries::fields).post(entries::enter))
        .route("/lots/{lot}/wheels", post(entries::wheel))
        .route("/season", get(lots::season))
        .route("/plans", get(plans::list))
        .route("/plans/{plan}", get(plans::show).put(plans::keep).delete(plans::remove))
        .route("/probes", get(probes::list))
        .route("/dose", get(amounts::dose))
        .route("/wash", get(amounts::wash));
    Router::new().nest("/api/v1", v1)
}

pub(super) async fn nothing_here() -> Problem {
    Problem::new(StatusCode::NOT_FOUND, "there is nothing here; the page is at /")
}

pub(super) async fn wrong_method() -> Problem {
    Problem::new(StatusCode::METHOD_NOT_ALLOWED, "that is not done to this; see /api/v1/openapi.json")
}

async fn openapi() -> Response {
    ([(header::CONTENT_TYPE, "application/json")], include_str!("openapi.json")).into_response()
}

/// The live state; see [`live`].
async fn follow(
    axum::extract::State(room): axum::extract::State<Arc<Room>>,
    request: Request,
) -> Result<Response, Problem> {
    let cut = request.extensions().get::<Peer>().map(|p| p.cut.clone()).unwrap_or_default();
    let first = live::message(&room);
    let Some(body) = room.hub.join(first, room.settings.limits.live, cut) else {
        return Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, "too many pages follow live; close one"));
    };
    Ok(([(header::CONTENT_TYPE, "text/event-stream")], Body::new(body)).into_response())
}

/// Asks the daemon for something.
async fn ask(room: &Room, wish: Wish) -> Result<(), Problem> {
    super::marks::ask(&room.seam.desk, wish)
        .await
        .map_err(|text| Problem::new(StatusCode::SERVICE_UNAVAILABLE, text))
}
