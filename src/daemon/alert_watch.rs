//! Which alarms an outlet calls, when, and which of them first. Pure: time and
//! what stands are arguments.
//!
//! Invariants: an alarm that is not untaken any more is not due; a raising of
//! an alarm is known by the engine's own time, which is there whether or not a
//! clock was ever set.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use super::alerts::Call;
use super::outlet::Snapshot;
use crate::config::shown::Alert;
use crate::engine::alarm::{AlarmKind, AlarmState, Priority};
use crate::engine::event::Name;
use crate::engine::view::{AlarmView, KettleView};
use crate::wire::json::rfc3339;
use crate::words::Words;

/// Longest wait before a failed call is tried again.
const RETRY_MOST_S: f64 = 30.0;

/// Stands for the kettle where an alarm concerns none.
pub const NO_KETTLE: &str = "-";

/// Which alarm of which kettle, and which raising of it: engine seconds, their
/// bits, so that they have an order.
pub type Key = (Name, AlarmKind, u64);

/// How urgent a call is; what is of no alarm least. The one call that no
/// minute can wait for goes before every other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Urgency(Option<(bool, Priority)>);

impl Urgency {
    fn of(a: &AlarmView) -> Self {
        Self(Some((a.alarm == AlarmKind::HeatOff, a.priority)))
    }
}

/// A call that is due.
#[derive(Debug)]
pub struct Due {
    /// Whose; `None` where it is of no alarm.
    pub key: Option<Key>,
    /// How urgent it is.
    pub urgency: Urgency,
    /// What to say.
    pub call: Call,
}

#[derive(Debug, Clone, Copy)]
struct Called {
    /// To be called next, seconds; infinite where once was enough.
    due_s: f64,
    failures: u32,
}

/// What one outlet called and when.
#[derive(Debug)]
pub struct Watch {
    alert: Alert,
    open: BTreeMap<Key, Called>,
    failures: u32,
}

impl Watch {
    /// One that has called nothing.
    pub fn new(alert: Alert) -> Self {
        Self { alert, open: BTreeMap::new(), failures: 0 }
    }

    /// What is to be called at `now_s`, the most urgent first, of those what
    /// waits longest.
    pub fn due(&mut self, now_s: f64, shown: &Snapshot) -> Vec<Due> {
        let mut still = BTreeSet::new();
        let mut due = Vec::new();
        let of_kettles = shown.view.kettles.iter().map(|k| (Some(k), &k.alarms));
        for (k, alarms) in of_kettles.chain([(None, &shown.view.house)]) {
            let kettle = k.map_or_else(|| Name::from(NO_KETTLE), |k| k.kettle.clone());
            for a in alarms.iter().filter(|a| concerns(&self.alert, a)) {
                let key = (kettle.clone(), a.alarm, a.since_s.to_bits());
                still.insert(key.clone());
                let delay_s = self.alert.delay_s;
                let called =
                    self.open.entry(key.clone()).or_insert(Called { due_s: now_s + delay_s, failures: 0 });
                if called.due_s <= now_s {
                    let call = alarm_call(&self.alert, k, a, shown);
                    due.push((called.due_s, Due { key: Some(key), urgency: Urgency::of(a), call }));
                }
            }
        }
        self.open.retain(|key, _| still.contains(key));
        due.sort_by(|(a_s, a), (b_s, b)| b.urgency.cmp(&a.urgency).then(a_s.total_cmp(b_s)));
        due.into_iter().map(|(_, due)| due).collect()
    }

    /// A call went out, or failed. Answers how often in a row it has failed.
    pub fn called(&mut self, key: Option<Key>, now_s: f64, well: bool) -> u32 {
        self.failures = if well { 0 } else { self.failures + 1 };
        if let Some(called) = key.and_then(|k| self.open.get_mut(&k)) {
            if well {
                called.failures = 0;
                called.due_s =
                    if self.alert.repeat_s > 0.0 { now_s + self.alert.repeat_s } else { f64::INFINITY };
            } else {
                let wait_s = f64::from(1_u32 << called.failures.min(5)).min(RETRY_MOST_S);
                called.failures += 1;
                called.due_s = now_s + wait_s;
            }
        }
        self.failures
    }

    /// Seconds until something is due; a minute where nothing is.
    pub fn next_s(&self, now_s: f64) -> f64 {
        self.open.values().map(|c| c.due_s - now_s).fold(60.0, f64::min).clamp(0.01, 60.0)
    }
}

/// Whether the outlet calls for that alarm: untaken, standing, sounding, grave
/// enough, and not left out.
fn concerns(alert: &Alert, a: &AlarmView) -> bool {
    a.state == AlarmState::Unacknowledged
        && a.sounds
        && a.priority >= alert.least
        && (alert.only.is_empty() || alert.only.contains(&a.alarm))
}

fn alarm_call(alert: &Alert, k: Option<&KettleView>, a: &AlarmView, shown: &Snapshot) -> Call {
    let words = Words::of(&alert.language);
    let celsius = k.and_then(|k| k.celsius);
    let two = |c: Option<f64>| c.map(|c| format!("{c:.2}")).unwrap_or_default();
    let mut said = words.say(&format!("alarm-{}", a.alarm.name()), &[]);
    if let Some(c) = celsius {
        let _ = write!(said, " · {} °C", words.number(c, 1));
    }
    Call {
        kettle: k.map_or(NO_KETTLE, |k| &*k.kettle).into(),
        alarm: a.alarm.name().into(),
        state: a.state.name().into(),
        priority: a.priority.name().into(),
        words: said,
        text: words.tell(&a.said),
        celsius: two(celsius),
        limit: two(k.and_then(|k| k.target_celsius)),
        time: rfc3339(shown.wall_ns),
    }
}
