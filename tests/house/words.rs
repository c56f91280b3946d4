//! Promise: every language says everything that page, sheet, alarms and terminal
//! can say, with the same values put in, nothing lies about unused, and a
//! language is one file.

#![allow(clippy::unwrap_used)] // a test may end here

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use curdtrace::engine::alarm::AlarmKind;
use curdtrace::engine::probe::Health;
use curdtrace::engine::stage::{Basis, Stage};
use curdtrace::lot::correct::FIELDS;
use curdtrace::words::Words;

fn variables(text: &str) -> BTreeSet<String> {
    text.split('{')
        .skip(1)
        .filter_map(|t| t.split_once('}'))
        .map(|(inside, _)| inside.trim().trim_start_matches('$').to_owned())
        .collect()
}

#[test]
fn every_language_has_every_message_with_the_same_values() {
    let english = &Words::all()[0];
    assert_eq!(english.code(), "en");
    for words in &Words::all()[1..] {
        let ours: BTreeSet<&String> = words.messages().keys().collect();
        let theirs: BTreeSet<&String> = english.messages().keys().collect();
        let missing: Vec<_> = theirs.difference(&ours).collect();
        let strange: Vec<_> = ours.difference(&theirs).collect();
        assert!(
            missing.is_empty() && strange.is_empty(),
            "{}: missing {missing:?}, strange {strange:?}",
            words.code()
        );
        for (key, text) in english.messages() {
            assert_eq!(variables(&words.messages()[key]), variables(text), "{} {key}", words.code());
            assert!(!words.messages()[key].is_empty(), "{} {key} is empty", words.code());
        }
    }
}

/// The files keep to the part of Fluent that both readers know: no selectors,
/// terms, attributes, functions or string literals.
#[test]
fn the_files_use_no_more_of_fluent_than_is_read() {
    for words in Words::all() {
        for (key, text) in words.messages() {
            for inside in text.split('{').skip(1).filter_map(|t| t.split_once('}')) {
                let name = inside.0.trim();
                let plain = name.strip_prefix('$').is_some_and(|n| n.chars().all(|c| c.is_ascii_lowercase()));
                assert!(plain, "{} {key}: {{{name}}} is not a plain value", words.code());
            }
            assert_eq!(text.matches('{').count(), text.matches('}').count(), "{} {key}", words.code());
        }
        for line in words.source().lines() {
            assert!(!line.starts_with(['-', '.']), "{}: {line}", words.code());
            let key = line.split_once('=').map(|(k, _)| k.trim());
            let fits = key
                .is_none_or(|k| k.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-'));
            assert!(fits || line.starts_with('#') || line.starts_with(' '), "{}: {line}", words.code());
        }
    }
}

/// Keys that are put together from the trade's own names.
fn composed() -> BTreeSet<String> {
    let mut keys = BTreeSet::new();
    for s in Stage::ALL {
        keys.insert(format!("stage-{}", s.name()));
        keys.insert(format!("do-stage-{}", s.name()));
    }
    for s in [Stage::Ripening, Stage::Stirring, Stage::Settling, Stage::WheyResting] {
        keys.insert(format!("do-{}-left", s.name()));
    }
    for a in AlarmKind::ALL {
        keys.insert(format!("alarm-{}", a.name()));
        keys.insert(format!("do-{}", a.name()));
    }
    for h in Health::ALL {
        keys.insert(format!("health-{}", h.name()));
    }
    for mark in [
        "rennet", "floc", "cut", "heat-on", "heat-off", "wash", "culture", "acid", "lift", "ph", "target",
        "note",
    ] {
        keys.insert(format!("mark-{mark}"));
    }
    for (field, _) in FIELDS {
        keys.insert(format!("field-{}", field.replace('.', "-")));
    }
    for of_a_lot in ["milking", "wheel", "ph", "stretch"] {
        keys.insert(format!("field-{of_a_lot}"));
    }
    for verdict in ["pass", "fail", "not-known"] {
        keys.insert(format!("verdict-{verdict}"));
    }
    for against in ["ice", "boiling", "reference"] {
        keys.insert(format!("calibration-{against}"));
    }
    for basis in [Basis::Trace, Basis::Mark, Basis::Plan] {
        keys.insert(format!("term-basis-{}", basis.name()));
    }
    for sound in ["ready", "now", "fault"] {
        keys.insert(format!("sound-{sound}"));
    }
    for page in ["sheet", "lots", "season", "plans", "reckon", "probes", "setup"] {
        keys.insert(format!("page-{page}"));
    }
    keys
}

fn sources() -> String {
    let mut all = String::new();
    let mut folders = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("src")];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap().flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs" || e == "js" || e == "html") {
                all.push_str(&fs::read_to_string(path).unwrap());
            }
        }
    }
    all
}

/// Every key that is told as data or asked for is a message: no key is shown to
/// anyone in place of words.
#[test]
fn every_key_that_is_said_is_there() {
    let (sources, english) = (sources(), Words::all()[0].messages());
    let families = ["said-", "limit-", "found-", "sheet-", "curve-", "term-", "calibration-", "why-"];
    let mut seen = 0;
    for quoted in sources.split('"').filter(|q| families.iter().any(|f| q.starts_with(f))) {
        let whole = quoted.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-');
        if whole && !quoted.ends_with('-') && !NOT_MESSAGES.contains(&quoted) {
            assert!(english.contains_key(quoted), "{quoted} is no message");
            seen += 1;
        }
    }
    assert!(seen > 150, "only {seen} keys were found: the reading is broken");
}

/// Strings that begin like a message's key and are none: what the journal calls
/// its lines, keys of the configuration, a family's name, ids in the drawing.
const NOT_MESSAGES: [&str; 10] = [
    "said-stage",
    "said-alarm",
    "said-health",
    "said-make-began",
    "said-make",
    "said-remark",
    "term-basis",
    "calibration-days",
    "curve-title",
    "curve-text",
];

/// What stands below the line is not for the page, and the page asks for nothing
/// of it.
#[test]
fn the_browser_gets_what_the_page_says_and_no_more() {
    for words in Words::all() {
        let (page, whole) = (words.for_the_page(), words.source());
        assert!(page.len() < 13_300 && whole.len() > page.len() + 8_000, "{}", words.code());
        assert!(page.contains("\nalarm-heat-off = ") && !page.contains("\nsaid-"), "{}", words.code());
    }
    let english = &Words::all()[0];
    let below = &english.source()[english.for_the_page().len()..];
    let scripts = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/web/page");
    for entry in fs::read_dir(scripts).unwrap().flatten() {
        let text = fs::read_to_string(entry.path()).unwrap_or_default();
        for key in below.lines().filter_map(|l| Some(l.split_once(" = ")?.0)) {
            let asked = text.contains(&format!("t(\"{key}\""));
            assert!(!asked, "{} asks for {key}", entry.path().display());
        }
    }
}

/// The page's own list of languages is the daemon's.
#[test]
fn the_page_offers_every_language() {
    let script = include_str!("../../src/web/page/words.js");
    let list = script.split("LANGUAGES = {").nth(1).and_then(|l| l.split('}').next()).unwrap();
    let offered: Vec<&str> = list.split(',').filter_map(|l| Some(l.split_once(':')?.0.trim())).collect();
    assert_eq!(offered, Words::codes());
}

#[test]
fn every_message_is_used_and_every_used_one_is_there() {
    let sources = sources();
    let english = Words::all()[0].messages();
    let composed = composed();
    let missing: Vec<&String> = composed.iter().filter(|k| !english.contains_key(*k)).collect();
    assert!(missing.is_empty(), "missing {missing:?}");
    let quoted = |key: &str| sources.contains(&format!("\"{key}\""));
    let unused: Vec<&String> = english.keys().filter(|k| !composed.contains(*k) && !quoted(k)).collect();
    assert!(unused.is_empty(), "unused {unused:?}");
    // Every literal given to `t("…")` in the page is a message.
    // A longer name that ends in t, such as `insert(`, is another call.
    let own = |at: usize| !sources[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_' || c == '.');
    let calls = sources.match_indices("t(\"").filter(|(at, _)| own(*at)).map(|(at, _)| &sources[at + 3..]);
    for call in calls.filter_map(|c| c.split_once('"')) {
        let plain = call.0.contains('-') && call.0.chars().all(|c| c.is_ascii_lowercase() || c == '-');
        let looks_like_key = plain && call.1.starts_with([')', ',', ' ']);
        let known = english.contains_key(call.0) || call.0.contains("--");
        assert!(!looks_like_key || known || NOT_KEYS.contains(&call.0), "{} is no message", call.0);
    }
}

/// Strings in `…t("…")` calls that are no message keys: CSS properties, events
/// and headers.
const NOT_KEYS: [&str; 3] = ["content-type", "get-ready", "heat-off"];
