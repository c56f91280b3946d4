//! Promise: whatever lies in a lot's folder or among the lots, `lot verify` ends
//! and says which lot is not as it was closed; a lot counts only where its
//! bytes lie in its own folder.

#![allow(clippy::unwrap_used)] // a test may end here

use support::lot_command;

use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A data folder with closed lots `a-1` and `b-1`.
struct Hut(tempfile::TempDir);

impl Hut {
    fn new() -> Self {
        let hut = Self(tempfile::tempdir().unwrap());
        for id in ["a-1", "b-1"] {
            hut.well(&["open", "--past", "--id", id, "--kettle", "k", "--by", "ada"]);
            hut.well(&["close", id, "--by", "ada"]);
        }
        // The dairy's own folder has a journal.
        fs::create_dir_all(hut.0.path().join("data/journal")).unwrap();
        hut
    }

    fn run(&self, args: &[&str]) -> (i32, String, String) {
        lot_command::run(self.0.path(), args)
    }

    fn well(&self, args: &[&str]) -> String {
        lot_command::well(self.0.path(), args)
    }

    fn lots(&self) -> PathBuf {
        self.0.path().join("data/lots")
    }

    /// `a-1` is told as changed in the words `says`, `b-1` is as it was closed.
    fn finds(&self, says: &str) {
        let (code, out, err) = self.run(&["verify"]);
        assert_eq!(code, 65, "{says}: {out}{err}");
        let told = format!("a-1: NOT AS IT WAS CLOSED: {says}");
        assert!(out.contains(&told) && out.contains("b-1: as it was closed"), "{says}: {out}{err}");
    }
}

fn fifo(path: &Path) {
    assert!(Command::new("mkfifo").arg(path).status().unwrap().success());
}

/// The check hung for ever on a pipe.
#[test]
fn a_pipe_is_not_waited_for() {
    let hut = Hut::new();
    let folder = hut.lots().join("a-1");
    fifo(&folder.join("pipe"));
    hut.finds("pipe is not a plain file\n");
    fs::remove_file(folder.join("pipe")).unwrap();
    for name in ["trace.lp", "lot.toml", "SHA256SUMS"] {
        let own = fs::read(folder.join(name)).unwrap();
        fs::remove_file(folder.join(name)).unwrap();
        fifo(&folder.join(name));
        hut.finds(&format!("{name} is not a plain file\n"));
        // Nothing else waits for it either.
        assert_eq!(hut.run(&["list"]).0, if name == "lot.toml" { 65 } else { 0 });
        fs::remove_file(folder.join(name)).unwrap();
        fs::write(folder.join(name), own).unwrap();
    }
    hut.well(&["verify"]);
}

/// A link to the same bytes counted as the file itself.
#[test]
fn what_is_linked_from_elsewhere_is_not_in_the_folder() {
    let hut = Hut::new();
    let (folder, away) = (hut.lots().join("a-1"), hut.0.path().join("away"));
    fs::create_dir(&away).unwrap();
    for entry in fs::read_dir(&folder).unwrap() {
        let (path, name) = entry.map(|e| (e.path(), e.file_name().into_string().unwrap())).unwrap();
        fs::rename(&path, away.join(&name)).unwrap();
        symlink(away.join(&name), &path).unwrap();
        hut.finds(&format!("{name} is not a plain file\n"));
        fs::remove_file(&path).unwrap();
        fs::rename(away.join(&name), &path).unwrap();
    }
    hut.well(&["verify"]);
    fs::rename(&folder, away.join("a-1")).unwrap();
    symlink(away.join("a-1"), &folder).unwrap();
    hut.finds("its folder is a link or a file, not a folder\n");
    // What is not whole is not added to, and not handed over.
    assert_eq!(hut.run(&["set", "a-1", "score=8", "--by", "ada"]).0, 65);
    assert_eq!(hut.run(&["export", "a-1", "--to", "stick"]).0, 65);
}

#[test]
fn a_folder_in_place_of_a_file_or_beside_it_is_told() {
    let hut = Hut::new();
    let folder = hut.lots().join("a-1");
    fs::create_dir(folder.join("photos")).unwrap();
    hut.finds("photos is not a plain file\n");
    fs::remove_dir(folder.join("photos")).unwrap();
    fs::remove_file(folder.join("SHA256SUMS")).unwrap();
    fs::create_dir(folder.join("SHA256SUMS")).unwrap();
    hut.finds("SHA256SUMS is not a plain file\n");
    fs::remove_dir_all(&folder).unwrap();
    fs::write(&folder, "x").unwrap();
    hut.finds("its folder is a link or a file, not a folder\n");
    fs::remove_file(&folder).unwrap();
    hut.finds("its folder is gone, with all that was in it\n");
}

/// An empty folder ended the check with "there is no lot", a plain file with
/// "Not a directory", after all lots had been well.
#[test]
fn what_is_no_lot_among_the_lots_is_told_and_is_no_fault() {
    let hut = Hut::new();
    fs::create_dir(hut.lots().join("aaa")).unwrap();
    fs::create_dir(hut.lots().join("lost+found")).unwrap();
    fs::write(hut.lots().join("README"), "the lots").unwrap();
    fifo(&hut.lots().join("pipe"));
    let out = hut.well(&["verify"]);
    for stray in ["aaa", "README", "pipe"] {
        assert!(out.contains(&format!("{stray}: no lot, ")), "{out}");
    }
    assert_eq!(hut.well(&["verify", "--quiet"]), "");
    assert_eq!(hut.well(&["list"]).lines().count(), 2);
    assert_eq!(hut.run(&["verify", "aaa"]).0, 66);
    // What has a lot's files has been one.
    fs::write(hut.lots().join("aaa/trace.lp"), "").unwrap();
    let (code, out, _) = hut.run(&["verify"]);
    assert!(code == 65 && out.contains("aaa: NOT AS IT WAS CLOSED: lot.toml is gone"), "{out}");
}

#[test]
fn a_lot_whose_record_is_gone_is_told_in_the_list() {
    let hut = Hut::new();
    fs::remove_file(hut.lots().join("a-1/lot.toml")).unwrap();
    let (code, out, err) = hut.run(&["list"]);
    assert!(code == 65 && out.contains("b-1"), "{out}");
    assert!(err.contains("lot a-1 has no lot.toml any more; put it back from a copy"), "{err}");
    assert_eq!(hut.run(&["show", "a-1"]).0, 65);
    hut.finds("lot.toml is gone\n");
}

/// It was told to be put back from a copy.
#[test]
fn a_lot_that_is_named_and_open_is_said_to_be_open() {
    let hut = Hut::new();
    hut.well(&["open", "--id", "c-1", "--kettle", "k", "--by", "ada"]);
    let (code, out, err) = hut.run(&["verify", "c-1"]);
    assert_eq!((code, out.as_str()), (65, "c-1: open, not sealed yet\n"));
    assert!(err.contains("curdtrace lot close c-1") && !err.contains("copy"), "{err}");
    assert!(hut.well(&["verify"]).contains("c-1: open, not sealed yet"));
}

#[test]
fn a_lot_may_be_named_by_its_folder() {
    let hut = Hut::new();
    let whole = hut.lots().join("a-1");
    for path in ["a-1", "a-1/", "data/lots/a-1", "./data/lots/a-1/", whole.to_str().unwrap()] {
        let out = hut.well(&["verify", path]);
        assert!(out.starts_with("a-1: as it was closed (sealed "), "{path}: {out}");
    }
    // Of another data folder it is that one's lot, and never the one here.
    hut.well(&["export", "a-1", "--to", "stick"]);
    assert!(hut.well(&["verify", "stick/lots/a-1", "b-1"]).contains("a-1: as it was closed"));
    fs::write(hut.0.path().join("stick/lots/a-1/lot.toml"), "x").unwrap();
    assert_eq!(hut.run(&["verify", "stick/lots/a-1"]).0, 65);
    for none in ["data/lots/x-1", "elsewhere/a-1", ".."] {
        let (code, _, err) = hut.run(&["verify", none]);
        assert_eq!(code, 66, "{none}: {err}");
    }
}

/// After a power cut in the middle of it, it was said to be tampered with and to be put
/// back from a copy.
#[test]
fn a_sealing_that_was_cut_short_is_told_as_that() {
    let hut = Hut::new();
    fs::create_dir_all(hut.0.path().join("data/sealing")).unwrap();
    fs::write(hut.0.path().join("data/sealing/a-1"), "lot a-1 is being sealed\n").unwrap();
    fs::write(hut.lots().join("a-1/sheet.html"), "half of it").unwrap();
    let (code, out, err) = hut.run(&["verify"]);
    assert_eq!(code, 65, "{out}{err}");
    assert!(out.contains("a-1: its sealing was cut short") && out.contains("b-1: as it was closed"), "{out}");
    assert!(!format!("{out}{err}").contains("a copy") && err.contains("finishes"), "{out}{err}");
    let to = hut.0.path().join("stick");
    let (code, _, err) = hut.run(&["export", "a-1", "--to", to.to_str().unwrap()]);
    assert!(code == 65 && err.contains("cut short") && !err.contains("a copy"), "{err}");
    // Whatever writes next finishes it.
    hut.well(&["open", "--past", "--id", "c-1", "--kettle", "k", "--by", "ada"]);
    hut.well(&["verify", "a-1"]);
}
