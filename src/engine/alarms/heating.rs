//! The rules of a heating: get ready, heat off, at and over the target, too
//! slow, too fast.
//!
//! No rule here speaks without a target. The forecast is filtered already, so
//! the call itself has no delay.

use super::occasion::{Occasion, is_heating, milk_celsius, planned, scheduled_celsius};
use super::rules::Finding;
use crate::engine::alarm::Priority;
use crate::engine::plan::{GET_READY_MINUTES, Plan, PlannedStage, REACTION_S};
use crate::engine::situation::{Outlook, Situation};
use crate::engine::stage::Stage;

/// What a raised temperature alarm must come back by, °C.
const DEADBAND_CELSIUS: f64 = 0.3;
/// The temperature stands at the target this near below it, °C.
const AT_CELSIUS: f64 = 0.05;
/// Slower than this is standing still, °C/min.
const STANDING_CELSIUS_PER_MIN: f64 = 0.1;
/// Too fast or slow by this against the plan, °C/min (alpine practice).
const OFF_PACE_CELSIUS_PER_MIN: f64 = 0.3;
/// Off the pace for this long counts, seconds.
const OFF_PACE_S: f64 = 120.0;
/// A fire that was lit, or a kettle swung on it, shows its pace after so long, minutes.
const PACE_SHOWS_MIN: f64 = 4.0;
/// Hardly warming for this long is a dead fire, seconds.
pub(super) const STALLED_S: f64 = 240.0;
/// Hardly warming, °C/min.
pub(super) const STALLED_CELSIUS_PER_MIN: f64 = 0.05;
/// Milk most likely stands from this probability.
const STANDS: f64 = 0.3;
/// No kettle cools faster on the whole, °C/min.
const COOLS_AT_MOST_CELSIUS_PER_MIN: f64 = -1.0;
/// Nearer to the call than this, "get ready" would only be noise, seconds.
const TOO_LATE_TO_GET_READY_S: f64 = 15.0;
/// The trace shows that the heat is off this much later, seconds.
const SHOWS_LATE_S: f64 = 45.0;
/// The heat of the next cook is taken for on from this probability, and is seen
/// this much later, seconds.
const GOES_ON: f64 = 0.25;
const GOES_ON_SEEN_S: f64 = 75.0;
/// A forecast that drifts back by this ends "get ready", seconds.
const READY_DEADBAND_S: f64 = 180.0;

/// A call on a warming only shows, and matters less than one on a cook.
fn call_priority(s: &Situation) -> Priority {
    if s.stage == Stage::Warming { Priority::Medium } else { Priority::High }
}

/// No number in the middle of a heating: what was called stands.
fn is_lifted(s: &Situation) -> bool {
    is_heating(s.stage) && milk_celsius(s).is_none()
}

/// What a call is about, °C.
fn target(s: &Situation, memory: &Occasion) -> Option<f64> {
    memory.heating.map(|h| h.target_celsius).or(s.outlook.map(|o| o.target_celsius))
}

pub(super) fn get_ready(s: &Situation, plan: Option<&Plan>, memory: &Occasion) -> Finding {
    let ahead_s = plan.map_or(GET_READY_MINUTES, |p| p.get_ready_minutes) * 60.0;
    let (begins, lasts) = match (&s.outlook, memory.calls.heat_off.was_called()) {
        (Some(o), false) => (
            !s.said_off && o.heat_off_in_s <= ahead_s && o.heat_off_in_s > TOO_LATE_TO_GET_READY_S,
            o.heat_off_in_s <= ahead_s + READY_DEADBAND_S,
        ),
        (None, false) => (false, is_lifted(s)),
        (_, true) => (false, false),
    };
    Finding::of(memory.calls.get_ready.condition(begins, lasts), Priority::Medium)
        .delayed(5.0, 20.0)
        .limit(target(s, memory))
}

pub(super) fn heat_off(s: &Situation, memory: &Occasion) -> Finding {
    let begins = !s.said_off && s.outlook.is_some_and(|o| o.heat_off_in_s <= 0.0);
    let lasts = (s.outlook.is_some() && s.heating) || is_lifted(s);
    Finding::of(memory.calls.heat_off.condition(begins, lasts), call_priority(s))
        .delayed(0.0, 30.0)
        .limit(target(s, memory))
}

pub(super) fn at_target(s: &Situation, memory: &Occasion, raised: bool) -> Finding {
    let Some(h) = memory.heating.filter(|h| h.concerns(s.stage)) else {
        return Finding::of(false, Priority::Low).delayed(0.0, 20.0);
    };
    // A jet of hot water that passes the target stands nowhere.
    let stands = s.plain_celsius.is_none_or(|c| c > h.target_celsius - h.tolerance_celsius);
    let begins = milk_celsius(s).filter(|_| stands).is_some_and(|c| {
        let short = h.target_celsius - c;
        let standing = s.rate_celsius_per_min.is_some_and(|r| r.abs() < STANDING_CELSIUS_PER_MIN);
        let near_enough =
            if memory.calls.heat_off.was_called() && standing { h.tolerance_celsius } else { AT_CELSIUS };
        (-h.tolerance_celsius - DEADBAND_CELSIUS..=near_enough).contains(&short)
    });
    let lasts =
        s.celsius.map_or(raised, |c| (c - h.target_celsius).abs() <= h.tolerance_celsius + DEADBAND_CELSIUS);
    Finding::of(memory.calls.at_target.condition(begins, lasts), Priority::Low)
        .delayed(0.0, 20.0)
        .limit(Some(h.target_celsius))
}

/// Whether what is near enough has not come to its target, and stands.
pub(super) fn stands_below(s: &Situation, target: Option<f64>) -> bool {
    s.celsius.zip(target).is_some_and(|(c, t)| c < t - AT_CELSIUS)
}

pub(super) fn over_target(s: &Situation, plan: Option<&Plan>, memory: &Occasion, raised: bool) -> Finding {
    let Some(h) = memory.heating.filter(|h| h.concerns(s.stage)) else {
        return Finding::of(false, Priority::High).delayed(15.0, 30.0);
    };
    let limit = h.target_celsius + h.tolerance_celsius;
    let back = if raised { limit - DEADBAND_CELSIUS } else { limit };
    let plainly = |limit: f64| s.plain_celsius.is_none_or(|c| c > limit);
    let stands = milk_celsius(s).map_or(raised, |c| c > back && (raised || plainly(limit)));
    // Just called: the heat may be off already, and the trace not show it yet.
    let reaction_s = plan.map_or(REACTION_S, |p| p.reaction_s);
    let not_taken = memory.calls.called_s.is_none_or(|at| s.t_s - at > 2.0 * reaction_s + SHOWS_LATE_S);
    // A forecast that flies blind calls the heat off; it does not say "too hot".
    let sees = |o: &Outlook| o.blind_s.is_none() && o.peak_low_celsius > limit;
    // Once called, the heat is off as a rule: it is on for sure where the curd is
    // as warm as was wanted and goes on rising as it does on the fire. Milk does so for a
    // minute after its fire is off, too, and half a degree does it no harm: it has to
    // stand above its limit.
    let rises_on = s.stage != Stage::Warming && plainly(h.target_celsius) && s.goes_on;
    let still_on = !memory.calls.heat_off.was_called() || rises_on;
    let certain = s.heating && not_taken && still_on && s.outlook.as_ref().is_some_and(sees);
    // On to the next cook of the plan: that it passes this one's target is meant.
    let goes_on =
        (!raised && s.cooks_on.is_some_and(|p| p > GOES_ON)) || is_warmed_on(s, h.target_celsius, plan);
    let on_s = if s.cooks_on.is_some() { GOES_ON_SEEN_S } else { 15.0 };
    Finding::of((stands || certain) && !goes_on, Priority::High).delayed(on_s, 30.0).limit(Some(limit))
}

/// Whether milk that was left to its culture, warmed to `target` °C, is to be warmed
/// beyond it for its rennet.
fn is_warmed_on(s: &Situation, target: f64, plan: Option<&Plan>) -> bool {
    let further = |p: &PlannedStage| p.kind == Stage::Warming && p.to_celsius.is_some_and(|to| to > target);
    s.stage == Stage::Ripening && plan.is_some_and(|plan| plan.stages.iter().any(further))
}

/// How the running heating goes against its plan.
enum Pace {
    Fine,
    Slow,
    Fast,
}

fn pace(s: &Situation, plan: Option<&Plan>) -> Pace {
    let minutes = (s.t_s - s.stage_began_s) / 60.0;
    if let Some(stage) = planned(s, plan).filter(|p| !p.points.is_empty()) {
        let band = stage.band_celsius.unwrap_or(s.tolerance_celsius);
        return match (scheduled_celsius(stage, minutes), milk_celsius(s)) {
            (Some(wanted), Some(c)) if c < wanted - band => Pace::Slow,
            (Some(wanted), Some(c)) if c > wanted + band => Pace::Fast,
            _ => Pace::Fine,
        };
    }
    match (s.planned_rate_celsius_per_min, s.rate_celsius_per_min) {
        // Planned minutes are no promise: a third or three times is no news.
        (Some(p), Some(_)) if p > 0.0 && minutes < PACE_SHOWS_MIN => Pace::Fine,
        (Some(p), Some(r)) if p > 0.0 && r < p - OFF_PACE_CELSIUS_PER_MIN && r < p / 3.0 => Pace::Slow,
        (Some(p), Some(r)) if p > 0.0 && r > p + OFF_PACE_CELSIUS_PER_MIN && r > p * 3.0 => Pace::Fast,
        _ => Pace::Fine,
    }
}

/// Whether the fire seems out: hardly warming well below the target.
pub(super) fn is_stalled(s: &Situation) -> bool {
    let below =
        s.target_celsius.zip(milk_celsius(s)).is_some_and(|(t, c)| c < t - s.tolerance_celsius.max(1.0));
    below && s.rate_celsius_per_min.is_some_and(|r| r < STALLED_CELSIUS_PER_MIN)
}

/// Whether what the probe shows is the milk's pace: what falls faster than a kettle
/// cools is a probe in the air.
fn shows_milk(s: &Situation) -> bool {
    s.in_milk && s.rate_celsius_per_min.is_none_or(|r| r > COOLS_AT_MOST_CELSIUS_PER_MIN)
}

pub(super) fn heat_slow(s: &Situation, plan: Option<&Plan>, memory: &Occasion) -> Finding {
    // Milk that stands for its rennet is on no fire, wherever its target was.
    let stands = s.stage == Stage::Warming && s.stands > STANDS;
    let meant = is_heating(s.stage) && shows_milk(s) && !memory.calls.heat_off.was_called() && !stands;
    let stalled = meant && is_stalled(s);
    let slow = stalled || (meant && s.target_celsius.is_some() && matches!(pace(s, plan), Pace::Slow));
    let on_s = if stalled { STALLED_S } else { OFF_PACE_S };
    Finding::of(slow, Priority::Medium).delayed(on_s, 60.0).limit(s.target_celsius)
}

pub(super) fn heat_fast(s: &Situation, plan: Option<&Plan>) -> Finding {
    let meant = is_heating(s.stage) && s.in_milk && s.target_celsius.is_some();
    let fast = meant && matches!(pace(s, plan), Pace::Fast);
    Finding::of(fast, Priority::Medium).delayed(OFF_PACE_S, 60.0).limit(s.target_celsius)
}
