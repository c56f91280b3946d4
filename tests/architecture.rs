//! Promise: arrows point inward, clocks are read in one place, and the papers
//! name only what is there.
//!
//! The arrows allowed are read from the table in `src/lib.rs`; what stands
//! under `#[cfg(test)]`, in files of tests, and in comments does not count.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Arrows that break the table, each with its reason: (file, module it uses, why).
const EXCEPTIONS: [(&str, &str, &str); 0] = [];

/// What a pure module must not name.
const IMPURE: [&str; 9] = [
    "std::fs",
    "std::thread",
    "std::net",
    "std::process",
    "std::env",
    "std::io",
    "HashMap",
    "HashSet",
    "tokio",
];

/// Float functions whose last digit depends on the machine's own library.
const TRANSCENDENTAL: [&str; 12] = [
    ".exp(", ".exp2(", ".exp_m1(", ".ln(", ".ln_1p(", ".log10(", ".log2(", ".powf(", ".sin(", ".cos(",
    ".tanh(", ".hypot(",
];

/// Folders that a path in the papers may begin with.
const ROOTS: [&str; 10] =
    ["src/", "tests/", "config/", "docs/", "hardware/", "systemd/", "benches/", "fuzz/", "examples/", ".ci/"];

#[path = "architecture/lengths.rs"]
mod lengths;
#[path = "architecture/supply.rs"]
mod supply;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn text(path: &str) -> String {
    fs::read_to_string(root().join(path)).unwrap_or_else(|e| panic!("{path}: {e}"))
}

/// Every source file with its path from the crate's folder.
fn sources() -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut folders = vec![root().join("src")];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") && !is_tests(&path) {
                let name = path.strip_prefix(root()).unwrap().to_str().unwrap().to_owned();
                found.push((name, code(&fs::read_to_string(&path).unwrap())));
            }
        }
    }
    found.sort();
    assert!(found.len() > 150, "only {} source files were found: the walk is broken", found.len());
    found
}

fn is_tests(path: &Path) -> bool {
    let stem = path.file_stem().unwrap().to_str().unwrap();
    stem == "tests" || stem.ends_with("_tests")
}

/// The code without comments, text between quotes, and what is compiled for
/// tests only.
fn code(source: &str) -> String {
    let bare = without_comments(source);
    let mut out = String::with_capacity(bare.len());
    let mut rest = bare.as_str();
    while let Some(at) = rest.find("#[cfg(test)]") {
        out.push_str(&rest[..at]);
        rest = after_item(&rest[at..]);
    }
    out.push_str(rest);
    out
}

fn without_comments(source: &str) -> String {
    let mut out = String::with_capacity(source.len());
    let mut chars = source.chars().peekable();
    while let Some(c) = chars.next() {
        match c {
            '/' if chars.peek() == Some(&'/') => while chars.next_if(|c| *c != '\n').is_some() {},
            '"' if raw_hashes(&out).is_some() => {
                let end = format!("\"{}", "#".repeat(raw_hashes(&out).unwrap()));
                let mut inside = String::from(" ");
                while !inside.ends_with(&end) {
                    inside.push(chars.next().unwrap());
                }
            }
            '"' => {
                out.push_str("\"\"");
                while let Some(c) = chars.next() {
                    match c {
                        '\\' => _ = chars.next(),
                        '"' => break,
                        _ => {}
                    }
                }
            }
            '\'' => {
                // A character, or a lifetime: '"', '{', '\'' must not count.
                let ahead: Vec<char> = chars.clone().take(2).collect();
                match ahead[..] {
                    ['\\', _] => {
                        chars.by_ref().take(2).for_each(drop);
                        while chars.next().is_some_and(|c| c != '\'') {}
                    }
                    [_, '\''] => {
                        chars.next();
                        chars.next();
                    }
                    _ => out.push('\''),
                }
            }
            _ => out.push(c),
        }
    }
    out
}

/// How many `#` a raw string that begins here has; `None` where it is none.
fn raw_hashes(before: &str) -> Option<usize> {
    let bare = before.trim_end_matches('#');
    let start = bare.strip_suffix('r')?;
    let own_word = !start.ends_with(|c: char| c.is_alphanumeric() || c == '_') || start.ends_with('b');
    own_word.then_some(before.len() - bare.len())
}

/// What follows the item that begins here: up to its `;` or closing brace.
fn after_item(from: &str) -> &str {
    let mut depth = 0_u32;
    for (i, c) in from.char_indices() {
        match c {
            '{' => depth += 1,
            '}' => {
                depth -= 1;
                if depth == 0 {
                    return &from[i + 1..];
                }
            }
            ';' if depth == 0 => return &from[i + 1..],
            _ => {}
        }
    }
    ""
}

/// The module at the top that a file belongs to.
fn module(file: &str) -> &str {
    file.trim_start_matches("src/").split(['/', '.']).next().unwrap()
}

/// How many `super::` lead from a file to the crate.
fn depth(file: &str) -> usize {
    let path = file.trim_start_matches("src/").trim_end_matches(".rs").trim_end_matches("/mod");
    path.split('/').count()
}

/// The top modules that a file's code uses.
fn uses(file: &str, code: &str) -> BTreeSet<String> {
    let up = "super::".repeat(depth(file));
    let mut found = BTreeSet::new();
    for way in ["crate::", up.as_str()] {
        for (at, _) in code.match_indices(way) {
            let before = code[..at].chars().next_back();
            if before.is_some_and(|c| c.is_alphanumeric() || c == '_') {
                continue;
            }
            let rest = &code[at + way.len()..];
            match rest.strip_prefix('{') {
                None => found.extend(first_word(rest)),
                Some(group) => found.extend(heads(group)),
            }
        }
    }
    found
}

fn first_word(of: &str) -> Option<String> {
    let word: String = of.trim_start().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
    (!word.is_empty()).then_some(word)
}

/// The first word of each member of a `{…}` group.
fn heads(group: &str) -> Vec<String> {
    let (mut depth, mut begins) = (0_u32, true);
    let mut found = Vec::new();
    for (i, c) in group.char_indices() {
        match c {
            '{' => depth += 1,
            '}' if depth == 0 => break,
            '}' => depth -= 1,
            ',' if depth == 0 => begins = true,
            c if begins && !c.is_whitespace() => {
                found.extend(first_word(&group[i..]));
                begins = false;
            }
            _ => {}
        }
    }
    found
}

/// The table of `src/lib.rs`: each module and what it may use.
fn table() -> BTreeMap<String, BTreeSet<String>> {
    let mut allowed: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let lib = text("src/lib.rs");
    for line in lib.lines().filter_map(|l| l.strip_prefix("//! | [`")) {
        let (name, rest) = line.split_once('`').unwrap();
        let last = rest.trim_end().trim_end_matches('|').rsplit('|').next().unwrap().trim().to_owned();
        let mut may: BTreeSet<String> = if last.contains("all of these") {
            allowed.keys().cloned().collect()
        } else {
            last.split(',').filter_map(first_word).collect()
        };
        may.insert(name.to_owned());
        allowed.insert(name.to_owned(), may);
    }
    assert_eq!(allowed.len(), 11, "the table of src/lib.rs has another form than this test reads");
    allowed
}

#[test]
fn arrows_point_inward() {
    let allowed = table();
    let names: BTreeSet<&String> = allowed.keys().collect();
    let (mut wrong, mut arrows) = (Vec::new(), 0);
    for (file, code) in sources() {
        let Some(may) = allowed.get(module(&file)) else { continue };
        for used in uses(&file, &code).iter().filter(|u| names.contains(u)) {
            arrows += 1;
            let excused = EXCEPTIONS.iter().any(|e| e.0 == file && e.1 == used);
            if !may.contains(used) && !excused {
                wrong.push(format!("{file} uses {used}; src/lib.rs allows {may:?}"));
            }
        }
    }
    assert!(arrows > 200, "only {arrows} arrows were found: the reading is broken");
    assert!(wrong.is_empty(), "arrows point outward:\n{}", wrong.join("\n"));
}

#[test]
fn the_reading_of_arrows_sees_every_form() {
    let check = |file: &str, source: &str, expected: &[&str]| {
        let found = uses(file, &code(source));
        assert_eq!(found.iter().map(String::as_str).collect::<Vec<_>>(), expected, "{source}");
    };
    check("src/engine/heat.rs", "use crate::wire::line::Line;", &["wire"]);
    check("src/engine/heat.rs", "use crate::{\n    lot::at::{At, Zone},\n    web,\n};", &["lot", "web"]);
    check("src/engine/heat.rs", "fn f() { crate::daemon::run() }", &["daemon"]);
    check("src/engine/heat.rs", "use super::super::cli::Failure;", &["cli"]);
    check("src/engine/mod.rs", "use super::journal::Journal;", &["journal"]);
    check("src/engine/alarms/heating.rs", "use super::super::plan::Plan;", &[]);
    check("src/engine/heat.rs", "/// [`crate::web`]\nlet a = \"crate::web\";", &[]);
    check(
        "src/engine/heat.rs",
        "#[cfg(test)]\nmod tests { use crate::rehearse::make; }\nuse crate::lot;",
        &["lot"],
    );
    check("src/engine/heat.rs", "let a = r#\"say \"crate::web\"\"#; use crate::lot;", &["lot"]);
    check("src/engine/heat.rs", "const Q: char = '\"'; use crate::lot; const R: char = '\"';", &["lot"]);
    check(
        "src/engine/heat.rs",
        "fn f<'a>(x: &'a str) { crate::lot::g(x, '\\'', '\\u{7f}'); crate::web::h() }",
        &["lot", "web"],
    );
}

#[test]
fn what_is_pure_is_pure() {
    let cargo = text("Cargo.toml");
    let dependencies = section(&cargo, "[dependencies]");
    assert!(dependencies.len() > 15, "{dependencies:?}");
    let mut wrong = Vec::new();
    for (file, code) in sources() {
        let pure = module(&file);
        if !["engine", "sensor", "wire", "words"].contains(&pure) {
            continue;
        }
        let impure = IMPURE.iter().filter(|word| code.contains(**word)).map(ToString::to_string);
        wrong.extend(impure.map(|word| format!("{file} names {word}")));
        if pure == "engine" {
            let foreign = dependencies
                .iter()
                .filter(|d| *d != "libm" && code.contains(&format!("{}::", d.replace('-', "_"))));
            wrong.extend(foreign.map(|d| format!("{file} uses the crate {d}; the engine has std and libm")));
            let inexact = TRANSCENDENTAL.iter().filter(|call| code.contains(**call));
            wrong.extend(inexact.map(|call| format!("{file} calls {call}…); use libm")));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// The names in one section of Cargo.toml.
fn section(cargo: &str, head: &str) -> Vec<String> {
    let lines = cargo.lines().skip_while(|l| *l != head).skip(1).take_while(|l| !l.starts_with('['));
    lines.filter_map(|l| Some(l.split_once(" = ")?.0.trim().to_owned())).collect()
}

/// The machine's clocks are read in `daemon/clock.rs` and nowhere else.
///
/// One exception: the page and the outlets count lengths of time (a number's
/// age since it was handed over, a wrong PIN's ten minutes, a stalled client)
/// on tokio's own timer, which tests can hold still. It reaches no record.
#[test]
fn one_file_reads_clocks() {
    const CLOCK: &str = "src/daemon/clock.rs";
    let mut wrong = Vec::new();
    for (file, code) in sources().into_iter().filter(|s| s.0 != CLOCK) {
        for call in ["SystemTime::now", "Timestamp::now", "Zoned::now", "clock_gettime", "std::time::Instant"]
        {
            if code.contains(call) {
                wrong.push(format!("{file} reads a clock by {call}"));
            }
        }
        let counts = code.contains("Instant::now");
        let by_timer =
            code.contains("use tokio::time::Instant") || code.contains("use tokio::time::{Instant");
        if counts && !(by_timer && ["daemon", "web"].contains(&module(&file))) {
            wrong.push(format!("{file} reads a clock by Instant::now that is not tokio's timer"));
        }
    }
    assert!(
        text(CLOCK).contains("clock_gettime"),
        "{CLOCK} reads no clock any more; this test has lost its sense"
    );
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_papers_name_only_what_is_there() {
    let mut gone = Vec::new();
    for paper in
        ["README.md", "DEVELOPERS.md", "SECURITY.md", "hardware/attach-a-probe.md", "systemd/README.md"]
    {
        let words = paths(&text(paper));
        assert!(!words.is_empty(), "no path was found in {paper}: the reading is broken");
        gone.extend(words.iter().filter(|p| !root().join(p).exists()).map(|p| format!("{paper} names {p}")));
        let folder = root().join(paper).parent().unwrap().to_owned();
        let targets = links(&text(paper));
        gone.extend(
            targets.iter().filter(|t| !folder.join(t).exists()).map(|t| format!("{paper} links {t}")),
        );
    }
    assert!(gone.is_empty(), "not there:\n{}", gone.join("\n"));
}

/// Words that are paths from the crate's folder.
fn paths(paper: &str) -> BTreeSet<String> {
    let words = paper.split(|c: char| c.is_whitespace() || "`()[]\"',;|".contains(c));
    words
        .filter(|w| ROOTS.iter().any(|r| w.starts_with(r)))
        .map(|w| w.trim_end_matches(['.', ':', '/']).to_owned())
        .filter(|w| !w.contains(['*', '…', '<', '{']))
        .collect()
}

/// Where links lead within the project.
fn links(paper: &str) -> Vec<String> {
    let targets = paper.split("](").skip(1).filter_map(|t| t.split([')', '#']).next());
    targets.filter(|t| !t.is_empty() && !t.contains("://")).map(str::to_owned).collect()
}

#[test]
fn the_readme_sets_up_with_two_commands() {
    let readme = text("README.md");
    for command in ["    cargo run --release -- rehearse", "    tests/run"] {
        assert!(readme.lines().any(|l| l == command), "README.md does not show{command}");
    }
}

#[test]
fn every_dependency_has_its_reason() {
    let (cargo, paper) = (text("Cargo.toml"), text("DEVELOPERS.md"));
    for head in ["[dependencies]", "[dev-dependencies]"] {
        for name in section(&cargo, head) {
            let named = format!("`{name}`");
            assert!(paper.contains(&named), "DEVELOPERS.md gives no reason for {named}");
        }
    }
}
