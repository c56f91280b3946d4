//! A broker: readings in, acknowledged when they are on disk; stages, alarms
//! and the latest readings out.
//!
//! Terms: a *generation* is one connection. Packet ids mean something within
//! their generation only, so that an acknowledgement of an older one is never
//! sent: the broker sends the message again, and it is known again.
//!
//! Invariants: the loop never waits on its own request queue; with the broker
//! away it tries at most twice a second; subscriptions are asked for at every
//! connection.
//!
//! Deliberately absent: commands over MQTT. Whoever may publish at the broker
//! is not thereby the maker.

use std::collections::{BTreeMap, VecDeque};
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use rumqttc::{
    AsyncClient, ConnectionError, Event, EventLoop, LastWill, MqttOptions, Packet, Publish, QoS,
    SubscribeFilter,
};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use super::input::{Incoming, Input, Receipt};
use super::mqtt_out::{self, Publisher};
use super::outlet::{Feed, OutletError};
use super::source::{Tally, Way};
use crate::config::credentials;
use crate::config::source::{Broker, Subscription};
use crate::engine::event::Name;
use crate::words::Words;

/// Requests that may wait for the connection.
const REQUESTS_QUEUED: usize = 256;

/// The largest packet taken or sent, bytes. A whole make's event is larger
/// than the client's own limit of 10 KiB.
const LARGEST_PACKET: usize = 256 * 1024;

/// Pauses between attempts to connect: first and longest.
const PAUSES: (Duration, Duration) = (Duration::from_millis(500), Duration::from_secs(3));

/// How many messages are remembered, to know what comes again. Fewer than the
/// packet ids there are, so that an id used anew is not taken for the old one.
const REMEMBERED: usize = 1024;

/// How long to wait at the end for the last word to go out.
const LAST_WORD: Duration = Duration::from_millis(300);

/// Runs one broker's connection until `stop` is cancelled.
///
/// # Errors
/// The credentials cannot be read.
pub async fn run(broker: Broker, way: Way, feed: Feed, stop: CancellationToken) -> Result<(), OutletError> {
    let (client, events) = AsyncClient::new(options(&broker)?, REQUESTS_QUEUED);
    let (acks_in, acks) = mpsc::unbounded_channel();
    let generation = Arc::new(AtomicU64::new(0));
    let acker = tokio::spawn(acknowledge(client.clone(), acks, generation.clone()));
    let publisher = broker
        .publish_under
        .as_ref()
        .map(|under| Publisher::new(under, client.clone(), generation.clone(), Words::of(&broker.language)))
        .map(|p| tokio::spawn(p.run(feed, stop.clone())));
    let mut it = Connection {
        broker,
        way,
        client,
        generation,
        acks: acks_in,
        taken: BTreeMap::new(),
        order: VecDeque::new(),
        up: false,
    };
    let result = it.keep(events, &stop).await;
    acker.abort();
    if let Some(p) = publisher {
        p.abort();
    }
    result
}

/// Options that the client takes without a panic: the configuration has been
/// checked for an id and a keep-alive of two seconds or more.
fn options(broker: &Broker) -> Result<MqttOptions, OutletError> {
    let mut o = MqttOptions::new(broker.client_id.as_str(), broker.host.as_str(), broker.port);
    o.set_keep_alive(Duration::from_secs(broker.keep_alive_s.max(2).into()));
    o.set_clean_session(!broker.session_kept || broker.client_id.is_empty());
    o.set_manual_acks(true);
    o.set_max_packet_size(LARGEST_PACKET, LARGEST_PACKET);
    if let Some(under) = &broker.publish_under {
        o.set_last_will(LastWill::new(mqtt_out::status_topic(under), "offline", QoS::AtLeastOnce, true));
    }
    if let Some(path) = &broker.credentials {
        let c = credentials::read(path).map_err(|f| crate::config::fault::listed(&f))?;
        o.set_credentials(c.user, c.password);
    }
    Ok(o)
}

/// One acknowledgement that is due.
struct Due {
    generation: u64,
    publish: Publish,
}

/// Sends acknowledgements of the running generation.
async fn acknowledge(client: AsyncClient, mut due: mpsc::UnboundedReceiver<Due>, generation: Arc<AtomicU64>) {
    while let Some(d) = due.recv().await {
        // No await stands between the look and the request: a generation
        // cannot end in between on this one-threaded runtime.
        if generation.load(Ordering::SeqCst) != d.generation {
            continue;
        }
        if client.try_ack(&d.publish).is_err() && client.ack(&d.publish).await.is_err() {
            return;
        }
    }
}

struct Connection {
    broker: Broker,
    way: Way,
    client: AsyncClient,
    generation: Arc<AtomicU64>,
    acks: mpsc::UnboundedSender<Due>,
    /// By packet id: what was taken in of late.
    taken: BTreeMap<u16, Taken>,
    order: VecDeque<u16>,
    up: bool,
}

/// A message that was taken in.
struct Taken {
    fingerprint: u64,
    /// Its acknowledgement, until it is synced.
    waiting: Arc<Mutex<Option<Due>>>,
}

impl Connection {
    async fn keep(&mut self, mut events: EventLoop, stop: &CancellationToken) -> Result<(), OutletError> {
        let mut pause = PAUSES.0;
        loop {
            let event = tokio::select! {
                () = stop.cancelled() => break,
                event = events.poll() => event,
            };
            match event {
                Ok(Event::Incoming(Packet::ConnAck(_))) => {
                    pause = PAUSES.0;
                    self.connected().await?;
                }
                Ok(Event::Incoming(Packet::Publish(p))) => self.published(p).await?,
                Ok(Event::Incoming(Packet::SubAck(s))) => self.subscribed(&s),
                Ok(_) => {}
                Err(e) => {
                    self.lost(&e).await?;
                    tokio::select! {
                        () = stop.cancelled() => break,
                        () = tokio::time::sleep(pause) => {}
                    }
                    pause = (pause * 2).min(PAUSES.1);
                }
            }
        }
        self.farewell(events).await;
        Ok(())
    }

    async fn connected(&mut self) -> Result<(), OutletError> {
        self.generation.fetch_add(1, Ordering::SeqCst);
        self.up = true;
        let name = &self.broker.name;
        tracing::info!(source = %name, "{name}: connected to {}:{}", self.broker.host, self.broker.port);
        let filters: Vec<_> = self
            .broker
            .subscriptions
            .iter()
            .map(|s| SubscribeFilter::new(s.topic.filter(), qos(s.qos)))
            .collect();
        // Never waiting: this very loop empties the queue.
        if !filters.is_empty() && self.client.try_subscribe_many(filters).is_err() {
            tracing::warn!(source = %name, "{name}: the request queue is full; subscribing at the next connection");
        }
        if let Some(under) = &self.broker.publish_under {
            let _ = self.client.try_publish(mqtt_out::status_topic(under), QoS::AtLeastOnce, true, "online");
        }
        Ok(self.way.send_async(self.way.link(true)).await.map_err(|g| g.to_string())?)
    }

    fn subscribed(&self, ack: &rumqttc::SubAck) {
        for (code, s) in ack.return_codes.iter().zip(&self.broker.subscriptions) {
            if *code == rumqttc::SubscribeReasonCode::Failure {
                let name = &self.broker.name;
                let topic = s.topic.filter();
                tracing::warn!(source = %name, "{name}: the broker refuses {topic}; give this user the right to read it");
            }
        }
    }

    async fn lost(&mut self, why: &ConnectionError) -> Result<(), OutletError> {
        let name = &self.broker.name;
        if self.up {
            self.up = false;
            // From here on packet ids mean nothing.
            self.generation.fetch_add(1, Ordering::SeqCst);
            Tally::count(&self.way.tally.reopened, 1);
            tracing::warn!(source = %name, "{name}: the broker is gone ({why}); it is tried again until it is back");
            return Ok(self.way.send_async(self.way.link(false)).await.map_err(|g| g.to_string())?);
        }
        tracing::debug!(source = %name, "{name}: no connection ({why})");
        Ok(())
    }

    async fn published(&mut self, p: Publish) -> Result<(), OutletError> {
        let Some(found) = self.broker.subscriptions.iter().find(|s| s.topic.matches(&p.topic)) else {
            self.acknowledge_unread(p);
            return Ok(());
        };
        let subscription = found.clone();
        if p.retain && !subscription.own_time {
            // Kept by the broker since nobody knows when: no reading of now.
            tracing::debug!(source = %self.broker.name, "a retained reading of {} is left out", p.topic);
            self.acknowledge_unread(p);
            return Ok(());
        }
        if self.came_before(&p) {
            return Ok(());
        }
        let inputs = self.read(&subscription, &p);
        if inputs.is_empty() {
            self.acknowledge_unread(p);
            return Ok(());
        }
        let last = inputs.len() - 1;
        for (n, mut input) in inputs.into_iter().enumerate() {
            // Receipts are called in the order of the record: the last one
            // stands for the whole payload.
            if n == last && p.qos == QoS::AtLeastOnce {
                input.receipt = Some(self.receipt(p.clone()));
            }
            self.way.send_async(input).await.map_err(|g| g.to_string())?;
        }
        Ok(())
    }

    /// Nothing in it is to be kept; the broker must not send it again.
    fn acknowledge_unread(&self, publish: Publish) {
        if publish.qos == QoS::AtLeastOnce {
            let generation = self.generation.load(Ordering::SeqCst);
            // The acker lives as long as the connection.
            let _ = self.acks.send(Due { generation, publish });
        }
    }

    /// Whether a message that the broker sends again was taken in already. It
    /// is acknowledged now where it is synced, and else when it will be.
    fn came_before(&mut self, p: &Publish) -> bool {
        if !p.dup || p.qos != QoS::AtLeastOnce {
            return false;
        }
        let Some(taken) = self.taken.get(&p.pkid).filter(|t| t.fingerprint == fingerprint(p)) else {
            return false;
        };
        Tally::count(&self.way.tally.again, 1);
        let due = Due { generation: self.generation.load(Ordering::SeqCst), publish: p.clone() };
        let mut waiting = taken.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        if waiting.is_some() {
            *waiting = Some(due);
        } else {
            // The acker lives as long as the connection.
            let _ = self.acks.send(due);
        }
        true
    }

    fn receipt(&mut self, publish: Publish) -> Receipt {
        let (pkid, fingerprint) = (publish.pkid, fingerprint(&publish));
        let due = Due { generation: self.generation.load(Ordering::SeqCst), publish };
        let waiting = Arc::new(Mutex::new(Some(due)));
        self.taken.insert(pkid, Taken { fingerprint, waiting: waiting.clone() });
        self.order.push_back(pkid);
        if self.order.len() > REMEMBERED
            && let Some(oldest) = self.order.pop_front()
            && !self.order.contains(&oldest)
        {
            self.taken.remove(&oldest);
        }
        let acks = self.acks.clone();
        Receipt::new(move || {
            if let Some(due) = waiting.lock().unwrap_or_else(PoisonError::into_inner).take() {
                // A connection that has ended needs no acknowledgement.
                let _ = acks.send(due);
            }
        })
    }

    fn read(&self, subscription: &Subscription, p: &Publish) -> Vec<Input> {
        let mut inputs = Vec::new();
        for one in subscription.payload.read(&p.payload) {
            let said = match one {
                Ok(said) => said,
                Err(e) => {
                    Tally::count(&self.way.tally.refused, 1);
                    tracing::debug!(source = %self.broker.name, "{}: {}: {e}", self.broker.name, p.topic);
                    continue;
                }
            };
            let by_topic = subscription.topic.probe_of(&p.topic).map(Name::from);
            let Some(probe) = said.probe.or(by_topic).or_else(|| subscription.probe.clone()) else {
                continue;
            };
            let reading = self.way.reading(&probe, said.kettle, &said.raw);
            let taken = said.wall_ns.filter(|_| subscription.own_time).into();
            inputs.push(Input { what: Incoming::Reading(reading), taken, receipt: None });
        }
        inputs
    }

    /// Says that we are going, and lets the last acknowledgements out.
    async fn farewell(&mut self, mut events: EventLoop) {
        if !self.up {
            return;
        }
        if let Some(under) = &self.broker.publish_under {
            let _ = self.client.try_publish(mqtt_out::status_topic(under), QoS::AtLeastOnce, true, "offline");
        }
        let deadline = tokio::time::sleep(LAST_WORD);
        tokio::pin!(deadline);
        loop {
            tokio::select! {
                () = &mut deadline => break,
                event = events.poll() => if event.is_err() { return },
            }
        }
        let _ = self.client.try_disconnect();
        // The disconnect itself goes out at the next turn of the loop.
        let _ = tokio::time::timeout(Duration::from_millis(50), events.poll()).await;
    }
}

fn fingerprint(p: &Publish) -> u64 {
    let mut h = DefaultHasher::new();
    p.topic.hash(&mut h);
    p.payload.hash(&mut h);
    h.finish()
}

fn qos(n: u8) -> QoS {
    if n == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce }
}
