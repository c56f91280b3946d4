//! The cooks of a make, with where each ended: its own peak, before the next heat,
//! and whether its target was reached.

use super::Tracker;
use crate::engine::bins::BIN_S;
use crate::engine::stage::{Stage, Told};

/// A cook as the trace shows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CookSeen {
    /// When it began, engine seconds.
    pub began_s: f64,
    /// What was wanted, °C.
    pub target_celsius: Option<f64>,
    /// When the target was reached, engine seconds.
    pub reached_s: Option<f64>,
    /// Highest smoothed temperature, °C.
    pub peak_celsius: f64,
    /// When, engine seconds.
    pub peak_s: f64,
}

impl Tracker {
    /// The cooks among `stages`, with where they ended.
    pub fn cooks(&self, stages: &[Told]) -> Vec<CookSeen> {
        let zero_s = self.finder.zero_s.unwrap_or(0.0);
        let place = |s: f64| (s - zero_s) / BIN_S;
        let mut seen = Vec::new();
        for (i, t) in stages.iter().enumerate().filter(|(_, t)| t.stage == Stage::Cooking) {
            let target = self.finder.grammar.slots[t.slot].target_celsius;
            let now = self.finder.bin as f64;
            let after = stages.get(i + 1).map_or(now - 1.0, |n| place(n.began_s));
            let next_heat = stages[i + 1..].iter().find(|n| n.stage == Stage::Cooking);
            let until = next_heat.map_or(now, |n| place(n.began_s));
            let peak = if until > after {
                self.history.peak_between(after, until)
            } else {
                self.history.highest_place(place(t.began_s), until)
            };
            let Some(at) = peak else { continue };
            let Some(peak_celsius) = self.history.smooth_at(at) else { continue };
            // What only holds the temperature afterwards reaches nothing.
            let reached_s = target
                .and_then(|c| self.history.first_at_or_above(c, place(t.began_s), at))
                .map(|p| zero_s + p * BIN_S);
            seen.push(CookSeen {
                began_s: t.began_s,
                target_celsius: target,
                reached_s,
                peak_celsius,
                peak_s: zero_s + at * BIN_S,
            });
        }
        seen
    }
}
