//! Readings within some times, and what can be summed over them. Pure.

use crate::lot::at::At;
use crate::lot::gather::Point;
use crate::lot::picture::join_within_s;

/// Readings within some times, in runs without a gap.
pub(super) struct Seen {
    /// Runs of (seconds, °C).
    runs: Vec<Vec<(f64, f64)>>,
    pub(super) known_s: f64,
    pub(super) gaps_s: f64,
    pub(super) longest_gap_s: f64,
}

impl Seen {
    pub(super) fn of(points: &[Point], windows: &[(At, At)]) -> Self {
        let join_s = join_within_s(points);
        let mut seen = Self { runs: Vec::new(), known_s: 0.0, gaps_s: 0.0, longest_gap_s: 0.0 };
        for (from, to) in windows {
            let origin = *from;
            let s = |at: At| at.minutes_since(origin) * 60.0;
            let mut end_s = 0.0;
            let good = points.iter().filter(|p| p.good && *from <= p.at && p.at <= *to);
            let mut fresh = true;
            for (t, c) in good.filter_map(|p| Some((s(p.at), p.celsius?))) {
                if fresh || t - end_s > join_s {
                    seen.gap(t - end_s, join_s);
                    seen.runs.push(Vec::new());
                } else {
                    seen.known_s += t - end_s;
                }
                if let Some(run) = seen.runs.last_mut() {
                    run.push((t, c));
                }
                (fresh, end_s) = (false, t);
            }
            seen.gap(s(*to) - end_s, join_s);
        }
        seen
    }

    fn gap(&mut self, s: f64, join_s: f64) {
        if s > join_s {
            self.gaps_s += s;
            self.longest_gap_s = self.longest_gap_s.max(s);
        }
    }

    fn pairs(&self) -> impl Iterator<Item = ((f64, f64), (f64, f64))> {
        self.runs.iter().flat_map(|r| r.windows(2).map(|w| (w[0], w[1])))
    }

    pub(super) fn highest(&self) -> f64 {
        self.runs.iter().flatten().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max)
    }

    /// Time above, the moment of crossing taken on the straight line.
    pub(super) fn above_s(&self, celsius: f64) -> f64 {
        self.pairs()
            .map(|((t0, a), (t1, b))| {
                let (low, high) = (a.min(b), a.max(b));
                if low > celsius {
                    t1 - t0
                } else if high > celsius {
                    (t1 - t0) * (high - celsius) / (high - low)
                } else {
                    0.0
                }
            })
            .sum()
    }

    /// The longest time at or above without a break, and with the gaps between
    /// such times counted in.
    pub(super) fn longest_at_or_above_s(&self, celsius: f64) -> (f64, f64) {
        let (mut longest, mut with_gaps) = (0.0f64, 0.0f64);
        let mut through: Option<f64> = None;
        for run in &self.runs {
            let mut since = None;
            for (i, (t, c)) in run.iter().enumerate() {
                if *c < celsius {
                    (since, through) = (None, None);
                    continue;
                }
                let from = *since.get_or_insert(*t);
                // A run that begins hot goes on from the one before the gap.
                let gap_from = if i == 0 { *through.get_or_insert(*t) } else { *through.get_or_insert(from) };
                longest = longest.max(t - from);
                with_gaps = with_gaps.max(t - gap_from);
            }
        }
        (longest, with_gaps)
    }

    pub(super) fn logs(&self, d_s: f64, at_celsius: f64, z_celsius: f64) -> f64 {
        let rate = |c: f64| 10f64.powf((c - at_celsius) / z_celsius) / d_s;
        self.pairs().map(|((t0, a), (t1, b))| (t1 - t0) * rate(a.min(b))).sum()
    }
}
