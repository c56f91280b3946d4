//! Every source of the configuration, started together: one file a kind, one
//! task or thread a source, and one place that watches them.

use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::channels::Channels;
use super::clock::Clock;
use super::heard::{Before, Heard};
use super::input::Input;
use super::outlet::{Feed, OutletError, SourceSeen};
use super::source::{Tally, Way};
use super::start::DaemonError;
use super::{modbus, mqtt, serial};
use crate::config::dairy::Config;
use crate::engine::event::Name;

/// How a source ended: its name, and why.
pub type Ended = (String, Result<(), OutletError>);

/// The sources' names and what they count.
#[derive(Debug)]
pub struct Sources {
    tallies: Vec<(Name, Arc<Tally>)>,
    /// The frames that were on disk already.
    before: Before,
}

impl Sources {
    /// Those of a configuration.
    pub fn of(config: &Config) -> Self {
        let serial = config.serial.iter().map(|s| &s.name);
        let brokers = config.brokers.iter().map(|b| &b.name);
        let lines = config.modbus.iter().map(|m| &m.name);
        let tallies = serial.chain(brokers).chain(lines).map(|n| (n.clone(), Arc::default())).collect();
        Self { tallies, before: Before::default() }
    }

    /// With the frames that were on disk already: they are acknowledged where they
    /// come again, and not recorded.
    #[must_use]
    pub fn knowing(self, before: Before) -> Self {
        Self { before, ..self }
    }

    /// What each counts, in order.
    pub fn tallies(&self) -> Vec<Arc<Tally>> {
        self.tallies.iter().map(|t| t.1.clone()).collect()
    }

    /// How they stand before any has started.
    pub fn seen(&self) -> Vec<SourceSeen> {
        let of = |(name, tally): &(Name, Arc<Tally>)| SourceSeen {
            name: name.clone(),
            up: false,
            counted: tally.counted().to_vec(),
        };
        self.tallies.iter().map(of).collect()
    }

    /// Starts them all. A task of the set ends when its source does.
    ///
    /// # Errors
    /// A thread cannot be started.
    pub fn start(
        self,
        config: &Config,
        clock: &Clock,
        inputs: &mpsc::Sender<Input>,
        feed: &Feed,
        stop: &CancellationToken,
    ) -> Result<JoinSet<Ended>, DaemonError> {
        let channels = Channels::kept_fresh(config)
            .map_err(|e| DaemonError::Ended { name: "calibrations".into(), why: e.to_string() })?;
        self.start_through(config, &channels, clock, inputs, feed, stop)
    }

    /// As [`Sources::start`], through these channels.
    ///
    /// # Errors
    /// A thread cannot be started.
    pub fn start_through(
        self,
        config: &Config,
        channels: &Arc<Channels>,
        clock: &Clock,
        inputs: &mpsc::Sender<Input>,
        feed: &Feed,
        stop: &CancellationToken,
    ) -> Result<JoinSet<Ended>, DaemonError> {
        let mut ways = self.tallies.into_iter().map(|(source, tally)| Way {
            source,
            inputs: inputs.clone(),
            clock: clock.clone(),
            channels: channels.clone(),
            tally,
        });
        let mut set = JoinSet::new();
        for (port, way) in config.serial.iter().zip(ways.by_ref()) {
            let name = format!("serial line {}", port.name);
            let heard = Heard::knowing(self.before.clone());
            let thread = serial::start(port.clone(), way, heard, feed.snapshot.clone(), stop.clone())
                .map_err(|e| DaemonError::Ended { name: name.clone(), why: e.to_string() })?;
            set.spawn(joined(name, thread));
        }
        for (broker, way) in config.brokers.iter().zip(ways.by_ref()) {
            let name = format!("broker {}", broker.name);
            let group = Duration::from_secs_f64(config.journal.seconds);
            let run = mqtt::run(broker.clone(), way, feed.clone(), group, stop.clone());
            set.spawn(async move { (name, run.await) });
        }
        for (line, way) in config.modbus.iter().zip(ways) {
            let name = format!("modbus line {}", line.name);
            let thread = modbus::start(line.clone(), way, stop.clone())
                .map_err(|e| DaemonError::Ended { name: name.clone(), why: e.to_string() })?;
            set.spawn(joined(name, thread));
        }
        Ok(set)
    }
}

/// Waits for a thread without holding up anybody.
async fn joined(name: String, thread: JoinHandle<()>) -> Ended {
    let (tx, rx) = oneshot::channel();
    let waiter = std::thread::Builder::new().name("join".into()).spawn(move || {
        // Who waited may be gone; then nobody needs to know.
        let _ = tx.send(thread.join().is_ok());
    });
    let outcome = match (waiter, rx.await) {
        (Ok(_), Ok(true)) => Ok(()),
        (Err(e), _) => Err(e.into()),
        _ => Err("its thread died".into()),
    };
    (name, outcome)
}
