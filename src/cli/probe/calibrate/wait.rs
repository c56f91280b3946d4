//! Waiting until the reading stands, and saying how it stands meanwhile.

use std::collections::{BTreeSet, VecDeque};
use std::time::Duration;

use super::talk::tell;
use crate::cli::error::Failure;
use crate::config::dairy::Config;
use crate::daemon::clock::Clock;
use crate::daemon::listen::{Heard, Listening};
use crate::daemon::modbus::left_alone_s;
use crate::engine::event::{Name, Reading};
use crate::engine::probe::Health;
use crate::sensor::settle::{Demand, Judge, Standing, Verdict};

/// A reading further than this from the last bath's is in another.
pub(super) const MOVED_CELSIUS: f64 = 3.0;

/// A first reading must come within this, s: by a port, by a broker, where the
/// box may speak once a minute; a transmitter within some rounds.
const FIRST_WITHIN_S: f64 = 15.0;
const BROKER_WITHIN_S: f64 = 90.0;
const ROUNDS: f64 = 3.0;

/// A word on how it stands so often, s.
const SAY_EVERY_S: f64 = 5.0;

/// Where the readings come from.
pub(super) struct Origin {
    names: Vec<Name>,
    /// Those that are there.
    up: BTreeSet<Name>,
    ports: bool,
    first_within_s: f64,
}

impl Origin {
    /// The sources of `config`.
    pub(super) fn of(config: &Config) -> Self {
        let serial = config.serial.iter().map(|s| s.name.clone());
        let brokers = config.brokers.iter().map(|b| b.name.clone());
        let modbus = config.modbus.iter().map(|m| m.name.clone());
        let rounds_s = config.modbus.iter().map(|m| left_alone_s(m) + m.every_s * ROUNDS);
        let rounds_s = rounds_s.fold(FIRST_WITHIN_S, f64::max);
        Self {
            names: serial.chain(brokers).chain(modbus).collect(),
            up: BTreeSet::new(),
            ports: !config.serial.is_empty(),
            first_within_s: if config.brokers.is_empty() { rounds_s } else { rounds_s.max(BROKER_WITHIN_S) },
        }
    }

    fn silent(&self, probe: &str, others: &[String]) -> Failure {
        let first_s = self.first_within_s;
        let away: Vec<&str> = self.names.iter().filter(|n| !self.up.contains(*n)).map(|n| &**n).collect();
        let why = if !others.is_empty() {
            format!("Heard were {}: is it one of these?", others.join(", "))
        } else if self.ports {
            "Is the box on and plugged in? Is the daemon running? It holds the port: stop it first."
                .to_owned()
        } else if away.is_empty() {
            "The connection stands. Does the box send, under the topic or register of the configuration?"
                .to_owned()
        } else {
            format!(
                "There is no connection to {}. Is it on? Are address, password and wiring as the configuration says?",
                away.join(", ")
            )
        };
        Failure::unavailable(format!("nothing was heard of {probe} within {first_s:.0} s. {why}"))
    }
}

/// What is demanded where the reading must stand for `settle_s`.
pub(super) fn demand(settle_s: u32) -> Demand {
    let usual = Demand::default();
    let window_s = f64::from(settle_s);
    // A shorter window sees a drift less well; it then may not be asked for as
    // finely, and is said in the record.
    let drift_celsius_per_min = usual.drift_celsius_per_min * (usual.window_s / window_s).max(1.0);
    let readings = usual.readings.min((settle_s as usize).max(4));
    Demand { window_s, readings, drift_celsius_per_min, ..usual }
}

/// Waits until the probe's reading stands. With `moved` it first waits until
/// the reading has left that temperature.
pub(super) fn until_settled(
    listening: &Listening,
    probe: &str,
    origin: &mut Origin,
    demand: Demand,
    patience_min: u32,
    moved: Option<f64>,
) -> Result<Standing, Failure> {
    let clock = Clock::real();
    let now_s = || clock.now().mono_ns as f64 / 1e9;
    let began_s = now_s();
    let mut watch =
        Watch { judge: Judge::new(demand), moved, said_s: began_s, reason: None, others: Vec::new() };
    let mut heard_s = None;
    let mut waiting = VecDeque::from(listening.catch_up());
    loop {
        match waiting.pop_front().unwrap_or_else(|| listening.next(Duration::from_millis(200))) {
            Heard::Reading { reading, t_s } if &*reading.probe == probe => {
                heard_s = Some(now_s());
                if let Some(standing) = watch.take(&reading, t_s) {
                    return Ok(standing);
                }
            }
            Heard::Reading { reading, .. } => watch.note_other(&reading),
            Heard::Link { source, up: false } => {
                watch.judge.restart();
                origin.up.remove(&source);
                tell(&format!("{source} went away. Is it plugged in and on?"));
            }
            Heard::Link { source, up: true } => {
                origin.up.insert(source);
            }
            Heard::Silence => {}
            Heard::Ended(why) => {
                return Err(Failure::unavailable(format!("the source of {probe} ended: {why}")));
            }
        }
        if heard_s.is_none() && now_s() - began_s > origin.first_within_s {
            return Err(origin.silent(probe, &watch.others));
        }
        if now_s() - began_s > f64::from(patience_min) * 60.0 {
            return Err(Failure::unavailable(format!(
                "the reading of {probe} did not stand within {patience_min} min; stir, put the probe deeper in, and try again"
            )));
        }
    }
}

struct Watch {
    judge: Judge,
    moved: Option<f64>,
    said_s: f64,
    /// Why there was no number, as said last.
    reason: Option<String>,
    /// Other probes heard.
    others: Vec<String>,
}

impl Watch {
    fn take(&mut self, reading: &Reading, t_s: f64) -> Option<Standing> {
        let fit = reading.health.is_none_or(|h| h <= Health::OutOfSpecification);
        let Some(celsius) = reading.celsius.filter(|_| fit) else {
            self.judge.restart();
            let why = reading.reason.clone().unwrap_or_default();
            if self.reason.as_ref() != Some(&why) {
                tell(&format!("No number: {why}"));
                self.reason = Some(why);
            }
            return None;
        };
        self.reason = None;
        if self.moved.is_some_and(|before| (celsius - before).abs() < MOVED_CELSIUS) {
            self.say(t_s, &format!("{celsius:.2} °C. Still in the last bath."));
            return None;
        }
        self.moved = None;
        match self.judge.take(t_s, celsius, reading.cold_junction_celsius) {
            Verdict::Settled(standing) => return Some(standing),
            Verdict::TooEarly(left_s) => {
                self.say(t_s, &format!("{celsius:.2} °C. {left_s:.0} s more at least."));
            }
            Verdict::Moving(s) => {
                let word = if s.drift_celsius_per_min.abs() < 0.05 {
                    "unsteady".to_owned()
                } else if s.drift_celsius_per_min > 0.0 {
                    format!("rising {:.2} °C/min", s.drift_celsius_per_min)
                } else {
                    format!("falling {:.2} °C/min", -s.drift_celsius_per_min)
                };
                self.say(t_s, &format!("{celsius:.2} °C, {word}, ±{:.2}. Waiting.", s.spread_celsius));
            }
        }
        None
    }

    fn say(&mut self, t_s: f64, words: &str) {
        if t_s - self.said_s >= SAY_EVERY_S {
            self.said_s = t_s;
            tell(words);
        }
    }

    fn note_other(&mut self, reading: &Reading) {
        let name = reading.probe.to_string();
        if self.others.len() < 20 && !self.others.contains(&name) {
            self.others.push(name);
        }
    }
}
