//! What only `check` looks at: faults that are sure, and that keep no daemon
//! from running; and doubts, which are told and are no faults.
//!
//! Deliberately absent: a fault where it may be meant so. A false alarm costs more
//! than a miss.

use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use serde::de::IgnoredAny;

use super::check::Section;

mod names;

pub(super) use names::names;

/// No two registers are of one probe: its readings would jump between them.
pub(super) fn registers(lines: &[Section<'_, '_>]) {
    let mut seen = BTreeMap::new();
    for (line, register) in lines.iter().flat_map(|l| l.sections("register").into_iter().map(move |r| (l, r)))
    {
        let Some(probe) = register.text("probe") else { continue };
        let name = line.text("name").unwrap_or_default();
        if let Some(first) = seen.insert(probe, name) {
            register.fault_at(
                "probe",
                format!("probe = {probe:?} has a register already, on {first:?}"),
                "give each register a probe of its own",
            );
        }
    }
}

/// A body that goes out as JSON is JSON.
pub(super) fn bodies(outlets: &[Section<'_, '_>]) {
    for s in outlets.iter().filter(|s| s.has("url")) {
        let Some(body) = s.text("body") else { continue };
        let said = s.text("content-type");
        if !said.unwrap_or("application/json").contains("json") {
            continue;
        }
        if let Err(e) = serde_json::from_str::<IgnoredAny>(&filled(body)) {
            let remedy = match said {
                Some(_) => "mend it, or say what it is by content-type",
                None => "mend it, or add content-type = \"text/plain\"",
            };
            s.fault_at("body", format!("body goes out as JSON and is none ({e})"), remedy);
        }
    }
}

/// A list of alarms that names none lets all through.
pub(super) fn chosen(outlets: &[Section<'_, '_>]) {
    for s in outlets.iter().filter(|s| s.has("only")) {
        if s.texts("only").is_some_and(|only| only.is_empty()) {
            s.fault_at("only", "only names no alarm, and all reach this outlet", "name them, or take it out");
        }
    }
}

/// A program that is to be run is there; another machine's may be meant.
pub(super) fn programs(outlets: &[Section<'_, '_>]) {
    for s in outlets {
        for key in ["command", "sound"] {
            let Some(program) =
                s.has(key).then(|| s.texts(key)).flatten().and_then(|argv| argv.first().copied())
            else {
                continue;
            };
            let places = if program.contains('/') {
                vec![Path::new(program).to_path_buf()]
            } else {
                let path = std::env::var_os("PATH").unwrap_or_default();
                std::env::split_paths(&path).map(|folder| folder.join(program)).collect()
            };
            let modes: Vec<u32> = places
                .iter()
                .filter_map(|p| p.metadata().ok().filter(std::fs::Metadata::is_file))
                .map(|m| m.permissions().mode())
                .collect();
            if modes.is_empty() {
                let what = format!("the program {program} is not there");
                s.doubt_at(key, what, "install it, or mend the path: this outlet calls nobody without it");
            } else if modes.iter().all(|mode| mode & 0o111 == 0) {
                let what = format!("the program {program} may not be executed");
                s.doubt_at(key, what, format!("chmod +x {program}"));
            }
        }
    }
}

/// A template with a value in each place: a number, which may stand within
/// quotes and without.
fn filled(template: &str) -> String {
    let mut out = String::with_capacity(template.len());
    let mut rest = template;
    while let Some((before, after)) = rest.split_once('{') {
        out.push_str(before);
        match after.split_once('}') {
            Some((name, tail)) if !name.is_empty() && name.chars().all(|c| c.is_ascii_lowercase()) => {
                out.push('1');
                rest = tail;
            }
            _ => {
                out.push('{');
                rest = after;
            }
        }
    }
    out + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_template_is_json_where_its_places_are_filled() {
        let is_json = |body| serde_json::from_str::<IgnoredAny>(&filled(body)).is_ok();
        assert!(is_json(r#"{"kettle":"{kettle}","now":{celsius},"more":{"of":["{text} {words}"]}}"#));
        assert!(is_json("{}"));
        assert!(!is_json(r#"{"kettle":"{kettle}""#));
        assert!(!is_json("{kettle}: {words}"));
    }
}
