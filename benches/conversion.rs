//! The time of one conversion: type K, forward and inverse, 0 to 110 °C, ours
//! and an independent library's in the same run.
//!
//! The other is a Python library, since no other crate was found that converts
//! by the same functions: its time is that of a call from Python.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, clippy::print_stdout)] // a bench measures and prints

use support::referee;

use std::hint::black_box;
use std::process::Command;
use std::time::Instant;

use curdtrace::sensor::channel::{Channel, Sensor};
use curdtrace::sensor::raw::{Raw, Signal};
use curdtrace::sensor::thermocouple::Couple;

const INPUTS: u32 = 10_000;

/// Best of 50 runs over all inputs, ns a call.
fn ns_a_call(inputs: &[f64], mut call: impl FnMut(f64) -> f64) -> f64 {
    let mut best = f64::INFINITY;
    for _ in 0..50 {
        let began = Instant::now();
        for x in inputs {
            black_box(call(black_box(*x)));
        }
        best = best.min(began.elapsed().as_nanos() as f64 / inputs.len() as f64);
    }
    best
}

fn main() {
    let celsius: Vec<f64> = (0..INPUTS).map(|i| f64::from(i) * 0.011).collect();
    let emfs: Vec<f64> = celsius.iter().map(|t| Couple::K.emf_mv(*t).unwrap()).collect();
    let forward = ns_a_call(&celsius, |t| Couple::K.emf_mv(t).unwrap());
    let inverse = ns_a_call(&emfs, |mv| Couple::K.celsius(mv).unwrap());
    let mut channel = Channel::named("kettle");
    channel.sensor = Sensor::Couple(Couple::K);
    let whole = ns_a_call(&emfs, |mv| {
        let raw = Raw {
            cold_junction_celsius: Some(21.5),
            ..Raw::of(Signal::Microvolt { uv: mv * 1000.0 - 860.0, couple: None })
        };
        channel.reading(&raw, Some(0)).celsius.unwrap_or(0.0)
    });
    println!(
        "ours         forward {forward:8.1} ns   inverse {inverse:8.1} ns   whole reading {whole:8.1} ns"
    );
    let out = Command::new(referee::python("thermocouple_its90"))
        .arg(referee::script("conversion.py"))
        .args(["--bench", "K"])
        .output()
        .unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    let theirs: Vec<f64> = text.lines().map(|l| l.parse().unwrap()).collect();
    println!("independent  forward {:8.1} ns   inverse {:8.1} ns", theirs[0], theirs[1]);
    println!("times as fast        {:8.1}              {:8.1}", theirs[0] / forward, theirs[1] / inverse);
}
