//! From what is said as data to words.
//!
//! A value's name gives the form it is written in:
//!
//! | name | written as |
//! | --- | --- |
//! | `now`, else `age` | °C with one decimal, or for how long there has been no number |
//! | `wanted` | °C with one decimal, or "the target" where there is none |
//! | `pace` | of `rate`, `planned`, `now`: how fast it warms |
//! | `celsius`, `low`, `high`, `peak`, `boils`, `logs`, `hours` | one decimal |
//! | `off` | two decimals and a sign |
//! | `min` | whole |
//! | `lasting` | seconds as a person says them |
//! | `time` | seconds, in the unit that is nearest |
//! | `stage`, `stages`, `health`, `reason` | the language's words for these names |
//! | any other | a figure as it is, words as they came |

use super::{Words, why};
use crate::engine::said::{Fact, Said, spoken};

impl Words {
    /// Some sentences, one after the other.
    ///
    /// ```
    /// use curdtrace::engine::said::Said;
    /// use curdtrace::words::Words;
    /// let said = [Said::of("said-at-target").number("now", 41.2).number("wanted", 41.0)];
    /// assert_eq!(Words::of("en").tell(&said), "Reached: 41.2 °C, 41.0 °C wanted.");
    /// assert!(Words::of("it").tell(&said).contains("41,2 °C"));
    /// ```
    pub fn tell(&self, said: &[Said]) -> String {
        said.iter().map(|s| self.tell_one(s)).collect::<Vec<_>>().join(" ")
    }

    /// Parts of one sentence.
    pub fn tell_parts(&self, said: &[Said]) -> String {
        said.iter().map(|s| self.tell_one(s)).collect::<Vec<_>>().join(", ")
    }

    /// One sentence, or part of one.
    pub fn tell_one(&self, said: &Said) -> String {
        let mut values: Vec<(&str, String)> =
            said.values.iter().map(|(name, fact)| (name.as_str(), self.fact(name, fact))).collect();
        let has = |name: &str| said.values.contains_key(name);
        if !has("now") && has("age") {
            let age = values.iter().find(|v| v.0 == "age").map(|v| v.1.clone()).unwrap_or_default();
            values.push(("now", self.say("said-no-number", &[("lasting", &age)])));
        }
        if !has("wanted") {
            values.push(("wanted", self.word("said-the-target")));
        }
        let pace = {
            let known: Vec<(&str, &str)> = values.iter().map(|(n, v)| (*n, v.as_str())).collect();
            match (has("rate"), has("planned")) {
                (true, true) => self.say("said-pace-planned", &known),
                (true, false) => self.say("said-pace", &known),
                _ => values.iter().find(|v| v.0 == "now").map(|v| v.1.clone()).unwrap_or_default(),
            }
        };
        values.push(("pace", pace));
        let values: Vec<(&str, &str)> = values.iter().map(|(n, v)| (*n, v.as_str())).collect();
        self.say(&said.key, &values)
    }

    fn fact(&self, name: &str, fact: &Fact) -> String {
        match fact {
            Fact::Number(x) => self.form(name, *x),
            Fact::Word(w) => match name {
                "stages" => w.split(", ").map(|s| self.stage_in_a_sentence(s)).collect::<Vec<_>>().join(", "),
                "stage" => self.stage_in_a_sentence(w),
                // English keeps the record's own words: they say more.
                _ if self.code() == "en" => w.clone(),
                "health" => self.one_of("health", w),
                "reason" => self.reason(w),
                _ => w.clone(),
            },
        }
    }

    fn form(&self, name: &str, x: f64) -> String {
        match name {
            "now" | "wanted" => format!("{} °C", self.number(x, 1)),
            "celsius" | "low" | "high" | "peak" | "boils" | "logs" | "hours" => self.number(x, 1),
            "rate" | "planned" => self.number(x, 2),
            "off" => self.signed(x, 2),
            "min" => self.number(x, 0),
            "lasting" | "age" => spoken(x),
            "time" => self.time(x),
            _ => self.figure(x),
        }
    }

    /// English says a stage's name in a sentence as the trade does; others quote
    /// the word that stands on the page.
    fn stage_in_a_sentence(&self, name: &str) -> String {
        if self.code() == "en" { name.replace('-', " ") } else { self.one_of("stage", name) }
    }

    /// Why a number is not to be trusted: this language's few words, else as it
    /// came.
    pub fn reason(&self, reason: &str) -> String {
        match why::key(reason) {
            Some(key) if self.code() != "en" => self.word(key),
            _ => reason.to_owned(),
        }
    }

    /// Seconds in the unit that is nearest.
    ///
    /// ```
    /// use curdtrace::words::Words;
    /// assert_eq!([0.05, 90.0, 600.0].map(|s| Words::of("en").time(s)), ["0.05 s", "90 s", "10 min"]);
    /// assert_eq!(Words::of("fr").time(9000.0), "2,5 h");
    /// assert_eq!([0.25868966536812055, 0.0, 1.5].map(|s| Words::of("en").time(s)), ["0.259 s", "0 s", "1.5 s"]);
    /// ```
    pub fn time(&self, s: f64) -> String {
        match s {
            // Three figures say all that a person wants of it.
            s if s > 0.0 && s < 1.0 => {
                let scale = 10f64.powi(2 - s.log10().floor() as i32);
                format!("{} s", self.figure((s * scale).round() / scale))
            }
            s if s < 10.0 => format!("{} s", self.short(s, 1)),
            s if s < 120.0 => format!("{s:.0} s"),
            s if s < 7200.0 => format!("{:.0} min", s / 60.0),
            s => format!("{} h", self.number(s / 3600.0, 1)),
        }
    }
}
