//! Has a reading settled? Waits until a probe in ice, boiling water or a bath
//! stands, and says how well it stands.
//!
//! Terms: *drift* is the slope of a straight line through the last readings;
//! *spread* is their standard deviation about it. Settled means: over a whole
//! window the drift is small, with its own uncertainty counted in, and the
//! spread is small. Time is given by the caller.

use std::collections::VecDeque;

use super::uncertainty::StepSeen;

/// How still it must stand, and for how long.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Demand {
    /// Over so long, s.
    pub window_s: f64,
    /// So many readings at least.
    pub readings: usize,
    /// Drift at most, °C/min, counted from its far side (95 %).
    pub drift_celsius_per_min: f64,
    /// Spread at most, °C.
    pub spread_celsius: f64,
}

impl Default for Demand {
    /// A minute; 0.1 °C/min; 0.25 °C: at that drift a probe of 10 s lag is
    /// within 0.02 °C of its end.
    fn default() -> Self {
        Self { window_s: 60.0, readings: 15, drift_celsius_per_min: 0.1, spread_celsius: 0.25 }
    }
}

/// How a reading stands over the window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing {
    /// Mean, °C.
    pub mean_celsius: f64,
    /// Drift, °C/min.
    pub drift_celsius_per_min: f64,
    /// Standard deviation about the drift, °C.
    pub spread_celsius: f64,
    /// How many readings.
    pub readings: usize,
    /// Smallest step of the numbers, seen on the way as well, °C; 0 where they
    /// never changed.
    pub step_celsius: f64,
    /// Over how long, s.
    pub seconds: f64,
    /// Mean of the cold junction, °C, where it was said.
    pub cold_junction_celsius: Option<f64>,
}

/// What the judge says after a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Verdict {
    /// Not long enough yet; how long still at least, s.
    TooEarly(f64),
    /// It moves or shakes too much.
    Moving(Standing),
    /// It stands.
    Settled(Standing),
}

/// Judges one probe.
#[derive(Debug, Clone)]
pub struct Judge {
    demand: Demand,
    seen: VecDeque<(f64, f64, Option<f64>)>,
    step: StepSeen,
}

impl Judge {
    /// A judge who has seen nothing.
    pub fn new(demand: Demand) -> Self {
        Self { demand, seen: VecDeque::new(), step: StepSeen::default() }
    }

    /// Begins anew: a reading was missing, or the probe was moved.
    pub fn restart(&mut self) {
        self.seen.clear();
    }

    /// Takes one reading at `t_s` (s, rising; one that does not rise is left
    /// out).
    pub fn take(&mut self, t_s: f64, celsius: f64, cold_celsius: Option<f64>) -> Verdict {
        let fits = self.seen.back().is_none_or(|(last, ..)| t_s > *last);
        if fits && t_s.is_finite() && celsius.is_finite() {
            self.seen.push_back((t_s, celsius, cold_celsius));
            self.step.take(celsius);
        }
        let end = self.seen.back().map_or(0.0, |r| r.0);
        // One reading older than the window stays, so that it is filled; where
        // readings come seldom, as many as are wanted.
        let wanted = self.demand.readings.max(4);
        while self.seen.len() > wanted && end - self.seen[1].0 >= self.demand.window_s {
            self.seen.pop_front();
        }
        let span_s = end - self.seen.front().map_or(end, |r| r.0);
        if span_s < self.demand.window_s * 0.999 || self.seen.len() < wanted {
            let apart_s = span_s / (self.seen.len().max(2) - 1) as f64;
            let missing_s = wanted.saturating_sub(self.seen.len()) as f64 * apart_s;
            return Verdict::TooEarly((self.demand.window_s - span_s).max(missing_s));
        }
        let (standing, drift_error) = self.standing(span_s);
        let still = standing.drift_celsius_per_min.abs() + 2.0 * drift_error
            <= self.demand.drift_celsius_per_min.max(1e-9)
            && standing.spread_celsius <= self.demand.spread_celsius;
        if still { Verdict::Settled(standing) } else { Verdict::Moving(standing) }
    }

    /// Straight line by least squares, and the drift's standard error,
    /// °C/min.
    fn standing(&self, seconds: f64) -> (Standing, f64) {
        let n = self.seen.len() as f64;
        let mean_t = self.seen.iter().map(|r| r.0).sum::<f64>() / n;
        let mean = self.seen.iter().map(|r| r.1).sum::<f64>() / n;
        let (mut tt, mut tc) = (0.0, 0.0);
        for (t, c, _) in &self.seen {
            tt += (t - mean_t) * (t - mean_t);
            tc += (t - mean_t) * (c - mean);
        }
        let slope = tc / tt;
        let rest: f64 =
            self.seen.iter().map(|(t, c, _)| c - mean - slope * (t - mean_t)).map(|r| r * r).sum();
        let spread_celsius = libm::sqrt(rest / (n - 2.0));
        let cold: Vec<f64> = self.seen.iter().filter_map(|r| r.2).collect();
        let standing = Standing {
            mean_celsius: mean,
            drift_celsius_per_min: slope * 60.0,
            spread_celsius,
            readings: self.seen.len(),
            step_celsius: self.step.celsius(),
            seconds,
            cold_junction_celsius: (!cold.is_empty()).then(|| cold.iter().sum::<f64>() / cold.len() as f64),
        };
        (standing, spread_celsius / libm::sqrt(tt) * 60.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A transmitter asked every ten seconds settles too, only later.
    #[test]
    fn readings_that_come_seldom_are_waited_for() {
        let mut judge = Judge::new(Demand::default());
        let settled = (0..60).map(|i| f64::from(i) * 10.0).find(|t| {
            matches!(judge.take(*t, 0.4, None), Verdict::Settled(s) if s.readings == 15 && s.seconds > 139.0)
        });
        assert_eq!(settled, Some(140.0));
    }

    /// A probe of 6 s lag dropped into ice from 20 °C, one reading a second,
    /// with a fixed noise of ±0.03 °C.
    #[test]
    fn a_plunge_settles_and_not_before() {
        let mut judge = Judge::new(Demand::default());
        let mut settled_at = None;
        for s in 0..300 {
            let t = f64::from(s);
            let noise = 0.03 * f64::from((s * 7) % 5 - 2) / 2.0;
            let c = 20.0 * libm::exp(-t / 6.0) + noise;
            if let Verdict::Settled(st) = judge.take(t, c, Some(21.0)) {
                assert!(st.mean_celsius.abs() < 0.05, "{t}: {st:?}");
                assert_eq!(st.cold_junction_celsius, Some(21.0));
                settled_at = settled_at.or(Some(t));
            }
        }
        // 20 °C must have fallen below 0.1 °C/min in the whole window: about
        // 6·ln(20/0.003) s, and a window.
        let at = settled_at.unwrap();
        assert!((80.0..130.0).contains(&at), "{at}");
    }

    #[test]
    fn a_ramp_or_a_shaking_one_never_settles() {
        for (ramp_per_min, shake) in [(0.5, 0.0), (-0.5, 0.1), (0.0, 0.6)] {
            let mut judge = Judge::new(Demand::default());
            for s in 0..600 {
                let c = 50.0 + ramp_per_min * f64::from(s) / 60.0 + if s % 2 == 0 { shake } else { -shake };
                assert!(
                    !matches!(judge.take(f64::from(s), c, None), Verdict::Settled(_)),
                    "{ramp_per_min} {shake}"
                );
            }
        }
    }

    /// A reading that stands shows no step; the way into the bath did.
    #[test]
    fn the_step_is_seen_on_the_way_and_outlives_a_new_beginning() {
        let mut judge = Judge::new(Demand::default());
        let _ = judge.take(-20.0, 0.75, None);
        let _ = judge.take(-19.0, 0.5, None);
        judge.restart();
        let last = (0..80).map(|s| judge.take(f64::from(s), 0.0, None)).last().unwrap();
        let Verdict::Settled(s) = last else { panic!("{last:?}") };
        assert!(s.spread_celsius < 1e-9 && (s.step_celsius - 0.25).abs() < 1e-12, "{s:?}");
    }

    #[test]
    fn quarter_degree_steps_that_stand_are_settled() {
        let mut judge = Judge::new(Demand::default());
        let last = (0..80).map(|s| judge.take(f64::from(s), 93.75, None)).last().unwrap();
        assert!(matches!(last, Verdict::Settled(s) if s.spread_celsius < 1e-9), "{last:?}");
        assert!(matches!(last, Verdict::Settled(s) if s.step_celsius < 1e-12), "{last:?}");
        judge.restart();
        assert!(matches!(judge.take(100.0, 93.75, None), Verdict::TooEarly(_)));
        // Time that does not rise is left out.
        assert!(matches!(judge.take(100.0, f64::NAN, None), Verdict::TooEarly(_)));
    }
}
