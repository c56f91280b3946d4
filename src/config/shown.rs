//! Where it is shown and who is called: the page and the outlets for alarms.
//!
//! The annotated example is `config/curdtrace.toml`.

use std::net::SocketAddr;

use super::check::Section;
use super::source::named;
use crate::engine::alarm::{AlarmKind, Priority};
use crate::words::Words;

/// Who may do something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum May {
    /// Whoever reaches the page.
    Anyone,
    /// This machine, and devices that typed the PIN. While no PIN is set, this
    /// machine only.
    Pin,
    /// This machine only.
    Local,
}

impl May {
    /// The word in a configuration.
    pub fn name(self) -> &'static str {
        match self {
            Self::Anyone => "anyone",
            Self::Pin => "pin",
            Self::Local => "local",
        }
    }

    /// The rule of that word, where there is one.
    pub fn named(word: &str) -> Option<Self> {
        [Self::Anyone, Self::Pin, Self::Local].into_iter().find(|m| m.name() == word)
    }
}

/// Who may read and who may command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Access {
    /// See temperatures, lots, sheets.
    pub read: May,
    /// Mark, take alarms, change plans.
    pub command: May,
}

impl Default for Access {
    /// Reading for whoever reaches the page (it listens on loopback unless told
    /// otherwise), commanding with the PIN.
    fn default() -> Self {
        Self { read: May::Anyone, command: May::Pin }
    }
}

/// The page.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// Where it listens; `None` serves no page.
    pub listen: Option<SocketAddr>,
    /// Where it cannot listen there it tries until it can; otherwise it takes
    /// any free port, as a rehearsal does.
    pub needed: bool,
    /// Who may read and who may command.
    pub access: Access,
    /// A reverse proxy on this machine passes on what others ask: what comes
    /// from this machine is then not *local*.
    pub proxied: bool,
    /// Names by which the page may be called, beside addresses and `localhost`.
    pub hosts: Vec<String>,
    /// Its language where the device's own is none there is.
    pub language: String,
}

impl Default for Page {
    fn default() -> Self {
        Self {
            listen: None,
            needed: true,
            access: Access::default(),
            proxied: false,
            hosts: Vec::new(),
            language: "en".into(),
        }
    }
}

/// An outlet for alarms.
#[derive(Debug, Clone, PartialEq)]
pub struct Alert {
    /// Its name, for the page and the log.
    pub name: String,
    /// How it calls.
    pub way: Way,
    /// Alarms below this do not reach it.
    pub least: Priority,
    /// Only these alarms reach it; empty takes all that sound.
    pub only: Vec<AlarmKind>,
    /// It calls after an alarm stood untaken for so long, seconds: 0 at once,
    /// more where others should be called first.
    pub delay_s: f64,
    /// It calls again every so often until the alarm is taken, seconds; 0 calls
    /// once.
    pub repeat_s: f64,
    /// The language of its words.
    pub language: String,
}

/// How an outlet calls.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Way {
    /// HTTP POST to a machine of the house.
    Http {
        /// `host:port`.
        authority: String,
        /// Path and query.
        path: String,
        /// Body with `{places}`.
        body: String,
        /// Its media type.
        content_type: String,
    },
    /// A command with the alarm in its environment.
    Command(Vec<String>),
    /// A sound, played by a command that takes a WAV file on standard input.
    Sound(Vec<String>),
}

/// What a body says where nothing else is configured.
const BODY: &str =
    r#"{"kettle":"{kettle}","alarm":"{alarm}","state":"{state}","priority":"{priority}","text":"{words}"}"#;

/// Reads `[web]`; `dairys` is the dairy's language.
pub fn page(s: &Section<'_, '_>, dairys: &str) -> Page {
    let base = Page::default();
    let page = Page {
        listen: s.text("listen").and_then(|at| listen(s, at)),
        needed: true,
        access: Access {
            read: may(s, "read").unwrap_or(base.access.read),
            command: may(s, "command").unwrap_or(base.access.command),
        },
        proxied: s.truth("proxied").unwrap_or(base.proxied),
        hosts: s.texts("hosts").unwrap_or_default().into_iter().map(str::to_owned).collect(),
        language: language(s).unwrap_or_else(|| dairys.to_owned()),
    };
    for (key, may) in [("read", page.access.read), ("command", page.access.command)] {
        if page.proxied && may == May::Local {
            s.fault_at(
                key,
                format!("{key} = \"local\" lets nobody in behind a proxy on this machine"),
                "take \"pin\", or take proxied out",
            );
        }
    }
    s.done();
    page
}

fn listen(s: &Section<'_, '_>, at: &str) -> Option<SocketAddr> {
    let parsed = at.parse();
    if parsed.is_err() {
        let remedy = "write address and port, such as \"127.0.0.1:8080\", or \"0.0.0.0:8080\" for everybody in the house";
        s.fault_at("listen", format!("listen = {at:?} is no address"), remedy);
    }
    parsed.ok()
}

fn may(s: &Section<'_, '_>, key: &'static str) -> Option<May> {
    s.one_of(key, &["anyone", "pin", "local"], May::named)
}

/// Reads a language that there is.
pub fn language(s: &Section<'_, '_>) -> Option<String> {
    let codes = Words::codes();
    s.one_of("language", &codes, |w| codes.contains(&w).then(|| w.to_owned()))
}

/// Reads one `[[outlet]]`; `dairys` is the dairy's language.
pub fn alert(s: &Section<'_, '_>, dairys: &str) -> Option<Alert> {
    let name = named(s, "name", "what the dairy calls this outlet");
    let way = way(s);
    let names: Vec<&str> = AlarmKind::ALL.into_iter().map(AlarmKind::name).collect();
    let mut only = Vec::new();
    for word in s.texts("only").unwrap_or_default() {
        match AlarmKind::named(word) {
            Some(a) => only.push(a),
            None => s.fault_at(
                "only",
                format!("there is no alarm {word:?}"),
                format!("take from {}", names.join(", ")),
            ),
        }
    }
    let alert = Alert {
        name: name.as_deref().unwrap_or_default().to_owned(),
        way: way.clone().unwrap_or(Way::Command(Vec::new())),
        least: s.one_of("least", &["low", "medium", "high"], priority).unwrap_or(Priority::Low),
        only,
        delay_s: s.number("delay-s", 0.0..=3600.0, "s").unwrap_or(0.0),
        repeat_s: s.number("repeat-s", 0.0..=3600.0, "s").unwrap_or(30.0),
        language: language(s).unwrap_or_else(|| dairys.to_owned()),
    };
    if alert.repeat_s > 0.0 && alert.repeat_s < 2.0 {
        s.fault_at("repeat-s", "repeat-s is below 2 s", "take 0 to call once, or 2 s and more");
    }
    s.done();
    (name.is_some() && way.is_some()).then_some(alert)
}

fn priority(word: &str) -> Option<Priority> {
    [Priority::Low, Priority::Medium, Priority::High].into_iter().find(|p| p.name() == word)
}

fn way(s: &Section<'_, '_>) -> Option<Way> {
    let ways = [s.has("url"), s.has("command"), s.has("sound")];
    if ways.iter().filter(|w| **w).count() != 1 {
        s.fault(
            "an outlet has one way to call",
            "give it one of url = \"http://…\", command = [\"…\"], sound = [\"aplay\", \"-q\", \"-\"]",
        );
    }
    if let Some(url) = s.text("url") {
        let (authority, path) = address(s, url)?;
        let body = s.text("body").unwrap_or(BODY).to_owned();
        let content_type = s.text("content-type").unwrap_or("application/json").to_owned();
        if content_type.chars().any(char::is_control) {
            s.fault_at("content-type", "content-type holds a control character", "write it as text/plain");
        }
        return Some(Way::Http { authority, path, body, content_type });
    }
    let argv = |key| -> Option<Vec<String>> {
        let words: Vec<String> = s.texts(key)?.into_iter().map(str::to_owned).collect();
        if words.first().is_none_or(String::is_empty) {
            s.fault_at(
                key,
                format!("{key} names no program"),
                "write it as a list: [\"/usr/bin/program\", \"argument\"]",
            );
            return None;
        }
        Some(words)
    };
    argv("command").map(Way::Command).or_else(|| argv("sound").map(Way::Sound))
}

/// `host:port` and path of an `http://` address.
fn address(s: &Section<'_, '_>, url: &str) -> Option<(String, String)> {
    let fault = |what: String| {
        s.fault_at("url", what, "write http://host:port/path; for https use a command that calls curl");
        None
    };
    let Ok(uri) = url.parse::<axum::http::Uri>() else {
        return fault(format!("url = {url:?} is no address"));
    };
    let (Some("http"), Some(host)) = (uri.scheme_str(), uri.host()) else {
        return fault(format!("url = {url:?} is not http"));
    };
    let path = uri.path_and_query().map_or("/", |p| p.as_str()).to_owned();
    Some((format!("{host}:{}", uri.port_u16().unwrap_or(80)), path))
}
