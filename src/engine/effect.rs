//! What may be asked of the shell: the engine's answers.
//!
//! Every instant is wall time in nanoseconds since 1970 UTC, made with the
//! clock offset known when the effect was given; `None` where no clock is
//! known.

use super::alarm::{AlarmKind, AlarmState, Priority};
use super::event::Name;
use super::heat::Learned;
use super::probe::Health;
use super::said::Said;
use super::stage::{Basis, Stage};

/// Wall time, nanoseconds since 1970 UTC.
pub type WallNs = i64;

/// One answer of the engine, and the wall time of what caused it.
#[derive(Debug, Clone, PartialEq)]
pub struct Effect {
    /// Time of the reading, mark or tick that caused it.
    pub time: Option<WallNs>,
    /// The probe it was concluded from.
    pub probe: Name,
    /// The kettle it concerns.
    pub kettle: Name,
    /// What.
    pub what: Conclusion,
}

/// What the engine can conclude.
#[derive(Debug, Clone, PartialEq)]
pub enum Conclusion {
    /// A stage began, was revised or was withdrawn.
    Stage(StageChange),
    /// An alarm changed its state.
    Alarm(AlarmChange),
    /// Where the temperature goes.
    Forecast(Forecast),
    /// A probe's health changed.
    Health(HealthChange),
    /// A make began: milk was found.
    MakeBegan,
    /// A make ended: the whole of it with hindsight.
    Make(Make),
    /// What was learned of the kettle by a make that ended.
    Learned(Learned),
    /// Something about the record itself worth a line: a reading out of order,
    /// twice, a clock that stepped.
    Remark(String),
}

/// A stage began, or a better boundary is known, or it is withdrawn.
#[derive(Debug, Clone, PartialEq)]
pub struct StageChange {
    /// Which stage.
    pub stage: Stage,
    /// When it began.
    pub began: Option<WallNs>,
    /// Probability that the boundary holds, 0 to 1.
    pub confidence: f64,
    /// What it rests on.
    pub basis: Basis,
    /// A better boundary of a stage already given.
    pub revises: bool,
    /// A stage given in error is taken back.
    pub withdrawn: bool,
}

/// An alarm changed its state.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmChange {
    /// Which alarm.
    pub alarm: AlarmKind,
    /// Its new state (ISA-18.2).
    pub state: AlarmState,
    /// How much it matters.
    pub priority: Priority,
    /// Whether it sounds or only shows, by the plan.
    pub sounds: bool,
    /// The temperature at that moment, °C, where one is known.
    pub celsius: Option<f64>,
    /// The limit it is about, °C.
    pub limit_celsius: Option<f64>,
    /// What it says, and what can be done.
    pub text: String,
    /// The same as data, for other languages.
    pub said: Vec<Said>,
    /// Who took it, where a person did.
    pub by: Option<Name>,
    /// How long it stays silent, seconds, where a person has just shelved it.
    pub shelved_for_s: Option<f64>,
}

/// Where the temperature would end if the heat came off a reaction from now.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// The running stage.
    pub stage: Stage,
    /// Its target, °C.
    pub target_celsius: f64,
    /// When the call should come for the peak to end on the target; never in the
    /// past: from the call on it is now, for as long as heat goes in.
    pub heat_off_at: Option<WallNs>,
    /// When the temperature reaches the target with the heat on.
    pub reach_at: Option<WallNs>,
    /// Peak if the heat came off a reaction from now, °C: middle.
    pub peak_celsius: f64,
    /// Lower end of the 80 % band, °C.
    pub peak_low_celsius: f64,
    /// Upper end of the 80 % band, °C.
    pub peak_high_celsius: f64,
}

/// A probe's health changed.
#[derive(Debug, Clone, PartialEq)]
pub struct HealthChange {
    /// Its health now (NAMUR NE 107).
    pub health: Health,
    /// Why.
    pub reason: String,
}

/// A whole make with hindsight.
#[derive(Debug, Clone, PartialEq)]
pub struct Make {
    /// Stages in order.
    pub stages: Vec<MakeStage>,
    /// Every heating that had a target and ended above the milk's setting.
    pub cooks: Vec<Cook>,
}

/// One stage of a make that ended.
#[derive(Debug, Clone, PartialEq)]
pub struct MakeStage {
    /// Which.
    pub stage: Stage,
    /// When it began.
    pub began: Option<WallNs>,
    /// When it ended.
    pub ended: Option<WallNs>,
    /// Probability that the beginning holds, 0 to 1.
    pub confidence: f64,
    /// What it rests on.
    pub basis: Basis,
}

/// One heating with a target.
#[derive(Debug, Clone, PartialEq)]
pub struct Cook {
    /// What was wanted, °C, where anybody said.
    pub target_celsius: Option<f64>,
    /// When the call came.
    pub heat_off_called_at: Option<WallNs>,
    /// When the filtered temperature stood at the target.
    pub reached_at: Option<WallNs>,
    /// Highest filtered temperature, °C.
    pub peak_celsius: f64,
    /// When.
    pub peak_at: Option<WallNs>,
}
