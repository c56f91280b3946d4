//! Anything that may come: plans, marks, wishes, readings, and what follows upon what.

use super::*;

pub fn any_stage() -> impl Strategy<Value = Stage> {
    select(Stage::ALL.to_vec())
}

pub fn any_alarm() -> impl Strategy<Value = AlarmKind> {
    select(AlarmKind::ALL.to_vec())
}

/// Mostly what a kettle gives, now and then what a broken source gives.
pub fn any_celsius() -> impl Strategy<Value = Option<f64>> {
    prop_oneof![
        8 => (15.0..95.0).prop_map(Some),
        2 => Just(Some(85.0)),
        1 => Just(None),
        1 => select(vec![Some(f64::NAN), Some(f64::INFINITY), Some(-127.0), Some(1e300), Some(-0.0)]),
    ]
}

pub fn any_plan() -> impl Strategy<Value = Plan> {
    let stage = || (any_stage(), prop::option::of(20.0..60.0), prop::option::of(0.0..90.0), any::<bool>());
    // Now and then more than there is room for.
    let stages = prop_oneof![
        4 => prop::collection::vec(stage(), 0..6),
        1 => prop::collection::vec(stage(), 6..40)
    ];
    let soundings = select(vec![Sounding::Sounds, Sounding::Shows, Sounding::Off]);
    let alarms = prop::collection::btree_map(any_alarm(), soundings, 0..4);
    (stages, alarms, prop::option::of(4.0..12.0), 0.0..60.0).prop_map(|(stages, alarms, warm, ready)| Plan {
        stages: stages
            .into_iter()
            .map(|(kind, to_celsius, minutes, optional)| PlannedStage {
                to_celsius,
                minutes,
                optional,
                ..PlannedStage::of(kind)
            })
            .collect(),
        alarms,
        milk_warm_above_celsius: warm,
        get_ready_minutes: ready,
        ..Plan::default()
    })
}

pub fn any_ask() -> impl Strategy<Value = Ask> {
    prop_oneof![
        prop::option::of(any_alarm()).prop_map(Ask::Acknowledge),
        (any_alarm(), any::<u32>()).prop_map(|(a, s)| Ask::Shelve(a, s)),
        (any_alarm(), 0..600u32).prop_map(|(a, s)| Ask::Shelve(a, s)),
        any_alarm().prop_map(Ask::Unshelve),
        (any_alarm(), any::<bool>()).prop_map(|(a, out)| Ask::OutOfService(a, out)),
        any_stage().prop_map(Ask::Stage),
        prop::option::of(any_plan()).prop_map(|p| Ask::Follow(p.map(Arc::new))),
        Just(Ask::EndMake),
    ]
}

/// The commands that are for alarms, as the set itself is asked.
pub fn any_alarm_ask() -> impl Strategy<Value = Ask> {
    any_ask().prop_filter("for alarms", |a| !matches!(a, Ask::Follow(_) | Ask::Stage(_) | Ask::EndMake))
}

pub fn any_mark() -> impl Strategy<Value = MarkKind> {
    prop_oneof![
        select(vec![
            MarkKind::Rennet,
            MarkKind::Floc,
            MarkKind::Cut,
            MarkKind::HeatOn,
            MarkKind::HeatOff,
            MarkKind::Wash,
            MarkKind::Lift,
        ]),
        (30.0..60.0).prop_map(MarkKind::Target),
        select(vec![f64::NAN, -1e9, 1e9]).prop_map(MarkKind::Target),
        any::<f64>().prop_map(MarkKind::Ph),
    ]
}

pub fn any_reading() -> impl Strategy<Value = Reading> {
    (
        select(vec!["kettle", "vat"]),
        any_celsius(),
        prop::option::of(any::<u64>()),
        prop::option::of(select(Health::ALL.to_vec())),
        prop::option::of(any_celsius()),
    )
        .prop_map(|(probe, celsius, seq, health, junction)| Reading {
            celsius,
            seq,
            health,
            cold_junction_celsius: junction.flatten(),
            ..Reading::of(probe, 0.0)
        })
}

/// A stretch of readings as a kettle gives them, or one odd event.
#[derive(Debug, Clone)]
pub enum Deed {
    /// Seconds long, °C/min, start (°C), scatter (°C).
    Stretch(u16, f64, f64, f64),
    Odd(Happening),
}

pub fn any_deed() -> impl Strategy<Value = Deed> {
    let kettle = || Name::from("kettle");
    let odd = prop_oneof![
        4 => any_reading().prop_map(Happening::Reading),
        2 => any_mark().prop_map(move |kind| Happening::Mark(Mark { kettle: kettle(), kind, by: None })),
        2 => any_ask().prop_map(move |ask| {
            Happening::Command(Command { kettle: kettle(), by: Some(Name::from("ada")), ask })
        }),
        1 => Just(Happening::Tick),
        1 => any::<i64>().prop_map(|step_ns| Happening::ClockStep { step_ns }),
        1 => any::<bool>().prop_map(|ok| Happening::Store { ok, text: "disk full".to_owned() }),
        1 => any::<bool>().prop_map(|up| Happening::Link { source: Name::from("box"), up }),
        1 => Just(Happening::EndOfInput),
    ];
    prop_oneof![
        2 => (1..120u16, -3.0..3.0f64, 10.0..60.0f64, 0.0..0.3f64).prop_map(|(n, r, c, s)| Deed::Stretch(n, r, c, s)),
        3 => odd.prop_map(Deed::Odd),
    ]
}

/// The deeds as events; each takes a second, an odd one `gap_s` more.
pub fn events(deeds: &[(Deed, f64)]) -> Vec<Event> {
    let mut events = Vec::new();
    let mut t_s = 0.0;
    let mut push = |t_s: f64, what| {
        let ns = (t_s * 1e9) as u64;
        let wall_ns = Some(1_750_000_000_000_000_000 + ns.cast_signed());
        events.push(Event { stamp: Stamp { boot: 1, mono_ns: ns, wall_ns }, what });
    };
    for (deed, gap_s) in deeds {
        match deed {
            Deed::Stretch(n, rate, from, scatter) => {
                for i in 0..*n {
                    t_s += 1.0;
                    let wobble = if i % 2 == 0 { *scatter } else { -scatter };
                    let celsius = from + rate * f64::from(i) / 60.0 + wobble;
                    push(t_s, Happening::Reading(Reading::of("kettle", celsius)));
                }
            }
            Deed::Odd(what) => {
                t_s += 1.0 + gap_s;
                push(t_s, what.clone());
            }
        }
    }
    events
}
