//! Promise: what is handed over is whole, is this dairy's own, and takes nobody
//! else's place; also while lots are sealed beside it.

#![allow(clippy::unwrap_used)] // a test may end here

use support::lot_command;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use curdtrace::journal::storage::Disk;
use curdtrace::lot::inbox::{Ask, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::signature::Signer;
use curdtrace::lot::store::Dairy;
use lot_command::{run, well};

/// A dairy with a closed lot, `a-1`.
fn dairy(place: &Path, product: &str) {
    std::fs::create_dir_all(place).unwrap();
    well(place, &["open", "--past", "--id", "a-1", "--product", product]);
    well(place, &["close", "a-1", "--by", "ada"]);
}

fn corrected(place: &Path, product: &str) {
    let product = format!("product={product}");
    well(place, &["correct", "a-1", &product, "--by", "ada", "--reason", "misread"]);
}

/// Every file below a folder.
fn files(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(dir).unwrap().flatten() {
        if entry.path().is_dir() {
            found.extend(files(&entry.path()));
        } else {
            found.insert(entry.path(), std::fs::read(entry.path()).unwrap());
        }
    }
    found
}

fn is_refused(place: &Path, to: &Path, args: &[&str], says: &[&str]) {
    let before = files(to);
    let (code, out, err) = run(place, &[args, &["--to", to.to_str().unwrap()]].concat());
    assert_eq!((code, out.as_str()), (65, ""), "{err}");
    assert!(says.iter().all(|s| err.contains(s)) && err.contains("nothing was written"), "{err}");
    assert!(files(to) == before, "{args:?} wrote to {}", to.display());
}

/// The second dairy's lot took the first one's place on the stick, and its chain
/// was cut.
#[test]
fn nobody_elses_record_is_written_over() {
    let dir = tempfile::tempdir().unwrap();
    let (one, two, stick) = (dir.path().join("one"), dir.path().join("two"), dir.path().join("stick"));
    dairy(&one, "tomme");
    dairy(&two, "raclette");
    let to = stick.to_str().unwrap();
    for form in ["folder", "tar"] {
        well(&one, &["export", "a-1", "--as", form, "--to", to]);
        is_refused(&two, &stick, &["export", "a-1", "--as", form], &["another dairy's chain", "--to"]);
    }
    // Where only the lots were copied, they tell themselves.
    std::fs::remove_file(stick.join("chain.txt")).unwrap();
    is_refused(&two, &stick, &["export", "a-1"], &["another lot that is called a-1 too", "lots/a-1"]);
    // An old copy of the data folder knows less than the stick.
    let old = dir.path().join("old");
    std::fs::create_dir(&old).unwrap();
    assert!(
        std::process::Command::new("cp")
            .args(["-r", "one/data", "old/data"])
            .current_dir(dir.path())
            .status()
            .unwrap()
            .success()
    );
    corrected(&one, "fontina");
    well(&one, &["export", "a-1", "--to", to]);
    is_refused(&old, &stick, &["export", "a-1"], &["chain.txt", "old copy"]);
    assert!(well(dir.path(), &["verify", "--data", to]).contains("a-1: as it was closed"));
    // A data folder is no stick.
    is_refused(&one, &two.join("data"), &["export", "a-1"], &["own data folder"]);
    is_refused(&one, &one.join("data"), &["export", "a-1"], &["own data folder"]);
    is_refused(&one, &one.join("data/lots"), &["export", "a-1"], &["own data folder"]);
}

/// One lot that was altered kept a whole season from whoever asked for it.
#[test]
fn one_of_several_that_was_altered_is_left_out_and_told() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    dairy(place, "tomme");
    for lot in ["b-1", "c-1"] {
        well(place, &["open", "--past", "--id", lot, "--product", "tomme"]);
        well(place, &["close", lot, "--by", "ada"]);
    }
    well(place, &["export", "b-1", "--to", "stick"]);
    let before = files(&place.join("stick/lots/b-1"));
    std::fs::write(place.join("data/lots/b-1/events.jsonl"), "{}\n").unwrap();
    for (form, there) in [("folder", "stick"), ("tar", "out.tar")] {
        let (code, out, err) = run(place, &["export", "a-1", "b-1", "c-1", "--as", form, "--to", there]);
        assert_eq!(code, 65, "{err}");
        assert!(out.starts_with("2 lots, 13 files"), "{out}");
        assert!(err.contains("lot b-1 is not as it was closed (events.jsonl"), "{err}");
        assert!(err.contains("1 lot is left out") && err.contains("the others went"), "{err}");
    }
    let names: Vec<_> = std::fs::read_dir(place.join("stick/lots")).unwrap().flatten().collect();
    assert_eq!(names.len(), 3);
    assert_eq!(files(&place.join("stick/lots/b-1")), before, "the good copy there stays");
    assert!(well(place, &["verify", "--data", "stick"]).contains("b-1: as it was closed"));
    let list =
        std::process::Command::new("tar").args(["-tf", "out.tar"]).current_dir(place).output().unwrap();
    let list = String::from_utf8(list.stdout).unwrap();
    assert!(list.contains("lots/c-1/lot.toml") && !list.contains("b-1"), "{list}");
    // Alone it is refused.
    let (code, out, err) = run(place, &["export", "b-1", "--to", "other"]);
    assert_eq!((code, out.as_str()), (65, ""), "{err}");
    assert!(!place.join("other").exists());
}

#[derive(Debug)]
struct Pen;

impl Signer for Pen {
    fn sign(&self, _: &[u8]) -> Result<Vec<u8>, String> {
        Ok(b"ada".to_vec())
    }
}

/// The signature of the former seal stayed on the stick, and the lot there was
/// not as it was closed.
#[test]
fn what_the_lot_has_no_longer_goes_from_the_stick() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    dairy(place, "tomme");
    let data = place.join("data");
    let signed = Lots::open_signing(Arc::new(Disk), &data, Dairy::default(), Some(Arc::new(Pen)));
    let sign = Request {
        at: "2026-07-14T06:00:00Z".parse().unwrap(),
        by: None,
        ask: Ask::Sign { lot: "a-1".into() },
    };
    signed.unwrap().0.apply(&sign).unwrap();
    well(place, &["export", "a-1", "--to", "stick"]);
    let lot = place.join("stick/lots/a-1");
    assert!(lot.join("SHA256SUMS.sig").exists());
    std::fs::write(place.join("stick/lots/a-1.txt"), "the inspector's own").unwrap();
    corrected(place, "fontina");
    well(place, &["export", "a-1", "--to", "stick"]);
    assert!(!lot.join("SHA256SUMS.sig").exists());
    assert!(place.join("stick/lots/a-1.txt").exists());
    well(place, &["verify", "--data", "stick"]);
}

/// A copy taken while the lot was sealed was half of it, and `verify` called the
/// lot itself changed.
#[test]
fn a_lot_is_handed_over_and_verified_while_it_is_sealed_again() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    dairy(place, "tomme");
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for n in 0.. {
                if done.load(Ordering::Relaxed) {
                    return;
                }
                corrected(place, &format!("cheese-{n}"));
            }
        });
        for n in 0..12 {
            let stick = format!("stick-{n}");
            let beside = [run(place, &["verify"]), run(place, &["export", "a-1", "--to", &stick])];
            let copy = run(place, &["verify", "--data", &stick]);
            let leftovers: Vec<PathBuf> = files(&place.join(&stick))
                .into_keys()
                .filter(|f| f.file_name().unwrap().to_str().unwrap().starts_with('.'))
                .collect();
            if beside.iter().chain([&copy]).any(|(code, ..)| *code != 0) || !leftovers.is_empty() {
                done.store(true, Ordering::Relaxed);
                assert_eq!(
                    (&beside[0].0, &beside[1].0, copy.0),
                    (&0, &0, 0),
                    "{beside:?} {copy:?} {leftovers:?}"
                );
                assert!(leftovers.is_empty(), "{leftovers:?}");
            }
        }
        done.store(true, Ordering::Relaxed);
    });
}

/// It was "read back and the same", and `verify` there said otherwise; an open lot
/// went out without a word that it was half a lot.
#[test]
fn what_is_not_a_closed_lot_and_nothing_else_is_said() {
    let dir = tempfile::tempdir().unwrap();
    dairy(dir.path(), "tomme");
    let stick = dir.path().join("stick");
    let to = stick.to_str().unwrap();
    well(dir.path(), &["export", "a-1", "--to", to]);
    std::fs::write(stick.join("lots/a-1/notes.txt"), "mine").unwrap();
    let (code, out, err) = run(dir.path(), &["export", "a-1", "--to", to]);
    assert!(code == 0 && out.contains("read back and the same"), "{code} {out}{err}");
    assert!(err.contains("a-1/notes.txt is none of the lot's files"), "{err}");
    well(dir.path(), &["open", "--past", "--id", "b-1"]);
    let (code, _, err) = run(dir.path(), &["export", "b-1", "--to", to]);
    assert!(code == 0 && err.contains("lot b-1 is open"), "{code} {err}");
}

/// It made a folder of that name.
#[test]
fn a_path_that_ends_in_tar_is_the_archive() {
    let dir = tempfile::tempdir().unwrap();
    dairy(dir.path(), "tomme");
    let path = dir.path().join("x/t.tar");
    for _ in 0..2 {
        well(dir.path(), &["export", "a-1", "--as", "tar", "--to", path.to_str().unwrap()]);
        assert!(path.is_file());
    }
    // An archive that is none of ours is left as it is, though it has no chain.
    std::fs::write(&path, b"not a lot in it").unwrap();
    let (code, _, err) = run(dir.path(), &["export", "a-1", "--as", "tar", "--to", path.to_str().unwrap()]);
    assert!(code != 0 && err.contains("t.tar"), "{code} {err}");
    assert_eq!(std::fs::read(&path).unwrap(), b"not a lot in it");
}

/// What a full stick would hold of each file, in blocks of 512 bytes.
const ROOM: &str = "ulimit -f 4; trap '' XFSZ; exec \"$0\" \"$@\"";

/// It left the new sums beside the old sheet, and a part of an archive for a whole one.
#[test]
fn a_full_stick_keeps_what_it_had() {
    let dir = tempfile::tempdir().unwrap();
    dairy(dir.path(), "tomme");
    let stick = dir.path().join("stick");
    let to = [stick.to_str().unwrap().to_owned(), stick.join("t.tar").to_str().unwrap().to_owned()];
    let asked = [vec!["--to", &to[0]], vec!["--as", "tar", "--to", &to[1]]];
    for args in &asked {
        well(dir.path(), &[&["export", "a-1"], &args[..]].concat());
    }
    corrected(dir.path(), "raclette");
    let before = files(&stick);
    for args in &asked {
        let done = std::process::Command::new("sh")
            .args(["-c", ROOM])
            .arg(support::program())
            .args(["lot", "export", "a-1"])
            .args(args)
            .current_dir(dir.path())
            .output()
            .unwrap();
        let err = String::from_utf8(done.stderr).unwrap();
        assert_eq!((done.status.code(), done.stdout.len()), (Some(74), 0), "{err}");
        assert!(err.contains("File too large") && err.contains("then try again"), "{err}");
        assert!(files(&stick) == before, "{args:?} left {:?}", files(&stick).keys());
    }
    for args in &asked {
        well(dir.path(), &[&["export", "a-1"], &args[..]].concat());
    }
    assert!(files(&stick).len() == before.len() && files(&stick) != before);
}

/// The kind of a disk that is memory (`linux/magic.h`).
const TMPFS: u64 = 0x0102_1994;

/// Bytes that this thread had fetched from disks, where the system counts them.
fn fetched() -> Option<u64> {
    let io = std::fs::read_to_string("/proc/thread-self/io").ok()?;
    io.lines().find_map(|l| l.strip_prefix("read_bytes: "))?.parse().ok()
}

/// What was compared came from memory, and told nothing of the stick.
#[test]
fn what_is_read_back_comes_from_the_disk() {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    // A disk that is memory has nothing else to read from.
    let kind = rustix::fs::statfs(folder.path()).unwrap().f_type;
    let is_memory = u64::try_from(kind).is_ok_and(|kind| kind == TMPFS);
    let (Some(before), false) = (fetched(), is_memory) else { return };
    let bytes: Vec<u8> = (0..4_000_000_u32).map(|n| n.wrapping_mul(2_654_435_761).to_be_bytes()[0]).collect();
    curdtrace::lot::export::one_file(&folder.path().join("season.csv"), &bytes).unwrap();
    let read = fetched().unwrap() - before;
    assert!(read >= bytes.len() as u64 / 2, "{read} bytes came from the disk");
}

/// It was handed over to a folder where no stick was mounted, and nobody was told.
#[test]
fn a_folder_on_the_same_disk_is_told_to_be_no_stick() {
    let dir = tempfile::tempdir().unwrap();
    dairy(dir.path(), "tomme");
    let (code, out, err) = run(dir.path(), &["export", "a-1", "--to", "media/stick"]);
    assert!(code == 0 && out.contains("read back and the same"), "{code} {out}{err}");
    assert!(err.contains("media/stick is on this machine's own disk: no stick is mounted there"), "{err}");
    // Memory is a mount of its own on every Linux machine.
    let stick = tempfile::tempdir_in("/dev/shm").unwrap();
    let (code, _, err) = run(dir.path(), &["export", "a-1", "--to", stick.path().to_str().unwrap()]);
    assert_eq!((code, err.as_str()), (0, ""));
}
