//! A probe's health (NAMUR NE 107), its age, and why there is no number.
//!
//! Terms. *Missing*: there is no number to use, for a typed reason. *Doubt*:
//! there is one, and something is wrong with it or with where the probe hangs.
//! *Standing health*: what to show and alarm by; a lone spike leaves it alone.
//!
//! Invariants. A worst case is never given as a measurement. Nothing real is
//! locked out for longer than a minute: a new level is taken after a few
//! readings that agree. A frozen value is told by the box's counter, never by its
//! variance: at a quarter-degree step a still gel looks frozen. The good path
//! allocates nothing and its work does not grow.
//!
//! Deliberately absent: level and rate (the filter's).

mod health;
mod jump;
mod lag;
mod motion;
mod polarity;
mod reason;
mod source;
mod stride;
mod verdict;

pub use health::Health;
pub use lag::Lags;
pub use reason::{Doubt, Missing, Reason};
pub use verdict::Verdict;

use super::event::Reading;
use jump::{Jump, Jumps};
use lag::Lag;
use motion::{Motion, Moves};
use polarity::Polarity;
use source::{Count, Source};

/// What milk, whey, air or steam can be, °C.
pub const PLAUSIBLE_CELSIUS: std::ops::RangeInclusive<f64> = -40.0..=130.0;
/// A digital sensor's value after power-on (DS18B20), °C.
const POWER_ON_CELSIUS: f64 = 85.0;
/// It is a measurement after all where it stays so long, seconds.
const POWER_ON_S: f64 = 15.0;
/// Spikes a reading that make bad contact, and that end it.
const BAD_CONTACT: f64 = 0.12;
const SOUND_CONTACT: f64 = 0.03;
/// Held-back readings are a passing matter for so long, seconds.
const PASSING_S: f64 = 10.0;
/// Silent after this, or after so many usual intervals: seconds.
const SILENT_S: f64 = 15.0;
const SILENT_INTERVALS: f64 = 6.0;
/// And where it spoke but once, after this: it may speak every minute.
const SPOKE_ONCE_S: f64 = 90.0;

/// Watches one probe. Times are engine seconds.
#[derive(Debug, Clone, Default)]
pub struct Watch {
    jumps: Jumps,
    moves: Moves,
    source: Source,
    polarity: Polarity,
    lag: Lag,
    contact: f64,
    bad_contact: bool,
    power_on_since_s: Option<f64>,
    /// When it last gave a good number.
    good_s: Option<f64>,
    said_s: Option<f64>,
    /// Since when it could be heard again.
    listens_s: f64,
    silent: bool,
    standing: (Health, Reason),
}

impl Watch {
    /// A watch that has seen nothing yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Judges one reading; `dt_s` is the time since the one before (0 for the
    /// first).
    pub fn take(&mut self, reading: &Reading, t_s: f64, dt_s: f64) -> Verdict {
        self.silent = false;
        self.said_s = Some(t_s);
        self.source.interval(dt_s);
        let verdict = match self.judge(reading, t_s) {
            Ok((celsius, doubt)) => {
                self.good_s = Some(t_s);
                Verdict::of(celsius, doubt, reading)
            }
            Err(missing) => Verdict::missing(missing, reading),
        };
        self.source.note(verdict.use_celsius.is_some());
        self.keep(&verdict, t_s);
        verdict
    }

    /// A reading that is no number of now; its count is the box's all the same.
    pub fn came_late(&mut self, seq: Option<u64>) {
        self.source.count_late(seq);
    }

    /// The number and a doubt about it, or why there is none.
    fn judge(&mut self, reading: &Reading, t_s: f64) -> Result<(f64, Option<Doubt>), Missing> {
        match self.source.count(reading.seq) {
            Count::Follows { .. } | Count::Restarted => {}
            Count::Again => return Err(Missing::Repeated),
            Count::Frozen => return Err(Missing::Frozen),
        }
        let celsius = reading.celsius.ok_or(Missing::NoNumber)?;
        if reading.health == Some(Health::Failure) {
            return Err(Missing::NoNumber);
        }
        if !celsius.is_finite() {
            return Err(Missing::NotFinite);
        }
        if !PLAUSIBLE_CELSIUS.contains(&celsius) {
            return Err(Missing::OutOfRange);
        }
        let junction = self.source.junction(reading.cold_junction_celsius, t_s)?;
        self.power_on(celsius, t_s)?;
        self.lag.take(celsius, t_s);
        let moving = self.plausible(celsius, t_s)?;
        self.polarity.judge(celsius, reading.cold_junction_celsius, moving.is_some(), t_s)?;
        let lossy = self.source.is_lossy().then_some(Doubt::DropOuts);
        let contact = self.bad_contact.then_some(Doubt::BadContact);
        let coated = self.lag.lags.grown.then(|| Doubt::Coated(self.lag.lags.tenths()));
        Ok((celsius, moving.or(contact).or(junction).or(lossy).or(coated)))
    }

    /// A digital sensor's power-on value is no measurement, unless it stays.
    fn power_on(&mut self, celsius: f64, t_s: f64) -> Result<(), Missing> {
        let near = self.jumps.level().is_some_and(|level| (celsius - level).abs() < 5.0);
        if (celsius - POWER_ON_CELSIUS).abs() > 0.005 || near {
            self.power_on_since_s = None;
            return Ok(());
        }
        if t_s - *self.power_on_since_s.get_or_insert(t_s) > POWER_ON_S {
            return Ok(());
        }
        Err(Missing::PowerOn)
    }

    /// Spikes are held back; moves that no kettle makes are doubted.
    fn plausible(&mut self, celsius: f64, t_s: f64) -> Result<Option<Doubt>, Missing> {
        let jump = self.jumps.judge(celsius, t_s);
        let spikes = match jump {
            Jump::Held => return Err(Missing::Spike),
            Jump::NewLevel => 0,
            Jump::Taken { spikes } => spikes,
        };
        self.contact += (f64::from(spikes) - self.contact) / 32.0;
        self.bad_contact = self.contact > if self.bad_contact { SOUND_CONTACT } else { BAD_CONTACT };
        let jumped = jump == Jump::NewLevel;
        Ok(match self.moves.take(celsius, t_s, jumped, self.jumps.scatter()) {
            Motion::Still | Motion::Accepted => None,
            Motion::Lifted { from_celsius, since_s } => {
                if since_s >= t_s {
                    self.lag.lifted(from_celsius, t_s);
                }
                Some(Doubt::Lifted)
            }
            Motion::PutIn { .. } => Some(Doubt::PutIn),
            Motion::Wall => Some(Doubt::Wall),
        })
    }

    /// Keeps the standing health.
    fn keep(&mut self, verdict: &Verdict, t_s: f64) {
        if verdict.reason.is_fine() && verdict.health == Health::Good {
            if self.standing.0 != Health::Good {
                self.standing = (Health::Good, Reason::Fine);
            }
            return;
        }
        let passing = matches!(verdict.reason, Reason::Missing(Missing::Spike | Missing::Repeated));
        let since_s = self.jumps.last_s().map_or(0.0, |s| t_s - s);
        if !passing || since_s > PASSING_S {
            self.standing = (verdict.health, verdict.reason.clone());
        }
    }

    /// Time passed; a verdict where that alone changes the probe's health
    /// (it fell silent).
    pub fn tick(&mut self, t_s: f64) -> Option<Verdict> {
        let said_s = self.said_s?.max(self.listens_s);
        let allowed_s =
            self.source.usual_s().map_or(SPOKE_ONCE_S, |usual_s| SILENT_S.max(SILENT_INTERVALS * usual_s));
        if self.silent || t_s - said_s <= allowed_s {
            return None;
        }
        self.silent = true;
        let reason = Reason::Missing(Missing::Silent);
        self.standing = (Health::Failure, reason.clone());
        Some(Verdict { health: Health::Failure, reason, use_celsius: None })
    }

    /// It can be heard again from now; whether it was not silent before that.
    pub fn listens_again(&mut self, t_s: f64) -> bool {
        if !self.silent {
            self.listens_s = t_s;
        }
        !self.silent
    }

    /// A person or the plan says that heat goes on (or off) from now: needed
    /// to find swapped wires. Optional.
    pub fn heat_meant(&mut self, on: bool) {
        self.polarity.heat_meant(on);
    }

    /// The milk is stirred for sure and moves by so much, °C/s; `None` where
    /// it may be still. Needed to find a coated probe.
    pub fn stirred(&mut self, rate: Option<f64>) {
        self.lag.stirred(rate);
    }

    /// Takes what is known of the probe's lag, where it is of this probe.
    pub fn teach(&mut self, probe: &str, lags: &Lags) {
        if lags.probe == probe {
            self.lag.lags = lags.clone();
        }
        self.lag.lags.probe = probe.into();
    }

    /// What is known of the probe's lag once a make is over.
    pub fn learned(&mut self) -> Lags {
        self.lag.make_over();
        self.lag.lags.clone()
    }

    /// The probe's standing health: a lone spike does not change it.
    pub fn health(&self) -> Health {
        self.standing.0
    }

    /// Why the standing health is not good.
    pub fn reason(&self) -> &Reason {
        &self.standing.1
    }

    /// Age of the last good number, seconds.
    pub fn age_s(&self, t_s: f64) -> Option<f64> {
        self.good_s.map(|good_s| (t_s - good_s).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One reading a second after `before` (plain good milk at 34 °C for a
    /// minute first); the verdict on the last.
    fn check(readings: &[Reading], health: Health, said: &str, number: Option<f64>) -> Watch {
        let mut watch = Watch::new();
        let mut t_s = 0.0;
        let mut last = None;
        for i in 0..60 {
            let wobble = if i % 2 == 0 { 0.1 } else { -0.1 };
            watch.take(&Reading::of("kettle", 34.0 + wobble), t_s, if i == 0 { 0.0 } else { 1.0 });
            t_s += 1.0;
        }
        for reading in readings {
            last = Some(watch.take(reading, t_s, 1.0));
            t_s += 1.0;
        }
        let verdict = last.unwrap();
        assert_eq!(verdict.health, health, "{verdict:?}");
        assert_eq!(verdict.reason.to_string(), said);
        match (verdict.use_celsius, number) {
            (Some(a), Some(b)) => assert!((a - b).abs() < 1e-9),
            (a, b) => assert_eq!(a, b),
        }
        watch
    }

    fn said(celsius: Option<f64>, health: Option<Health>, reason: Option<&str>) -> Reading {
        Reading { celsius, health, reason: reason.map(str::to_owned), ..Reading::of("kettle", 0.0) }
    }

    #[test]
    fn passes_on_what_the_source_says() {
        check(&[said(None, Some(Health::Failure), Some("open"))], Health::Failure, "open", None);
        let cleaning = said(None, Some(Health::CheckFunction), Some("being calibrated"));
        check(&[cleaning], Health::CheckFunction, "being calibrated", None);
        check(&[said(None, None, None)], Health::Failure, "the source gave no number", None);
        // A number that its source disowns is none.
        check(&[said(Some(34.0), Some(Health::Failure), Some("crc"))], Health::Failure, "crc", None);
        let due = said(Some(34.0), Some(Health::MaintenanceRequired), Some("calibration out of date"));
        check(&[due], Health::MaintenanceRequired, "calibration out of date", Some(34.0));
    }

    #[test]
    fn never_shows_a_worst_case() {
        for (celsius, said) in [
            (f64::NAN, "not a finite number"),
            (1023.75, "out of range: no milk, air or steam is that hot or cold"),
            (-127.0, "out of range: no milk, air or steam is that hot or cold"),
            (85.0, "power-on value of the sensor, not a measurement"),
        ] {
            check(&[Reading::of("kettle", celsius)], Health::Failure, said, None);
        }
        let spike = "spike: far off its neighbours";
        let watch = check(&[Reading::of("kettle", 70.0)], Health::OutOfSpecification, spike, None);
        assert_eq!(watch.health(), Health::Good, "a lone spike leaves the standing health alone");
        assert!((watch.age_s(60.0).unwrap() - 1.0).abs() < 1e-9);
    }

    #[test]
    fn tells_a_frozen_box_by_its_counter_only() {
        let counted = |seq| Reading { seq: Some(seq), ..Reading::of("kettle", 34.0) };
        let frozen = "frozen: the box's counter stands still";
        check(&[counted(1), counted(1), counted(1), counted(1)], Health::Failure, frozen, None);
        let still: Vec<Reading> = (0..3000).map(|_| Reading::of("kettle", 34.0)).collect();
        check(&still, Health::Good, "", Some(34.0));
        check(&[counted(7), counted(12)], Health::Good, "", Some(34.0));
    }

    #[test]
    fn tells_lifted_from_milk() {
        // A wet probe falls by 0.7 °C a second in a draught, then is put back
        // (time constant 4 s).
        let down = (1..=16).map(|i| 34.0 - 0.7 * f64::from(i));
        let fall: Vec<Reading> = down.map(|c| Reading::of("kettle", c)).collect();
        let lifted = "lifted out of the milk: falls faster than a kettle can";
        check(&fall, Health::CheckFunction, lifted, Some(34.0 - 11.2));
        let up = (1..=25).map(|i| 34.0 - 11.2 * libm::exp(-f64::from(i) / 4.0));
        let back: Vec<Reading> = fall.iter().cloned().chain(up.map(|c| Reading::of("kettle", c))).collect();
        check(&back, Health::Good, "", Some(34.0 - 11.2 * libm::exp(-25.0 / 4.0)));
        // Left hanging in the air: the new level is real.
        let air = (1..=300).map(|i| 18.0 + 16.0 * libm::exp(-f64::from(i) / 40.0));
        let air: Vec<Reading> = air.map(|c| Reading::of("kettle", c)).collect();
        check(&air, Health::Good, "", Some(18.0 + 16.0 * libm::exp(-300.0 / 40.0)));
    }

    #[test]
    fn watches_the_box_and_the_wires() {
        let with_box =
            |c, junction| Reading { cold_junction_celsius: Some(junction), ..Reading::of("kettle", c) };
        let hot = "box hot (52 °C): move it away from the fire";
        check(&[with_box(34.0, 52.0)], Health::OutOfSpecification, hot, Some(34.0));
        check(&[with_box(34.0, 120.0)], Health::Failure, "cold junction out of range", None);
        // Type K, box at 25 °C, milk warming to 54 °C, wires swapped: reads
        // 25 falling to -5 (mirrored about the box, to first order).
        let mirrored: Vec<Reading> = (0..=300).map(|i| with_box(25.0 - f64::from(i) * 0.1, 25.0)).collect();
        let swapped = "polarity reversed: falls while the milk is heated; swap the wires";
        check(&mirrored, Health::Failure, swapped, None);
    }

    #[test]
    fn falls_silent_once() {
        let mut watch = Watch::new();
        assert_eq!(watch.tick(100.0), None);
        watch.take(&Reading::of("kettle", 34.0), 0.0, 0.0);
        watch.take(&Reading::of("kettle", 34.0), 1.0, 1.0);
        assert_eq!(watch.tick(10.0), None);
        let verdict = watch.tick(17.0).unwrap();
        assert_eq!((verdict.health, verdict.use_celsius), (Health::Failure, None));
        assert_eq!(watch.tick(18.0), None);
        assert_eq!(watch.health(), Health::Failure);
        watch.take(&Reading::of("kettle", 34.0), 20.0, 19.0);
        assert_eq!(watch.health(), Health::Good);
    }
}
