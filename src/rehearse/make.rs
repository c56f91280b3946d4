//! A whole make at once, open loop: plan, readings, marks, and the truth.

use super::chance::Chance;
use super::family::Family;
use super::probe::Said;
use super::scene::{Options, Scene};
use super::truth::Cooked;
use crate::engine::event::{Event, Happening, Mark, MarkKind, Name, Reading, Stamp};
use crate::engine::plan::Plan;
use crate::engine::probe::Health;
use crate::engine::stage::Stage;

/// Which buttons the maker presses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Marks {
    /// None but a changed target.
    None,
    /// The rennet too.
    Rennet,
    /// All of them.
    All,
}

/// One line of a make's stream.
#[derive(Debug, Clone, PartialEq)]
pub enum Spoken {
    /// A probe's reading.
    Reading(Reading),
    /// A person's mark.
    Mark(Mark),
}

/// A whole simulated make.
#[derive(Debug, Clone)]
pub struct Make {
    /// What the maker meant.
    pub plan: Plan,
    /// Readings and marks: wall time in nanoseconds since 1970, and what.
    pub lines: Vec<(i64, Spoken)>,
    /// When each stage began in truth.
    pub began: Vec<(Stage, i64)>,
    /// Every cook, in scene seconds from `start_ns`.
    pub cooks: Vec<Cooked>,
    /// Wall time of the scene's beginning.
    pub start_ns: i64,
}

/// The probe and kettle of every simulated make.
pub const KETTLE: &str = "kettle";

/// A morning in summer by the seed, nanoseconds since 1970.
pub fn morning_ns(seed: u64) -> i64 {
    let mut chance = Chance::of(seed).branch(8);
    let day = chance.between(0.0, 110.0).floor() as i64;
    let second = chance.between(3.0 * 3600.0, 7.0 * 3600.0).floor() as i64;
    // 2025-06-01T00:00:00Z and on.
    (1_748_736_000 + day * 86_400 + second) * 1_000_000_000
}

/// The make of that seed and family.
pub fn make(seed: u64, family: Family, options: &Options, marks: Marks) -> Make {
    let mut scene = Scene::new(seed, family, options);
    let start_ns = morning_ns(seed);
    let kettle = Name::from(KETTLE);
    let mut lines = Vec::new();
    while !scene.done() {
        let moment = scene.step();
        let wall_ns = start_ns + nanoseconds(moment.now_s);
        for kind in moment.marks {
            if pressed(&kind, marks) {
                let mark = Mark { kettle: kettle.clone(), kind, by: Some(Name::from("ada")) };
                lines.push((wall_ns, Spoken::Mark(mark)));
            }
        }
        if let Some(said) = moment.said {
            lines.push((wall_ns, Spoken::Reading(reading(&kettle, said))));
        }
    }
    let began =
        scene.truth.began().into_iter().map(|(stage, s)| (stage, start_ns + nanoseconds(s))).collect();
    Make { began, cooks: scene.truth.cooks().to_vec(), plan: scene.plan, lines, start_ns }
}

/// Whether that button is pressed by a maker who presses `marks`.
pub fn pressed(kind: &MarkKind, marks: Marks) -> bool {
    if matches!(kind, MarkKind::Target(_)) {
        // Whoever changes his mind says so.
        return true;
    }
    match marks {
        Marks::None => false,
        Marks::Rennet => *kind == MarkKind::Rennet,
        Marks::All => true,
    }
}

/// What the box said as the engine takes it.
pub fn reading(probe: &Name, said: Said) -> Reading {
    let mut r = Reading {
        probe: probe.clone(),
        kettle: None,
        celsius: None,
        cold_junction_celsius: None,
        emf_mv: None,
        seq: None,
        health: None,
        reason: None,
        late_s: None,
    };
    match said {
        Said::Celsius(c) => r.celsius = Some(c),
        Said::Open => {
            r.health = Some(Health::Failure);
            r.reason = Some("thermocouple open".into());
        }
    }
    r
}

/// Whole nanoseconds of so many seconds.
pub fn nanoseconds(seconds: f64) -> i64 {
    (seconds * 1.0e9).round() as i64
}

impl Make {
    /// The stream as the engine's events, one boot from its beginning, closed
    /// by the end of input.
    pub fn events(&self) -> impl Iterator<Item = Event> + '_ {
        let last_ns = self.lines.last().map_or(self.start_ns, |l| l.0);
        self.lines
            .iter()
            .map(|(wall_ns, spoken)| {
                let what = match spoken {
                    Spoken::Reading(r) => Happening::Reading(r.clone()),
                    Spoken::Mark(m) => Happening::Mark(m.clone()),
                };
                (*wall_ns, what)
            })
            .chain(std::iter::once((last_ns, Happening::EndOfInput)))
            .map(|(wall_ns, what)| Event { stamp: self.stamp(wall_ns), what })
    }

    fn stamp(&self, wall_ns: i64) -> Stamp {
        let mono_ns = (wall_ns - self.start_ns).unsigned_abs();
        Stamp { boot: 1, mono_ns, wall_ns: Some(wall_ns) }
    }
}

#[cfg(test)]
mod tests {
    use super::{Family, Make, Marks, Options, Spoken, Stage, make};
    use crate::rehearse::probe::Roughness;

    fn rough() -> Options {
        Options { rough: Roughness::ROUGH, odd: 0.15, ..Options::default() }
    }

    #[test]
    fn one_seed_one_make() {
        let (a, b) = (
            make(11, Family::HardCooked, &rough(), Marks::All),
            make(11, Family::HardCooked, &rough(), Marks::All),
        );
        assert_eq!(a.lines, b.lines);
        assert_eq!(a.began, b.began);
        assert_ne!(a.lines, make(12, Family::HardCooked, &rough(), Marks::All).lines);
    }

    #[test]
    fn truth_stands_in_the_order_of_the_trade() {
        for family in Family::ALL {
            for seed in 0..12 {
                let m = make(seed, family, &rough(), Marks::Rennet);
                let name = family.name();
                assert_eq!(m.began[0].0, Stage::Warming, "{name} {seed}");
                assert!(m.began.iter().any(|b| b.0 == Stage::Drawing), "{name} {seed}");
                for w in m.began.windows(2) {
                    assert!(w[0].0 <= w[1].0, "{name} {seed}: {w:?}");
                    assert!(w[0].1 <= w[1].1);
                }
                rennet_comes_before_the_stand(&m);
                let minutes = (m.lines[m.lines.len() - 1].0 - m.start_ns) as f64 / 6.0e10;
                assert!((60.0..600.0).contains(&minutes), "{name} {seed}: {minutes} min");
            }
        }
    }

    fn rennet_comes_before_the_stand(m: &Make) {
        let rennet: Vec<i64> =
            m.lines.iter().filter(|l| matches!(l.1, Spoken::Mark(_))).map(|l| l.0).collect();
        let setting = m.began.iter().find(|b| b.0 == Stage::Setting).unwrap().1;
        let ahead_s = (setting - rennet[0]) as f64 / 1e9;
        assert!((50.0..150.0).contains(&ahead_s), "{ahead_s}");
    }

    /// A hand ends the cook within a degree or two of the target, where the
    /// day takes no turn; a turn may overshoot by 3.5 °C and the coast.
    #[test]
    fn cooks_end_near_their_target() {
        let cooked = [Family::SemiCooked, Family::HardCooked, Family::Washed, Family::TwoStep];
        for (options, most) in [(Options::default(), 2.0), (rough(), 5.5)] {
            for (seed, family) in (0..12).flat_map(|seed| cooked.map(|f| (seed, f))) {
                for cook in make(seed, family, &options, Marks::None).cooks {
                    let miss = cook.peak_celsius - cook.target_celsius;
                    assert!(miss.abs() < most, "{} {seed}: {miss}", family.name());
                }
            }
        }
    }
}
