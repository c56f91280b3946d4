//! A kettle that waits for its make looks afresh every two hours; what a person marked or
//! wants meanwhile stands.

use super::plans::drawn;
use super::*;

const HOURS_NS: i64 = 3600 * SECOND_NS;

fn plan() -> Plan {
    Plan {
        stages: vec![
            planned(Stage::Warming, Some(32.0), Some(30.0)),
            planned(Stage::Setting, None, Some(40.0)),
            planned(Stage::Cutting, None, None),
        ],
        ..Plan::default()
    }
}

/// A rennet that was marked a minute before was forgotten, with its clock.
#[test]
fn rennet_that_is_marked_just_before_the_kettle_looks_afresh_is_told() {
    for before_s in [-30, 5, 30, 70, 85] {
        let mut lines = drawn(0, 20.0, &[(110, 20.0, 0.04), (1, 34.0, 0.04), (100, 33.2, 0.04)]);
        let rennet = 2 * HOURS_NS - before_s * SECOND_NS;
        let at = lines.partition_point(|l| l.0 <= rennet);
        lines.insert(at, (rennet, marked(MarkKind::Rennet)));
        let out = play(&plan(), &lines);
        let told = out.iter().any(|e| {
            matches!(&e.what, Conclusion::Stage(s) if s.stage == Stage::Setting && s.basis == Basis::Mark)
        });
        assert!(told, "rennet marked {before_s} s before");
        assert_eq!(calls(&out, AlarmKind::CurdCheck, true).len(), 1, "rennet marked {before_s} s before");
    }
}

/// So was what the maker wants of the milk that he is about to put in.
#[test]
fn a_target_that_is_marked_while_the_kettle_waits_holds_for_its_make() {
    for minutes in [118, 122] {
        let mut lines = drawn(0, 18.0, &[(126, 18.0, 0.05), (1, 12.0, 0.05), (5, 12.0, 0.05)]);
        lines.extend(drawn(lines.last().unwrap().0, 12.0, &[(25, 33.0, 0.06)]));
        let wanted = minutes * 60 * SECOND_NS;
        let at = lines.partition_point(|l| l.0 <= wanted);
        lines.insert(at, (wanted, marked(MarkKind::Target(35.0))));
        let out = play(&plan(), &lines);
        let wants: Vec<_> = out
            .iter()
            .filter_map(|e| match &e.what {
                Conclusion::Forecast(f) => Some(f.target_celsius),
                _ => None,
            })
            .collect();
        assert!(
            !wants.is_empty() && wants.iter().all(|c| (c - 35.0).abs() < 0.01),
            "{minutes} min: {wants:?}"
        );
    }
}

/// What a cheese's cook was heated to is no target of the make after it.
#[test]
fn the_next_make_has_no_target_of_the_last_ones() {
    let first = make(3, Family::SemiCooked, &Options { odd: 0.0, ..Options::default() }, Marks::None);
    let lines: Lines = first
        .lines
        .iter()
        .filter(|l| l.0 < began(&first, Stage::Drawing) - 600 * SECOND_NS)
        .cloned()
        .collect();
    let over = lines.last().unwrap().0;
    let ask = |ask| {
        use curdtrace::engine::event::{Ask, Command};
        let ask = match ask {
            None => Ask::EndMake,
            Some(stage) => Ask::Stage(stage),
        };
        Happening::Command(Command { kettle: Name::from(KETTLE), by: None, ask })
    };
    let mut all: Vec<_> = lines.iter().map(happens).collect();
    all.push((over, ask(None)));
    all.push((over + 60 * SECOND_NS, ask(Some(Stage::Stirring))));
    let target = first.cooks[0].target_celsius;
    let hot = drawn(over + 60 * SECOND_NS, target + 3.0, &[(20, target + 3.0, 0.03)]);
    all.extend(hot.iter().map(happens));
    let out = play_all(Engine::new(Some(Arc::new(first.plan.clone()))), all);
    let late = calls(&out, AlarmKind::OverTarget, false).into_iter().filter(|c| c.0 > over).count();
    assert_eq!(late, 0, "too hot for the cook of a make that is over");
}
