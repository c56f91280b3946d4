//! What an alarm says in the record's English: what it is, the number, what can
//! be done. The tool advises; the maker decides. [`super::said`] says the same
//! as data.

use super::company::Share;
use super::failure::is_out;
use super::heating::{is_stalled, stands_below};
use super::occasion::Occasion;
use crate::engine::alarm::AlarmKind;
use crate::engine::said::spoken;
use crate::engine::situation::Situation;
use crate::engine::stage::Stage;

/// The number, or that there is none.
fn number(s: &Situation) -> String {
    s.celsius.map_or_else(|| format!("no number for {}", spoken(s.number_age_s)), |c| format!("{c:.1} °C"))
}

fn wanted(limit: Option<f64>) -> String {
    limit.map_or_else(|| "the target".to_owned(), |c| format!("{c:.1} °C"))
}

/// The text of an alarm that is being raised.
pub(super) fn text(
    kind: AlarmKind,
    s: &Situation,
    limit: Option<f64>,
    memory: &Occasion,
    share: &Share,
) -> String {
    match kind {
        AlarmKind::GetReady => get_ready(s, limit),
        AlarmKind::HeatOff => heat_off(s, limit),
        AlarmKind::AtTarget if stands_below(s, limit) => {
            format!("It stands at {}, {} wanted.", number(s), wanted(limit))
        }
        AlarmKind::AtTarget => format!("Reached: {}, {} wanted.", number(s), wanted(limit)),
        AlarmKind::OverTarget => over_target(s, limit, memory),
        AlarmKind::HeatSlow => heat_slow(s),
        AlarmKind::HeatFast => format!(
            "Warms faster than planned: {}. Less fire, or swing the kettle aside for a while.",
            pace(s)
        ),
        AlarmKind::StirringStopped => format!(
            "The stirring seems to have stopped {} ago, the curd at {}. Hot grains mat within minutes: stir, \
             unless you mean it to settle.",
            spoken(s.still_s),
            number(s)
        ),
        AlarmKind::MilkCold => format!(
            "The setting milk has cooled to {}, below {}. It will set later and softer: cover it, keep draught \
             away; do not stir.",
            number(s),
            wanted(limit)
        ),
        AlarmKind::MilkWarm => format!(
            "The stored milk has stood above {} for half an hour: {}. Cool it, or work it at once.",
            wanted(limit),
            number(s)
        ),
        AlarmKind::CurdCheck => curd_check(s),
        AlarmKind::HoldDone => hold_done(s),
        AlarmKind::NearBoil => format!(
            "{}: it boils here at {:.1} °C and may boil over. Less fire; keep clear of steam and hot whey.",
            number(s),
            s.boiling_celsius
        ),
        AlarmKind::ProbeFault | AlarmKind::ProbeSilent => probe(kind, s, share),
        AlarmKind::StoreFault | AlarmKind::ClockUnsure => String::new(),
    }
}

/// The text of what is told from outside.
pub(super) fn told(kind: AlarmKind, store_fault: Option<&str>) -> String {
    match (kind, store_fault) {
        (AlarmKind::StoreFault, what) => format!(
            "Readings are not being kept ({}). Alarms go on. Make room on the disk or look at it; write the \
             make down by hand meanwhile.",
            what.unwrap_or("unknown")
        ),
        _ => "The clock is not to be trusted: durations hold, dates may not. Set the clock; corrected times \
                 are kept beside the raw ones."
            .to_owned(),
    }
}

fn get_ready(s: &Situation, limit: Option<f64>) -> String {
    let off = s.outlook.map_or(0.0, |o| o.heat_off_in_s);
    format!(
        "{} is near: heat off in about {}, now {}. Come to the kettle.",
        wanted(limit),
        spoken(off),
        number(s)
    )
}

fn heat_off(s: &Situation, limit: Option<f64>) -> String {
    let wanted = wanted(limit);
    let Some(o) = s.outlook else { return format!("Heat off now: {}, {wanted} wanted.", number(s)) };
    if let Some(blind_s) = o.blind_s {
        return format!(
            "Heat off now, called blind: no number for {}; by the last one and its rate it is about to end \
             at {wanted}. Look with a hand thermometer.",
            spoken(blind_s)
        );
    }
    format!(
        "Heat off now: {}, will end at about {:.1} °C ({:.1} to {:.1}), {wanted} wanted.",
        number(s),
        o.peak_celsius,
        o.peak_low_celsius,
        o.peak_high_celsius
    )
}

fn over_target(s: &Situation, limit: Option<f64>, memory: &Occasion) -> String {
    let target = memory.heating.map_or(limit, |h| Some(h.target_celsius));
    let what = match (s.celsius, limit, s.outlook) {
        (Some(c), Some(l), Some(o)) if c <= l => {
            format!("Will end at {:.1} °C or more, {} wanted", o.peak_low_celsius, wanted(target))
        }
        _ => format!("Too hot: {}, {} wanted", number(s), wanted(target)),
    };
    format!("{what}. Heat off if it is still on; stir, lid off, or add cold whey or water, as you judge.")
}

fn pace(s: &Situation) -> String {
    match (s.rate_celsius_per_min, s.planned_rate_celsius_per_min) {
        (Some(r), Some(p)) => format!("{r:.2} °C/min where {p:.2} is planned, {}", number(s)),
        (Some(r), None) => format!("{r:.2} °C/min, {}", number(s)),
        (None, _) => number(s),
    }
}

fn heat_slow(s: &Situation) -> String {
    if is_stalled(s) {
        return format!("Hardly warms any more: {}. The fire may be out.", pace(s));
    }
    format!("Warms slower than planned: {}. Look at the fire.", pace(s))
}

fn curd_check(s: &Situation) -> String {
    let due = s.curd_check_at_s.map_or(0.0, |at| at - s.t_s);
    let when = if due >= 30.0 { format!("in about {}", spoken(due)) } else { "now".to_owned() };
    format!("Look at the curd {when}: by the rennet clock it may be ready. Knife or finger decides.")
}

fn hold_done(s: &Situation) -> String {
    let minutes = s.planned_minutes.unwrap_or(0.0);
    let next = match s.stage {
        Stage::Ripening => "Rennet, if the milk is ripe.",
        Stage::Setting => "Look at the curd.",
        Stage::Stirring => "Feel the grain: stop and lift when it is ready.",
        _ => "Go on when it is ready.",
    };
    format!("The planned {minutes:.0} min of {} are over. {next}", s.stage.name().replace('-', " "))
}

fn probe(kind: AlarmKind, s: &Situation, share: &Share) -> String {
    let what = match kind {
        AlarmKind::ProbeSilent => format!("Nothing heard from the probe for {}", spoken(s.silent_s)),
        _ if s.reason.is_empty() => format!("The probe is not to be trusted ({})", s.health.name()),
        _ => format!("The probe is not to be trusted: {}", s.reason),
    };
    let others = match share {
        Share::First { others } => format!(". {others} more with it: look at what they share"),
        _ => String::new(),
    };
    let meanwhile = if s.in_milk { " Watch the kettle with a hand thermometer meanwhile." } else { "" };
    let todo = if is_out(kind, s) { "Put it back into the milk" } else { "Look at plug, cable and box" };
    format!("{what}{others}. {todo}.{meanwhile}")
}

#[cfg(test)]
mod tests {
    use crate::engine::said::spoken;

    fn check(seconds: f64, expected: &str) {
        assert_eq!(spoken(seconds), expected);
    }

    #[test]
    fn says_durations_as_people_do() {
        check(-3.0, "0 s");
        check(42.4, "42 s");
        check(120.0, "2 min");
        check(130.0, "2 min 10 s");
        check(1290.0, "21 min");
        check(7260.0, "2 h 1 min");
    }
}
