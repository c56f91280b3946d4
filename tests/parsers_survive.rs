//! Promise: no bytes at all make a parser panic or break its word. The bodies
//! are those of the fuzz targets; here they are fed on stable: good inputs
//! hurt in every way a line hurts them, and noise.
//!
//! `CURDTRACE_FUZZ_S` sets the seconds a target (1), `CURDTRACE_FUZZ_SEED` the
//! seed. Long runs: CURDTRACE_FUZZ_S=60 cargo test --release --test
//! parsers_survive -- --nocapture

#![allow(clippy::unwrap_used, clippy::panic, clippy::expect_used, clippy::disallowed_methods)] // a test measures and may end here

#[path = "../fuzz/bodies.rs"]
mod bodies;

use std::panic::catch_unwind;
use std::time::{Duration, Instant};

/// Good inputs, from which the bad ones are made.
const SEEDS: [&[u8]; 14] = [
    include_bytes!("../hardware/wire-format.md"),
    b"$1R,4711,kettle,C,34.9375,21.5,0,0*B4B0\n$1R,4712,kettle,VK,563.25,21.4375,0,0*FA7A\n",
    b"$1R,4717,cellar,D,91014B467FFF0F1025,,0,0*A010\n$1S,N,F*8A85\n$1K,10*3460\n",
    b"34.9375",
    b"93.2 \xC2\xB0F",
    br#"{"v":34.5,"u":"F","n":7,"c":21.0,"p":"kettle"}"#,
    b"temperature,probe=kettle,kettle=big celsius=34.9375,seq=7u,health=\"good\" 1752465129500000000",
    b"mark,kettle=kettle name=\"ph\",value=6.4,by=\"ada\" 1752465129500000000",
    b"0x064C1900",
    b"91 01 4B 46 7F FF 0F 10 25",
    &[0x01, 0x04, 0x02, 0x01, 0x5E, 0x39, 0x58],
    &[0, 1, 0, 0, 0, 5, 1, 4, 2, 1, 0x5E],
    b"dairy/{probe}/temperature\ndairy/kettle/temperature",
    b"probe = \"k\"\nnumber = 2\ntime = \"2026-06-14T08:12:30Z\"\nby = \"ada\"\nsensor = \"type K\"\nshape = \"linear\"\n\
      knots = [[0.4, 0.0], [93.2, 93.65]]\nexpanded-uncertainty-celsius = 0.2\ndue = \"2026-12-11\"\npoint = []\n",
];

const CONFIG: &[u8] = include_bytes!("../config/curdtrace.toml");

/// A journal of the first format, and two lines packed by gzip.
const JOURNALS: [&[u8]; 2] = [
    include_bytes!("golden/journal-1/000001-2026-07-14.lp"),
    &[
        0x1f, 0x8b, 0x08, 0x00, 0x00, 0x00, 0x00, 0x00, 0x02, 0x03, 0x2b, 0x49, 0xcd, 0x2d, 0x48, 0x2d, 0x4a,
        0x2c, 0x29, 0x2d, 0x4a, 0xd5, 0x29, 0x28, 0xca, 0x4f, 0x4a, 0xb5, 0xcd, 0x56, 0x48, 0x4e, 0xcd, 0x29,
        0xce, 0x2c, 0x2d, 0xb6, 0x35, 0x36, 0xd1, 0x33, 0x55, 0x30, 0xe4, 0x2a, 0xc1, 0xaf, 0xc4, 0xdc, 0x54,
        0xc1, 0x88, 0x0b, 0x00, 0x0c, 0xdf, 0xa7, 0xe2, 0x47, 0x00, 0x00, 0x00,
    ],
];

/// What parsers turn on.
const SIGNS: &[u8] = b"0,.-$*\n\"={}[]\\/+e9";

/// Xorshift: small, and the same everywhere.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, n: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as usize % n.max(1)
    }
}

/// One input: a seed hurt a few times, or two seeds spliced, or noise.
fn hurt(dice: &mut Dice, seeds: &[&[u8]], out: &mut Vec<u8>) {
    out.clear();
    if dice.roll(8) == 0 {
        let n = dice.roll(200);
        out.extend((0..n).map(|_| dice.roll(256) as u8));
        return;
    }
    let seed = seeds[dice.roll(seeds.len())];
    // Long seeds are taken in windows, so that a run is many inputs.
    let begin = if seed.len() > 600 { dice.roll(seed.len() - 500) } else { 0 };
    out.extend(&seed[begin..seed.len().min(begin + 500)]);
    for _ in 0..dice.roll(5) {
        let at = dice.roll(out.len().max(1));
        match dice.roll(7) {
            0 if !out.is_empty() => out[at] ^= 1 << dice.roll(8),
            1 if !out.is_empty() => out[at] = dice.roll(256) as u8,
            2 => out.truncate(at),
            3 => out.insert(at.min(out.len()), SIGNS[dice.roll(SIGNS.len())]),
            4 if !out.is_empty() => drop(out.remove(at)),
            5 => {
                let other = seeds[dice.roll(seeds.len())];
                let from = dice.roll(other.len());
                let upto = (from + dice.roll(40)).min(other.len());
                out.splice(at.min(out.len())..at.min(out.len()), other[from..upto].iter().copied());
            }
            _ => {
                let upto = (at + dice.roll(20)).min(out.len());
                let copy = out[at.min(upto)..upto].to_vec();
                out.extend(copy);
            }
        }
    }
}

fn from_environment<T: std::str::FromStr>(name: &str, usual: T) -> T {
    std::env::var(name).ok().and_then(|v| v.parse().ok()).unwrap_or(usual)
}

/// Some frames with a right CRC but wild fields: random bytes would never get
/// past it.
fn resealed(dice: &mut Dice, input: &mut Vec<u8>) {
    if dice.roll(2) == 0 || input.contains(&b'*') {
        return;
    }
    let sum = curdtrace::wire::frame::CRC.checksum(input);
    input.insert(0, b'$');
    input.extend(format!("*{sum:04X}\n").bytes());
}

#[test]
fn no_bytes_make_a_parser_panic() {
    let span = Duration::from_secs_f64(from_environment("CURDTRACE_FUZZ_S", 1.0));
    let seed: u64 = from_environment("CURDTRACE_FUZZ_SEED", 20_260_614);
    println!("seed {seed}, {} s a target", span.as_secs_f64());
    for (name, body) in bodies::ALL {
        let seeds: &[&[u8]] = match name {
            "config" => &[CONFIG],
            "journal" => &JOURNALS,
            _ => &SEEDS,
        };
        let mut dice = Dice(seed);
        let (mut runs, mut input) = (0u64, Vec::new());
        let until = Instant::now() + span;
        while runs % 64 != 0 || Instant::now() < until {
            hurt(&mut dice, seeds, &mut input);
            match name {
                "frame" if dice.roll(2) == 0 => {
                    // The inside of a frame alone, hurt and sealed anew.
                    input.retain(|b| !b"$*\n".contains(b));
                    input.truncate(80);
                    resealed(&mut dice, &mut input);
                }
                "modbus" if input.len() > 3 && dice.roll(2) == 0 => {
                    let n = input.len() - 2;
                    let sum = curdtrace::wire::modbus::CRC.checksum(&input[..n]).to_le_bytes();
                    input[n..].copy_from_slice(&sum);
                }
                _ => {}
            }
            let outcome = catch_unwind(|| body(&input));
            assert!(
                outcome.is_ok(),
                "{name} failed on {:?} (seed {seed}, run {runs})",
                input.escape_ascii().to_string()
            );
            runs += 1;
        }
        println!("{name}: {runs} executions, 0 crashes");
    }
}
