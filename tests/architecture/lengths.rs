//! How long a file may be.

use std::fs;
use std::path::PathBuf;

use super::root;

/// Files of more lines than this hide what is in them.
const MOST_LINES: usize = 400;

#[test]
fn no_file_is_long() {
    let mut folders: Vec<PathBuf> = ["src", "tests", "benches", "examples"].map(|f| root().join(f)).into();
    let (mut seen, mut long) = (0, Vec::new());
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            // What the tests install is not ours.
            let hidden = path.file_name().unwrap().to_str().is_none_or(|n| n.starts_with('.'));
            if path.is_dir() && !hidden {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                seen += 1;
                let lines = fs::read_to_string(&path).unwrap().lines().count();
                long.extend((lines > MOST_LINES).then(|| format!("{}: {lines} lines", path.display())));
            }
        }
    }
    assert!(seen > 300, "only {seen} files were found: the walk is broken");
    assert!(long.is_empty(), "more than {MOST_LINES} lines; give a part a file of its own: {long:?}");
}
