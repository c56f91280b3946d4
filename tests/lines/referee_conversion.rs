//! Promise: independent libraries, given the same inputs, come to the same
//! figures; the largest difference is printed. See tests/referee.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use support::referee;

use std::fmt::Write as _;
use std::io::Write as _;
use std::process::{Command, Stdio};

use curdtrace::sensor::boiling::by_pressure_celsius;
use curdtrace::sensor::resistance::{Platinum, Wiring};
use curdtrace::sensor::thermocouple::Couple;

/// What the referee makes of each line.
fn referee(lines: &str) -> Vec<Option<f64>> {
    let mut child = Command::new(referee::python("thermocouple_its90, ptcal, iapws"))
        .arg(referee::script("conversion.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let text = lines.to_owned();
    let writer = std::thread::spawn(move || stdin.write_all(text.as_bytes()).unwrap());
    let out = child.wait_with_output().unwrap();
    writer.join().unwrap();
    assert!(out.status.success());
    String::from_utf8(out.stdout).unwrap().lines().map(|l| l.parse().ok()).collect()
}

/// Inputs over a range, none of them a round figure.
fn spread(low: f64, high: f64, n: u32) -> impl Iterator<Item = f64> {
    (0..n).map(move |i| low + (high - low) * (f64::from(i) + 0.382) / f64::from(n))
}

#[test]
fn thermocouples_agree_over_their_ranges() {
    const POINTS: u32 = 4000;
    let (mut asked, mut ours) = (String::new(), Vec::new());
    for couple in Couple::ALL {
        let (low, high) = couple.range_celsius();
        for t in spread(low, high, POINTS) {
            let mv = couple.emf_mv(t).unwrap();
            writeln!(asked, "emf {} {t:?}", couple.letter()).unwrap();
            writeln!(asked, "celsius {} {mv:?}", couple.letter()).unwrap();
            ours.push((couple, t, mv, couple.celsius(mv).ok()));
        }
    }
    let theirs = referee(&asked);
    assert_eq!(theirs.len(), 2 * ours.len());
    for couple in Couple::ALL {
        let (mut worst_mv, mut worst_celsius, mut inverted) = (0.0f64, 0.0f64, 0);
        for ((c, t, mv, back), their) in ours.iter().zip(theirs.chunks(2)) {
            if *c != couple {
                continue;
            }
            worst_mv = worst_mv.max((mv - their[0].unwrap()).abs());
            if let (Some(ours), Some(theirs)) = (back, their[1]) {
                worst_celsius = worst_celsius.max((ours - theirs).abs());
                inverted += 1;
            } else {
                // The referee leaves type B out where it is not sure; nothing else.
                assert!(couple == Couple::B && *t < 260.0, "{couple} {t} {mv}: {their:?}");
            }
        }
        println!(
            "{couple}: {POINTS} points, largest difference {worst_mv:.1e} mV; {inverted} inverses, {worst_celsius:.1e} °C"
        );
        assert!(worst_mv < 1e-9, "{couple}: {worst_mv}");
        assert!(worst_celsius < 1e-5, "{couple}: {worst_celsius}");
    }
}

#[test]
fn pt100_and_boiling_point_agree() {
    let pt100 = Platinum { r0_ohm: 100.0, wiring: Wiring::Four };
    let temperatures: Vec<f64> = spread(-200.0, 850.0, 4000).collect();
    let pressures: Vec<f64> = spread(500.0, 1100.0, 2000).collect();
    let mut asked = String::new();
    for t in &temperatures {
        writeln!(asked, "pt100 {t:?}").unwrap();
    }
    for p in &pressures {
        writeln!(asked, "boiling {p:?}").unwrap();
    }
    let theirs = referee(&asked);
    let (ohms, boiling) = theirs.split_at(temperatures.len());
    let worst = |pairs: &mut dyn Iterator<Item = f64>| pairs.fold(0.0f64, f64::max);
    let ohm =
        worst(&mut temperatures.iter().zip(ohms).map(|(t, o)| (pt100.ohm(*t).unwrap() - o.unwrap()).abs()));
    let celsius = worst(
        &mut pressures
            .iter()
            .zip(boiling)
            .map(|(p, b)| (by_pressure_celsius(*p).unwrap() - b.unwrap()).abs()),
    );
    println!(
        "Pt100: 4000 points, largest difference {ohm:.1e} Ω; boiling point: 2000 points, {celsius:.1e} °C"
    );
    assert!(ohm < 1e-6, "{ohm}");
    assert!(celsius < 1e-6, "{celsius}");
}
