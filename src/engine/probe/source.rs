//! What can be told of the box and the way from it, whatever the probe says:
//! its counter, lost readings, its cold junction.

use super::reason::{Doubt, Missing};
use super::stride::Stride;

/// So many repeats of one count are a frozen box.
const FROZEN_REPEATS: u32 = 3;
/// Share of readings lost that makes a doubt, and that ends it.
const LOSSY: f64 = 0.25;
const WELL: f64 = 0.10;
/// More than this at once is a restart elsewhere, not a loss.
const LARGEST_STEP: u64 = 100_000;
/// A pause this many times the usual interval is a loss.
const PAUSE: f64 = 3.5;
/// The box is hot from here, and well again below: °C.
const HOT_CELSIUS: f64 = 50.0;
const COOL_CELSIUS: f64 = 45.0;
/// Where a cold junction's own sensor may read, °C.
const JUNCTION_CELSIUS: std::ops::RangeInclusive<f64> = -40.0..=85.0;
/// The box moves by this within a quarter of the window below: °C, seconds.
const DRIFT_CELSIUS: f64 = 5.0;
const DRIFT_S: f64 = 300.0;

/// What the box's counter says of a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Count {
    /// It follows; so many before it never came.
    Follows { lost: u64 },
    /// The same count again.
    Again,
    /// The counter stands still.
    Frozen,
    /// It started anew.
    Restarted,
}

/// The box and the way from it.
#[derive(Debug, Clone, Default)]
pub(super) struct Source {
    seq: Option<u64>,
    repeats: u32,
    stride: Stride,
    /// Since the reading before, seconds.
    dt_s: f64,
    usual_s: Option<f64>,
    lost_share: f64,
    lossy: bool,
    hot: bool,
    junction: Option<(f64, f64)>,
    drifting: bool,
}

impl Source {
    /// Takes in a reading's count; [`Self::interval`] goes before.
    pub(super) fn count(&mut self, seq: Option<u64>) -> Count {
        let dt_s = self.dt_s;
        self.counted(seq, |stride, step| stride.learn(step, dt_s))
    }

    /// Takes in the count of a reading of then, which tells of no pace. One from
    /// before what was heard already is an old reading's own.
    pub(super) fn count_late(&mut self, seq: Option<u64>) {
        if seq > self.seq {
            self.counted(seq, |_, _| ());
        }
    }

    fn counted(&mut self, seq: Option<u64>, learn: impl FnOnce(&mut Stride, u64)) -> Count {
        let Some(seq) = seq else { return Count::Follows { lost: 0 } };
        let Some(before) = self.seq.replace(seq) else { return Count::Follows { lost: 0 } };
        if seq == before {
            self.repeats = self.repeats.saturating_add(1);
            return if self.repeats >= FROZEN_REPEATS { Count::Frozen } else { Count::Again };
        }
        self.repeats = 0;
        match seq.checked_sub(before) {
            Some(step) if step <= LARGEST_STEP => {
                let lost = self.stride.lost(step);
                learn(&mut self.stride, step);
                self.lose(lost);
                Count::Follows { lost }
            }
            _ => {
                self.stride.began_anew();
                Count::Restarted
            }
        }
    }

    /// Takes in the time since the last reading; a pause is a loss where the
    /// box does not count.
    pub(super) fn interval(&mut self, dt_s: f64) {
        self.dt_s = dt_s;
        if dt_s <= 0.0 {
            return;
        }
        let usual = self.usual_s.unwrap_or(dt_s);
        if self.seq.is_none() && dt_s > PAUSE * usual {
            self.lose((dt_s / usual) as u64 - 1);
        }
        self.usual_s = Some(usual + (dt_s.min(4.0 * usual) - usual) / 16.0);
    }

    /// Notes whether the reading itself was usable.
    pub(super) fn note(&mut self, usable: bool) {
        let bad = if usable { 0.0 } else { 1.0 };
        self.lost_share += (bad - self.lost_share) / 32.0;
        self.lossy = self.lost_share > if self.lossy { WELL } else { LOSSY };
    }

    /// A long outage counts as a few losses: its own alarm speaks for it.
    fn lose(&mut self, count: u64) {
        for _ in 0..count.min(6) {
            self.note(false);
        }
    }

    /// The usual time between readings, seconds, once there were two.
    pub(super) fn usual_s(&self) -> Option<f64> {
        self.usual_s
    }

    /// Whether many readings are lost.
    pub(super) fn is_lossy(&self) -> bool {
        self.lossy
    }

    /// Judges the cold junction.
    pub(super) fn junction(&mut self, celsius: Option<f64>, t_s: f64) -> Result<Option<Doubt>, Missing> {
        let Some(celsius) = celsius else { return Ok(None) };
        if !JUNCTION_CELSIUS.contains(&celsius) {
            return Err(Missing::ColdJunctionFailed);
        }
        self.hot = celsius > if self.hot { COOL_CELSIUS } else { HOT_CELSIUS };
        match self.junction {
            Some((from, since_s)) if t_s - since_s <= DRIFT_S => {
                self.drifting |= (celsius - from).abs() > DRIFT_CELSIUS;
            }
            Some((from, _)) => {
                self.drifting = (celsius - from).abs() > DRIFT_CELSIUS;
                self.junction = Some((celsius, t_s));
            }
            None => self.junction = Some((celsius, t_s)),
        }
        Ok(if self.hot {
            Some(Doubt::ColdJunctionHot(celsius as i16))
        } else if self.drifting {
            Some(Doubt::ColdJunctionDrifting)
        } else {
            None
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(counts: &[u64], expected: Count) {
        let mut source = Source::default();
        let last = counts.iter().map(|c| source.count(Some(*c))).last();
        assert_eq!(last, Some(expected), "{counts:?}");
    }

    #[test]
    fn reads_the_counter() {
        check(&[7], Count::Follows { lost: 0 });
        check(&[7, 8], Count::Follows { lost: 0 });
        check(&[7, 12], Count::Follows { lost: 4 });
        check(&[7, 9, 11, 13, 15, 17], Count::Follows { lost: 0 });
        check(&[7, 7], Count::Again);
        check(&[7, 7, 7, 7], Count::Frozen);
        check(&[7, 7, 7, 7, 8], Count::Follows { lost: 0 });
        check(&[65_535, 0], Count::Restarted);
        check(&[u64::MAX, u64::MAX - 1], Count::Restarted);
    }

    #[test]
    fn what_comes_late_between_live_readings_is_no_loss() {
        let mut source = Source::default();
        for live in 500..600 {
            assert_eq!(source.count(Some(live)), Count::Follows { lost: 0 });
            source.count_late(Some(live - 400));
        }
        // Kept under counts of its own time, or sent under the next one.
        source.count_late(Some(600));
        assert_eq!(source.count(Some(601)), Count::Follows { lost: 0 });
    }

    #[test]
    fn watches_the_box() {
        let mut source = Source::default();
        assert_eq!(source.junction(Some(24.0), 0.0), Ok(None));
        assert_eq!(source.junction(Some(31.0), 100.0), Ok(Some(Doubt::ColdJunctionDrifting)));
        assert_eq!(source.junction(Some(51.0), 200.0), Ok(Some(Doubt::ColdJunctionHot(51))));
        assert_eq!(source.junction(Some(46.0), 400.0), Ok(Some(Doubt::ColdJunctionHot(46))));
        assert_eq!(source.junction(Some(44.0), 800.0), Ok(None));
        assert_eq!(source.junction(Some(f64::NAN), 900.0), Err(Missing::ColdJunctionFailed));
    }
}
