//! The plainest outlet: what a maker would want to know, one line each, where
//! the daemon runs.
//!
//! It writes to standard error; standard output belongs to what a command is
//! for.

use std::io::Write as _;

use tokio::sync::broadcast::error::RecvError;
use tokio_util::sync::CancellationToken;

use super::outlet::{Feed, News, Outlet, Running};
use crate::engine::alarm::AlarmState;
use crate::engine::effect::{AlarmChange, Conclusion, Effect, WallNs};

/// Prints alarms and stages on standard error.
#[derive(Debug)]
pub struct Terminal {
    zone: jiff::tz::TimeZone,
}

impl Terminal {
    /// A terminal that shows times in `zone`; UTC where the zone is not known.
    pub fn in_zone(zone: &str) -> Self {
        Self { zone: jiff::tz::TimeZone::get(zone).unwrap_or(jiff::tz::TimeZone::UTC) }
    }

    /// One line for a person, or nothing.
    fn line(&self, news: &News) -> Option<String> {
        match news {
            News::Effect(effect) => {
                let said = match &effect.what {
                    Conclusion::Alarm(alarm) => alarm_words(alarm)?,
                    Conclusion::Stage(s) if s.withdrawn => format!("{} taken back", s.stage.name()),
                    Conclusion::Stage(s) if s.revises => return None,
                    Conclusion::Stage(s) => format!("{} ({})", s.stage.name(), s.basis.name()),
                    Conclusion::MakeBegan => "a make begins".into(),
                    Conclusion::Make(_) => "the make is over".into(),
                    _ => return None,
                };
                // What concerns the house as a whole has no kettle.
                let whose = if effect.kettle.is_empty() { "the house" } else { &effect.kettle };
                Some(format!("{} {whose}: {said}", self.clock(effect)))
            }
            News::Lot(lot) => {
                let what = if lot.closed { "closed" } else { "opened" };
                Some(format!("lot {} {what}: {}", lot.id, lot.folder.display()))
            }
            News::Marked(..) => None,
        }
    }

    fn clock(&self, effect: &Effect) -> String {
        let at = |ns: WallNs| jiff::Timestamp::from_nanosecond(i128::from(ns)).ok();
        match effect.time.and_then(at) {
            Some(t) => t.to_zoned_datetime(self.zone.clone()).strftime("%H:%M:%S").to_string(),
            None => "--:--:--".into(),
        }
    }
}

/// What an alarm's change means to who hears it; nothing for a change that
/// asks for nothing.
fn alarm_words(a: &AlarmChange) -> Option<String> {
    match a.state {
        AlarmState::Unacknowledged => {
            let bell = if a.sounds { "\u{7}" } else { "" };
            Some(format!("{bell}{} - {}", a.alarm.name().to_uppercase(), a.text))
        }
        AlarmState::Acknowledged => Some(format!("{} taken{}", a.alarm.name(), by(a))),
        AlarmState::Shelved => Some(format!("{} silenced for a while{}", a.alarm.name(), by(a))),
        AlarmState::OutOfService => Some(format!("{} out of service{}", a.alarm.name(), by(a))),
        AlarmState::Normal | AlarmState::ReturnedUnacknowledged | AlarmState::Suppressed => None,
    }
}

fn by(a: &AlarmChange) -> String {
    a.by.as_ref().map_or(String::new(), |by| format!(" by {by}"))
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
                            // A terminal that has gone away is no trouble of the make.
                            let _ = writeln!(std::io::stderr().lock(), "{line}");
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
            by: None,
        };
        let effect = Effect {
            // 2025-07-14T04:05:29Z, 06:05:29 in Zurich in summer.
            time: Some(1_752_465_929_000_000_000),
            probe: Name::from("big"),
            kettle: Name::from("big"),
            what: Conclusion::Alarm(alarm),
        };
        let line = Terminal::in_zone("Europe/Zurich").line(&News::Effect(effect));
        assert_eq!(line.as_deref(), Some("06:05:29 big: \u{7}HEAT-OFF - take the kettle off now"));
    }
}
