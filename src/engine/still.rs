//! Whether the milk stands still: stirred milk scatters from ten seconds to the
//! next, a gel or a settled curd does not.
//!
//! A running log-likelihood ratio (CUSUM) of "still" against "stirred", on the
//! second differences of ten-second means. Where the sensor's own noise drowns
//! what stirring does, it never speaks: not knowing is not an alarm.

use super::bins::Bin;

/// The ratio at which stillness is believed.
const BELIEVED: f64 = 8.0;

/// A wet connector scatters more than milk that is stirred: where the variance comes to so
/// much more than it has been, the milk is not to be called still once it dries.
const WET: f64 = 4.0;
/// Bins after which what was learned is known well.
const KNOWN_WELL: u32 = 30;

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
    /// The least that it has been since it was known well.
    least_var: f64,
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
            let share = 1.0 / f64::from((self.taught + 1).min(KNOWN_WELL));
            self.stirred_var += share * (slow_var - self.stirred_var);
            self.taught += 1;
            if self.taught == KNOWN_WELL || self.stirred_var < self.least_var {
                self.least_var = self.stirred_var;
            }
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
        let most = if self.taught < KNOWN_WELL { f64::INFINITY } else { WET * self.least_var };
        let stirred = (0.2 * self.stirred_var.min(most)).max(1.0e-6);
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Walks bins that scatter by `sd` °C about 40 °C, to the next when it is stirred.
    fn walk(judge: &mut Stillness, t_s: &mut f64, bins: u32, sd: f64, stirred: bool) {
        for k in 0..bins {
            *t_s += 10.0;
            // Up, down and level in no period that the second difference would miss.
            let off = [1.2, -0.9, 0.1, -1.3, 0.8, 1.0, -0.2, -0.7][(k % 8) as usize];
            let bin = Bin {
                end_s: *t_s,
                mid_s: *t_s - 5.0,
                celsius: Some(40.0 + sd * off),
                n: 10,
                var_white: 2.0e-4,
                away: false,
            };
            judge.bin(&bin, sd * sd, stirred);
        }
    }

    #[test]
    fn curd_that_stands_is_still_and_a_connector_that_dries_is_not() {
        let (mut judge, mut t_s) = (Stillness::default(), 0.0);
        walk(&mut judge, &mut t_s, 60, 0.09, true);
        assert!(judge.seconds(t_s) < 1.0);
        walk(&mut judge, &mut t_s, 30, 0.003, false);
        assert!(judge.seconds(t_s) > 120.0, "still for {} s", judge.seconds(t_s));
        // A quarter of an hour of splashes, and then the same stirring as before.
        let (mut judge, mut t_s) = (Stillness::default(), 0.0);
        walk(&mut judge, &mut t_s, 60, 0.024, true);
        walk(&mut judge, &mut t_s, 90, 0.5, true);
        walk(&mut judge, &mut t_s, 60, 0.024, false);
        assert!(judge.seconds(t_s) < 1.0, "still for {} s", judge.seconds(t_s));
    }
}
