//! The one plain sentence: what to do now.
//!
//! Duty: of everything that is known about a kettle, choose the single
//! sentence that a person with wet hands needs, as a message key and values.
//! The tool advises; the maker decides, so no sentence orders a cut.
//!
//! Invariants: a grave alarm has the sentence for as long as its cause stands,
//! taken and silenced too: to take it makes nothing milder. After it comes what
//! nobody took; but one of low priority that only shows gives way to the stage's own
//! sentence after a while. Where there is no number to trust, the sentence says
//! so and never mentions a temperature of the milk. Where the stage is not sure,
//! no sentence instructs as though it were.

mod alarms;
mod heating;

pub use alarms::of_alarm;

use crate::engine::alarm::{AlarmKind, AlarmState};
use crate::engine::effect::WallNs;
use crate::engine::probe::Health;
use crate::engine::stage::{Basis, Stage};
use crate::engine::view::KettleView;

/// A value in a sentence; the reader's language gives it its form.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// Degrees Celsius, one decimal.
    Celsius(f64),
    /// A length of time in seconds, read as whole minutes.
    Minutes(f64),
    /// A time of day.
    Clock(WallNs),
    /// Words of the message files, by their key.
    Word(String),
}

/// A message key and its values.
#[derive(Debug, Clone, PartialEq)]
pub struct Sentence {
    /// Key in the message files.
    pub key: String,
    /// Values by the names in the message.
    pub values: Vec<(&'static str, Value)>,
}

impl Sentence {
    fn of(key: impl Into<String>) -> Self {
        Self { key: key.into(), values: Vec::new() }
    }

    fn with(mut self, name: &'static str, value: Value) -> Self {
        self.values.push((name, value));
        self
    }
}

/// The moment at which it is said, and what the kettle's view does not tell.
#[derive(Debug, Clone, Copy, Default)]
pub struct At {
    /// The wall clock's now, where it is known.
    pub now_ns: Option<WallNs>,
    /// Seconds since the view was taken.
    pub waited_s: f64,
    /// When a person last marked the fire off, where it was not marked on since.
    pub marked_off: Option<WallNs>,
}

impl At {
    /// Seconds until then; negative where it is past.
    fn until(self, then: Option<WallNs>) -> Option<f64> {
        Some((then? - self.now_ns?) as f64 / 1e9)
    }
}

/// What the kettle's sheet counts down to.
#[derive(Debug, Clone, PartialEq)]
pub struct Countdown {
    /// Message key of what it counts down to: `count-heat-off` and, once that is due,
    /// `count-off-now`, `count-target`, `count-curd`, `count-planned`, `count-over`.
    pub key: &'static str,
    /// Seconds left; below 0 it is past.
    pub seconds: f64,
}

/// Below this, "in less than a minute" is said, seconds.
const MINUTE_S: f64 = 60.0;
/// A stage told with less than this is not sure.
const SURE: f64 = 0.7;
/// A probe that rises so fast while no make is known hangs in milk on the fire, °C/min.
const RISES_CELSIUS_PER_MIN: f64 = 0.2;

/// Whether the kettle has a number that may be acted on. `waited_s` is the time
/// since the view was taken.
pub fn trusted(k: &KettleView, waited_s: f64) -> bool {
    let fresh = k.age_s.is_some_and(|a| a + waited_s <= k.old_after_s);
    k.celsius.is_some() && fresh && is_good(k.health)
}

/// Whether the numbers of a probe of that health may be acted on.
pub fn is_good(health: Health) -> bool {
    matches!(health, Health::Good | Health::MaintenanceRequired)
}

/// Whether a person still has to take it.
pub fn untaken(state: AlarmState) -> bool {
    matches!(state, AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged)
}

/// What to do now.
pub fn now(k: &KettleView, at: At) -> Sentence {
    if let Some(a) = alarms::speaker(k, at) {
        return alarms::sentence(a, k, at);
    }
    // Before a make there is no milk to speak of, and who draws has the probe out.
    if !matches!(k.stage, Stage::Idle | Stage::Drawing) && !trusted(k, at.waited_s) {
        return Sentence::of("do-no-number");
    }
    by_stage(k, at)
}

fn by_stage(k: &KettleView, at: At) -> Sentence {
    let rate = k.rate_celsius_per_min.unwrap_or(0.0);
    if comes_to_a_stand(k) {
        return Sentence::of("do-renneted");
    }
    if heats(k.stage)
        && let Some(target) = k.target_celsius
    {
        return heating::sentence(k, target, at);
    }
    let s = Sentence::of(format!("do-stage-{}", k.stage.name()));
    if k.stage == Stage::Idle {
        return match (trusted(k, at.waited_s), k.health) {
            (true, _) if rate >= RISES_CELSIUS_PER_MIN => Sentence::of("do-idle-rises"),
            (false, Health::Good | Health::MaintenanceRequired | Health::Failure) => {
                Sentence::of("do-idle-no-number")
            }
            _ => s,
        };
    }
    // The rennet clock runs from a mark, so this much is sure.
    if k.stage == Stage::Setting
        && let Some(left) = curd_left_s(k, at)
    {
        return if left > 0.0 {
            Sentence::of("do-setting-until").with("min", Value::Minutes(left))
        } else {
            Sentence::of("do-curd-check")
        };
    }
    if !is_sure(k) {
        return perhaps(k.stage);
    }
    match planned_left_s(k, at) {
        Some(left) if left > 30.0 && planned_sentence(k.stage) => {
            Sentence::of(format!("do-{}-left", k.stage.name())).with("min", Value::Minutes(left))
        }
        _ => s,
    }
}

/// Whether the rennet is in by a mark, and the milk does not stand yet.
fn comes_to_a_stand(k: &KettleView) -> bool {
    matches!(k.stage, Stage::Warming | Stage::Ripening) && is_renneted(k)
}

/// Whether the rennet is in by a mark, and the curd not cut yet.
fn is_renneted(k: &KettleView) -> bool {
    k.curd_check_at.is_some()
}

/// The stages in which milk or whey is on the fire.
fn heats(stage: Stage) -> bool {
    matches!(stage, Stage::Warming | Stage::Cooking | Stage::WheyHeating)
}

/// Whether the stage is known well enough to say what it asks for.
fn is_sure(k: &KettleView) -> bool {
    k.stage_basis != Basis::Plan && k.stage_confidence >= SURE
}

/// The tentative form: which stage it may be, and to look.
fn perhaps(stage: Stage) -> Sentence {
    Sentence::of("do-perhaps").with("stage", Value::Word(format!("stage-{}", stage.name())))
}

/// Stages whose sentence names the planned minutes that are left.
fn planned_sentence(stage: Stage) -> bool {
    matches!(stage, Stage::Ripening | Stage::Stirring | Stage::Settling | Stage::WheyResting)
}

/// Seconds until the curd is to be looked at. The call comes a little early, so that
/// there is time to come: from then on it is now, whoever took it.
fn curd_left_s(k: &KettleView, at: At) -> Option<f64> {
    let left = at.until(k.curd_check_at)?;
    let called = k.alarms.iter().any(|a| a.alarm == AlarmKind::CurdCheck);
    Some(if called { left.min(0.0) } else { left })
}

/// What the sheet counts down to, where there is anything.
pub fn countdown(k: &KettleView, at: At) -> Option<Countdown> {
    if heating::is_to_take_off(k, at) {
        return Some(heating::OFF_NOW);
    }
    if heats(k.stage) && k.target_celsius.is_some() && !comes_to_a_stand(k) {
        return heating::countdown(k, at);
    }
    if (k.stage == Stage::Setting || comes_to_a_stand(k))
        && let Some(seconds) = curd_left_s(k, at)
    {
        return Some(Countdown { key: "count-curd", seconds });
    }
    let left = planned_left_s(k, at)?;
    Some(if left >= 0.0 {
        Countdown { key: "count-planned", seconds: left }
    } else {
        Countdown { key: "count-over", seconds: -left }
    })
}

fn planned_left_s(k: &KettleView, at: At) -> Option<f64> {
    Some(k.planned_minutes? * 60.0 + at.until(k.stage_began)?)
}

#[cfg(test)]
mod tests;
