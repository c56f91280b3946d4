//! An event that was said while the clock was not to be trusted bears its times as
//! they are known by now, and the moment that it bore before in `clock_was`.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde_json::Value as Json;

use crate::journal::replay::Stamped;
use crate::lot::at::At;
use crate::lot::story::time;

/// The event's text as it stands in a lot. What the engine said then was off by as much
/// as its own moment, whatever it spoke of.
pub(super) fn redated<'a>(text: &'a str, event: &Json, stamp: &Stamped) -> Cow<'a, str> {
    let known = stamp.wall_ns.filter(|wall| *wall != stamp.written_ns);
    let Some((known_ns, was)) = known.zip(time(event, "time")) else { return text.into() };
    let off_ns = known_ns.saturating_sub(was.0);
    let mut instants = BTreeMap::new();
    collect(event, off_ns, &mut instants);
    let mut parts = text.split('"');
    let mut out = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        let instant = instants.get(part).filter(|_| out.ends_with(':'));
        out.push('"');
        out.push_str(instant.map_or(part, String::as_str));
    }
    if out.pop() == Some('}') {
        let _ = write!(out, ",\"clock_was\":\"{was}\"");
    }
    out.push('}');
    out.into()
}

/// Every instant in it, and what it is by now.
fn collect(event: &Json, off_ns: i64, into: &mut BTreeMap<String, String>) {
    match event {
        Json::String(word) => {
            if let Ok(At(ns)) = word.parse() {
                into.insert(word.clone(), At(ns.saturating_add(off_ns)).to_string());
            }
        }
        Json::Array(all) => all.iter().for_each(|e| collect(e, off_ns, into)),
        Json::Object(all) => {
            all.iter().filter(|(key, _)| *key != "text").for_each(|(_, e)| collect(e, off_ns, into));
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_instant_moves_by_as_much_and_nothing_else_does() {
        let said = r#"{"kind":"stage","time":"1970-01-01T00:10:00Z","text":"it \"said\" 1970","began":"1970-01-01T00:09:00Z","confidence":0.9}"#;
        let event: Json = serde_json::from_str(said).unwrap();
        let mut stamp = Stamped { boot: 2, mono_ns: 0, wall_ns: None, written_ns: 600_000_000_000, group: 1 };
        assert_eq!(redated(said, &event, &stamp), said, "not known yet");
        stamp.wall_ns = Some(stamp.written_ns);
        assert_eq!(redated(said, &event, &stamp), said, "right as it was");
        // The engine may have gone by what it knew of another day.
        stamp.wall_ns = Some(1_752_465_600_000_000_000);
        let want = said
            .replace("1970-01-01T00:10:00Z", "2025-07-14T04:00:00Z")
            .replace("1970-01-01T00:09:00Z", "2025-07-14T03:59:00Z")
            .replace("0.9}", r#"0.9,"clock_was":"1970-01-01T00:10:00Z"}"#);
        assert_eq!(redated(said, &event, &stamp), want);
    }
}
