//! The three sounds of the machine, as WAV files made here: the same three that
//! the page makes.
//!
//! 16-bit mono PCM at 16 kHz, RIFF as everywhere.

use std::f64::consts::TAU;

use crate::words::tune::Tune;

const RATE_HZ: u32 = 16_000;

/// Amplitude, -1 to 1, at a second, and the length in seconds.
fn shape(tune: Tune) -> (fn(f64) -> f64, f64) {
    match tune {
        Tune::Ready => (|t| bell(659.0, t) + bell(880.0, t - 0.45), 1.9),
        Tune::Now => (call, 0.96),
        Tune::Fault => (|t| drone(t) + drone(t - 1.0), 2.0),
    }
}

fn bell(hz: f64, t: f64) -> f64 {
    if t < 0.0 {
        return 0.0;
    }
    0.4 * (TAU * hz * t).sin() * (-3.0 * t).exp() + 0.1 * (TAU * hz * 2.76 * t).sin() * (-8.0 * t).exp()
}

fn call(t: f64) -> f64 {
    let step = (t / 0.16).floor();
    let hz = if step % 2.0 < 1.0 { 1480.0 } else { 988.0 };
    let within = t - step * 0.16;
    if within > 0.15 { 0.0 } else { 0.6 * (TAU * hz * t).sin().signum() }
}

fn drone(t: f64) -> f64 {
    if !(0.0..0.9).contains(&t) {
        return 0.0;
    }
    // Frequency falls by an octave in 0.9 s; the phase is its integral.
    let phase = |hz: f64| hz * 0.9 / 2_f64.ln() * (1.0 - (-t * 2_f64.ln() / 0.9).exp());
    let saw = |hz: f64| 2.0 * phase(hz).fract() - 1.0;
    0.3 * (saw(220.0) + saw(227.0)) * (1.0 - t / 0.9)
}

/// The sound as a WAV file.
pub fn wav(tune: Tune) -> Vec<u8> {
    let (shape, length_s) = shape(tune);
    let samples = (length_s * f64::from(RATE_HZ)) as u32;
    let bytes = samples * 2;
    let mut out = Vec::with_capacity(44 + bytes as usize);
    out.extend_from_slice(b"RIFF");
    out.extend_from_slice(&(36 + bytes).to_le_bytes());
    out.extend_from_slice(b"WAVEfmt ");
    out.extend_from_slice(&16_u32.to_le_bytes());
    for half in [1_u16, 1] {
        out.extend_from_slice(&half.to_le_bytes());
    }
    out.extend_from_slice(&RATE_HZ.to_le_bytes());
    out.extend_from_slice(&(RATE_HZ * 2).to_le_bytes());
    for half in [2_u16, 16] {
        out.extend_from_slice(&half.to_le_bytes());
    }
    out.extend_from_slice(b"data");
    out.extend_from_slice(&bytes.to_le_bytes());
    for n in 0..samples {
        let a = shape(f64::from(n) / f64::from(RATE_HZ)).clamp(-1.0, 1.0);
        out.extend_from_slice(&((a * 32_000.0) as i16).to_le_bytes());
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_is_a_whole_wav_file_and_unlike_the_others() {
        let files = [Tune::Ready, Tune::Now, Tune::Fault].map(wav);
        for f in &files {
            assert_eq!((&f[..4], &f[8..16]), (&b"RIFF"[..], &b"WAVEfmt "[..]));
            let said = u32::from_le_bytes([f[40], f[41], f[42], f[43]]) as usize;
            assert_eq!(said, f.len() - 44);
            let loudest = f[44..].chunks(2).map(|b| i16::from_le_bytes([b[0], b[1]]).unsigned_abs()).max();
            assert!(loudest > Some(10_000), "{loudest:?}");
        }
        assert!(files[0] != files[1] && files[1] != files[2] && files[0] != files[2]);
    }
}
