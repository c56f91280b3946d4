//! What an alarm says, as data: the same as [`super::words`] says in the record's
//! English, sentence by sentence. A test below holds the two together.

use super::company::Share;
use super::failure::is_out;
use super::heating::{is_stalled, stands_below};
use super::occasion::Occasion;
use crate::engine::alarm::AlarmKind;
use crate::engine::said::Said;
use crate::engine::situation::Situation;
use crate::engine::stage::Stage;

/// The sentences of an alarm that is being raised.
pub(super) fn said(
    kind: AlarmKind,
    s: &Situation,
    limit: Option<f64>,
    memory: &Occasion,
    share: &Share,
) -> Vec<Said> {
    let of = |key: &str| now(Said::of(key), s).maybe("wanted", limit);
    match kind {
        AlarmKind::GetReady => {
            let off_s = s.outlook.map_or(0.0, |o| o.heat_off_in_s);
            vec![of("said-get-ready").number("lasting", off_s)]
        }
        AlarmKind::HeatOff => vec![heat_off(&of, s)],
        AlarmKind::AtTarget if stands_below(s, limit) => vec![of("said-stands-below")],
        AlarmKind::AtTarget => vec![of("said-at-target")],
        AlarmKind::OverTarget => over_target(s, limit, memory),
        AlarmKind::HeatSlow if is_stalled(s) => vec![pace("said-hardly-warms", s)],
        AlarmKind::HeatSlow => vec![pace("said-heat-slow", s)],
        AlarmKind::HeatFast => vec![pace("said-heat-fast", s)],
        AlarmKind::StirringStopped => vec![of("said-stirring-stopped").number("lasting", s.still_s)],
        AlarmKind::MilkCold => vec![of("said-milk-cold")],
        AlarmKind::MilkWarm => vec![of("said-milk-warm")],
        AlarmKind::CurdCheck => match s.curd_check_at_s.map_or(0.0, |at| at - s.t_s) {
            due_s if due_s >= 30.0 => vec![Said::of("said-curd-check-in").number("lasting", due_s)],
            _ => vec![Said::of("said-curd-check")],
        },
        AlarmKind::HoldDone => hold_done(s),
        AlarmKind::NearBoil => vec![of("said-near-boil").number("boils", s.boiling_celsius)],
        AlarmKind::ProbeFault | AlarmKind::ProbeSilent => probe(kind, s, share),
        AlarmKind::StoreFault | AlarmKind::ClockUnsure => Vec::new(),
    }
}

/// The sentences of what is told from outside.
pub(super) fn told(kind: AlarmKind, store_fault: Option<&str>) -> Vec<Said> {
    match kind {
        AlarmKind::StoreFault => {
            vec![Said::of("said-store-fault").word("why", store_fault.unwrap_or("unknown"))]
        }
        _ => vec![Said::of("said-clock-unsure")],
    }
}

/// With the number, or with how long there has been none.
fn now(said: Said, s: &Situation) -> Said {
    match s.celsius {
        Some(celsius) => said.number("now", celsius),
        None => said.number("age", s.number_age_s),
    }
}

fn heat_off(of: &impl Fn(&str) -> Said, s: &Situation) -> Said {
    let Some(o) = s.outlook else { return of("said-heat-off") };
    if let Some(blind_s) = o.blind_s {
        return of("said-heat-off-blind").number("lasting", blind_s);
    }
    of("said-heat-off-peak")
        .number("peak", o.peak_celsius)
        .number("low", o.peak_low_celsius)
        .number("high", o.peak_high_celsius)
}

fn over_target(s: &Situation, limit: Option<f64>, memory: &Occasion) -> Vec<Said> {
    let target = memory.heating.map_or(limit, |h| Some(h.target_celsius));
    let what = match (s.celsius, limit, s.outlook) {
        (Some(c), Some(l), Some(o)) if c <= l => {
            Said::of("said-will-end-over").number("low", o.peak_low_celsius)
        }
        _ => now(Said::of("said-too-hot"), s),
    };
    vec![what.maybe("wanted", target), Said::of("said-over-do")]
}

fn pace(key: &str, s: &Situation) -> Said {
    let rate = s.rate_celsius_per_min;
    let planned = rate.and(s.planned_rate_celsius_per_min);
    now(Said::of(key), s).maybe("rate", rate).maybe("planned", planned)
}

fn hold_done(s: &Situation) -> Vec<Said> {
    let over = Said::of("said-hold-done").number("min", s.planned_minutes.unwrap_or(0.0));
    let next = match s.stage {
        Stage::Ripening => "said-next-ripening",
        Stage::Setting => "said-next-setting",
        Stage::Stirring => "said-next-stirring",
        _ => "said-next-other",
    };
    vec![over.word("stage", s.stage.name()), Said::of(next)]
}

fn probe(kind: AlarmKind, s: &Situation, share: &Share) -> Vec<Said> {
    let what = match kind {
        AlarmKind::ProbeSilent => Said::of("said-probe-silent").number("lasting", s.silent_s),
        _ if s.reason.is_empty() => Said::of("said-probe-health").word("health", s.health.name()),
        _ => Said::of("said-probe-fault").word("reason", s.reason.as_str()),
    };
    let mut all = vec![what];
    if let Share::First { others } = share {
        all.push(Said::of("said-probe-others").number("n", f64::from(*others)));
    }
    all.push(Said::of(if is_out(kind, s) { "said-probe-back" } else { "said-probe-do" }));
    if s.in_milk {
        all.push(Said::of("said-probe-meanwhile"));
    }
    all
}

#[cfg(test)]
#[allow(clippy::field_reassign_with_default)] // its other fields are its own
mod tests {
    use super::super::occasion::Heating;
    use super::super::words;
    use super::*;
    use crate::engine::probe::Health;
    use crate::engine::situation::Outlook;
    use crate::engine::stage::Basis;
    use crate::words::Words;

    fn situation() -> Situation {
        Situation {
            t_s: 1000.0,
            celsius: Some(40.12),
            plain_celsius: None,
            rate_celsius_per_min: Some(0.5),
            number_age_s: 0.0,
            every_s: 1.0,
            basis: Basis::Trace,
            silent_s: 65.0,
            health: Health::Failure,
            reason: "open circuit: wire or plug".into(),
            occurrence: 0,
            stage: Stage::Cooking,
            stage_began_s: 0.0,
            planned_minutes: Some(30.0),
            in_milk: true,
            heating: true,
            said_off: false,
            cooks_on: None,
            goes_on: true,
            stands: 0.0,
            cut: 0.0,
            heating_number: 1,
            target_celsius: Some(41.0),
            heated: None,
            tolerance_celsius: 0.5,
            set_celsius: None,
            planned_rate_celsius_per_min: Some(0.75),
            outlook: Some(Outlook {
                target_celsius: 41.0,
                heat_off_in_s: 130.0,
                reach_in_s: 150.0,
                peak_celsius: 41.1,
                peak_low_celsius: 40.84,
                peak_high_celsius: 41.4,
                blind_s: None,
            }),
            still_s: 95.0,
            curd_check_at_s: Some(1100.0),
            boiling_celsius: 94.3,
        }
    }

    /// Every form that a text takes.
    fn situations() -> Vec<Situation> {
        let base = situation();
        let mut all = vec![base.clone()];
        let mut push = |change: &dyn Fn(&mut Situation)| {
            let mut s = base.clone();
            change(&mut s);
            all.push(s);
        };
        push(&|s| (s.celsius, s.number_age_s, s.in_milk) = (None, 75.0, false));
        push(&|s| s.outlook = None);
        push(&|s| (s.celsius, s.outlook.as_mut().unwrap().blind_s) = (None, Some(30.0)));
        push(&|s| (s.celsius, s.planned_rate_celsius_per_min) = (Some(42.0), None));
        push(&|s| (s.rate_celsius_per_min, s.curd_check_at_s) = (None, None));
        push(&|s| s.rate_celsius_per_min = Some(0.001));
        push(&|s| s.reason.clear());
        push(&|s| s.health = Health::CheckFunction);
        for stage in Stage::ALL {
            push(&|s| s.stage = stage);
        }
        all
    }

    #[test]
    fn the_data_says_in_english_what_the_record_says() {
        let english = Words::of("en");
        let heating =
            Heating { number: 1, stage: Stage::Cooking, target_celsius: 41.0, tolerance_celsius: 0.5 };
        for s in situations() {
            for (limit, heating) in [(Some(41.5), Some(heating)), (None, None)] {
                let mut memory = Occasion::default();
                memory.heating = heating;
                for share in [Share::Alone, Share::First { others: 3 }] {
                    for kind in AlarmKind::ALL {
                        let text = words::text(kind, &s, limit, &memory, &share);
                        assert_eq!(english.tell(&said(kind, &s, limit, &memory, &share)), text, "{kind:?}");
                    }
                }
            }
        }
        for kind in [AlarmKind::StoreFault, AlarmKind::ClockUnsure] {
            assert_eq!(english.tell(&told(kind, Some("disk full"))), words::told(kind, Some("disk full")));
        }
    }

    #[test]
    fn every_language_has_a_value_for_every_place() {
        for words in Words::all() {
            for s in situations() {
                for kind in AlarmKind::ALL {
                    let text = words.tell(&said(kind, &s, Some(41.5), &Occasion::default(), &Share::Alone));
                    assert!(
                        !text.contains(['…', '{']) && !text.contains("said-"),
                        "{}: {text}",
                        words.code()
                    );
                    let english = ["the ", " is ", "target", "number for"];
                    let slips = words.code() != "en" && english.iter().any(|e| text.contains(e));
                    assert!(!slips, "{}: {text}", words.code());
                }
            }
        }
    }
}
