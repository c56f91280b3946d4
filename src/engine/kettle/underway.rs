//! A make that nobody saw begin: milk warm from the cow, a probe hung late, a
//! daemon begun in the middle. While nothing is told, and the probe hangs in what
//! may be milk, a second tracker takes it to be one; it is believed once what stood
//! is heated as a cook is, and takes over. So does it where all that is told is the
//! warming of milk that was warm already, and it goes well beyond where milk is set.

use super::{Kettle, Said};
use crate::engine::bins::Bin;
use crate::engine::stage::{Stage, Telling, Tracker};

/// No milk is set below this, °C.
const WARM_C: f64 = 25.0;
/// Nor is any warmed beyond this, °C.
const HOTTEST_C: f64 = 47.0;
/// A warming that begins as warm as this, °C, may be a cook whose beginning nobody saw,
/// and is one where it goes beyond its target by that.
const WARM_ALREADY_C: f64 = 27.0;
const BEYOND_SET_C: f64 = 1.5;
/// A probe is lifted for so many bins at the most.
const LIFTED_BINS: u16 = 12;
/// What has been warm for so long is no milk, bins: a quarter of a day.
const LONGEST_BINS: i64 = 2160;

/// What the probe hangs in, since it was warm.
#[derive(Debug)]
pub(super) struct Unseen {
    /// `None` where it is no milk.
    tracker: Option<Box<Tracker>>,
    /// Bins for which it has been cold.
    cold: u16,
}

impl Kettle {
    /// Lets it walk a bin, while nothing is told.
    pub(super) fn look_for_unseen(&mut self, bin: &Bin, slow_var: f64) {
        let warm = bin.celsius.is_none_or(|c| c >= WARM_C);
        let water = |t: &Telling| matches!(t, Telling::Withdrawn(w) if w.stage == Stage::Warming);
        if bin.celsius.is_some_and(|c| c > HOTTEST_C) && self.tellings.iter().any(water) {
            // What was warmed from cold and is no milk is no curd either.
            self.unseen = Some(Unseen { tracker: None, cold: 0 });
        } else if !self.may_be_unseen() {
            self.unseen = None;
        } else if let Some(unseen) = &mut self.unseen {
            unseen.cold = if warm { 0 } else { unseen.cold + 1 };
            if let Some(tracker) = &mut unseen.tracker {
                tracker.bin(bin, slow_var, &mut Vec::new());
                if tracker.bins() > LONGEST_BINS && tracker.heating() < 0.05 {
                    unseen.tracker = None;
                }
            }
            if unseen.cold > LIFTED_BINS {
                self.unseen = None;
            }
        } else if let Some(c) = bin.celsius.filter(|_| warm && self.plain.is_at_rest()) {
            let tracker = Box::new(self.tracker.underway(self.plan.as_deref(), c));
            self.unseen = Some(Unseen { tracker: Some(tracker), cold: 0 });
        }
    }

    /// Whether what is told may be the middle of a make that nobody saw begin.
    fn may_be_unseen(&self) -> bool {
        match self.tracker.told() {
            [] => true,
            [only] if only.stage == Stage::Warming => {
                self.tracker.celsius_at(only.began_s).is_some_and(|c| c >= WARM_ALREADY_C)
            }
            _ => false,
        }
    }

    /// Goes on with it where a cook is on.
    pub(super) fn go_on_with_unseen(&mut self, out: &mut Vec<Said>) {
        let cooks = |t: &Tracker| t.told().iter().any(|t| t.stage == Stage::Cooking);
        let told = self.tracker.told();
        let warmed_to = told.first().and_then(|t| self.tracker.target_of(t));
        let level = self.filter.milk().map(|m| m.0.level);
        let beyond = || level.zip(warmed_to).is_some_and(|(c, to)| c >= to + BEYOND_SET_C);
        if !self.may_be_unseen() || !(told.is_empty() || beyond()) {
            return;
        }
        let taken_back: Vec<_> = told.iter().cloned().map(Telling::Withdrawn).collect();
        let Some(unseen) = &mut self.unseen else { return };
        let Some(tracker) = unseen.tracker.take_if(|t| cooks(t)) else { return };
        self.tellings.extend(taken_back);
        self.tellings.extend(tracker.told().iter().cloned().map(Telling::Began));
        self.tracker = *tracker;
        self.tell(out);
    }
}
