//! `curdtrace lot` as a person calls it, in a folder of the test's own.

#![allow(clippy::unwrap_used)] // a test may end here

use std::path::Path;
use std::process::{Command, Output, Stdio};

/// Exit code, standard output and standard error.
pub fn run(place: &Path, args: &[&str]) -> (i32, String, String) {
    let Output { status, stdout, stderr } = Command::new(crate::program())
        .arg("lot")
        .args(args)
        .current_dir(place)
        .env_remove("CURDTRACE_CONFIG")
        .env_remove("CURDTRACE_DATA")
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let text = |b: Vec<u8>| String::from_utf8(b).unwrap();
    (status.code().unwrap(), text(stdout), text(stderr))
}

/// One that must do what it is told; its standard output.
pub fn well(place: &Path, args: &[&str]) -> String {
    let (code, out, err) = run(place, args);
    assert_eq!(code, 0, "{args:?}: {out}{err}");
    out
}
