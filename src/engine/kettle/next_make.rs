//! The make after this one. Once the curd is out, the whey may go on the fire in
//! the same kettle, or the next milk may be in it before the whey's time is
//! over: so from the drawing on a second tracker looks for a make of its own,
//! and takes over where it is sure, or where the old make rests.
//!
//! Deliberately absent: two makes at once. Whey that was told of and was the
//! next milk is taken back.

use super::{Kettle, Said};
use crate::engine::bins::Bin;
use crate::engine::stage::{Stage, Telling, Tracker};

/// Whey is never as cold as this when it goes on the fire, nor colder by that than
/// when its curd was drawn, °C; milk mostly is.
const COLD_C: f64 = 27.0;
const COOLS_C: f64 = 6.0;
/// The whey's temperature is looked up so long before the drawing, seconds.
const DRAWN_S: f64 = 60.0;
/// Milk that stands is not set above this, °C, and has stood for so long, seconds.
const STANDS_BELOW_C: f64 = 40.0;
const STANDS_S: f64 = 240.0;
/// A whey's heating that began no sooner than this before the next make's warming
/// was that warming, seconds.
const SAME_S: f64 = 600.0;

impl Kettle {
    /// Lets the next make's tracker walk a bin, from the drawing on.
    pub(super) fn look_for_next(&mut self, bin: &Bin, slow_var: f64) {
        if self.now.stage < Stage::Drawing {
            self.next = None;
            return;
        }
        let next = self.next.get_or_insert_with(|| Box::new(Tracker::new(self.plan.as_deref())));
        // It tells for itself once it takes over.
        next.bin(bin, slow_var, &mut Vec::new());
    }

    /// Whether the next make is on for sure.
    pub(super) fn next_is_on(&self, t_s: f64) -> bool {
        let Some(next) = &self.next else { return false };
        let now = next.now();
        let celsius = |s: f64| next.celsius_at(s);
        match now.stage {
            Stage::Warming => next.lowest_in_milk(now.began_s).is_some_and(|c| c < self.coldest_whey()),
            Stage::Ripening | Stage::Setting => {
                t_s - now.began_s > STANDS_S && celsius(t_s).is_some_and(|c| c < STANDS_BELOW_C)
            }
            _ => false,
        }
    }

    /// What is colder is no whey of this make, °C.
    fn coldest_whey(&self) -> f64 {
        let drawn = self.tracker.told().iter().rev().find(|t| t.stage == Stage::Drawing);
        let whey = drawn.and_then(|t| self.tracker.celsius_at(t.began_s - DRAWN_S));
        whey.map_or(COLD_C, |c| COLD_C.min(c - COOLS_C))
    }

    /// Whether what the next make's tracker saw may be milk, now that the old make
    /// rests: not the whey that was heated since.
    pub(super) fn next_may_be_on(&self, t_s: f64) -> bool {
        self.next.as_ref().is_some_and(|next| {
            let milk = next.now().stage <= Stage::Setting;
            milk && next.celsius_at(t_s).is_none_or(|c| c < STANDS_BELOW_C)
        })
    }

    /// A rennet that is marked now goes into the next milk.
    pub(super) fn next_is_renneted(&self) -> bool {
        let warm = self.filter.milk().is_some_and(|m| (20.0..45.0).contains(&m.0.level));
        self.next.is_some() && warm
    }

    /// Ends the make, and goes on with the next one's tracker.
    pub(super) fn go_on_to_next(&mut self, t_s: f64, out: &mut Vec<Said>) {
        let Some(next) = self.next.take() else { return };
        let began_s = next.told().first().map_or(t_s, |t| t.began_s);
        if !next.told().is_empty() {
            self.tracker.withdraw_whey(began_s - SAME_S, &mut self.tellings);
            self.tell(out);
        }
        self.finish(t_s, out);
        self.heating_told = (None, began_s - 1.0);
        self.tellings.extend(next.told().iter().cloned().map(Telling::Began));
        self.tracker = *next;
        self.tell(out);
    }
}
