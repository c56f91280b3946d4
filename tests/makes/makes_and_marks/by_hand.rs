//! Makes drawn by hand, leg by leg, where a recipe does not go that way: whey that hangs
//! before its fire, milk whose fire is taken off on the way, curd lifted out of the
//! stirring.

use curdtrace::rehearse::chance::Chance;

use super::*;

/// From one reading to the next, seconds.
const EVERY_S: i64 = 2;
/// The probe's time constants, seconds: in the kettle and in air.
const LAG_S: f64 = 6.0;
const AIR_S: f64 = 60.0;
/// The sensor's own noise, °C.
const NOISE_C: f64 = 0.1;

/// What the probe hangs in, and what it scatters by, °C.
#[derive(Clone, Copy, PartialEq)]
enum In {
    Air,
    Heated,
    Stirred,
    Still,
    Gel,
}

/// A stretch that ends at `to` °C; what `begins` there in truth.
#[derive(Clone, Copy)]
struct Leg {
    minutes: f64,
    to: f64,
    hangs: In,
    begins: Option<Stage>,
    /// Not on from where the last leg ended, but there at once.
    put_in: bool,
}

fn leg(minutes: f64, to: f64, hangs: In) -> Leg {
    Leg { minutes, to, hangs, begins: None, put_in: hangs == In::Air }
}

fn begin(stage: Stage, minutes: f64, to: f64, hangs: In) -> Leg {
    Leg { begins: Some(stage), ..leg(minutes, to, hangs) }
}

struct Drawn {
    lines: Lines,
    began: Vec<(Stage, i64)>,
}

impl Drawn {
    fn began(&self, stage: Stage) -> i64 {
        self.began.iter().find(|b| b.0 == stage).unwrap().1
    }
}

fn draw(legs: &[Leg], seed: u64) -> Drawn {
    let mut chance = Chance::of(seed);
    let mut drawn = Drawn { lines: Vec::new(), began: Vec::new() };
    let (mut level, mut probe, mut slow, mut now) = (legs[0].to, legs[0].to, 0.0, 1_750_000_000 * SECOND_NS);
    for leg in legs {
        drawn.began.extend(leg.begins.map(|stage| (stage, now)));
        let from = if leg.put_in { leg.to } else { level };
        let readings = (leg.minutes * 60.0 / EVERY_S as f64).round() as i64;
        let (lag_s, scatter) = match leg.hangs {
            In::Air => (AIR_S, 0.0),
            In::Heated => (LAG_S, 0.06),
            In::Stirred => (LAG_S, 0.04),
            In::Still => (LAG_S, 0.008),
            In::Gel => (LAG_S, 0.002),
        };
        for k in 1..=readings {
            level = from + (leg.to - from) * k as f64 / readings as f64;
            probe += (level - probe) * (1.0 - (-EVERY_S as f64 / lag_s).exp());
            // Stirring's eddies last some seconds.
            let goes_on = (-EVERY_S as f64 / 5.0).exp();
            slow = goes_on * slow + (1.0 - goes_on * goes_on).sqrt() * chance.normal();
            let celsius = probe + scatter * slow + NOISE_C * chance.normal();
            drawn.lines.push((now, Spoken::Reading(Reading::of(KETTLE, celsius))));
            now += EVERY_S * SECOND_NS;
        }
    }
    drawn
}

/// From the room to the drawing; `warming` comes from 12 °C to 33 °C.
fn cheese(warming: &[Leg], cook_to: f64, stirred_minutes: f64, settles: bool) -> Vec<Leg> {
    let mut legs = vec![leg(5.0, 16.0, In::Air)];
    legs.push(Leg { put_in: true, ..begin(Stage::Warming, 0.3, 12.0, In::Stirred) });
    legs.extend(warming);
    legs.extend([
        leg(2.0, 33.1, In::Stirred),
        begin(Stage::Setting, 35.0, 32.7, In::Gel),
        begin(Stage::Cutting, 0.5, 32.3, In::Stirred),
        leg(9.5, 32.2, In::Stirred),
        begin(Stage::Cooking, (cook_to - 32.2) / 0.5, cook_to - 0.2, In::Heated),
        leg(1.5, cook_to + 0.05, In::Stirred),
        leg(stirred_minutes, cook_to - 0.3, In::Stirred),
    ]);
    if settles {
        legs.push(begin(Stage::Settling, 6.0, cook_to - 0.5, In::Still));
    }
    legs.push(begin(Stage::Drawing, 12.0, 17.0, In::Air));
    legs
}

fn plan(cook_to: f64, more: &[PlannedStage]) -> Plan {
    let to = |kind, celsius| planned(kind, Some(celsius), None);
    let lasts = |kind, minutes| planned(kind, None, Some(minutes));
    let mut stages = vec![
        to(Stage::Warming, 33.0),
        lasts(Stage::Setting, 35.0),
        lasts(Stage::Cutting, 10.0),
        planned(Stage::Cooking, Some(cook_to), Some(18.0)),
        lasts(Stage::Stirring, 25.0),
    ];
    stages.extend_from_slice(more);
    Plan { stages, ..Plan::default() }
}

/// Seconds by which the make told it off from where it began in truth.
fn off_s(told: &[&Told], drawn: &Drawn, stage: Stage) -> i64 {
    let found: Vec<i64> =
        told.iter().flat_map(|m| &m.stages).filter(|s| s.stage == stage).map(|s| s.began.unwrap()).collect();
    assert_eq!(found.len(), 1, "{stage:?} in {told:?}");
    (found[0] - drawn.began(stage)) / SECOND_NS
}

const ONE_HEAT: [(f64, f64); 1] = [(26.0, 33.0)];

fn heats(all: &[(f64, f64)]) -> Vec<Leg> {
    let mut legs = Vec::new();
    for (k, &(minutes, to)) in all.iter().enumerate() {
        // Every other one is a pause.
        legs.push(leg(minutes, to, if k % 2 == 0 { In::Heated } else { In::Stirred }));
    }
    legs
}

/// The probe goes back into the whey at once, and the fire is made up when the cheese is
/// seen to: it was dated where the probe was put in. Whey as warm as curd that was cooked
/// high was even taken to rest there.
#[test]
fn whey_is_heated_from_its_fire_on_however_long_it_hung_before() {
    for (seed, cook_to, hangs_minutes) in [(1, 42.0, 30.0), (2, 52.0, 25.0), (3, 38.0, 4.0), (4, 52.0, 0.7)] {
        let mut legs = cheese(&heats(&ONE_HEAT), cook_to, 25.0, true);
        legs.extend([
            Leg { put_in: true, ..leg(0.3, cook_to - 0.6, In::Still) },
            leg(hangs_minutes, cook_to - 1.4, In::Still),
            begin(Stage::WheyHeating, (86.4 - cook_to) / 1.2, 85.1, In::Heated),
            begin(Stage::WheyResting, 15.0, 82.0, In::Still),
            leg(10.0, 17.0, In::Air),
        ]);
        let whey =
            [planned(Stage::WheyHeating, Some(85.0), None), planned(Stage::WheyResting, None, Some(15.0))];
        let drawn = draw(&legs, seed);
        let out = play(&plan(cook_to, &whey), &drawn.lines);
        let told = makes(&out);
        for stage in [Stage::WheyHeating, Stage::WheyResting] {
            let off_s = off_s(&told, &drawn, stage);
            assert!(off_s.abs() <= 90, "seed {seed}, {hangs_minutes} min: {stage:?} {off_s} s off");
        }
    }
}

/// The fire is taken off while the milk is still cold, and made up again: the warming
/// was dated at the last heat.
#[test]
fn a_warming_begins_with_its_first_heat() {
    let ways: [&[(f64, f64)]; 3] = [
        &[(9.0, 19.0), (12.0, 18.9), (18.0, 33.0)],
        &[(11.0, 21.0), (15.0, 20.8), (16.0, 33.0)],
        &[(7.0, 17.0), (8.0, 16.9), (10.0, 25.0), (10.0, 24.8), (11.0, 33.0)],
    ];
    for (seed, way) in (1..).zip(ways) {
        let drawn = draw(&cheese(&heats(way), 42.0, 25.0, true), seed);
        let out = play(&plan(42.0, &[]), &drawn.lines);
        let off_s = off_s(&makes(&out), &drawn, Stage::Warming);
        assert!(off_s.abs() <= 120, "{way:?}: {off_s} s off");
    }
}

/// A probe that hung for an hour in what did not change, and was moved once, was on no
/// fire meanwhile.
#[test]
fn what_only_hung_before_its_fire_was_not_warmed_and_left() {
    for seed in 0..4 {
        let mut legs = cheese(&heats(&ONE_HEAT), 42.0, 25.0, true);
        legs.insert(1, Leg { put_in: true, ..leg(70.0, 17.4, In::Still) });
        let drawn = draw(&legs, seed);
        let out = play(&plan(42.0, &[]), &drawn.lines);
        let off_s = off_s(&makes(&out), &drawn, Stage::Warming);
        assert!(off_s.abs() <= 120, "seed {seed}: {off_s} s off");
    }
}

/// A probe that came in from the cold and warmed to the room, an hour before the milk, had
/// been on no fire either: the warming was dated then.
#[test]
fn a_probe_that_warmed_to_the_room_was_on_no_fire() {
    for seed in 0..4 {
        let mut legs = cheese(&heats(&ONE_HEAT), 42.0, 25.0, true);
        legs.splice(..1, [leg(0.3, 10.0, In::Air), leg(70.0, 17.2, In::Air)]);
        let drawn = draw(&legs, seed);
        let out = play(&plan(42.0, &[]), &drawn.lines);
        let off_s = off_s(&makes(&out), &drawn, Stage::Warming);
        assert!(off_s.abs() <= 120, "seed {seed}: {off_s} s off");
    }
}

/// A cheese that is not cooked, in a warm room: its whey and the air are 6 °C
/// apart, and the curd was told to settle. Its whey, put back on the fire a quarter of an
/// hour later, was a cook.
#[test]
fn uncooked_curd_is_out_in_a_warm_room_and_its_whey_is_no_cook() {
    let stages = [
        planned(Stage::Warming, Some(30.0), None),
        planned(Stage::Setting, None, Some(50.0)),
        planned(Stage::Cutting, None, Some(15.0)),
        planned(Stage::Drawing, None, None),
        planned(Stage::WheyHeating, Some(85.0), None),
    ];
    let plan = Plan { stages: stages.into(), ..Plan::default() };
    for (seed, room, whey) in
        [(0, 23.4, false), (1, 23.0, false), (2, 22.0, false), (3, 18.0, true), (4, 17.0, true)]
    {
        let mut legs = vec![
            leg(5.0, room, In::Air),
            Leg { put_in: true, ..begin(Stage::Warming, 0.3, 12.0, In::Stirred) },
            leg(18.0, 30.0, In::Heated),
            leg(2.0, 30.0, In::Stirred),
            begin(Stage::Setting, 50.0, 29.8, In::Gel),
            begin(Stage::Cutting, 1.0, 29.5, In::Stirred),
            leg(14.0, 29.4, In::Stirred),
            begin(Stage::Drawing, 15.0, room, In::Air),
        ];
        if whey {
            legs.extend([
                Leg { put_in: true, ..leg(0.2, 29.0, In::Still) },
                leg(1.5, 29.0, In::Still),
                begin(Stage::WheyHeating, 28.0, 85.0, In::Heated),
            ]);
        }
        legs.push(leg(25.0, room, In::Air));
        let drawn = draw(&legs, seed);
        let out = play(&plan, &drawn.lines);
        let told = makes(&out);
        for (stage, _) in drawn.began.iter().filter(|b| b.0 >= Stage::Drawing) {
            let off_s = off_s(&told, &drawn, *stage);
            assert!(off_s.abs() <= 90, "seed {seed}: {stage:?} {off_s} s off");
        }
        let cooked = told.iter().any(|m| m.stages.iter().any(|s| s.stage == Stage::Cooking));
        assert!(!cooked, "seed {seed}: {told:?}");
    }
}

/// Curd is lifted straight out of the stirring, minutes after the cook: a settling was told
/// where none was, and none of the stirring.
#[test]
fn curd_lifted_out_of_the_stirring_did_not_settle() {
    for (minutes, seed) in [3.0, 6.0].into_iter().flat_map(|m| (0..8).map(move |seed| (m, seed))) {
        let drawn = draw(&cheese(&heats(&ONE_HEAT), 42.0, minutes, false), seed);
        let mut plan = plan(42.0, &[PlannedStage::of(Stage::Drawing)]);
        for stirring in plan.stages.iter_mut().filter(|s| s.kind == Stage::Stirring) {
            stirring.optional = true;
        }
        let out = play(&plan, &drawn.lines);
        let told = stages(makes(&out)[0]);
        assert!(!told.contains(&Stage::Settling), "{minutes} min, seed {seed}: {told:?}");
        assert!(told.contains(&Stage::Stirring), "{minutes} min, seed {seed}: {told:?}");
    }
}

/// The planned minutes of stirring are over just after the curd was lifted.
#[test]
fn nobody_is_told_to_stop_stirring_curd_that_is_out() {
    let over_ns = |out: &[Effect]| calls(out, AlarmKind::HoldDone, false).last().unwrap().0;
    let legs = |minutes: f64| cheese(&heats(&ONE_HEAT), 42.0, minutes, false);
    let drawing = [PlannedStage::of(Stage::Drawing)];
    let whole = draw(&legs(40.0), 1);
    let due_ns = over_ns(&play(&plan(42.0, &drawing), &whole.lines));
    for early_s in [10, 14, 20] {
        let lifted_ns = due_ns - early_s * SECOND_NS;
        let stirred_s = (lifted_ns - whole.began(Stage::Drawing)) as f64 / SECOND_NS as f64 + 40.0 * 60.0;
        let drawn = draw(&legs(stirred_s / 60.0), 1);
        let out = play(&plan(42.0, &drawing), &drawn.lines);
        let called = calls(&out, AlarmKind::HoldDone, false);
        assert!(
            called.iter().all(|c| c.0 < drawn.began(Stage::Cooking)),
            "lifted {early_s} s before: {called:?}"
        );
    }
}
