//! Entering and correcting what a person knows of a lot. Pure.
//!
//! A field that is empty takes a value without a word. One that has a value
//! takes a new one only with who and why, and the old value stays in a
//! [`Correction`]. On a closed lot even an empty field wants a name. What a lot
//! has several of (wheels, milkings, pH) is added once, and its fields are
//! corrected like any other ([`LISTED`]). An empty value strikes what stands, a whole
//! wheel, milking or pH too.

use std::collections::BTreeMap;

use toml::{Table, Value};

use super::at::At;
use super::marks;
use super::record::{Correction, Entry, Record};
use crate::wire::figure::figure;
use crate::wire::name::{LONGEST, unfit};
use listed::Place;
pub use listed::{LISTED, none_such};

mod listed;

/// What a person may enter: the field, and how it reads to a person.
pub const FIELDS: [(&str, &str); 29] = [
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
    ("curd.firmness", "firmness at the first cut"),
    ("curd.whey-drawn-litres", "whey drawn, L"),
    ("curd.water-litres", "water added, L"),
    ("curd.water-celsius", "the water's temperature, °C"),
    ("curd.press-turns", "turned in the press"),
    ("curd.brine", "brine"),
    ("disposition", "what becomes of it"),
    ("thermometer", "thermometer's type and number"),
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
    #[error("a lot has no field {0:?} to enter; fields are {list}", list = fields())]
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
    /// None of several has that name, or that time.
    #[error("{field}: lot {lot} has no such {list}; it has {there}")]
    NoneSuch {
        /// The field.
        field: String,
        /// The lot.
        lot: String,
        /// Of what it has none such.
        list: &'static str,
        /// What there is.
        there: String,
    },
    /// There are several of that name or time.
    #[error("{field} could be several; say which: {there}")]
    Several {
        /// The field.
        field: String,
        /// When they were.
        there: String,
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

/// Sets one field, or strikes what stands there where `value` is empty. `true` where
/// anything changed.
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
/// let ada = Author { by: Some("ada".into()), reason: Some("mistyped".into()), ..Author::default() };
/// set(&mut lot, "rennet.dose-ml", "", &ada).unwrap();
/// assert_eq!((lot.rennet.dose_ml, lot.corrections[0].old.as_str()), (None, "32.0"));
/// ```
pub fn set(record: &mut Record, field: &str, value: &str, author: &Author) -> Result<bool, CorrectError> {
    if field.starts_with("mark.") {
        return marks::set(record, field, value, author);
    }
    let place = match Place::of(record, field) {
        _ if FIELDS.iter().any(|f| f.0 == field) => Place::Own(field.into()),
        Some(listed) => listed?,
        None => return Err(CorrectError::Field(field.into())),
    };
    let bad = |why: String| CorrectError::Value { field: field.into(), value: value.into(), why };
    let mut table = Table::try_from(&*record).map_err(|e| bad(e.to_string()))?;
    let old = place.value(&table).filter(|v| v.as_str() != Some("")).cloned();
    let parsed = meant(&place, value).map_err(&bad)?;
    if old == parsed {
        return Ok(false);
    }
    let stood = old.is_some();
    place.put(&mut table, parsed.clone());
    let mut changed: Record = table.try_into().map_err(|e: toml::de::Error| bad(e.message().into()))?;
    if changed.struck_ph.len() > record.struck_ph.len() {
        marks::strike_ph(&mut changed);
    }
    if stood || record.is_closed() {
        let late = (!stood).then(|| AFTER_CLOSING.to_owned());
        let (Some(by), Some(reason)) = (&author.by, author.reason.clone().or(late)) else {
            let (field, lot) = (field.into(), record.lot.clone());
            return Err(match old {
                Some(old) => CorrectError::Reason { field, lot, old: said(&old) },
                None => CorrectError::Author { field, lot },
            });
        };
        changed.corrections.push(Correction {
            field: field.into(),
            old: old.map(|v| v.to_string()).unwrap_or_default(),
            new: parsed.map(|v| v.to_string()).unwrap_or_default(),
            by: by.clone(),
            at: author.at,
            reason,
        });
    } else {
        note(&mut changed, author, field, parsed.as_ref());
    }
    *record = changed;
    Ok(true)
}

/// Notes who entered what stood empty.
pub(super) fn note(record: &mut Record, author: &Author, field: &str, value: Option<&Value>) {
    let value = value.map(Value::to_string).unwrap_or_default();
    record.entries.push(Entry { field: field.into(), value, by: author.by.clone(), at: author.at });
}

/// What stands of [`FIELDS`], as a person would write it; an empty field does not stand.
///
/// # Errors
/// A record that is no TOML.
pub fn entered(record: &Record) -> Result<BTreeMap<&'static str, String>, toml::ser::Error> {
    let table = Table::try_from(record)?;
    let stands = |field: &str| match Place::Own(field.into()).value(&table)? {
        Value::String(text) => (!text.is_empty()).then(|| text.clone()),
        other => Some(said(other)),
    };
    Ok(FIELDS.iter().filter_map(|(field, _)| Some((*field, stands(field)?))).collect())
}

/// A value as a person writes it: 85, not 85.0.
fn said(value: &Value) -> String {
    match value {
        Value::Float(number) => number.to_string(),
        Value::String(text) => format!("{text:?}"),
        other => other.to_string(),
    }
}

/// The fields, for messages.
pub fn fields() -> String {
    let own = FIELDS.iter().map(|f| f.0);
    own.chain(LISTED.iter().map(|f| f.0)).collect::<Vec<_>>().join(", ")
}

/// The value as its field wants it: a number for a unit, else words; none strikes it.
fn meant(place: &Place, value: &str) -> Result<Option<Value>, String> {
    let (text, kind) = (value.trim(), place.kind());
    let kind = kind.as_str();
    if kind == "kettle"
        && let Some(why) = unfit(text)
    {
        return Err(format!("it {why}; name one of those there are"));
    }
    if text.is_empty() {
        return Ok(None);
    }
    if let Place::Whole { list, .. } = place {
        let part = |f: &(&'static str, _)| f.0.strip_prefix(list)?.rsplit_once('.').map(|part| part.1);
        let parts: Vec<&str> = LISTED.iter().filter_map(part).filter(|p| *p != list.to_uppercase()).collect();
        return Err(format!(
            "name a part of it, after another point: {}; nothing strikes it whole",
            parts.join(", ")
        ));
    }
    if range(kind).is_none() {
        fit_words(kind, text)?;
        return Ok(Some(Value::String(text.into())));
    }
    check_number(kind, figure(text)?).map(|n| Some(Value::Float(n)))
}

/// That words can stand in a line; a note may have several.
fn fit_words(kind: &str, text: &str) -> Result<(), String> {
    let breaks = |c: char| c.is_control() && !(c == '\n' && kind.ends_with("note"));
    match text.chars().find(|c| breaks(*c)) {
        Some(c) => Err(format!("{c:?} stands in no line; write it without")),
        None => Ok(()),
    }
}

/// What a field's number may be; `None` where it holds words.
fn range(kind: &str) -> Option<std::ops::RangeInclusive<f64>> {
    Some(match kind {
        "score" => 0.0..=10.0,
        "milk.celsius-in" | "milking.celsius" | "curd.water-celsius" => -1.0..=100.0,
        "milk.litres" | "milking.litres" | "curd.whey-drawn-litres" | "curd.water-litres" => 0.0..=50_000.0,
        "milk.oldest-hours" | "milk.acidity-sh" | "rennet.dose-ml" => 0.0..=100_000.0,
        "wheel.kg" => 0.001..=500.0,
        "ph" => 0.0..=14.0,
        _ => return None,
    })
}

/// The number as a field takes it, where it may have it.
fn check_number(kind: &str, number: f64) -> Result<f64, String> {
    match range(kind) {
        Some(good) if !good.contains(&number) => {
            Err(format!("it lies between {} and {}", good.start(), good.end()))
        }
        // No -0.
        _ => Ok(number + 0.0),
    }
}

/// Checks the name of one of several: a wheel, a milking.
///
/// # Errors
/// [`CorrectError::Value`].
pub fn check_name(list: &str, name: &str) -> Result<(), CorrectError> {
    let why = match name {
        n if n.trim().is_empty() => "it has no name; say which",
        n if n.len() > LONGEST => "a name has at most 100 bytes",
        n if n.trim() != n || n.chars().any(char::is_control) => {
            "a blank at its end or a control character is no part of a name"
        }
        _ => return Ok(()),
    };
    Err(CorrectError::Value { field: list.into(), value: name.into(), why: why.into() })
}

/// Checks the words of one of several, such as `milking.source`.
///
/// # Errors
/// [`CorrectError::Value`].
pub fn check_words(kind: &str, text: &str) -> Result<(), CorrectError> {
    fit_words(kind, text).map_err(|why| CorrectError::Value { field: kind.into(), value: text.into(), why })
}

/// The number as a field takes it, such as `wheel.kg`; none is well.
///
/// # Errors
/// [`CorrectError::Value`].
///
/// ```
/// use curdtrace::lot::correct::fit_number;
/// assert_eq!(fit_number("wheel.kg", Some(6.2)), Ok(Some(6.2)));
/// assert!(fit_number("milking.litres", Some(f64::NAN)).is_err());
/// ```
pub fn fit_number(kind: &str, number: Option<f64>) -> Result<Option<f64>, CorrectError> {
    let bad = |n: f64, why| CorrectError::Value { field: kind.into(), value: n.to_string(), why };
    number.map(|n| check_number(kind, n).map_err(|why| bad(n, why))).transpose()
}

#[cfg(test)]
mod tests;
