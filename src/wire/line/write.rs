//! Writing line protocol: readings, marks and events, fields in one fixed order.

use std::fmt::Write as _;

use super::{EventLine, Value};
use crate::engine::event::{Mark, MarkKind, Reading};

/// Appends a reading as one line without its newline.
pub fn write_reading(out: &mut String, r: &Reading, wall_ns: i64) {
    out.push_str("temperature,");
    if let Some(k) = &r.kettle {
        out.push_str("kettle=");
        escape_tag(out, k);
        out.push(',');
    }
    out.push_str("probe=");
    escape_tag(out, &r.probe);
    let mut fields = Fields::new(out);
    if let Some(c) = r.celsius {
        fields.number("celsius", c);
    }
    if let Some(c) = r.cold_junction_celsius {
        fields.number("cold_junction", c);
    }
    if let Some(e) = r.emf_mv {
        fields.number("emf_mv", e);
    }
    if let Some(s) = r.seq {
        fields.raw("seq", format_args!("{s}u"));
    }
    if let Some(h) = r.health {
        fields.text("health", h.name());
    }
    if let Some(why) = &r.reason {
        fields.text("reason", why);
    }
    if let Some(late_s) = r.late_s {
        fields.raw("late_s", format_args!("{late_s}u"));
    }
    let _ = write!(out, " {wall_ns}");
}

/// Appends a mark as one line without its newline.
pub fn write_mark(out: &mut String, m: &Mark, wall_ns: i64) {
    out.push_str("mark,kettle=");
    escape_tag(out, &m.kettle);
    let mut fields = Fields::new(out);
    fields.text("name", m.kind.name());
    if let Some(by) = &m.by {
        fields.text("by", by);
    }
    match &m.kind {
        MarkKind::Ph(v) => fields.number("value", *v),
        MarkKind::Target(c) => fields.number("celsius", *c),
        MarkKind::Note(t) => fields.text("text", t),
        _ => {}
    }
    let _ = write!(out, " {wall_ns}");
}

/// Appends an event as one line without its newline. An event without fields
/// gets `seen=true`, since line protocol wants one.
pub fn write_event(out: &mut String, e: &EventLine, wall_ns: i64) {
    out.push_str("event,");
    if let Some(k) = &e.kettle {
        out.push_str("kettle=");
        escape_tag(out, k);
        out.push(',');
    }
    out.push_str("what=");
    escape_tag(out, &e.what);
    let mut fields = Fields::new(out);
    for (k, v) in &e.fields {
        match v {
            Value::Text(t) => fields.text(k, t),
            Value::Number(n) => fields.number(k, *n),
            Value::Integer(n) => fields.raw(k, format_args!("{n}i")),
            Value::Truth(b) => fields.raw(k, format_args!("{b}")),
        }
    }
    if e.fields.is_empty() {
        fields.raw("seen", format_args!("true"));
    }
    let _ = write!(out, " {wall_ns}");
}

struct Fields<'a> {
    out: &'a mut String,
    first: bool,
}

impl<'a> Fields<'a> {
    fn new(out: &'a mut String) -> Self {
        Self { out, first: true }
    }

    fn key(&mut self, key: &str) {
        self.out.push(if self.first { ' ' } else { ',' });
        self.first = false;
        escape_tag(self.out, key);
        self.out.push('=');
    }

    fn raw(&mut self, key: &str, value: std::fmt::Arguments<'_>) {
        self.key(key);
        let _ = self.out.write_fmt(value);
    }

    fn number(&mut self, key: &str, value: f64) {
        self.raw(key, format_args!("{value}"));
    }

    /// Line protocol has no escape for a newline inside a string that every
    /// reader takes, so that a line stays a line it becomes a blank.
    fn text(&mut self, key: &str, value: &str) {
        self.key(key);
        self.out.push('"');
        for c in value.chars() {
            match c {
                '"' => self.out.push_str("\\\""),
                '\\' => self.out.push_str("\\\\"),
                '\n' | '\r' => self.out.push(' '),
                c => self.out.push(c),
            }
        }
        self.out.push('"');
    }
}

fn escape_tag(out: &mut String, text: &str) {
    for c in text.chars() {
        match c {
            ',' | '=' | ' ' => {
                out.push('\\');
                out.push(c);
            }
            '\n' | '\r' => out.push('_'),
            c => out.push(c),
        }
    }
}
