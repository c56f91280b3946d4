//! A probe that is laid on the rim for some minutes and put back, a lift marked while it
//! hangs in the kettle, a jet of hot water: none of them ends a cook, and its call comes.

use super::*;

/// The makes that are played, and a cook's call comes this near to where it came without
/// what is done to the probe, seconds.
const SEEDS: [u64; 3] = [0, 1, 2];
const SAME_S: i64 = 120;

const ROOM_C: f64 = 18.0;

fn family(seed: u64) -> Family {
    [Family::SemiCooked, Family::HardCooked, Family::SemiCooked][seed as usize]
}

fn cheese(seed: u64) -> Make {
    make(seed, family(seed), &Options::default(), Marks::None)
}

/// A place in a stage, as a share of its length.
fn within(make: &Make, stage: Stage, share: f64) -> i64 {
    let at = make.began.iter().position(|b| b.0 == stage).unwrap();
    let (from, to) = (make.began[at].1, make.began[at + 1].1);
    from + ((to - from) as f64 * share) as i64
}

/// The same readings, with those from `from` on for `seconds` as of a probe in something
/// of `celsius` that it comes to within so many seconds (time constant), and comes back
/// from within six.
fn elsewhere(lines: &Lines, from: i64, seconds: i64, celsius: f64, tau_s: f64) -> Lines {
    let to = from + seconds * SECOND_NS;
    let mut left = None;
    let mut last = celsius;
    let moved = |(t, spoken): &(i64, Spoken)| {
        let Spoken::Reading(r) = spoken else { return (*t, spoken.clone()) };
        let Some(c) = r.celsius.filter(|_| *t >= from && *t < to + 60 * SECOND_NS) else {
            return (*t, spoken.clone());
        };
        let since = |at: i64| (t - at) as f64 / SECOND_NS as f64;
        let shown = if *t < to {
            last = celsius + (*left.get_or_insert(c) - celsius) * (-since(from) / tau_s).exp();
            last
        } else {
            c + (last - c) * (-since(to) / 6.0).exp()
        };
        (*t, Spoken::Reading(Reading { celsius: Some(shown), emf_mv: None, ..r.clone() }))
    };
    lines.iter().map(moved).collect()
}

fn on_the_rim(lines: &Lines, from: i64, minutes: i64) -> Lines {
    elsewhere(lines, from, minutes * 60, ROOM_C, 60.0)
}

/// That the make is told as it was, and its cook called when it was.
fn is_the_same(whole: &Make, lines: &Lines, what: &str) {
    let (usual, out) = (play(&whole.plan, &whole.lines), play(&whole.plan, lines));
    let (before, after) = (calls(&usual, AlarmKind::HeatOff, true), calls(&out, AlarmKind::HeatOff, true));
    assert_eq!(before.len(), after.len(), "{what}: {after:?}");
    for (b, a) in before.iter().zip(&after) {
        assert!((b.0 - a.0).abs() < SAME_S * SECOND_NS && b.1 == a.1, "{what}: {b:?} {a:?}");
    }
    let (before, after) = (makes(&usual), makes(&out));
    assert_eq!(after.len(), before.len(), "{what}");
    for s in &before[0].stages {
        let same = after[0].stages.iter().find(|t| t.stage == s.stage);
        let off = same.map(|t| (t.began.unwrap() - s.began.unwrap()).abs() / SECOND_NS);
        assert!(off.is_some_and(|o| o < 240), "{what}: {:?} {off:?} s off", s.stage);
    }
    assert_eq!(before[0].stages.len(), after[0].stages.len(), "{what}");
}

/// It was a drawing, and then whey that is heated; the cook passed its target in silence.
#[test]
fn a_probe_laid_on_the_rim_and_put_back_ends_no_cook() {
    for seed in SEEDS {
        let whole = cheese(seed);
        for (stage, share, minutes) in [
            (Stage::Cutting, 0.4, 3),
            (Stage::Cutting, 0.2, 6),
            (Stage::Cooking, 0.3, 3),
            (Stage::Cooking, 0.3, 5),
        ] {
            let lines = on_the_rim(&whole.lines, within(&whole, stage, share), minutes);
            is_the_same(&whole, &lines, &format!("seed {seed}, {stage:?} for {minutes} min"));
        }
    }
}

/// Feeling the grain took three minutes: the curd was said to be out.
#[test]
fn a_probe_laid_aside_while_the_grain_is_felt_is_no_drawing() {
    for seed in SEEDS {
        let whole = cheese(seed);
        let lines = on_the_rim(&whole.lines, within(&whole, Stage::Stirring, 0.35), 3);
        is_the_same(&whole, &lines, &format!("seed {seed}"));
    }
}

/// The room's air was called milk that warms too slowly.
#[test]
fn air_is_no_milk_that_warms_too_slowly() {
    for seed in SEEDS {
        let whole = cheese(seed);
        for minutes in [3, 5] {
            let from = within(&whole, Stage::Cooking, 0.3);
            let out = play(&whole.plan, &on_the_rim(&whole.lines, from, minutes));
            let slow = calls(&out, AlarmKind::HeatSlow, false);
            let away = from..from + (minutes * 60 + 60) * SECOND_NS;
            assert!(slow.iter().all(|c| !away.contains(&c.0)), "seed {seed}, {minutes} min: {slow:?}");
        }
    }
}

/// A second probe hangs in the milk that the first was taken out of.
#[test]
fn a_second_probe_in_the_milk_takes_over_while_the_first_is_laid_aside() {
    for seed in SEEDS {
        let whole = cheese(seed);
        let mut lines = on_the_rim(&whole.lines, within(&whole, Stage::Cooking, 0.3), 10);
        let second = |(t, spoken): &(i64, Spoken)| match spoken {
            Spoken::Reading(r) => {
                let celsius = r.celsius.map(|c| c + 0.25);
                let (probe, kettle) = (Name::from("second"), Some(Name::from(KETTLE)));
                Some((
                    t + 1000,
                    Spoken::Reading(Reading { probe, kettle, celsius, emf_mv: None, ..r.clone() }),
                ))
            }
            Spoken::Mark(_) => None,
        };
        lines.extend(whole.lines.iter().filter_map(second));
        lines.sort_by_key(|l| l.0);
        is_the_same(&whole, &lines, &format!("seed {seed}"));
    }
}

/// The thumb slipped while the milk set, or on the cook: no call came.
#[test]
fn a_lift_marked_while_the_cook_goes_on_is_taken_back() {
    for seed in SEEDS {
        let whole = cheese(seed);
        for (stage, share) in [(Stage::Setting, 0.4), (Stage::Cooking, 0.3)] {
            let slip = within(&whole, stage, share);
            let mut lines = whole.lines.clone();
            lines.insert(lines.partition_point(|l| l.0 < slip), (slip, marked(MarkKind::Lift)));
            is_the_same(&whole, &lines, &format!("seed {seed}, {stage:?}"));
        }
    }
}

/// Who stirred the curd out and marks its lift may leave the probe in the whey, and heat it.
#[test]
fn a_lift_marked_after_the_cook_stands() {
    for seed in SEEDS {
        let whole = cheese(seed);
        let lift = within(&whole, Stage::Stirring, 0.9);
        let mut lines = whole.lines.clone();
        lines.retain(|l| l.0 < began(&whole, Stage::Drawing));
        lines.insert(lines.partition_point(|l| l.0 < lift), (lift, marked(MarkKind::Lift)));
        let out = play(&whole.plan, &lines);
        let drawn = makes(&out)[0].stages.iter().find(|s| s.stage == Stage::Drawing).unwrap();
        assert_eq!((drawn.began, drawn.basis), (Some(lift), Basis::Mark), "seed {seed}");
    }
}

/// Hot water that ran over the probe for a moment had reached the target.
#[test]
fn a_jet_of_hot_water_reaches_no_target() {
    for seed in SEEDS {
        let whole = cheese(seed);
        let jet = elsewhere(&whole.lines, within(&whole, Stage::Cooking, 0.3), 18, 62.0, 6.0);
        is_the_same(&whole, &jet, &format!("seed {seed}"));
        let out = play(&whole.plan, &jet);
        let stood = calls(&out, AlarmKind::AtTarget, false);
        let early = within(&whole, Stage::Cooking, 0.25)..within(&whole, Stage::Cooking, 0.45);
        assert!(stood.iter().all(|c| !early.contains(&c.0)), "seed {seed}: {stood:?}");
    }
}
