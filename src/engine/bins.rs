//! Ten-second bins of a trace: the beat that the stage finder walks by.
//!
//! A bin's value is the mean of its samples near their median, so that a spike
//! or two inside it leave no trace.

/// Length of a bin, seconds.
pub const BIN_S: f64 = 10.0;
/// Samples kept of one bin; a faster probe is thinned.
const KEEP: usize = 48;
/// Longest silence that is walked through bin by bin.
const LONGEST_WALK: f64 = 2160.0;

/// One bin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bin {
    /// Its end, engine seconds.
    pub end_s: f64,
    /// Robust mean, °C; `None` where nothing was heard.
    pub celsius: Option<f64>,
    /// Mean time of its samples, engine seconds.
    pub mid_s: f64,
    /// How many samples.
    pub n: u32,
    /// Variance of the mean by the sensor's own noise, °C².
    pub var_white: f64,
    /// The probe was out of what it hung in during a part of it.
    pub away: bool,
}

/// A probe that was just put into the milk still changes by more than this between
/// two bins, °C.
const AT_REST_C: f64 = 0.5;

/// The mean of the last two bins, as the samples came.
#[derive(Debug, Default)]
pub struct Plain {
    last: [Option<f64>; 2],
}

impl Plain {
    /// Takes in the bin that ended last.
    pub fn push(&mut self, bin: &Bin) {
        self.last = [self.last[1], bin.celsius.filter(|_| !bin.away)];
    }

    /// Whether the probe shows what it hangs in, and is not on its way there.
    pub fn is_at_rest(&self) -> bool {
        matches!(self.last, [Some(a), Some(b)] if (b - a).abs() < AT_REST_C)
    }

    /// Their mean, °C, where there was anything in them.
    pub fn celsius(&self) -> Option<f64> {
        match self.last {
            [Some(a), Some(b)] => Some(f64::midpoint(a, b)),
            [a, b] => b.or(a),
        }
    }
}

/// Collects samples into bins.
#[derive(Debug)]
pub(super) struct Binner {
    index: Option<i64>,
    samples: [f64; KEEP],
    n: usize,
    heard: u32,
    sum_t: f64,
    /// The probe was away during the running bin.
    pub away: bool,
}

impl Binner {
    pub fn new() -> Self {
        Self { index: None, samples: [0.0; KEEP], n: 0, heard: 0, sum_t: 0.0, away: false }
    }

    /// Adds a sample to the running bin; call [`Self::close`] first.
    pub fn add(&mut self, t_s: f64, celsius: f64) {
        self.index.get_or_insert(index_of(t_s));
        self.heard += 1;
        self.sum_t += t_s;
        if self.n < KEEP {
            self.samples[self.n] = celsius;
            self.n += 1;
        }
    }

    /// Closes every bin that ended at or before `t_s`.
    pub fn close(&mut self, t_s: f64, out: &mut Vec<Bin>) {
        let Some(first) = self.index else { return };
        let now = index_of(t_s);
        if now <= first {
            return;
        }
        out.push(self.close_one(first));
        // A long silence is one step, not a thousand.
        let mut k = (first + 1).max(now - LONGEST_WALK as i64);
        while k < now {
            out.push(Bin {
                end_s: end_of(k),
                celsius: None,
                mid_s: end_of(k) - BIN_S / 2.0,
                n: 0,
                var_white: 0.0,
                away: false,
            });
            k += 1;
        }
        self.index = Some(now);
    }

    fn close_one(&mut self, k: i64) -> Bin {
        let celsius = robust_mean(&mut self.samples[..self.n]);
        let mid_s = if self.heard > 0 { self.sum_t / f64::from(self.heard) } else { end_of(k) - BIN_S / 2.0 };
        let bin = Bin { end_s: end_of(k), celsius, mid_s, n: self.n as u32, var_white: 0.0, away: self.away };
        self.away = false;
        self.n = 0;
        self.heard = 0;
        self.sum_t = 0.0;
        bin
    }
}

fn index_of(t_s: f64) -> i64 {
    libm::floor(t_s / BIN_S) as i64
}

fn end_of(k: i64) -> f64 {
    (k + 1) as f64 * BIN_S
}

/// Mean of what lies within three robust deviations of the median.
fn robust_mean(samples: &mut [f64]) -> Option<f64> {
    if samples.is_empty() {
        return None;
    }
    samples.sort_unstable_by(f64::total_cmp);
    let median = samples[samples.len() / 2];
    let quarter = samples.len() / 4;
    let spread = samples[samples.len() - 1 - quarter] - samples[quarter];
    let near = (2.2 * spread).max(0.3);
    let (mut sum, mut n) = (0.0, 0u32);
    for s in samples {
        if (*s - median).abs() <= near {
            sum += *s;
            n += 1;
        }
    }
    Some(sum / f64::from(n))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spike_in_a_bin_leaves_no_trace() {
        let mut b = Binner::new();
        let mut out = Vec::new();
        for k in 0..10 {
            b.add(f64::from(k), if k == 4 { 88.0 } else { 32.0 });
        }
        b.close(35.0, &mut out);
        assert_eq!(out.len(), 3);
        assert!((out[0].celsius.unwrap() - 32.0).abs() < 1e-9);
        assert_eq!(out[1].celsius, None);
    }
}
