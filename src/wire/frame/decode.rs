//! Bytes to frames: a decoder that finds its way back after any noise.

use super::{BoxReading, CRC, Frame, Hello, LONGEST_FRAME, LONGEST_PROBE, Lamp, Sound};
use crate::sensor::fault::Faults;
use crate::sensor::raw::{Chip, Signal};
use crate::sensor::thermocouple::Couple;

/// Why something on the line is no frame.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FrameError {
    /// The CRC is wrong or missing.
    #[error("CRC wrong in {text:?}: noise on the line; check cable, ground and speed")]
    Crc {
        /// What came.
        text: String,
    },
    /// No end within [`LONGEST_FRAME`] bytes.
    #[error("no end of frame within {LONGEST_FRAME} bytes: noise, or not a box of ours")]
    TooLong,
    /// A new frame began, or a byte came that no frame has, before this ended.
    #[error("frame cut short: {text:?}")]
    CutShort {
        /// What had come.
        text: String,
    },
    /// A version we do not know.
    #[error("frame version {0:?} is not known here: this program reads version 1; update it or the box")]
    Version(char),
    /// A kind we do not know.
    #[error("frame kind {0:?} is not known here; update this program or the box")]
    Kind(String),
    /// CRC right, but a field cannot be read: the box has a fault.
    #[error("field {field} of frame {text:?} cannot be read: the box's firmware has a fault")]
    Field {
        /// The field's name.
        field: &'static str,
        /// The frame.
        text: String,
    },
}

impl FrameError {
    /// Whether it was hurt on its way: no box sent it so.
    pub fn is_noise(&self) -> bool {
        matches!(self, Self::Crc { .. } | Self::TooLong | Self::CutShort { .. })
    }
}

/// Turns bytes, in pieces of any size, into frames.
///
/// ```
/// use curdtrace::wire::frame::{Frame, FrameDecoder};
/// let mut decoder = FrameDecoder::default();
/// let got = decoder.push(b"noise$1A,1$1A,17*2C2C\n");
/// assert!(got[0].is_err()); // cut short
/// assert_eq!(got[1], Ok(Frame::Ack { seq: 17 }));
/// ```
#[derive(Debug, Default)]
pub struct FrameDecoder {
    /// What came since `$`; `None` between frames.
    open: Option<Vec<u8>>,
}

impl FrameDecoder {
    /// Takes in bytes as they came and gives every frame that ended in them,
    /// and every piece that was refused, in their order.
    pub fn push(&mut self, bytes: &[u8]) -> Vec<Result<Frame, FrameError>> {
        let mut out = Vec::new();
        for &b in bytes {
            self.byte(b, &mut out);
        }
        out
    }

    /// Forgets a frame begun, for a line that was opened anew.
    pub fn reset(&mut self) {
        self.open = None;
    }

    fn byte(&mut self, b: u8, out: &mut Vec<Result<Frame, FrameError>>) {
        if b == b'$' {
            if let Some(cut) = self.open.replace(Vec::with_capacity(64)) {
                out.push(Err(FrameError::CutShort { text: shown(&cut) }));
            }
            return;
        }
        // What comes between frames is noise.
        let Some(body) = &mut self.open else { return };
        if b == b'\n' {
            out.push(frame(body));
            self.open = None;
        } else if !(b' '..=b'~').contains(&b) && b != b'\r' {
            out.push(Err(FrameError::CutShort { text: shown(body) }));
            self.open = None;
        } else if body.len() + 2 >= LONGEST_FRAME {
            out.push(Err(FrameError::TooLong));
            self.open = None;
        } else {
            body.push(b);
        }
    }
}

fn shown(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// `body` is what stands between `$` and line feed.
fn frame(body: &[u8]) -> Result<Frame, FrameError> {
    let text = std::str::from_utf8(body).unwrap_or_default().trim_end_matches('\r');
    let crc = || FrameError::Crc { text: shown(body) };
    let (inner, sum) = text.rsplit_once('*').ok_or_else(crc)?;
    if sum.len() != 4 || !sum.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Err(crc());
    }
    let sent = u16::from_str_radix(sum, 16).map_err(|_| crc())?;
    if sent != CRC.checksum(inner.as_bytes()) {
        return Err(crc());
    }
    match inner.chars().next() {
        Some('1') => {}
        other => return Err(FrameError::Version(other.unwrap_or(' '))),
    }
    let mut fields = Fields { text: inner, rest: inner[1..].split(',') };
    let kind = fields.rest.next().unwrap_or_default();
    let frame = match kind {
        "R" => Frame::Reading(reading(&mut fields)?),
        "H" => Frame::Hello(Hello {
            seq: fields.whole("seq")?,
            name: fields.name("name", false)?,
            firmware: fields.name("firmware", true)?,
            up_s: fields.whole("up_s")?,
        }),
        "B" => button(&mut fields)?,
        "A" => Frame::Ack { seq: fields.whole("seq")? },
        "S" => Frame::Sound {
            sound: fields.letter("sound", &Sound::ALL)?,
            lamp: fields.letter("lamp", &Lamp::ALL)?,
        },
        "K" => Frame::KeepAlive { within_s: fields.whole("within_s")? },
        other => return Err(FrameError::Kind(other.to_owned())),
    };
    fields.end()?;
    Ok(frame)
}

/// A box that does not send buttons again has no age for them.
fn button(fields: &mut Fields<'_>) -> Result<Frame, FrameError> {
    let (seq, button) = (fields.whole("seq")?, fields.whole("button")?);
    let is_aged = fields.rest.clone().next().is_some();
    let age_ms = if is_aged { fields.whole("age-ms")? } else { 0 };
    Ok(Frame::Button { seq, button, age_ms })
}

fn reading(fields: &mut Fields<'_>) -> Result<BoxReading, FrameError> {
    let seq = fields.whole("seq")?;
    let probe = fields.name("probe", false)?;
    let what = fields.next("what")?;
    let value = fields.next("value")?;
    let signal = signal(what, value).ok_or_else(|| fields.fault("value"))?;
    let cold_junction_celsius = match fields.next("cold-junction")? {
        "" => None,
        text => Some(decimal(text).ok_or_else(|| fields.fault("cold-junction"))?),
    };
    let bits = fields.next("faults")?;
    let faults = (bits.len() <= 4 && bits.bytes().all(|b| b.is_ascii_hexdigit()))
        .then(|| u16::from_str_radix(bits, 16).ok())
        .flatten()
        .and_then(Faults::from_bits)
        .ok_or_else(|| fields.fault("faults"))?;
    Ok(BoxReading { seq, probe, signal, cold_junction_celsius, faults, age_ms: fields.whole("age-ms")? })
}

fn signal(what: &str, value: &str) -> Option<Signal> {
    match what {
        "-" => value.is_empty().then_some(Signal::Nothing),
        "C" => decimal(value).map(Signal::Celsius),
        "O" => decimal(value).map(Signal::Ohm),
        "V-" => decimal(value).map(|uv| Signal::Microvolt { uv, couple: None }),
        "D" => scratchpad(value),
        _ => {
            if let Some(letter) = what.strip_prefix('V') {
                let mut letters = letter.chars();
                let couple = letters.next().filter(char::is_ascii_uppercase).and_then(Couple::lettered)?;
                return match letters.next() {
                    None => decimal(value).map(|uv| Signal::Microvolt { uv, couple: Some(couple) }),
                    Some(_) => None,
                };
            }
            let number = what.strip_prefix('W')?;
            let chip = Chip::ALL.into_iter().find(|c| &c.name()[3..] == number)?;
            if value.len() != chip.hex_digits() || !value.bytes().all(|b| b.is_ascii_hexdigit()) {
                return None;
            }
            u32::from_str_radix(value, 16).ok().map(|bits| Signal::Word(chip, bits))
        }
    }
}

fn scratchpad(hex: &str) -> Option<Signal> {
    if hex.len() != 18 || !hex.bytes().all(|b| b.is_ascii_hexdigit()) {
        return None;
    }
    let mut bytes = [0u8; 9];
    for (i, b) in bytes.iter_mut().enumerate() {
        *b = u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).ok()?;
    }
    Some(Signal::Scratchpad(bytes))
}

/// Sign, digits, perhaps a point and digits. No exponent, no `inf`, no `nan`.
fn decimal(text: &str) -> Option<f64> {
    let digits = text.strip_prefix('-').unwrap_or(text);
    let (whole, part) = digits.split_once('.').unwrap_or((digits, "0"));
    let all_digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    if !all_digits(whole) || !all_digits(part) || text.len() > 20 {
        return None;
    }
    text.parse().ok()
}

struct Fields<'a> {
    text: &'a str,
    rest: std::str::Split<'a, char>,
}

impl<'a> Fields<'a> {
    fn fault(&self, field: &'static str) -> FrameError {
        FrameError::Field { field, text: self.text.to_owned() }
    }

    fn next(&mut self, field: &'static str) -> Result<&'a str, FrameError> {
        self.rest.next().ok_or_else(|| FrameError::Field { field, text: self.text.to_owned() })
    }

    fn whole<T: std::str::FromStr>(&mut self, field: &'static str) -> Result<T, FrameError> {
        let text = self.next(field)?;
        if text.is_empty() || !text.bytes().all(|b| b.is_ascii_digit()) {
            return Err(self.fault(field));
        }
        text.parse().map_err(|_| self.fault(field))
    }

    fn name(&mut self, field: &'static str, dots: bool) -> Result<String, FrameError> {
        let text = self.next(field)?;
        let fits = |b: u8| b.is_ascii_alphanumeric() || b == b'_' || b == b'-' || (dots && b == b'.');
        if text.is_empty() || text.len() > LONGEST_PROBE || !text.bytes().all(fits) {
            return Err(self.fault(field));
        }
        Ok(text.to_owned())
    }

    fn letter<T: Copy>(&mut self, field: &'static str, all: &[(T, &str)]) -> Result<T, FrameError> {
        let text = self.next(field)?;
        all.iter().find(|(_, l)| *l == text).map(|(t, _)| *t).ok_or_else(|| self.fault(field))
    }

    fn end(&mut self) -> Result<(), FrameError> {
        match self.rest.next() {
            None => Ok(()),
            Some(_) => Err(self.fault("after the last")),
        }
    }
}
