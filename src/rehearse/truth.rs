//! What is true of a make: when each stage began, and how each cook ended.
//!
//! Stirring begins where the milk's own temperature, smoothed over ten
//! seconds, reached the cook's target; where it never did before the next
//! heat, at its peak.

use super::maker::Deed;
use crate::engine::stage::Stage;

/// The milk's temperature is smoothed over this, seconds.
const SMOOTH_S: f64 = 10.0;

/// How one cook ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cooked {
    /// What was wanted, °C.
    pub target_celsius: f64,
    /// When it began, seconds since the scene began.
    pub began_s: f64,
    /// When heat came off for the last time.
    pub heat_off_s: Option<f64>,
    /// When the milk stood at the target.
    pub reached_s: Option<f64>,
    /// Highest temperature before the next heat, °C.
    pub peak_celsius: f64,
    /// When.
    pub peak_s: f64,
}

/// The record of truth.
#[derive(Debug, Clone, Default)]
pub struct Truth {
    /// Stages begun: which, when; a stirring refers to its cook.
    began: Vec<(Stage, f64, Option<usize>)>,
    cooks: Vec<Cooked>,
    open: bool,
    smooth: Option<f64>,
}

impl Truth {
    /// Takes note of a deed.
    pub fn take(&mut self, deed: &Deed, now_s: f64) {
        match *deed {
            Deed::Began(stage) => {
                self.open &= !matches!(stage, Stage::Settling | Stage::Drawing);
                if stage != Stage::Idle {
                    self.began.push((stage, now_s, None));
                }
            }
            Deed::CookBegan(target) => {
                self.open = true;
                self.began.push((Stage::Cooking, now_s, None));
                self.cooks.push(Cooked {
                    target_celsius: target,
                    began_s: now_s,
                    heat_off_s: None,
                    reached_s: None,
                    peak_celsius: f64::MIN,
                    peak_s: now_s,
                });
            }
            Deed::Retargeted(target) => {
                if let Some(cook) = self.cooks.last_mut() {
                    cook.target_celsius = target;
                    cook.reached_s = cook.reached_s.filter(|_| cook.peak_celsius >= target);
                }
            }
            Deed::HeatOff => {
                if let (true, Some(cook)) = (self.open, self.cooks.last_mut()) {
                    cook.heat_off_s = Some(now_s);
                }
            }
            Deed::CookEnded => self.began.push((Stage::Stirring, now_s, self.cooks.len().checked_sub(1))),
            Deed::HoldHeat => self.open = false,
            Deed::Marked(_) => {}
        }
    }

    /// Sees the milk's temperature, every step.
    pub fn see(&mut self, now_s: f64, celsius: f64, dt_s: f64) {
        let smooth = self.smooth.get_or_insert(celsius);
        *smooth += (celsius - *smooth) * dt_s / SMOOTH_S;
        let level = *smooth;
        if let (true, Some(cook)) = (self.open, self.cooks.last_mut()) {
            if level > cook.peak_celsius {
                (cook.peak_celsius, cook.peak_s) = (level, now_s);
            }
            if level >= cook.target_celsius && cook.reached_s.is_none() {
                cook.reached_s = Some(now_s);
            }
        }
    }

    /// Every cook so far.
    pub fn cooks(&self) -> &[Cooked] {
        &self.cooks
    }

    /// Stages in order of their beginning: (which, seconds since the scene
    /// began).
    pub fn began(&self) -> Vec<(Stage, f64)> {
        let mut began: Vec<(Stage, f64)> = self
            .began
            .iter()
            .map(|&(stage, at_s, cook)| {
                let by_trace = cook.and_then(|i| self.cooks.get(i)).map(|c| c.reached_s.unwrap_or(c.peak_s));
                (stage, by_trace.unwrap_or(at_s))
            })
            .collect();
        began.sort_by(|a, b| a.1.total_cmp(&b.1));
        began
    }
}

#[cfg(test)]
mod tests {
    use super::{Deed, Stage, Truth};

    /// Ramp of 0.01 °C/s to `top`, then a slow fall; when stirring began.
    fn check(top: f64, target: f64, stirring_s: f64) {
        let mut truth = Truth::default();
        truth.take(&Deed::CookBegan(target), 0.0);
        for i in 0..4000 {
            let t = f64::from(i) * 0.5;
            let c =
                if t < (top - 30.0) * 100.0 { 30.0 + 0.01 * t } else { top - (t - 1000.0).max(0.0) * 1e-4 };
            truth.see(t, c, 0.5);
        }
        truth.take(&Deed::CookEnded, 2000.0);
        let began = truth.began();
        assert_eq!(began.len(), 2);
        assert_eq!(began[1].0, Stage::Stirring);
        assert!((began[1].1 - stirring_s).abs() < 60.0, "{began:?}");
    }

    #[test]
    fn stirring_begins_at_the_target_or_at_the_peak() {
        check(40.0, 38.0, 810.0);
        check(40.0, 41.0, 1040.0);
    }
}
