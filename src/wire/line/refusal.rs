//! Why a line is refused, in our words: what is wrong and how to write it.
//!
//! Invariant: a message quotes a few words of the line at most, however long
//! that is.

use influxdb_line_protocol::{Error, FieldValue};

/// More than this of a line stands in no message, characters.
const LONGEST_QUOTED: usize = 60;

/// A line that is neither a reading, a mark nor an event.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LineError {
    /// No line protocol at all.
    #[error("no line protocol: {0}; write it as measurement,tag=value field=value nanoseconds")]
    Syntax(String),
    /// A measurement we do not know.
    #[error("measurement {0:?} is none of temperature, mark, event")]
    Measurement(String),
    /// Something is missing.
    #[error("this {measurement} line needs {needs}")]
    Missing {
        /// The line's measurement.
        measurement: &'static str,
        /// What it lacks.
        needs: &'static str,
    },
    /// A field of the wrong type or out of range.
    #[error("{field} is {found}; {remedy}")]
    Field {
        /// The field's name.
        field: &'static str,
        /// What stands there.
        found: String,
        /// What should stand there.
        remedy: &'static str,
    },
}

/// A field's value as it stands in the line, cut to what fits a message.
pub(super) fn found(v: &FieldValue<'_>) -> String {
    match v {
        FieldValue::String(s) => format!("{:?}", short(s.as_str())),
        other => other.to_string(),
    }
}

/// What is wrong with a line that is none, in our words.
pub(super) fn slip(e: &Error) -> String {
    match e {
        Error::MeasurementValueInvalid => "it begins with no measurement".into(),
        Error::FieldSetMissing => "it has no field that can be read".into(),
        Error::IntegerValueInvalid { value, .. } | Error::UIntegerValueInvalid { value, .. } => {
            format!("{:?} is no whole number", short(value))
        }
        Error::FloatValueInvalid { value, .. } => format!("{:?} is no number", short(value)),
        Error::TimestampValueInvalid { value, .. } => format!("{:?} is no time", short(value)),
        Error::EndsWithBackslash => "a name ends with a backslash".into(),
        Error::CannotParseEntireLine { trailing_content } => {
            format!("{:?} fits nothing", short(trailing_content.trim_start()))
        }
        Error::TagSetMalformed => "a tag is not written as name=value".into(),
        _ => "a field is not written as name=value".into(),
    }
}

/// The text, cut to what fits a message.
pub(super) fn short(text: &str) -> String {
    match text.char_indices().nth(LONGEST_QUOTED) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
}
