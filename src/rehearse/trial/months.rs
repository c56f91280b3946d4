//! Months that are no make: a room, the sea, the ground, a water bath.
//!
//! In each of them no make may be found and no temperature alarm raised.

use std::sync::Arc;

use super::heard::Heard;
use crate::engine::Engine;
use crate::engine::alarm::AlarmKind;
use crate::engine::event::{Event, Happening, Reading, Stamp};
use crate::engine::plan::Plan;
use crate::rehearse::chance::Chance;

/// What lies under the probe.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Idle {
    /// A heated room in summer or winter.
    Room,
    /// A probe in the sun outdoors.
    Outdoors,
    /// Sea water with its tide.
    Sea,
    /// Soil.
    Ground,
    /// A thermostatic water bath near a setting temperature.
    Bath,
    /// A hot water boiler, drawn from now and then.
    Boiler,
}

impl Idle {
    /// All of them.
    pub const ALL: [Self; 6] =
        [Self::Room, Self::Outdoors, Self::Sea, Self::Ground, Self::Bath, Self::Boiler];

    /// Its name in tables.
    pub fn name(self) -> &'static str {
        match self {
            Self::Room => "room",
            Self::Outdoors => "outdoors",
            Self::Sea => "sea",
            Self::Ground => "ground",
            Self::Bath => "bath",
            Self::Boiler => "boiler",
        }
    }
}

/// The alarms that speak of a temperature.
pub const OF_TEMPERATURE: [AlarmKind; 11] = [
    AlarmKind::GetReady,
    AlarmKind::HeatOff,
    AlarmKind::AtTarget,
    AlarmKind::OverTarget,
    AlarmKind::HeatSlow,
    AlarmKind::HeatFast,
    AlarmKind::StirringStopped,
    AlarmKind::MilkCold,
    AlarmKind::CurdCheck,
    AlarmKind::HoldDone,
    AlarmKind::NearBoil,
];

/// What came of it.
#[derive(Debug, Clone, Default)]
pub struct Nothing {
    /// Makes begun, which should be none.
    pub makes: u32,
    /// Temperature alarms, which should be none.
    pub alarms: u32,
    /// Stages announced, which should be none.
    pub stages: u32,
}

/// Lets the engine watch `days` of it, a reading every `period_s` seconds.
pub fn watch(idle: Idle, seed: u64, days: f64, period_s: f64, plan: Option<Plan>) -> Nothing {
    let mut engine = Engine::new(plan.map(Arc::new));
    let mut source = Source::new(idle, seed);
    let count = (days * 86_400.0 / period_s) as u64;
    let events = (0..=count).map(|i| {
        let t_s = i as f64 * period_s;
        let ns = (t_s * 1.0e9) as i64;
        let stamp =
            Stamp { boot: 1, mono_ns: ns.unsigned_abs(), wall_ns: Some(1_748_736_000_000_000_000 + ns) };
        let what = if i == count {
            Happening::EndOfInput
        } else {
            Happening::Reading(Reading::of("kettle", source.next(t_s, period_s)))
        };
        Event { stamp, what }
    });
    let heard = Heard::over(&mut engine, events);
    Nothing {
        makes: heard.makes_begun,
        alarms: heard.rung.iter().filter(|r| OF_TEMPERATURE.contains(&r.alarm)).count() as u32,
        stages: (heard.live.len() as u32) + heard.withdrawn,
    }
}

struct Source {
    idle: Idle,
    chance: Chance,
    mean: f64,
    swing: f64,
    noise: f64,
    quantum: f64,
    drift: f64,
    heater: bool,
    level: f64,
}

impl Source {
    fn new(idle: Idle, seed: u64) -> Self {
        let mut chance = Chance::of(seed).branch(idle as u64 + 40);
        let (mean, swing) = match idle {
            Idle::Room => (chance.between(15.0, 24.0), chance.between(0.5, 4.0)),
            Idle::Outdoors => (chance.between(8.0, 26.0), chance.between(4.0, 14.0)),
            Idle::Sea => (chance.between(10.0, 22.0), chance.between(0.1, 0.8)),
            Idle::Ground => (chance.between(6.0, 14.0), chance.between(0.0, 0.3)),
            Idle::Bath => (chance.between(28.0, 40.0), chance.between(0.05, 0.4)),
            Idle::Boiler => (chance.between(50.0, 70.0), chance.between(2.0, 8.0)),
        };
        Self {
            idle,
            mean,
            swing,
            noise: chance.scale(0.01, 0.15),
            quantum: chance.pick(&[0.25, 0.0625, 0.1, 0.01], 0.1),
            drift: 0.0,
            heater: false,
            level: mean,
            chance,
        }
    }

    fn next(&mut self, t_s: f64, dt_s: f64) -> f64 {
        let day = (std::f64::consts::TAU * (t_s / 86_400.0 - 0.4)).sin();
        // Weather: a slow walk with a memory of two days.
        let keep = (-dt_s / 172_800.0).exp();
        self.drift = keep * self.drift + (1.0 - keep * keep).sqrt() * self.chance.normal();
        let felt = match self.idle {
            Idle::Room | Idle::Outdoors | Idle::Ground => {
                self.mean
                    + self.swing * day
                    + self.swing * 0.35 * self.drift
                    + self.cycling(0.3, 1500.0, dt_s)
            }
            Idle::Sea => {
                let tide = (std::f64::consts::TAU * t_s / 44_712.0).sin();
                self.mean + self.swing * (0.5 * day + tide + self.drift)
            }
            Idle::Bath => self.mean + self.cycling(self.swing, 300.0, dt_s),
            Idle::Boiler => self.boiler(dt_s),
        };
        let reads = felt + self.noise * self.chance.normal();
        (reads / self.quantum).round() * self.quantum
    }

    /// A thermostat's saw-tooth of that half height and period.
    fn cycling(&mut self, half: f64, period_s: f64, dt_s: f64) -> f64 {
        let towards = if self.heater { 1.0 } else { -1.0 };
        let offset = self.level - self.mean + towards * 4.0 * half * dt_s / period_s;
        self.level = self.mean + offset.clamp(-half, half);
        if offset.abs() >= half {
            self.heater = offset < 0.0;
        }
        offset.clamp(-half, half)
    }

    /// Falls slowly, is drawn from, and heats 0.4 °C/min below its band.
    fn boiler(&mut self, dt_s: f64) -> f64 {
        self.level -= dt_s * 1.5 / 3600.0;
        if self.chance.happens(dt_s / 14_400.0) {
            self.level -= self.chance.between(0.5, 6.0);
        }
        if self.level < self.mean - self.swing {
            self.heater = true;
        }
        if self.heater {
            self.level += dt_s * 0.4 / 60.0;
            self.heater = self.level < self.mean;
        }
        self.level
    }
}

#[cfg(test)]
mod tests {
    use super::{Idle, Source};

    #[test]
    fn months_stay_where_they_belong() {
        for idle in Idle::ALL {
            for seed in 0..5 {
                let mut source = Source::new(idle, seed);
                for i in 0..43_200 {
                    let c = source.next(f64::from(i) * 60.0, 60.0);
                    assert!((-30.0..80.0).contains(&c), "{} {seed}: {c}", idle.name());
                    if idle == Idle::Bath {
                        assert!((c - source.mean).abs() < 1.5, "bath {seed}: {c}");
                    }
                }
            }
        }
    }
}
