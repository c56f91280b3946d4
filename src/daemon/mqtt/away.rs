//! Why there is no connection to a broker, and what can be done.

use rumqttc::{ConnectReturnCode, ConnectionError};

use crate::config::source::Broker;

/// What kind of why: another one is worth another word.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Away {
    /// Nobody answers there.
    Unreached,
    /// The broker answers, and does not let us in.
    Refused,
}

/// Its kind, and in words with the remedy.
pub(super) fn of(broker: &Broker, why: &ConnectionError) -> (Away, String) {
    let at = format!("{}:{}", broker.host, broker.port);
    let ConnectionError::ConnectionRefused(code) = why else {
        let text = format!("no connection to {at} ({why}); start the broker, or mend host and port");
        return (Away::Unreached, text);
    };
    let remedy = match code {
        ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => {
            "mend user and password in the file that credentials names, or let this user in at the broker"
        }
        _ => "its own log says why",
    };
    (Away::Refused, format!("refused by the broker at {at} ({code:?}); {remedy}"))
}
