//! The service unit is one that systemd takes, and leaves little exposed.

#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)] // a test may end here

use support::lot_command;

use std::path::Path;
use std::process::Command;

fn folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("systemd")
}

/// Runs `systemd-analyze` on a copy of the unit that starts this very build.
fn analyze(args: &[&str]) -> (bool, String) {
    let dir = tempfile::tempdir().unwrap();
    let unit = std::fs::read_to_string(folder().join("curdtrace.service")).unwrap();
    let unit = unit.replace("/usr/local/bin/curdtrace", env!("CARGO_BIN_EXE_curdtrace"));
    let path = dir.path().join("curdtrace.service");
    std::fs::write(&path, unit).unwrap();
    let out = Command::new("systemd-analyze")
        .args(args)
        .arg(&path)
        .env("SYSTEMD_COLORS", "0")
        .output()
        .unwrap_or_else(|e| panic!("systemd-analyze does not start ({e}); apt-get install systemd"));
    let said = String::from_utf8_lossy(&out.stdout).into_owned() + &String::from_utf8_lossy(&out.stderr);
    (out.status.success(), said)
}

#[test]
fn systemd_takes_the_unit_without_a_word() {
    let (good, said) = analyze(&["verify", "--man=no"]);
    let about_us: Vec<&str> = said.lines().filter(|l| l.contains("curdtrace")).collect();
    assert!(good && about_us.is_empty(), "{said}");
}

#[test]
fn the_exposure_is_two_of_ten_at_most() {
    // The threshold counts tenths.
    let (good, said) = analyze(&["security", "--offline=true", "--threshold=20"]);
    println!("{}", said.lines().last().unwrap_or_default());
    assert!(good, "{said}");
    assert!(said.contains("Overall exposure level"), "{said}");
}

/// The unit's own promises that no analysis looks at.
#[test]
fn it_is_restarted_when_it_hangs_and_not_for_a_faulty_configuration() {
    let unit = std::fs::read_to_string(folder().join("curdtrace.service")).unwrap();
    for line in ["Type=notify", "Restart=always", "RestartPreventExitStatus=78", "StartLimitIntervalSec=0"] {
        assert!(unit.lines().any(|l| l == line), "no {line}");
    }
    let start = unit.lines().find_map(|l| l.strip_prefix("TimeoutStartSec=")).unwrap();
    assert_eq!(start, "10min", "a start is not killed while it reads the recent past from a slow card");
    let watchdog = unit.lines().find_map(|l| l.strip_prefix("WatchdogSec=")).unwrap();
    let seconds: u32 = watchdog.trim_end_matches('s').parse().unwrap();
    assert!(seconds <= 30, "a blocked daemon is restarted within 30 s");
}

/// A command under `sudo` made its folders and files root's own: the daemon, under a user of
/// its own, could neither take what was asked nor close a lot any more.
#[test]
fn what_root_makes_in_the_daemons_folder_is_the_daemons() {
    use std::os::unix::fs::{MetadataExt as _, chown};
    if !rustix::process::geteuid().is_root() {
        println!("not looked at: only root can make what another owns");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    std::fs::create_dir(&data).unwrap();
    chown(&data, Some(61_234), Some(61_235)).unwrap();
    for args in [
        &["open", "--past", "--id", "a-1", "--product", "tomme", "--by", "ada"][..],
        &["set", "a-1", "milk.litres=80", "--by", "ada"],
        &["close", "a-1", "--by", "ada"],
        &["correct", "a-1", "product=scree", "--by", "ada", "--reason", "misread"],
    ] {
        lot_command::well(dir.path(), &[args, &["--data", "data"]].concat());
    }
    let (mut looked, mut folders) = (0, vec![data]);
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap().flatten() {
            let of = entry.metadata().unwrap();
            assert_eq!((of.uid(), of.gid()), (61_234, 61_235), "{}", entry.path().display());
            looked += 1;
            folders.extend(of.is_dir().then(|| entry.path()));
        }
    }
    assert!(looked > 10, "{looked}");
}

/// An answer alone says that its request was carried out: only the daemon, which looks
/// whether the request is there still, may throw it away.
#[test]
fn nothing_is_thrown_away_by_its_age() {
    let folders = std::fs::read_to_string(folder().join("curdtrace.tmpfiles")).unwrap();
    for line in folders.lines().filter(|l| !l.starts_with('#')) {
        assert_eq!(line.split_whitespace().nth(5), Some("-"), "{line}");
    }
}

/// Two runs within one start of the machine share its monotonic clock; a unit
/// that hides `/proc/sys` makes two boots of them.
#[test]
fn it_sees_which_start_of_the_machine_it_runs_in() {
    let unit = std::fs::read_to_string(folder().join("curdtrace.service")).unwrap();
    let hides = |l: &str| l.starts_with("ProcSubset=pid") || l.contains("InaccessiblePaths=/proc");
    assert!(!unit.lines().any(hides), "the boot id is hidden");
    let clock = curdtrace::daemon::clock::Clock::real();
    assert!(clock.boot_id().is_some(), "the daemon does not find the boot id where the unit leaves it");
}

/// Every rule is `KEY[{part}] operator "value"`, separated by commas: what the
/// rules' language allows.
#[test]
fn udev_rules_are_well_formed() {
    let rules = std::fs::read_to_string(folder().join("60-curdtrace.rules")).unwrap();
    let mut labels = Vec::new();
    let mut jumps = Vec::new();
    for line in rules.lines().filter(|l| !l.is_empty() && !l.starts_with('#')) {
        for term in line.split(", ") {
            let at = term.find(['=', '!', '+']).unwrap_or_else(|| panic!("no operator in {term}"));
            let (key, rest) = term.split_at(at);
            let value = rest.trim_start_matches(['=', '!', '+']);
            assert!(key.chars().next().is_some_and(|c| c.is_ascii_uppercase()), "{term}");
            assert!(value.starts_with('"') && value.ends_with('"') && value.len() >= 2, "{term}");
            match key {
                "LABEL" => labels.push(value.to_string()),
                "GOTO" => jumps.push(value.to_string()),
                _ => {}
            }
        }
    }
    assert!(jumps.iter().all(|j| labels.contains(j)), "a jump to nowhere");
}

/// What a hung supervisor would see, end to end: the daemon says that it is
/// ready, goes on saying that it lives, and says when it stops.
#[test]
fn the_daemon_tells_its_supervisor() {
    use std::os::unix::net::UnixDatagram;
    use std::time::Duration;
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("c.toml"), "[dairy]\ndata = \"data\"\n").unwrap();
    let socket = dir.path().join("notify");
    let supervisor = UnixDatagram::bind(&socket).unwrap();
    supervisor.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .args(["run", "--config", "c.toml"])
        .current_dir(dir.path())
        .env_remove("CURDTRACE_DATA")
        .env("NOTIFY_SOCKET", &socket)
        .env("WATCHDOG_USEC", "600000")
        .spawn()
        .unwrap();
    let mut heard = Vec::new();
    let mut word = [0; 256];
    while heard.iter().filter(|w: &&String| w.starts_with("WATCHDOG=1")).count() < 2 && heard.len() < 20 {
        let n = supervisor.recv(&mut word).unwrap();
        heard.push(String::from_utf8_lossy(&word[..n]).into_owned());
    }
    assert!(heard[0].starts_with("READY=1"), "{heard:?}");
    let pid = rustix::process::Pid::from_child(&child);
    rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(0));
    loop {
        let n = supervisor.recv(&mut word).unwrap_or_else(|e| panic!("no STOPPING: {e}"));
        if word[..n].starts_with(b"STOPPING=1") {
            break;
        }
    }
}
