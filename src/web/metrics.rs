//! `/metrics` in OpenMetrics text, and `/health`.
//!
//! `/health` answers 200 while what the page knows is fresh, 503 where the
//! daemon behind it has fallen silent or does not keep its readings.

use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use serde_json::json;
use tokio::time::Instant;

use super::Room;
use super::state::Moment;
use crate::engine::probe::Health;

/// What the page knows older than this means that the daemon fell silent.
const SILENT_S: f64 = 10.0;

pub(super) fn routes() -> Router<Arc<Room>> {
    Router::new().route("/metrics", get(metrics)).route("/health", get(health))
}

async fn health(State(room): State<Arc<Room>>) -> Response {
    let seen = room.seam.snapshot.borrow().clone();
    let moment = Moment::at(&seen, Instant::now());
    let fresh = moment.waited_s < SILENT_S;
    let well = fresh && seen.store.is_ok();
    let status = if well { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    let body = json!({
        "status": if well { "ok" } else { "failing" },
        "view_age_s": (moment.waited_s * 10.0).round() / 10.0,
        "store": seen.store.as_ref().err().map_or("ok", String::as_str),
    });
    (status, [(header::CONTENT_TYPE, "application/json")], body.to_string()).into_response()
}

async fn metrics(State(room): State<Arc<Room>>) -> Response {
    let text = exposition(&room);
    let kind = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

/// The whole exposition, ended by `# EOF`.
pub fn exposition(room: &Room) -> String {
    let seen = room.seam.snapshot.borrow().clone();
    let moment = Moment::at(&seen, Instant::now());
    let mut out = Exposition::default();
    let kettles = &seen.view.kettles;
    out.gauge("temperature_celsius", "Filtered temperature; absent where there is no number to trust.");
    let trusted = kettles.iter().filter(|k| super::say::trusted(k, moment.waited_s));
    for (kettle, celsius) in trusted.filter_map(|k| k.celsius.map(|c| (&k.kettle, c))) {
        out.sample("temperature_celsius", &[("kettle", kettle)], celsius);
    }
    out.gauge("reading_age_seconds", "Age of the last good reading.");
    for k in kettles {
        if let Some(age) = k.age_s {
            out.sample("reading_age_seconds", &[("kettle", &k.kettle)], age + moment.waited_s);
        }
    }
    out.gauge("probe_health", "1 for the probe's NAMUR NE 107 state, 0 for the others.");
    for k in kettles {
        for h in Health::ALL {
            let labels = [("probe", &*k.probe), ("state", h.name())];
            out.sample("probe_health", &labels, f64::from(u8::from(k.health == h)));
        }
    }
    out.gauge("alarm_active", "1 for every alarm that is not normal, with its state.");
    for k in kettles {
        for a in &k.alarms {
            let labels = [("kettle", &*k.kettle), ("alarm", a.alarm.name()), ("state", a.state.name())];
            out.sample("alarm_active", &labels, 1.0);
        }
    }
    for a in &seen.view.house {
        out.sample("alarm_active", &[("alarm", a.alarm.name()), ("state", a.state.name())], 1.0);
    }
    out.gauge("view_age_seconds", "Seconds since the daemon last told the page what it knows.");
    out.sample("view_age_seconds", &[], moment.waited_s);
    out.gauge("store_ok", "1 while readings are being kept.");
    out.sample("store_ok", &[], f64::from(u8::from(seen.store.is_ok())));
    out.gauge("outlet_ok", "1 while the outlet's last try went well.");
    for o in &seen.outlets {
        out.sample("outlet_ok", &[("outlet", &o.name)], f64::from(u8::from(o.well)));
    }
    out.gauge("connections", "Connections to the page that are open.");
    out.sample("connections", &[], room.doors.open() as f64);
    out.gauge("live_pages", "Pages that follow live.");
    out.sample("live_pages", &[], room.hub.count() as f64);
    let counters = [
        ("connections_accepted", "Connections accepted.", room.doors.accepted.load(Ordering::Relaxed)),
        (
            "connections_refused",
            "Connections refused, all being busy.",
            room.doors.refused.load(Ordering::Relaxed),
        ),
        (
            "connections_displaced",
            "Idle connections closed for another.",
            room.doors.displaced.load(Ordering::Relaxed),
        ),
        ("live_laggards", "Live pages cut because they lagged.", room.hub.laggards.load(Ordering::Relaxed)),
        ("live_messages", "Messages sent to live pages.", room.hub.messages.load(Ordering::Relaxed)),
    ];
    for (name, help, value) in counters.into_iter().chain(seen.counters.iter().copied()) {
        out.counter(name, help, &[(&[], value)]);
    }
    for (n, (name, help, _)) in seen.sources.first().into_iter().flat_map(|s| &s.1).enumerate() {
        let labels: Vec<_> = seen.sources.iter().map(|s| [("source", &*s.0)]).collect();
        let counted = labels.iter().zip(&seen.sources).filter_map(|(l, s)| Some((&l[..], s.1.get(n)?.2)));
        out.counter(&format!("source_{name}"), &format!("{help}."), &counted.collect::<Vec<_>>());
    }
    out.text.push_str("# EOF\n");
    out.text
}

#[derive(Default)]
struct Exposition {
    text: String,
}

impl Exposition {
    fn gauge(&mut self, name: &str, help: &str) {
        let _ = writeln!(self.text, "# TYPE curdtrace_{name} gauge\n# HELP curdtrace_{name} {help}");
    }

    /// A family of counters whole: its samples, each with its labels.
    fn counter(&mut self, name: &str, help: &str, samples: &[(&[(&str, &str)], u64)]) {
        let _ = writeln!(self.text, "# TYPE curdtrace_{name} counter\n# HELP curdtrace_{name} {help}");
        for (labels, value) in samples {
            self.sample(&format!("{name}_total"), labels, value);
        }
    }

    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: impl std::fmt::Display) {
        let labels: Vec<String> = labels.iter().map(|(k, v)| format!("{k}=\"{}\"", escaped(v))).collect();
        let braces = if labels.is_empty() { String::new() } else { format!("{{{}}}", labels.join(",")) };
        let _ = writeln!(self.text, "curdtrace_{name}{braces} {value}");
    }
}

/// OpenMetrics' escapes in a label's value.
fn escaped(value: &str) -> String {
    value.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}
