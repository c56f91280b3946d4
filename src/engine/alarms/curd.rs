//! The rules of milk, curd and whey: stirring stopped, milk cold or warm, look
//! at the curd, hold done, near boiling.

use super::occasion::{CURD_LEAD_S, Occasion, milk_celsius, planned};
use super::rules::Finding;
use crate::engine::alarm::Priority;
use crate::engine::clot::STALE_S;
use crate::engine::plan::Plan;
use crate::engine::situation::Situation;
use crate::engine::stage::{Basis, Stage};

/// What a raised temperature alarm must come back by, °C.
const DEADBAND_CELSIUS: f64 = 0.3;
/// Grains fuse within a minute or two of standing hot, seconds.
const STILL_S: f64 = 75.0;
/// The trace of a cook scatters this much after it began, seconds.
const SEEN_LATE_S: f64 = 30.0;
/// Towards the end of stirring out, standing still is most likely meant.
const STILL_MEANT_S: f64 = 240.0;
/// The part of a planned stirring out after which stopping is likely meant:
/// a stage may well take a third of its minutes.
const STIRRED_ENOUGH: f64 = 1.0 / 3.0;
/// Stirring out without planned minutes is meant to last this long, minutes.
const STIRRED_ENOUGH_MIN: f64 = 15.0;
/// Milk that sets may cool by this where the plan says nothing, °C.
const SET_BAND_CELSIUS: f64 = 1.0;
/// Milk must be cold for this long, seconds.
const COLD_S: f64 = 600.0;
/// Stored milk must be warm for this long, seconds.
const WARM_S: f64 = 1800.0;
/// Nobody looks at curd that is cut; where it may be with this probability, the next
/// half minute shows it.
const CUT_ALREADY: f64 = 0.1;
/// Near boiling is this much below it, °C.
const NEAR_BOIL_CELSIUS: f64 = 2.0;

pub(super) fn stirring_stopped(s: &Situation, plan: Option<&Plan>, raised: bool) -> Finding {
    let stirred =
        matches!(s.stage, Stage::Cooking | Stage::Stirring) && s.in_milk && milk_celsius(s).is_some();
    let limited = plan.is_some() || s.target_celsius.is_some();
    let limit_s = if s.stage == Stage::Stirring && stirred_enough(s) { STILL_MEANT_S } else { STILL_S };
    // The gel before it stood too: what counts is since the stage began.
    let still_s = s.still_s.min(s.t_s - s.stage_began_s - SEEN_LATE_S);
    // Deadband: raised until the trace scatters again.
    let still = if raised { s.still_s > 5.0 } else { still_s > limit_s };
    Finding::of(stirred && limited && still, Priority::High).delayed(0.0, 20.0)
}

fn stirred_enough(s: &Situation) -> bool {
    let minutes = (s.t_s - s.stage_began_s) / 60.0;
    minutes >= s.planned_minutes.map_or(STIRRED_ENOUGH_MIN, |p| p * STIRRED_ENOUGH)
}

pub(super) fn milk_cold(s: &Situation, plan: Option<&Plan>, raised: bool) -> Finding {
    let quiet = Finding::of(false, Priority::Low).delayed(COLD_S, 60.0);
    // Without a plan there is no limit to be below.
    let (Stage::Setting, Some(set), Some(_)) = (s.stage, s.set_celsius, plan) else { return quiet };
    let band = planned(s, plan).and_then(|p| p.band_celsius).unwrap_or(SET_BAND_CELSIUS);
    let limit = set - band;
    let back = if raised { limit + DEADBAND_CELSIUS } else { limit };
    let cold = milk_celsius(s).map_or(raised, |c| c < back);
    Finding::of(cold, Priority::Low).delayed(COLD_S, 60.0).limit(Some(limit))
}

pub(super) fn milk_warm(s: &Situation, plan: Option<&Plan>, memory: &Occasion, raised: bool) -> Finding {
    let quiet = Finding::of(false, Priority::Medium).delayed(WARM_S, 60.0);
    let Some(limit) = plan.and_then(|p| p.milk_warm_above_celsius) else { return quiet };
    if s.stage != Stage::Idle || !memory.milk_watched {
        return quiet;
    }
    let back = if raised { limit - DEADBAND_CELSIUS } else { limit };
    let warm = milk_celsius(s).map_or(raised, |c| c > back);
    Finding::of(warm, Priority::Medium).delayed(WARM_S, 60.0).limit(Some(limit))
}

pub(super) fn curd_check(s: &Situation, memory: &Occasion) -> Finding {
    // The cut is seen half a minute before it is sure enough to be told.
    let before_cut =
        matches!(s.stage, Stage::Warming | Stage::Ripening | Stage::Setting) && s.cut < CUT_ALREADY;
    let due = s.curd_check_at_s.is_some_and(|at| (at - CURD_LEAD_S..at + STALE_S).contains(&s.t_s));
    let condition = memory.curd_check.condition(before_cut && due, before_cut && due);
    Finding::of(condition, Priority::Medium).delayed(0.0, 10.0)
}

pub(super) fn hold_done(s: &Situation, memory: &Occasion) -> Finding {
    let helps = match s.stage {
        Stage::Ripening | Stage::Stirring | Stage::WheyResting => true,
        // The rennet clock knows better, where it runs.
        // And what is only thought to set may have no rennet in it yet.
        Stage::Setting => s.curd_check_at_s.is_none() && s.basis != Basis::Plan,
        _ => false,
    };
    let over = s.planned_minutes.is_some_and(|p| p > 0.0 && s.t_s - s.stage_began_s >= p * 60.0);
    // Where the probe is out just then, the curd may be.
    let begins = helps && over && s.in_milk;
    Finding::of(memory.hold_done.condition(begins, helps && over), Priority::Low).delayed(0.0, 10.0)
}

pub(super) fn near_boil(s: &Situation, plan: Option<&Plan>, raised: bool) -> Finding {
    let whey = matches!(s.stage, Stage::WheyHeating | Stage::WheyResting);
    let limited = plan.is_some() || s.target_celsius.is_some();
    let limit = s.boiling_celsius - NEAR_BOIL_CELSIUS;
    let back = if raised { limit - DEADBAND_CELSIUS } else { limit };
    let near = whey && limited && milk_celsius(s).map_or(raised, |c| c >= back);
    Finding::of(near, Priority::High).delayed(5.0, 60.0).limit(Some(limit))
}
