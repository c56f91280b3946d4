//! Whether the milk stands still: stirred milk scatters from ten seconds to the
//! next, a gel or a settled curd does not.
//!
//! A running log-likelihood ratio (CUSUM) of "still" against "stirred", on the
//! second differences of ten-second means. Where the sensor's own noise drowns
//! what stirring does, it never speaks: not knowing is not an alarm.

use super::bins::Bin;

/// The ratio at which stillness is believed.
const BELIEVED: f64 = 8.0;

/// The judge of stillness.
#[derive(Debug, Default)]
pub(super) struct Stillness {
    last: [f64; 2],
    seen: u8,
    ratio: f64,
    since_s: f64,
    believed: bool,
    /// Variance of ten-second means while stirred; learned.
    stirred_var: f64,
    taught: u32,
}

impl Stillness {
    /// Walks one bin on; `stirred` says that the milk is stirred for sure now.
    pub fn bin(&mut self, bin: &Bin, slow_var: f64, stirred: bool) {
        let Some(c) = bin.celsius else {
            self.seen = 0;
            return;
        };
        if stirred {
            let share = 1.0 / f64::from((self.taught + 1).min(30));
            self.stirred_var += share * (slow_var - self.stirred_var);
            self.taught += 1;
        }
        if self.seen >= 2 {
            let d = c - 2.0 * self.last[1] + self.last[0];
            self.weigh(d * d / 6.0, bin);
        }
        self.last = [self.last[1], c];
        self.seen = (self.seen + 1).min(2);
    }

    fn weigh(&mut self, var: f64, bin: &Bin) {
        let still = bin.var_white + 0.006 * 0.006;
        // Off the fire the scatter is a fifth to a third of what it is on it.
        let stirred = (0.2 * self.stirred_var).max(1.0e-6);
        if self.taught < 12 || stirred < 2.0 * still {
            self.ratio = 0.0;
            self.believed = false;
            return;
        }
        let ln = 0.5 * (var / stirred - var / still) + 0.5 * libm::log(stirred / still);
        if self.ratio <= 0.0 {
            self.since_s = bin.end_s;
        }
        self.ratio = (self.ratio + 0.6 * ln).clamp(0.0, BELIEVED + 2.0);
        self.believed = self.ratio >= BELIEVED || (self.believed && self.ratio > 1.0);
    }

    /// How long it has stood still, seconds; 0 where it does not, or cannot be
    /// told.
    pub fn seconds(&self, t_s: f64) -> f64 {
        if self.believed { (t_s - self.since_s).max(0.0) } else { 0.0 }
    }
}
