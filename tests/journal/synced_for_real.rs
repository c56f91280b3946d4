//! Promise: what is acknowledged, sealed or handed over is on the disk, its name too. Held
//! here on the real disk: the program runs with its calls to the C library told
//! (`support/sync_log.c`), where every other test has a twin of the disk or kills the
//! process, which loses nothing that the kernel has.

#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)] // a test may end here, and say figures

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

/// The shared object that tells.
fn shim(dir: &Path) -> PathBuf {
    let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/support/sync_log.c");
    let object = dir.join("sync_log.so");
    let mut cc = Command::new("cc");
    cc.args(["-shared", "-fPIC", "-O1", "-o"]).arg(&object).arg(source).arg("-ldl");
    assert!(cc.status().unwrap().success(), "cc builds {source}");
    object
}

/// Runs the program and gives what it did to files, call by call.
fn told(shim: &Path, log: &Path, args: &[&str]) -> Vec<Call> {
    let done = Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .args(args)
        .env("LD_PRELOAD", shim)
        .env("SYNC_LOG", log)
        .output()
        .unwrap();
    assert!(done.status.success(), "{args:?}: {}", String::from_utf8_lossy(&done.stderr));
    let text = std::fs::read_to_string(log).unwrap();
    text.lines().map(Call::of).collect()
}

enum Call {
    Write(PathBuf, String),
    Sync(PathBuf),
    Rename(PathBuf, PathBuf),
    Make(PathBuf),
    Remove(PathBuf),
}

impl Call {
    fn of(line: &str) -> Self {
        let parts: Vec<&str> = line.split('\t').collect();
        let [what, path, more] = parts[..] else { panic!("{line}") };
        match what {
            "write" => Self::Write(path.into(), more.into()),
            "sync" => Self::Sync(path.into()),
            "rename" => Self::Rename(path.into(), more.into()),
            "make" => Self::Make(path.into()),
            "remove" => Self::Remove(path.into()),
            _ => panic!("{line}"),
        }
    }
}

/// What a power cut would take below a folder, as the calls went.
#[derive(Default)]
struct Ledger {
    /// Writes of a file since its last sync.
    unsynced: BTreeMap<PathBuf, u32>,
    /// Names whose folder was not synced since they were made.
    unnamed: BTreeSet<PathBuf>,
    known: BTreeSet<PathBuf>,
    synced: u32,
}

impl Ledger {
    /// # Panics
    /// Where a file takes another's place before its bytes are on the disk.
    fn book(&mut self, call: &Call) {
        match call {
            Call::Write(path, _) => {
                *self.unsynced.entry(path.clone()).or_default() += 1;
                if self.known.insert(path.clone()) {
                    self.unnamed.insert(path.clone());
                }
            }
            Call::Sync(path) => {
                self.synced += u32::from(self.unsynced.remove(path).is_some());
                self.unnamed.retain(|name| name.parent() != Some(path));
            }
            Call::Rename(from, to) => {
                assert!(
                    !self.unsynced.contains_key(from),
                    "{} is renamed before it is synced",
                    from.display()
                );
                self.unnamed.remove(from);
                self.unnamed.insert(to.clone());
            }
            Call::Make(path) => {
                self.unnamed.insert(path.clone());
            }
            Call::Remove(path) => {
                self.unsynced.remove(path);
                self.unnamed.remove(path);
            }
        }
    }

    fn is_even(&self) {
        assert!(self.unsynced.is_empty(), "written and never synced: {:?}", self.unsynced);
        assert!(self.unnamed.is_empty(), "made in a folder never synced: {:?}", self.unnamed);
    }
}

/// Every file below a folder.
fn files(dir: &Path) -> BTreeSet<PathBuf> {
    let (mut found, mut folders) = (BTreeSet::new(), vec![dir.to_owned()]);
    while let Some(folder) = folders.pop() {
        for path in std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
            if path.is_dir() {
                folders.push(path);
            } else {
                found.insert(path);
            }
        }
    }
    found
}

fn is_below(call: &Call, dir: &Path) -> bool {
    let (Call::Write(path, _)
    | Call::Sync(path)
    | Call::Rename(path, _)
    | Call::Make(path)
    | Call::Remove(path)) = call;
    // The folder's own name too.
    path.starts_with(dir.parent().unwrap())
}

#[test]
fn whatever_is_acknowledged_sealed_or_handed_over_is_on_the_disk() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path().canonicalize().unwrap();
    let shim = shim(&place);
    let data = place.join("dairy/data");
    let stick = place.join("sticks/stick");
    let (to_data, to_stick) = (data.to_str().unwrap(), stick.to_str().unwrap());
    std::fs::create_dir(place.join("dairy")).unwrap();

    // A make with a box that wants acknowledgements; its lot is closed and sealed.
    let run = ["rehearse", "--once", "--speed", "3000", "--data", to_data];
    let calls = told(&shim, &place.join("run.log"), &run);
    let (mut ledger, mut acknowledged) = (Ledger::default(), 0);
    for call in &calls {
        if let Call::Write(path, began) = call
            && path.starts_with("/dev/")
            && began == "$1A"
        {
            acknowledged += 1;
            let journal = data.join("journal");
            let first =
                ledger.known.iter().find(|file| file.starts_with(&journal)).expect("nothing is written");
            assert!(ledger.synced > 0 && !ledger.unnamed.contains(first), "acknowledged before it is kept");
            let most =
                ledger.unsynced.iter().filter(|(file, _)| file.starts_with(&journal)).map(|(_, n)| *n).max();
            assert!(most.is_none_or(|n| n <= 4), "{most:?} writes of the journal and no sync");
        } else if is_below(call, &data) {
            ledger.book(call);
        }
    }
    println!("{acknowledged} acknowledgements, {} syncs of what was written", ledger.synced);
    assert!(acknowledged > 50 && ledger.synced > 50);
    ledger.is_even();
    let lot = std::fs::read_dir(data.join("lots")).unwrap().next().unwrap().unwrap().file_name();
    let lot = lot.to_str().unwrap();

    // Corrected by a command, and handed over.
    let correct =
        ["lot", "correct", lot, "product=tomme", "--by", "ada", "--reason", "misread", "--data", to_data];
    std::fs::create_dir(place.join("sticks")).unwrap();
    let export = ["lot", "export", lot, "--to", to_stick, "--data", to_data];
    for (name, below, args) in [("correct", &data, &correct[..]), ("export", &stick, &export[..])] {
        // What is there already has its name.
        let mut ledger = Ledger { known: files(&data), ..Ledger::default() };
        let calls = told(&shim, &place.join(name), args);
        calls.iter().filter(|call| is_below(call, below)).for_each(|call| ledger.book(call));
        assert!(ledger.synced >= 5, "{name}: {} files", ledger.synced);
        ledger.is_even();
    }
}

/// Exit code 74, which the unit starts again: and then nothing is missing.
#[test]
fn a_disk_that_does_not_sync_ends_the_process_and_the_next_one_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path().canonicalize().unwrap();
    let shim = shim(&place);
    let data = place.join("data");
    let rehearse = || {
        let mut it = Command::new(env!("CARGO_BIN_EXE_curdtrace"));
        it.args(["rehearse", "--once", "--speed", "3000", "--data"]).arg(&data);
        it
    };
    let ended = rehearse().env("LD_PRELOAD", &shim).env("SYNC_FAILS_AFTER", "30").output().unwrap();
    let said = String::from_utf8_lossy(&ended.stderr);
    assert_eq!(ended.status.code(), Some(74), "{said}");
    assert!(said.contains("failed twice") && said.contains("replace the disk"), "{said}");
    let kept = || -> Vec<String> {
        let files = std::fs::read_dir(data.join("journal")).unwrap().flatten().map(|e| e.path());
        let mut files: Vec<PathBuf> =
            files.filter(|path| path.extension().is_some_and(|e| e == "lp")).collect();
        files.sort();
        let text: String = files.iter().map(|file| std::fs::read_to_string(file).unwrap()).collect();
        let mut lines: Vec<String> =
            text.lines().filter(|l| l.starts_with("temperature")).map(str::to_owned).collect();
        lines.dedup();
        lines
    };
    let before = kept();
    assert!(before.len() > 100, "{}", before.len());
    // Another day on the same disk, whatever comes of its make.
    rehearse().output().unwrap();
    let after = kept();
    assert!(
        after.len() > before.len() + 1000 && after.starts_with(&before),
        "{} then {}",
        before.len(),
        after.len()
    );
}
