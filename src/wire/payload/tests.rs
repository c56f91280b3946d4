use proptest::prelude::*;

use super::*;
use crate::engine::event::MarkKind;

fn pointers() -> JsonPointers {
    JsonPointers {
        value: "/t/0/value".into(),
        unit: Some("/unit".into()),
        seq: Some("/n".into()),
        cold_junction: Some("/box".into()),
        probe: Some("/id".into()),
    }
}

/// The first thing that it says, a value.
fn value(payload: &Payload, bytes: &[u8]) -> Said {
    match payload.read(bytes).remove(0).unwrap() {
        Told::Value(said) => said,
        other @ Told::Mark { .. } => panic!("{other:?}"),
    }
}

fn celsius(payload: &Payload, text: &str) -> f64 {
    match value(payload, text.as_bytes()).raw.signal {
        Signal::Celsius(c) => c,
        other => panic!("{text}: {other:?}"),
    }
}

#[test]
fn numbers_with_and_without_unit() {
    let mut p = Payload::of(PayloadKind::Number);
    for (text, c) in [("34.5", 34.5), (" 34.5\r\n", 34.5), ("-2", -2.0), ("28 °R", 35.0), ("3.45e1", 34.5)] {
        assert!((celsius(&p, text) - c).abs() < 1e-9, "{text}");
    }
    p.unit = Unit::Fahrenheit;
    assert!((celsius(&p, "93.2") - 34.0).abs() < 1e-9);
    assert!((celsius(&p, "34 C") - 34.0).abs() < 1e-9);
    p.quantity = Quantity::Millivolt;
    let said = value(&p, b"1.5");
    assert_eq!(said.raw.signal, Signal::Microvolt { uv: 1500.0, couple: None });
    assert!(p.read(b"1.5 C")[0].is_err());
}

#[test]
fn json_by_pointer() {
    let mut p = Payload::of(PayloadKind::Json);
    assert!((celsius(&p, "34.5") - 34.5).abs() < 1e-9);
    p.pointers = Some(pointers());
    let text = br#"{"id":"vat","t":[{"value":95.0}],"unit":"F","n":7,"box":68}"#;
    let said = value(&p, text);
    assert_eq!(said.probe.as_deref(), Some("vat"));
    assert_eq!(said.raw.seq, Some(7));
    assert_eq!(said.raw.signal, Signal::Celsius(35.0));
    assert_eq!(said.raw.cold_junction_celsius, Some(20.0));
    assert!((celsius(&p, r#"{"t":[{"value":"34.5"}]}"#) - 34.5).abs() < 1e-9);
    assert!((celsius(&p, r#"{"t":[{"value":34.5}],"unit":null}"#) - 34.5).abs() < 1e-9);
    let said = p.read(br#"{"t":[{"value":34.5}],"unit":5}"#).remove(0).unwrap_err().to_string();
    assert!(said.starts_with("\"5\" is no unit of temperature"), "{said}");
}

#[test]
fn no_number_says_so() {
    let mut p = Payload::of(PayloadKind::Number);
    for text in ["nan", "NaN", "null", "inf"] {
        let said = value(&p, text.as_bytes());
        assert_eq!(said.raw.signal, Signal::Nothing);
        assert_eq!(said.raw.said.unwrap().0, Health::Failure);
    }
    p.kind = PayloadKind::Json;
    assert_eq!(value(&p, b"null").raw.signal, Signal::Nothing);
}

#[test]
fn refused_with_the_remedy() {
    let n = Payload::of(PayloadKind::Number);
    let j = Payload { pointers: Some(pointers()), ..Payload::of(PayloadKind::Json) };
    let lp = Payload::of(PayloadKind::LineProtocol);
    let hex = Payload::of(PayloadKind::Max31855Hex);
    for (payload, text, says) in [
        (&n, "warm", "no number"),
        (&n, "", "no number"),
        (&n, "34,5", "with a point"),
        (&n, "34.5 X", "no unit"),
        (&n, "1e999", "no number"),
        (&j, "{", "no JSON"),
        (&j, "{}", "nothing at \"/t/0/value\""),
        (&j, r#"{"t":[{"value":true}]}"#, "no number"),
        (&j, r#"{"t":[{"value":1}],"unit":"X"}"#, "no unit"),
        (&lp, "humidity,probe=a x=1 5", "none of temperature"),
        (&lp, "mark,kettle=a name=\"sing\" 5", "marks are rennet"),
        (&lp, "event,what=end-make,kettle=a seen=true 5", "the journal's own"),
        (&hex, "0190", "8 hex digits"),
        (&hex, "0190000G", "8 hex digits"),
    ] {
        let e = payload.read(text.as_bytes()).remove(0).unwrap_err().to_string();
        assert!(e.contains(says), "{text}: {e}");
    }
    assert_eq!(n.read(&[0xFF, 0xFE]), [Err(PayloadError::NotText)]);
}

#[test]
fn words_and_lines() {
    let word = value(&Payload::of(PayloadKind::Max31855Hex), b"0x064C0000");
    assert_eq!(word.raw.signal, Signal::Word(Chip::Max31855, 0x064C_0000));
    let pad = value(&Payload::of(PayloadKind::Ds18b20Hex), b"91 01 4B 46 7F FF 0F 10 25");
    assert_eq!(pad.raw.signal, Signal::Scratchpad([0x91, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10, 0x25]));
    let text = b"# hello\ntemperature,probe=a celsius=34.5,seq=3u 9\n\
        temperature,probe=b health=\"failure\",reason=\"open\" 9\ntemperature,probe=c x=1\n\
        mark,kettle=a name=\"cut\",by=\"ada\"";
    let told = Payload::of(PayloadKind::LineProtocol).read(text);
    let [Ok(Told::Value(one)), Ok(Told::Value(two)), Err(_), Ok(Told::Mark { mark, wall_ns: None })] =
        told.as_slice()
    else {
        panic!("{told:?}");
    };
    assert_eq!((one.raw.seq, one.wall_ns), (Some(3), Some(9)));
    assert_eq!(two.raw.said, Some((Health::Failure, "open".into())));
    let cut = Mark { kettle: "a".into(), kind: MarkKind::Cut, by: Some("ada".into()) };
    assert_eq!(*mark, cut, "a person's mark stands in the same stream");
}

proptest! {
    #[test]
    fn no_payload_panics(bytes in proptest::collection::vec(any::<u8>(), 0..200), text in "\\PC*") {
        for kind in [
            PayloadKind::Number, PayloadKind::Json, PayloadKind::LineProtocol, PayloadKind::Max31855Hex,
            PayloadKind::Max31856Hex, PayloadKind::Max6675Hex, PayloadKind::Ds18b20Hex,
        ] {
            let payload = Payload { pointers: Some(pointers()), ..Payload::of(kind) };
            for said in payload.read(&bytes).into_iter().chain(payload.read(text.as_bytes())).flatten() {
                if let Told::Value(Said { raw: Raw { signal: Signal::Celsius(c), .. }, .. }) = said {
                    prop_assert!(c.is_finite());
                }
            }
        }
    }
}
