//! The messages that were taken in: which come again, what became of them, and
//! their acknowledgements.
//!
//! Terms: a *generation* is one connection. Packet ids mean something within
//! their generation only, so that an acknowledgement of an older one is never
//! sent: the broker sends the message again, and it is known again.

use std::collections::{BTreeMap, VecDeque};
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use rumqttc::{AsyncClient, Publish, QoS};
use tokio::sync::mpsc;
use tokio::time::Instant;

use crate::daemon::input::{Fate, Receipt};

/// How many messages are remembered, to know what comes again. Fewer than the
/// packet ids there are, so that an id used anew is not taken for the old one.
const REMEMBERED: usize = 1024;

/// Where the request queue is full, so long until it is looked at again.
const QUEUE_FULL: Duration = Duration::from_millis(20);

/// One acknowledgement that is due.
pub(super) struct Due {
    generation: u64,
    publish: Publish,
}

/// Sends acknowledgements of the running generation.
pub(super) async fn acknowledge(
    client: AsyncClient,
    mut due: mpsc::UnboundedReceiver<Due>,
    generation: Arc<AtomicU64>,
) {
    while let Some(d) = due.recv().await {
        // No await stands between the look and the request: a generation
        // cannot end in between on this one-threaded runtime.
        while generation.load(Ordering::SeqCst) == d.generation && client.try_ack(&d.publish).is_err() {
            tokio::time::sleep(QUEUE_FULL).await;
        }
    }
}

/// Whether a message was here before.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Before {
    /// No.
    New,
    /// Yes; it is acknowledged now where it is synced, and else when it will be.
    Known,
    /// Yes, and it could not be kept. It came first at that moment, monotonic
    /// nanoseconds.
    Dropped(u64),
}

/// The messages of one broker.
pub(super) struct TakenIn {
    generation: Arc<AtomicU64>,
    acks: mpsc::UnboundedSender<Due>,
    /// By packet id: what was taken in of late.
    taken: BTreeMap<u16, Taken>,
    order: VecDeque<u16>,
    last_id: u64,
    unsynced: Arc<Mutex<Unsynced>>,
}

/// A message that was taken in.
struct Taken {
    fingerprint: u64,
    /// Monotonic nanoseconds: the wall clock may be set until it comes again.
    came: u64,
    state: Arc<Mutex<State>>,
}

enum State {
    /// Its acknowledgement, until it is synced.
    Waiting(Due),
    Kept,
    Dropped,
}

/// What waits to be synced.
#[derive(Default)]
struct Unsynced {
    since: BTreeMap<u64, Instant>,
    /// Something could not be kept, and the broker waits for its
    /// acknowledgement.
    dropped: bool,
}

impl TakenIn {
    pub(super) fn new(generation: Arc<AtomicU64>, acks: mpsc::UnboundedSender<Due>) -> Self {
        let (taken, order) = (BTreeMap::new(), VecDeque::new());
        Self { generation, acks, taken, order, last_id: 0, unsynced: Arc::default() }
    }

    /// Since when the oldest message waits to be synced.
    pub(super) fn waits_since(&self) -> Option<Instant> {
        locked(&self.unsynced).since.first_key_value().map(|(_, since)| *since)
    }

    /// How many wait to be synced.
    pub(super) fn waiting(&self) -> usize {
        locked(&self.unsynced).since.len()
    }

    /// Whether something could not be kept since this was asked last.
    pub(super) fn dropped(&self) -> bool {
        std::mem::take(&mut locked(&self.unsynced).dropped)
    }

    /// Nothing in it is to be kept; the broker must not send it again.
    pub(super) fn acknowledge_unread(&self, publish: Publish) {
        if publish.qos == QoS::AtLeastOnce {
            // The acker lives as long as the connection.
            let _ = self.acks.send(self.due(publish));
        }
    }

    fn due(&self, publish: Publish) -> Due {
        Due { generation: self.generation.load(Ordering::SeqCst), publish }
    }

    /// Whether the broker sends again what was taken in already.
    pub(super) fn before(&mut self, p: &Publish) -> Before {
        if !p.dup || p.qos != QoS::AtLeastOnce {
            return Before::New;
        }
        let Some(taken) = self.taken.get(&p.pkid).filter(|t| t.fingerprint == fingerprint(p)) else {
            return Before::New;
        };
        let due = self.due(p.clone());
        let mut state = locked(&taken.state);
        match *state {
            State::Waiting(_) => *state = State::Waiting(due),
            // The acker lives as long as the connection.
            State::Kept => _ = self.acks.send(due),
            State::Dropped => return Before::Dropped(taken.came),
        }
        Before::Known
    }

    /// The receipt of a message that came at that moment, monotonic nanoseconds.
    pub(super) fn receipt(&mut self, publish: Publish, came: u64) -> Receipt {
        let (pkid, fingerprint) = (publish.pkid, fingerprint(&publish));
        let state = Arc::new(Mutex::new(State::Waiting(self.due(publish))));
        self.taken.insert(pkid, Taken { fingerprint, came, state: state.clone() });
        self.order.push_back(pkid);
        if self.order.len() > REMEMBERED
            && let Some(oldest) = self.order.pop_front()
            && !self.order.contains(&oldest)
        {
            self.taken.remove(&oldest);
        }
        self.last_id += 1;
        let id = self.last_id;
        locked(&self.unsynced).since.insert(id, Instant::now());
        let (acks, unsynced) = (self.acks.clone(), self.unsynced.clone());
        Receipt::new(move |fate| {
            let was = std::mem::replace(
                &mut *locked(&state),
                if fate == Fate::Kept { State::Kept } else { State::Dropped },
            );
            let mut unsynced = locked(&unsynced);
            unsynced.since.remove(&id);
            unsynced.dropped |= fate == Fate::Dropped;
            if let (Fate::Kept, State::Waiting(due)) = (fate, was) {
                // A connection that has ended needs no acknowledgement.
                let _ = acks.send(due);
            }
        })
    }
}

fn locked<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

fn fingerprint(p: &Publish) -> u64 {
    let mut h = DefaultHasher::new();
    p.topic.hash(&mut h);
    p.payload.hash(&mut h);
    h.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(dup: bool) -> Publish {
        let mut p = Publish::new("t", QoS::AtLeastOnce, "34.5");
        (p.pkid, p.dup) = (7, dup);
        p
    }

    /// One that found no room in memory counted as taken in for ever.
    #[tokio::test]
    async fn a_message_that_could_not_be_kept_is_taken_in_when_it_comes_again() {
        let (acks, mut acked) = mpsc::unbounded_channel();
        let mut taken = TakenIn::new(Arc::default(), acks);
        assert_eq!(taken.before(&message(false)), Before::New);
        let receipt = taken.receipt(message(false), 55);
        assert!(taken.waits_since().is_some());
        assert_eq!(taken.before(&message(true)), Before::Known);
        drop(receipt);
        assert!(taken.waits_since().is_none() && taken.dropped() && !taken.dropped());
        assert_eq!(taken.before(&message(true)), Before::Dropped(55));
        let receipt = taken.receipt(message(true), 55);
        assert!(acked.try_recv().is_err(), "nothing is acknowledged that is not kept");
        receipt.kept();
        assert!(acked.try_recv().is_ok());
        assert_eq!(taken.before(&message(true)), Before::Known);
        assert!(acked.try_recv().is_ok(), "it is synced: acknowledged again at once");
        assert!(!taken.dropped());
    }
}
