//! A frame to bytes.

use std::fmt::Write as _;

use super::{BoxReading, CRC, Frame, Hello, LONGEST_PROBE, Lamp, Sound};
use crate::sensor::raw::Signal;
use crate::sensor::thermocouple::Couple;

/// A frame as it goes over the line, `$` to line feed. What a name may not
/// hold becomes `_`; a number that is not finite becomes no value.
///
/// ```
/// use curdtrace::wire::frame::{Frame, encode};
/// assert_eq!(encode(&Frame::Ack { seq: 17 }), b"$1A,17*2C2C\n");
/// ```
pub fn encode(frame: &Frame) -> Vec<u8> {
    let mut body = String::with_capacity(64);
    match frame {
        Frame::Reading(r) => reading(&mut body, r),
        Frame::Hello(h) => hello(&mut body, h),
        Frame::Button { seq, button, age_ms: 0 } => push(&mut body, format_args!("1B,{seq},{button}")),
        Frame::Button { seq, button, age_ms } => push(&mut body, format_args!("1B,{seq},{button},{age_ms}")),
        Frame::Ack { seq } => push(&mut body, format_args!("1A,{seq}")),
        Frame::Sound { sound, lamp } => {
            push(&mut body, format_args!("1S,{},{}", sound_letter(*sound), lamp_letter(*lamp)));
        }
        Frame::KeepAlive { within_s } => push(&mut body, format_args!("1K,{within_s}")),
    }
    let crc = CRC.checksum(body.as_bytes());
    format!("${body}*{crc:04X}\n").into_bytes()
}

fn push(out: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a string cannot fail.
    let _ = out.write_fmt(text);
}

fn reading(out: &mut String, r: &BoxReading) {
    push(out, format_args!("1R,{},{},", r.seq, name(&r.probe, false)));
    match r.signal {
        Signal::Celsius(c) if c.is_finite() => push(out, format_args!("C,{}", decimal(c))),
        Signal::Microvolt { uv, couple } if uv.is_finite() => {
            push(out, format_args!("V{},{}", couple.map_or('-', Couple::letter), decimal(uv)));
        }
        Signal::Ohm(ohm) if ohm.is_finite() => push(out, format_args!("O,{}", decimal(ohm))),
        Signal::Word(chip, bits) => {
            push(out, format_args!("W{},{bits:0width$X}", &chip.name()[3..], width = chip.hex_digits()));
        }
        Signal::Scratchpad(bytes) => {
            out.push_str("D,");
            for b in bytes {
                push(out, format_args!("{b:02X}"));
            }
        }
        _ => out.push_str("-,"),
    }
    out.push(',');
    if let Some(c) = r.cold_junction_celsius.filter(|c| c.is_finite()) {
        out.push_str(&decimal(c));
    }
    push(out, format_args!(",{:X},{}", r.faults.bits(), r.age_ms));
}

fn hello(out: &mut String, h: &Hello) {
    push(out, format_args!("1H,{},{},{},{}", h.seq, name(&h.name, false), name(&h.firmware, true), h.up_s));
}

/// At most seven decimals, none where none is needed: 1/128 °C is exact.
fn decimal(value: f64) -> String {
    let text = format!("{:.7}", value.clamp(-1.0e9, 1.0e9));
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

fn name(text: &str, dots: bool) -> String {
    let fits = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == '-' || (dots && c == '.');
    let short: String = text.chars().take(LONGEST_PROBE).map(|c| if fits(c) { c } else { '_' }).collect();
    if short.is_empty() { "_".to_owned() } else { short }
}

fn sound_letter(sound: Sound) -> &'static str {
    Sound::ALL.iter().find(|(s, _)| *s == sound).map_or("0", |(_, l)| l)
}

fn lamp_letter(lamp: Lamp) -> &'static str {
    Lamp::ALL.iter().find(|(s, _)| *s == lamp).map_or("0", |(_, l)| l)
}
