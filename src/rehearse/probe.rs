//! The simulated probe: lag, noise, quantisation, period, and its failings.
//!
//! First-order lag with a time constant by surroundings; the milk's own
//! turbulence (AR(1), strongest on the fire, almost none in a gel) goes
//! through the lag, the amplifier's white noise does not.

use super::chance::Chance;
use super::world::{Motion, World};

/// Where the probe is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// In the milk, curd or whey.
    Milk,
    /// In the room's air.
    Air,
}

/// How rough the probe's life is, per make.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Roughness {
    /// Spikes of one sample, expected number.
    pub spikes: f64,
    /// Gaps of 5 seconds to 6 minutes, expected number.
    pub gaps: f64,
    /// Lifts out of the milk for 10 to 50 seconds, expected number.
    pub lifts: f64,
    /// Bursts of readings that could not be had, expected number.
    pub faults: f64,
}

impl Roughness {
    /// Nothing goes wrong.
    pub const NONE: Self = Self { spikes: 0.0, gaps: 0.0, lifts: 0.0, faults: 0.0 };
    /// An ordinary alp.
    pub const ROUGH: Self = Self { spikes: 1.5, gaps: 1.5, lifts: 4.0, faults: 0.15 };
}

/// A probe of its own character.
#[derive(Debug, Clone)]
pub struct Probe {
    /// Time constant in stirred milk, seconds.
    pub stirred_s: f64,
    /// Time constant in air, seconds.
    pub air_s: f64,
    /// White noise of the amplifier, °C.
    pub white_celsius: f64,
    /// Turbulence of stirred milk off the fire before the lag, °C.
    pub turbulence_celsius: f64,
    /// How much stronger that is over a fire.
    pub fire_factor: f64,
    /// Step of the numbers, °C.
    pub quantum_celsius: f64,
    /// Seconds from one reading to the next.
    pub period_s: f64,
    feels_celsius: f64,
    eddy: f64,
    eddy_s: f64,
    next_s: f64,
    chance: Chance,
    spike_rate: f64,
    gap_rate: f64,
    fault_rate: f64,
    gap_until_s: f64,
    fault_until_s: f64,
}

/// What the probe box says at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Said {
    /// A temperature, °C.
    Celsius(f64),
    /// The thermocouple is open: no number.
    Open,
}

impl Probe {
    /// A probe drawn from what small dairies use. `expected_s` is the make's
    /// expected length, over which `rough` counts.
    pub fn drawn(starts_celsius: f64, rough: Roughness, expected_s: f64, chance: &mut Chance) -> Self {
        let period_s = chance.pick(&[0.5, 1.0, 1.0, 2.0], 1.0);
        Self {
            stirred_s: chance.scale(2.0, 9.0),
            air_s: chance.scale(40.0, 120.0),
            white_celsius: chance.scale(0.02, 0.15),
            turbulence_celsius: chance.scale(0.03, 0.09),
            fire_factor: chance.between(1.3, 3.0),
            quantum_celsius: chance.pick(&[0.25, 0.0625, 0.1, 0.01, 0.0078125], 0.1),
            period_s,
            feels_celsius: starts_celsius,
            eddy: 0.0,
            eddy_s: chance.between(3.0, 8.0),
            next_s: 0.0,
            chance: chance.branch(0x9b0b),
            spike_rate: rough.spikes / expected_s,
            gap_rate: rough.gaps / expected_s,
            fault_rate: rough.faults / expected_s,
            gap_until_s: -1.0,
            fault_until_s: -1.0,
        }
    }

    /// The same probe on another day: its noise and its failings drawn anew.
    #[must_use]
    pub fn reseeded(mut self, day: &Chance) -> Self {
        self.chance = day.branch(0xda7);
        self
    }

    /// What its tip feels, without noise, °C.
    pub fn feels_celsius(&self) -> f64 {
        self.feels_celsius
    }

    /// Lets `dt_s` pass at `now_s`; a reading where one is due.
    pub fn step(&mut self, now_s: f64, dt_s: f64, place: Place, world: &World) -> Option<Said> {
        let (around, time_constant_s, eddies) = match place {
            Place::Air => (world.air_celsius, self.air_s, 0.0),
            Place::Milk => {
                let (slower, eddies) = match world.motion {
                    Motion::Stirred if world.fire.burns() => {
                        (1.0, self.turbulence_celsius * self.fire_factor)
                    }
                    Motion::Stirred | Motion::Gently => (1.0, self.turbulence_celsius),
                    Motion::Still => (2.0, 0.015),
                    Motion::Gel => (3.0, 0.008),
                };
                (world.core_celsius, self.stirred_s * slower, eddies)
            }
        };
        let keep = (-dt_s / self.eddy_s).exp();
        self.eddy = keep * self.eddy + (1.0 - keep * keep).sqrt() * self.chance.normal();
        let felt = around + eddies * self.eddy;
        self.feels_celsius += (felt - self.feels_celsius) * (1.0 - (-dt_s / time_constant_s).exp());
        self.fail(now_s, dt_s);
        if now_s + 1.0e-6 < self.next_s {
            return None;
        }
        self.next_s = now_s + self.period_s + self.jitter();
        if now_s < self.gap_until_s {
            return None;
        }
        if now_s < self.fault_until_s {
            return Some(Said::Open);
        }
        let mut celsius = self.feels_celsius + self.white_celsius * self.chance.normal();
        if self.chance.happens(self.spike_rate * self.period_s) {
            let size = self.chance.between(5.0, 40.0);
            celsius += if self.chance.happens(0.5) { size } else { -size };
        }
        Some(Said::Celsius((celsius / self.quantum_celsius).round() * self.quantum_celsius))
    }

    /// A box's own clock is a little uneven where it is slow.
    fn jitter(&mut self) -> f64 {
        if self.period_s >= 1.0 && self.chance.happens(0.02) {
            if self.chance.happens(0.5) { 0.5 } else { -0.5 }
        } else {
            0.0
        }
    }

    fn fail(&mut self, now_s: f64, dt_s: f64) {
        if self.chance.happens(self.gap_rate * dt_s) {
            self.gap_until_s = now_s + self.chance.scale(5.0, 360.0);
        }
        if self.chance.happens(self.fault_rate * dt_s) {
            self.fault_until_s = now_s + self.chance.scale(5.0, 120.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::fire::{Fire, FireKind};
    use super::{Chance, Place, Probe, Roughness, World};

    fn at_rest(seed: u64) -> (World, Probe) {
        let mut chance = Chance::of(seed);
        let fire = Fire::drawn(FireKind::Crane, &mut chance);
        let world = World::new(300.0, 35.0, 15.0, fire, &mut chance);
        let mut probe = Probe::drawn(15.0, Roughness::NONE, 1.0e4, &mut chance);
        (probe.white_celsius, probe.turbulence_celsius) = (0.0, 0.0);
        (world, probe)
    }

    /// First order: half of a step after 0.693 time constants, nine tenths
    /// after 2.303.
    #[test]
    fn lag_is_first_order() {
        let (world, mut probe) = at_rest(5);
        let dt = 0.01;
        let (mut t50, mut t90) = (0.0, 0.0);
        for i in 1..10_000 {
            let t = f64::from(i) * dt;
            probe.step(t, dt, Place::Milk, &world);
            let share = (probe.feels_celsius() - 15.0) / 20.0;
            if share < 0.5 {
                t50 = t;
            }
            if share < 0.9 {
                t90 = t;
            }
        }
        assert!((t50 / probe.stirred_s - 0.693).abs() < 0.02, "t50 {t50}");
        assert!((t90 / probe.stirred_s - 2.303).abs() < 0.02, "t90 {t90}");
    }

    #[test]
    fn readings_come_at_their_period_on_their_grid() {
        for seed in 0..10 {
            let (world, mut probe) = at_rest(seed);
            let quantum = probe.quantum_celsius;
            let mut count = 0;
            for i in 0..1200 {
                if let Some(super::Said::Celsius(c)) =
                    probe.step(f64::from(i) * 0.5, 0.5, Place::Milk, &world)
                {
                    count += 1;
                    assert!(((c / quantum).round() * quantum - c).abs() < 1e-9);
                }
            }
            let want = 600.0 / probe.period_s;
            assert!((f64::from(count) - want).abs() < 0.03 * want + 2.0, "{count} of {want}");
        }
    }
}
