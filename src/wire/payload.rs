//! What simple boxes send, as an MQTT payload or as a line on a serial port:
//! a bare number, JSON, line protocol, or a converter chip's word in hex.
//!
//! Invariants: nothing panics; what cannot be read is an error with its
//! remedy, never a number; a source that says `nan` or `null` gives a value
//! of no number, with the reason.

use serde_json::Value;

use super::line::{self, Line, LineError, Names};
use crate::engine::event::{Mark, Name, Reading};
use crate::engine::probe::Health;
use crate::sensor::fault::Faults;
use crate::sensor::raw::{Chip, Raw, Signal};
use crate::sensor::unit::Unit;

/// How a payload is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PayloadKind {
    /// A number in text, perhaps with its unit: `34.5`, `93.2 °F`.
    Number,
    /// JSON, with pointers to what is meant.
    Json,
    /// Line protocol, `temperature` and `mark` lines.
    LineProtocol,
    /// A MAX31855's word, eight hex digits.
    Max31855Hex,
    /// A MAX31856's fault register and word, eight hex digits.
    Max31856Hex,
    /// A MAX6675's word, four hex digits.
    Max6675Hex,
    /// A DS18B20's scratchpad, nine bytes of two hex digits.
    Ds18b20Hex,
}

/// What a number is the measure of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Quantity {
    /// A temperature, in the unit said.
    #[default]
    Temperature,
    /// A thermocouple's voltage, mV.
    Millivolt,
    /// A thermocouple's voltage, µV.
    Microvolt,
    /// A resistance, Ω.
    Ohm,
}

/// JSON pointers (RFC 6901) to what is meant; only `value` is needed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JsonPointers {
    /// To the value: a number, or a number in a string.
    pub value: String,
    /// To the unit's name, which then goes before the setting.
    pub unit: Option<String>,
    /// To the box's counter.
    pub seq: Option<String>,
    /// To the cold junction, in the value's unit if that is a temperature, else °C.
    pub cold_junction: Option<String>,
    /// To the probe's name.
    pub probe: Option<String>,
}

/// How a source's payloads are read.
///
/// ```
/// use curdtrace::sensor::raw::Signal;
/// use curdtrace::wire::payload::{Payload, PayloadKind, Told};
/// let Ok(Told::Value(said)) = Payload::of(PayloadKind::Number).read(b"93.2 F").remove(0) else {
///     unreachable!()
/// };
/// assert!(matches!(said.raw.signal, Signal::Celsius(c) if (c - 34.0).abs() < 1e-9));
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Payload {
    /// How it is written.
    pub kind: PayloadKind,
    /// The unit of a temperature that does not say its own.
    pub unit: Unit,
    /// What a number measures.
    pub quantity: Quantity,
    /// Where things stand in JSON; not used by the other kinds.
    pub pointers: Option<JsonPointers>,
}

impl Payload {
    /// Whether it says itself whose reading it is.
    pub fn names_probe(&self) -> bool {
        self.kind == PayloadKind::LineProtocol || self.pointers.as_ref().is_some_and(|j| j.probe.is_some())
    }
}

/// What a payload said of one probe.
#[derive(Debug, Clone, PartialEq)]
pub struct Said {
    /// The probe's name, where the payload holds it.
    pub probe: Option<Name>,
    /// The kettle's name, where the payload holds it.
    pub kettle: Option<Name>,
    /// The value.
    pub raw: Raw,
    /// The source's own time, nanoseconds since 1970, where it has one. Not to
    /// be trusted without need: the box's clock may be wrong.
    pub wall_ns: Option<i64>,
}

/// One thing that a payload says.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// A value of one probe.
    Value(Said),
    /// A person's mark, in a stream of line protocol.
    Mark {
        /// The mark.
        mark: Mark,
        /// When, as [`Said::wall_ns`].
        wall_ns: Option<i64>,
    },
}

/// Why a payload gives nothing.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PayloadError {
    /// Not text.
    #[error("the payload is no UTF-8 text; is it of another kind than set?")]
    NotText,
    /// No number where one is wanted.
    #[error("{0:?} is no number; write it as 34.5, with a point, perhaps with its unit")]
    Number(String),
    /// No JSON.
    #[error("no JSON: {0}")]
    Json(String),
    /// A JSON pointer leads nowhere.
    #[error("nothing at {pointer:?} in {text}; set the pointer to where the value stands")]
    Pointer {
        /// The pointer.
        pointer: String,
        /// The payload, shortened.
        text: String,
    },
    /// The unit is none.
    #[error(transparent)]
    Unit(#[from] crate::sensor::unit::NoUnit),
    /// No line protocol.
    #[error(transparent)]
    Line(#[from] LineError),
    /// A line that is neither.
    #[error("an event line is the journal's own; send temperature and mark lines")]
    Event,
    /// No hex word of the right length.
    #[error("{text:?} is no word of {digits} hex digits; is it another chip than set?")]
    Hex {
        /// What came.
        text: String,
        /// How many digits it must have.
        digits: usize,
    },
}

impl Payload {
    /// A kind with nothing else set: Celsius, temperature. JSON's value then
    /// stands at the top.
    pub fn of(kind: PayloadKind) -> Self {
        Self { kind, unit: Unit::Celsius, quantity: Quantity::Temperature, pointers: None }
    }

    /// What the payload says: one value, or one thing a line for line protocol.
    pub fn read(&self, bytes: &[u8]) -> Vec<Result<Told, PayloadError>> {
        let Ok(text) = std::str::from_utf8(bytes) else { return vec![Err(PayloadError::NotText)] };
        let text = text.trim_matches(|c: char| c.is_whitespace() || c == '\0');
        let said = match self.kind {
            PayloadKind::LineProtocol => return lines(text),
            PayloadKind::Number => self.number(text, self.unit).map(|s| alone(of_signal(s))),
            PayloadKind::Json => self.json(text),
            PayloadKind::Max31855Hex => word(text, Chip::Max31855),
            PayloadKind::Max31856Hex => word(text, Chip::Max31856),
            PayloadKind::Max6675Hex => word(text, Chip::Max6675),
            PayloadKind::Ds18b20Hex => scratchpad(text),
        };
        vec![said.map(Told::Value)]
    }

    fn number(&self, text: &str, unit: Unit) -> Result<Option<Signal>, PayloadError> {
        if ["nan", "null", "none", "inf", "-inf", "+inf"].contains(&text.to_lowercase().as_str()) {
            return Ok(None);
        }
        let fault = || PayloadError::Number(shortened(text));
        // An exponent's `e` is part of the number only before a digit or sign.
        let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.eE".contains(c))).unwrap_or(text.len());
        let (number, tail) = text.split_at(end);
        let value: f64 = number.parse().map_err(|_| fault())?;
        let tail = tail.trim();
        if !value.is_finite() || tail.starts_with(',') || tail.starts_with(';') {
            return Err(fault());
        }
        if tail.is_empty() {
            return Ok(Some(self.signal(value, unit)));
        }
        match self.quantity {
            Quantity::Temperature => Ok(Some(Signal::Celsius(tail.parse::<Unit>()?.to_celsius(value)))),
            _ => Err(fault()),
        }
    }

    fn signal(&self, value: f64, unit: Unit) -> Signal {
        match self.quantity {
            Quantity::Temperature => Signal::Celsius(unit.to_celsius(value)),
            Quantity::Millivolt => Signal::Microvolt { uv: value * 1000.0, couple: None },
            Quantity::Microvolt => Signal::Microvolt { uv: value, couple: None },
            Quantity::Ohm => Signal::Ohm(value),
        }
    }

    fn json(&self, text: &str) -> Result<Said, PayloadError> {
        let whole: Value = serde_json::from_str(text).map_err(|e| PayloadError::Json(e.to_string()))?;
        let top =
            JsonPointers { value: String::new(), unit: None, seq: None, cold_junction: None, probe: None };
        let to = self.pointers.as_ref().unwrap_or(&top);
        let at = |pointer: &str| {
            whole
                .pointer(pointer)
                .ok_or_else(|| PayloadError::Pointer { pointer: pointer.to_owned(), text: shortened(text) })
        };
        let optional = |pointer: &Option<String>| pointer.as_ref().and_then(|p| whole.pointer(p));
        let unit = match optional(&to.unit) {
            Some(Value::String(u)) => u.parse()?,
            Some(Value::Null) | None => self.unit,
            // What it means by that, nobody knows.
            Some(other) => other.to_string().parse()?,
        };
        let mut raw = of_signal(match at(&to.value)? {
            Value::Null => None,
            Value::String(s) => self.number(s.trim(), unit)?,
            v => match v.as_f64() {
                Some(n) => Some(self.signal(n, unit)),
                None => return Err(PayloadError::Number(shortened(&v.to_string()))),
            },
        });
        raw.seq = optional(&to.seq).and_then(Value::as_u64);
        raw.cold_junction_celsius = optional(&to.cold_junction)
            .and_then(Value::as_f64)
            .map(|c| if self.quantity == Quantity::Temperature { unit.to_celsius(c) } else { c });
        let probe = optional(&to.probe).and_then(Value::as_str).map(Name::from);
        Ok(Said { probe, ..alone(raw) })
    }
}

fn of_signal(signal: Option<Signal>) -> Raw {
    match signal {
        Some(s) => Raw::of(s),
        None => Raw {
            said: Some((Health::Failure, "the source sent no number".to_owned())),
            ..Raw::of(Signal::Nothing)
        },
    }
}

fn alone(raw: Raw) -> Said {
    Said { probe: None, kettle: None, raw, wall_ns: None }
}

/// At most 80 characters, for messages.
fn shortened(text: &str) -> String {
    if text.chars().count() <= 80 {
        return text.to_owned();
    }
    text.chars().take(79).chain(['…']).collect()
}

fn lines(text: &str) -> Vec<Result<Told, PayloadError>> {
    let mut names = Names::default();
    let mut out = Vec::new();
    for one in text.lines() {
        match line::parse(one, &mut names) {
            Ok(None) => {}
            Ok(Some((Line::Reading(r), wall_ns))) => {
                out.push(Ok(Told::Value(said_by_line(r, wall_ns))));
            }
            Ok(Some((Line::Mark(mark), wall_ns))) => out.push(Ok(Told::Mark { mark, wall_ns })),
            Ok(Some((Line::Event(_), _))) => out.push(Err(PayloadError::Event)),
            Err(e) => out.push(Err(e.into())),
        }
    }
    out
}

fn said_by_line(r: Reading, wall_ns: Option<i64>) -> Said {
    let said = match (r.health, r.reason) {
        (None | Some(Health::Good), None) if r.celsius.is_some() => None,
        (health, reason) => Some((health.unwrap_or(Health::Good), reason.unwrap_or_default())),
    };
    let raw = Raw {
        signal: r.celsius.map_or(Signal::Nothing, Signal::Celsius),
        cold_junction_celsius: r.cold_junction_celsius,
        emf_mv: r.emf_mv,
        seq: r.seq,
        faults: Faults::NONE,
        said,
    };
    Said { probe: Some(r.probe), kettle: r.kettle, raw, wall_ns }
}

fn hex(text: &str, digits: usize) -> Result<String, PayloadError> {
    let plain: String = text
        .strip_prefix("0x")
        .or_else(|| text.strip_prefix("0X"))
        .unwrap_or(text)
        .chars()
        .filter(|c| *c != ' ')
        .collect();
    if plain.len() == digits && plain.bytes().all(|b| b.is_ascii_hexdigit()) {
        Ok(plain)
    } else {
        Err(PayloadError::Hex { text: shortened(text), digits })
    }
}

fn word(text: &str, chip: Chip) -> Result<Said, PayloadError> {
    let digits = chip.hex_digits();
    let plain = hex(text, digits)?;
    let bits =
        u32::from_str_radix(&plain, 16).map_err(|_| PayloadError::Hex { text: shortened(text), digits })?;
    Ok(alone(Raw::of(Signal::Word(chip, bits))))
}

fn scratchpad(text: &str) -> Result<Said, PayloadError> {
    let plain = hex(text, 18)?;
    let mut bytes = [0u8; 9];
    for (i, b) in bytes.iter_mut().enumerate() {
        *b = u8::from_str_radix(&plain[2 * i..2 * i + 2], 16)
            .map_err(|_| PayloadError::Hex { text: shortened(text), digits: 18 })?;
    }
    Ok(alone(Raw::of(Signal::Scratchpad(bytes))))
}

#[cfg(test)]
mod tests;
