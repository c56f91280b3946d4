//! How a connection to a broker is made.

use std::time::Duration;

use rumqttc::{LastWill, MqttOptions, QoS};

use super::oversize::LARGEST_LET_IN;
use crate::config::source::Broker;
use crate::config::{credentials, fault};
use crate::daemon::mqtt_out;
use crate::daemon::outlet::OutletError;

/// The largest packet sent, bytes. A whole make's event is larger than the client's own
/// limit of 10 KiB.
const LARGEST_SENT: usize = 256 << 10;

/// Options that the client takes without a panic: the configuration has been
/// checked for an id and a keep-alive of two seconds or more.
pub(super) fn of(broker: &Broker) -> Result<MqttOptions, OutletError> {
    let mut o = MqttOptions::new(broker.client_id.as_str(), broker.host.as_str(), broker.port);
    o.set_keep_alive(Duration::from_secs(broker.keep_alive_s.max(2).into()));
    o.set_clean_session(!broker.session_kept || broker.client_id.is_empty());
    o.set_manual_acks(true);
    o.set_max_packet_size(LARGEST_LET_IN, LARGEST_SENT);
    if let Some(under) = &broker.publish_under {
        o.set_last_will(LastWill::new(mqtt_out::status_topic(under), "offline", QoS::AtLeastOnce, true));
    }
    if let Some(path) = &broker.credentials {
        let c = credentials::read(path).map_err(|f| fault::listed(&f))?;
        o.set_credentials(c.user, c.password);
    }
    Ok(o)
}
