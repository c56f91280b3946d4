//! What came in from outside as journal lines, and back.
//!
//! Readings and marks have lines of their own ([`crate::wire::line`]); the
//! rest are `event` lines. Their `what` is one of `follow`, `acknowledge`,
//! `shelve`, `unshelve`, `out-of-service`, `stage`, `end-make`, `clock-step`,
//! `link`, `store`, `clock`. What the engine concluded is `said-…`, with the event as
//! the outside sees it in a field `json`; replay skips it. A command with
//! `again=true` was given before and still stands.
//!
//! Invariant: reading back what was written gives the same happening, so that
//! a journal replayed is the day again.

use std::sync::Arc;

use crate::config;
use crate::engine::alarm::AlarmKind;
use crate::engine::effect::{Conclusion, Effect};
use crate::engine::event::{Ask, Command, Happening, Name};
use crate::engine::plan::Plan;
use crate::engine::stage::Stage;
use crate::wire::json;
use crate::wire::line::{EventLine, Line, RESUMED, Value, write_event, write_mark, write_reading};

/// Stands for a newline in a field: a journal line is one line. A plan that
/// itself holds this sign bears it as the TOML escape `\u2424`.
const NEWLINE: char = '\u{2424}';

/// An `event` line that cannot be taken in.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum IntakeError {
    /// Nobody knows this kind of event.
    #[error("event {0:?} is not known; it was written by a newer version, or by hand")]
    Unknown(String),
    /// A field is missing or cannot be.
    #[error("event {what} needs {needs}")]
    Missing {
        /// The kind of event.
        what: String,
        /// What it lacks.
        needs: &'static str,
    },
    /// The plan in it has faults.
    #[error("the plan in an event follow has faults: {0}")]
    Plan(String),
}

/// Appends what happened as one journal line without its newline. Gives
/// `false`, and appends nothing, for what is no line: ticks and the input's
/// end.
pub fn write(out: &mut String, what: &Happening, wall_ns: i64) -> bool {
    match what {
        Happening::Reading(r) => write_reading(out, r, wall_ns),
        Happening::Mark(m) => write_mark(out, m, wall_ns),
        Happening::Command(c) => write_event(out, &command_line(c), wall_ns),
        Happening::ClockStep { step_ns } => {
            write_event(out, &line("clock-step", None, vec![integer("step_ns", *step_ns)]), wall_ns);
        }
        Happening::Link { source, up } => {
            let fields = vec![text("source", source), truth("up", *up)];
            write_event(out, &line("link", None, fields), wall_ns);
        }
        Happening::Store { ok, text: why } => {
            let fields = vec![truth("ok", *ok), text("text", why)];
            write_event(out, &line("store", None, fields), wall_ns);
        }
        Happening::Clock { sure } => {
            write_event(out, &line("clock", None, vec![truth("sure", *sure)]), wall_ns);
        }
        Happening::Resumed => {
            write_event(out, &line(RESUMED, None, vec![truth("seen", true)]), wall_ns);
        }
        Happening::Tick | Happening::EndOfInput => return false,
    }
    true
}

/// What happened as lines for the journal, one or none; `again` where a command was given
/// before and still stands.
pub fn lines(what: &Happening, again: bool, own_ns: i64) -> Vec<String> {
    let mut line = String::new();
    let has_line = match what {
        Happening::Command(command) if again => {
            write_again(&mut line, command, own_ns);
            true
        }
        _ => write(&mut line, what, own_ns),
    };
    has_line.then_some(line).into_iter().collect()
}

fn write_again(out: &mut String, c: &Command, wall_ns: i64) {
    let mut line = command_line(c);
    line.fields.push(truth("again", true));
    write_event(out, &line, wall_ns);
}

/// Appends what the engine concluded as one journal line without its newline.
/// Gives `false`, and appends nothing, for what has no form outside.
pub fn write_said(out: &mut String, effect: &Effect, wall_ns: i64) -> bool {
    let what = match &effect.what {
        Conclusion::Stage(_) => "said-stage",
        Conclusion::Alarm(_) => "said-alarm",
        Conclusion::Health(_) => "said-health",
        Conclusion::MakeBegan => "said-make-began",
        Conclusion::Make(_) => "said-make",
        Conclusion::Remark(_) => "said-remark",
        // A forecast a few times a minute would drown the record; the day's
        // journal gives it again.
        Conclusion::Forecast(_) | Conclusion::Learned(_) => return false,
    };
    let Some(json) = json::event(effect) else { return false };
    // What concerns the house as a whole has no kettle, and an empty tag is no
    // line protocol.
    let kettle = Some(&*effect.kettle).filter(|k| !k.is_empty());
    write_event(out, &line(what, kettle, vec![text("json", &json)]), wall_ns);
    true
}

/// What a journal line says happened; `None` for what the engine itself had
/// said.
///
/// # Errors
/// [`IntakeError`] where an `event` line is not known or not whole.
pub fn happening(line: Line) -> Result<Option<Happening>, IntakeError> {
    match line {
        Line::Reading(r) => Ok(Some(Happening::Reading(r))),
        Line::Mark(m) => Ok(Some(Happening::Mark(m))),
        Line::Event(e) => event(&e),
    }
}

fn event(e: &EventLine) -> Result<Option<Happening>, IntakeError> {
    if e.what.starts_with("said-") {
        return Ok(None);
    }
    let missing = |needs| IntakeError::Missing { what: e.what.clone(), needs };
    Ok(Some(match e.what.as_str() {
        "clock-step" => {
            Happening::ClockStep { step_ns: e.integer("step_ns").ok_or(missing("a field step_ns=…i"))? }
        }
        "link" => Happening::Link {
            source: Name::from(e.text("source").ok_or(missing("a field source=\"…\""))?),
            up: e.truth("up").ok_or(missing("a field up=true or up=false"))?,
        },
        "store" => Happening::Store {
            ok: e.truth("ok").ok_or(missing("a field ok=true or ok=false"))?,
            text: e.text("text").unwrap_or_default().into(),
        },
        "clock" => {
            Happening::Clock { sure: e.truth("sure").ok_or(missing("a field sure=true or sure=false"))? }
        }
        RESUMED => Happening::Resumed,
        "acknowledge" | "shelve" | "unshelve" | "out-of-service" => {
            // The house's own alarms have no kettle.
            Happening::Command(command(e, e.kettle.as_deref().unwrap_or_default())?)
        }
        _ => Happening::Command(command(e, e.kettle.as_deref().ok_or(missing("a tag kettle=NAME"))?)?),
    }))
}

fn command(e: &EventLine, kettle: &str) -> Result<Command, IntakeError> {
    Ok(Command { kettle: Name::from(kettle), by: e.text("by").map(Name::from), ask: ask(e)? })
}

fn ask(e: &EventLine) -> Result<Ask, IntakeError> {
    let missing = |needs| IntakeError::Missing { what: e.what.clone(), needs };
    let alarm = || e.text("alarm").and_then(AlarmKind::named).ok_or(missing("a field alarm=\"NAME\""));
    Ok(match e.what.as_str() {
        "follow" => Ask::Follow(e.text("plan").map(plan).transpose()?),
        "acknowledge" if e.text("alarm").is_none() => Ask::Acknowledge(None),
        "acknowledge" => Ask::Acknowledge(Some(alarm()?)),
        "shelve" => {
            let seconds = e.integer("seconds").and_then(|s| u32::try_from(s).ok());
            Ask::Shelve(alarm()?, seconds.ok_or(missing("a field seconds=…i"))?)
        }
        "unshelve" => Ask::Unshelve(alarm()?),
        "out-of-service" => {
            Ask::OutOfService(alarm()?, e.truth("out").ok_or(missing("a field out=true or out=false"))?)
        }
        "stage" => {
            let stage = e.text("stage").and_then(Stage::named);
            Ask::Stage(stage.ok_or(missing("a field stage=\"NAME\""))?)
        }
        "end-make" => Ask::EndMake,
        _ => return Err(IntakeError::Unknown(e.what.clone())),
    })
}

fn plan(text: &str) -> Result<Arc<Plan>, IntakeError> {
    let toml = text.replace(NEWLINE, "\n");
    config::plan::parse(&toml, "followed plan")
        .map(Arc::new)
        .map_err(|faults| IntakeError::Plan(config::fault::listed(&faults).replace('\n', "; ")))
}

fn command_line(c: &Command) -> EventLine {
    let mut fields = Vec::new();
    let what = match &c.ask {
        Ask::Acknowledge(alarm) => {
            fields.extend(alarm.map(|a| text("alarm", a.name())));
            "acknowledge"
        }
        Ask::Shelve(alarm, seconds) => {
            fields.extend([text("alarm", alarm.name()), integer("seconds", i64::from(*seconds))]);
            "shelve"
        }
        Ask::Unshelve(alarm) => {
            fields.push(text("alarm", alarm.name()));
            "unshelve"
        }
        Ask::OutOfService(alarm, out) => {
            fields.extend([text("alarm", alarm.name()), truth("out", *out)]);
            "out-of-service"
        }
        Ask::Follow(plan) => {
            fields.extend(plan.as_ref().map(|p| text("plan", &one_line(p))));
            "follow"
        }
        Ask::Stage(stage) => {
            fields.push(text("stage", stage.name()));
            "stage"
        }
        Ask::EndMake => "end-make",
    };
    fields.extend(c.by.as_ref().map(|by| text("by", by)));
    line(what, Some(&*c.kettle).filter(|k| !k.is_empty()), fields)
}

fn one_line(plan: &Plan) -> String {
    config::plan::write(plan).replace(NEWLINE, "\\u2424").replace('\n', &NEWLINE.to_string())
}

fn line(what: &str, kettle: Option<&str>, fields: Vec<(String, Value)>) -> EventLine {
    EventLine { what: what.into(), kettle: kettle.map(Into::into), fields }
}

fn text(key: &str, value: &str) -> (String, Value) {
    (key.into(), Value::Text(value.into()))
}

fn integer(key: &str, value: i64) -> (String, Value) {
    (key.into(), Value::Integer(value))
}

fn truth(key: &str, value: bool) -> (String, Value) {
    (key.into(), Value::Truth(value))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::event::{Mark, MarkKind, Reading};
    use crate::engine::plan::PlannedStage;
    use crate::wire::line::{Names, parse};

    fn check(what: &Happening) {
        let mut out = String::new();
        assert!(write(&mut out, what, 7));
        assert!(!out.contains('\n'), "{out}");
        let (line, t) = parse(&out, &mut Names::default()).unwrap().unwrap();
        assert_eq!(t, Some(7));
        assert_eq!(happening(line).unwrap().as_ref(), Some(what), "{out}");
    }

    #[test]
    fn whatever_came_in_comes_in_again() {
        let kettle = Name::from("big kettle");
        let mut plan = Plan { name: "Wheel \"␤\" of the hut".into(), ..Plan::default() };
        plan.stages.push(PlannedStage { to_celsius: Some(41.0), ..PlannedStage::of(Stage::Cooking) });
        for ask in [
            Ask::Acknowledge(None),
            Ask::Acknowledge(Some(AlarmKind::HeatOff)),
            Ask::Shelve(AlarmKind::HeatSlow, 600),
            Ask::Unshelve(AlarmKind::HeatSlow),
            Ask::OutOfService(AlarmKind::MilkWarm, true),
            Ask::Follow(None),
            Ask::Follow(Some(Arc::new(plan))),
            Ask::Stage(Stage::Cutting),
            Ask::EndMake,
        ] {
            let by = Some(Name::from("ada"));
            check(&Happening::Command(Command { kettle: kettle.clone(), by, ask }));
        }
        check(&Happening::ClockStep { step_ns: -3_600_000_000_000 });
        check(&Happening::Link { source: Name::from("box, left"), up: false });
        check(&Happening::Store { ok: false, text: "no space left".into() });
        check(&Happening::Clock { sure: false });
        let taken = Ask::Acknowledge(Some(AlarmKind::ClockUnsure));
        check(&Happening::Command(Command { kettle: Name::from(""), by: None, ask: taken }));
        check(&Happening::Reading(Reading::of("k", 34.5)));
        check(&Happening::Mark(Mark { kettle, kind: MarkKind::Ph(6.4), by: None }));
    }

    #[test]
    fn what_the_engine_said_is_skipped_and_the_unknown_is_named() {
        let mut names = Names::default();
        let said = parse("event,kettle=k,what=said-stage json=\"{}\" 5", &mut names).unwrap().unwrap().0;
        assert_eq!(happening(said), Ok(None));
        for (line, says) in [
            ("event,kettle=k,what=sing seen=true 5", "not known"),
            ("event,kettle=k,what=shelve alarm=\"heat-off\" 5", "seconds"),
            ("event,what=end-make seen=true 5", "kettle=NAME"),
            ("event,kettle=k,what=follow plan=\"reaction-s = -1\" 5", "reaction-s = -1"),
        ] {
            let line = parse(line, &mut names).unwrap().unwrap().0;
            let e = happening(line).unwrap_err().to_string();
            assert!(e.contains(says), "{e}");
        }
    }
}
