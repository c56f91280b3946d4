//! Promise: where standard output or standard error is full or gone, a command does
//! its work and tells by its exit code how that went; it never breaks off.

#![allow(clippy::unwrap_used)] // a test may end here

use support::lot_command;

use std::fs::OpenOptions;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

fn curdtrace(place: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(support::program());
    command.args(args).current_dir(place).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    command.env_remove("CURDTRACE_CONFIG").env_remove("CURDTRACE_DATA");
    command
}

/// Takes nothing.
fn full() -> Stdio {
    OpenOptions::new().write(true).open("/dev/full").unwrap().into()
}

/// A pipe whose reader has gone.
fn gone() -> Stdio {
    let mut child = Command::new("true").stdin(Stdio::piped()).spawn().unwrap();
    let pipe = child.stdin.take().unwrap();
    child.wait().unwrap();
    pipe.into()
}

/// Each ended with 101: a word that could not be said broke the command off.
#[test]
fn standard_error_may_be_full_or_gone() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    std::fs::create_dir_all(place.join("data/lots")).unwrap();
    for stderr in [full, gone] {
        for (args, code) in [
            (&["lot", "list", "--data", "nope"][..], 66),
            (&["lot", "list"], 0),
            (&["lot", "sign"], 0),
            (&["lot", "verify", "x"], 66),
            (&["check", "--config", "nope"], 66),
            (&["lot", "no-such-command"], 64),
        ] {
            let status = curdtrace(place, args).stderr(stderr()).status().unwrap();
            assert_eq!(status.code(), Some(code), "{args:?}");
        }
    }
}

/// All that came after the bad line was lost.
#[test]
fn a_refused_line_that_cannot_be_told_costs_no_other() {
    let dir = tempfile::tempdir().unwrap();
    let good = |n: u32| format!("temperature,probe=k celsius=20 175246512{n}500000000\n");
    let mut replay = curdtrace(dir.path(), &["replay", "--readings"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(full())
        .spawn()
        .unwrap();
    let input = format!("{}bad line\n{}", good(1), good(2));
    replay.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
    let out = replay.wait_with_output().unwrap();
    let readings =
        String::from_utf8(out.stdout).unwrap().lines().filter(|l| l.contains("\"reading\"")).count();
    assert_eq!((out.status.code(), readings), (Some(65), 2));
}

/// It was said to be done.
#[test]
fn help_that_cannot_be_written_is_a_failure_and_a_closed_pipe_is_none() {
    let dir = tempfile::tempdir().unwrap();
    for args in [&["--help"][..], &["--version"], &["lot", "--help"]] {
        let code = |stdout: Stdio| curdtrace(dir.path(), args).stdout(stdout).status().unwrap().code();
        assert_eq!(
            (code(full()), code(gone()), code(Stdio::null())),
            (Some(74), Some(0), Some(0)),
            "{args:?}"
        );
    }
    let (code, out, _) = lot_command::run(dir.path(), &["--help"]);
    assert!(code == 0 && out.contains("attach"));
}
