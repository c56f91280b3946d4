//! Readings within some times, and what can be summed over them. Pure.

use crate::lot::at::At;
use crate::lot::gather::Point;
use crate::lot::picture::join_within_s;

/// Nothing is deader; a small z would give more than a number can hold.
const MOST_LOGS: f64 = 999.0;

/// Readings within some times, in runs without a gap.
pub(super) struct Seen {
    /// Each of the times, part by part.
    windows: Vec<Vec<Part>>,
    pub(super) known_s: f64,
    pub(super) gaps_s: f64,
    pub(super) longest_gap_s: f64,
}

/// A part of one of the times; seconds count from where that begins.
enum Part {
    /// Readings that belong together: (seconds, °C).
    Run(Vec<(f64, f64)>),
    /// From when to when there are none.
    Gap(f64, f64),
}

impl Seen {
    pub(super) fn of(points: &[Point], windows: &[(At, At)]) -> Self {
        let join_s = join_within_s(points);
        let mut seen = Self { windows: Vec::new(), known_s: 0.0, gaps_s: 0.0, longest_gap_s: 0.0 };
        for (from, to) in windows {
            let s = |at: At| at.minutes_since(*from) * 60.0;
            let good = points.iter().filter(|p| p.good && *from <= p.at && p.at <= *to);
            let mut parts = Vec::new();
            let (mut run, mut end_s) = (Vec::new(), 0.0);
            for (t, c) in good.filter_map(|p| Some((s(p.at), p.celsius?))) {
                if t - end_s > join_s {
                    parts.extend([Part::Run(std::mem::take(&mut run)), Part::Gap(end_s, t)]);
                }
                run.push((t, c));
                end_s = t;
            }
            parts.push(Part::Run(run));
            if s(*to) - end_s > join_s {
                parts.push(Part::Gap(end_s, s(*to)));
            }
            seen.windows.push(parts);
        }
        seen.sum();
        seen
    }

    fn sum(&mut self) {
        self.known_s = self.pairs().map(|((t0, _), (t1, _))| t1 - t0).sum();
        for part in self.windows.iter().flatten() {
            if let Part::Gap(from, to) = part {
                self.gaps_s += to - from;
                self.longest_gap_s = self.longest_gap_s.max(to - from);
            }
        }
    }

    fn runs(&self) -> impl Iterator<Item = &[(f64, f64)]> {
        self.windows.iter().flatten().filter_map(|part| match part {
            Part::Run(run) => Some(run.as_slice()),
            Part::Gap(..) => None,
        })
    }

    fn pairs(&self) -> impl Iterator<Item = ((f64, f64), (f64, f64))> {
        self.runs().flat_map(|r| r.windows(2).map(|w| (w[0], w[1])))
    }

    pub(super) fn highest(&self) -> f64 {
        self.runs().flatten().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max)
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

    /// The longest time at or above without a break, and with the gaps beside
    /// and between such readings counted in. None goes on into another of the
    /// times.
    pub(super) fn longest_at_or_above_s(&self, celsius: f64) -> (f64, f64) {
        let (mut longest, mut with_gaps) = (0.0f64, 0.0f64);
        for parts in &self.windows {
            // Since when it surely was, and since when it may have been.
            let (mut surely, mut maybe) = (None, None);
            let mut told = false;
            for part in parts {
                match part {
                    Part::Run(run) => {
                        for (t, c) in run {
                            told = *c >= celsius;
                            if told {
                                longest = longest.max(t - *surely.get_or_insert(*t));
                                with_gaps = with_gaps.max(t - *maybe.get_or_insert(*t));
                            } else {
                                (surely, maybe) = (None, None);
                            }
                        }
                    }
                    Part::Gap(from, to) => {
                        surely = None;
                        let since = *maybe.get_or_insert(*from);
                        // A gap that no such reading is beside hides none.
                        if told {
                            with_gaps = with_gaps.max(to - since);
                        }
                    }
                }
            }
        }
        (longest, with_gaps)
    }

    pub(super) fn logs(&self, d_s: f64, at_celsius: f64, z_celsius: f64) -> f64 {
        let rate = |c: f64| 10f64.powf((c - at_celsius) / z_celsius) / d_s;
        let sum: f64 = self.pairs().map(|((t0, a), (t1, b))| (t1 - t0) * rate(a.min(b))).sum();
        sum.min(MOST_LOGS)
    }
}
