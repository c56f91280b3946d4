//! What only `check` looks at: faults that are sure, and that keep no daemon
//! from running.
//!
//! Deliberately absent: whatever may be meant so. A false alarm costs more than
//! a miss.

use std::collections::BTreeMap;

use serde::de::IgnoredAny;

use super::check::Section;

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
