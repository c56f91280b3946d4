//! The probes: what each reads, its health, its last calibration.

use std::sync::Arc;

use axum::extract::{Json, State};
use serde_json::{Value, json};
use tokio::time::Instant;

use super::Problem;
use super::beside::on_disk;
use crate::web::Room;
use crate::web::state::Moment;
use crate::words::why;

pub(super) async fn list(State(room): State<Arc<Room>>) -> Result<Json<Value>, Problem> {
    let seen = room.seam.snapshot.borrow().clone();
    let m = Moment::at(&seen, Instant::now());
    let mut probes: Vec<Value> = seen
        .view
        .kettles
        .iter()
        .map(|k| {
            json!({
                "probe": &*k.probe,
                "kettle": &*k.kettle,
                "celsius": k.celsius.map(|c| (c * 1000.0).round() / 1000.0),
                "age_s": k.age_s.map(|a| ((a + m.waited_s) * 10.0).round() / 10.0),
                "old_after_s": (k.old_after_s * 10.0).round() / 10.0,
                "roughness_celsius": k.roughness_celsius.map(|c| (c * 1000.0).round() / 1000.0),
                "health": k.health.name(),
                "reason": k.reason,
                "reason_key": why::key(&k.reason),
            })
        })
        .collect();
    for p in &mut probes {
        if let Value::Object(o) = p {
            o.retain(|_, v| !v.is_null());
        }
    }
    let (data, calibration_of) = (room.seam.data.clone(), room.seam.calibration_of);
    let probes = on_disk(move || {
        for p in &mut probes {
            let name = p["probe"].as_str().unwrap_or_default().to_owned();
            if let Some(c) = calibration_of(&data, &name) {
                p["calibrated"] = json!({
                    "time": c.time,
                    "by": c.by,
                    "due": c.due,
                    "uncertainty_celsius": c.uncertainty_celsius,
                });
            }
        }
        Ok(probes)
    })
    .await?;
    Ok(Json(json!({ "probes": probes })))
}
