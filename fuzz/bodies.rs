//! What every parser must do with any bytes at all: not panic, and keep its
//! promises. One function a target; used by cargo-fuzz (targets/) and, on
//! stable, by tests/parsers_survive.rs.

use std::sync::Arc;

use curdtrace::engine::Engine;
use curdtrace::engine::alarm::AlarmKind;
use curdtrace::engine::event::{Ask, Command, Event, Happening, Mark, MarkKind, Name, Reading, Stamp};
use curdtrace::engine::plan::{Plan, PlannedStage};
use curdtrace::engine::probe::Health;
use curdtrace::engine::stage::Stage;
use curdtrace::journal::record::Commit;
use curdtrace::journal::segment::scan;
use curdtrace::journal::unpack::gunzip;
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
pub const ALL: [(&str, Body); 10] = [
    ("frame", frame),
    ("payload", payload),
    ("line", line),
    ("modbus", modbus),
    ("word", word),
    ("topic", topic),
    ("record", record),
    ("config", config),
    ("journal", journal),
    ("steps", steps),
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

/// How a gzip file begins (RFC 1952), with neither name nor time.
const GZIP_BEGINS: [u8; 10] = [0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 3];

/// A journal's segment, packed too: what is taken for whole is whole, in order and apart,
/// and what is not is told.
pub fn journal(data: &[u8]) {
    let found = scan(data);
    let mut end = 0;
    for group in &found.groups {
        assert!(end <= group.body.start && group.body.end <= group.end && group.end <= data.len());
        let (commit, start) = Commit::check(data, group.body.end, group.end).expect("its check holds");
        assert_eq!((commit, start), (group.commit, group.body.start));
        end = group.end;
    }
    assert_eq!(end, found.end);
    assert!(found.groups.windows(2).all(|w| w[0].commit.group < w[1].commit.group));
    let told: usize = found.bad.iter().map(std::ops::Range::len).sum();
    let whole: usize = found.groups.iter().map(|g| g.end - g.body.start).sum();
    assert_eq!(told + whole, found.end, "no byte is untold");
    // From a gzip file's beginning on, and as it stands.
    for packed in [data, &[&GZIP_BEGINS, data].concat()] {
        let (bytes, fault) = gunzip(packed);
        assert!(
            fault.is_some() || packed.is_empty() || packed.len() >= 18,
            "{} bytes of nothing",
            bytes.len()
        );
    }
}

/// Any sequence of events through the engine's door; six bytes are one event.
pub fn steps(data: &[u8]) {
    let (first, rest) = data.split_at(data.len().min(1));
    let plan = Plan {
        stages: [
            (Stage::Warming, Some(32.0), None),
            (Stage::Setting, None, Some(30.0)),
            (Stage::Cutting, None, Some(10.0)),
            (Stage::Cooking, Some(42.0), Some(20.0)),
        ]
        .map(|(kind, to_celsius, minutes)| PlannedStage { to_celsius, minutes, ..PlannedStage::of(kind) })
        .to_vec(),
        ..Plan::default()
    };
    let planned = first.first().is_some_and(|b| b % 2 == 0).then(|| Arc::new(plan));
    let mut engine = Engine::new(planned.clone());
    let (mut mono_ns, mut out) = (0u64, Vec::new());
    for one in rest.chunks_exact(6) {
        let [what, wait, who, a, b, c] = *one else { unreachable!("six bytes") };
        // Mostly a second or so; now and then hours.
        mono_ns += u64::from(wait % 16) * if wait > 240 { 600_000_000_000 } else { 250_000_000 };
        let kettle = Name::from(["kettle", "vat"][usize::from(who % 2)]);
        let value = f64::from(i16::from_le_bytes([a, b])) / 256.0;
        let alarm = AlarmKind::ALL[usize::from(a) % AlarmKind::ALL.len()];
        let what = match what % 16 {
            0..=8 => Happening::Reading(Reading {
                health: (c > 240).then(|| Health::ALL[usize::from(c) % Health::ALL.len()]),
                celsius: (c < 250).then_some(value),
                ..Reading::of(&kettle, value)
            }),
            9 => Happening::Reading(Reading::of(
                &kettle,
                f64::from_bits(u64::from_le_bytes([a, b, c, a, b, c, a, b])),
            )),
            10 => {
                let kinds = [
                    MarkKind::Rennet,
                    MarkKind::Floc,
                    MarkKind::Cut,
                    MarkKind::HeatOn,
                    MarkKind::HeatOff,
                    MarkKind::Wash,
                    MarkKind::Culture,
                    MarkKind::Lift,
                    MarkKind::Target(value),
                    MarkKind::Ph(value),
                ];
                let kind = kinds[usize::from(c) % kinds.len()].clone();
                Happening::Mark(Mark { kettle, kind, by: None })
            }
            11 | 12 => {
                let asks = [
                    Ask::Acknowledge((b > 128).then_some(alarm)),
                    Ask::Shelve(alarm, u32::from(b) * 97),
                    Ask::Unshelve(alarm),
                    Ask::OutOfService(alarm, b > 128),
                    Ask::Stage(Stage::ALL[usize::from(b) % Stage::ALL.len()]),
                    Ask::Follow(planned.clone().filter(|_| b > 128)),
                    Ask::EndMake,
                ];
                let ask = asks[usize::from(c) % asks.len()].clone();
                Happening::Command(Command { kettle, by: None, ask })
            }
            13 => Happening::ClockStep { step_ns: i64::from_le_bytes([a, b, c, a, b, c, a, b]) },
            14 => Happening::Store { ok: a > 128, text: "full".into() },
            _ => [Happening::Tick, Happening::Resumed, Happening::EndOfInput][usize::from(c) % 3].clone(),
        };
        let stamp = Stamp { boot: 1, mono_ns, wall_ns: (who < 200).then_some(1_752_465_600_000_000_000) };
        out.clear();
        engine.step(&Event { stamp, what }, &mut out);
    }
    for kettle in engine.view().kettles {
        assert!(kettle.celsius.is_none_or(f64::is_finite));
        assert!(kettle.celsius.is_none() || kettle.age_s.is_some(), "a number without its age");
    }
}
