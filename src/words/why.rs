//! Why a number is not to be trusted, in the maker's language.
//!
//! Duty: from the plain words that go into the record (English, long, with
//! figures) to the key of a few words that can be read from the kettle's other
//! side. Words of a foreign box have no key and are shown as they came.
//!
//! Invariant: whatever the engine and the sensors of this program say has a key
//! (the tests below walk through it).

/// How a reason begins, and the key of its few words.
const BEGINNINGS: [(&str, &str); 36] = [
    ("silent:", "why-silent"),
    ("no reading came", "why-no-reading"),
    ("the program was not running", "why-not-running"),
    ("the source gave no number", "why-none"),
    ("not a finite number", "why-none"),
    ("no answer:", "why-converter"),
    ("out of range", "why-range"),
    ("over range", "why-range"),
    ("under range", "why-range"),
    ("above the high limit", "why-range"),
    ("below the low limit", "why-range"),
    ("power-on value", "why-power-on"),
    ("spike:", "why-spike"),
    ("an old reading", "why-repeated"),
    ("frozen:", "why-frozen"),
    ("cold junction", "why-box-sensor"),
    ("no cold junction", "why-box-sensor"),
    ("polarity reversed", "why-reversed"),
    ("open circuit", "why-open"),
    ("short to", "why-short"),
    ("input voltage", "why-leak"),
    ("converter does not answer", "why-converter"),
    ("checksum wrong", "why-contact"),
    ("lifted out", "why-lifted"),
    ("just put in", "why-put-in"),
    ("jumps about", "why-contact"),
    ("touches the wall", "why-wall"),
    ("box hot", "why-box-hot"),
    ("box warms or cools", "why-box-drifting"),
    ("many readings lost", "why-lost"),
    ("answers ", "why-coated"),
    ("never calibrated", "probe-never"),
    ("calibration was due", "probe-due"),
    ("a calibration file", "why-calibration"),
    ("failure", "health-failure"),
    ("check-function", "health-check-function"),
];

/// The key of the few words, where there are some.
///
/// ```
/// use curdtrace::words::why;
/// assert_eq!(why::key("just put in: not settled yet"), Some("why-put-in"));
/// assert_eq!(why::key("battery at 12 %"), None);
/// ```
pub fn key(reason: &str) -> Option<&'static str> {
    BEGINNINGS.iter().find(|(begins, _)| reason.starts_with(begins)).map(|(_, key)| *key)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::probe::{Doubt, Missing};
    use crate::sensor::fault::{self, Fault};
    use crate::words::Words;

    #[test]
    fn whatever_is_said_here_has_few_words() {
        let missing = [
            Missing::NoNumber,
            Missing::NotFinite,
            Missing::OutOfRange,
            Missing::PowerOn,
            Missing::Spike,
            Missing::Repeated,
            Missing::Frozen,
            Missing::ColdJunctionFailed,
            Missing::Reversed,
            Missing::Silent,
        ];
        let doubts = [
            Doubt::Lifted,
            Doubt::PutIn,
            Doubt::BadContact,
            Doubt::Wall,
            Doubt::ColdJunctionHot(61),
            Doubt::ColdJunctionDrifting,
            Doubt::DropOuts,
            Doubt::Coated(25),
        ];
        let sensors = [
            fault::Missing::Checksum { sent: 1, computed: 2 },
            fault::Missing::PowerOn,
            fault::Missing::NoAnswer,
            fault::Missing::NoColdJunction,
            fault::Missing::NotFinite,
            fault::Missing::TwoTemperatures,
        ];
        let said = missing.iter().map(ToString::to_string);
        let said = said.chain(doubts.iter().map(ToString::to_string));
        let said = said.chain(Fault::ALL.iter().map(|f| f.reason().to_owned()));
        for reason in said.chain(sensors.iter().map(ToString::to_string)) {
            let key = key(&reason);
            assert!(key.is_some_and(|k| Words::of("en").messages().contains_key(k)), "{reason}: {key:?}");
        }
    }
}
