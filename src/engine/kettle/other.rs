//! A further probe in a kettle: watched for its own sake.
//!
//! Invariant: its number and its health are never another probe's.
//!
//! Deliberately absent: a filter, stages and alarms, which follow one probe; which
//! one is said in `spare`.

use super::Kettle;
use crate::engine::event::{Name, Reading};
use crate::engine::probe::{Health, Verdict, Watch};
use crate::engine::view::KettleView;

/// An older number is none to show, seconds.
const FRESH_S: f64 = 8.0;
/// One that pauses for longer is not to be followed, seconds.
const PAUSE_S: f64 = 30.0;

impl Kettle {
    /// A probe said something that is not the one the make is followed by.
    pub fn other(&mut self, r: &Reading, t_s: f64) {
        if let Some(other) = self.others.get_mut(&r.probe) {
            other.take(r, t_s);
        } else {
            self.others.insert(r.probe.clone(), Other::heard(r, t_s));
        }
    }

    /// A probe said what it had read then: only its box's counter is heard.
    pub fn came_late(&mut self, r: &Reading) {
        if self.probe == r.probe {
            self.watch.came_late(r.seq);
        } else if let Some(other) = self.others.get_mut(&r.probe) {
            other.watch.came_late(r.seq);
        }
    }
}

/// One further probe. Times are engine seconds.
#[derive(Debug)]
pub(in crate::engine) struct Other {
    probe: Name,
    pub(super) watch: Watch,
    pub(in crate::engine) verdict: Verdict,
    pub(super) heard_s: f64,
    /// Since when each reading was a good number.
    good_since_s: Option<f64>,
}

impl Other {
    /// It was heard for the first time.
    pub(super) fn heard(r: &Reading, t_s: f64) -> Self {
        let mut watch = Watch::new();
        let verdict = watch.take(r, t_s, 0.0);
        let mut it = Self::of(r.probe.clone(), watch, verdict, t_s);
        it.note_good(t_s);
        it
    }

    /// It was followed until now, and is no longer.
    pub(super) fn of(probe: Name, watch: Watch, verdict: Verdict, heard_s: f64) -> Self {
        Self { probe, watch, verdict, heard_s, good_since_s: None }
    }

    /// It said something.
    pub(super) fn take(&mut self, r: &Reading, t_s: f64) {
        let since_s = (t_s - self.heard_s).max(0.0);
        self.verdict = self.watch.take(r, t_s, since_s);
        self.heard_s = t_s;
        if since_s > PAUSE_S {
            self.good_since_s = None;
        }
        self.note_good(t_s);
    }

    fn note_good(&mut self, t_s: f64) {
        let good = self.verdict.use_celsius.is_some() && self.watch.health() <= Health::MaintenanceRequired;
        self.good_since_s = good.then(|| self.good_since_s.unwrap_or(t_s));
    }

    /// For how long it has spoken well, seconds, where it does.
    pub(super) fn good_for_s(&self, t_s: f64) -> Option<f64> {
        let speaks = t_s - self.heard_s <= PAUSE_S;
        self.good_since_s.filter(|_| speaks).map(|since_s| t_s - since_s)
    }

    /// Its kettle as it is seen by this probe.
    pub(in crate::engine) fn seen(&self, kettle: KettleView, t_s: f64) -> KettleView {
        let reason = self.watch.reason();
        KettleView {
            probe: self.probe.clone(),
            celsius: self.verdict.use_celsius.filter(|_| t_s - self.heard_s < FRESH_S),
            age_s: self.watch.age_s(t_s),
            rate_celsius_per_min: None,
            roughness_celsius: None,
            health: self.watch.health(),
            reason: if reason.is_fine() { String::new() } else { reason.to_string() },
            ..kettle
        }
    }
}
