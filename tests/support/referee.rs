//! The Python with the independent libraries that referee our figures.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use std::path::{Path, PathBuf};
use std::process::Command;

/// A Python that can import `modules`. Without one the test fails and says how
/// to get it: a comparison that was not made is no comparison.
pub fn python(modules: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../referee");
    let python = std::env::var_os("CURDTRACE_REFEREE_PYTHON")
        .map_or_else(|| folder.join(".venv/bin/python"), PathBuf::from);
    let tried = Command::new(&python).args(["-c", &format!("import {modules}")]).output();
    if tried.is_ok_and(|t| t.status.success()) {
        return python;
    }
    panic!(
        "{} cannot import {modules}; run {}/prepare, which installs the independent libraries that this test compares with",
        python.display(),
        folder.display()
    );
}

/// A script of the referee's folder.
pub fn script(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../referee").join(name)
}
