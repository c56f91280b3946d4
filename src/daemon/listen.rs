//! Listening to one probe without the daemon: the same sources and the same
//! conversion, but no engine, no journal and no acknowledgement.
//!
//! For `probe read` and `probe calibrate`. The sources run in a thread of
//! their own; whoever listens gets readings with their arrival.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::sync::{broadcast, mpsc, watch};
use tokio_util::sync::CancellationToken;

use super::channels::Channels;
use super::clock::Clock;
use super::input::{Incoming, Input};
use super::outlet::{Commands, Feed, Leaving};
use super::source::Tally;
use super::sources::Sources;
use crate::config::dairy::Config;
use crate::config::source::Format;
use crate::engine::event::{Name, Reading};

/// Inputs that may wait for who listens.
const QUEUED: usize = 1024;

/// What was heard.
#[derive(Debug, Clone, PartialEq)]
pub enum Heard {
    /// A reading.
    Reading {
        /// It.
        reading: Reading,
        /// Its arrival on the monotonic clock, s.
        t_s: f64,
    },
    /// A source came or went.
    Link {
        /// Its name.
        source: Name,
        /// Whether it is there.
        up: bool,
    },
    /// Nothing within the time given.
    Silence,
    /// No source is left: why, where it is known.
    Ended(String),
}

/// Sources running for who listens; they end when this is dropped.
#[derive(Debug)]
pub struct Listening {
    heard: Receiver<Heard>,
    stop: CancellationToken,
    tallies: Vec<Arc<Tally>>,
    thread: Option<JoinHandle<()>>,
}

impl Listening {
    /// Starts every source of `config`; readings come through `channels`.
    ///
    /// # Errors
    /// The thread cannot be started.
    pub fn start(config: Config, channels: Arc<Channels>) -> std::io::Result<Self> {
        let stop = CancellationToken::new();
        let sources = Sources::of(&config);
        let tallies = sources.tallies();
        let (tx, heard) = channel();
        let told = stop.clone();
        let thread = std::thread::Builder::new().name("listen".into()).spawn(move || {
            let why = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
                Ok(runtime) => runtime.block_on(hear(sources, &config, &channels, &tx, &told)),
                Err(e) => e.to_string(),
            };
            // Nobody listens any more: nothing to say then.
            let _ = tx.send(Heard::Ended(why));
        })?;
        Ok(Self { heard, stop, tallies, thread: Some(thread) })
    }

    /// The first of the bytes that came since the last reading and are none.
    pub fn gibberish(&self) -> Option<String> {
        self.tallies.iter().find_map(|t| t.gibberish.seen())
    }

    /// Why a source is not there, and what can be done.
    pub fn absent(&self) -> Option<String> {
        self.tallies.iter().find_map(|t| t.absent.seen())
    }

    /// The next that is heard, within `span`.
    pub fn next(&self, span: Duration) -> Heard {
        match self.heard.recv_timeout(span) {
            Ok(heard) => heard,
            Err(RecvTimeoutError::Timeout) => Heard::Silence,
            Err(RecvTimeoutError::Disconnected) => Heard::Ended(String::new()),
        }
    }

    /// Throws away the readings that were heard and not fetched; gives back
    /// the rest.
    pub fn catch_up(&self) -> Vec<Heard> {
        self.heard.try_iter().filter(|h| !matches!(h, Heard::Reading { .. })).collect()
    }
}

impl Drop for Listening {
    fn drop(&mut self) {
        self.stop.cancel();
        if let Some(thread) = self.thread.take() {
            // It ends by itself; a thread that died has nothing to add.
            let _ = thread.join();
        }
    }
}

/// Runs the sources until told to stop or all have ended; why, where known.
async fn hear(
    sources: Sources,
    config: &Config,
    channels: &Arc<Channels>,
    heard: &std::sync::mpsc::Sender<Heard>,
    stop: &CancellationToken,
) -> String {
    let clock = Clock::real();
    let (inputs, mut taken) = mpsc::channel::<Input>(QUEUED);
    // What the sources look at for the box's buzzer: nothing happens here.
    let (_snapshot, snapshot) = watch::channel(Arc::default());
    let (_taken, count) = watch::channel(0);
    let feed = Feed {
        news: broadcast::channel(1).0,
        snapshot,
        taken: count,
        commands: Commands::into(mpsc::channel(1).0),
        leaving: Leaving::default(),
    };
    let started = sources.start_through(config, channels, &clock, &inputs, &feed, stop);
    let mut running = match started {
        Ok(set) => set,
        Err(e) => return e.to_string(),
    };
    drop(inputs);
    let mut why = String::new();
    // Nothing is kept here, and nobody is to try whether it would be by now.
    let mut waiting = Vec::new();
    loop {
        tokio::select! {
            input = taken.recv() => {
                let Some(input) = input else { break };
                waiting.extend(input.receipt);
                let said = match input.what {
                    Incoming::Reading(reading) => {
                        Heard::Reading { reading, t_s: clock.now().mono_ns as f64 / 1e9 }
                    }
                    Incoming::Link { source, up } => Heard::Link { source, up },
                    _ => continue,
                };
                if heard.send(said).is_err() {
                    break;
                }
            }
            Some(Ok((name, Err(e)))) = running.join_next() => why = format!("{name} ended: {e}"),
        }
    }
    stop.cancel();
    while running.join_next().await.is_some() {}
    why
}

/// The configuration with only those sources that can serve `probe`, and with
/// a name of its own at every broker, so that a running daemon is not thrown
/// off. Nothing heard here is acknowledged: a broker that waited for it would
/// fall silent after some twenty messages, so it is asked not to wait.
#[must_use]
pub fn only_for(mut config: Config, probe: &str) -> Config {
    config.serial.retain(|s| {
        s.probe.as_deref() == Some(probe)
            || s.probes.values().any(|ours| &**ours == probe)
            || (s.format == Format::Frames && s.probes.is_empty())
            || matches!(&s.format, Format::Lines(p) if s.probe.is_none() && p.names_probe())
    });
    for m in &mut config.modbus {
        m.registers.retain(|r| &*r.probe == probe);
    }
    config.modbus.retain(|m| !m.registers.is_empty());
    for b in &mut config.brokers {
        b.subscriptions.retain(|s| s.probe.is_none() || s.probe.as_deref() == Some(probe));
        b.client_id = format!("{}-listening-{}", b.client_id, std::process::id());
        b.session_kept = false;
        b.subscriptions.iter_mut().for_each(|s| s.qos = 0);
        b.publish_under = None;
    }
    config.brokers.retain(|b| !b.subscriptions.is_empty());
    config
}
