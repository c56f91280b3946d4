//! What is known of one kettle at one moment: the sum of filter, stages,
//! kettle and clock, for the alarms to judge. Plain data.

use super::probe::Health;
use super::stage::{Basis, Stage};

/// One kettle at one moment. Times are engine seconds (monotonic, from the
/// first event on).
#[derive(Debug, Clone, PartialEq)]
#[allow(clippy::struct_excessive_bools)] // each is seen by itself, and any may go with any
pub struct Situation {
    /// Now, engine seconds.
    pub t_s: f64,
    /// Filtered temperature, °C; `None` where no number may be shown.
    pub celsius: Option<f64>,
    /// Mean of what the probe said in the last 20 s, as it came, °C: the filtered
    /// one runs on for a minute where a rise breaks off.
    pub plain_celsius: Option<f64>,
    /// Its rate, °C/min.
    pub rate_celsius_per_min: Option<f64>,
    /// Seconds since the last good number.
    pub number_age_s: f64,
    /// Seconds since the probe last said anything at all.
    pub silent_s: f64,
    /// How long it usually is from one reading to the next, seconds.
    pub every_s: f64,
    /// The probe's health.
    pub health: Health,
    /// Why, where it is not good.
    pub reason: String,
    /// The running stage.
    pub stage: Stage,
    /// Which stage of the make it is, in its order: a kind may come twice.
    pub occurrence: usize,
    /// What that it runs rests on.
    pub basis: Basis,
    /// When it began, engine seconds.
    pub stage_began_s: f64,
    /// The planned length of the running stage, minutes.
    pub planned_minutes: Option<f64>,
    /// Whether the probe hangs in milk, curd or whey (not in air, not idle).
    pub in_milk: bool,
    /// Whether heat is going in.
    pub heating: bool,
    /// Whether a person said that the heat is off, and nothing since that it is on.
    pub said_off: bool,
    /// Where a cook is done and the plan has another: the probability that heat is
    /// on for that one already.
    pub cooks_on: Option<f64>,
    /// Whether the milk rises as it does on the fire, also after the heat was called off.
    pub goes_on: bool,
    /// The probability that the milk stands by now, or was cut: a stage is told when it
    /// is all but sure.
    pub stands: f64,
    /// The probability that the curd is cut by now.
    pub cut: f64,
    /// Counts heatings; each is a new call.
    pub heating_number: u32,
    /// The running stage's target, °C.
    pub target_celsius: Option<f64>,
    /// The heating that was told last, its stage and target, °C: one may be told
    /// together with the stage that it ended in.
    pub heated: Option<(Stage, f64)>,
    /// Half width of the good band, °C.
    pub tolerance_celsius: f64,
    /// The temperature at which the milk was set, °C, while it sets.
    pub set_celsius: Option<f64>,
    /// Planned rate of the running heating now, °C/min, where the plan says.
    pub planned_rate_celsius_per_min: Option<f64>,
    /// Where the heating goes, while it goes to a target.
    pub outlook: Option<Outlook>,
    /// How long the trace has been as quiet as unstirred milk, seconds; 0
    /// where it scatters as stirred milk does, or cannot be told.
    pub still_s: f64,
    /// When the rennet clock says to look at the curd, engine seconds.
    pub curd_check_at_s: Option<f64>,
    /// Local boiling point, °C.
    pub boiling_celsius: f64,
}

/// Where a heating goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlook {
    /// The target that it goes to, °C.
    pub target_celsius: f64,
    /// Seconds until the call should come; 0 or less is now.
    pub heat_off_in_s: f64,
    /// Seconds until the target is reached with the heat on.
    pub reach_in_s: f64,
    /// Peak if the heat came off a reaction from now, °C: middle.
    pub peak_celsius: f64,
    /// Lower end of the 80 % band, °C.
    pub peak_low_celsius: f64,
    /// Upper end of the 80 % band, °C.
    pub peak_high_celsius: f64,
    /// Since when there is no number and the forecast goes on blind, seconds.
    pub blind_s: Option<f64>,
}
