//! The stages of a make, in the trade's words.

/// A stage of the make.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Stage {
    /// Everything else.
    Idle,
    /// The probe hangs in the milk and heat is meant.
    Warming,
    /// The warm milk is left to its culture.
    Ripening,
    /// The renneted milk stands.
    Setting,
    /// From the first cut until the heat comes back.
    Cutting,
    /// Heat or hot water goes on to the cut curd.
    Cooking,
    /// Stirring out at the cooking temperature.
    Stirring,
    /// Stirring stopped.
    Settling,
    /// Curd, and with it the probe, leaves the kettle.
    Drawing,
    /// The whey goes on the fire.
    WheyHeating,
    /// The hot whey is left to stand.
    WheyResting,
}

impl Stage {
    /// Every stage, in the order of a make.
    pub const ALL: [Self; 11] = [
        Self::Idle,
        Self::Warming,
        Self::Ripening,
        Self::Setting,
        Self::Cutting,
        Self::Cooking,
        Self::Stirring,
        Self::Settling,
        Self::Drawing,
        Self::WheyHeating,
        Self::WheyResting,
    ];

    /// The stage's name on the wire and in a plan.
    pub fn name(self) -> &'static str {
        match self {
            Self::Idle => "idle",
            Self::Warming => "warming",
            Self::Ripening => "ripening",
            Self::Setting => "setting",
            Self::Cutting => "cutting",
            Self::Cooking => "cooking",
            Self::Stirring => "stirring",
            Self::Settling => "settling",
            Self::Drawing => "drawing",
            Self::WheyHeating => "whey-heating",
            Self::WheyResting => "whey-resting",
        }
    }

    /// The stage of that name, where there is one.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.name() == name)
    }
}

/// What a stage's boundary rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// The trace shows it.
    Trace,
    /// A person marked it.
    Mark,
    /// Inferred from elapsed time alone.
    Plan,
}

impl Basis {
    /// The basis' name on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::Trace => "trace",
            Self::Mark => "mark",
            Self::Plan => "plan",
        }
    }
}

mod air;
mod belief;
mod dated;
mod finder;
mod grammar;
mod history;
mod hypothesis;
mod kf;
mod law;
mod pins;
mod story;
mod tracker;
mod warmed;

pub use story::{Telling, Told};
pub use tracker::{CookSeen, Now, Tracker};

use super::plan::Plan;

/// Whether a make can be followed through every stage of a plan, and through those that it
/// leaves unsaid: there is room for some twenty.
pub fn has_room_for(plan: &Plan) -> bool {
    let slots = grammar::Grammar::of(Some(plan)).slots;
    Stage::ALL.into_iter().filter(|kind| *kind != Stage::Idle).all(|kind| {
        let planned = plan.stages.iter().filter(|s| s.kind == kind).count();
        slots.iter().filter(|s| s.stage == kind).count() >= planned.max(1)
    })
}
