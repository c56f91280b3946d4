//! Level, rate and roughness of a noisy trace.
//!
//! A local linear trend (Kalman filter on level and slope) follows every
//! sample. Its measurement noise is taken from the trace itself: the scatter
//! from sample to sample (the sensor's own) and the scatter of ten-second
//! means (what stirring does). A sample far off is not taken in; where they go
//! on being far off, the probe has *departed* (lifted, or put into something
//! else): the live trend follows it, while the trend of what it hung in before
//! is kept, carried forward, and taken up again when the probe comes back.
//!
//! Deliberately absent: any knowledge of stages, plans or health.

use super::bins::{BIN_S, Bin, Binner};

/// Slope random walk of a kettle over a fire, (°C/s)² per second: about
/// 0.06 °C/min in half a minute.
const SLOPE_DRIFT: f64 = 0.5e-8;
/// Level random walk, °C² per second.
const LEVEL_DRIFT: f64 = 2.0e-6;
/// A fire put on or taken off turns the slope by as much as it was, or by this at
/// least, °C/s (0.3 °C/min); the share of its square that is meant each time.
const TURNS_BY: f64 = 0.3 / 60.0;
const TURN: f64 = 0.5;
/// A probe that has been elsewhere this long hangs in something new, seconds.
const NEW_HOME_S: f64 = 100.0;
/// What it hung in before is known again for so long, seconds, and within this, °C.
const KNOWN_AGAIN_S: f64 = 900.0;
const KNOWN_AGAIN_C: f64 = 2.0;
/// Samples in a row that must be off before the trend follows them.
const OFF_IN_A_ROW: u8 = 3;
/// Milk that is heated may rise unseen in a silence longer than this, seconds.
const UNSEEN_S: f64 = 45.0;

/// Nothing that is heated rises faster than this, °C/s (12 °C/min): what does is a probe put
/// back into the milk, and a trend that went on so would run beyond it.
const FASTEST_RISE: f64 = 0.2;

/// Level and slope with their covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// °C.
    pub level: f64,
    /// °C/s.
    pub slope: f64,
    /// Variance of the level, °C².
    pub var_level: f64,
    /// Covariance, °C²/s.
    pub cov: f64,
    /// Variance of the slope, (°C/s)².
    pub var_slope: f64,
}

impl Trend {
    /// A trend that knows one sample.
    pub fn at(level: f64) -> Self {
        Self { level, slope: 0.0, var_level: 0.04, cov: 0.0, var_slope: 4.0e-4 }
    }

    /// Carries the trend `dt_s` seconds on.
    pub fn predict(&mut self, dt_s: f64, level_drift: f64, slope_drift: f64) {
        self.level += self.slope * dt_s;
        let cov = self.cov + dt_s * self.var_slope;
        self.var_level += dt_s * (self.cov + cov) + level_drift * dt_s;
        self.cov = cov;
        self.var_slope += slope_drift * dt_s;
    }

    /// Takes in a sample with variance `noise`.
    pub fn update(&mut self, celsius: f64, noise: f64) {
        let s = self.var_level + noise;
        let (k0, k1) = (self.var_level / s, self.cov / s);
        let e = celsius - self.level;
        self.level += k0 * e;
        self.slope += k1 * e;
        self.var_slope -= k1 * self.cov;
        self.cov -= k0 * self.cov;
        self.var_level -= k0 * self.var_level;
    }
}

/// The trend of one probe.
#[derive(Debug)]
pub struct Filter {
    live: Option<Trend>,
    t_s: f64,
    /// What it hung in before it departed, and since when it is away.
    home: Option<(Trend, f64)>,
    /// What it hung in before that, where it has been elsewhere for long.
    before: Option<(Trend, f64)>,
    off_in_a_row: u8,
    off_first_s: f64,
    /// The silence before the first of them, seconds.
    off_after_s: f64,
    noise: Noise,
    binner: Binner,
}

/// The trace's own scatter.
#[derive(Debug)]
struct Noise {
    last: f64,
    /// Half the mean square of sample-to-sample differences, °C².
    fast: f64,
    /// Variance of ten-second means about their neighbours, °C².
    slow: f64,
    means: [f64; 2],
    seen_means: u8,
    /// Smallest step ever seen between two samples: the resolution, °C.
    step: f64,
}

impl Default for Filter {
    fn default() -> Self {
        Self::new()
    }
}

impl Filter {
    /// A filter that has seen nothing.
    pub fn new() -> Self {
        Self {
            live: None,
            t_s: 0.0,
            home: None,
            before: None,
            off_in_a_row: 0,
            off_first_s: 0.0,
            off_after_s: 0.0,
            noise: Noise {
                last: f64::NAN,
                fast: 2.5e-3,
                slow: 1.0e-3,
                means: [0.0; 2],
                seen_means: 0,
                step: f64::INFINITY,
            },
            binner: Binner::new(),
        }
    }

    /// Takes in a sample at engine second `t_s`; gives the ten-second bins
    /// that it completed, oldest first, to `bins`.
    pub fn take(&mut self, t_s: f64, celsius: f64, bins: &mut Vec<Bin>) {
        self.close_bins(t_s, bins);
        let dt_s = (t_s - self.t_s).max(0.0);
        if self.noise.last.is_finite() {
            self.noise.sample(celsius);
        }
        self.noise.last = celsius;
        self.binner.add(t_s, celsius);
        self.binner.away |= self.home.is_some() || self.off_in_a_row > 1;
        let Some(mut live) = self.live else {
            self.live = Some(Trend::at(celsius));
            self.t_s = t_s;
            return;
        };
        if dt_s <= 0.0 {
            return;
        }
        self.t_s = t_s;
        let wide = if self.home.is_some() { 400.0 } else { 1.0 };
        live.predict(dt_s, LEVEL_DRIFT * wide, SLOPE_DRIFT * wide);
        for (home, _) in self.home.iter_mut().chain(&mut self.before) {
            home.predict(dt_s, LEVEL_DRIFT, SLOPE_DRIFT * 0.3);
        }
        let noise = self.noise.of_sample(dt_s);
        let off = off_by(&live, celsius, noise);
        if off {
            if self.off_in_a_row == 0 {
                self.off_first_s = t_s;
                self.off_after_s = dt_s;
            }
            self.off_in_a_row += 1;
            if self.off_in_a_row < OFF_IN_A_ROW {
                self.live = Some(live);
                return;
            }
            // It has really gone: remember what it hung in, follow it.
            let rose_unseen = self.off_after_s > UNSEEN_S && celsius > live.level;
            if self.home.is_none() && !rose_unseen {
                self.home = Some((live, self.off_first_s));
            }
            live = Trend { slope: 0.0, var_slope: 4.0e-2, var_level: 1.0, cov: 0.0, level: celsius };
        }
        self.off_in_a_row = 0;
        live.update(celsius, noise);
        live.slope = live.slope.min(FASTEST_RISE);
        self.come_home(&mut live, celsius, t_s);
        self.live = Some(live);
    }

    /// Takes up the old trend where the probe is back, drops it where the
    /// probe stays away.
    fn come_home(&mut self, live: &mut Trend, celsius: f64, t_s: f64) {
        let Some((home, since_s)) = self.home else { return };
        if self.is_known_again(celsius, t_s) {
            if let Some((before, _)) = self.before.take() {
                *live = Trend { level: celsius, var_level: 0.05, cov: 0.0, ..before };
            }
            self.home = None;
            return;
        }
        let near = 0.15 + 3.0 * libm::sqrt(home.var_level + self.noise.fast);
        if (celsius - home.level).abs() < near && (live.level - home.level).abs() < 2.0 * near {
            *live = home;
            live.var_level += 0.01;
            live.update(celsius, self.noise.fast + 0.02);
            self.home = None;
        } else if t_s - since_s > NEW_HOME_S {
            // The air between two kettles is nothing to come back to.
            self.before = self.before.filter(|_| home.level < live.level).or(self.home);
            self.home = None;
            live.var_slope = live.var_slope.max(1.0e-5);
        }
    }

    /// Whether a probe that was elsewhere for long is back in what it hung in before.
    fn is_known_again(&mut self, celsius: f64, t_s: f64) -> bool {
        self.before = self.before.filter(|(_, since_s)| t_s - since_s < KNOWN_AGAIN_S);
        let near = |b: &Trend| (0.15 + 3.0 * libm::sqrt(b.var_level + self.noise.fast)).min(KNOWN_AGAIN_C);
        self.before.is_some_and(|(before, _)| (celsius - before.level).abs() < near(&before))
    }

    /// Closes the bins that ended before `t_s`, as a tick does in a silence.
    pub fn close_bins(&mut self, t_s: f64, bins: &mut Vec<Bin>) {
        let already = bins.len();
        self.binner.close(t_s, bins);
        for b in &mut bins[already..] {
            if let Some(mean) = b.celsius.filter(|_| !b.away) {
                self.noise.mean(mean);
            } else {
                self.noise.seen_means = 0;
            }
            b.var_white = self.noise.of_mean(b.n);
        }
    }

    /// The milk may turn now, fire on or off: what its slope was says less of what
    /// it is, and the trend follows the next samples the more.
    pub fn may_turn(&mut self) {
        for trend in self.live.iter_mut().chain(self.home.iter_mut().map(|h| &mut h.0)) {
            let turn = trend.slope.abs().max(TURNS_BY);
            trend.var_slope += TURN * turn * turn;
        }
    }

    /// The live trend, where anything was seen, and when it was last fed.
    pub fn live(&self) -> Option<(Trend, f64)> {
        self.live.map(|l| (l, self.t_s))
    }

    /// The trend of the milk: the live one, or what the probe hung in before
    /// it departed, carried to now; and since when the probe is away.
    pub fn milk(&self) -> Option<(Trend, Option<f64>)> {
        match &self.home {
            Some((home, since_s)) => Some((*home, Some(*since_s))),
            None => self.live.map(|l| (l, None)),
        }
    }

    /// Scatter of ten-second means, °C (standard deviation): what stirring
    /// adds lives here, below the sensor's own noise.
    pub fn roughness(&self) -> f64 {
        libm::sqrt(self.noise.slow)
    }
}

impl Noise {
    fn sample(&mut self, celsius: f64) {
        let d = celsius - self.last;
        if d != 0.0 {
            self.step = self.step.min(d.abs().max(0.001));
        }
        // Clipped, so that a spike teaches little.
        let half_square = (0.5 * d * d).min(9.0 * self.fast + 1.0e-5);
        self.fast += (half_square - self.fast) * 0.01;
    }

    fn mean(&mut self, mean: f64) {
        if self.seen_means >= 2 {
            let d = mean - 2.0 * self.means[1] + self.means[0];
            let var = (d * d / 6.0).min(6.0 * self.slow + 1.0e-5);
            self.slow += (var - self.slow) * 0.06;
        }
        self.means = [self.means[1], mean];
        self.seen_means = (self.seen_means + 1).min(2);
    }

    fn quantum_var(&self) -> f64 {
        if self.step.is_finite() { (self.step * self.step / 12.0).min(0.006) } else { 1.0e-5 }
    }

    /// Effective variance of one sample: what makes ten-second means scatter
    /// as they do.
    fn of_sample(&self, dt_s: f64) -> f64 {
        let slow = (self.slow + self.quantum_var() * 0.3) * (BIN_S / dt_s.clamp(0.05, BIN_S));
        slow.max(self.fast).max(1.0e-4)
    }

    /// Variance of a mean of `n` samples by the sensor's own noise.
    fn of_mean(&self, n: u32) -> f64 {
        self.fast / f64::from(n.max(1)) + 0.4 * self.quantum_var() + 4.0e-6
    }
}

fn off_by(trend: &Trend, celsius: f64, noise: f64) -> bool {
    let e = celsius - trend.level;
    let limit = 0.3 + 5.0 * libm::sqrt(trend.var_level + noise.min(0.04));
    e.abs() > limit
}

#[cfg(test)]
mod tests {
    use super::Filter;

    /// Milk that warms by 0.6 °C/min, one sample a second until 300 s; then, after
    /// `silent_s`, as warm as `celsius`. Whether the probe is taken to be away
    /// ten seconds later, and where the milk is believed to stand.
    fn after(silent_s: f64, celsius: f64) -> (bool, f64) {
        let mut filter = Filter::new();
        for k in 0..300 {
            let t = f64::from(k);
            filter.take(t, 33.0 + 0.01 * t + 0.02 * f64::from(k % 3), &mut Vec::new());
        }
        for k in 0..10 {
            filter.take(300.0 + silent_s + f64::from(k), celsius, &mut Vec::new());
        }
        let (milk, away_s) = filter.milk().unwrap();
        (away_s.is_some(), milk.level)
    }

    #[test]
    fn a_probe_that_was_lifted_and_put_back_runs_no_further_than_the_milk() {
        for every_s in [1, 2, 5, 10] {
            let mut filter = Filter::new();
            let mut most: f64 = 0.0;
            for t in (0..900).step_by(every_s) {
                let t = f64::from(u16::try_from(t).unwrap());
                let milk = 40.0 + 0.012 * t;
                let air = (300.0..345.0).contains(&t);
                filter.take(t, if air { 24.0 } else { milk }, &mut Vec::new());
                let (trend, _) = filter.live().unwrap();
                most = most.max(trend.level - milk);
            }
            assert!(most < 1.0, "every {every_s} s: {most} °C beyond");
        }
    }

    #[test]
    fn milk_that_rose_in_a_silence_is_milk_and_a_lifted_probe_is_away() {
        let (away, level) = after(150.0, 40.5);
        assert!(!away && (level - 40.5).abs() < 0.2, "{away} {level}");
        let (away, level) = after(1.0, 40.5);
        assert!(away && level < 37.0, "{away} {level}");
        let (away, level) = after(150.0, 18.0);
        assert!(away && level > 33.0, "{away} {level}");
    }
}
