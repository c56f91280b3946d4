//! What led to a place: also before the finder began, where nothing came of it.

use super::{History, LIFT_BINS};

/// What nothing came of is remembered for so many bins: three hours.
const REMEMBERED: usize = 1080;

impl History {
    /// One that begins now, and remembers this one, of which nothing came.
    pub fn afresh(&self) -> Self {
        let all = self.past.iter().chain(&self.bins);
        let forgotten = (self.past.len() + self.bins.len()).saturating_sub(REMEMBERED);
        Self { bins: Vec::new(), past: all.skip(forgotten).copied().collect() }
    }

    /// What led to a place, for `back` bins at the most and also before the finder began, and
    /// where in it that place is.
    pub fn leading_to(&self, place: f64, back: usize) -> (Self, f64) {
        let at = self.past.len() + place.max(0.0) as usize;
        let (first, last) = (at.saturating_sub(back), at + 2 * LIFT_BINS);
        let all = self.past.iter().chain(&self.bins);
        let bins = all.take(last).skip(first).copied().collect();
        (Self { bins, past: Vec::new() }, (at - first) as f64)
    }

    /// Whether it stood after the step at that place: changed by less than half of it within the
    /// next minute.
    pub fn stands_after(&self, place: f64) -> bool {
        let k = place.max(0.0) as usize;
        let at = |first: usize| self.median(first, first + 2);
        let (before, then, later) = (at(k.saturating_sub(3)), at(k + 1), at(k + 6));
        before.zip(then).zip(later).is_some_and(|((b, t), l)| (l - t).abs() < 0.5 * (t - b).abs())
    }

    /// How often the value turned before a place, going up or down by `celsius` or more
    /// each time; a probe lifted for a minute does not count.
    pub fn swings(&self, before: f64, celsius: f64) -> usize {
        let mut turns = 0;
        let mut rising: Option<bool> = None;
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for k in (0..before.max(0.0) as usize).step_by(6) {
            let Some(v) = self.median(k, k + LIFT_BINS) else { continue };
            (low, high) = (low.min(v), high.max(v));
            let (fell, rose) = (v <= high - celsius, v >= low + celsius);
            if (fell && rising != Some(false)) || (rose && rising != Some(true)) {
                turns += usize::from(rising.is_some());
                rising = Some(!fell || (rose && rising == Some(false)));
                (low, high) = (v, v);
            }
        }
        turns
    }
}
