//! How likely a bin is where nothing is known of what the probe hangs in: air,
//! a room, a cellar, a stream. It follows slow drifts and the fall of a probe
//! towards room temperature, and is never very surprised.

use super::kf::{ln_normal, per_bin};

/// Share of a change that goes on into the next bin: a wet probe in air has a
/// time constant of about a minute.
const GOES_ON: f64 = 0.85;
/// Probability of anything at all, and its density over a hundred degrees.
const ANYTHING: f64 = 0.02 / 100.0;

/// How much one bin moves where it is believed to rest.
const LEARNS: f64 = 0.2;
/// Standard deviation to the mean of what is off (normal distribution).
const DEVIATIONS: f64 = 1.2533;
/// A quiet room scatters as little as milk that is stirred gently, °C².
const LEAST_VAR: f64 = 0.012 * 0.012;

/// Half minutes looked back on: twice the five minutes in which a probe comes
/// to rest in air.
const LONG: usize = 20;
/// Risen by this much in five minutes, and in the five before, °C.
const RISES: f64 = 1.2;

/// The tracker of a probe that hangs in something nobody knows.
#[derive(Debug, Clone, Default)]
pub(super) struct Air {
    last: Option<f64>,
    /// Where it was of late, °C.
    level: f64,
    change: f64,
    scatter: f64,
    /// Change per bin, slowly averaged, now and a minute ago.
    drift: f64,
    drift_before: [f64; 6],
    beat: usize,
    /// Bins in a row that rose as heated milk does.
    heated: u16,
    /// Every half minute's value, for as long as a probe takes to come to rest.
    long: [f64; LONG],
}

impl Air {
    /// Logarithm of the density of `celsius`, and takes it in.
    pub fn ln_density(&mut self, celsius: f64, var_white: f64) -> f64 {
        let Some(last) = self.last else {
            self.last = Some(celsius);
            self.level = celsius;
            self.scatter = 0.05;
            return libm::log(1.0 / 60.0);
        };
        let on_its_way = 0.25 * self.change.abs();
        let sd = DEVIATIONS * self.scatter + on_its_way;
        let var = (sd * sd).max(var_white + LEAST_VAR + on_its_way * on_its_way);
        // What rests is foreseen by where it rested, not by the last that was read of it.
        let rests = (last - self.level).abs() < libm::sqrt(var);
        let e = celsius - if rests { self.level } else { last + GOES_ON * self.change };
        self.level += LEARNS * (celsius - self.level);
        let density = 0.98 * libm::exp(ln_normal(e, var)) + ANYTHING;
        self.watch_heat(celsius - last);
        if self.beat.is_multiple_of(3) {
            self.long[self.beat / 3 % LONG] = celsius;
        }
        self.change = 0.5 * self.change + 0.5 * (celsius - last);
        if e.abs() > 3.0 * libm::sqrt(var) {
            self.change = celsius - last;
        }
        self.scatter += 0.05 * ((e.abs().min(0.5)) - self.scatter);
        self.last = Some(celsius);
        libm::log(density)
    }

    /// What a bin costs the belief that nobody heats: a room, a cellar or a probe
    /// in air comes to rest; heated milk goes on rising at its pace.
    pub fn misfit(&self) -> f64 {
        if self.heated >= 6 || self.rises_on() { 0.5 } else { 0.0 }
    }

    /// Whether the last five minutes rose about as the five before: no probe
    /// that comes to rest does, however rough the fire makes the milk.
    fn rises_on(&self) -> bool {
        let at = |half_minutes: usize| self.long[(self.beat / 3 + LONG - half_minutes) % LONG];
        let (late, early) = (at(0) - at(LONG / 2), at(LONG / 2) - at(LONG - 1));
        self.beat >= 3 * LONG && early > RISES && late > RISES.max(0.5 * early) && late < 25.0
    }

    fn watch_heat(&mut self, change: f64) {
        self.drift += 0.2 * (change - self.drift);
        let before = self.drift_before[self.beat % 6];
        self.drift_before[self.beat % 6] = self.drift;
        self.beat += 1;
        let rises = (per_bin(0.15)..per_bin(5.0)).contains(&self.drift);
        self.heated = if rises && self.drift > 0.7 * before { (self.heated + 1).min(100) } else { 0 };
    }

    /// Forgets the change after a silence.
    pub fn silence(&mut self) {
        self.change *= GOES_ON;
    }
}
