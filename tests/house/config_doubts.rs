//! `check` tells what does not meet: names between sections, programs that are not
//! there. None of it keeps a daemon from running.

#![allow(clippy::unwrap_used, clippy::disallowed_methods)] // a test may end here

use std::path::Path;
use std::process::Command;

use curdtrace::config::dairy;

/// The exit code of `check` on a text, and what it says.
fn check(folder: &Path, text: &str) -> (Option<i32>, String) {
    std::fs::write(folder.join("c.toml"), text).unwrap();
    assert!(dairy::read(&folder.join("c.toml")).is_ok(), "it keeps no daemon from running");
    let out = Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .args(["check", "--config", "c.toml"])
        .current_dir(folder)
        .output()
        .unwrap();
    (out.status.code(), String::from_utf8(out.stderr).unwrap())
}

/// A name that was misspelt between two sections passed in silence.
#[test]
fn names_that_do_not_meet_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let text = r#"[[kettle]]
name = "big"
[[probe]]
name = "milk"
kettle = "big"
[[probe]]
name = "whey"
[[serial]]
name = "box"
port = "/dev/box"
format = "frames"
probes = { "0" = "mikl", "1" = "whey" }
kettle = "bgi"
buttons = { "1" = "rennet" }
[[serial]]
name = "one"
port = "/dev/one"
format = "number"
probe = "tank"
[[serial]]
name = "two"
port = "/dev/two"
format = "number"
probe = "tank"
[[outlet]]
name = "horn"
command = ["/no/such/horn"]
"#;
    let tried = |text: &str| check(folder.path(), text);
    let (code, said) = tried(text);
    assert_eq!(code, Some(78), "{said}");
    for says in [
        "c.toml:4: no source gives probe \"milk\" (did you mean mikl?)",
        "c.toml:13: kettle = \"bgi\" is not there (did you mean big?)",
        "c.toml:24: probe = \"tank\" is given by \"one\" already",
        "c.toml:27: the program /no/such/horn is not there",
    ] {
        assert!(said.contains(says), "no {says} in\n{said}");
    }
    // What may be meant so is told, and is no fault.
    let doubtful = text.replace("bgi", "big").replacen("\"tank\"", "\"cellar\"", 1);
    let (code, said) = tried(&doubtful);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("no source gives probe \"milk\"") && said.contains("/no/such/horn"), "{said}");
    assert_eq!(said.lines().count(), 2, "{said}");
    // What comes from the wire may bear any name.
    for open in [
        "[[mqtt]]\nname = \"b\"\nhost = \"h\"\n[[mqtt.subscribe]]\ntopic = \"d/{probe}\"\npayload = \"number\"\n",
        "[[serial]]\nname = \"open\"\nport = \"/dev/open\"\nformat = \"line-protocol\"\n",
        "[[serial]]\nname = \"open\"\nport = \"/dev/open\"\nformat = \"frames\"\n",
    ] {
        let (code, said) = tried(&format!("{doubtful}{open}"));
        assert_eq!((code, said.contains("milk")), (Some(0), false), "{open}{said}");
    }
}

/// An empty list let every alarm through, and an empty name was taken for a file.
#[test]
fn what_is_empty_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let text =
        "[signing]\nallowed-signers = \"\"\n[[outlet]]\nname = \"horn\"\nurl = \"http://h/x\"\nonly = []\n";
    let (code, said) = check(folder.path(), text);
    assert_eq!(code, Some(78), "{said}");
    assert!(said.contains("c.toml:2: allowed-signers = ./: is a folder"), "{said}");
    assert!(said.contains("c.toml:6: only names no alarm"), "{said}");
}
