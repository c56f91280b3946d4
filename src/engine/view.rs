//! A plain snapshot of what the engine knows, for anyone to show.

use super::alarm::{AlarmKind, AlarmState, Priority};
use super::effect::{Forecast, WallNs};
use super::event::Name;
use super::probe::{Health, Missing};
use super::said::Said;
use super::stage::{Basis, Stage};

/// Everything there is to show.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct View {
    /// Every kettle a reading came from, by name.
    pub kettles: Vec<KettleView>,
    /// Alarms of the house that are not normal: store and clock, which no kettle
    /// owns.
    pub house: Vec<AlarmView>,
}

/// One kettle.
#[derive(Debug, Clone, PartialEq)]
pub struct KettleView {
    /// Its name.
    pub kettle: Name,
    /// The probe it is known by.
    pub probe: Name,
    /// Filtered temperature, °C; `None` where there is no number to show.
    pub celsius: Option<f64>,
    /// Age of the last good reading, seconds.
    pub age_s: Option<f64>,
    /// Older than this, it is the milk's temperature no more, seconds: of a probe that
    /// speaks seldom later than of others.
    pub old_after_s: f64,
    /// How fast it moves, °C/min.
    pub rate_celsius_per_min: Option<f64>,
    /// Short-term scatter, °C (standard deviation).
    pub roughness_celsius: Option<f64>,
    /// The probe's health.
    pub health: Health,
    /// Why, where it is not good.
    pub reason: String,
    /// The running stage.
    pub stage: Stage,
    /// When it began.
    pub stage_began: Option<WallNs>,
    /// How sure that is, 0 to 1.
    pub stage_confidence: f64,
    /// What it rests on.
    pub stage_basis: Basis,
    /// The plan's name, where one is followed.
    pub plan: Option<String>,
    /// The running stage's target, °C.
    pub target_celsius: Option<f64>,
    /// The planned length of the running stage, minutes.
    pub planned_minutes: Option<f64>,
    /// The last forecast, while it holds.
    pub forecast: Option<Forecast>,
    /// When the heat of this heating was called off, whatever became of the alarm; it
    /// outlives the heating's stage as its calls do.
    pub heat_off_called_at: Option<WallNs>,
    /// When to look at the curd, by the rennet clock.
    pub curd_check_at: Option<WallNs>,
    /// Alarms that are not normal.
    pub alarms: Vec<AlarmView>,
    /// Stages committed so far in this make: (stage, began).
    pub stages: Vec<(Stage, Option<WallNs>)>,
}

/// A number that is this old is not the milk's temperature any more, seconds; see
/// [`KettleView::old_after_s`].
pub const OLD_AFTER_S: f64 = 10.0;

impl KettleView {
    /// A kettle of which nothing was heard yet: no number, and why.
    pub fn unheard(kettle: &Name, probe: &Name) -> Self {
        Self {
            kettle: kettle.clone(),
            probe: probe.clone(),
            celsius: None,
            age_s: None,
            old_after_s: OLD_AFTER_S,
            rate_celsius_per_min: None,
            roughness_celsius: None,
            health: Health::Failure,
            reason: Missing::Silent.to_string(),
            stage: Stage::Idle,
            stage_began: None,
            stage_confidence: 0.0,
            stage_basis: Basis::Trace,
            plan: None,
            target_celsius: None,
            planned_minutes: None,
            forecast: None,
            heat_off_called_at: None,
            curd_check_at: None,
            alarms: Vec::new(),
            stages: Vec::new(),
        }
    }
}

/// One alarm that is not normal.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmView {
    /// Which.
    pub alarm: AlarmKind,
    /// Its state.
    pub state: AlarmState,
    /// Whether what it is about still stands, whoever took or silenced it.
    pub stands: bool,
    /// How much it matters.
    pub priority: Priority,
    /// Whether it sounds.
    pub sounds: bool,
    /// Since when.
    pub since: Option<WallNs>,
    /// The same as engine seconds, which are there without a clock too: raised
    /// again it is another.
    pub since_s: f64,
    /// When its silence ends, where a person shelved it.
    pub shelved_until: Option<WallNs>,
    /// What it says.
    pub text: String,
    /// The same as data, for other languages.
    pub said: Vec<Said>,
}
