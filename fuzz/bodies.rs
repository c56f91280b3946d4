//! What every parser must do with any bytes at all: not panic, and keep its
//! promises. One function a target; used by cargo-fuzz (targets/) and, on
//! stable, by tests/parsers_survive.rs.

use curdtrace::sensor::calibration::Record;
use curdtrace::sensor::channel::{Channel, Sensor};
use curdtrace::sensor::raw::{Chip, Raw, Signal};
use curdtrace::sensor::resistance::{Platinum, Wiring};
use curdtrace::sensor::thermocouple::Couple;
use curdtrace::wire::frame::{Frame, FrameDecoder, LONGEST_FRAME, encode};
use curdtrace::wire::line::{self, Line, Names};
use curdtrace::wire::modbus::{Format, Register, Request, Table, Value, WordOrder};
use curdtrace::wire::payload::{JsonPointers, Payload, PayloadKind, Told};
use curdtrace::wire::split::{LONGEST_LINE, LineSplitter};
use curdtrace::wire::topic::TopicPattern;

/// One target: it takes any bytes and must not panic.
pub type Body = fn(&[u8]);

/// Every target by name.
pub const ALL: [(&str, Body); 8] = [
    ("frame", frame),
    ("payload", payload),
    ("line", line),
    ("modbus", modbus),
    ("word", word),
    ("topic", topic),
    ("record", record),
    ("config", config),
];

/// Any reading that results is a finite number, or none with its reason.
fn sound(raw: &Raw) {
    for sensor in [
        Sensor::AsSaid,
        Sensor::Couple(Couple::T),
        Sensor::Platinum(Platinum { r0_ohm: 100.0, wiring: Wiring::Four }),
    ] {
        let mut channel = Channel::named("k");
        channel.sensor = sensor;
        let r = channel.reading(raw, Some(0));
        match r.celsius {
            Some(c) => assert!(c.is_finite()),
            None => assert!(r.health.is_some() && r.reason.is_some()),
        }
        assert!(r.celsius.is_none() || raw.faults.leave_a_number(), "a fault gave a number");
    }
}

/// The box's frames, in pieces; what is decoded encodes to what decodes alike.
pub fn frame(data: &[u8]) {
    let piece = usize::from(data.first().copied().unwrap_or(1)).max(1);
    let (mut whole, mut cut) = (FrameDecoder::default(), FrameDecoder::default());
    let at_once = whole.push(data);
    let in_pieces: Vec<_> = data.chunks(piece).flat_map(|p| cut.push(p)).collect();
    assert_eq!(at_once, in_pieces, "pieces must not matter");
    for frame in at_once.into_iter().flatten() {
        let bytes = encode(&frame);
        assert!(bytes.len() <= LONGEST_FRAME);
        let again = FrameDecoder::default().push(&bytes);
        assert_eq!(again.len(), 1);
        if let Frame::Reading(r) = &frame {
            sound(&r.raw());
            // More than seven decimals are rounded on the way back.
            assert!(again[0].is_ok());
        } else {
            assert_eq!(again[0].as_ref(), Ok(&frame));
        }
    }
}

/// Payloads of every kind, and the splitter of lines.
pub fn payload(data: &[u8]) {
    let pointers = JsonPointers {
        value: "/v".into(),
        unit: Some("/u".into()),
        seq: Some("/n".into()),
        cold_junction: Some("/c".into()),
        probe: Some("/p".into()),
    };
    for kind in [
        PayloadKind::Number,
        PayloadKind::Json,
        PayloadKind::LineProtocol,
        PayloadKind::Max31855Hex,
        PayloadKind::Max31856Hex,
        PayloadKind::Max6675Hex,
        PayloadKind::Ds18b20Hex,
    ] {
        let payload = Payload { pointers: Some(pointers.clone()), ..Payload::of(kind) };
        for said in payload.read(data).into_iter().flatten() {
            if let Told::Value(said) = said {
                sound(&said.raw);
            }
        }
    }
    let mut lines = LineSplitter::joined_midway();
    for l in data.chunks(7).flat_map(|p| lines.push(p)) {
        assert!(!l.is_empty() && l.len() <= LONGEST_LINE && !l.contains(&b'\n'));
    }
}

/// Line protocol: what is read and written again reads alike.
pub fn line(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let mut names = Names::default();
    for one in text.lines() {
        let Ok(Some((parsed, _))) = line::parse(one, &mut names) else { continue };
        let mut out = String::new();
        match &parsed {
            Line::Reading(r) => line::write_reading(&mut out, r, 5),
            Line::Mark(m) => line::write_mark(&mut out, m, 5),
            Line::Event(e) => line::write_event(&mut out, e, 5),
        }
        assert!(!out.contains('\n'), "a line stays a line: {out:?}");
    }
}

/// Modbus replies.
pub fn modbus(data: &[u8]) {
    for count in [1, 2, 125] {
        let request = Request { unit: 1, table: Table::Input, address: 0, count };
        let _ = request.tcp_reply(1, data);
        let Ok(Some(registers)) = request.rtu_reply(data) else { continue };
        assert_eq!(registers.len(), usize::from(count));
        for format in [Format::I16, Format::U16, Format::I32, Format::F32] {
            let value = Value { format, word_order: WordOrder::LowFirst, scale: 0.1, offset: 0.0 };
            let register = Register {
                unit: 1,
                table: Table::Input,
                address: 0,
                value,
                measured_in: curdtrace::sensor::unit::Unit::Fahrenheit,
            };
            sound(&register.raw(&registers));
        }
    }
}

/// Chips' words, voltages and resistances.
pub fn word(data: &[u8]) {
    let Some((first, rest)) = data.split_first_chunk::<4>() else { return };
    let bits = u32::from_le_bytes(*first);
    for chip in Chip::ALL {
        sound(&Raw::of(Signal::Word(chip, bits)));
    }
    if let Some((nine, _)) = data.split_first_chunk::<9>() {
        sound(&Raw::of(Signal::Scratchpad(*nine)));
    }
    if let Some((eight, _)) = rest.split_first_chunk::<8>() {
        let value = f64::from_bits(u64::from_le_bytes(*eight));
        for signal in [
            Signal::Celsius(value),
            Signal::Ohm(value),
            Signal::Microvolt { uv: value, couple: Some(Couple::T) },
        ] {
            sound(&Raw { cold_junction_celsius: Some(f64::from(f32::from_bits(bits))), ..Raw::of(signal) });
        }
    }
}

/// Topic patterns: a name put into a topic comes out of it again.
pub fn topic(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let (pattern, topic) = text.split_once('\n').unwrap_or((text, "a/b"));
    let Ok(p) = TopicPattern::parse(pattern) else { return };
    let _ = p.probe_of(topic);
    if p.names_probe() {
        assert_eq!(p.probe_of(&p.topic_for("kettle")), Some("kettle"));
    }
    assert!(p.matches(&p.topic_for("kettle")));
}

/// Calibration records.
pub fn record(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let Ok(record) = Record::of_toml(text) else { return };
    let applied = record.applied().expect("a record that was read applies");
    let (a, b) = (applied.correction.apply(20.0), applied.correction.apply(60.0));
    assert!(a.is_finite() && b > a);
    let again = Record::of_toml(&record.to_toml().expect("it has a TOML form"));
    assert_eq!(again, Ok(record));
}

/// The daemon's configuration.
pub fn config(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let _ = curdtrace::config::dairy::parse(text, "fuzzed", std::path::Path::new("/nonexistent"));
}
