//! Topics with the probe's name in them: `dairy/{probe}/temperature` becomes
//! the filter to subscribe to, and a topic that arrives gives the name back.

/// The word that stands for the probe's name in a pattern.
const PLACE: &str = "{probe}";

/// A topic, with or without the probe's name in it.
///
/// ```
/// use curdtrace::wire::topic::TopicPattern;
/// let p = TopicPattern::parse("dairy/{probe}/temperature").unwrap();
/// assert_eq!(p.filter(), "dairy/+/temperature");
/// assert_eq!(p.probe_of("dairy/kettle/temperature"), Some("kettle"));
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TopicPattern {
    text: String,
    place: Option<usize>,
}

/// Why a text is no pattern.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TopicError {
    /// Empty, or an empty topic's level would hold the name.
    #[error("a topic is empty; write one such as dairy/{{probe}}/temperature")]
    Empty,
    /// A wildcard of MQTT.
    #[error("topic {0:?} holds + or #; write {{probe}} where the probe's name stands")]
    Wildcard(String),
    /// `{probe}` is only a part of a level, or stands twice.
    #[error("topic {0:?}: {{probe}} must fill one level between slashes, and only once")]
    Place(String),
    /// A character no topic may have, or too long.
    #[error("topic {0:?} holds a control character or is longer than 65535 bytes")]
    Text(String),
}

impl TopicPattern {
    /// Reads a pattern.
    ///
    /// # Errors
    /// [`TopicError`] says what is wrong and how to write it.
    pub fn parse(text: &str) -> Result<Self, TopicError> {
        if text.is_empty() {
            return Err(TopicError::Empty);
        }
        if text.len() > 65_535 || text.chars().any(char::is_control) {
            return Err(TopicError::Text(text.to_owned()));
        }
        if text.contains(['+', '#']) {
            return Err(TopicError::Wildcard(text.to_owned()));
        }
        let places: Vec<usize> =
            text.split('/').enumerate().filter(|(_, l)| *l == PLACE).map(|(i, _)| i).collect();
        if places.len() > 1 || text.matches(['{', '}']).count() != 2 * places.len() {
            return Err(TopicError::Place(text.to_owned()));
        }
        Ok(Self { text: text.to_owned(), place: places.first().copied() })
    }

    /// The topic filter to subscribe to.
    pub fn filter(&self) -> String {
        self.text.replace(PLACE, "+")
    }

    /// The topic of one probe, to publish to.
    pub fn topic_for(&self, probe: &str) -> String {
        self.text.replace(PLACE, probe)
    }

    /// Whether the probe's name stands in it.
    pub fn names_probe(&self) -> bool {
        self.place.is_some()
    }

    /// Whether `topic` is one of this pattern's.
    pub fn matches(&self, topic: &str) -> bool {
        if self.place.is_none() { topic == self.text } else { self.probe_of(topic).is_some() }
    }

    /// The probe's name in `topic`; `None` where the topic is another's, the
    /// name is empty, or the pattern has none.
    pub fn probe_of<'a>(&self, topic: &'a str) -> Option<&'a str> {
        let place = self.place?;
        let (mut mine, mut theirs) = (self.text.split('/'), topic.split('/'));
        let mut found = None;
        for i in 0.. {
            match (mine.next(), theirs.next()) {
                (None, None) => return found.filter(|name: &&str| !name.is_empty()),
                (Some(_), Some(name)) if i == place => found = Some(name),
                (Some(a), Some(b)) if a == b => {}
                _ => return None,
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_come_out_of_topics() {
        for (pattern, filter, topic, probe) in [
            ("dairy/{probe}/temperature", "dairy/+/temperature", "dairy/kettle/temperature", Some("kettle")),
            ("{probe}", "+", "vat 2", Some("vat 2")),
            ("{probe}/t", "+/t", "/t", None),
            ("/{probe}", "/+", "/a", Some("a")),
            ("dairy/{probe}/temperature", "dairy/+/temperature", "dairy/a/b/temperature", None),
            ("dairy/{probe}", "dairy/+", "dairy", None),
            ("dairy/{probe}", "dairy/+", "dairy/a/b", None),
            ("dairy/kettle", "dairy/kettle", "dairy/kettle", None),
        ] {
            let p = TopicPattern::parse(pattern).unwrap();
            assert_eq!(p.filter(), filter);
            assert_eq!(p.probe_of(topic), probe, "{pattern} {topic}");
        }
        let fixed = TopicPattern::parse("dairy/kettle").unwrap();
        assert!(fixed.matches("dairy/kettle") && !fixed.matches("dairy/other") && !fixed.names_probe());
        assert_eq!(TopicPattern::parse("a/{probe}").unwrap().topic_for("k"), "a/k");
    }

    #[test]
    fn refusals_say_the_remedy() {
        for (pattern, says) in [
            ("", "empty"),
            ("dairy/+/t", "write {probe}"),
            ("dairy/#", "write {probe}"),
            ("dairy/x{probe}/t", "one level"),
            ("{probe}/{probe}", "only once"),
            ("{kettle}/t", "one level"),
            ("a\nb", "control"),
        ] {
            let e = TopicPattern::parse(pattern).unwrap_err().to_string();
            assert!(e.contains(says), "{pattern}: {e}");
        }
    }
}
