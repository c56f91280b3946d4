//! Entering and correcting what a person knows of a lot. Pure.
//!
//! A field that is empty takes a value without a word. One that has a value
//! takes a new one only with who and why, and the old value stays in a
//! [`Correction`]. On a closed lot even an empty field wants a name.

use toml::{Table, Value};

use super::at::At;
use super::record::{Correction, Record};

/// What a person may enter: the field, and how it reads to a person.
pub const FIELDS: [(&str, &str); 21] = [
    ("product", "the cheese"),
    ("mother", "the lot whose whey it is made of"),
    ("score", "the maker's score, 0 to 10"),
    ("note", "free words"),
    ("people.maker", "who made it"),
    ("people.helpers", "who helped"),
    ("milk.litres", "milk, L"),
    ("milk.source", "whose milk"),
    ("milk.celsius-in", "milk when it came in, °C"),
    ("milk.oldest-hours", "age of the oldest milking, h"),
    ("milk.acidity-sh", "acidity, °SH"),
    ("milk.inhibitors", "inhibitor test"),
    ("culture.name", "culture"),
    ("culture.lot", "culture's lot"),
    ("culture.dose", "culture's dose"),
    ("rennet.name", "rennet"),
    ("rennet.lot", "rennet's lot"),
    ("rennet.dose-ml", "rennet's dose, mL"),
    ("rennet.strength", "rennet's strength"),
    ("rennet.dilution", "rennet's dilution"),
    ("kettle", "the kettle"),
];

/// Why a field was entered where nobody says why and the lot was closed.
pub const AFTER_CLOSING: &str = "entered after closing";

/// Why a field changed where a person took over a lot that milk had opened.
pub const TAKEN_OVER: &str = "entered when the lot was taken over";

/// Why a stretch came to a closed lot.
pub const ATTACHED_LATE: &str = "attached after closing";

/// Who changes a field, when and why.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Author {
    /// Who.
    pub by: Option<String>,
    /// When.
    pub at: At,
    /// Why.
    pub reason: Option<String>,
}

/// A field that cannot be set.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CorrectError {
    /// No such field.
    #[error("a lot has no field {0:?} to enter; fields are {list}", list = FIELDS.map(|f| f.0).join(", "))]
    Field(String),
    /// A value of the wrong kind.
    #[error("{field} cannot be {value:?}: {why}")]
    Value {
        /// The field.
        field: String,
        /// What was given.
        value: String,
        /// Why not.
        why: String,
    },
    /// The lot is closed, and nobody says who enters it.
    #[error("lot {lot} is closed; say who enters {field}: --by NAME")]
    Author {
        /// The field.
        field: String,
        /// The lot.
        lot: String,
    },
    /// The field stands already, so that it is a correction.
    #[error(
        "{field} of {lot} stands already as {old}; correct it with who and why: \
         curdtrace lot correct {lot} {field}=… --by NAME --reason TEXT"
    )]
    Reason {
        /// The field.
        field: String,
        /// The lot.
        lot: String,
        /// What stands there.
        old: String,
    },
}

/// Sets one field. `true` where anything changed.
///
/// # Errors
/// [`CorrectError`]; the record is then as before.
///
/// ```
/// use curdtrace::lot::correct::{Author, set};
/// use curdtrace::lot::record::Record;
/// let mut lot = Record::default();
/// set(&mut lot, "rennet.dose-ml", "32", &Author::default()).unwrap();
/// assert_eq!(lot.rennet.dose_ml, Some(32.0));
/// // It stands already: who and why are wanted.
/// assert!(set(&mut lot, "rennet.dose-ml", "35", &Author::default()).is_err());
/// ```
pub fn set(record: &mut Record, field: &str, value: &str, author: &Author) -> Result<bool, CorrectError> {
    if !FIELDS.iter().any(|f| f.0 == field) {
        return Err(CorrectError::Field(field.into()));
    }
    let bad = |why: String| CorrectError::Value { field: field.into(), value: value.into(), why };
    let mut table = Table::try_from(&*record).map_err(|e| bad(e.to_string()))?;
    let old = at(&table, field).cloned();
    let parsed = meant(field, value).map_err(&bad)?;
    if old.as_ref() == Some(&parsed) {
        return Ok(false);
    }
    let stood = old.as_ref().is_some_and(|v| v.as_str() != Some(""));
    put(&mut table, field, parsed.clone());
    let mut changed: Record = table.try_into().map_err(|e: toml::de::Error| bad(e.message().into()))?;
    if stood || record.is_closed() {
        let late = (!stood).then(|| AFTER_CLOSING.to_owned());
        let (Some(by), Some(reason)) = (&author.by, author.reason.clone().or(late)) else {
            let (field, lot) = (field.into(), record.lot.clone());
            return Err(match old.filter(|_| stood) {
                Some(old) => CorrectError::Reason { field, lot, old: old.to_string() },
                None => CorrectError::Author { field, lot },
            });
        };
        changed.corrections.push(Correction {
            field: field.into(),
            old: old.map(|v| v.to_string()).unwrap_or_default(),
            new: parsed.to_string(),
            by: by.clone(),
            at: author.at,
            reason,
        });
    }
    *record = changed;
    Ok(true)
}

/// The value as its field wants it: a number for a unit, else words.
fn meant(field: &str, value: &str) -> Result<Value, String> {
    let numeric =
        ["score", "milk.litres", "milk.celsius-in", "milk.oldest-hours", "milk.acidity-sh", "rennet.dose-ml"];
    if !numeric.contains(&field) {
        return Ok(Value::String(value.trim().into()));
    }
    let number: f64 = value
        .trim()
        .replace(',', ".")
        .parse()
        .map_err(|_| String::from("a number is wanted, such as 32.5"))?;
    let good = match field {
        "score" => 0.0..=10.0,
        "milk.celsius-in" => -1.0..=100.0,
        "milk.litres" => 0.0..=50_000.0,
        _ => 0.0..=100_000.0,
    };
    if !good.contains(&number) {
        return Err(format!("it lies between {} and {}", good.start(), good.end()));
    }
    Ok(Value::Float(number))
}

fn at<'a>(table: &'a Table, field: &str) -> Option<&'a Value> {
    match field.split_once('.') {
        None => table.get(field),
        Some((group, name)) => table.get(group)?.as_table()?.get(name),
    }
}

fn put(table: &mut Table, field: &str, value: Value) {
    match field.split_once('.') {
        None => {
            table.insert(field.into(), value);
        }
        Some((group, name)) => {
            if let Some(inner) =
                table.entry(group).or_insert_with(|| Value::Table(Table::new())).as_table_mut()
            {
                inner.insert(name.into(), value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ada() -> Author {
        Author { by: Some("ada".into()), at: At(5), reason: Some("misread the cup".into()) }
    }

    #[test]
    fn a_correction_keeps_the_old_value() {
        let mut lot = Record { lot: "x".into(), closed: Some(At(1)), ..Record::default() };
        lot.rennet.dose_ml = Some(32.0);
        assert!(set(&mut lot, "rennet.dose-ml", "35,5", &ada()).unwrap());
        assert_eq!(lot.rennet.dose_ml, Some(35.5));
        let c = &lot.corrections[0];
        assert_eq!((c.old.as_str(), c.new.as_str(), c.by.as_str()), ("32.0", "35.5", "ada"));
        // The same again is no correction.
        assert!(!set(&mut lot, "rennet.dose-ml", "35.5", &ada()).unwrap());
        assert_eq!(lot.corrections.len(), 1);
    }

    #[test]
    fn refusals_say_why_and_change_nothing() {
        for (field, value, says) in [
            ("rennet.doze", "3", "fields are product"),
            ("rennet.dose-ml", "much", "a number is wanted"),
            ("score", "11", "between 0 and 10"),
            ("rennet.lot", "R-18", "--reason"),
        ] {
            let mut lot = Record { lot: "x".into(), ..Record::default() };
            lot.rennet.lot = Some("R-17".into());
            let before = lot.clone();
            let e = set(&mut lot, field, value, &Author::default()).unwrap_err().to_string();
            assert!(e.contains(says), "{field}: {e}");
            assert_eq!(lot, before);
        }
    }

    #[test]
    fn every_field_that_may_be_entered_is_one() {
        for (field, _) in FIELDS {
            let mut lot = Record::default();
            set(&mut lot, field, "7", &Author::default()).unwrap();
            let again = Record::from_toml(&lot.to_toml().unwrap()).unwrap();
            assert_eq!(again, lot, "{field}");
            assert_ne!(again, Record::default(), "{field}: the value went nowhere");
        }
    }
}
