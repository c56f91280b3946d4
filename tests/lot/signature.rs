//! Promise: lots are signed with OpenSSH's own format where a key is
//! configured; anybody checks them with `ssh-keygen` and `sha256sum` alone; and
//! no lot is lost or late for want of a key or of the program.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use curdtrace::journal::storage::Disk;
use curdtrace::lot::hold::Hold;
use curdtrace::lot::inbox::{Answer, Inbox};
use curdtrace::lot::life::Lots;
use curdtrace::lot::store::Dairy;

/// A dairy with a key, and a file of signers that knows it.
struct Hut(tempfile::TempDir);

impl Hut {
    fn new() -> Self {
        let hut = Self(tempfile::tempdir().unwrap());
        hut.make_key("lot-key", "");
        hut.trust("lot-key", "ada@hut");
        hut.configure("key = \"lot-key\"\nallowed-signers = \"signers\"");
        hut
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    fn make_key(&self, name: &str, passphrase: &str) {
        let key = self.path().join(name);
        let made = Command::new("ssh-keygen")
            .args(["-q", "-t", "ed25519", "-C", "", "-N", passphrase, "-f"])
            .arg(key)
            .stdin(Stdio::null())
            .status()
            .unwrap_or_else(|e| panic!("ssh-keygen does not start ({e}); apt-get install openssh-client"));
        assert!(made.success());
    }

    fn trust(&self, key: &str, name: &str) {
        let public = std::fs::read_to_string(self.path().join(format!("{key}.pub"))).unwrap();
        std::fs::write(self.path().join("signers"), format!("{name} {public}")).unwrap();
    }

    fn configure(&self, signing: &str) {
        let text = format!("[dairy]\ndata = \"data\"\n[signing]\n{signing}\n");
        std::fs::write(self.path().join("c.toml"), text).unwrap();
    }

    /// Exit code, what was said, and what was complained of.
    fn run(&self, args: &[&str]) -> (Option<i32>, String, String) {
        let Output { status, stdout, stderr } = Command::new(env!("CARGO_BIN_EXE_curdtrace"))
            .args(args)
            .args(["--config", "c.toml"])
            .current_dir(self.path())
            .stdin(Stdio::null())
            .output()
            .unwrap();
        (status.code(), String::from_utf8(stdout).unwrap(), String::from_utf8(stderr).unwrap())
    }

    fn lot(&self, args: &[&str]) -> (Option<i32>, String, String) {
        self.run(&[&["lot"], args].concat())
    }

    /// A lot is opened and closed; what was said at the end.
    fn close(&self, id: &str) -> String {
        assert_eq!(self.lot(&["open", "--past", "--id", id, "--by", "ada"]).0, Some(0));
        let (code, said, err) = self.lot(&["close", id, "--by", "ada"]);
        assert_eq!(code, Some(0), "{said}{err}");
        said
    }

    fn file(&self, lot: &str, name: &str) -> std::path::PathBuf {
        self.path().join("data/lots").join(lot).join(name)
    }

    fn verified(&self, lot: &str, code: i32, says: &str) {
        let (got, said, err) = self.lot(&["verify", lot]);
        assert_eq!(got, Some(code), "{said}{err}");
        assert!(said.contains(says) && said.lines().count() == 1, "{says:?} is not in {said:?}");
    }
}

#[test]
fn a_lot_is_signed_and_an_inspector_checks_it_without_us() {
    let hut = Hut::new();
    assert_eq!(hut.run(&["check"]).0, Some(0));
    assert!(hut.close("a-1").contains("is closed and sealed; signed"));
    hut.verified("a-1", 0, "a-1: as it was closed (sealed");
    hut.verified("a-1", 0, "; signed by ada@hut");
    // Handed over on a stick, and looked at with other tools only.
    assert_eq!(hut.lot(&["export", "a-1", "--to", "stick"]).0, Some(0));
    let inspector = "sha256sum -c --quiet SHA256SUMS && ssh-keygen -Y verify -f ../../../signers \
                     -I ada@hut -n curdtrace-lot -s SHA256SUMS.sig < SHA256SUMS";
    let folder = hut.path().join("stick/lots/a-1");
    let looked = Command::new("sh").args(["-c", inspector]).current_dir(&folder).output().unwrap();
    let said = String::from_utf8(looked.stdout).unwrap();
    assert!(looked.status.success(), "{said}{}", String::from_utf8_lossy(&looked.stderr));
    assert!(said.contains("Good \"curdtrace-lot\" signature for ada@hut with ED25519 key"), "{said}");
    let (code, said, _) = hut.lot(&["verify", "--data", "stick"]);
    assert_eq!(code, Some(0));
    assert!(said.contains("; signed by ada@hut"), "{said}");
    // A correction seals again, and signs again.
    let args = ["set", "a-1", "rennet.dose-ml=35", "--by", "ada"];
    let (code, said, err) = hut.lot(&args);
    assert_eq!(code, Some(0), "{err}");
    assert!(said.contains("sealed again; signed"), "{said}");
    hut.verified("a-1", 0, "seal 3); signed by ada@hut");
    assert!(hut.lot(&["sign", "a-1"]).1.contains("is signed already"));
}

#[test]
fn a_signature_changed_added_removed_or_of_a_stranger_is_found() {
    let hut = Hut::new();
    hut.close("a-1");
    let path = hut.file("a-1", "SHA256SUMS.sig");
    let good = std::fs::read(&path).unwrap();
    let mut bad = good.clone();
    bad[120] ^= 1;
    std::fs::write(&path, &bad).unwrap();
    hut.verified("a-1", 65, "NOT AS IT WAS CLOSED: SHA256SUMS.sig is not as it was closed");
    std::fs::remove_file(&path).unwrap();
    hut.verified("a-1", 65, "NOT AS IT WAS CLOSED: SHA256SUMS.sig is gone");
    // It was said that every lot is signed.
    let (code, said, err) = hut.lot(&["sign"]);
    assert!(code == Some(65) && said.is_empty() && err.contains("SHA256SUMS.sig is gone"), "{said}{err}");
    assert!(err.contains("a-1") && !err.contains("every sealed lot is signed"), "{err}");
    std::fs::write(&path, &good).unwrap();
    hut.verified("a-1", 0, "; signed by ada@hut");
    // Nobody whom the file of signers knows: the lot is whole, the name is not.
    hut.make_key("other", "");
    hut.trust("other", "eve@town");
    hut.verified("a-1", 65, "SIGNATURE NOT GOOD: nobody in");
    // For something else than a lot, by the right key.
    hut.trust("lot-key", "ada@hut");
    let other = "ssh-keygen -q -Y sign -f lot-key -n file data/lots/a-1/SHA256SUMS 2>/dev/null";
    std::fs::remove_file(&path).unwrap();
    assert!(Command::new("sh").args(["-c", other]).current_dir(hut.path()).status().unwrap().success());
    hut.verified("a-1", 65, "SHA256SUMS.sig is not as it was closed");
    // One that was put to a lot that never was signed.
    hut.configure("");
    assert!(hut.close("b-1").contains("closed and sealed\n"));
    std::fs::write(hut.file("b-1", "SHA256SUMS.sig"), &good).unwrap();
    hut.verified("b-1", 65, "SHA256SUMS.sig was added");
}

#[test]
fn without_program_or_key_a_lot_is_sealed_at_once_and_signed_later() {
    let hut = Hut::new();
    hut.make_key("locked", "a passphrase that nobody types");
    let slow = hut.path().join("slow");
    std::fs::write(&slow, "#!/bin/sh\nexec sleep 60\n").unwrap();
    std::fs::set_permissions(&slow, std::fs::Permissions::from_mode(0o755)).unwrap();
    for (id, signing, why) in [
        ("a-1", "key = \"lot-key\"\nprogram = \"/nowhere/ssh-keygen\"", "install openssh-client"),
        ("a-2", "key = \"gone\"", "gone is not there"),
        ("a-3", "key = \"locked\"", "passphrase"),
        ("a-4", "key = \"lot-key\"\nprogram = \"/bin/false\"", "signed nothing"),
        ("a-5", "key = \"lot-key\"\nprogram = \"./slow\"", "did not end within 3 s"),
    ] {
        hut.configure(signing);
        let from = Instant::now();
        let said = hut.close(id);
        assert!(from.elapsed() < Duration::from_secs(10), "{id} took {:?}", from.elapsed());
        assert!(said.contains("is closed and sealed; NOT SIGNED: ") && said.contains(why), "{said}");
        assert!(said.contains(&format!("curdtrace lot sign {id}")), "{said}");
        hut.verified(id, 0, &format!("NOT SIGNED, though a key is configured: curdtrace lot sign {id}"));
    }
    let (code, _, err) = hut.lot(&["sign", "a-1"]);
    assert_eq!(code, Some(69), "{err}");
    hut.configure("key = \"gone\"\nallowed-signers = \"nobody\"");
    let (code, _, err) = hut.run(&["check"]);
    assert_eq!(code, Some(78));
    assert!(
        err.contains("gone: is not there; ssh-keygen -t ed25519") && err.contains("nobody: is not"),
        "{err}"
    );
    // All at once, when the key is there.
    hut.configure("key = \"lot-key\"\nallowed-signers = \"signers\"");
    let (code, said, err) = hut.lot(&["sign"]);
    assert_eq!((code, said.lines().count()), (Some(0), 5), "{said}{err}");
    for id in ["a-1", "a-2", "a-3", "a-4", "a-5"] {
        hut.verified(id, 0, "; signed by ada@hut");
    }
    // Not checked, and why.
    hut.configure("");
    hut.verified("a-1", 0, "signed, by whom is not checked: no allowed-signers");
    hut.configure("allowed-signers = \"signers\"\nprogram = \"/nowhere/ssh-keygen\"");
    hut.verified("a-1", 0, "; signed, not checked: /nowhere/ssh-keygen cannot be run");
    // What is not whole is not signed.
    hut.configure("");
    hut.close("b-1");
    hut.configure("key = \"lot-key\"");
    std::fs::write(hut.file("b-1", "lot.toml"), "x").unwrap();
    assert_eq!(hut.lot(&["sign", "b-1"]).0, Some(65));
}

/// It said that no key is configured, though one was named: the daemon had begun
/// before.
#[test]
fn a_daemon_that_began_without_the_key_wants_a_restart() {
    let hut = Hut::new();
    hut.configure("key = \"gone\"");
    hut.close("a-1");
    hut.configure("key = \"lot-key\"");
    let data = hut.path().join("data");
    let hold = Hold::take(&data).unwrap().unwrap();
    let (mut lots, _) = Lots::open(Arc::new(Disk), &data, Dairy::default()).unwrap();
    let (code, _, err) = std::thread::scope(|scope| {
        let asking = scope.spawn(|| hut.lot(&["sign", "a-1"]));
        let inbox = Inbox::of(&Disk, &data).unwrap();
        while !asking.is_finished() {
            for w in inbox.waiting().unwrap() {
                inbox.answer(&w.name, &Answer::of(lots.apply(&w.request.unwrap()).as_ref())).unwrap();
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        asking.join().unwrap()
    });
    assert!(code == Some(78) && err.contains("restart it"), "{code:?} {err}");
    drop(hold);
    assert_eq!(hut.lot(&["sign", "a-1"]).0, Some(0));
}

/// The record thread waited for all that held the program's pipes.
#[test]
fn what_the_program_left_running_is_not_waited_for() {
    let hut = Hut::new();
    // What it leaves gives up by itself in the end, and says so.
    let program = "#!/bin/sh\n(n=0; until [ -e closed ]; do sleep 0.1; n=$((n+1)); \
         if [ $n -gt 250 ]; then touch gave-up; exit; fi; done) &\nexec ssh-keygen \"$@\"\n";
    let wrapper = hut.path().join("wrapper");
    std::fs::write(&wrapper, program).unwrap();
    std::fs::set_permissions(&wrapper, std::fs::Permissions::from_mode(0o755)).unwrap();
    hut.configure("key = \"lot-key\"\nallowed-signers = \"signers\"\nprogram = \"./wrapper\"");
    hut.close("2026-07-14-1");
    assert!(!hut.path().join("gave-up").exists(), "it was waited for until it gave up");
    std::fs::write(hut.path().join("closed"), "").unwrap();
    assert!(hut.file("2026-07-14-1", "SHA256SUMS.sig").exists());
}
