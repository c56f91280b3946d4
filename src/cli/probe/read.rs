//! `curdtrace probe read`: one probe live, as the engine judges it.
//!
//! Where a daemon runs it holds the port; its journal is read then, a second
//! or so behind. Else the source is opened here, and nothing is recorded.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use super::calibrate::source::SourceArgs;
use crate::cli::error::Failure;
use crate::cli::{Place, configured, remark, say_while_read};
use crate::config::dairy::Config;
use crate::config::modbus::Link;
use crate::daemon::channels::{self, Channels};
use crate::daemon::clock::Clock;
use crate::daemon::listen::{Heard, Listening, only_for};
use crate::engine::Engine;
use crate::engine::event::{Event, Happening, Name, Reading, Stamp};
use crate::engine::probe::Health;
use crate::engine::view::KettleView;
use crate::journal::replay::{Replay, Span};
use crate::journal::storage::Disk;
use crate::lot::hold::Hold;
use crate::sensor::channel::Channel;
use crate::sensor::uncertainty::{Budget, StepSeen};
use crate::wire::json;
use crate::wire::line::{Line, Names, parse};

/// So much of the journal goes first, so that there is a rate at once.
const LEAD_NS: i64 = 120_000_000_000;

/// So often it is looked whether the source is there.
const LOOK: Duration = Duration::from_millis(500);

/// One probe's number, rate, noise, health and reason, live.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The probe's name
    #[arg(value_name = "PROBE")]
    probe: String,
    #[command(flatten)]
    place: Place,
    #[command(flatten)]
    source: SourceArgs,
    /// End after so many readings
    #[arg(long, value_name = "N")]
    count: Option<u64>,
    /// Give up where nothing comes for so long, seconds
    #[arg(long, value_name = "S", default_value_t = 30)]
    patience_s: u32,
    /// JSON lines, as `replay --readings` gives them
    #[arg(long)]
    json: bool,
}

/// Shows readings until told to stop.
pub fn run(args: Args) -> Result<(), Failure> {
    let Args { probe, place, source, count, patience_s, json } = args;
    let mut show = Show {
        engine: Engine::new(None),
        clock: Clock::real(),
        probe,
        json,
        left: count.unwrap_or(u64::MAX),
        patience: Duration::from_secs(patience_s.into()),
        channel: Channel::named(""),
        absent: Vec::new(),
        set_as: Vec::new(),
        step: StepSeen::default(),
    };
    if source.is_given() {
        let config = source.config(&show.probe)?;
        show.channel = channels::channel(&config, &show.probe);
        return show.listen(config);
    }
    let config = configured(place)?;
    show.channel = channels::channel(&config, &show.probe);
    if config.data.exists() && matches!(Hold::take(&config.data), Ok(None)) {
        tracing::debug!("a daemon runs; its journal is read");
        return show.follow(&config.data.join("journal"));
    }
    let config = only_for(config, &show.probe);
    if config.serial.is_empty() && config.brokers.is_empty() && config.modbus.is_empty() {
        return Err(Failure::config(format!(
            "no source serves probe {}; name it in the configuration, or a port with --port",
            show.probe
        )));
    }
    show.listen(config)
}

struct Show {
    engine: Engine,
    clock: Clock,
    probe: String,
    json: bool,
    left: u64,
    patience: Duration,
    /// What the probe is and how it is calibrated, for its uncertainty.
    channel: Channel,
    /// Its ports that were not there at the start.
    absent: Vec<PathBuf>,
    /// Format and speed of its ports, as they are set.
    set_as: Vec<String>,
    step: StepSeen,
}

impl Show {
    /// Opens the source here. A port that is not there is named at once, and
    /// waited for.
    fn listen(&mut self, config: Config) -> Result<(), Failure> {
        self.absent = absent(&config);
        self.set_as =
            config.serial.iter().map(|s| format!("{} at {} baud", s.format.name(), s.baud)).collect();
        for port in &self.absent {
            remark(&format!("waiting for {} to be plugged in", port.display()));
        }
        let channels = Arc::new(Channels::of(&config));
        let listening = Listening::start(config, channels)
            .map_err(|e| Failure::unavailable(format!("the source does not start ({e})")))?;
        let (mut silent, mut told) = (Duration::ZERO, None);
        while self.left > 0 {
            let look = LOOK.min(self.patience);
            match listening.next(look) {
                Heard::Reading { reading, .. } if &*reading.probe == self.probe.as_str() => {
                    silent = Duration::ZERO;
                    let now = self.clock.now();
                    self.reading(reading, now.mono_ns, now.wall_ns, true)?;
                }
                Heard::Reading { .. } | Heard::Link { .. } => silent = Duration::ZERO,
                Heard::Silence => {
                    silent += look;
                    // A port that is not there was named already.
                    let why = listening.absent().filter(|_| self.absent.iter().all(|p| p.exists()));
                    if silent >= self.patience {
                        return Err(match (why, listening.gibberish()) {
                            (Some(why), _) => self.nothing_since(&why),
                            (None, Some(shown)) => self.no_reading(&shown),
                            (None, None) => self.nothing(),
                        });
                    }
                    if let Some(why) = why.filter(|why| told.as_ref() != Some(why)) {
                        remark(&format!("{why}; waiting until it is there"));
                        told = Some(why);
                    }
                }
                Heard::Ended(why) => return Err(Failure::unavailable(format!("the source ended: {why}"))),
            }
        }
        Ok(())
    }

    /// Reads the running daemon's journal as it grows.
    fn follow(&mut self, journal: &std::path::Path) -> Result<(), Failure> {
        let mut from_ns = self.clock.now().wall_ns.saturating_sub(LEAD_NS);
        let began_ns = self.clock.now().wall_ns;
        let mut silent = Duration::ZERO;
        let pause = Duration::from_millis(500);
        while self.left > 0 {
            let mut heard = false;
            for (wall_ns, reading) in self.since(journal, from_ns)? {
                from_ns = wall_ns + 1;
                let mono_ns = u64::try_from(wall_ns).unwrap_or_default();
                let show = wall_ns >= began_ns - 2_000_000_000;
                self.reading(reading, mono_ns, wall_ns, show)?;
                heard |= show;
            }
            silent = if heard { Duration::ZERO } else { silent + pause };
            if silent > self.patience {
                return Err(self.nothing());
            }
            std::thread::sleep(pause);
        }
        Ok(())
    }

    fn since(&self, journal: &std::path::Path, from_ns: i64) -> Result<Vec<(i64, Reading)>, Failure> {
        let span = Span { from_ns: Some(from_ns), to_ns: None };
        let fault = |e: crate::journal::JournalError| Failure::io(e);
        let mut replay = Replay::open(Arc::new(Disk), &PathBuf::from(journal), span).map_err(fault)?;
        let mut found = Vec::new();
        let mut names = Names::default();
        while let Some((at, line)) = replay.next_line().map_err(fault)? {
            if let Ok(Some((Line::Reading(r), _))) = parse(line, &mut names)
                && &*r.probe == self.probe.as_str()
                && at.written_ns >= from_ns
            {
                found.push((at.written_ns, r));
            }
        }
        Ok(found)
    }

    /// Bytes come, and none of them is a reading.
    fn no_reading(&self, shown: &str) -> Failure {
        let (probe, set_as) = (&self.probe, self.set_as.join("; "));
        Failure::unavailable(format!(
            "nothing from probe {probe} for {} s: bytes come that are no {set_as}, such as {shown}; \
             set the format (--format, or format in the configuration) and the speed (--baud, baud) to what the box sends",
            self.patience.as_secs()
        ))
    }

    fn nothing_since(&self, why: &str) -> Failure {
        let (probe, s) = (&self.probe, self.patience.as_secs());
        Failure::unavailable(format!("nothing from probe {probe} for {s} s: {why}"))
    }

    fn nothing(&self) -> Failure {
        if let Some(port) = self.absent.iter().find(|p| !p.exists()) {
            return self.nothing_since(&format!(
                "{} is not there; plug it in, or mend the port's name by `curdtrace probe list`",
                port.display()
            ));
        }
        Failure::unavailable(format!(
            "nothing from probe {} for {} s; see `curdtrace probe list`, the plug, and the box's lamp",
            self.probe,
            self.patience.as_secs()
        ))
    }

    fn reading(&mut self, reading: Reading, mono_ns: u64, wall_ns: i64, show: bool) -> Result<(), Failure> {
        let stamp = Stamp { boot: 1, mono_ns, wall_ns: Some(wall_ns) };
        let probe = Name::clone(&reading.probe);
        if let Some(c) = reading.celsius {
            self.step.take(c);
        }
        let budget = self.channel.budget(&reading, None, self.step.celsius());
        let mut effects = Vec::new();
        self.engine.step(&Event { stamp, what: Happening::Reading(reading) }, &mut effects);
        if !show || self.left == 0 {
            return Ok(());
        }
        self.left -= 1;
        let seen = self.engine.kettle_of(&probe);
        let line = if self.json {
            Some(json::reading(Some(wall_ns), &probe, seen.as_ref()))
        } else {
            seen.map(|v| words(&v, &budget))
        };
        // Whoever read has seen enough, as `head` has.
        if let Some(line) = line
            && !say_while_read(&line)?
        {
            self.left = 0;
        }
        Ok(())
    }
}

/// The ports of a configuration that are not there.
fn absent(config: &Config) -> Vec<PathBuf> {
    let serial = config.serial.iter().map(|s| &s.port);
    let modbus = config.modbus.iter().filter_map(|m| match &m.link {
        Link::Rtu { port, .. } => Some(port),
        Link::Tcp(_) => None,
    });
    serial.chain(modbus).filter(|p| !p.exists()).cloned().collect()
}

/// One line for a person: number, its expanded uncertainty (k = 2), rate, noise, health and why. A number that
/// is not of this moment says its age.
fn words(v: &KettleView, budget: &Budget) -> String {
    // Nothing known of the sensor, nothing claimed.
    let within = if budget.causes().is_empty() {
        String::new()
    } else {
        format!(" ±{:.2}", budget.expanded_celsius())
    };
    let number = match (v.celsius, v.age_s) {
        // A reading that is not used leaves the one before, as old as it is.
        (Some(c), Some(age_s)) if age_s > 0.0 => format!("{c:7.2} °C, {age_s:.0} s ago"),
        (Some(c), _) => format!("{c:7.2}{within} °C"),
        (None, _) => "no number".into(),
    };
    let rate = v.rate_celsius_per_min.map_or(String::new(), |r| format!("  {r:+6.2} °C/min"));
    let noise = v.roughness_celsius.map_or(String::new(), |n| format!("  noise {n:.3} °C"));
    let why = if v.health == Health::Good || v.reason.is_empty() {
        String::new()
    } else {
        format!(": {}", v.reason)
    };
    format!("{number}{rate}{noise}  {}{why}", v.health.name())
}
