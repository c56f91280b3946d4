//! Line protocol: readings, marks and journal events, one a line.
//!
//! Reading uses the `influxdb-line-protocol` parser; writing is ours, because
//! the journal wants its fields in one fixed order. An integer and a float are
//! both taken where a number is meant.

use std::borrow::Cow;

use influxdb_line_protocol::{FieldValue, parse_lines};

mod floats;
mod refusal;
mod write;

pub use refusal::LineError;
use refusal::{found, short, slip};
pub use write::{write_event, write_mark, write_reading};

use crate::engine::event::{Mark, MarkKind, Name, Reading};
use crate::engine::probe::Health;

/// What one line says.
#[derive(Debug, Clone, PartialEq)]
pub enum Line {
    /// A `temperature` line.
    Reading(Reading),
    /// A `mark` line.
    Mark(Mark),
    /// An `event` line: what else came in from outside, or was concluded.
    Event(EventLine),
}

/// What an event line says where the program listens again after it was stopped.
pub const RESUMED: &str = "resumed";

/// An `event` line: tags and fields as text.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct EventLine {
    /// Tag `what`: the kind of event.
    pub what: String,
    /// Tag `kettle`, where there is one.
    pub kettle: Option<String>,
    /// Fields in the order of the line.
    pub fields: Vec<(String, Value)>,
}

impl EventLine {
    /// The text of a field, where it is a string.
    pub fn text(&self, name: &str) -> Option<&str> {
        self.fields.iter().find_map(|(k, v)| match v {
            Value::Text(t) if k == name => Some(t.as_str()),
            _ => None,
        })
    }

    /// The number in a field, where it is one.
    pub fn number(&self, name: &str) -> Option<f64> {
        self.fields.iter().find_map(|(k, v)| match v {
            Value::Number(n) if k == name => Some(*n),
            Value::Integer(n) if k == name => Some(*n as f64),
            _ => None,
        })
    }

    /// The whole number in a field, where it is one.
    pub fn integer(&self, name: &str) -> Option<i64> {
        self.fields.iter().find_map(|(k, v)| match v {
            Value::Integer(n) if k == name => Some(*n),
            _ => None,
        })
    }

    /// The truth in a field, where it is one.
    pub fn truth(&self, name: &str) -> Option<bool> {
        self.fields.iter().find_map(|(k, v)| match v {
            Value::Truth(b) if k == name => Some(*b),
            _ => None,
        })
    }
}

/// A field's value.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A string.
    Text(String),
    /// A float.
    Number(f64),
    /// An integer.
    Integer(i64),
    /// A boolean.
    Truth(bool),
}

/// Keeps one copy of each name, so that a reading costs no allocation for it.
#[derive(Debug, Default)]
pub struct Names(std::collections::BTreeSet<Name>, Option<Name>);

impl Names {
    /// The shared copy of `name`.
    pub fn get(&mut self, name: &str) -> Name {
        if let Some(last) = &self.1
            && &**last == name
        {
            return last.clone();
        }
        let shared = if let Some(n) = self.0.get(name) {
            n.clone()
        } else {
            let n = Name::from(name);
            self.0.insert(n.clone());
            n
        };
        self.1 = Some(shared.clone());
        shared
    }
}

/// Parses one line. `Ok(None)` is an empty line or a comment. The timestamp is
/// nanoseconds since 1970, `None` where the line bears none.
///
/// # Errors
/// [`LineError`] says what is wrong with the line and how to write it.
///
/// ```
/// use curdtrace::wire::line::{Line, Names, parse};
/// let (line, t) = parse("temperature,probe=kettle celsius=34.5 1000", &mut Names::default())
///     .unwrap().unwrap();
/// assert!(matches!(line, Line::Reading(r) if r.celsius == Some(34.5)));
/// assert_eq!(t, Some(1000));
/// ```
pub fn parse(line: &str, names: &mut Names) -> Result<Option<(Line, Option<i64>)>, LineError> {
    let text = line.trim();
    if text.is_empty() || text.starts_with('#') {
        return Ok(None);
    }
    match parsed(text, names) {
        Err(why @ LineError::Syntax(_)) => match floats::spelled_out(text) {
            Cow::Owned(spelled) => parsed(&spelled, names),
            Cow::Borrowed(_) => Err(why),
        },
        told => told,
    }
}

/// What a line says that is neither empty nor a comment.
fn parsed(text: &str, names: &mut Names) -> Result<Option<(Line, Option<i64>)>, LineError> {
    let mut lines = parse_lines(text);
    let parsed = match lines.next() {
        None => return Ok(None),
        Some(Err(e)) => return Err(LineError::Syntax(slip(&e))),
        Some(Ok(p)) => p,
    };
    if lines.next().is_some() {
        return Err(LineError::Syntax("more than one line".into()));
    }
    let t = parsed.timestamp;
    let line = match parsed.series.measurement.as_str() {
        "temperature" => Line::Reading(reading(&parsed, names)?),
        "mark" => Line::Mark(mark(&parsed, names)?),
        "event" => Line::Event(event(&parsed)?),
        other => return Err(LineError::Measurement(short(other))),
    };
    Ok(Some((line, t)))
}

type Parsed<'a> = influxdb_line_protocol::ParsedLine<'a>;

fn reading(p: &Parsed<'_>, names: &mut Names) -> Result<Reading, LineError> {
    let mut probe = None;
    let mut kettle = None;
    for (k, v) in p.series.tag_set.iter().flatten() {
        match k.as_str() {
            "probe" => probe = Some(names.get(v)),
            "kettle" => kettle = Some(names.get(v)),
            _ => {}
        }
    }
    let Some(probe) = probe else {
        return Err(LineError::Missing { measurement: "temperature", needs: "a tag probe=NAME" });
    };
    let mut r = Reading {
        probe,
        kettle,
        celsius: None,
        cold_junction_celsius: None,
        emf_mv: None,
        seq: None,
        health: None,
        reason: None,
        late_s: None,
    };
    for (k, v) in &p.field_set {
        match k.as_str() {
            "celsius" => r.celsius = Some(number("celsius", v)?),
            "cold_junction" => r.cold_junction_celsius = Some(number("cold_junction", v)?),
            "emf_mv" => r.emf_mv = Some(number("emf_mv", v)?),
            "seq" => r.seq = Some(counter("seq", v)?),
            "health" => r.health = Some(health(v)?),
            "reason" => r.reason = Some(text("reason", v)?),
            "late_s" => r.late_s = Some(counter("late_s", v)?),
            _ => {}
        }
    }
    if r.celsius.is_none() && r.health.is_none() {
        return Err(LineError::Missing {
            measurement: "temperature",
            needs: "celsius, or health and reason",
        });
    }
    Ok(r)
}

fn mark(p: &Parsed<'_>, names: &mut Names) -> Result<Mark, LineError> {
    let mut kettle = None;
    for (k, v) in p.series.tag_set.iter().flatten() {
        if k.as_str() == "kettle" {
            kettle = Some(names.get(v));
        }
    }
    let (mut name, mut by, mut value, mut celsius, mut note) = (None, None, None, None, None);
    for (k, v) in &p.field_set {
        match k.as_str() {
            "name" => name = Some(text("name", v)?),
            "by" => by = Some(names.get(&text("by", v)?)),
            "value" => value = Some(number("value", v)?),
            "celsius" => celsius = Some(number("celsius", v)?),
            "text" => note = Some(text("text", v)?),
            _ => {}
        }
    }
    let missing = |needs| LineError::Missing { measurement: "mark", needs };
    let kettle = kettle.ok_or(missing("a tag kettle=NAME"))?;
    let name = name.ok_or(missing("a field name=\"…\""))?;
    let kind = mark_kind(&name, value, celsius, note)?;
    Ok(Mark { kettle, kind, by })
}

/// The mark of that name with its value.
///
/// # Errors
/// A name that is none, or a value that is missing or out of range.
pub fn mark_kind(
    name: &str,
    value: Option<f64>,
    celsius: Option<f64>,
    note: Option<String>,
) -> Result<MarkKind, LineError> {
    let missing = |needs| LineError::Missing { measurement: "mark", needs };
    Ok(match name {
        "rennet" => MarkKind::Rennet,
        "floc" => MarkKind::Floc,
        "cut" => MarkKind::Cut,
        "heat-on" => MarkKind::HeatOn,
        "heat-off" => MarkKind::HeatOff,
        "wash" => MarkKind::Wash,
        "culture" => MarkKind::Culture,
        "acid" => MarkKind::Acid,
        "lift" => MarkKind::Lift,
        "ph" => match value.ok_or(missing("a field value=… (the pH)"))? {
            v if (0.0..=14.0).contains(&v) => MarkKind::Ph(v),
            v => {
                return Err(LineError::Field {
                    field: "value",
                    found: v.to_string(),
                    remedy: "a pH lies between 0 and 14",
                });
            }
        },
        "target" => match celsius.ok_or(missing("a field celsius=… (the new target)"))? {
            c if (0.0..=110.0).contains(&c) => MarkKind::Target(c),
            c => {
                return Err(LineError::Field {
                    field: "celsius",
                    found: c.to_string(),
                    remedy: "a target lies between 0 and 110 °C",
                });
            }
        },
        "note" => MarkKind::Note(note.ok_or(missing("a field text=\"…\""))?),
        other => {
            return Err(LineError::Field {
                field: "name",
                found: format!("{:?}", short(other)),
                remedy: "marks are rennet, floc, cut, heat-on, heat-off, wash, culture, acid, lift, ph, target, note",
            });
        }
    })
}

fn event(p: &Parsed<'_>) -> Result<EventLine, LineError> {
    let mut e = EventLine::default();
    for (k, v) in p.series.tag_set.iter().flatten() {
        match k.as_str() {
            "what" => e.what = v.to_string(),
            "kettle" => e.kettle = Some(v.to_string()),
            _ => {}
        }
    }
    if e.what.is_empty() {
        return Err(LineError::Missing { measurement: "event", needs: "a tag what=…" });
    }
    for (k, v) in &p.field_set {
        let value = match v {
            FieldValue::I64(n) => Value::Integer(*n),
            FieldValue::U64(n) => i64::try_from(*n).map_or(Value::Number(*n as f64), Value::Integer),
            FieldValue::F64(n) => Value::Number(*n),
            FieldValue::String(s) => Value::Text(s.to_string()),
            FieldValue::Boolean(b) => Value::Truth(*b),
        };
        e.fields.push((k.to_string(), value));
    }
    Ok(e)
}

fn number(field: &'static str, v: &FieldValue<'_>) -> Result<f64, LineError> {
    let n = match v {
        FieldValue::F64(n) => *n,
        FieldValue::I64(n) => *n as f64,
        FieldValue::U64(n) => *n as f64,
        other => {
            let remedy = "a number is wanted, without quotes";
            return Err(LineError::Field { field, found: found(other), remedy });
        }
    };
    if n.is_finite() {
        Ok(n)
    } else {
        Err(LineError::Field {
            field,
            found: n.to_string(),
            remedy: "a finite number is wanted; leave it out where there is none",
        })
    }
}

fn counter(field: &'static str, v: &FieldValue<'_>) -> Result<u64, LineError> {
    match v {
        FieldValue::U64(n) => Ok(*n),
        FieldValue::I64(n) if *n >= 0 => Ok(n.unsigned_abs()),
        FieldValue::F64(n) if *n >= 0.0 && *n < 9.0e15 => Ok(*n as u64),
        other => Err(LineError::Field {
            field,
            found: found(other),
            remedy: "it is a whole number from 0 on, such as 17u",
        }),
    }
}

fn health(v: &FieldValue<'_>) -> Result<Health, LineError> {
    let name = text("health", v)?;
    Health::named(&name).ok_or(LineError::Field {
        field: "health",
        found: format!("{:?}", short(&name)),
        remedy: "it is one of good, maintenance-required, out-of-specification, check-function, failure",
    })
}

fn text(field: &'static str, v: &FieldValue<'_>) -> Result<String, LineError> {
    match v {
        FieldValue::String(s) => Ok(s.to_string()),
        other => Err(LineError::Field {
            field,
            found: found(other),
            remedy: "a string in double quotes is wanted",
        }),
    }
}

#[cfg(test)]
mod tests;
