//! Outlets for alarms: when each calls, again and again until the alarm is
//! taken, and what is said when one of them does not work.
//!
//! Terms: a *call* is one message to one outlet; an outlet's *watch* remembers
//! which alarms it called and when; the *board* is where all outlets say how
//! they do.
//!
//! Invariants: an alarm that was taken anywhere is called nowhere any more. A
//! call that fails is tried again after 1, 2, 4 … 30 seconds for as long as the
//! alarm is untaken; from the third failure on, the board says so, so that the
//! page and the other outlets tell it. Time is an argument: the watch is pure.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::watch;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::outlet::{Feed, Outlet, Running, Snapshot};
use super::{alert_command, alert_http, alert_sound};
use crate::config::dairy::Config;
use crate::config::shown::{Alert, Way};
use crate::engine::alarm::{AlarmKind, AlarmState};
use crate::engine::event::Name;
use crate::engine::view::{AlarmView, KettleView};
use crate::web::seam::OutletState;
use crate::wire::json::rfc3339;
use crate::words::Words;

/// A call must be through within this.
const CALL_WITHIN: Duration = Duration::from_secs(10);
/// Longest wait before a failed call is tried again.
const RETRY_MOST_S: f64 = 30.0;
/// So many failures in a row and the others are told.
const TOLD_AFTER: u32 = 3;

/// One message to an outlet.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Call {
    /// The kettle, `-` where it concerns none.
    pub kettle: String,
    /// The alarm's name on the wire; `test` for a test, `outlet-failed` where
    /// another outlet does not work.
    pub alarm: String,
    /// Its state, by ISA-18.2.
    pub state: String,
    /// `low`, `medium` or `high`.
    pub priority: String,
    /// What to say in a few words, in the outlet's language.
    pub words: String,
    /// The same at length: the numbers, and what can be done.
    pub text: String,
    /// Temperature, °C, two decimals; empty where there is no number.
    pub celsius: String,
    /// The target, °C, two decimals; empty where there is none.
    pub limit: String,
    /// RFC 3339 UTC; empty where no clock is known.
    pub time: String,
}

impl Call {
    /// Every place of a template with its value.
    pub fn places(&self) -> [(&'static str, &str); 9] {
        [
            ("kettle", &self.kettle),
            ("alarm", &self.alarm),
            ("state", &self.state),
            ("priority", &self.priority),
            ("words", &self.words),
            ("text", &self.text),
            ("celsius", &self.celsius),
            ("limit", &self.limit),
            ("time", &self.time),
        ]
    }
}

/// How all outlets do, and the order to test them.
#[derive(Debug)]
pub struct Board {
    states: Mutex<BTreeMap<String, OutletState>>,
    tests: watch::Sender<u64>,
    failing: watch::Sender<BTreeSet<String>>,
}

impl Default for Board {
    fn default() -> Self {
        Self {
            states: Mutex::default(),
            tests: watch::Sender::new(0),
            failing: watch::Sender::new(BTreeSet::new()),
        }
    }
}

impl Board {
    fn all(&self) -> MutexGuard<'_, BTreeMap<String, OutletState>> {
        self.states.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How each outlet does, by name.
    pub fn states(&self) -> Vec<OutletState> {
        self.all().values().cloned().collect()
    }

    /// Every outlet calls once, as a test.
    pub fn test(&self) {
        self.tests.send_modify(|n| *n += 1);
    }

    fn note(&self, name: &str, failures: u32, text: String) {
        let state = OutletState { name: name.to_owned(), well: failures == 0, text };
        self.all().insert(name.to_owned(), state);
        self.failing.send_if_modified(|failing| {
            if failures >= TOLD_AFTER {
                failing.insert(name.to_owned())
            } else {
                failures == 0 && failing.remove(name)
            }
        });
    }
}

/// Every outlet for alarms that `config` names.
pub fn configured(config: &Config, board: &Arc<Board>) -> Vec<Box<dyn Outlet>> {
    config
        .alerts
        .iter()
        .map(|alert| -> Box<dyn Outlet> {
            Box::new(Alerts { alert: alert.clone(), board: Arc::clone(board) })
        })
        .collect()
}

/// One outlet for alarms.
#[derive(Debug)]
pub struct Alerts {
    alert: Alert,
    board: Arc<Board>,
}

impl Outlet for Alerts {
    fn name(&self) -> String {
        self.alert.name.clone()
    }

    fn run(self: Box<Self>, feed: Feed, stop: CancellationToken) -> Running {
        Box::pin(async move {
            self.watch(feed, stop).await;
            Ok(())
        })
    }
}

impl Alerts {
    async fn watch(&self, mut feed: Feed, stop: CancellationToken) {
        let began = Instant::now();
        let mut watch = Watch::new(self.alert.clone());
        let mut tests = self.board.tests.subscribe();
        let mut failing = self.board.failing.subscribe();
        let mut told = BTreeSet::new();
        self.board.note(&self.alert.name, 0, String::new());
        loop {
            let now_s = began.elapsed().as_secs_f64();
            let shown = feed.snapshot.borrow_and_update().clone();
            let mut calls = watch.due(now_s, &shown);
            if tests.has_changed().unwrap_or(false) {
                tests.borrow_and_update();
                calls.push((None, self.test_call(&shown)));
            }
            let others: BTreeSet<String> =
                failing.borrow_and_update().iter().filter(|n| **n != self.alert.name).cloned().collect();
            calls.extend(others.difference(&told).map(|n| (None, self.failed_call(n, &shown))));
            told = others;
            for (key, call) in calls {
                let answer = tokio::time::timeout(CALL_WITHIN, self.call(&call)).await;
                let answer = answer.unwrap_or_else(|_| Err("no answer within 10 s".to_owned()));
                let failures = watch.called(key, began.elapsed().as_secs_f64(), answer.is_ok());
                let text = answer.err().unwrap_or_default();
                if !text.is_empty() {
                    tracing::warn!("outlet {} failed ({failures}): {text}", self.alert.name);
                }
                self.board.note(&self.alert.name, failures, text);
            }
            let next = watch.next_s(began.elapsed().as_secs_f64());
            tokio::select! {
                () = stop.cancelled() => return,
                changed = feed.snapshot.changed() => if changed.is_err() { return },
                _ = tests.changed() => {}
                _ = failing.changed() => {}
                () = tokio::time::sleep(Duration::from_secs_f64(next)) => {}
            }
        }
    }

    async fn call(&self, call: &Call) -> Result<(), String> {
        match &self.alert.way {
            Way::Http { authority, path, body, content_type } => {
                alert_http::post(authority, path, content_type, &alert_http::filled(body, content_type, call))
                    .await
            }
            Way::Command(argv) => alert_command::run(argv, call, None).await,
            Way::Sound(argv) => {
                let wav = alert_sound::wav(alert_sound::Tune::of(&call.alarm));
                alert_command::run(argv, call, Some(wav)).await
            }
        }
    }

    fn test_call(&self, shown: &Snapshot) -> Call {
        let words = Words::of(&self.alert.language).say("outlet-test", &[("name", &self.alert.name)]);
        general("test", words, shown)
    }

    fn failed_call(&self, other: &str, shown: &Snapshot) -> Call {
        let words = Words::of(&self.alert.language).say("outlet-broken", &[("name", other)]);
        general("outlet-failed", words, shown)
    }
}

fn general(alarm: &str, words: String, shown: &Snapshot) -> Call {
    Call {
        kettle: "-".into(),
        alarm: alarm.into(),
        state: "normal".into(),
        priority: "low".into(),
        text: words.clone(),
        words,
        time: rfc3339(shown.wall_ns),
        ..Call::default()
    }
}

/// Which alarm of which kettle, and which raising of it.
type Key = (Name, AlarmKind, Option<i64>);

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

    /// What is to be called at `now_s`.
    pub fn due(&mut self, now_s: f64, shown: &Snapshot) -> Vec<(Option<Key>, Call)> {
        let mut still = BTreeSet::new();
        let mut calls = Vec::new();
        for k in &shown.view.kettles {
            for a in k.alarms.iter().filter(|a| concerns(&self.alert, a)) {
                let key = (k.kettle.clone(), a.alarm, a.since);
                still.insert(key.clone());
                let delay_s = self.alert.delay_s;
                let called =
                    self.open.entry(key.clone()).or_insert(Called { due_s: now_s + delay_s, failures: 0 });
                if called.due_s <= now_s {
                    calls.push((Some(key), alarm_call(&self.alert, k, a, shown)));
                }
            }
        }
        self.open.retain(|key, _| still.contains(key));
        calls
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
    fn next_s(&self, now_s: f64) -> f64 {
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

fn alarm_call(alert: &Alert, k: &KettleView, a: &AlarmView, shown: &Snapshot) -> Call {
    let words = Words::of(&alert.language);
    let two = |c: Option<f64>| c.map(|c| format!("{c:.2}")).unwrap_or_default();
    let mut said = words.say(&format!("alarm-{}", a.alarm.name()), &[]);
    if let Some(c) = k.celsius {
        let _ = write!(said, " · {} °C", words.number(c, 1));
    }
    Call {
        kettle: k.kettle.to_string(),
        alarm: a.alarm.name().into(),
        state: a.state.name().into(),
        priority: a.priority.name().into(),
        words: said,
        text: words.tell(&a.said),
        celsius: two(k.celsius),
        limit: two(k.target_celsius),
        time: rfc3339(shown.wall_ns),
    }
}

#[cfg(test)]
#[path = "alerts_tests.rs"]
mod tests;
