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
use crate::engine::effect::{AlarmChange, Conclusion, StageChange, WallNs};
use crate::words::Words;

/// A stage is told with its beginning where that is so long ago.
const SEEN_LATE_NS: WallNs = 60_000_000_000;

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
        Self { zone: crate::config::dairy::zone(zone), words }
    }

    /// One line for a person, or nothing.
    fn line(&self, news: &News) -> Option<String> {
        let w = self.words;
        match news {
            News::Effect(effect) => {
                let said = match &effect.what {
                    Conclusion::Alarm(alarm) => self.alarm(alarm)?,
                    Conclusion::Stage(s) => self.stage(s, effect.time)?,
                    Conclusion::MakeBegan => w.word("term-make-begins"),
                    Conclusion::Make(_) => w.word("term-make-over"),
                    _ => return None,
                };
                // What concerns the house as a whole has no kettle.
                let house = w.word("term-house");
                let whose = if effect.kettle.is_empty() { &house } else { &*effect.kettle };
                Some(format!("{} {whose}: {said}", self.clock(effect.time, "%H:%M:%S")))
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

    /// A stage that was seen late is told with its beginning.
    fn stage(&self, s: &StageChange, now: Option<WallNs>) -> Option<String> {
        let stage = self.name("stage", s.stage.name());
        if s.withdrawn {
            return Some(self.words.say("term-taken-back", &[("stage", &stage)]));
        }
        let basis = self.words.one_of("term-basis", s.basis.name());
        if s.revises {
            return None;
        }
        let late = s.began.zip(now).filter(|(began, now)| now - began >= SEEN_LATE_NS);
        Some(match late {
            Some((began, _)) => {
                let since = self.clock(Some(began), "%H:%M");
                self.words.say("term-stage-since", &[("stage", &stage), ("since", &since), ("basis", &basis)])
            }
            None => format!("{stage} ({basis})"),
        })
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
        let minutes = a.shelved_for_s.map(|s| (s / 60.0).ceil().to_string()).unwrap_or_default();
        let what = self.words.say(key, &[("alarm", &name), ("min", &minutes)]);
        Some(match &a.by {
            Some(by) => self.words.say("term-by", &[("what", &what), ("by", by)]),
            None => what,
        })
    }

    fn clock(&self, time: Option<WallNs>, form: &str) -> String {
        let at = |ns: WallNs| jiff::Timestamp::from_nanosecond(i128::from(ns)).ok();
        match time.and_then(at) {
            Some(t) => t.to_zoned_datetime(self.zone.clone()).strftime(form).to_string(),
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
    use crate::engine::effect::Effect;
    use crate::engine::event::Name;
    use crate::engine::said::Said;
    use crate::engine::stage::{Basis, Stage};

    /// 2025-07-14T04:05:29Z, 06:05:29 in Zurich in summer.
    const NOW: WallNs = 1_752_465_929_000_000_000;

    fn line(code: &str, what: Conclusion) -> Option<String> {
        let effect = Effect { time: Some(NOW), probe: Name::from("big"), kettle: Name::from("big"), what };
        Terminal::of("Europe/Zurich", Words::of(code)).line(&News::Effect(effect))
    }

    fn alarm(state: AlarmState) -> AlarmChange {
        AlarmChange {
            alarm: AlarmKind::HeatOff,
            state,
            priority: Priority::High,
            sounds: true,
            celsius: Some(40.1),
            limit_celsius: Some(41.0),
            text: "take the kettle off now".into(),
            said: vec![Said::of("said-too-hot").number("now", 40.1).number("wanted", 41.0)],
            by: None,
            shelved_for_s: None,
        }
    }

    #[test]
    fn a_call_is_one_loud_line_in_the_dairys_own_time() {
        let said = |code| line(code, Conclusion::Alarm(alarm(AlarmState::Unacknowledged)));
        let english = "06:05:29 big: \u{7}HEAT-OFF - Too hot: 40.1 °C, 41.0 °C wanted.";
        assert_eq!(said("en").as_deref(), Some(english));
        let french = "06:05:29 big: \u{7}RETIRE LE FEU - Trop chaud : 40,1 °C, voulu 41,0 °C.";
        assert_eq!(said("fr").as_deref(), Some(french));
    }

    #[test]
    fn a_silenced_alarm_is_told_with_its_end() {
        let shelved =
            AlarmChange { shelved_for_s: Some(1790.0), by: Some("ada".into()), ..alarm(AlarmState::Shelved) };
        let said = line("en", Conclusion::Alarm(shelved));
        assert_eq!(said.as_deref(), Some("06:05:29 big: heat-off silent for 30 min by ada"));
    }

    #[test]
    fn a_stage_seen_late_is_told_with_its_beginning() {
        let told = |seconds_ago: i64| {
            let stage = StageChange {
                stage: Stage::Settling,
                began: Some(NOW - seconds_ago * 1_000_000_000),
                confidence: 0.9,
                basis: Basis::Trace,
                revises: false,
                withdrawn: false,
            };
            line("en", Conclusion::Stage(stage))
        };
        assert_eq!(told(20).as_deref(), Some("06:05:29 big: settling (trace)"));
        assert_eq!(told(330).as_deref(), Some("06:05:29 big: settling since 05:59 (trace)"));
    }
}
