//! Whether the clock goes slow of a source whose own time counts. Pure: time is an
//! argument.
//!
//! What a box kept comes at once, each of another age. What a box with a slow clock
//! says live is of the same age, over and over, and is taken for as old as that.

use std::collections::BTreeMap;

use crate::engine::event::Name;

/// An age below this is no matter, nanoseconds.
const BEHIND_NS: i64 = 600_000_000_000;
/// So near to each other ages are the same, nanoseconds.
const SAME_NS: u64 = 5_000_000_000;
/// It is sure after so long, nanoseconds, and so many readings.
const SURE_NS: u64 = 60_000_000_000;
const SURE_READINGS: u32 = 10;
/// Of more probes it is not told.
const MOST_PROBES: usize = 64;

/// The ages of one source's readings.
#[derive(Debug, Default)]
pub struct OwnClocks {
    probes: BTreeMap<Name, Steady>,
    told: bool,
}

#[derive(Debug)]
struct Steady {
    age_ns: i64,
    since_ns: u64,
    readings: u32,
}

impl OwnClocks {
    /// A reading came that says it was taken so long ago. Whether its source's clock
    /// goes slow by that: told once.
    pub fn is_slow(&mut self, probe: &Name, age_ns: i64, mono_ns: u64) -> bool {
        if self.told || age_ns < BEHIND_NS {
            return false;
        }
        if !self.probes.contains_key(probe) && self.probes.len() >= MOST_PROBES {
            return false;
        }
        let anew = || Steady { age_ns, since_ns: mono_ns, readings: 0 };
        let steady = self.probes.entry(probe.clone()).or_insert_with(anew);
        if steady.age_ns.abs_diff(age_ns) > SAME_NS {
            *steady = anew();
        }
        steady.readings += 1;
        self.told = steady.readings >= SURE_READINGS && mono_ns.saturating_sub(steady.since_ns) >= SURE_NS;
        self.told
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slow_clock_is_told_once_and_what_was_kept_is_none() {
        const S: u64 = 1_000_000_000;
        // Each second a reading: its age, and how often it was told.
        let told = |age_s: fn(u64) -> u64| {
            let mut clocks = OwnClocks::default();
            let age_ns = |s| i64::try_from(age_s(s) * S).unwrap();
            (0..600).filter(|s| clocks.is_slow(&Name::from("milk"), age_ns(*s), s * S)).count()
        };
        assert_eq!(told(|s| 7_200 + s % 2), 1);
        assert_eq!(told(|s| s % 2), 0, "as it is");
        assert_eq!(told(|s| 7_200 - 10 * s), 0, "kept, and sent faster than it was taken");
    }
}
