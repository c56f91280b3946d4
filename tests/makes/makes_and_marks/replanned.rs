//! Another plan in the middle of a make: what is marked afterwards means the stages that
//! are followed, and what was marked before is reckoned by the new plan.

use std::sync::Arc;

use super::plans::drawn;
use super::*;
use curdtrace::engine::event::{Ask, Command};

fn asked(ask: Ask) -> Happening {
    Happening::Command(Command { kettle: Name::from(KETTLE), by: Some(Name::from("ada")), ask })
}

fn followed(plan: &Plan) -> Happening {
    asked(Ask::Follow(Some(Arc::new(plan.clone()))))
}

/// What happened, with more of it.
fn with(lines: &[(i64, Spoken)], more: Vec<(i64, Happening)>) -> Vec<(i64, Happening)> {
    let mut all: Vec<_> = lines.iter().map(happens).chain(more).collect();
    all.sort_by_key(|x| x.0);
    all
}

fn engine(plan: &Plan) -> Engine {
    Engine::new(Some(Arc::new(plan.clone())))
}

/// A plan with two cooks more than most, and one that stops at the setting.
fn of_other_shapes(plan: &Plan) -> [Plan; 2] {
    let mut long = plan.clone();
    let at = long.stages.iter().position(|s| s.kind == Stage::Cooking).unwrap();
    let steps = [38.0, 40.0].map(|to| {
        [planned(Stage::Cooking, Some(to), Some(10.0)), planned(Stage::Stirring, None, Some(10.0))]
    });
    long.stages.splice(at..at, steps.concat());
    let mut short = plan.clone();
    short.stages.truncate(at);
    [long, short]
}

/// "Lift" was told as settling, "heat on" as nothing, and a stage that only the new plan has
/// ended the engine.
#[test]
fn a_mark_means_the_stage_it_names_whatever_plan_is_followed_since() {
    let marks = [
        (Stage::Cutting, Happening::from_mark(MarkKind::HeatOn), Stage::Cooking),
        (Stage::Stirring, Happening::from_mark(MarkKind::Lift), Stage::Drawing),
        (Stage::Stirring, asked(Ask::Stage(Stage::Settling)), Stage::Settling),
        (Stage::Stirring, asked(Ask::Stage(Stage::WheyResting)), Stage::WheyResting),
    ];
    let cheese = make(2, Family::HardCooked, &Options { odd: 0.0, ..Options::default() }, Marks::None);
    for (shape, other) in of_other_shapes(&cheese.plan).into_iter().enumerate() {
        for (while_in, mark, means) in &marks {
            let chosen = began(&cheese, Stage::Setting) + 600 * SECOND_NS;
            let at = began(&cheese, *while_in) + 300 * SECOND_NS;
            let out = play_all(
                engine(&cheese.plan),
                with(&cheese.lines, vec![(chosen, followed(&other)), (at, mark.clone())]),
            );
            let told = out.iter().find_map(|e| match &e.what {
                Conclusion::Stage(s) if s.basis == Basis::Mark => Some((s.stage, s.began.unwrap())),
                _ => None,
            });
            assert_eq!(told, Some((*means, at)), "plan {shape}, marked in {while_in:?}");
        }
    }
}

trait FromMark {
    fn from_mark(kind: MarkKind) -> Self;
}

impl FromMark for Happening {
    fn from_mark(kind: MarkKind) -> Self {
        happens(&(0, marked(kind))).1
    }
}

fn set_at(celsius: f64, minutes: f64) -> Plan {
    Plan {
        stages: vec![
            planned(Stage::Warming, Some(celsius), Some(30.0)),
            planned(Stage::Setting, None, Some(minutes)),
            planned(Stage::Cutting, None, None),
        ],
        ..Plan::default()
    }
}

/// The clock went by the plan that was followed when the rennet was poured: without one,
/// nobody was told to look at the curd.
#[test]
fn a_plan_that_is_chosen_after_the_rennet_says_when_to_look_at_the_curd() {
    let mut lines = drawn(0, 13.0, &[(30, 13.0, 0.05), (1, 9.0, 0.05), (30, 32.0, 0.07), (3, 32.2, 0.05)]);
    let rennet = lines.last().unwrap().0;
    lines.push((rennet, marked(MarkKind::Rennet)));
    lines.extend(drawn(rennet, 32.2, &[(60, 31.8, 0.008)]));
    let look = |plan: Option<&Plan>, chosen_s: i64| {
        let all = with(&lines, vec![(rennet + chosen_s * SECOND_NS, followed(&set_at(32.0, 40.0)))]);
        let out = play_all(Engine::new(plan.cloned().map(Arc::new)), all);
        let calls = calls(&out, AlarmKind::CurdCheck, true);
        assert_eq!(calls.len(), 1, "chosen {chosen_s} s after the rennet: {calls:?}");
        (calls[0].0 - rennet) / SECOND_NS
    };
    let before = look(None, -60);
    assert!((36 * 60..42 * 60).contains(&before), "{before} s");
    for (other, chosen_s) in [(None, 120), (None, 1500), (Some(set_at(32.0, 90.0)), 1200)] {
        let after = look(other.as_ref(), chosen_s);
        assert!((after - before).abs() <= 15, "chosen {chosen_s} s after: {after} s, {before} s");
    }
}

/// Milk that the maker set at 29 °C, and said so, was too cold for the plan's 32 °C.
#[test]
fn milk_is_cold_below_where_the_maker_set_it() {
    let mut lines = drawn(0, 13.0, &[(30, 13.0, 0.05), (1, 9.0, 0.05), (20, 29.0, 0.07), (3, 29.1, 0.05)]);
    let set = lines.last().unwrap().0;
    let wanted = |celsius| vec![(set - 120 * SECOND_NS, happens(&(0, marked(MarkKind::Target(celsius)))).1)];
    lines.push((set, marked(MarkKind::Rennet)));
    lines.extend(drawn(set, 29.1, &[(45, 28.8, 0.008)]));
    let cold = |more| {
        let out = play_all(engine(&set_at(32.0, 40.0)), with(&lines, more));
        calls(&out, AlarmKind::MilkCold, false)
    };
    assert_eq!(cold(wanted(29.0)), []);
    // It is cold where he wants it warmer, and where he wants nothing else.
    for (more, limit) in [(vec![], 31.0), (wanted(33.0), 32.0)] {
        let limits: Vec<_> = cold(more).into_iter().map(|c| c.1.unwrap()).collect();
        assert_eq!(limits, [limit]);
    }
}

/// The stirring after a second cook was never told to be over: its kind had been.
#[test]
fn every_hold_of_a_kind_is_called_when_it_is_over() {
    let plan = Plan {
        stages: vec![
            planned(Stage::Warming, Some(32.0), Some(30.0)),
            planned(Stage::Setting, None, Some(35.0)),
            planned(Stage::Cutting, None, Some(12.0)),
            planned(Stage::Cooking, Some(38.0), Some(10.0)),
            planned(Stage::Stirring, None, Some(10.0)),
            planned(Stage::Cooking, Some(44.0), Some(10.0)),
            planned(Stage::Stirring, None, Some(15.0)),
        ],
        ..Plan::default()
    };
    let milk = [(20, 17.0, 0.05), (1, 12.0, 0.05), (5, 12.0, 0.05), (25, 32.3, 0.05), (3, 32.4, 0.05)];
    let curd = [(35, 31.9, 0.008), (12, 31.6, 0.05), (10, 38.2, 0.05), (1, 38.4, 0.05), (18, 38.0, 0.05)];
    let rest = [(10, 44.1, 0.05), (1, 44.3, 0.05), (30, 43.6, 0.05)];
    let lines = drawn(0, 17.0, &[&milk[..], &curd[..], &rest[..]].concat());
    let minutes = |k: i64| k * 60 * SECOND_NS;
    let out = play(&plan, &lines);
    let done = calls(&out, AlarmKind::HoldDone, false);
    let stirred: Vec<_> = done.iter().map(|c| c.0).filter(|t| *t > minutes(111)).collect();
    assert!(
        matches!(stirred[..], [first, second] if first < minutes(128) && second > minutes(150)),
        "{done:?}"
    );
}
