//! `curdtrace lot` as a person calls it, in a folder of the test's own.

#![allow(clippy::unwrap_used)] // a test may end here

use std::path::Path;
use std::process::{Command, Output, Stdio};

use curdtrace::lot::record::Record;

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

/// One that must be refused with that code, and say so; its standard error.
pub fn refused(place: &Path, args: &[&str], code: i32, says: &str) -> String {
    let (got, out, err) = run(place, args);
    assert_eq!((got, out.as_str()), (code, ""), "{args:?}: {err}");
    assert!(err.contains(says), "{args:?}: {err}");
    err
}

/// The lot's record, as `show` gives it.
pub fn record(place: &Path, lot: &str) -> Record {
    serde_json::from_str(&well(place, &["show", lot, "--json"])).unwrap()
}
