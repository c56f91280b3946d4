//! The set of one kettle's alarms: what each is about, delays, deadbands,
//! suppression, grouping and floods.

use super::alarm::{AlarmKind, AlarmState, Priority};
use super::effect::AlarmChange;
use super::event::{Ask, Name};
use super::plan::Plan;
use super::situation::Situation;

/// How one probe's failure stands to the failures of the others.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Share {
    /// It fails alone, or not at all.
    #[default]
    Alone,
    /// The first of several that fail together; its alarm speaks for all.
    First {
        /// How many others fail with it.
        others: u32,
    },
    /// Another kettle's alarm speaks for it.
    SpokenFor {
        /// Whose.
        by: Name,
    },
}

/// One alarm that is not normal, as it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// Which.
    pub alarm: AlarmKind,
    /// Its state.
    pub state: AlarmState,
    /// How much it matters.
    pub priority: Priority,
    /// Whether it sounds.
    pub sounds: bool,
    /// Since when it is in that state, engine seconds.
    pub since_s: f64,
    /// What it says.
    pub text: String,
}

/// The alarms of one kettle. Times are engine seconds.
#[derive(Debug, Clone, Default)]
pub struct Alarms {}

impl Alarms {
    /// All normal.
    pub fn new() -> Self {
        Self::default()
    }

    /// Judges the situation; appends what changed. Call on every reading and
    /// every tick; time must not run backward.
    pub fn judge(&mut self, situation: &Situation, plan: Option<&Plan>, out: &mut Vec<AlarmChange>) {
        let _ = (situation, plan, out);
    }

    /// Only time passed and there is no kettle to judge (a dairy-wide set for
    /// store and clock): ends delays and shelvings.
    pub fn pass(&mut self, t_s: f64, plan: Option<&Plan>, out: &mut Vec<AlarmChange>) {
        let _ = (t_s, plan, out);
    }

    /// How this kettle's failing probe stands to the others'. Call before
    /// `judge` (see [`Company`]).
    pub fn share(&mut self, share: Share) {
        let _ = share;
    }

    /// A person takes, shelves or sets an alarm out of service; other asks are
    /// not for alarms and change nothing.
    pub fn command(&mut self, ask: &Ask, by: Option<&Name>, t_s: f64, out: &mut Vec<AlarmChange>) {
        let _ = (ask, by, t_s, out);
    }

    /// The journal's disk failed (`text` says what) or is well again.
    pub fn store(&mut self, ok: bool, text: &str, t_s: f64, out: &mut Vec<AlarmChange>) {
        let _ = (ok, text, t_s, out);
    }

    /// Whether the wall clock may be trusted.
    pub fn clock(&mut self, sure: bool, t_s: f64, out: &mut Vec<AlarmChange>) {
        let _ = (sure, t_s, out);
    }

    /// Every alarm that is not normal, in [`AlarmKind::ALL`]'s order.
    pub fn views(&self) -> Vec<Standing> {
        Vec::new()
    }

    /// Whether anything is not normal (cheaper than [`Self::views`]).
    pub fn is_quiet(&self) -> bool {
        true
    }
}

/// Finds probes that fail together, over all kettles: one cause, one alarm.
/// One for the whole engine.
#[derive(Debug, Clone, Default)]
pub struct Company {}

impl Company {
    /// Nobody fails.
    pub fn new() -> Self {
        Self::default()
    }

    /// Tells how `kettle` stands at `t_s`: `failing` while its probe is silent
    /// or in failure.
    pub fn share(&mut self, kettle: &Name, failing: bool, t_s: f64) -> Share {
        let _ = (kettle, failing, t_s);
        Share::Alone
    }
}
