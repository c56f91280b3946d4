//! Outlets for alarms: when each calls, again and again until the alarm is
//! taken, and what is said when one of them does not work.
//!
//! Terms: a *call* is one message to one outlet; an outlet's *watch* remembers
//! which alarms it called and when ([`alert_watch`](super::alert_watch)); the
//! *board* is where all outlets say how they do.
//!
//! Invariants: an alarm that was taken anywhere is called nowhere any more. An
//! outlet makes one call at a time, the most urgent one that is due by what
//! stands at that moment; one that hangs makes way for a more urgent one. A
//! call that fails is tried again after 1, 2, 4 … 30 seconds for as long as the
//! alarm is untaken; from the third failure on, the board says so, so that the
//! page and the other outlets tell it.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::watch;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::alert_command::Turn;
use super::alert_watch::{Due, Key, NO_KETTLE, Urgency, Watch};
use super::outlet::{Feed, Outlet, Running, Snapshot};
use super::{alert_command, alert_http, alert_sound};
use crate::config::dairy::Config;
use crate::config::shown::{Alert, Way};
use crate::engine::alarm::AlarmKind;
use crate::web::seam::OutletState;
use crate::wire::json::rfc3339;
use crate::words::Words;
use crate::words::tune::Tune;

/// A call must be through within this.
const CALL_WITHIN: Duration = Duration::from_secs(10);
/// So many failures in a row and the others are told.
const TOLD_AFTER: u32 = 3;
/// What a call is named that is only a test.
const TEST: &str = "test";

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
            Box::new(Alerts { alert: alert.clone(), board: Arc::clone(board), turn: Turn::default() })
        })
        .collect()
}

/// One outlet for alarms.
#[derive(Debug)]
pub struct Alerts {
    alert: Alert,
    board: Arc<Board>,
    /// Whose turn it is to run its program.
    turn: Turn,
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

/// A call on its way.
struct OnItsWay<'a> {
    /// Whose; `None` where it is of no alarm.
    key: Option<Key>,
    urgency: Urgency,
    answer: Pin<Box<dyn Future<Output = Result<(), String>> + Send + 'a>>,
}

/// The answer of the call that is on its way; never where there is none.
async fn answered(on_its_way: &mut Option<OnItsWay<'_>>) -> Result<(), String> {
    match on_its_way {
        Some(call) => call.answer.as_mut().await,
        None => std::future::pending().await,
    }
}

impl Alerts {
    async fn watch(&self, mut feed: Feed, stop: CancellationToken) {
        let began = Instant::now();
        let mut watch = Watch::new(self.alert.clone());
        let mut tests = self.board.tests.subscribe();
        let mut tested = *tests.borrow_and_update();
        let mut failing = self.board.failing.subscribe();
        let mut told = BTreeSet::new();
        // What is of no alarm: made when nothing else is due.
        let mut besides = VecDeque::new();
        let mut on_its_way = None;
        self.board.note(&self.alert.name, 0, String::new());
        loop {
            let shown = feed.snapshot.borrow_and_update().clone();
            // By number: the wait below has taken note of the change that ended it.
            let asked = *tests.borrow_and_update();
            if std::mem::replace(&mut tested, asked) != asked {
                besides.push_back(self.test_call(&shown));
            }
            let others: BTreeSet<String> =
                failing.borrow_and_update().iter().filter(|n| **n != self.alert.name).cloned().collect();
            besides.extend(others.difference(&told).map(|n| self.failed_call(n, &shown)));
            told = others;
            let due = watch.due(began.elapsed().as_secs_f64(), &shown).into_iter().next();
            self.make_next(due, besides.front(), &mut on_its_way);
            let next_s = match &on_its_way {
                // Its end wakes us, and a new snapshot does every second.
                Some(_) => CALL_WITHIN.as_secs_f64(),
                None => watch.next_s(began.elapsed().as_secs_f64()),
            };
            tokio::select! {
                () = stop.cancelled() => return,
                changed = feed.snapshot.changed() => if changed.is_err() { return },
                _ = tests.changed() => {}
                _ = failing.changed() => {}
                () = tokio::time::sleep(Duration::from_secs_f64(next_s)) => {}
                answer = answered(&mut on_its_way) => {
                    let key = on_its_way.take().and_then(|call| call.key);
                    if key.is_none() {
                        besides.pop_front();
                    }
                    let failures = watch.called(key, began.elapsed().as_secs_f64(), answer.is_ok());
                    self.note(failures, answer);
                }
            }
        }
    }

    /// Makes the most urgent call, where no call as urgent is on its way. The
    /// one that makes way is still due.
    fn make_next<'a>(
        &'a self,
        due: Option<Due>,
        besides: Option<&Call>,
        on_its_way: &mut Option<OnItsWay<'a>>,
    ) {
        let besides =
            || besides.map(|call| Due { key: None, urgency: Urgency::default(), call: call.clone() });
        let Some(Due { key, urgency, call }) = due.or_else(besides) else { return };
        if on_its_way.as_ref().is_some_and(|running| urgency <= running.urgency) {
            return;
        }
        let answer = Box::pin(async move {
            let answer = tokio::time::timeout(CALL_WITHIN, self.call(&call)).await;
            answer.unwrap_or_else(|_| Err("no answer within 10 s".to_owned()))
        });
        *on_its_way = Some(OnItsWay { key, urgency, answer });
    }

    fn note(&self, failures: u32, answer: Result<(), String>) {
        let text = answer.err().unwrap_or_default();
        if !text.is_empty() {
            tracing::warn!("outlet {} failed ({failures}): {text}", self.alert.name);
        }
        self.board.note(&self.alert.name, failures, text);
    }

    async fn call(&self, call: &Call) -> Result<(), String> {
        match &self.alert.way {
            Way::Http { authority, path, body, content_type } => {
                alert_http::post(authority, path, content_type, &alert_http::filled(body, content_type, call))
                    .await
            }
            Way::Command(argv) => alert_command::run(argv, call, None, &self.turn).await,
            Way::Sound(argv) => {
                let tune = match AlarmKind::named(&call.alarm) {
                    Some(alarm) => Tune::of(alarm),
                    None if call.alarm == TEST => Tune::Ready,
                    None => Tune::Fault,
                };
                let wav = alert_sound::wav(tune);
                alert_command::run(argv, call, Some(wav), &self.turn).await
            }
        }
    }

    fn test_call(&self, shown: &Snapshot) -> Call {
        let words = Words::of(&self.alert.language).say("outlet-test", &[("name", &self.alert.name)]);
        general(TEST, words, shown)
    }

    fn failed_call(&self, other: &str, shown: &Snapshot) -> Call {
        let words = Words::of(&self.alert.language).say("outlet-broken", &[("name", other)]);
        general("outlet-failed", words, shown)
    }
}

fn general(alarm: &str, words: String, shown: &Snapshot) -> Call {
    Call {
        kettle: NO_KETTLE.into(),
        alarm: alarm.into(),
        state: "normal".into(),
        priority: "low".into(),
        text: words.clone(),
        words,
        time: rfc3339(shown.wall_ns),
        ..Call::default()
    }
}

#[cfg(test)]
#[path = "alerts_tests.rs"]
mod tests;
