//! What can happen: everything that reaches the engine from outside.
//!
//! An event carries a [`Stamp`]; the engine never reads a clock. Within one
//! boot the monotonic time never goes backward; the wall clock may, and may be
//! wrong by decades.

use std::sync::Arc;

use super::alarm::AlarmKind;
use super::plan::Plan;
use super::probe::Health;
use super::stage::Stage;

/// The name of a probe, a kettle or a person. Cheap to clone.
pub type Name = Arc<str>;

/// When something happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stamp {
    /// Which boot of the machine (or run of the filter) it was; counts up.
    pub boot: u32,
    /// Monotonic time since that boot, nanoseconds.
    pub mono_ns: u64,
    /// Wall time, nanoseconds since 1970 UTC; `None` where no clock is known.
    pub wall_ns: Option<i64>,
}

/// One thing that happened, and when.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// When.
    pub stamp: Stamp,
    /// What.
    pub what: Happening,
}

/// What can happen.
#[derive(Debug, Clone, PartialEq)]
pub enum Happening {
    /// A probe said something.
    Reading(Reading),
    /// A person marked a moment of the make.
    Mark(Mark),
    /// A person or the shell asks for something.
    Command(Command),
    /// Time passed. The engine keeps a one-second grid of its own between
    /// events, so ticks make it prompt, never different.
    Tick,
    /// The wall clock was set; `step_ns` is new minus old. The stamp carries
    /// the new wall time.
    ClockStep {
        /// New wall time minus the old one, nanoseconds.
        step_ns: i64,
    },
    /// A source (serial port, broker) came or went.
    Link {
        /// The source's name as configured.
        source: Name,
        /// Whether it is there now.
        up: bool,
    },
    /// The journal's disk failed or is well again.
    Store {
        /// Whether readings are being kept.
        ok: bool,
        /// What failed, for the alarm's text.
        text: String,
    },
    /// The wall clock is believed from now on, or is not.
    Clock {
        /// Whether dates may be trusted.
        sure: bool,
    },
    /// The program listens again: what came since the last event was not heard, and
    /// nobody could be called.
    Resumed,
    /// The input ended: close what is open, with hindsight.
    EndOfInput,
}

/// What a probe said. Without `celsius` it is a reading that could not be had,
/// and `health` and `reason` say why; it is recorded, never guessed.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The probe's name.
    pub probe: Name,
    /// The kettle it hangs in; the probe's own name where none is given.
    pub kettle: Option<Name>,
    /// Temperature after calibration, °C.
    pub celsius: Option<f64>,
    /// Cold junction (the box), °C.
    pub cold_junction_celsius: Option<f64>,
    /// Thermocouple voltage, mV.
    pub emf_mv: Option<f64>,
    /// The box's own counter.
    pub seq: Option<u64>,
    /// What the source says of the probe's health; `None` means nothing said.
    pub health: Option<Health>,
    /// Why, in the source's words.
    pub reason: Option<String>,
    /// Where it came too late to be of now: how long after it was taken,
    /// seconds. It is the record's alone.
    pub late_s: Option<u64>,
}

impl Reading {
    /// A plain good reading, as most are.
    ///
    /// ```
    /// let r = curdtrace::engine::event::Reading::of("kettle", 34.5);
    /// assert_eq!(r.kettle(), "kettle");
    /// ```
    pub fn of(probe: &str, celsius: f64) -> Self {
        Self {
            probe: Name::from(probe),
            kettle: None,
            celsius: Some(celsius),
            cold_junction_celsius: None,
            emf_mv: None,
            seq: None,
            health: None,
            reason: None,
            late_s: None,
        }
    }

    /// The kettle's name: its own, or the probe's where none was given.
    pub fn kettle(&self) -> &str {
        self.kettle.as_deref().unwrap_or(&self.probe)
    }
}

/// A moment marked by a person.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// The kettle it concerns.
    pub kettle: Name,
    /// What was done or seen.
    pub kind: MarkKind,
    /// Who marked it.
    pub by: Option<Name>,
}

/// What a person can mark.
#[derive(Debug, Clone, PartialEq)]
pub enum MarkKind {
    /// Rennet poured; a minute or two before the milk stands.
    Rennet,
    /// First flocs seen.
    Floc,
    /// First cut.
    Cut,
    /// Kettle on the fire, or fire lit.
    HeatOn,
    /// Kettle off the fire, or fire out.
    HeatOff,
    /// Wash water poured.
    Wash,
    /// Culture added.
    Culture,
    /// Acid added (whey cheese).
    Acid,
    /// Curd lifted out.
    Lift,
    /// A pH reading.
    Ph(
        /// pH, 0 to 14.
        f64,
    ),
    /// A new target for the running stage.
    Target(
        /// Target, °C.
        f64,
    ),
    /// Free words.
    Note(
        /// The words.
        String,
    ),
}

impl MarkKind {
    /// The mark's name on the wire.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Rennet => "rennet",
            Self::Floc => "floc",
            Self::Cut => "cut",
            Self::HeatOn => "heat-on",
            Self::HeatOff => "heat-off",
            Self::Wash => "wash",
            Self::Culture => "culture",
            Self::Acid => "acid",
            Self::Lift => "lift",
            Self::Ph(_) => "ph",
            Self::Target(_) => "target",
            Self::Note(_) => "note",
        }
    }
}

/// What a person or the shell can ask for. Every command carries the kettle; one
/// for the house's own alarms has none, the name being empty.
#[derive(Debug, Clone, PartialEq)]
pub struct Command {
    /// The kettle it concerns.
    pub kettle: Name,
    /// Who asks.
    pub by: Option<Name>,
    /// What for.
    pub ask: Ask,
}

/// What can be asked.
#[derive(Debug, Clone, PartialEq)]
pub enum Ask {
    /// Take an alarm (all of the kettle's where `None`).
    Acknowledge(Option<AlarmKind>),
    /// Silence an alarm for a while.
    Shelve(
        /// Which.
        AlarmKind,
        /// For how long, seconds.
        u32,
    ),
    /// End a shelving early.
    Unshelve(AlarmKind),
    /// Take an alarm out of service, or put it back.
    OutOfService(
        /// Which.
        AlarmKind,
        /// `true` takes it out, `false` puts it back.
        bool,
    ),
    /// Follow this plan from now on (`None`: no plan).
    Follow(Option<Arc<Plan>>),
    /// A person says which stage it is now.
    Stage(Stage),
    /// End the make now.
    EndMake,
}
