//! What was said, in files: `{ say = "said-too-hot", now = 42.3, wanted = 41.0 }`.
//!
//! The engine's type has no form on disk of its own; this is it.

use std::collections::BTreeMap;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::engine::said::{Fact, Said};

#[derive(Serialize, Deserialize)]
struct Kept {
    say: String,
    #[serde(flatten)]
    values: BTreeMap<String, KeptFact>,
}

#[derive(Serialize, Deserialize)]
#[serde(untagged)]
enum KeptFact {
    Number(f64),
    Word(String),
}

impl Serialize for Said {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        let fact = |f: &Fact| match f {
            Fact::Number(n) => KeptFact::Number(*n),
            Fact::Word(w) => KeptFact::Word(w.clone()),
        };
        let values = self.values.iter().map(|(name, f)| (name.clone(), fact(f))).collect();
        Kept { say: self.key.clone(), values }.serialize(s)
    }
}

impl<'de> Deserialize<'de> for Said {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let kept = Kept::deserialize(d)?;
        let fact = |f| match f {
            KeptFact::Number(n) => Fact::Number(n),
            KeptFact::Word(w) => Fact::Word(w),
        };
        Ok(Self { key: kept.say, values: kept.values.into_iter().map(|(n, f)| (n, fact(f))).collect() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_said_comes_back_from_toml_and_json() {
        #[derive(Serialize, Deserialize, PartialEq, Debug)]
        struct Alarm {
            said: Vec<Said>,
        }
        let said = Said::of("said-too-hot").number("now", 42.3).number("wanted", 41.0).word("why", "7");
        let alarm = Alarm { said: vec![said, Said::of("said-over-do")] };
        let text = toml::to_string(&alarm).unwrap();
        assert_eq!(toml::from_str::<Alarm>(&text).unwrap(), alarm, "{text}");
        let text = serde_json::to_string(&alarm).unwrap();
        assert_eq!(
            text,
            r#"{"said":[{"say":"said-too-hot","now":42.3,"wanted":41.0,"why":"7"},{"say":"said-over-do"}]}"#
        );
        assert_eq!(serde_json::from_str::<Alarm>(&text).unwrap(), alarm);
    }
}
