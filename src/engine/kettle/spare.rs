//! Which of a kettle's probes its make is followed by: the first that spoke, until
//! it fails for good and another hangs there, or is laid aside in a cook and another
//! hangs in what it left.
//!
//! Invariant: no flapping. The one that is followed is left only where it has given
//! no number for minutes, or was out of the milk for one, and so is the one that took
//! its place. Once curd may be drawn a probe that comes out is left by none: that it
//! comes out is the drawing.

use super::other::Other;
use super::{Kettle, Said};
use crate::engine::event::Name;
use crate::engine::probe::{Health, Lags};
use crate::engine::said::spoken;

/// A probe without a number for so long does not come back by itself, seconds: a box
/// that starts anew or a radio that drops out takes a minute or two.
const GIVEN_UP_S: f64 = 180.0;
/// What takes its place has spoken well for so long, seconds.
const PROVEN_S: f64 = 60.0;
/// Two probes in the same milk differ by less than this, °C.
const SAME_MILK_C: f64 = 1.5;

impl Kettle {
    /// Follows another probe where the one that is followed has failed.
    pub(super) fn look_for_spare(&mut self, t_s: f64, out: &mut Vec<Said>) {
        let without_s = t_s - self.number_s.max(self.followed_s);
        let failed = self.watch.health() == Health::Failure && without_s >= GIVEN_UP_S;
        let milk = if failed { None } else { self.tracker.laid_aside_from() };
        if !failed && milk.is_none() {
            return;
        }
        let in_it = |o: &Other| match (milk, o.verdict.use_celsius) {
            (Some(milk), Some(c)) => (c - milk).abs() < SAME_MILK_C,
            (Some(_), None) => false,
            (None, _) => true,
        };
        let proven = |o: &Other| o.good_for_s(t_s).filter(|good_s| *good_s >= PROVEN_S && in_it(o));
        let mut best: Option<(&Name, f64)> = None;
        for (name, good_s) in self.others.iter().filter_map(|(name, o)| Some((name, proven(o)?))) {
            if best.is_none_or(|b| good_s > b.1) {
                best = Some((name, good_s));
            }
        }
        if let Some(name) = best.map(|b| b.0.clone()) {
            let old = self.probe.clone();
            self.follow_probe(&name, t_s, out);
            let why = if failed {
                format!("has given no number for {}", spoken(without_s))
            } else {
                "is out of the milk".to_owned()
            };
            out.push(Said::Remark(format!("{old} {why}: the make is followed by {name} now")));
        }
    }

    fn follow_probe(&mut self, name: &Name, t_s: f64, out: &mut Vec<Said>) {
        let Some(spare) = self.others.remove(name) else { return };
        let old = std::mem::replace(&mut self.probe, name.clone());
        let watch = std::mem::replace(&mut self.watch, spare.watch);
        let verdict = std::mem::replace(&mut self.verdict, spare.verdict.clone());
        self.others.insert(old.clone(), Other::of(old, watch, verdict, self.heard_s));
        self.heard_s = spare.heard_s;
        self.followed_s = t_s;
        self.watch.teach(&self.probe, &Lags::default());
        self.note_health(spare.verdict, out);
    }
}
