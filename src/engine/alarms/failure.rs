//! The rules of failures: probe in fault, probe silent. Store and clock are
//! told from outside.
//!
//! Every delay grows where less hangs on the probe: short in the cook, where a
//! number is worth a day's milk; long for an empty kettle at night.

use super::rules::Finding;
use crate::engine::alarm::{AlarmKind, Priority};
use crate::engine::probe::Health;
use crate::engine::situation::Situation;
use crate::engine::stage::Stage;

/// Silent for less than this, and than so many readings are apart, is a matter of the
/// probe's health, not of its silence, seconds.
const QUIET_S: f64 = 15.0;

/// A probe in fault has said so this often.
const READINGS: f64 = 2.5;

/// A probe that was silent speaks again where it was heard so lately, and goes on to for so
/// long more, seconds.
const HEARD_S: f64 = 10.0;

/// Whether a probe that speaks so seldom says nothing.
pub(super) fn is_quiet(silent_s: f64, every_s: f64) -> bool {
    silent_s > QUIET_S.max(READINGS * every_s)
}

/// Seconds a probe may be silent in that stage. Where a fault comes sooner than in
/// another stage, silence does so too, so that this also says who comes first.
pub(super) fn patience_s(stage: Stage) -> u32 {
    match stage {
        Stage::Cooking | Stage::WheyHeating => 30,
        Stage::Warming => 60,
        Stage::Idle => 600,
        // Setting, stirring out: a radio that drops out is no news yet.
        _ => 240,
    }
}

fn silence_allowed_s(stage: Stage) -> f64 {
    f64::from(patience_s(stage))
}

/// One that speaks seldom is not silent yet when one reading is due.
fn allowed_s(s: &Situation) -> f64 {
    silence_allowed_s(s.stage).max(READINGS * s.every_s)
}

fn priority(stage: Stage) -> Priority {
    if stage == Stage::Cooking { Priority::High } else { Priority::Low }
}

/// Whether what fails is a probe that hangs where no milk is.
pub(super) fn is_out(kind: AlarmKind, s: &Situation) -> bool {
    kind == AlarmKind::ProbeFault && s.health == Health::CheckFunction
}

pub(super) fn probe_silent(s: &Situation, raised: bool) -> Finding {
    // One reading is no end of it: a second must follow as usual.
    let heard_s = HEARD_S.max(READINGS * s.every_s);
    let limit_s = if raised { heard_s } else { allowed_s(s) };
    Finding::of(s.silent_s > limit_s, priority(s.stage)).delayed(0.0, heard_s + HEARD_S)
}

pub(super) fn probe_fault(s: &Situation, raised: bool) -> Finding {
    let on_s = match (s.health, s.stage) {
        (Health::Failure, Stage::Cooking) => 10.0,
        (Health::OutOfSpecification, Stage::Cooking) => 30.0,
        // Lifted to feel the curd: leave the maker alone for a while.
        (Health::CheckFunction, Stage::Cooking) => 90.0,
        // It lies on the bench, or hangs in an empty kettle.
        (Health::Failure, Stage::Idle | Stage::Drawing) => 600.0,
        (Health::Failure, _) => 60.0,
        _ => 300.0,
    };
    let meant_out = matches!(s.stage, Stage::Drawing | Stage::Idle);
    let faulty = match s.health {
        Health::Failure => true,
        Health::OutOfSpecification | Health::CheckFunction => !meant_out,
        Health::Good | Health::MaintenanceRequired => false,
    };
    // One alarm a cause: silence has its own.
    let condition =
        if is_quiet(s.silent_s, s.every_s) { raised && s.silent_s < allowed_s(s) } else { faulty };
    // One odd reading of a probe that speaks seldom is no fault yet, and one good one no end.
    let readings_s = READINGS * s.every_s;
    Finding::of(condition, priority(s.stage)).delayed(readings_s.max(on_s), readings_s.max(20.0))
}
