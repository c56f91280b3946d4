//! A validated plan: what the maker means to do today.
//!
//! `config` reads the file, names every fault, and builds this; the engine
//! takes it as true. Temperatures are °C, durations minutes or seconds as the
//! name says.

use std::collections::BTreeMap;

use super::alarm::AlarmKind;
use super::stage::Stage;

/// What the maker means to do.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// The cheese's name.
    pub name: String,
    /// From an alert until the heat is really off, seconds (0 to 600).
    pub reaction_s: f64,
    /// How far from a target is still good, °C (above 0, at most 5).
    pub tolerance_celsius: f64,
    /// How long ahead `get-ready` comes, minutes (0 to 60): the maker's walk.
    pub get_ready_minutes: f64,
    /// Height of the dairy above the sea, metres (-400 to 5,000); for the
    /// boiling point.
    pub altitude_m: f64,
    /// Milk in the kettle, litres, where known.
    pub litres: Option<f64>,
    /// The stages in order.
    pub stages: Vec<PlannedStage>,
    /// The rennet clock's facts, where known.
    pub rennet: RennetPlan,
    /// Stored milk above this is warm, °C; `None` watches nothing.
    pub milk_warm_above_celsius: Option<f64>,
    /// Where the plan departs from the default of an alarm.
    pub alarms: BTreeMap<AlarmKind, Sounding>,
}

/// No milk is set above this, °C; with room for an overshoot.
pub const HOTTEST_SET_C: f64 = 47.0;

impl Plan {
    /// Where the milk is set, °C: what the plan says of the setting, or else of the last
    /// warming before it; what is warmed beyond where any milk is set is cooled back
    /// first. `None` where it says neither.
    pub fn set_celsius(&self) -> Option<f64> {
        let setting = self.stages.iter().position(|s| s.kind == Stage::Setting);
        let own = setting.and_then(|at| self.stages[at].to_celsius);
        let before = self.stages[..setting.unwrap_or(self.stages.len())].iter().rev();
        let mut warmed = before.filter(|s| s.kind == Stage::Warming).filter_map(|s| s.to_celsius);
        own.or_else(|| warmed.find(|c| *c < HOTTEST_SET_C))
    }
}

/// What holds where no plan says: a maker's reaction, seconds; how far from a target is still
/// good, °C; and how long ahead of a call to get ready, minutes.
pub(super) const REACTION_S: f64 = 18.0;
pub(super) const TOLERANCE_C: f64 = 0.5;
pub(super) const GET_READY_MINUTES: f64 = 5.0;

impl Default for Plan {
    fn default() -> Self {
        Self {
            name: String::new(),
            reaction_s: REACTION_S,
            tolerance_celsius: TOLERANCE_C,
            get_ready_minutes: GET_READY_MINUTES,
            altitude_m: 0.0,
            litres: None,
            stages: Vec::new(),
            rennet: RennetPlan::default(),
            milk_warm_above_celsius: None,
            alarms: BTreeMap::new(),
        }
    }
}

/// One stage as planned.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedStage {
    /// Which.
    pub kind: Stage,
    /// Where it should end, °C.
    pub to_celsius: Option<f64>,
    /// What the maker expects, minutes; not a promise.
    pub minutes: Option<f64>,
    /// May be left out without a word.
    pub optional: bool,
    /// Schedule: (minutes since the stage began, °C), rising in minutes;
    /// empty where none is kept.
    pub points: Vec<(f64, f64)>,
    /// Half width of the good band around the points or the target, °C; the
    /// plan's tolerance where `None`.
    pub band_celsius: Option<f64>,
}

impl PlannedStage {
    /// A stage of that kind with nothing more said.
    pub fn of(kind: Stage) -> Self {
        Self {
            kind,
            to_celsius: None,
            minutes: None,
            optional: false,
            points: Vec::new(),
            band_celsius: None,
        }
    }
}

/// What the plan knows of the rennet.
#[derive(Debug, Clone, PartialEq)]
pub struct RennetPlan {
    /// Soxhlet strength: volumes of milk that one volume clots in 2,400 s at
    /// 35 °C, such as 10,000.
    pub strength: Option<f64>,
    /// Dose, millilitres to 100 litres of milk.
    pub dose_ml_per_100l: Option<f64>,
    /// Time to the cut = time to first flocs × this (1 to 10).
    pub floc_multiplier: f64,
    /// How the clotting time depends on the milk's temperature: (°C, relative
    /// time), rising in °C; empty takes the built-in table.
    pub temperature_table: Vec<(f64, f64)>,
}

impl Default for RennetPlan {
    fn default() -> Self {
        Self { strength: None, dose_ml_per_100l: None, floc_multiplier: 3.0, temperature_table: Vec::new() }
    }
}

/// Whether an alarm sounds, only shows, or is not raised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sounding {
    /// Sounds and shows.
    Sounds,
    /// Only shows.
    Shows,
    /// Is not raised at all.
    Off,
}

impl Sounding {
    /// The word in a plan.
    pub fn name(self) -> &'static str {
        match self {
            Self::Sounds => "sounds",
            Self::Shows => "shows",
            Self::Off => "off",
        }
    }
}
