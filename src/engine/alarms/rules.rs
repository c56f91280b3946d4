//! Which rule finds which alarm's condition, and which alarms sound.

use super::occasion::Occasion;
use super::{curd, failure, heating};
use crate::engine::alarm::{AlarmKind, Delays, Priority};
use crate::engine::plan::{Plan, Sounding};
use crate::engine::situation::Situation;
use crate::engine::stage::Stage;

/// What a rule finds at this moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Finding {
    pub(super) condition: bool,
    pub(super) priority: Priority,
    pub(super) delays: Delays,
    pub(super) limit_celsius: Option<f64>,
}

impl Finding {
    pub(super) fn of(condition: bool, priority: Priority) -> Self {
        Self { condition, priority, delays: Delays { on_s: 0.0, off_s: 0.0 }, limit_celsius: None }
    }

    pub(super) fn delayed(mut self, on_s: f64, off_s: f64) -> Self {
        self.delays = Delays { on_s, off_s };
        self
    }

    pub(super) fn limit(mut self, celsius: Option<f64>) -> Self {
        self.limit_celsius = celsius;
        self
    }
}

/// What the rule of that alarm finds; `None` where it is told from outside.
pub(super) fn find(
    kind: AlarmKind,
    s: &Situation,
    plan: Option<&Plan>,
    memory: &Occasion,
    raised: bool,
) -> Option<Finding> {
    Some(match kind {
        AlarmKind::GetReady => heating::get_ready(s, plan, memory),
        AlarmKind::HeatOff => heating::heat_off(s, memory),
        AlarmKind::AtTarget => heating::at_target(s, memory, raised),
        AlarmKind::OverTarget => heating::over_target(s, plan, memory, raised),
        AlarmKind::HeatSlow => heating::heat_slow(s, plan, memory),
        AlarmKind::HeatFast => heating::heat_fast(s, plan),
        AlarmKind::StirringStopped => curd::stirring_stopped(s, plan, raised),
        AlarmKind::MilkCold => curd::milk_cold(s, plan, raised),
        AlarmKind::MilkWarm => curd::milk_warm(s, plan, memory, raised),
        AlarmKind::CurdCheck => curd::curd_check(s, memory),
        AlarmKind::HoldDone => curd::hold_done(s, memory),
        AlarmKind::NearBoil => curd::near_boil(s, plan, raised),
        AlarmKind::ProbeFault => failure::probe_fault(s, raised),
        AlarmKind::ProbeSilent => failure::probe_silent(s, raised),
        AlarmKind::StoreFault | AlarmKind::ClockUnsure => return None,
    })
}

/// The alarms that a stage can raise, a bit each: none of a temperature in an
/// idle kettle but the stored milk's, none of the make's once the curd is out.
pub(super) fn concerned(stage: Stage) -> u16 {
    const fn bits(kinds: &[AlarmKind]) -> u16 {
        let (mut bits, mut i) = (0, 0);
        while i < kinds.len() {
            bits |= 1 << kinds[i] as u16;
            i += 1;
        }
        bits
    }
    use AlarmKind as K;
    const ALWAYS: u16 = bits(&[K::ProbeFault, K::ProbeSilent]);
    const TARGET: u16 = ALWAYS | bits(&[K::GetReady, K::HeatOff, K::AtTarget, K::OverTarget]);
    const HEATING: u16 = TARGET | bits(&[K::HeatSlow, K::HeatFast]);
    match stage {
        Stage::Idle => ALWAYS | const { bits(&[K::MilkWarm]) },
        Stage::Warming => HEATING | const { bits(&[K::CurdCheck]) },
        Stage::Ripening => TARGET | const { bits(&[K::CurdCheck, K::HoldDone]) },
        Stage::Setting => TARGET | const { bits(&[K::CurdCheck, K::HoldDone, K::MilkCold]) },
        Stage::Cooking => HEATING | const { bits(&[K::StirringStopped]) },
        Stage::Stirring => TARGET | const { bits(&[K::StirringStopped, K::HoldDone]) },
        Stage::Cutting | Stage::Settling | Stage::Drawing => TARGET,
        Stage::WheyHeating => HEATING | const { bits(&[K::NearBoil]) },
        Stage::WheyResting => TARGET | const { bits(&[K::NearBoil, K::HoldDone]) },
    }
}

/// Whether an alarm sounds in that stage: the plan's word, else the default.
/// By default the calls of the cook, what spoils a make, and failures sound;
/// an empty kettle's probe only shows, unless it watches stored milk. The
/// clock only shows: on an alp without a network it is unsure every day.
pub(super) fn sounding(kind: AlarmKind, stage: Stage, plan: Option<&Plan>) -> Sounding {
    if let Some(said) = plan.and_then(|p| p.alarms.get(&kind)) {
        return *said;
    }
    let sounds = match kind {
        // The cook's call, too, where its fire flagged, was taken for over, and is fed again.
        AlarmKind::GetReady | AlarmKind::HeatOff => {
            matches!(stage, Stage::Cooking | Stage::Stirring | Stage::Settling)
        }
        AlarmKind::OverTarget | AlarmKind::StirringStopped | AlarmKind::CurdCheck | AlarmKind::StoreFault => {
            true
        }
        AlarmKind::ProbeFault | AlarmKind::ProbeSilent => {
            stage != Stage::Idle || plan.is_some_and(|p| p.milk_warm_above_celsius.is_some())
        }
        _ => false,
    };
    if sounds { Sounding::Sounds } else { Sounding::Shows }
}
