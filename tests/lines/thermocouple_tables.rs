//! Promise: every degree of the published thermocouple tables, all eight
//! types, both ways. Tables and their source: tests/tables/emf_*.txt.

#![allow(clippy::unwrap_used, clippy::panic)]

use curdtrace::sensor::fault::Missing;
use curdtrace::sensor::thermocouple::{Class, Couple};

/// Half of the tables' last digit, mV, and what binary fractions add.
const ROUNDING_MV: f64 = 0.0005 + 1e-12;

fn table(couple: Couple) -> Vec<(f64, f64)> {
    let text = match couple {
        Couple::B => include_str!("../tables/emf_b.txt"),
        Couple::E => include_str!("../tables/emf_e.txt"),
        Couple::J => include_str!("../tables/emf_j.txt"),
        Couple::K => include_str!("../tables/emf_k.txt"),
        Couple::N => include_str!("../tables/emf_n.txt"),
        Couple::R => include_str!("../tables/emf_r.txt"),
        Couple::S => include_str!("../tables/emf_s.txt"),
        Couple::T => include_str!("../tables/emf_t.txt"),
    };
    let mut rows = Vec::new();
    for line in text.lines().filter(|l| !l.starts_with('#')) {
        let n: Vec<i32> = line.split(' ').map(|w| w.parse().unwrap()).collect();
        let (mut celsius, mut uv) = (n[0], n[1]);
        rows.push((f64::from(celsius), f64::from(uv) / 1000.0));
        for growth in &n[2..] {
            celsius += 1;
            uv += growth;
            rows.push((f64::from(celsius), f64::from(uv) / 1000.0));
        }
    }
    rows
}

#[test]
fn every_degree_of_the_tables_both_ways() {
    let mut count = 0;
    for couple in Couple::ALL {
        let rows = table(couple);
        let (low, high) = couple.range_celsius();
        assert_eq!((rows[0].0, rows[rows.len() - 1].0), (low, high.floor()), "{couple}");
        let (mut worst_mv, mut worst_back, mut worst_celsius) = (0.0f64, 0.0f64, 0.0f64);
        for &(t, printed) in &rows {
            let mv = couple.emf_mv(t).unwrap();
            worst_mv = worst_mv.max((mv - printed).abs());
            assert!((mv - printed).abs() <= ROUNDING_MV, "{couple} at {t}: {mv}, table {printed}");
            // Below 46 °C a voltage of a type B, to the µV, is there twice.
            if couple == Couple::B && mv <= 0.001 {
                assert_eq!(couple.celsius(mv), Err(Missing::TwoTemperatures), "{t}");
                continue;
            }
            // Back from our own figure: the same degree.
            let back = couple.celsius(mv).unwrap();
            worst_celsius = worst_celsius.max((back - t).abs());
            assert!((back - t).abs() < 0.001, "{couple} at {t}: {back}");
            // Back from the printed figure: a temperature that has that emf, within what
            // is rounded where it is printed beyond the function's end. (Type B's next two
            // rows are printed as 0.001.)
            if couple == Couple::B && printed <= 0.001 {
                continue;
            }
            let again = couple.emf_mv(couple.celsius(printed).unwrap()).unwrap();
            worst_back = worst_back.max((again - printed).abs());
            let is_end = t <= low || t >= high.floor();
            let within_mv = if is_end { ROUNDING_MV } else { 1e-5 };
            assert!((again - printed).abs() < within_mv, "{couple} {printed}: {again}");
        }
        count += rows.len();
        println!(
            "{couple}: {} rows, forward within {worst_mv:.6} mV, inverse within {worst_celsius:.1e} °C, \
             printed emf met within {worst_back:.1e} mV",
            rows.len()
        );
    }
    assert_eq!(count, 12_026);
}

#[test]
fn inverse_between_the_degrees() {
    for couple in Couple::ALL {
        let (low, high) = couple.range_celsius();
        let low = if couple == Couple::B { 46.0 } else { low };
        let mut worst = (0.0f64, 0.0);
        let steps = 200_000;
        for i in 0..=steps {
            let t = (low + (high - low) * f64::from(i) / f64::from(steps)).clamp(low, high);
            let off = (couple.celsius(couple.emf_mv(t).unwrap()).unwrap() - t).abs();
            if off > worst.0 {
                worst = (off, t);
            }
        }
        println!("{couple}: inverse within {:.1e} °C (worst at {:.3} °C), {steps} points", worst.0, worst.1);
        assert!(worst.0 < 0.001, "{couple}: {worst:?}");
    }
}

/// IEC 60584-1 breaks, where the share overtakes the figure, as printed side
/// by side on a page read: 375, 333, 167, 125, 133, 67 °C.
#[test]
fn tolerances_break_where_the_standard_says() {
    for (couple, class, breaks, half_width) in [
        (Couple::K, Class::One, 375.0, 1.5),
        (Couple::K, Class::Two, 333.3, 2.5),
        (Couple::K, Class::Three, -166.7, 2.5),
        (Couple::T, Class::One, 125.0, 0.5),
        (Couple::T, Class::Two, 133.3, 1.0),
        (Couple::T, Class::Three, -66.7, 1.0),
    ] {
        let row = couple.tolerance(class).unwrap();
        assert!((row.at(breaks * 0.99).unwrap() - half_width).abs() < 1e-9);
        assert!(row.at(breaks * 1.02).unwrap() > half_width);
    }
    assert_eq!(Couple::J.tolerance(Class::Three), None);
    assert_eq!(Couple::K.tolerance(Class::One).unwrap().at(1200.0), None);
}
