//! What a person presses or says, in time, late, by mistake and for the next milk:
//! a mark overrules, and costs nothing else of the record.

use curdtrace::engine::event::{Ask, Command};

use super::*;

fn ask(ask: Ask) -> Happening {
    Happening::Command(Command { kettle: Name::from(KETTLE), by: Some(Name::from("ada")), ask })
}

fn press(kind: MarkKind) -> Happening {
    Happening::Mark(Mark { kettle: Name::from(KETTLE), kind, by: Some(Name::from("ada")) })
}

/// The make with something more that happens.
fn with(make: &Make, more: &[(i64, Happening)]) -> Vec<Effect> {
    let mut all: Vec<_> = make.lines.iter().map(happens).chain(more.iter().cloned()).collect();
    all.sort_by_key(|h| h.0);
    play_all(Engine::new(Some(Arc::new(make.plan.clone()))), all)
}

fn whole(seed: u64, family: Family) -> Make {
    make(seed, family, &Options { odd: 0.0, ..Options::default() }, Marks::None)
}

/// Times at which a stage was told for the first time, and whether it was taken back.
fn told(effects: &[Effect], stage: Stage) -> Vec<(i64, bool)> {
    let of = |e: &Effect| match &e.what {
        Conclusion::Stage(s) if s.stage == stage && !s.revises => Some((e.time.unwrap(), s.withdrawn)),
        _ => None,
    };
    effects.iter().filter_map(of).collect()
}

#[test]
fn rennet_stirred_in_is_no_cut_and_the_curd_is_looked_at() {
    let mut looked = 0;
    for seed in 0..8 {
        let milk = make(seed, Family::Uncooked, &Options::default(), Marks::Rennet);
        let poured = milk
            .lines
            .iter()
            .find(|(_, s)| matches!(s, Spoken::Mark(m) if m.kind == MarkKind::Rennet))
            .unwrap()
            .0;
        let out = with(&milk, &[]);
        let cut = began(&milk, Stage::Cutting);
        let early: Vec<_> = told(&out, Stage::Cutting)
            .into_iter()
            .filter(|(t, back)| !back && *t > poured && *t < cut - 120 * SECOND_NS)
            .collect();
        assert!(early.is_empty(), "seed {seed}: {early:?}, poured {poured}");
        looked += usize::from(!calls(&out, AlarmKind::CurdCheck, true).is_empty());
    }
    // Where the curd is cut before it is time to look, nobody is called.
    assert!(looked >= 3, "{looked} of 8 called to look at the curd");
}

#[test]
fn a_lift_marked_to_the_second_keeps_the_settling() {
    let mut kept = 0;
    for seed in 0..20 {
        let family = if seed < 10 { Family::SemiCooked } else { Family::HardCooked };
        let cheese = whole(seed, family);
        let lift = began(&cheese, Stage::Drawing);
        let out = with(&cheese, &[(lift, press(MarkKind::Lift))]);
        let drawn = makes(&out)[0].stages.iter().find(|s| s.stage == Stage::Drawing).unwrap();
        assert_eq!((drawn.basis, drawn.began), (Basis::Mark, Some(lift)), "seed {seed}");
        kept += usize::from(stages(makes(&out)[0]).contains(&Stage::Settling));
    }
    assert!(kept >= 18, "settling found in {kept} of 20");
}

/// Every mark from the page was dated by the end of the seconds in which it can be taken
/// back.
#[test]
fn a_mark_that_waited_on_the_page_is_of_when_it_was_pressed() {
    let held = 6 * SECOND_NS;
    for seed in 0..6 {
        let family = if seed < 3 { Family::SemiCooked } else { Family::HardCooked };
        let cheese = make(seed, family, &Options { odd: 0.0, ..Options::default() }, Marks::All);
        let in_time: Vec<_> = cheese.lines.iter().map(happens).collect();
        let mut waited: Vec<_> = in_time.clone();
        let came =
            |(at, what): &(i64, Happening)| at + if matches!(what, Happening::Mark(_)) { held } else { 0 };
        waited.sort_by_key(came);
        assert_ne!(waited, in_time);
        let played = |all| play_all(Engine::new(Some(Arc::new(cheese.plan.clone()))), all);
        let (waited, in_time) = (played(waited), played(in_time));
        let marked = |out: &[Effect]| -> Vec<_> {
            let stages = makes(out).into_iter().flat_map(|m| m.stages.clone());
            stages.filter(|s| s.basis == Basis::Mark).map(|s| (s.stage, s.began)).collect()
        };
        assert!(marked(&in_time).len() > 1, "seed {seed}: {:?}", makes(&in_time));
        assert_eq!(marked(&waited), marked(&in_time), "seed {seed}");
        let told = |out: &[Effect]| -> Vec<_> {
            let of = |e: &Effect| match &e.what {
                Conclusion::Stage(s) if s.basis == Basis::Mark => Some((e.time, s.clone())),
                _ => None,
            };
            out.iter().filter_map(of).collect()
        };
        assert_eq!(told(&waited), told(&in_time), "seed {seed}");
    }
}

#[test]
fn a_cut_pressed_by_mistake_is_taken_back_by_saying_that_it_sets() {
    let cheese = whole(3, Family::SemiCooked);
    let set = began(&cheese, Stage::Setting);
    let cut = (set + 300 * SECOND_NS, press(MarkKind::Cut));
    let back = (set + 320 * SECOND_NS, ask(Ask::Stage(Stage::Setting)));
    let out = with(&cheese, &[cut, back]);
    assert!(told(&out, Stage::Cutting).iter().any(|t| t.1), "the cut is taken back");
    let made = makes(&out)[0];
    let cutting = made.stages.iter().find(|s| s.stage == Stage::Cutting).unwrap().began.unwrap();
    assert!((cutting - began(&cheese, Stage::Cutting)).abs() < 240 * SECOND_NS, "{made:?}");
    assert_eq!(calls(&out, AlarmKind::HeatOff, true).len(), 1);
}

#[test]
fn what_is_pressed_in_the_whey_leaves_the_cheese_as_it_was_given() {
    let both = whole(1, Family::WithWheyCheese);
    let rests = began(&both, Stage::WheyResting) + 200 * SECOND_NS;
    let plain = with(&both, &[]);
    for kind in [MarkKind::Rennet, MarkKind::Cut, MarkKind::Lift] {
        let out = with(&both, &[(rests, press(kind.clone()))]);
        let (given, as_given) = (makes(&out), makes(&plain));
        assert_eq!(given[0], as_given[0], "{kind:?}");
        assert_eq!(stages(given[1]), [Stage::WheyHeating, Stage::WheyResting], "{kind:?}");
        assert_eq!(given[1].stages[0].began, as_given[1].stages[0].began, "{kind:?}");
    }
}

#[test]
fn a_target_changed_while_the_curd_is_stirred_is_not_the_wheys() {
    let both = whole(1, Family::WithWheyCheese);
    let stirred = began(&both, Stage::Stirring) + 60 * SECOND_NS;
    let wanted = both.cooks[0].target_celsius + 1.5;
    let out = with(&both, &[(stirred, press(MarkKind::Target(wanted)))]);
    assert_eq!(makes(&out)[0].cooks[0].target_celsius, Some(wanted));
    let whey = began(&both, Stage::WheyHeating);
    let later: Vec<_> = calls(&out, AlarmKind::HeatOff, false).into_iter().filter(|c| c.0 > whey).collect();
    assert!(later.iter().all(|c| c.1.unwrap() > 70.0), "{later:?}");
    assert_eq!(later.len(), 1);
}

#[test]
fn a_plan_followed_again_in_mid_make_keeps_both_cooks_targets() {
    let two = whole(1, Family::TwoStep);
    let mut plan = two.plan.clone();
    plan.get_ready_minutes += 1.0;
    let cut = began(&two, Stage::Cutting) + 120 * SECOND_NS;
    let out = with(&two, &[(cut, ask(Ask::Follow(Some(Arc::new(plan)))))]);
    let wanted: Vec<_> = two.cooks.iter().map(|c| Some(c.target_celsius)).collect();
    let targets: Vec<_> = makes(&out)[0].cooks.iter().map(|c| c.target_celsius).collect();
    assert_eq!(targets, wanted);
    assert_eq!(calls(&out, AlarmKind::HeatOff, true).len(), 2);
}

#[test]
fn a_plan_chosen_while_the_milk_is_on_the_fire_finds_its_warming() {
    for seed in 0..4 {
        let cheese = whole(seed, Family::SemiCooked);
        let warming = began(&cheese, Stage::Warming);
        let mut all: Vec<_> = cheese.lines.iter().map(happens).collect();
        all.push((warming + 150 * SECOND_NS, ask(Ask::Follow(Some(Arc::new(cheese.plan.clone()))))));
        all.sort_by_key(|h| h.0);
        let out = play_all(Engine::new(None), all);
        let first = &makes(&out)[0].stages[0];
        assert_eq!(first.stage, Stage::Warming, "seed {seed}");
        assert!((first.began.unwrap() - warming).abs() < 120 * SECOND_NS, "seed {seed}: {first:?}");
    }
}

#[test]
fn a_kettle_said_to_be_idle_hears_the_next_milk() {
    let cheese = whole(2, Family::SemiCooked);
    let lines = again(&cheese, &cheese, 20);
    let given_up = began(&cheese, Stage::Setting) + 300 * SECOND_NS;
    let until = cheese.lines.partition_point(|l| l.0 < given_up + 60 * SECOND_NS);
    let milk = lines[cheese.lines.len()..].iter();
    let mut all: Vec<_> = lines[..until].iter().chain(milk).map(happens).collect();
    all.push((given_up, ask(Ask::Stage(Stage::Idle))));
    all.sort_by_key(|h| h.0);
    let out = play_all(Engine::new(Some(Arc::new(cheese.plan.clone()))), all);
    assert_eq!(makes(&out).len(), 2);
    assert_eq!(calls(&out, AlarmKind::HeatOff, true).len(), 1, "the second milk's cook is called");
}

#[test]
fn heat_meant_for_the_next_milk_is_no_whey() {
    let cheese = make(
        4,
        Family::SemiCooked,
        &Options { odd: 0.0, whey_planned: Some(false), ..Options::default() },
        Marks::None,
    );
    let lines = again(&cheese, &cheese, 20);
    let lit = lines[cheese.lines.len()].0 + 7 * 60 * SECOND_NS;
    let mut all: Vec<_> = lines.iter().map(happens).collect();
    all.push((lit, press(MarkKind::HeatOn)));
    all.sort_by_key(|h| h.0);
    let out = play_all(Engine::new(Some(Arc::new(cheese.plan.clone()))), all);
    let whey = |m: &Told| stages(m).contains(&Stage::WheyHeating);
    assert!(!makes(&out).into_iter().any(whey), "{:?}", makes(&out));
    assert_eq!(calls(&out, AlarmKind::HeatOff, true).len(), 2);
}

#[test]
fn a_cheese_that_is_said_to_be_over_leaves_its_whey_a_make() {
    let both = whole(2, Family::WithWheyCheese);
    let over = began(&both, Stage::Drawing) + 150 * SECOND_NS;
    let out = with(&both, &[(over, ask(Ask::EndMake))]);
    let given: Vec<_> = makes(&out).into_iter().map(stages).collect();
    assert_eq!(given.len(), 2, "{given:?}");
    assert!(given[0].contains(&Stage::Drawing) && given[1][0] == Stage::WheyHeating, "{given:?}");
}

#[test]
fn a_probe_rinsed_and_checked_before_the_make_hides_nothing() {
    let cheese = whole(0, Family::SemiCooked);
    let start = cheese.lines[0].0;
    // Twenty minutes of air, in it ice water for three minutes and a rinse in warm.
    let bath = |s: i64| match s {
        240..420 => 0.5,
        700..740 => 45.0,
        _ => 18.0,
    };
    let mut shown = 18.0;
    let mut lines: Lines = Vec::new();
    for s in 0..1200 {
        shown += (bath(s) - shown) / if (15.0..20.0).contains(&bath(s)) { 40.0 } else { 4.0 };
        let reading = Spoken::Reading(Reading::of(KETTLE, shown));
        lines.push((start - (1200 - s) * SECOND_NS, reading));
    }
    lines.extend(cheese.lines.iter().cloned());
    let out = play(&cheese.plan, &lines);
    assert_eq!(makes(&out)[0].stages[0].stage, Stage::Warming);
    assert_eq!(calls(&out, AlarmKind::HeatOff, true).len(), 1);
}

#[test]
fn a_hot_rinse_between_two_makes_is_neither_whey_nor_the_next_milk() {
    for seed in [1, 3, 7] {
        let cheese = make(
            seed,
            Family::SemiCooked,
            &Options { odd: 0.0, whey_planned: Some(false), ..Options::default() },
            Marks::None,
        );
        let mut lines = again(&cheese, &cheese, 30);
        let from = lines[cheese.lines.len()].0 + 20 * 60 * SECOND_NS;
        let mut shown = 16.0;
        for (t, spoken) in &mut lines {
            let s = (*t - from) / SECOND_NS;
            if let (Spoken::Reading(r), 0..420) = (spoken, s) {
                let bath = if s < 150 { 62.0 } else { 16.0 };
                shown += (bath - shown) * 2.0 / if s < 150 { 4.0 } else { 40.0 };
                r.celsius = Some(shown);
            }
        }
        let out = play(&cheese.plan, &lines);
        let given = makes(&out);
        assert_eq!(given.len(), 2, "{given:?}");
        assert_eq!(stages(given[0]).last(), Some(&Stage::Drawing));
        // The second is the first again, and dated as it was.
        let later = lines[lines.len() - 1].0 - cheese.lines[cheese.lines.len() - 1].0;
        let warmed = |m: &Told| m.stages.iter().find(|s| s.stage == Stage::Warming).unwrap().began.unwrap();
        let apart_s = (warmed(given[1]) - warmed(given[0]) - later) / SECOND_NS;
        assert!(apart_s.abs() < 60, "{apart_s} s: {:?}", given[1]);
    }
}
