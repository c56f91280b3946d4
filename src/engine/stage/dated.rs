//! When a stage that is believed began: the finder's place on the trace, and
//! what the trace shows near it. A cook shows later than its fire; stirring begins
//! where the target was reached; a warming where the probe was put in.

use super::Stage;
use super::belief::Belief;
use super::finder::Finder;
use super::history::History;
use super::story::Told;
use super::warmed::into_the_milk;
use crate::engine::bins::BIN_S;

/// The wall and the probe show the heat of a cook so much later, seconds: the
/// least of it, since a heavy kettle takes half a minute.
const WALL_S: f64 = 18.0;
/// Heat that comes nearer to the target by this was no holding heat, °C.
const NEARER_C: f64 = 0.5;
/// No hand stops a heat further below its target than this, °C.
const SHORT_C: f64 = 1.0;
/// Curd that came so near to where a heat ended has that heat behind it, °C.
const TOP_C: f64 = 0.15;
/// The next step's fire is made up when so little is missing, °C.
const STEP_C: f64 = 0.3;
/// The probe was put into the whey so many bins at the most before the finder saw a fire.
const WHEY_STANDS_BINS: usize = 36;
/// What a probe was put into it reads after so many bins, slow as it may be.
const SHOWN_BINS: f64 = 6.0;
/// The fire shows once the whey has risen by this, °C, and it is on for sure by that.
const RISEN_C: f64 = 0.25;
const HEATED_C: f64 = 1.0;
/// Whey that hangs for less than this before its fire is dated well enough, seconds.
const HANGS_S: f64 = 90.0;

/// When `slot` began, engine seconds. `told` is what was told before it.
pub(super) fn began(f: &Finder, history: &History, told: &[Told], slot: usize, b: &Belief) -> f64 {
    let stage = f.grammar.slots[slot].stage;
    let trace_s = f.second_of(b.place as f32);
    match stage {
        Stage::Stirring | Stage::WheyResting => end_of_heat(f, history, told, slot, b).unwrap_or(trace_s),
        Stage::Cooking => after_first_step(f, history, told, slot, b).unwrap_or(trace_s - WALL_S),
        Stage::WheyHeating => on_the_fire(f, history, b).unwrap_or(trace_s),
        // What is warmed again hangs there already.
        Stage::Warming if !told.is_empty() => trace_s - WALL_S,
        Stage::Warming => f.second_of(into_the_milk(b.place, history).unwrap_or(b.place) as f32),
        _ => trace_s,
    }
}

/// Where the whey that the probe was put into went on the fire.
fn on_the_fire(f: &Finder, history: &History, b: &Belief) -> Option<f64> {
    let put_in = history.plunge_before(b.place + 2.0, WHEY_STANDS_BINS)?;
    let rises = history.leaves_lowest(put_in + 2.0, b.place, RISEN_C).unwrap_or(b.place);
    let seen_s = (f.second_of(put_in as f32) + 2.0 * BIN_S).max(f.second_of(rises as f32) - WALL_S);
    let hung_s = after_hanging(history, put_in, b.next.unwrap_or(f.bin as f64 - 1.0))
        .map(|foot| f.second_of(foot as f32) - WALL_S)
        .filter(|foot_s| *foot_s > seen_s + HANGS_S);
    Some(hung_s.unwrap_or(seen_s))
}

/// The foot of the rise of whey that hung, and cooled, before anybody made up the
/// fire: where nothing moves, a slow fire and none look alike at first.
fn after_hanging(history: &History, put_in: f64, until: f64) -> Option<f64> {
    // A slow probe shows the whey a minute late, and reads too cold till then.
    let cold = history.lowest_place(put_in + SHOWN_BINS, until);
    // A probe lifted out of the hot whey later on does not count.
    let hot = history.first_at_or_above(history.smooth_from(cold)? + HEATED_C, cold, until)?;
    let rises = history.leaves_lowest(cold, hot, RISEN_C)?;
    // What happened in a silence nobody saw.
    let seen = history.heard(put_in + SHOWN_BINS, rises) > 0.5;
    seen.then_some(rises - (hot - rises) * RISEN_C / (HEATED_C - RISEN_C))
}

/// A second step that follows the first without a rest begins where that
/// was to end.
fn after_first_step(f: &Finder, history: &History, told: &[Told], slot: usize, b: &Belief) -> Option<f64> {
    let first = told.iter().rev().find(|t| t.slot < slot).filter(|t| t.stage == Stage::Cooking)?;
    let target = f.grammar.slots[first.slot].target_celsius?;
    if history.smooth_at(b.place)? > target - SHORT_C {
        return None;
    }
    let until = b.next.unwrap_or(f.bin as f64);
    Some(f.second_of(history.first_at_or_above(target - STEP_C, b.place, until)? as f32))
}

/// Where the heat's target was reached, or else the peak.
fn end_of_heat(f: &Finder, history: &History, told: &[Told], slot: usize, b: &Belief) -> Option<f64> {
    let heating = told.iter().rev().find(|t| t.slot < slot)?;
    let zero_s = f.zero_s?;
    let start = (heating.began_s - zero_s) / BIN_S;
    let target = f.grammar.slots[heating.slot].target_celsius;
    let peak = history.peak_between(b.place, f64::INFINITY);
    let until = peak.unwrap_or(b.place).max(b.place) + 3.0;
    let reached = target.and_then(|t| history.first_at_or_above(t, start, until));
    let rests = f.grammar.slots[slot].stage == Stage::WheyResting;
    let place = match (reached, target, peak) {
        (Some(place), ..) => place,
        _ if rests => return None,
        (None, Some(target), Some(peak)) => {
            let peak = first_peak(history, start, peak).unwrap_or(peak);
            let limit = b.next.unwrap_or(f.bin as f64);
            further_heat(history, target, peak, limit).unwrap_or(peak)
        }
        (None, _, peak) => peak?,
    };
    Some(zero_s + place * BIN_S)
}

/// Where a heat that began at `start` ended, that peaks at `peak` or long before it: a
/// pause that goes on and on was the end of it, and what only held the temperature since
/// was no heat of its own.
fn first_peak(history: &History, start: f64, peak: f64) -> Option<f64> {
    let top = history.highest_place(start, peak + 1.0)?;
    let near = history.first_at_or_above(history.smooth_at(top)? - TOP_C, start, top)?;
    history.peak_between(near, f64::INFINITY).filter(|first| *first < peak)
}

/// A peak far below the target, and after it, before `limit`, heat that came
/// clearly nearer: it was a pause. Where that heat ended.
fn further_heat(history: &History, target: f64, peak: f64, limit: f64) -> Option<f64> {
    let level = history.smooth_at(peak)?;
    if level > target - SHORT_C {
        return None;
    }
    if let Some(reached) = history.first_at_or_above(target, peak, limit) {
        return Some(reached);
    }
    let top = history.highest_place(peak, limit)?;
    (history.smooth_at(top)? > level + NEARER_C)
        .then(|| history.peak_between(top - 6.0, f64::INFINITY))
        .flatten()
}
