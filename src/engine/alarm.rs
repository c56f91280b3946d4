//! The alarms there are, their states (ISA-18.2) and priorities; one alarm's
//! state machine stands in `machine`, what each is about in `alarms`.

mod machine;

pub use machine::{Alarm, Delays};

/// The alarms there are, by their names on the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum AlarmKind {
    /// The target is some minutes off.
    GetReady,
    /// Take the kettle off now: reaction and coast end on the target.
    HeatOff,
    /// The temperature stands at the target.
    AtTarget,
    /// It will end, or stands, above the target and its tolerance.
    OverTarget,
    /// Heating slower than planned, or stalled.
    HeatSlow,
    /// Heating faster than planned.
    HeatFast,
    /// The stirring stopped while the curd is hot.
    StirringStopped,
    /// Cooling below the band while the milk sets.
    MilkCold,
    /// Stored milk above the dairy's limit.
    MilkWarm,
    /// The rennet clock: look at the curd.
    CurdCheck,
    /// The planned minutes of a stage are over.
    HoldDone,
    /// Near the local boiling point.
    NearBoil,
    /// The probe says nothing that may be trusted.
    ProbeFault,
    /// The probe says nothing at all.
    ProbeSilent,
    /// Readings are not being kept.
    StoreFault,
    /// The wall clock is not to be trusted.
    ClockUnsure,
}

impl AlarmKind {
    /// Every alarm, in the order of this list.
    pub const ALL: [Self; 16] = [
        Self::GetReady,
        Self::HeatOff,
        Self::AtTarget,
        Self::OverTarget,
        Self::HeatSlow,
        Self::HeatFast,
        Self::StirringStopped,
        Self::MilkCold,
        Self::MilkWarm,
        Self::CurdCheck,
        Self::HoldDone,
        Self::NearBoil,
        Self::ProbeFault,
        Self::ProbeSilent,
        Self::StoreFault,
        Self::ClockUnsure,
    ];

    /// The alarm's name on the wire and in a plan.
    pub fn name(self) -> &'static str {
        match self {
            Self::GetReady => "get-ready",
            Self::HeatOff => "heat-off",
            Self::AtTarget => "at-target",
            Self::OverTarget => "over-target",
            Self::HeatSlow => "heat-slow",
            Self::HeatFast => "heat-fast",
            Self::StirringStopped => "stirring-stopped",
            Self::MilkCold => "milk-cold",
            Self::MilkWarm => "milk-warm",
            Self::CurdCheck => "curd-check",
            Self::HoldDone => "hold-done",
            Self::NearBoil => "near-boil",
            Self::ProbeFault => "probe-fault",
            Self::ProbeSilent => "probe-silent",
            Self::StoreFault => "store-fault",
            Self::ClockUnsure => "clock-unsure",
        }
    }

    /// The alarm of that name, where there is one.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|a| a.name() == name)
    }
}

/// ISA-18.2's states of an alarm.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AlarmState {
    /// No cause, nothing to take.
    Normal,
    /// Raised, not yet taken.
    Unacknowledged,
    /// Raised and taken.
    Acknowledged,
    /// The cause went away before anybody took it.
    ReturnedUnacknowledged,
    /// Silenced by a person for a while.
    Shelved,
    /// Silenced by design, because the stage makes it meaningless.
    Suppressed,
    /// Taken out of service by a person.
    OutOfService,
}

impl AlarmState {
    /// The state's name on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned-unacknowledged",
            Self::Shelved => "shelved",
            Self::Suppressed => "suppressed",
            Self::OutOfService => "out-of-service",
        }
    }
}

/// How much an alarm matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Priority {
    /// Worth knowing.
    Low,
    /// Worth coming for.
    Medium,
    /// Act now.
    High,
}

impl Priority {
    /// The priority's name on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
        }
    }
}
