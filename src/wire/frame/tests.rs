use proptest::prelude::*;

use super::*;
use crate::sensor::fault::Fault;
use crate::sensor::raw::Chip;
use crate::sensor::thermocouple::Couple;

fn one(bytes: &[u8]) -> Frame {
    let mut got = FrameDecoder::default().push(bytes);
    assert_eq!(got.len(), 1, "{got:?}");
    got.remove(0).unwrap()
}

fn reading(signal: Signal) -> BoxReading {
    BoxReading {
        seq: 4711,
        probe: "kettle".into(),
        signal,
        cold_junction_celsius: Some(21.5),
        faults: Faults::NONE,
        age_ms: 0,
    }
}

/// The worked examples of hardware/wire-format.md, byte for byte: each line
/// of its block "frames" is a text, its block "bytes" the first one in hex.
#[test]
fn the_description_s_examples_are_frames() {
    let page = include_str!("../../../hardware/wire-format.md");
    let block = |name: &str| {
        let begin = page.find(&format!("```{name}\n")).unwrap() + name.len() + 4;
        page[begin..begin + page[begin..].find("```").unwrap()].trim_end().to_owned()
    };
    let frames = block("frames");
    assert_eq!(frames.lines().count(), 13);
    for line in frames.lines() {
        let bytes = format!("{line}\n").into_bytes();
        assert_eq!(encode(&one(&bytes)), bytes, "{line}");
    }
    let hex: Vec<u8> =
        block("bytes").split_whitespace().map(|h| u8::from_str_radix(h, 16).unwrap()).collect();
    assert_eq!(hex, format!("{}\n", frames.lines().next().unwrap()).into_bytes());
    let Frame::Reading(r) = one(&hex) else { panic!("not a reading") };
    assert_eq!((r.seq, r.probe.as_str(), r.signal), (4711, "kettle", Signal::Celsius(34.9375)));
}

/// CRC-16/IBM-3740 over "123456789" is 0x29B1 (CRC catalogue; crcmod's
/// crc-ccitt-false agrees).
#[test]
fn crc_is_the_named_variant() {
    assert_eq!(CRC.checksum(b"123456789"), 0x29B1);
}

#[test]
fn refused_with_a_reason() {
    let crc = |inner: &str| format!("${inner}*{:04X}\n", CRC.checksum(inner.as_bytes()));
    for (text, says) in [
        ("$1A,17*0000\n".to_owned(), "CRC wrong"),
        ("$1A,17\n".to_owned(), "CRC wrong"),
        ("$1A,17*+7B9\n".to_owned(), "CRC wrong"),
        (crc("2A,17"), "version '2'"),
        (crc(""), "version ' '"),
        (crc("1Q,17"), "kind \"Q\""),
        (crc("1A,-17"), "field seq"),
        (crc("1A,4294967296"), "field seq"),
        (crc("1A,17,1"), "after the last"),
        (crc("1S,X,0"), "field sound"),
        (crc("1R,1,a b,C,1,,0,0"), "field probe"),
        (crc("1R,1,a,C,NaN,,0,0"), "field value"),
        (crc("1R,1,a,C,1e5,,0,0"), "field value"),
        (crc("1R,1,a,C,,,0,0"), "field value"),
        (crc("1R,1,a,VX,1,,0,0"), "field value"),
        (crc("1R,1,a,W31855,123,,0,0"), "field value"),
        (crc("1R,1,a,C,1,,8000,0"), "field faults"),
        (crc("1R,1,a,C,1,,0"), "field age-ms"),
        (format!("${}\n", "x".repeat(200)), "within 120 bytes"),
    ] {
        let got = FrameDecoder::default().push(text.as_bytes());
        assert_eq!(got.len(), 1, "{text}");
        let said = got[0].as_ref().unwrap_err().to_string();
        assert!(said.contains(says), "{text}: {said}");
    }
}

#[test]
fn a_longest_frame_fits() {
    let mut r = reading(Signal::Scratchpad([0xFF; 9]));
    r.seq = u32::MAX;
    r.probe = "x".repeat(LONGEST_PROBE);
    r.cold_junction_celsius = Some(-123.456_789_1);
    r.faults = Fault::ALL.into_iter().fold(Faults::NONE, Faults::with);
    r.age_ms = u32::MAX;
    let bytes = encode(&Frame::Reading(r.clone()));
    assert!(bytes.len() <= LONGEST_FRAME, "{}", bytes.len());
    assert_eq!(one(&bytes), Frame::Reading(r));
}

fn any_signal() -> impl Strategy<Value = Signal> {
    let micro = |range: std::ops::Range<i64>| range.prop_map(|n| n as f64 / 128.0);
    prop_oneof![
        micro(-40_000..260_000).prop_map(Signal::Celsius),
        (micro(-2_000_000..10_000_000), proptest::option::of(proptest::sample::select(&Couple::ALL[..])))
            .prop_map(|(uv, couple)| Signal::Microvolt { uv, couple }),
        micro(0..1_000_000).prop_map(Signal::Ohm),
        any::<u32>().prop_map(|w| Signal::Word(Chip::Max31855, w)),
        any::<u32>().prop_map(|w| Signal::Word(Chip::Max31856, w)),
        any::<u16>().prop_map(|w| Signal::Word(Chip::Max6675, u32::from(w))),
        any::<[u8; 9]>().prop_map(Signal::Scratchpad),
        Just(Signal::Nothing),
    ]
}

fn any_frame() -> impl Strategy<Value = Frame> {
    let cold = proptest::option::of((-880i32..1600).prop_map(|n| f64::from(n) / 16.0));
    let r = (any::<u32>(), "[A-Za-z0-9_-]{1,24}", any_signal(), cold, 0u16..4096, any::<u32>());
    prop_oneof![
        r.prop_map(|(seq, probe, signal, cold_junction_celsius, bits, age_ms)| {
            let faults = Faults::from_bits(bits).unwrap();
            Frame::Reading(BoxReading { seq, probe, signal, cold_junction_celsius, faults, age_ms })
        }),
        (any::<u32>(), "[A-Za-z0-9_-]{1,24}", "[A-Za-z0-9_.-]{1,24}", any::<u32>())
            .prop_map(|(seq, name, firmware, up_s)| Frame::Hello(Hello { seq, name, firmware, up_s })),
        (any::<u32>(), any::<u8>(), any::<u32>()).prop_map(|(seq, button, age_ms)| Frame::Button {
            seq,
            button,
            age_ms
        }),
        any::<u32>().prop_map(|seq| Frame::Ack { seq }),
        any::<u16>().prop_map(|within_s| Frame::KeepAlive { within_s }),
        (proptest::sample::select(&Sound::ALL[..]), proptest::sample::select(&Lamp::ALL[..]))
            .prop_map(|(s, l)| Frame::Sound { sound: s.0, lamp: l.0 }),
    ]
}

proptest! {
    #[test]
    fn what_is_sent_is_heard(frame in any_frame()) {
        prop_assert_eq!(one(&encode(&frame)), frame);
    }

    /// Noise before a frame, in pieces of any size, costs no frame.
    #[test]
    fn noise_before_a_frame_costs_nothing(
        noise in proptest::collection::vec(any::<u8>(), 0..300),
        frames in proptest::collection::vec(any_frame(), 1..5),
        piece in 1usize..40,
    ) {
        let mut line = noise;
        line.push(b'\n');
        for f in &frames {
            line.extend(encode(f));
        }
        let mut decoder = FrameDecoder::default();
        let mut got: Vec<Frame> = Vec::new();
        for part in line.chunks(piece) {
            got.extend(decoder.push(part).into_iter().flatten());
        }
        prop_assert_eq!(got, frames);
    }

    /// Any burst of up to 16 bits in a frame is found: no other frame results.
    #[test]
    fn a_hurt_frame_is_never_another(frame in any_frame(), at in any::<prop::sample::Index>(), xor in 1u16..) {
        let mut bytes = encode(&frame);
        let i = at.index(bytes.len() - 1);
        bytes[i] ^= (xor >> 8) as u8;
        bytes[i + 1] ^= (xor & 0xFF) as u8;
        for got in FrameDecoder::default().push(&bytes).into_iter().flatten() {
            // Lower-case hex or a carriage return say the same; nothing else may.
            prop_assert_eq!(got, frame.clone());
        }
    }

    #[test]
    fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let _ = FrameDecoder::default().push(&bytes);
    }
}
