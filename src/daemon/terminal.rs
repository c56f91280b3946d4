//! The plainest outlet: what a maker would want to know, one line each, where
//! the daemon runs.
//!
//! It writes to standard error; standard output belongs to what a command is
//! for.

use tokio::sync::broadcast::error::RecvError;
use tokio_util::sync::CancellationToken;

use super::aside;
use super::outlet::{Feed, News, Outlet, Running};
use crate::engine::alarm::AlarmState;
use crate::engine::effect::{AlarmChange, Conclusion, Effect, StageChange, WallNs};
use crate::words::Words;

/// Prints alarms and stages on standard error.
#[derive(Debug)]
pub struct Terminal {
    zone: jiff::tz::TimeZone,
    words: &'static Words,
}

impl Terminal {
    /// A terminal that shows times in `zone`, UTC where the zone is not known,
    /// and speaks `words`.
    pub fn of(zone: &str, words: &'static Words) -> Self {
        Self { zone: jiff::tz::TimeZone::get(zone).unwrap_or(jiff::tz::TimeZone::UTC), words }
    }

    /// One line for a person, or nothing.
    fn line(&self, news: &News) -> Option<String> {
        let w = self.words;
        match news {
            News::Effect(effect) => {
                let said = match &effect.what {
                    Conclusion::Alarm(alarm) => self.alarm(alarm)?,
                    Conclusion::Stage(s) => self.stage(s)?,
                    Conclusion::MakeBegan => w.word("term-make-begins"),
                    Conclusion::Make(_) => w.word("term-make-over"),
                    _ => return None,
                };
                // What concerns the house as a whole has no kettle.
                let house = w.word("term-house");
                let whose = if effect.kettle.is_empty() { &house } else { &*effect.kettle };
                Some(format!("{} {whose}: {said}", self.clock(effect)))
            }
            News::Lot(lot) => {
                let key = if lot.closed { "term-lot-closed" } else { "term-lot-opened" };
                Some(w.say(key, &[("id", &lot.id), ("folder", &lot.folder.display().to_string())]))
            }
            News::Marked(..) => None,
        }
    }

    /// A name on the wire: English keeps it, as the log and the files have it.
    fn name(&self, family: &str, name: &str) -> String {
        if self.words.code() == "en" { name.to_owned() } else { self.words.one_of(family, name) }
    }

    fn stage(&self, s: &StageChange) -> Option<String> {
        let stage = self.name("stage", s.stage.name());
        if s.withdrawn {
            return Some(self.words.say("term-taken-back", &[("stage", &stage)]));
        }
        let basis = self.words.one_of("term-basis", s.basis.name());
        (!s.revises).then(|| format!("{stage} ({basis})"))
    }

    /// What an alarm's change means to who hears it; nothing for a change that
    /// asks for nothing.
    fn alarm(&self, a: &AlarmChange) -> Option<String> {
        let name = self.name("alarm", a.alarm.name());
        let key = match a.state {
            AlarmState::Unacknowledged => {
                let bell = if a.sounds { "\u{7}" } else { "" };
                let text = if a.said.is_empty() { a.text.clone() } else { self.words.tell(&a.said) };
                return Some(format!("{bell}{} - {text}", name.to_uppercase()));
            }
            AlarmState::Acknowledged => "term-taken",
            AlarmState::Shelved => "term-shelved",
            AlarmState::OutOfService => "term-out",
            AlarmState::Normal | AlarmState::ReturnedUnacknowledged | AlarmState::Suppressed => return None,
        };
        let what = self.words.say(key, &[("alarm", &name)]);
        Some(match &a.by {
            Some(by) => self.words.say("term-by", &[("what", &what), ("by", by)]),
            None => what,
        })
    }

    fn clock(&self, effect: &Effect) -> String {
        let at = |ns: WallNs| jiff::Timestamp::from_nanosecond(i128::from(ns)).ok();
        match effect.time.and_then(at) {
            Some(t) => t.to_zoned_datetime(self.zone.clone()).strftime("%H:%M:%S").to_string(),
            None => "--:--:--".into(),
        }
    }
}

impl Outlet for Terminal {
    fn name(&self) -> String {
        "terminal".into()
    }

    fn run(self: Box<Self>, feed: Feed, stop: CancellationToken) -> Running {
        let mut news = feed.news.subscribe();
        Box::pin(async move {
            loop {
                let one = tokio::select! {
                    () = stop.cancelled() => return Ok(()),
                    one = news.recv() => one,
                };
                match one {
                    Ok(news) => {
                        if let Some(line) = self.line(&news) {
                            aside::stderr().say(format!("{line}\n").as_bytes());
                        }
                    }
                    Err(RecvError::Lagged(lost)) => tracing::warn!("the terminal missed {lost} news"),
                    Err(RecvError::Closed) => return Ok(()),
                }
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::alarm::{AlarmKind, Priority};
    use crate::engine::event::Name;
    use crate::engine::said::Said;

    #[test]
    fn a_call_is_one_loud_line_in_the_dairys_own_time() {
        let alarm = AlarmChange {
            alarm: AlarmKind::HeatOff,
            state: AlarmState::Unacknowledged,
            priority: Priority::High,
            sounds: true,
            celsius: Some(40.1),
            limit_celsius: Some(41.0),
            text: "take the kettle off now".into(),
            said: vec![Said::of("said-too-hot").number("now", 40.1).number("wanted", 41.0)],
            by: None,
        };
        let effect = Effect {
            // 2025-07-14T04:05:29Z, 06:05:29 in Zurich in summer.
            time: Some(1_752_465_929_000_000_000),
            probe: Name::from("big"),
            kettle: Name::from("big"),
            what: Conclusion::Alarm(alarm),
        };
        let line = |code| Terminal::of("Europe/Zurich", Words::of(code)).line(&News::Effect(effect.clone()));
        let english = "06:05:29 big: \u{7}HEAT-OFF - Too hot: 40.1 °C, 41.0 °C wanted.";
        assert_eq!(line("en").as_deref(), Some(english));
        let french = "06:05:29 big: \u{7}RETIRE LE FEU - Trop chaud : 40,1 °C, voulu 41,0 °C.";
        assert_eq!(line("fr").as_deref(), Some(french));
    }
}
