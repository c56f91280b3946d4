//! Messages that are larger than any reading.
//!
//! The client ends its connection at a packet above its limit, is sent the same one again
//! at the next, and would be deaf to the broker for good. So it lets in far more than any
//! reading has, and what is no reading is acknowledged unread. Beyond that limit too the
//! broker would send it again for as long as it keeps our session: after a few times that
//! is given up, with all that waits in it, and begun anew.

use rumqttc::{ConnectionError, EventLoop, StateError, mqttbytes};

use crate::config::source::Broker;

/// The largest packet let in, bytes. A broker has some twenty of them on their way at most,
/// and they have to find room in memory.
pub(super) const LARGEST_LET_IN: usize = 4 << 20;

/// The largest message that is read, bytes: a box's hours in line protocol.
pub(super) const LARGEST_READ: usize = 256 << 10;

/// So many connections in a row may end at such a packet; each time the session was given
/// up twice as many, since one that is retained comes again all the same.
const FIRST_PATIENCE: u32 = 3;

/// Connections in a row that ended at a packet beyond the limit.
#[derive(Debug)]
pub(super) struct Oversize {
    broker: String,
    is_session_kept: bool,
    in_a_row: u32,
    patience: u32,
}

impl Oversize {
    /// None yet.
    pub(super) fn at(broker: &Broker) -> Self {
        let is_session_kept = broker.session_kept && !broker.client_id.is_empty();
        Self { broker: broker.name.to_string(), is_session_kept, in_a_row: 0, patience: FIRST_PATIENCE }
    }

    /// A connection ended so: where too many did, the next one is there for the broker to
    /// forget the session.
    pub(super) fn ended(&mut self, why: &ConnectionError, events: &mut EventLoop) {
        self.in_a_row = if is_oversize(why) { self.in_a_row + 1 } else { 0 };
        if self.is_session_kept && self.in_a_row == self.patience {
            let (name, most) = (&self.broker, LARGEST_LET_IN >> 20);
            tracing::error!(source = %name, "{name}: the broker sends a message of more than {most} MiB, again and again; all that waits there for us is given up with it. Look who publishes it under what is subscribed to, and take it away where it is retained");
            events.mqtt_options.set_clean_session(true);
        }
    }

    /// At a new connection: whether it was there for the broker to forget the session only.
    /// The next one begins it anew.
    pub(super) fn forgot(&mut self, events: &mut EventLoop) -> bool {
        let forgot = self.is_session_kept && events.mqtt_options.clean_session();
        if forgot {
            (self.in_a_row, self.patience) = (0, self.patience.saturating_mul(2));
            events.mqtt_options.set_clean_session(false);
            events.clean();
        }
        forgot
    }
}

/// Whether a connection ended at a packet beyond the limit.
fn is_oversize(why: &ConnectionError) -> bool {
    let ConnectionError::MqttState(StateError::Deserialization(e)) = why else { return false };
    matches!(e, mqttbytes::Error::PayloadSizeLimitExceeded(_))
}
