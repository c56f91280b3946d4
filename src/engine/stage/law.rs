//! How long a phase lasts.

/// A law of duration: a log-normal with a heavier one mixed in, since a make
/// may well take a third of what was expected, or three times.
pub(super) struct Law {
    pub median_s: f64,
    sigma: f64,
    wide: f64,
    pub least_s: f64,
    /// Share that lasts about a minute instead: water poured.
    pub poured: f64,
}

impl Law {
    pub fn about(minutes: f64, sigma: f64) -> Self {
        Self { median_s: minutes * 60.0, sigma, wide: sigma * 2.0, least_s: 20.0, poured: 0.0 }
    }
    pub fn open(minutes: f64) -> Self {
        Self { median_s: minutes * 60.0, sigma: 1.5, wide: 1.5, least_s: 0.0, poured: 0.0 }
    }
    pub fn or_poured(mut self, share: f64) -> Self {
        self.poured = share;
        self
    }
    pub fn at_least(mut self, seconds: f64) -> Self {
        self.least_s = seconds;
        self
    }

    /// Probability that it lasts longer than `s` seconds.
    pub fn beyond(&self, s: f64) -> f64 {
        let lasts = if s <= self.least_s {
            1.0
        } else {
            let z = libm::log((s - self.least_s).max(1.0) / self.median_s);
            0.8 * upper_tail(z / self.sigma) + 0.2 * upper_tail(z / self.wide)
        };
        let poured =
            if self.poured > 0.0 { upper_tail(libm::log(s.max(1.0) / POUR_S) / POUR_SIGMA) } else { 0.0 };
        (1.0 - self.poured) * lasts + self.poured * poured
    }
}

/// How long a pour of water takes in the middle, seconds, and how that spreads.
const POUR_S: f64 = 60.0;
const POUR_SIGMA: f64 = 0.5;

fn upper_tail(z: f64) -> f64 {
    0.5 * libm::erfc(z * std::f64::consts::FRAC_1_SQRT_2)
}
