//! A broker: readings in, acknowledged when they are on disk; stages, alarms
//! and the latest readings out.
//!
//! Terms: a *generation* is one connection; what was taken in is remembered in
//! `taken`, and how it is asked for, with acknowledgement or without, is
//! `footing`'s to say.
//!
//! Invariants: the loop never waits on its own request queue; with the broker
//! away it tries at most twice a second; subscriptions are asked for at every
//! connection; nothing is acknowledged that is not synced, and a record that
//! stands still keeps no reading from the engine; what the broker kept while nobody
//! was connected is recorded and is no number of now (`kept`).
//!
//! A person's mark in a payload of line protocol is taken in as a reading is: it
//! states what was done.
//!
//! Deliberately absent: commands over MQTT. Whoever may publish at the broker
//! is not thereby the maker.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use rumqttc::{AsyncClient, ConnectionError, Event, EventLoop, Packet, Publish, QoS, SubscribeFilter};
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::gibberish::quoted;
use super::input::{Incoming, Input, Taken};
use super::mqtt_out::{self, Publisher};
use super::outlet::{Feed, OutletError, Snapshot};
use super::source::{Tally, Way, short};
use crate::config::source::{Broker, Subscription};
use crate::engine::event::Name;
use crate::wire::payload::Told;
use crate::words::Words;

mod away;
mod footing;
mod kept;
mod options;
mod oversize;
mod taken;

use away::Away;
use footing::{Footing, Record};
use kept::Burst;
use oversize::Oversize;
use taken::{Before, TakenIn};

/// Requests that may wait for the connection.
const REQUESTS_QUEUED: usize = 256;

/// Of more topics than this it is not told that they bring what cannot be read.
const MOST_TOLD: usize = 100;

/// Pauses between attempts to connect: first and longest.
const PAUSES: (Duration, Duration) = (Duration::from_millis(500), Duration::from_secs(3));

/// How long to wait at the end for the last word to go out.
const LAST_WORD: Duration = Duration::from_millis(300);

/// Runs one broker's connection until `stop` is cancelled. The record syncs a
/// group after `group`.
///
/// # Errors
/// The credentials cannot be read.
pub async fn run(
    broker: Broker,
    way: Way,
    feed: Feed,
    group: Duration,
    stop: CancellationToken,
) -> Result<(), OutletError> {
    let (client, events) = AsyncClient::new(options::of(&broker)?, REQUESTS_QUEUED);
    let (acks_in, acks) = mpsc::unbounded_channel();
    let generation = Arc::new(AtomicU64::new(0));
    let mut acker = tokio::spawn(taken::acknowledge(client.clone(), acks, generation.clone()));
    let snapshot = feed.snapshot.clone();
    let publisher = broker
        .publish_under
        .as_ref()
        .map(|under| Publisher::new(under, client.clone(), generation.clone(), Words::of(&broker.language)))
        .map(|p| tokio::spawn(p.run(feed, stop.clone())));
    let mut it = Connection {
        oversize: Oversize::at(&broker),
        broker,
        way,
        client,
        taken: TakenIn::new(generation.clone(), acks_in),
        generation,
        footing: Footing::firm(group),
        burst: Burst::none(group),
        told_kept: false,
        snapshot,
        up: false,
        told: None,
        refused: BTreeSet::new(),
    };
    let result = tokio::select! {
        result = it.keep(events, &stop) => result,
        // It ends with us: alone it died, and nothing would be acknowledged any more.
        _ = &mut acker => Err("what acknowledges its messages died".into()),
    };
    acker.abort();
    if let Some(p) = publisher {
        p.abort();
    }
    result
}

struct Connection {
    broker: Broker,
    way: Way,
    client: AsyncClient,
    generation: Arc<AtomicU64>,
    taken: TakenIn,
    footing: Footing,
    burst: Burst,
    /// That the broker had kept something was said of this connection.
    told_kept: bool,
    snapshot: watch::Receiver<Arc<Snapshot>>,
    up: bool,
    /// What was said since there was a connection last.
    told: Option<Away>,
    /// Topics of which it was told that they bring what cannot be read.
    refused: BTreeSet<String>,
    oversize: Oversize,
}

impl Connection {
    async fn keep(&mut self, mut events: EventLoop, stop: &CancellationToken) -> Result<(), OutletError> {
        let mut pause = PAUSES.0;
        loop {
            let event = tokio::select! {
                () = stop.cancelled() => break,
                event = self.next(&mut events) => event,
            };
            match event {
                Ok(Event::Incoming(Packet::ConnAck(_))) if self.oversize.forgot(&mut events) => {}
                Ok(Event::Incoming(Packet::ConnAck(ack))) => {
                    pause = PAUSES.0;
                    self.burst.connected(ack.session_present, Instant::now());
                    self.told_kept = false;
                    self.connected().await?;
                }
                Ok(Event::Incoming(Packet::Publish(p))) => self.published(p).await?,
                Ok(Event::Incoming(Packet::SubAck(s))) => self.subscribed(&s),
                Ok(_) => {}
                Err(e) => {
                    self.oversize.ended(&e, &mut events);
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

    /// The connection's next event, with an eye on the record meanwhile. The
    /// poll is never cut short for that: it would begin to connect anew each
    /// time.
    async fn next(&mut self, events: &mut EventLoop) -> Result<Event, ConnectionError> {
        let poll = events.poll();
        tokio::pin!(poll);
        loop {
            tokio::select! {
                event = &mut poll => return event,
                Ok(()) = self.snapshot.changed() => self.look_at_record(),
            }
        }
    }

    /// Changes over to messages without acknowledgement while the record stands
    /// still, and back.
    fn look_at_record(&mut self) {
        self.burst.look(self.taken.waiting(), Instant::now());
        let trouble = self.snapshot.borrow_and_update().store_trouble.is_some();
        let record = Record { trouble, waits_since: self.taken.waits_since() };
        if !self.up
            || !self.footing.wants_change(record, Instant::now())
            || !self.subscribe(!self.footing.is_afloat())
        {
            return;
        }
        self.footing.changed(Instant::now());
        let name = &self.broker.name;
        if self.footing.is_afloat() {
            tracing::warn!(source = %name, "{name}: readings cannot be kept just now; they are heard without being acknowledged, so that alarms go on, and what comes meanwhile is lost if the daemon ends before");
            return;
        }
        tracing::info!(source = %name, "{name}: readings are kept and acknowledged again");
        if self.taken.dropped() {
            // The broker sends them again at the next connection only.
            let _ = self.client.try_disconnect();
        }
    }

    /// Asks for everything that is configured; whether it could be asked for.
    fn subscribe(&self, afloat: bool) -> bool {
        let asked = |s: &Subscription| if afloat { QoS::AtMostOnce } else { qos(s.qos) };
        let filters: Vec<_> = self
            .broker
            .subscriptions
            .iter()
            .map(|s| SubscribeFilter::new(s.topic.filter(), asked(s)))
            .collect();
        // Never waiting: this very loop empties the queue.
        filters.is_empty() || self.client.try_subscribe_many(filters).is_ok()
    }

    async fn connected(&mut self) -> Result<(), OutletError> {
        self.generation.fetch_add(1, Ordering::SeqCst);
        (self.up, self.told) = (true, None);
        self.way.tally.absent.put(None);
        let name = &self.broker.name;
        tracing::info!(source = %name, "{name}: connected to {}:{}", self.broker.host, self.broker.port);
        if !self.subscribe(self.footing.is_afloat()) {
            tracing::warn!(source = %name, "{name}: the request queue is full; subscribing at the next connection");
        }
        if let Some(under) = &self.broker.publish_under {
            let _ = self.client.try_publish(mqtt_out::status_topic(under), QoS::AtLeastOnce, true, "online");
        }
        Ok(self.way.send_async(self.way.link(true)).await.map_err(|g| g.to_string())?)
    }

    fn subscribed(&mut self, ack: &rumqttc::SubAck) {
        self.footing.granted(self.way.clock.now().mono_ns);
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
            self.told = Some(Away::Unreached);
            return Ok(self.way.send_async(self.way.link(false)).await.map_err(|g| g.to_string())?);
        }
        let (away, text) = away::of(&self.broker, why);
        // At once, and not again at each attempt.
        if self.told.replace(away) != Some(away) {
            tracing::warn!(source = %name, "{name}: {text}; it is tried again until it can be reached");
        }
        self.way.tally.absent.put(Some(text));
        Ok(())
    }

    async fn published(&mut self, p: Publish) -> Result<(), OutletError> {
        let Some(found) = self.broker.subscriptions.iter().find(|s| s.topic.matches(&p.topic)) else {
            self.taken.acknowledge_unread(p);
            return Ok(());
        };
        let subscription = found.clone();
        if p.payload.len() > oversize::LARGEST_READ {
            self.refuse(&p, &format!("it has {} bytes, more than any reading", p.payload.len()));
            self.taken.acknowledge_unread(p);
            return Ok(());
        }
        if p.retain && !subscription.own_time {
            // Kept by the broker since nobody knows when: no reading of now.
            tracing::debug!(source = %self.broker.name, "a retained reading of {} is left out", p.topic);
            self.taken.acknowledge_unread(p);
            return Ok(());
        }
        let now_ns = self.way.clock.now().mono_ns;
        let kept = p.qos == QoS::AtLeastOnce && self.burst.is_kept(self.taken.waiting(), Instant::now());
        // When it was published, where that was not just now.
        let since = match self.taken.before(&p) {
            Before::Known => {
                Tally::count(&self.way.tally.again, 1);
                return Ok(());
            }
            Before::Dropped(came) => Some(came),
            Before::New if p.qos == QoS::AtLeastOnce && !kept => self.footing.straggler(Instant::now()),
            Before::New => None,
        };
        let mut inputs = self.read(&subscription, &p);
        if inputs.is_empty() {
            self.taken.acknowledge_unread(p);
            return Ok(());
        }
        // Any of them may be refused, or find no room, by itself.
        if p.qos == QoS::AtLeastOnce {
            let shares = self.taken.receipt(p, since.unwrap_or(now_ns)).shared(inputs.len());
            inputs.iter_mut().zip(shares).for_each(|(input, share)| input.receipt = Some(share));
        }
        let waited = match since {
            Some(since) => Taken::Ago(now_ns.saturating_sub(since)),
            None if kept => Taken::Sometime,
            None => Taken::OnArrival,
        };
        for mut input in inputs {
            if input.taken == Taken::OnArrival {
                input.taken = waited;
                self.tell_kept(&input);
            }
            self.way.send_async(input).await.map_err(|g| g.to_string())?;
        }
        Ok(())
    }

    /// Said once a connection.
    fn tell_kept(&mut self, input: &Input) {
        let kept = input.taken == Taken::Sometime && matches!(input.what, Incoming::Reading(_));
        if kept && !std::mem::replace(&mut self.told_kept, true) {
            let name = &self.broker.name;
            tracing::info!(source = %name, "{name}: the broker had kept readings without a time of their own; they are recorded, and not taken for numbers of now");
        }
    }

    fn read(&mut self, subscription: &Subscription, p: &Publish) -> Vec<Input> {
        let mut inputs = Vec::new();
        for one in subscription.payload.read(&p.payload) {
            let said = match one {
                Ok(Told::Value(said)) => said,
                // The broker gives what it retains anew at each connection.
                Ok(Told::Mark { .. }) if p.retain => continue,
                Ok(Told::Mark { mark, wall_ns }) => {
                    inputs.extend(self.way.mark(mark, wall_ns.filter(|_| subscription.own_time)));
                    continue;
                }
                Err(e) => {
                    self.refuse(p, &e);
                    continue;
                }
            };
            let by_topic = subscription.topic.probe_of(&p.topic).map(Name::from);
            let Some(probe) = said.probe.or(by_topic).or_else(|| subscription.probe.clone()) else {
                let why = "it does not say whose reading it is; add probe = \"NAME\" to its subscription, or {probe} to the topic";
                self.refuse(p, &why);
                continue;
            };
            let Some(reading) = self.way.reading(&probe, said.kettle, &said.raw) else { continue };
            let taken = self.way.own_time(&probe, said.wall_ns.filter(|_| subscription.own_time));
            inputs.push(Input { what: Incoming::Reading(reading), taken, receipt: None });
        }
        inputs
    }

    /// Counted each time, and told once a topic.
    fn refuse(&mut self, p: &Publish, why: &dyn std::fmt::Display) {
        Tally::count(&self.way.tally.refused, 1);
        let name = &self.broker.name;
        if !self.refused.contains(&p.topic) && self.refused.len() < MOST_TOLD {
            self.refused.insert(p.topic.clone());
            let (topic, shown) = (short(&p.topic), quoted(&p.payload));
            tracing::warn!(source = %name, "{name}: a message of {topic} is refused, {shown}: {why}. Told once a topic; every one is counted");
        }
    }

    /// Says that we are going, and lets the last acknowledgements out.
    async fn farewell(&mut self, mut events: EventLoop) {
        if !self.up {
            return;
        }
        if self.footing.is_afloat() {
            // What comes while we are away is to wait for us.
            self.subscribe(false);
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

fn qos(n: u8) -> QoS {
    if n == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce }
}
