//! Where readings come from, as meant: serial ports and brokers.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::check::Section;
use super::sensor::{self, SensorSet};
use crate::engine::event::{MarkKind, Name};
use crate::sensor::unit::Unit;
use crate::wire::line::mark_kind;
use crate::wire::name;
use crate::wire::payload::{JsonPointers, Payload, PayloadKind, Quantity};
use crate::wire::topic::TopicPattern;

/// A probe as the dairy calls it.
#[derive(Debug, Clone, PartialEq)]
pub struct Probe {
    /// Its name.
    pub name: Name,
    /// The kettle it hangs in; the probe's own name where `None`.
    pub kettle: Option<Name>,
    /// What it is, and what is wanted of its calibration.
    pub sensor: SensorSet,
}

/// A serial port with a box at its end.
#[derive(Debug, Clone, PartialEq)]
pub struct SerialPort {
    /// What the dairy calls it.
    pub name: Name,
    /// The device, best by its stable name under `/dev/serial/by-id`.
    pub port: PathBuf,
    /// Bits a second.
    pub baud: u32,
    /// What comes over it.
    pub format: Format,
    /// The probe that a payload without a name speaks of.
    pub probe: Option<Name>,
    /// What the box calls a probe, and what the dairy calls it.
    pub probes: BTreeMap<String, Name>,
    /// The kettle that the box's buttons speak of.
    pub kettle: Option<Name>,
    /// What the box's buttons mark; button 0 takes the alarms where it marks
    /// nothing.
    pub buttons: BTreeMap<u8, MarkKind>,
    /// After so long without a byte the line counts as stalled, seconds.
    pub stall_s: f64,
    /// Whether the box is told that the daemon lives and what its alarm
    /// buzzer should do. Only the box's own frames can.
    pub answers: bool,
    /// Whether a time in the payload goes before the time of arrival.
    pub own_time: bool,
}

/// What comes over a serial line.
#[derive(Debug, Clone, PartialEq)]
pub enum Format {
    /// The box's own frames.
    Frames,
    /// One payload a line.
    Lines(Payload),
}

impl Format {
    /// As a configuration writes it.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Frames => "frames",
            Self::Lines(p) => KINDS.iter().find(|k| k.1 == p.kind).map_or("", |k| k.0),
        }
    }
}

/// A broker.
#[derive(Debug, Clone, PartialEq)]
pub struct Broker {
    /// What the dairy calls it.
    pub name: Name,
    /// Its host name or address.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// Our id at the broker.
    pub client_id: String,
    /// The broker keeps what comes while we are away.
    pub session_kept: bool,
    /// A ping so often, seconds (2 to 600).
    pub keep_alive_s: u16,
    /// TOML file with `user` and `password`.
    pub credentials: Option<PathBuf>,
    /// What to listen to.
    pub subscriptions: Vec<Subscription>,
    /// Stages, alarms and the latest reading are published under this topic.
    pub publish_under: Option<String>,
    /// The language of the words beside an alarm's own text.
    pub language: String,
}

/// One topic pattern to listen to.
#[derive(Debug, Clone, PartialEq)]
pub struct Subscription {
    /// The topic, with `{probe}` where the probe's name stands.
    pub topic: TopicPattern,
    /// How its payloads are read.
    pub payload: Payload,
    /// The probe it speaks of, where neither topic nor payload says.
    pub probe: Option<Name>,
    /// Quality of service, 0 or 1.
    pub qos: u8,
    /// Whether a time in the payload goes before the time of arrival.
    pub own_time: bool,
}

/// One `[[probe]]`.
pub(super) fn probe(s: &Section<'_, '_>) -> Option<Probe> {
    let name = named(s, "name", "the name that readings bear");
    let kettle = s.name("kettle").map(Name::from);
    let sensor = sensor::read(s);
    s.done();
    Some(Probe { name: name?, kettle, sensor })
}

/// One `[[serial]]`.
pub(super) fn serial(s: &Section<'_, '_>) -> Option<SerialPort> {
    let name = named(s, "name", "what the dairy calls this line");
    let port = s.text("port");
    if !s.has("port") {
        s.missing(
            "port",
            "add port = \"/dev/serial/by-id/…\"; `curdtrace probe list` shows what is attached",
        );
    }
    if let Some(p) = port.filter(|p| !Path::new(p).is_absolute()) {
        s.fault_at("port", format!("port = {p:?} is no whole path"), "write it from the root, /dev/…");
    }
    let baud = s.whole("baud", 300..=4_000_000, "bits a second").unwrap_or(115_200) as u32;
    let format = match s.text("format") {
        Some("frames") => Some(Format::Frames),
        _ => payload(s, "format", &["frames"]).map(Format::Lines),
    };
    let probe = s.name("probe").map(Name::from);
    let probes = renamed(s);
    let kettle = s.name("kettle").map(Name::from);
    let buttons = buttons(s);
    if kettle.is_none() && !buttons.is_empty() {
        s.missing("kettle", "say whose kettle the buttons speak of, kettle = \"NAME\"");
    }
    let stall_s = s.number("stall-s", 1.0..=3600.0, "s").unwrap_or(10.0);
    let answers = s.truth("answers").unwrap_or(true);
    let own_time = s.truth("own-time").unwrap_or(false);
    if let Some(Format::Lines(p)) = &format
        && probe.is_none()
        && !p.names_probe()
    {
        s.missing("probe", "this format does not say whose reading it is; add probe = \"NAME\"");
    }
    s.done();
    Some(SerialPort {
        name: name?,
        port: port?.into(),
        baud,
        format: format?,
        probe,
        probes,
        kettle,
        buttons,
        stall_s,
        answers,
        own_time,
    })
}

/// One `[[mqtt]]`. Every value that would make the client panic is a fault
/// here: an empty id, a keep-alive under a second. `dairys` is the dairy's
/// language.
pub(super) fn broker(s: &Section<'_, '_>, beside: &Path, dairys: &str) -> Option<Broker> {
    let name = named(s, "name", "what the dairy calls this broker");
    let host = s.name("host");
    if !s.has("host") {
        s.missing("host", "add host = \"127.0.0.1\" or the broker's name");
    }
    let port = s.whole("port", 1..=65_535, "").unwrap_or(1883) as u16;
    let client_id = s.name("client-id").unwrap_or("curdtrace").to_string();
    let session_kept = s.truth("session-kept").unwrap_or(true);
    let keep_alive_s = s.whole("keep-alive-s", 2..=600, "s").unwrap_or(20) as u16;
    let credentials = s.text("credentials").map(|p| credentials_path(p, beside));
    if let Some(path) = credentials.as_ref().filter(|p| !p.exists()) {
        let what = format!("the credentials file {} is not there", path.display());
        let remedy = "write user = \"…\" and password = \"…\" into it, or mend the path; it counts from the folder of this file";
        s.fault_at("credentials", what, remedy);
    }
    let subscriptions: Vec<_> = s.sections("subscribe").iter().map(subscription).collect();
    if subscriptions.is_empty() && !s.has("publish-under") {
        s.missing(
            "[[mqtt.subscribe]]",
            "add one with topic = \"dairy/{probe}/temperature\", or publish-under",
        );
    }
    let publish_under = s.text("publish-under").and_then(|under| topic_prefix(s, under));
    if let Some(under) = &publish_under
        && let Some(own) = subscriptions.iter().flatten().find(|x| hears_itself(under, x))
    {
        s.fault_at(
            "publish-under",
            format!("what is published under {under} is also listened to ({})", own.topic.filter()),
            "give publish-under a first level of its own",
        );
    }
    let language = super::shown::language(s).unwrap_or_else(|| dairys.to_owned());
    s.done();
    Some(Broker {
        name: name?,
        host: host?.into(),
        port,
        client_id,
        session_kept,
        keep_alive_s,
        credentials,
        subscriptions: subscriptions.into_iter().collect::<Option<_>>()?,
        publish_under,
        language,
    })
}

/// A topic whose first level is ours, or anybody's.
fn hears_itself(under: &str, s: &Subscription) -> bool {
    let filter = s.topic.filter();
    let first = filter.split('/').next().unwrap_or_default();
    first == "+" || Some(first) == under.split('/').next()
}

fn subscription(s: &Section<'_, '_>) -> Option<Subscription> {
    let topic = s.text("topic").and_then(|t| match TopicPattern::parse(t) {
        Ok(p) => Some(p),
        Err(e) => {
            s.fault_at("topic", format!("topic = {t:?} is none"), e.to_string());
            None
        }
    });
    if !s.has("topic") {
        s.missing("topic", "add topic = \"dairy/{probe}/temperature\"");
    }
    let payload = payload(s, "payload", &[]);
    let probe = s.name("probe").map(Name::from);
    let qos = s.whole("qos", 0..=1, "").unwrap_or(1) as u8;
    let own_time = s.truth("own-time").unwrap_or(false);
    if let (Some(t), Some(p)) = (&topic, &payload)
        && probe.is_none()
        && !t.names_probe()
        && !p.names_probe()
    {
        s.missing("probe", "neither topic nor payload says whose reading it is; put {probe} into the topic");
    }
    s.done();
    Some(Subscription { topic: topic?, payload: payload?, probe, qos, own_time })
}

/// A file that not everybody may read: systemd's credentials folder first, else beside the
/// configuration.
pub(super) fn credentials_path(path: &str, beside: &Path) -> PathBuf {
    let given = std::env::var_os("CREDENTIALS_DIRECTORY").map(|d| PathBuf::from(d).join(path));
    given.filter(|p| p.exists()).unwrap_or_else(|| beside.join(path))
}

fn topic_prefix(s: &Section<'_, '_>, under: &str) -> Option<String> {
    let fit = !under.is_empty()
        && !under.starts_with('/')
        && !under.ends_with('/')
        && !under.contains(['+', '#', '{', '}'])
        && name::unfit_path(under).is_none();
    if fit {
        return Some(under.into());
    }
    s.fault_at(
        "publish-under",
        format!("publish-under = {under:?} cannot begin a topic"),
        "write it without wildcards and without a slash at its ends, such as \"curdtrace\"",
    );
    None
}

const KINDS: [(&str, PayloadKind); 7] = [
    ("number", PayloadKind::Number),
    ("json", PayloadKind::Json),
    ("line-protocol", PayloadKind::LineProtocol),
    ("max31855-hex", PayloadKind::Max31855Hex),
    ("max31856-hex", PayloadKind::Max31856Hex),
    ("max6675-hex", PayloadKind::Max6675Hex),
    ("ds18b20-hex", PayloadKind::Ds18b20Hex),
];

const QUANTITIES: [(&str, Quantity); 4] = [
    ("temperature", Quantity::Temperature),
    ("millivolt", Quantity::Millivolt),
    ("microvolt", Quantity::Microvolt),
    ("ohm", Quantity::Ohm),
];

/// How payloads are read: the kind under `key`, and what goes with it.
fn payload(s: &Section<'_, '_>, key: &'static str, besides: &[&str]) -> Option<Payload> {
    let mut words: Vec<&str> = besides.to_vec();
    words.extend(KINDS.iter().map(|k| k.0));
    let kind = s.one_of(key, &words, |w| KINDS.iter().find(|k| k.0 == w).map(|k| k.1));
    if !s.has(key) {
        s.missing(key, format!("add {key} = \"…\", one of {}", words.join(", ")));
    }
    let unit = s.text("unit").map(|u| {
        u.parse::<Unit>().map_err(|e| s.fault_at("unit", format!("unit = {u:?} is none"), e.to_string()))
    });
    let names: Vec<&str> = QUANTITIES.iter().map(|q| q.0).collect();
    let quantity = s.one_of("quantity", &names, |w| QUANTITIES.iter().find(|q| q.0 == w).map(|q| q.1));
    let pointers = pointers(s);
    if kind == Some(PayloadKind::Json) && pointers.is_none() && !s.has("value-at") {
        s.missing("value-at", "say where the value stands, value-at = \"/temperature\" (a JSON pointer)");
    }
    Some(Payload {
        kind: kind?,
        unit: unit.transpose().ok()?.unwrap_or(Unit::Celsius),
        quantity: quantity.unwrap_or_default(),
        pointers,
    })
}

fn pointers(s: &Section<'_, '_>) -> Option<JsonPointers> {
    let at = |key: &'static str| {
        let text = s.text(key)?;
        if text.is_empty() || text.starts_with('/') {
            return Some(text.to_string());
        }
        let remedy = format!("write {key} = \"/{text}\"");
        s.fault_at(key, format!("{key} = {text:?} is no JSON pointer, which begins with /"), remedy);
        None
    };
    let (value, unit, seq) = (at("value-at"), at("unit-at"), at("seq-at"));
    let (cold_junction, probe) = (at("cold-junction-at"), at("probe-at"));
    Some(JsonPointers { value: value?, unit, seq, cold_junction, probe })
}

/// `probes = { "0" = "kettle" }`: what the box says, what the dairy says.
fn renamed(s: &Section<'_, '_>) -> BTreeMap<String, Name> {
    let Some(table) = s.section("probes") else { return BTreeMap::new() };
    let mut map = BTreeMap::new();
    for (theirs, ours) in table.named_texts() {
        if let Some(why) = name::unfit(ours) {
            table.fault_at(theirs, format!("{theirs} = {ours:?} {why}"), "give it a short plain name");
        }
        map.insert(theirs.to_string(), Name::from(ours));
    }
    map
}

/// `buttons = { "1" = "rennet" }`: which button marks what.
fn buttons(s: &Section<'_, '_>) -> BTreeMap<u8, MarkKind> {
    let Some(table) = s.section("buttons") else { return BTreeMap::new() };
    let mut map = BTreeMap::new();
    for (button, mark) in table.named_texts() {
        match (button.parse(), mark_kind(mark, None, None, None)) {
            (Ok(button), Ok(kind)) => {
                map.insert(button, kind);
            }
            (Err(_), _) => table.fault_at(
                button,
                format!("button {button:?} is none"),
                "buttons are numbers from 0 to 255, as the box sends them",
            ),
            (_, Err(e)) => {
                table.fault_at(button, format!("button {button} = {mark:?} marks nothing"), e.to_string());
            }
        }
    }
    map
}

/// A name that must be there.
pub(super) fn named(s: &Section<'_, '_>, key: &'static str, what: &str) -> Option<Name> {
    if !s.has(key) {
        s.missing(key, format!("add {key} = \"…\", {what}"));
    }
    s.name(key).map(Name::from)
}
