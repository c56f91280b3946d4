//! Curd that sours for half a day, or for more than one.

use super::plans::drawn;
use super::*;

fn sours_for(minutes: f64) -> Plan {
    Plan {
        stages: vec![
            planned(Stage::Warming, Some(20.0), Some(15.0)),
            planned(Stage::Setting, None, Some(minutes)),
            planned(Stage::Cutting, None, Some(15.0)),
            planned(Stage::Drawing, None, None),
        ],
        ..Plan::default()
    }
}

/// Milk set at 20 °C for so many minutes, and cut; and when its rennet was marked.
fn soured(minutes: i64) -> (Lines, i64) {
    let mut lines = drawn(0, 13.0, &[(30, 13.0, 0.02), (1, 9.0, 0.02), (16, 20.0, 0.03), (3, 20.1, 0.03)]);
    let rennet = lines.last().unwrap().0;
    lines.push((rennet, marked(MarkKind::Rennet)));
    lines.extend(drawn(rennet, 20.1, &[(minutes, 19.6, 0.008)]));
    let cut = lines.last().unwrap().0;
    lines.push((cut, marked(MarkKind::Cut)));
    lines.extend(drawn(cut, 19.5, &[(15, 19.2, 0.04), (2, 15.0, 0.04), (60, 14.0, 0.04)]));
    (lines, rennet)
}

/// The rennet clock was forgotten after six hours, and what clots later was not foretold.
#[test]
fn the_curd_of_a_long_set_is_called() {
    for hours in [5, 10, 30] {
        let (lines, rennet) = soured(hours * 60 + 30);
        let out = play(&sours_for(hours as f64 * 60.0), &lines);
        let looks = calls(&out, AlarmKind::CurdCheck, true);
        assert_eq!(looks.len(), 1, "{hours} h: {looks:?}");
        let after_h = (looks[0].0 - rennet) as f64 / 3.6e12;
        assert!((after_h / hours as f64 - 1.0).abs() < 0.1, "{hours} h: called after {after_h} h");
    }
}

/// The make was ended after a day, in the middle of its setting, and its cut began another.
#[test]
fn a_set_of_more_than_a_day_is_one_make() {
    let (lines, _) = soured(30 * 60);
    let out = play(&sours_for(1800.0), &lines);
    let told: Vec<_> = makes(&out).into_iter().map(stages).collect();
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].starts_with(&[Stage::Warming, Stage::Setting, Stage::Cutting]), "{told:?}");
}
