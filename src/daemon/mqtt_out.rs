//! What goes out at a broker, under the configured prefix:
//!
//! | topic | what | retained |
//! | --- | --- | --- |
//! | `PREFIX/status` | `online` or, by the will, `offline` | yes |
//! | `PREFIX/KETTLE/stage` | the last stage event | yes |
//! | `PREFIX/KETTLE/alarm/ALARM` | the alarm's last change | yes |
//! | `PREFIX/KETTLE/forecast` | the forecast | no |
//! | `PREFIX/KETTLE/make` | the whole make when it ends | yes |
//! | `PREFIX/KETTLE/health` | the probe's health | yes |
//! | `PREFIX/KETTLE/reading` | the latest reading, once a second | no |
//! | `PREFIX/KETTLE/lot` | a lot opened or closed | yes |
//!
//! Payloads are the JSON events of the replay filter, with `age_s` in a reading and
//! `words` in an alarm: its text in the dairy's language. A reading that a broker kept
//! would be shown with the age it had, when nobody reads the probe any more.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use rumqttc::{AsyncClient, QoS};
use tokio::sync::broadcast::error::RecvError;
use tokio_util::sync::CancellationToken;

use super::outlet::{Feed, LotNews, News, Snapshot};
use crate::engine::effect::{AlarmChange, Conclusion, Effect};
use crate::engine::event::Name;
use crate::wire::json;
use crate::words::Words;

/// Where it is said whether the daemon is there.
pub fn status_topic(under: &str) -> String {
    format!("{under}/status")
}

/// Publishes news and readings while there is a connection.
#[derive(Debug)]
pub struct Publisher {
    under: String,
    client: AsyncClient,
    /// Odd while there is a connection.
    generation: Arc<AtomicU64>,
    /// The retained topics and their last payload: said again to a broker
    /// that came back and may have forgotten.
    last: BTreeMap<String, String>,
    /// The connection that all of them were to be said again in, and which still are.
    said_in: u64,
    owed: BTreeSet<String>,
    words: &'static Words,
}

impl Publisher {
    /// Publishes under that prefix; `words` is the language beside the alarms'
    /// own text.
    pub fn new(under: &str, client: AsyncClient, generation: Arc<AtomicU64>, words: &'static Words) -> Self {
        Self {
            under: under.into(),
            client,
            generation,
            last: BTreeMap::new(),
            said_in: 0,
            owed: BTreeSet::new(),
            words,
        }
    }

    /// Runs until `stop` is cancelled or the daemon's news end.
    pub async fn run(mut self, mut feed: Feed, stop: CancellationToken) {
        let mut news = feed.news.subscribe();
        loop {
            tokio::select! {
                () = stop.cancelled() => return,
                one = news.recv() => match one {
                    Ok(one) => self.news(&one),
                    Err(RecvError::Lagged(lost)) => tracing::warn!("the broker missed {lost} news"),
                    Err(RecvError::Closed) => return,
                },
                changed = feed.snapshot.changed() => {
                    if changed.is_err() {
                        return;
                    }
                    let shown = feed.snapshot.borrow_and_update().clone();
                    self.readings(&shown);
                }
            }
        }
    }

    fn news(&mut self, news: &News) {
        match news {
            News::Effect(effect) => {
                let Some(mut payload) = json::event(effect) else { return };
                if let Conclusion::Alarm(alarm) = &effect.what {
                    in_words(&mut payload, alarm, self.words);
                }
                let retained = !matches!(effect.what, Conclusion::Forecast(_) | Conclusion::Remark(_));
                if let Some(level) = level(effect) {
                    self.publish(&effect.kettle, &level, payload, retained);
                }
            }
            News::Lot(lot) => self.publish(&lot.kettle, "lot", lot_payload(lot), true),
            News::Marked(..) => {}
        }
    }

    fn readings(&mut self, shown: &Snapshot) {
        for k in &shown.view.kettles {
            let mut payload = json::reading(Some(shown.wall_ns), &k.probe, Some(k));
            if let (Some(age_s), Some('}')) = (k.age_s, payload.pop()) {
                // Writing to a string cannot fail.
                let _ = write!(payload, ",\"age_s\":{age_s:.1}}}");
            } else {
                payload.push('}');
            }
            let topic = self.topic(&k.kettle, "reading");
            if self.is_connected() {
                let _ = self.client.try_publish(topic, QoS::AtMostOnce, false, payload);
            }
        }
        self.say_again();
    }

    fn publish(&mut self, kettle: &Name, level: &str, payload: String, retained: bool) {
        let topic = self.topic(kettle, level);
        if retained {
            self.last.insert(topic.clone(), payload.clone());
        }
        if self.is_connected()
            && self.client.try_publish(&topic, QoS::AtLeastOnce, retained, payload).is_err()
        {
            // The queue is full: what is retained is said again later.
            self.owed.extend(retained.then_some(topic));
        }
    }

    /// After a new connection: everything retained once more, as far as the queue takes
    /// it; the rest the next time.
    fn say_again(&mut self) {
        if !self.is_connected() {
            return;
        }
        let now = self.generation.load(Ordering::SeqCst);
        if self.said_in != now {
            self.said_in = now;
            self.owed = self.last.keys().cloned().collect();
        }
        while let Some(topic) = self.owed.pop_first() {
            let Some(payload) = self.last.get(&topic) else { continue };
            if self.client.try_publish(&topic, QoS::AtLeastOnce, true, payload.as_str()).is_err() {
                self.owed.insert(topic);
                return;
            }
        }
    }

    fn is_connected(&self) -> bool {
        self.generation.load(Ordering::SeqCst) % 2 == 1
    }

    fn topic(&self, kettle: &str, level: &str) -> String {
        // What concerns the house as a whole has no kettle.
        let kettle = if kettle.is_empty() { "house" } else { kettle };
        let plain: String =
            kettle.chars().map(|c| if "/+#".contains(c) || c.is_control() { '_' } else { c }).collect();
        format!("{}/{plain}/{level}", self.under)
    }
}

fn level(effect: &Effect) -> Option<String> {
    Some(match &effect.what {
        Conclusion::Stage(_) => "stage".into(),
        Conclusion::Alarm(a) => format!("alarm/{}", a.alarm.name()),
        Conclusion::Forecast(_) => "forecast".into(),
        Conclusion::Health(_) => "health".into(),
        Conclusion::Make(_) => "make".into(),
        Conclusion::MakeBegan | Conclusion::Remark(_) | Conclusion::Learned(_) => return None,
    })
}

/// Beside the record's text the same in the dairy's language.
fn in_words(payload: &mut String, alarm: &AlarmChange, words: &Words) {
    if !alarm.said.is_empty() && payload.pop() == Some('}') {
        let said = serde_json::Value::from(words.tell(&alarm.said));
        // Writing to a string cannot fail.
        let _ = write!(payload, ",\"words\":{said}}}");
    }
}

fn lot_payload(lot: &LotNews) -> String {
    serde_json::json!({ "kind": "lot", "kettle": &*lot.kettle, "id": lot.id, "closed": lot.closed })
        .to_string()
}

#[cfg(test)]
mod tests {
    use rumqttc::{MqttOptions, Request};

    use super::*;

    /// With more topics than the queue holds it began again with the first one each second,
    /// and the last ones were never said.
    #[test]
    fn what_the_queue_has_no_room_for_is_said_the_next_time() {
        let (client, mut events) = rumqttc::AsyncClient::new(MqttOptions::new("t", "127.0.0.1", 1), 10);
        let generation = Arc::new(AtomicU64::new(1));
        let mut out = Publisher::new("curdtrace", client, generation.clone(), Words::of("en"));
        let kettles: Vec<Name> = (0..35).map(|n| Name::from(format!("kettle {n:02}").as_str())).collect();
        for k in &kettles {
            out.publish(k, "stage", "{}".into(), true);
        }
        for connection in [1, 3] {
            generation.store(connection, Ordering::SeqCst);
            let mut said = Vec::new();
            for _ in 0..6 {
                out.say_again();
                // The connection takes what the queue holds.
                events.clean();
                said.extend(events.pending.drain(..).filter_map(|r| match r {
                    Request::Publish(p) => Some(p.topic),
                    _ => None,
                }));
            }
            let wanted: BTreeSet<String> = kettles.iter().map(|k| out.topic(k, "stage")).collect();
            assert_eq!(said.iter().cloned().collect::<BTreeSet<_>>(), wanted, "connection {connection}");
            assert!(said.len() <= 45, "each once, but for what was news: {}", said.len());
            out.say_again();
            events.clean();
            assert!(events.pending.is_empty(), "all is said");
        }
    }
}
