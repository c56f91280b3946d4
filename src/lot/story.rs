//! The make as the journal tells it: stages, heatings, alarms. Pure.
//!
//! Stages are told while they go, revised and withdrawn; once the make has
//! ended it is told with hindsight, and that counts.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value as Json;

use super::at::At;
use super::record::{AlarmDone, CookDone, StageDone};

/// The make as it is told while it goes.
#[derive(Debug, Default)]
pub struct Story {
    told: Vec<StageDone>,
    /// Stages of makes that ended.
    pub stages: Vec<StageDone>,
    /// Their heatings.
    pub cooks: Vec<CookDone>,
    /// Alarms.
    pub alarms: Vec<AlarmDone>,
    /// Whether a make ended.
    pub make_ended: bool,
    /// Alarms that are not over, by name: where in the list.
    open: BTreeMap<String, usize>,
    makes: BTreeSet<String>,
}

/// A text of an event; empty where there is none.
pub fn text(event: &Json, key: &str) -> String {
    event[key].as_str().unwrap_or_default().into()
}

/// A moment of an event.
pub fn time(event: &Json, key: &str) -> Option<At> {
    event[key].as_str()?.parse().ok()
}

impl Story {
    /// Takes in one event as the outside sees it.
    pub fn take(&mut self, event: &Json) {
        match event["kind"].as_str() {
            Some("stage") => self.stage(event),
            Some("alarm") => self.alarm(event),
            // Said twice (after a restart) it is one make.
            Some("make") if self.makes.insert(event["stages"].to_string()) => {
                self.make_ended = true;
                self.stages.extend(made_stages(event));
                self.cooks.extend(made_cooks(event));
                self.told.clear();
            }
            _ => {}
        }
    }

    fn stage(&mut self, event: &Json) {
        let stage = StageDone {
            stage: text(event, "stage"),
            began: time(event, "began").or(time(event, "time")).unwrap_or_default(),
            ended: None,
            confidence: event["confidence"].as_f64().unwrap_or_default(),
            basis: text(event, "basis"),
        };
        let before = self.told.iter().rposition(|s| s.stage == stage.stage);
        match before {
            Some(i) if event["withdrawn"] == Json::Bool(true) => {
                self.told.remove(i);
            }
            None if event["withdrawn"] == Json::Bool(true) => {}
            Some(i) if event["revises"] == Json::Bool(true) => self.told[i] = stage,
            _ => self.told.push(stage),
        }
    }

    fn alarm(&mut self, event: &Json) {
        let name = text(event, "alarm");
        let Some(at) = time(event, "time") else { return };
        let by = event["by"].as_str().map(String::from);
        let open = self.open.get(&name).and_then(|i| self.alarms.get_mut(*i));
        match (event["state"].as_str(), open) {
            (Some("unacknowledged"), _) => {
                self.open.insert(name.clone(), self.alarms.len());
                self.alarms.push(AlarmDone {
                    alarm: name,
                    priority: text(event, "priority"),
                    sounds: event["sounds"].as_bool(),
                    raised: at,
                    taken: None,
                    taken_by: None,
                    over: None,
                    celsius: event["celsius"].as_f64(),
                    limit_celsius: event["limit_celsius"].as_f64(),
                    text: text(event, "text"),
                    said: serde_json::from_value(event["said"].clone()).unwrap_or_default(),
                });
            }
            (Some("acknowledged"), Some(open)) => {
                open.taken.get_or_insert(at);
                open.taken_by = open.taken_by.take().or(by);
            }
            (Some("returned-unacknowledged"), Some(open)) => {
                open.over.get_or_insert(at);
            }
            (Some("normal" | "suppressed" | "out-of-service" | "shelved"), Some(open)) => {
                if by.is_some() {
                    open.taken.get_or_insert(at);
                    open.taken_by = open.taken_by.take().or(by);
                }
                open.over.get_or_insert(at);
                self.open.remove(&name);
            }
            _ => {}
        }
    }

    /// What was not told with hindsight is told as it stands. All of it goes by when it
    /// began: a warming that is told once the rennet is marked stands before it.
    pub fn end(&mut self) {
        self.told.sort_by_key(|s| s.began);
        for i in 1..self.told.len() {
            let next = self.told[i].began;
            self.told[i - 1].ended = Some(next);
        }
        self.stages.extend(self.told.drain(..).filter(|s| s.stage != "idle"));
        self.stages.sort_by_key(|s| s.began);
    }
}

/// The stages of an event `make`.
pub fn made_stages(event: &Json) -> Vec<StageDone> {
    let stages = event["stages"].as_array().into_iter().flatten();
    stages
        .map(|s| StageDone {
            stage: text(s, "stage"),
            began: time(s, "began").unwrap_or_default(),
            ended: time(s, "ended"),
            confidence: s["confidence"].as_f64().unwrap_or_default(),
            basis: text(s, "basis"),
        })
        .filter(|s| s.stage != "idle")
        .collect()
}

/// The heatings of an event `make`.
pub fn made_cooks(event: &Json) -> Vec<CookDone> {
    let cooks = event["cooks"].as_array().into_iter().flatten();
    cooks
        .map(|c| CookDone {
            target_celsius: c["target_celsius"].as_f64(),
            heat_off_called: time(c, "heat_off_called_at"),
            reached: time(c, "reached_at"),
            peak_celsius: c["peak_celsius"].as_f64().unwrap_or_default(),
            peak: time(c, "peak_at"),
        })
        .collect()
}
