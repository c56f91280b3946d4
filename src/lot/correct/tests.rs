//! Fields entered, corrected and struck.

use super::*;

fn ada() -> Author {
    Author { by: Some("ada".into()), at: At(5), reason: Some("misread the cup".into()) }
}

#[test]
fn a_correction_keeps_the_old_value() {
    let mut lot = Record { lot: "x".into(), closed: Some(At(1)), ..Record::default() };
    lot.rennet.dose_ml = Some(32.0);
    assert!(set(&mut lot, "rennet.dose-ml", "35,5", &ada()).unwrap());
    assert_eq!(lot.rennet.dose_ml, Some(35.5));
    let c = &lot.corrections[0];
    assert_eq!((c.old.as_str(), c.new.as_str(), c.by.as_str()), ("32.0", "35.5", "ada"));
    // The same again is no correction.
    assert!(!set(&mut lot, "rennet.dose-ml", "35.5", &ada()).unwrap());
    assert_eq!(lot.corrections.len(), 1);
}

#[test]
fn refusals_say_why_and_change_nothing() {
    for (field, value, says) in [
        ("rennet.doze", "3", "fields are product"),
        ("rennet.dose-ml", "much", "a number is wanted"),
        ("score", "11", "between 0 and 10"),
        ("product", "Alp\nwheel", "'\\n' stands in no line"),
        ("note", "a\u{1b}[2J", "stands in no line"),
        ("rennet.lot", "R-18", "--reason"),
    ] {
        let mut lot = Record { lot: "x".into(), ..Record::default() };
        lot.rennet.lot = Some("R-17".into());
        let before = lot.clone();
        let e = set(&mut lot, field, value, &Author::default()).unwrap_err().to_string();
        assert!(e.contains(says), "{field}: {e}");
        assert_eq!(lot, before);
    }
}

#[test]
fn every_field_that_may_be_entered_is_one() {
    for (field, _) in FIELDS {
        let mut lot = Record::default();
        set(&mut lot, field, "7", &Author::default()).unwrap();
        let again = Record::from_toml(&lot.to_toml().unwrap()).unwrap();
        assert_eq!(again, lot, "{field}");
        assert_ne!(again, Record::default(), "{field}: the value went nowhere");
    }
}

#[test]
fn what_a_lot_has_several_of_is_corrected_one_by_one() {
    use crate::lot::record::{Milking, Ph, Wheel};
    let mut lot = Record { lot: "x".into(), closed: Some(At(1)), ..Record::default() };
    lot.time_zone = "Europe/Zurich".into();
    lot.wheels.push(Wheel { wheel: "3.1".into(), kg: Some(6.0), note: None });
    lot.milkings.push(Milking { milking: "evening".into(), litres: Some(90.0), ..Milking::default() });
    lot.ph.push(Ph { at: "2026-07-14T04:30:10Z".parse().unwrap(), value: 6.5, by: None });
    for (field, value) in [
        ("wheel.3.1.kg", "9"),
        ("wheel.3.1.note", "cracked"),
        ("milking.evening.litres", "80"),
        ("ph.06:30", "6,4"),
    ] {
        assert!(set(&mut lot, field, value, &ada()).unwrap(), "{field}");
    }
    assert_eq!((lot.wheels[0].kg, lot.milkings[0].litres, lot.ph[0].value), (Some(9.0), Some(80.0), 6.4));
    let c = &lot.corrections[0];
    assert_eq!((c.field.as_str(), c.old.as_str(), c.new.as_str()), ("wheel.3.1.kg", "6.0", "9.0"));
    lot.ph.push(Ph { at: "2026-07-14T04:30:40Z".parse().unwrap(), value: 6.3, by: None });
    for (field, value, says) in [
        ("wheel.4.kg", "9", "no such wheel; it has 3.1"),
        ("wheel.3.1.weight", "9", "wheel.WHEEL.kg"),
        ("wheel.3.1.kg", "-9", "between 0.001 and 500"),
        ("ph.06:30", "6", "06:30:10, 06:30:40"),
        ("ph.07:30", "6", "no such ph"),
        ("ph.06:30:40", "nan", "a number is wanted"),
        ("kettle", "", "is empty"),
    ] {
        let e = set(&mut lot, field, value, &ada()).unwrap_err().to_string();
        assert!(e.contains(says), "{field}: {e}");
    }
}
