//! Engine time: one line of seconds across boots and clock steps.
//!
//! Within a boot it follows the monotonic clock exactly. From one boot to the
//! next it follows the wall clock where that is credible (forward, and by less
//! than a week), else it goes on a second later: an unknown gap is not made
//! into a known one. Wall instants are made with the offset that a boot's clock had last, so
//! that a clock that was set right later corrects what is shown of earlier; a boot whose
//! clock never was right goes by the one that is right now.

use std::collections::VecDeque;

use super::effect::WallNs;
use super::event::Stamp;

/// Longest power cut that the wall clock is believed over, seconds.
const CREDIBLE_GAP_S: f64 = 7.0 * 86_400.0;

/// What a person marked so long before it came, seconds, is dated by when it was marked:
/// the page holds a mark back for a few, in which it can be taken back. Within a second
/// all is of now, and over what was marked longer ago the day has gone on.
const MARKED_AGO_S: std::ops::Range<f64> = 1.0..60.0;

/// Boots of which it is remembered how their clocks stood.
const BOOTS: usize = 16;

/// The mapping from stamps to engine seconds and back to the wall.
#[derive(Debug, Default)]
pub(super) struct Timeline {
    boot: Option<u32>,
    /// Monotonic nanoseconds of this boot at `base_s`.
    base_mono_ns: u64,
    base_s: f64,
    now_s: f64,
    /// Wall nanoseconds at engine second 0, as the clock stands now.
    wall_at_zero_ns: Option<i64>,
    /// The same of boots that are over, with the engine second that each ended at.
    before: VecDeque<(f64, i64)>,
}

impl Timeline {
    /// The engine second of a stamp of this boot, which may lie before what was
    /// seen already.
    pub fn second_of(&self, stamp: &Stamp) -> Option<f64> {
        let known = self.boot == Some(stamp.boot);
        known.then(|| self.base_s + seconds(stamp.mono_ns, self.base_mono_ns))
    }

    /// The engine second of what a person marked a few seconds before what was seen last,
    /// by the boot's clock or, where lines have no other, by the wall's.
    pub fn marked_ago(&self, stamp: &Stamp) -> Option<f64> {
        let by_mono_s = self.second_of(stamp)?;
        let by_wall_s = stamp
            .wall_ns
            .zip(self.wall_at_zero_ns)
            .map(|(own, zero)| seconds_signed(own.saturating_sub(zero)));
        let own_s = by_wall_s.map_or(by_mono_s, |s| s.min(by_mono_s));
        MARKED_AGO_S.contains(&(self.now_s - own_s)).then_some(own_s)
    }

    /// Takes in a stamp; the engine second, which is never before what was seen.
    pub fn take(&mut self, stamp: &Stamp) -> f64 {
        if self.boot != Some(stamp.boot) {
            self.enter_boot(stamp);
        }
        let t_s = self.base_s + seconds(stamp.mono_ns, self.base_mono_ns);
        if let Some(wall) = stamp.wall_ns {
            self.wall_at_zero_ns = Some(wall.saturating_sub(nanos(t_s)));
        }
        self.now_s = self.now_s.max(t_s);
        self.now_s
    }

    fn enter_boot(&mut self, stamp: &Stamp) {
        let gap_s = match (self.boot, self.wall_at_zero_ns, stamp.wall_ns) {
            (None, ..) => 0.0,
            (Some(_), Some(zero), Some(wall)) => {
                let gap = seconds_signed(wall.saturating_sub(zero)) - self.now_s;
                if (0.0..CREDIBLE_GAP_S).contains(&gap) { gap } else { 1.0 }
            }
            _ => 1.0,
        };
        if let (Some(_), Some(zero)) = (self.boot, self.wall_at_zero_ns) {
            if self.before.len() == BOOTS {
                self.before.pop_front();
            }
            self.before.push_back((self.now_s, zero));
        }
        self.boot = Some(stamp.boot);
        self.base_mono_ns = stamp.mono_ns;
        self.base_s = self.now_s + gap_s;
    }

    /// The latest engine second seen.
    pub fn now_s(&self) -> f64 {
        self.now_s
    }

    /// The wall time of an engine second.
    pub fn wall(&self, t_s: f64) -> Option<WallNs> {
        let now = self.wall_at_zero_ns?;
        let then = self.before.iter().find(|b| t_s <= b.0).map(|b| b.1);
        let is_credible = |zero: &i64| seconds_signed(zero.saturating_sub(now)).abs() < CREDIBLE_GAP_S;
        Some(then.filter(is_credible).unwrap_or(now).saturating_add(nanos(t_s)))
    }
}

fn seconds(to_ns: u64, from_ns: u64) -> f64 {
    if to_ns >= from_ns { (to_ns - from_ns) as f64 * 1e-9 } else { -((from_ns - to_ns) as f64 * 1e-9) }
}

fn seconds_signed(ns: i64) -> f64 {
    ns as f64 * 1e-9
}

/// Rounded to the microsecond: engine seconds carry no more.
fn nanos(t_s: f64) -> i64 {
    ((t_s * 1e6).round() as i64).saturating_mul(1_000)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stamp(boot: u32, mono_s: f64, wall_s: Option<f64>) -> Stamp {
        Stamp { boot, mono_ns: (mono_s * 1e9) as u64, wall_ns: wall_s.map(|s| (s * 1e9) as i64) }
    }

    #[test]
    fn durations_follow_the_monotonic_clock_whatever_the_wall_does() {
        let mut line = Timeline::default();
        assert!(line.take(&stamp(1, 100.0, Some(0.0))).abs() < 1e-9);
        // The clock is set right, 50 years on: ten seconds are still ten seconds.
        let t_s = line.take(&stamp(1, 110.0, Some(1_577_836_810.0)));
        assert!((t_s - 10.0).abs() < 1e-9);
        assert_eq!(line.wall(0.0), Some(1_577_836_800_000_000_000));
    }

    #[test]
    fn a_new_boot_follows_the_wall_where_it_is_credible() {
        let check = |wall_s: Option<f64>, want: f64| {
            let mut line = Timeline::default();
            line.take(&stamp(1, 5.0, Some(1000.0)));
            let t_s = line.take(&stamp(2, 3.0, wall_s));
            assert!((t_s - want).abs() < 1e-6, "{wall_s:?}: {t_s}");
        };
        check(Some(1090.0), 90.0);
        check(Some(10.0), 1.0);
        check(None, 1.0);
        check(Some(1e9), 1.0);
    }

    /// A power cut of five minutes, a clock that begins in 1970 and is set ten minutes on:
    /// what was known rightly before it moved by the minutes that nobody counted.
    #[test]
    fn what_was_dated_rightly_before_a_power_cut_stays() {
        let mut line = Timeline::default();
        let at = |s: f64| Some((s * 1e9) as i64);
        line.take(&stamp(1, 0.0, Some(1e9)));
        line.take(&stamp(1, 60.0, Some(1e9 + 60.0)));
        line.take(&stamp(2, 0.0, Some(5.0)));
        let unset_s = line.take(&stamp(2, 600.0, Some(605.0)));
        assert_eq!(line.wall(unset_s), at(605.0));
        let set_s = line.take(&stamp(3, 0.0, Some(1e9 + 960.0)));
        assert_eq!(line.wall(30.0), at(1e9 + 30.0));
        assert_eq!(line.wall(set_s), at(1e9 + 960.0));
        // In between by the clock that is right, on from the second nobody knows.
        assert_eq!(line.wall(unset_s - 60.0), at(1e9 + 960.0 - 61.0));
    }

    #[test]
    fn what_comes_late_does_not_turn_time_back() {
        let mut line = Timeline::default();
        line.take(&stamp(1, 0.0, None));
        line.take(&stamp(1, 9.0, None));
        let (own_s, t_s) = (line.second_of(&stamp(1, 7.0, None)), line.take(&stamp(1, 7.0, None)));
        assert!((t_s - 9.0).abs() < 1e-9 && own_s.is_some_and(|s| (s - 7.0).abs() < 1e-9));
        assert_eq!(line.second_of(&stamp(2, 7.0, None)), None);
    }
}
