use proptest::prelude::*;

use super::*;
use crate::sensor::thermocouple::Couple;

fn at(against: Against, mean_celsius: f64) -> Point {
    let seen = Standing {
        mean_celsius,
        drift_celsius_per_min: 0.01,
        spread_celsius: 0.02,
        readings: 60,
        step_celsius: 0.0078125,
        seconds: 60.0,
        cold_junction_celsius: Some(21.0),
    };
    Point { against, seen }
}

fn reference(celsius: f64, seen: f64) -> Point {
    at(Against::Reference { name: "R1".into(), celsius, expanded_celsius: 0.1 }, seen)
}

#[test]
fn ice_and_boiling_by_the_barometer_make_a_line() {
    // 804.93 hPa is the standard day's pressure at 1900 m: water boils at 93.65 °C.
    let points = [at(Against::Ice, 0.4), at(Against::BoilingAtPressure(804.93), 93.2)];
    let fitted = fit(&points, Shape::Linear, Some(Couple::K)).unwrap();
    assert!(fitted.correction.apply(0.4).abs() < 1e-9);
    assert!((fitted.correction.apply(93.2) - 93.65).abs() < 0.01);
    // Half way, half the corrections of −0.4 and +0.45.
    assert!((fitted.correction.apply(46.8) - 46.825).abs() < 0.01);
    assert!(fitted.left_celsius < 1e-9);
    // The worse of the two points: 0.1 °C standard, k = 2.
    assert!((fitted.expanded_celsius - 0.2).abs() < 0.01, "{}", fitted.expanded_celsius);
}

/// By hand, in ice: the bath 0.03; 60 readings that spread by 0.02, 0.0026; a
/// step of a quarter degree, 0.25/√12 = 0.0722. Root sum of squares 0.0782,
/// k = 2: 0.156.
#[test]
fn the_step_of_the_numbers_counts() {
    let mut coarse = at(Against::Ice, 0.25);
    coarse.seen.step_celsius = 0.25;
    assert!((coarse.standard_celsius() - 0.0782).abs() < 1e-4, "{}", coarse.standard_celsius());
    let fitted = fit(std::slice::from_ref(&coarse), Shape::Linear, None).unwrap();
    assert!((fitted.expanded_celsius - 0.1564).abs() < 2e-4, "{}", fitted.expanded_celsius);
    // A number that never changed says nothing of its step.
    coarse.seen.step_celsius = 0.0;
    assert!((coarse.standard_celsius() - 0.0301).abs() < 1e-4, "{}", coarse.standard_celsius());
}

/// The weather alone may move the boiling point by ±0.8 °C: half a degree off
/// by the altitude says nothing, two and a half do.
#[test]
fn boiling_by_altitude_checks_and_does_not_correct() {
    let near = [at(Against::Ice, 0.4), at(Against::BoilingAtAltitude(1900.0), 93.1)];
    let fitted = fit(&near, Shape::Linear, Some(Couple::K)).unwrap();
    assert_eq!(fitted.corrected, [true, false]);
    assert!((fitted.correction.apply(50.0) - 49.6).abs() < 1e-9);
    let far = [at(Against::Ice, 0.0), at(Against::BoilingAtAltitude(1900.0), 91.1)];
    assert_eq!(fit(&far, Shape::Linear, None).unwrap().corrected, [true, true]);
    // Alone and undecided it is no calibration.
    assert_eq!(fit(&near[1..], Shape::Linear, None), Err(CalibrationError::NoPoint));
}

#[test]
fn nonsense_is_refused_with_its_cause() {
    for (point, couple, says) in [
        // A boiling point 4 °C off.
        (at(Against::BoilingAtAltitude(1900.0), 89.6), None, "Does the water really boil"),
        (at(Against::Ice, 4.0), None, "crushed ice"),
        (reference(52.0, 60.0), None, "same stirred bath"),
        (at(Against::BoilingAtPressure(30.0), 93.0), None, "500 to 1100 hPa"),
        (at(Against::BoilingAtAltitude(f64::NAN), 93.0), None, "gives no boiling point"),
        // K read as T in boiling water at 1900 m: found and named.
        (
            at(Against::BoilingAtAltitude(1900.0), k_read_as_t(93.65)),
            Some(Couple::T),
            "type K wire read as type T",
        ),
        (reference(54.0, reversed(54.0)), Some(Couple::K), "Plus and minus swapped"),
    ] {
        let e = fit(&[point], Shape::Linear, couple).unwrap_err().to_string();
        assert!(e.contains(says), "{says}: {e}");
    }
    let crossed = [reference(20.0, 21.5), reference(40.0, 38.5)];
    let e = fit(&crossed, Shape::Linear, None).unwrap_err().to_string();
    assert!(e.contains("contradict") && e.contains("+17.6 %"), "{e}");
    assert_eq!(fit(&[], Shape::Linear, None), Err(CalibrationError::NoPoint));
}

fn k_read_as_t(celsius: f64) -> f64 {
    let mv = Couple::K.emf_mv(celsius).unwrap() - Couple::K.emf_mv(21.0).unwrap();
    Couple::T.compensated_celsius(mv, 21.0).unwrap()
}

fn reversed(celsius: f64) -> f64 {
    let mv = Couple::K.emf_mv(celsius).unwrap() - Couple::K.emf_mv(21.0).unwrap();
    Couple::K.compensated_celsius(-mv, 21.0).unwrap()
}

/// The ice point is blind to a mix-up; a hot point sees it.
#[test]
fn only_a_hot_point_finds_a_mixed_up_wire() {
    let ice = k_read_as_t(0.0);
    assert!(ice.abs() < 0.3, "{ice}");
    assert!(suspects(Couple::T, ice, Some(21.0), 0.0).is_empty());
    for hot in [54.0, 90.0] {
        let found = suspects(Couple::T, k_read_as_t(hot), Some(21.0), hot);
        assert_eq!(found[0].hypothesis, Hypothesis::Wire(Couple::K), "{hot}");
        assert!(found[0].would_be_off_celsius.abs() < 1e-6);
    }
    // The cold junction not said: taken for 20 °C, still found.
    assert_eq!(suspects(Couple::T, k_read_as_t(90.0), None, 90.0)[0].hypothesis, Hypothesis::Wire(Couple::K));
    assert_eq!(suspects(Couple::K, reversed(54.0), Some(21.0), 54.0)[0].hypothesis, Hypothesis::Reversed);
    // A probe a little off is just that.
    assert!(suspects(Couple::K, 54.3, Some(21.0), 54.0).is_empty());
}

#[test]
fn piecewise_goes_from_point_to_point() {
    let points = [reference(0.0, 0.2), reference(32.0, 32.0), reference(54.0, 53.7)];
    let c = fit(&points, Shape::Piecewise, None).unwrap().correction;
    for (raw, truth) in [(-5.0, -5.2), (0.2, 0.0), (16.1, 16.0), (32.0, 32.0), (42.85, 43.0), (60.0, 60.3)] {
        assert!((c.apply(raw) - truth).abs() < 1e-9, "{raw}: {}", c.apply(raw));
    }
    // Least squares leaves something at the middle one, and says so.
    let line = fit(&points, Shape::Linear, None).unwrap();
    assert!(line.left_celsius > 0.01 && line.expanded_celsius > 0.1, "{line:?}");
    // Two beside each other make an offset, no slope.
    let near = fit(&[reference(32.0, 32.3), reference(33.0, 33.1)], Shape::Linear, None).unwrap();
    assert!((near.correction.apply(90.0) - 89.8).abs() < 1e-9);
}

fn record() -> Record {
    let p = RecordedPoint {
        against: "ice".into(),
        true_celsius: 0.0,
        true_expanded_uncertainty_celsius: 0.06,
        raw_celsius: 0.4,
        as_found_celsius: 0.1,
        as_left_celsius: 0.0,
        corrected: true,
        spread_celsius: 0.02,
        drift_celsius_per_min: 0.01,
        readings: 60,
        step_celsius: Some(0.0078125),
        seconds: 60.0,
        cold_junction_celsius: Some(21.0),
        altitude_m: None,
        barometer_hpa: None,
        reference: None,
    };
    Record {
        probe: "kettle".into(),
        number: 2,
        time: "2026-06-14T08:12:30Z".into(),
        by: "ada".into(),
        sensor: "type K".into(),
        shape: Shape::Linear,
        knots: vec![(0.4, 0.0)],
        expanded_uncertainty_celsius: 0.2,
        due: "2026-12-11".into(),
        remarks: vec!["after the fall".into()],
        points: vec![p],
    }
}

#[test]
fn a_record_comes_back_as_it_was_kept() {
    let text = record().to_toml().unwrap();
    assert!(text.contains("[[point]]") && text.contains("as-found-celsius = 0.1"), "{text}");
    let back = Record::of_toml(&text).unwrap();
    assert_eq!(back, record());
    assert!((back.applied().unwrap().correction.apply(10.4) - 10.0).abs() < 1e-12);
    // At the point as recorded; 54 °C away also 2·54·0.75 %/√3 = 0.468.
    let applied = back.applied().unwrap();
    assert!((applied.expanded_at(0.0) - 0.2).abs() < 1e-9);
    assert!((applied.expanded_at(54.0) - 0.509).abs() < 0.001, "{}", applied.expanded_at(54.0));
    for (from, to, says) in [
        ("due = \"2026-12-11\"", "due = \"soon\"", "no day"),
        ("[[0.4, 0.0]]", "[]", "no point"),
        ("[[0.4, 0.0]]", "[[0.4, 0.0], [0.4, 3.0]]", "contradict"),
        ("number = 2", "number = -2", "no calibration"),
        ("by = \"ada\"", "by = \"ada\"\nmood = \"good\"", "mood"),
    ] {
        assert!(text.contains(from), "{from} in {text}");
        let e = Record::of_toml(&text.replace(from, to)).unwrap_err().to_string();
        assert!(e.contains(says), "{to}: {e}");
    }
}

proptest! {
    #[test]
    fn a_correction_rises_and_nothing_panics(
        raws in proptest::collection::vec((-20.0f64..110.0, -2.9f64..2.9), 1..6),
        piecewise in any::<bool>(),
        probe in -300.0f64..2000.0,
    ) {
        let points: Vec<Point> = raws.iter().map(|(t, off)| reference(*t, t + off)).collect();
        let shape = if piecewise { Shape::Piecewise } else { Shape::Linear };
        if let Ok(f) = fit(&points, shape, Some(Couple::K)) {
            let (a, b) = (f.correction.apply(probe), f.correction.apply(probe + 0.01));
            prop_assert!(a.is_finite() && b > a, "{a} {b}");
            prop_assert!(f.expanded_celsius >= 0.0);
        }
    }
}
