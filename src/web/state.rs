//! What the page shows, as one JSON object.
//!
//! Duty: a [`Snapshot`] and the moment it is read at become what the browser
//! draws. Every length of time is counted here, on this machine's monotonic
//! clock, so that a phone whose clock is wrong shows the right ages and the
//! right minutes.
//!
//! Invariants: a number never goes out without `age_s`; where the snapshot
//! itself is old, the ages grow with it.

use serde_json::{Map, Value, json};
use tokio::time::Instant;

use super::marks::Held;
use super::say::{self, At, Sentence};
use super::seam::{MarkSeen, Snapshot};
use crate::engine::effect::{Forecast, WallNs};
use crate::engine::event::MarkKind;
use crate::engine::plan::Plan;
use crate::engine::view::{AlarmView, KettleView};
use crate::wire::json::rfc3339;
use crate::words::tune::Tune;
use crate::words::why;

/// A snapshot at the moment of reading it.
#[derive(Debug, Clone, Copy)]
pub struct Moment<'a> {
    /// What was known.
    pub seen: &'a Snapshot,
    /// Seconds since then.
    pub waited_s: f64,
    /// Wall time now, where known.
    pub now_ns: Option<WallNs>,
}

impl<'a> Moment<'a> {
    /// The snapshot as read at `now`.
    pub fn at(seen: &'a Snapshot, now: Instant) -> Self {
        let waited = now.saturating_duration_since(seen.taken);
        let now_ns =
            seen.wall_ns.map(|ns| ns.saturating_add(i64::try_from(waited.as_nanos()).unwrap_or(i64::MAX)));
        Self { seen, waited_s: waited.as_secs_f64(), now_ns }
    }

    /// Seconds from `then` to now; negative where it is to come.
    fn since(&self, then: Option<WallNs>) -> Option<f64> {
        Some((self.now_ns? - then?) as f64 / 1e9)
    }
}

/// The whole state.
pub fn whole(m: Moment<'_>, run: &str, held: &[Held]) -> Value {
    let kettles: Vec<Value> = m.seen.view.kettles.iter().map(|k| kettle(m, k, held)).collect();
    let outlets: Vec<Value> =
        m.seen.outlets.iter().map(|o| json!({ "name": o.name, "well": o.well, "text": o.text })).collect();
    json!({
        "run": run,
        "time": m.now_ns.map(rfc3339),
        "clock_sure": m.seen.clock_sure,
        "utc_offset_s": m.seen.utc_offset_s,
        "view_age_s": tenth(m.waited_s),
        "store_ok": m.seen.store.is_ok(),
        "store_text": m.seen.store.as_ref().err().cloned().unwrap_or_default(),
        "kettles": kettles,
        "alarms": m.seen.view.house.iter().map(|a| alarm(m, a)).collect::<Vec<_>>(),
        "outlets": outlets,
    })
}

/// One kettle.
pub fn kettle(m: Moment<'_>, k: &KettleView, held: &[Held]) -> Value {
    let plan = m.seen.plans.get(&k.kettle);
    let mut out = Map::new();
    let mut put = |key: &str, value: Value| {
        if !value.is_null() {
            out.insert(key.to_owned(), value);
        }
    };
    put("kettle", json!(&*k.kettle));
    put("probe", json!(&*k.probe));
    put("celsius", json!(k.celsius.map(hundredth)));
    put("age_s", json!(k.age_s.map(|a| tenth(a + m.waited_s))));
    put("old_after_s", json!(tenth(k.old_after_s)));
    put("trusted", json!(say::trusted(k, m.waited_s)));
    put("rate_celsius_per_min", json!(k.rate_celsius_per_min.map(hundredth)));
    put("health", json!(k.health.name()));
    put("reason", json!(k.reason));
    put("reason_key", json!(why::key(&k.reason)));
    put("stage", json!(k.stage.name()));
    put("stage_began", json!(k.stage_began.map(rfc3339)));
    put("stage_for_s", json!(m.since(k.stage_began).map(tenth)));
    put("stage_confidence", json!(hundredth(k.stage_confidence)));
    put("stage_basis", json!(k.stage_basis.name()));
    put("target_celsius", json!(k.target_celsius.map(hundredth)));
    put("planned_minutes", json!(k.planned_minutes));
    put("forecast", k.forecast.as_ref().map_or(Value::Null, |f| forecast(m, f)));
    put("curd_check_in_s", json!(m.since(k.curd_check_at).map(|s| tenth(-s))));
    put("plan", json!(plan.map(|p| p.name.clone()).or_else(|| k.plan.clone())));
    put("planned", plan.map_or(Value::Null, |p| planned(p)));
    put("lot", json!(m.seen.open_lots.get(&k.kettle)));
    put("heat_off_called_at", json!(k.heat_off_called_at.map(rfc3339)));
    let at = At { now_ns: m.now_ns, waited_s: m.waited_s, marked_off: marked_off(m, k, held) };
    put("say", sentence(&say::now(k, at)));
    if let Some(c) = say::countdown(k, at) {
        put("countdown", json!({ "key": c.key, "seconds": tenth(c.seconds) }));
    }
    let alarms = k.alarms.iter().map(|a| {
        let mut said = alarm(m, a);
        if let Some(s) = say::of_alarm(a, k, at) {
            said["say"] = sentence(&s);
        }
        said
    });
    put("alarms", alarms.collect());
    put(
        "stages",
        k.stages.iter().map(|(s, b)| json!({ "stage": s.name(), "began": b.map(rfc3339) })).collect(),
    );
    put("marks", marks(m, k, held));
    Value::Object(out)
}

fn alarm(m: Moment<'_>, a: &AlarmView) -> Value {
    let mut said = json!({
        "alarm": a.alarm.name(),
        "state": a.state.name(),
        "untaken": say::untaken(a.state),
        "priority": a.priority.name(),
        "sounds": a.sounds,
        "tune": Tune::of(a.alarm).name(),
        "for_s": m.since(a.since).map(tenth),
        "text": a.text,
    });
    if let Some(until) = a.shelved_until {
        said["shelved_until"] = json!(rfc3339(until));
    }
    said
}

fn forecast(m: Moment<'_>, f: &Forecast) -> Value {
    json!({
        "target_celsius": hundredth(f.target_celsius),
        "heat_off_at": f.heat_off_at.map(rfc3339),
        "heat_off_in_s": m.since(f.heat_off_at).map(|s| tenth(-s)),
        "reach_at": f.reach_at.map(rfc3339),
        "peak_celsius": hundredth(f.peak_celsius),
        "peak_low_celsius": hundredth(f.peak_low_celsius),
        "peak_high_celsius": hundredth(f.peak_high_celsius),
    })
}

/// The plan's lines as the sheet prints them.
pub(super) fn planned(plan: &Plan) -> Value {
    plan.stages
        .iter()
        .map(|s| {
            json!({
                "stage": s.kind.name(),
                "to_celsius": s.to_celsius,
                "minutes": s.minutes,
                "optional": s.optional,
            })
        })
        .collect()
}

/// When a person last marked the fire off, one that still waits for its undo too, where
/// it was not marked on since.
fn marked_off(m: Moment<'_>, k: &KettleView, held: &[Held]) -> Option<WallNs> {
    let made = m.seen.marks.iter().map(|s| (&s.mark, s.wall_ns));
    let waiting = held.iter().filter(|h| h.failed.is_none());
    let waiting = waiting.map(|h| (&h.mark, m.now_ns.map(|now| now - (h.ago_s * 1e9) as WallNs)));
    let fires = |kind: &MarkKind| matches!(kind, MarkKind::HeatOn | MarkKind::HeatOff);
    let of_fire = made.chain(waiting).filter(|(mark, _)| mark.kettle == k.kettle && fires(&mark.kind));
    let (mark, at) = of_fire.max_by_key(|(_, at)| *at)?;
    at.filter(|_| mark.kind == MarkKind::HeatOff)
}

fn marks(m: Moment<'_>, k: &KettleView, held: &[Held]) -> Value {
    let made = m.seen.marks.iter().filter(|s| s.mark.kettle == k.kettle).map(|s| mark(m, s));
    let waiting = held.iter().filter(|h| h.mark.kettle == k.kettle).map(|h| {
        let mut v = mark_named(&h.mark.kind, h.mark.by.as_deref());
        v.insert("id".into(), json!(h.id));
        v.insert("held_s".into(), json!(tenth(h.left_s)));
        v.insert("ago_s".into(), json!(tenth(h.ago_s)));
        if let Some(text) = &h.failed {
            v.insert("failed".into(), json!(text));
        }
        Value::Object(v)
    });
    made.chain(waiting).collect()
}

fn mark(m: Moment<'_>, seen: &MarkSeen) -> Value {
    let mut v = mark_named(&seen.mark.kind, seen.mark.by.as_deref());
    v.insert("time".into(), json!(seen.wall_ns.map(rfc3339)));
    v.insert("ago_s".into(), json!(m.since(seen.wall_ns).map(tenth)));
    Value::Object(v)
}

fn mark_named(kind: &MarkKind, by: Option<&str>) -> Map<String, Value> {
    let mut v = Map::new();
    v.insert("name".into(), json!(kind.name()));
    match kind {
        MarkKind::Ph(x) => _ = v.insert("value".into(), json!(x)),
        MarkKind::Target(c) => _ = v.insert("celsius".into(), json!(c)),
        MarkKind::Note(t) => _ = v.insert("text".into(), json!(t)),
        _ => {}
    }
    if let Some(by) = by {
        v.insert("by".into(), json!(by));
    }
    v
}

/// A sentence as the browser reads it: every value says of which sort it is.
fn sentence(s: &Sentence) -> Value {
    let values: Map<String, Value> = s
        .values
        .iter()
        .map(|(name, value)| {
            let v = match value {
                say::Value::Celsius(c) => json!({ "celsius": hundredth(*c) }),
                say::Value::Minutes(s) => json!({ "minutes": (s / 60.0).round().max(1.0) }),
                say::Value::Clock(ns) => json!({ "clock": rfc3339(*ns) }),
                say::Value::Word(key) => json!({ "word": key }),
            };
            ((*name).to_owned(), v)
        })
        .collect();
    json!({ "key": s.key, "values": values })
}

fn hundredth(x: f64) -> f64 {
    (x * 100.0).round() / 100.0
}

fn tenth(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}
