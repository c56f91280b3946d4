//! Whether milk was warmed, and since when the probe has hung in it: what makes
//! a make of a trace.

use super::Stage;
use super::belief::Belief;
use super::finder::Finder;
use super::history::History;
use super::hypothesis::HOTTEST_MILK_C;
use crate::engine::bins::BIN_S;
use crate::engine::plan::HOTTEST_SET_C;

/// Milk may hang this long over a young fire before it rises: a probe put in
/// within this many bins before the rise was put in for it.
const PLUNGE_BINS: usize = 48;

/// What is hotter than the milk by this is no milk, °C.
const RINSED_C: f64 = 4.0;

/// Milk on a fire rises at least so fast on the whole, °C/min.
const SLOWEST_FIRE: f64 = 0.2;

/// Milk is no warmer than this when it comes into the kettle, °C: the cow's own
/// warmth and a little.
const FROM_THE_COW_C: f64 = 39.5;

/// Milk that comes in as warm as this, °C, needs little to be set, and is not warmed beyond
/// its target by [`BEYOND_SET_C`] before that is seen.
const CURD_C: f64 = 27.0;

/// What hangs for long and is then warmed to where the plan sets its milk, at a fire's
/// pace, °C/min, by so much, °C, is milk of the evening in a warm room.
const STEADY_FIRE: f64 = 0.35;
const EVENING_C: f64 = 5.0;

/// Less is no warming of milk, °C, wherever it came from.
const LEAST_C: f64 = 1.3;

/// A probe that was not put anywhere for so many bins, half an hour, hangs.
const HUNG_BINS: usize = 180;

/// A probe that speaks more seldom shows too little to make a make of it: this share of
/// the bins, or about once in a minute.
const SPEAKS: f64 = 0.16;

/// Milk that is warmed a second time has risen by this, °C.
const AGAIN_C: f64 = 2.0;

/// A rise that began so many bins before the finder thought is believed.
const MUCH_EARLIER_BINS: f64 = 24.0;

/// A place that went up and down by so much, °C, three times within so many bins
/// (an hour and a half) before it rose is out of doors, in sun and wind; there the sun
/// warms by up to that, °C.
const SWING_C: f64 = 1.2;
const BEFORE_BINS: usize = 540;
const WANDERS: usize = 3;
const SUN_C: f64 = 18.0;

/// A probe that was put into milk may have been rinsed and checked before; nobody does so
/// more often than this.
const WANDERS_ON: usize = 6;

/// What was hotter than any air, °C, was rinsed.
const HOTTEST_AIR_C: f64 = 50.0;

/// A probe that was so cold, °C, within so many bins (five minutes) was in ice: no milk is
/// kept as cold.
const ICE_C: f64 = 2.0;
const OUT_OF_ICE_BINS: f64 = 30.0;

/// Where the probe came into the milk that is warmed at `place`: a step before
/// it rose, or the foot of a rise that began much earlier than was thought.
pub(super) fn into_the_milk(place: f64, history: &History) -> Option<f64> {
    let foot = history.foot_of_rise(place);
    // Water that the probe was rinsed in was hotter than the milk that is warmed.
    let hotter = history.smooth_at(place + 2.0).map_or(f64::INFINITY, |c| c + RINSED_C);
    let put_in = history.put_in(foot.min(place) - PLUNGE_BINS as f64, place + 2.0, hotter);
    if put_in.is_some() {
        return put_in;
    }
    let (from, much_earlier) =
        if foot < place - MUCH_EARLIER_BINS { (foot + 12.0, Some(foot)) } else { (place + 2.0, None) };
    history.plunge_before(from, PLUNGE_BINS).or(much_earlier)
}

/// Whether milk was warmed, and not a room or a hillside: far enough, at a
/// fire's pace, without turning back, by a probe that speaks often enough.
pub(super) fn has_warmed(f: &Finder, (slot, b): (usize, &Belief), history: &History) -> bool {
    let now = f.bin as f64 - 1.0;
    let put_in = into_the_milk(b.place, history);
    let from = history.lowest_place(put_in.map_or(b.place, |p| p + 2.0), now);
    let (Some(level), Some(low)) = (history.smooth_at(now), history.smooth_from(from)) else {
        return false;
    };
    // A probe that was put into ice, and hangs in its room again, comes from what no milk that
    // was thought to stand was.
    if b.next.is_some_and(|next| next < from) && low < f.grammar.coldest(slot) {
        return false;
    }
    let rose = level - low;
    let pace = rose / ((now - from) * BIN_S) * 60.0;
    let planned = f.grammar.slots[slot].target_celsius;
    // What is warmed for rennet begins no hotter than the cow gives it, and no
    // milk is set above this. Curd that the probe was put into is cooked.
    let curd = low >= CURD_C && planned.is_some_and(|target| level > target + BEYOND_SET_C);
    let milk =
        (ICE_C..FROM_THE_COW_C).contains(&low) && level < HOTTEST_SET_C.max(f.grammar.hottest(slot)) && !curd;
    if !milk || pace < SLOWEST_FIRE || rose < LEAST_C {
        return false;
    }
    let near = match planned {
        Some(target) => (level - target).abs() < 2.0,
        None => level > 29.0,
    };
    // Milk still warm from the cow needs little, and a probe shows when it is put in.
    let from_the_cow = near && planned.is_some() && history.stepped_up(from, 3.0);
    let (enough, bins) = match (Hangs::before(history, from, put_in), near, from_the_cow) {
        (Hangs::OutOfDoors, ..) => (SUN_C, 36.0),
        (Hangs::Long, true, _) if planned.is_some() && pace >= STEADY_FIRE => (EVENING_C, 36.0),
        (Hangs::Long, ..) => (9.0, 36.0),
        // What it comes into shows after minutes only.
        (Hangs::FromIce, ..) => {
            let into = history.smooth_at(from + OUT_OF_ICE_BINS).unwrap_or(level);
            (9.0 + (into - low).max(0.0), 36.0)
        }
        (Hangs::SinceJustNow, true, true) => (LEAST_C, 18.0),
        (Hangs::SinceJustNow, true, false) => (3.5, 18.0),
        (Hangs::SinceJustNow, false, _) => (5.0, 36.0),
    };
    rose >= enough
        && now - from >= bins
        && history.heard(from, now) >= SPEAKS
        && history.never_fell_by(1.5, from, now)
}

/// Where the probe hung before what it hangs in rose.
#[derive(Debug, PartialEq)]
enum Hangs {
    /// Where sun and wind change, and nobody was seen to put it into milk.
    OutOfDoors,
    /// Where it is, for half an hour or more: in milk of the evening, or in the open.
    Long,
    /// Where it may be its room, on the way back from the ice that it was checked in.
    FromIce,
    SinceJustNow,
}

impl Hangs {
    fn before(history: &History, from: f64, put_in: Option<f64>) -> Self {
        let (led, at) = history.leading_to(from, BEFORE_BINS);
        // A probe that is rinsed or checked swings too; but it was put into the milk.
        let hottest = || led.highest_place(0.0, at).and_then(|p| led.smooth_at(p));
        let rinsed = || hottest().is_some_and(|c| c > HOTTEST_AIR_C);
        let into_milk = || put_in.is_some_and(|p| history.stands_after(p) || rinsed());
        let swings = led.swings(at, SWING_C);
        if swings >= WANDERS_ON || (swings >= WANDERS && !into_milk()) {
            Self::OutOfDoors
        } else if at > HUNG_BINS as f64 && led.plunge_before(at, HUNG_BINS).is_none() {
            Self::Long
        } else if led.lowest(at - OUT_OF_ICE_BINS, at).is_some_and(|c| c < ICE_C) {
            Self::FromIce
        } else {
            Self::SinceJustNow
        }
    }
}

/// Whether a place went up and down, from an hour and a half before a rise that began at
/// `from` until `to`, as nothing does that somebody makes.
fn wanders(history: &History, from: f64, to: f64) -> bool {
    let (led, at) = history.leading_to(to, BEFORE_BINS + (to - from).max(0.0) as usize);
    led.swings(at, SWING_C) >= WANDERS
}

/// Whether milk that was left to its culture is on the fire again at `place`: it rose as
/// heat that only holds does not.
pub(super) fn warmed_again(history: &History, place: f64, now: f64) -> bool {
    let rose = history.smooth_at(now).zip(history.smooth_at(place)).map(|(level, foot)| level - foot);
    rose.is_some_and(|c| c >= AGAIN_C)
}

/// Milk that was warmed beyond where it is set and cooled back: by this at the least, °C,
/// and at this pace, °C/min, in the ten minutes before it came to rest.
const COOLED_C: f64 = 3.0;
const COOLING: f64 = 0.12;
const COOLING_BINS: usize = 60;
/// Then it stands, for so many bins, and changes no more than by this, °C, nor by that
/// share of what it did before. Water that is left to cool goes on cooling.
const RESTS_BINS: usize = 54;
const RESTS_C: f64 = 1.0;
const RESTS_SHARE: f64 = 0.3;

/// Whether milk was warmed from cold beyond where it is set, and cooled back to it: its
/// fall broke off there, as no fall does that nobody made.
pub(super) fn has_cooled_back(f: &Finder, place: f64, history: &History) -> bool {
    let now = f.bin as f64 - 1.0;
    let hottest = history.highest_place(place, now).unwrap_or(now);
    let from = history.lowest_place(place, hottest);
    let (Some(level), Some(top), Some(low)) =
        (history.smooth_at(now), history.smooth_from(hottest), history.smooth_from(from))
    else {
        return false;
    };
    let (least, most) = match f.grammar.set_at(0) {
        Some(set) => (set - BELOW_SET_C, set + BEYOND_SET_C),
        None => SET_BETWEEN_C,
    };
    let warmed = low < FROM_THE_COW_C
        && top < HOTTEST_MILK_C.max(f.grammar.hottest(f.grammar.slots.len() - 1))
        && (top - low) / ((hottest - from).max(1.0) * BIN_S) * 60.0 >= SLOWEST_FIRE;
    warmed
        && top - level >= COOLED_C
        && (least..most).contains(&level)
        && history.heard(from, now) >= SPEAKS
        && history.falls_and_rests(hottest, now, (COOLING_BINS, RESTS_BINS)).any(|(fell, then)| {
            let pace = |c: f64, bins: usize| c / (bins as f64 * BIN_S) * 60.0;
            pace(fell, COOLING_BINS) >= COOLING
                && then.abs() <= RESTS_C
                && pace(then.abs(), RESTS_BINS) <= RESTS_SHARE * pace(fell, COOLING_BINS)
        })
        && !wanders(history, from, now)
}

/// Milk that is set, and curd that is cut, stands no further below and above where it
/// was to be set, °C; where no plan says where, between these.
const BELOW_SET_C: f64 = 4.0;
const BEYOND_SET_C: f64 = 2.0;
const SET_BETWEEN_C: (f64, f64) = (27.0, 37.0);
/// It stands so long before it is cooked, bins: five minutes at the least.
const STANDS_BINS: f64 = 30.0;
/// A cook has risen by this, and above where the milk is set by that, °C.
const COOK_ROSE_C: f64 = 1.0;
const ABOVE_SET_C: f64 = 0.3;
/// It goes no further beyond its target than this, °C.
const BEYOND_COOK_C: f64 = 1.0;
/// The same where the probe first spoke in the middle of it; what came up from below
/// this, °C, while it did is on its way from the cold.
const FIRST_SPOKE_C: f64 = 27.0;
const BEGUN_ROSE_C: f64 = 1.5;
const BEGUN_ABOVE_C: f64 = 1.5;

/// Whether a make that was under way when the probe first spoke is on its cook:
/// warm milk or curd that stood where milk is set, or was on the fire already, and
/// is heated beyond it at a fire's pace. Nothing else that is warm does so.
pub(super) fn is_cooked(f: &Finder, history: &History) -> bool {
    let slots = &f.grammar.slots;
    let Some(cook) = slots.iter().position(|s| s.stage == Stage::Cooking) else { return false };
    let Some(place) = f.sure_of(cook) else { return false };
    let now = f.bin as f64 - 1.0;
    let from = history.lowest_place(place - 6.0, (now - 6.0).max(place));
    let (Some(level), Some(foot)) = (history.smooth_at(now), history.smooth_from(from)) else { return false };
    let rose = level - foot;
    // What goes beyond the cook's target is whey, or water.
    if slots[cook].target_celsius.is_some_and(|t| level > t + BEYOND_COOK_C) {
        return false;
    }
    if rose / ((now - from).max(1.0) * BIN_S) * 60.0 < SLOWEST_FIRE
        || history.heard(from - STANDS_BINS, now) < SPEAKS
    {
        return false;
    }
    let planned = f.grammar.set_at(cook);
    let (least, set) = planned.map_or(SET_BETWEEN_C, |set| (set - BELOW_SET_C, set));
    if from < STANDS_BINS {
        let beyond = level >= set + BEGUN_ABOVE_C && rose >= BEGUN_ROSE_C;
        return planned.is_some() && foot >= least.max(FIRST_SPOKE_C) && beyond;
    }
    let highest = history.highest_place(from - STANDS_BINS, from).and_then(|p| history.smooth_at(p));
    let stood = history.lowest(from - STANDS_BINS, from).is_some_and(|c| c >= least)
        && highest.is_some_and(|c| c <= set + BEYOND_SET_C);
    stood && rose >= COOK_ROSE_C && level >= set + ABOVE_SET_C && !wanders(history, from, from)
}
