//! A further probe in a kettle: watched for its own sake.
//!
//! Invariant: its number and its health are never another probe's.
//!
//! Deliberately absent: a filter, stages and alarms; the first probe of the
//! kettle is what the make is followed by.

use crate::engine::event::{Name, Reading};
use crate::engine::probe::{Verdict, Watch};
use crate::engine::view::KettleView;

/// An older number is none to show, seconds.
const FRESH_S: f64 = 8.0;

/// One further probe. Times are engine seconds.
#[derive(Debug)]
pub(in crate::engine) struct Other {
    probe: Name,
    watch: Watch,
    verdict: Verdict,
    heard_s: f64,
}

impl Other {
    /// It was heard for the first time.
    pub(super) fn heard(r: &Reading, t_s: f64) -> Self {
        let mut watch = Watch::new();
        let verdict = watch.take(r, t_s, 0.0);
        Self { probe: r.probe.clone(), watch, verdict, heard_s: t_s }
    }

    /// It said something.
    pub(super) fn take(&mut self, r: &Reading, t_s: f64) {
        self.verdict = self.watch.take(r, t_s, (t_s - self.heard_s).max(0.0));
        self.heard_s = t_s;
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
