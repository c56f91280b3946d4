use proptest::prelude::*;

use super::*;
use crate::sensor::raw::Signal;

fn request(count: u16) -> Request {
    Request { unit: 0x11, table: Table::Holding, address: 0x6B, count }
}

/// The specification's example (read 3 holding registers at 0x6B of unit
/// 0x11, reply AE41 5652 4340), as public code and documents quote it.
#[test]
fn the_specification_s_example() {
    let reply = [0x11, 0x03, 0x06, 0xAE, 0x41, 0x56, 0x52, 0x43, 0x40, 0x49, 0xAD];
    let r = request(3);
    assert_eq!(r.rtu(), [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87]);
    for short in 0..reply.len() {
        assert_eq!(r.rtu_reply(&reply[..short]), Ok(None), "{short}");
    }
    assert_eq!(r.rtu_reply(&reply), Ok(Some(vec![0xAE41, 0x5652, 0x4340])));
    let tcp = [0, 7, 0, 0, 0, 9, 0x11, 0x03, 0x06, 0xAE, 0x41, 0x56, 0x52, 0x43, 0x40];
    assert_eq!(r.tcp(7), [0, 7, 0, 0, 0, 6, 0x11, 0x03, 0x00, 0x6B, 0x00, 0x03]);
    for short in 0..tcp.len() {
        assert_eq!(r.tcp_reply(7, &tcp[..short]), Ok(None), "{short}");
    }
    assert_eq!(r.tcp_reply(7, &tcp), Ok(Some((vec![0xAE41, 0x5652, 0x4340], 15))));
}

fn rtu(body: &[u8]) -> Vec<u8> {
    let mut frame = body.to_vec();
    frame.extend(CRC.checksum(body).to_le_bytes());
    frame
}

#[test]
fn refusals_say_what_and_why() {
    let r = request(1);
    let mut hurt = rtu(&[0x11, 0x03, 0x02, 0x01, 0x5E]);
    hurt[3] ^= 1;
    for (bytes, says) in [
        (hurt, "CRC wrong"),
        (vec![0x11, 0x03, 0xFF, 0, 0], "CRC wrong"),
        (rtu(&[0x12, 0x03, 0x02, 0x01, 0x5E]), "not to our request (unit 18"),
        (rtu(&[0x11, 0x04, 0x02, 0x01, 0x5E]), "function 4"),
        (rtu(&[0x11, 0x03, 0x04, 0x01, 0x5E, 0, 0]), "4 bytes where 2"),
        (rtu(&[0x11, 0x83, 0x02]), "illegal data address (2)"),
        (rtu(&[0x11, 0x83, 0x0B]), "gateway got no answer"),
        (rtu(&[0x11, 0x83, 0x63]), "exception 99"),
    ] {
        let e = r.rtu_reply(&bytes).unwrap_err().to_string();
        assert!(e.contains(says), "{bytes:02X?}: {e}");
    }
    assert_eq!(r.tcp_reply(1, b"HTTP/1.1 400 Bad"), Err(ModbusError::Header));
    let late = [0, 6, 0, 0, 0, 5, 0x11, 0x03, 0x02, 0x01, 0x5E];
    assert!(matches!(r.tcp_reply(7, &late), Err(ModbusError::NotOurs { .. })));
}

fn value(format: Format, word_order: WordOrder, scale: f64) -> Value {
    Value { format, word_order, scale, offset: 0.0 }
}

/// By hand: 350 tenths; −100 tenths as two's complement; 34.5 as IEEE 754 is
/// 0x420A0000.
#[test]
fn registers_mean_what_they_say() {
    let plain = WordOrder::HighFirst;
    for (v, registers, number) in [
        (value(Format::I16, plain, 0.1), &[350][..], Some(35.0)),
        (value(Format::I16, plain, 0.1), &[0xFF9C], Some(-10.0)),
        (value(Format::U16, plain, 0.1), &[0xFF9C], Some(6543.6)),
        (value(Format::F32, plain, 1.0), &[0x420A, 0x0000], Some(34.5)),
        (value(Format::F32, WordOrder::LowFirst, 1.0), &[0x0000, 0x420A], Some(34.5)),
        (value(Format::I32, plain, 0.001), &[0xFFFF, 0xD8F0], Some(-10.0)),
        (value(Format::F32, plain, 1.0), &[0x7FC0, 0x0000], None),
        (value(Format::I16, plain, 0.1), &[0x7FFF], None),
        (value(Format::I16, plain, 0.1), &[0x8000], None),
        (value(Format::U16, plain, 0.1), &[0xFFFF], None),
        (value(Format::F32, plain, 1.0), &[0x420A], None),
        (value(Format::I16, plain, 0.1), &[], None),
    ] {
        let got = v.number(registers);
        assert_eq!(got.is_some(), number.is_some(), "{v:?} {registers:?}: {got:?}");
        if let (Some(got), Some(number)) = (got, number) {
            assert!((got - number).abs() < 1e-9, "{v:?} {registers:?}: {got}");
        }
    }
    let r = Register {
        unit: 1,
        table: Table::Input,
        address: 0,
        value: value(Format::I16, plain, 0.1),
        measured_in: Unit::Fahrenheit,
    };
    assert_eq!(r.raw(&[950]).signal, Signal::Celsius(35.0));
    assert_eq!(r.raw(&[0x7FFF]).signal, Signal::Nothing);
    assert_eq!(r.request().count, 1);
}

proptest! {
    #[test]
    fn no_reply_panics(bytes in proptest::collection::vec(any::<u8>(), 0..300), count in 1u16..126) {
        let _ = request(count).rtu_reply(&bytes);
        let _ = request(count).tcp_reply(1, &bytes);
    }

    #[test]
    fn a_hurt_reply_is_refused(data in proptest::collection::vec(any::<u16>(), 1..100), at in any::<prop::sample::Index>(), bit in 0u8..8) {
        let count = data.len() as u16;
        let mut body = vec![0x11, 0x03, (2 * count) as u8];
        body.extend(data.iter().flat_map(|r| r.to_be_bytes()));
        let good = rtu(&body);
        prop_assert_eq!(request(count).rtu_reply(&good), Ok(Some(data)));
        let mut hurt = good;
        let i = at.index(hurt.len());
        hurt[i] ^= 1 << bit;
        // Longer than sent it may wait; another answer it may not give.
        prop_assert!(!matches!(request(count).rtu_reply(&hurt), Ok(Some(_))));
    }
}
