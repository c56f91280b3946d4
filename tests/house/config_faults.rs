//! Every fault of a configuration is named at once, with file, line and
//! remedy; every shipped file is good; no device is touched.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use curdtrace::config::{dairy, plan};

fn check(args: &[&str], folder: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .arg("check")
        .args(args)
        .current_dir(folder)
        .env_remove("CURDTRACE_CONFIG")
        .env_remove("CURDTRACE_DATA")
        .output()
        .unwrap()
}

fn errors(out: &Output) -> String {
    String::from_utf8(out.stderr.clone()).unwrap()
}

/// The line, from 1, on which `needle` first stands.
fn line_of(text: &str, needle: &str) -> usize {
    text.lines().position(|l| l.contains(needle)).map(|n| n + 1).unwrap()
}

/// The plan's faults were not told where the configuration is missing.
#[test]
fn a_file_that_is_missing_hides_no_fault_of_the_other() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("bad.toml"), "reaction-s = -3\n").unwrap();
    let out = check(&["--plan", "bad.toml", "--config", "missing.toml"], folder.path());
    let said = errors(&out);
    assert_eq!(out.status.code(), Some(78), "{said}");
    assert!(said.contains("bad.toml:1: ") && said.contains("no configuration at missing.toml"), "{said}");
}

/// What stands below a header that is torn was called unknown to the file.
#[test]
fn a_torn_header_is_one_fault() {
    let folder = tempfile::tempdir().unwrap();
    for (text, faults) in [
        ("[dairy\nname = \"Hut\"\n", 1),
        ("[dairy]\nname = \"Hut\"\n[web\nlisten = \"127.0.0.1:8080\"\n[dairi]\nx = 1\n", 2),
        ("[[probe]]\nname = \"milk\"\nkettel = \"big\"\n[web\n", 2),
    ] {
        std::fs::write(folder.path().join("c.toml"), text).unwrap();
        let out = check(&["--config", "c.toml"], folder.path());
        let said = errors(&out);
        assert_eq!(out.status.code(), Some(78), "{said}");
        assert_eq!(said.lines().filter(|l| l.contains("c.toml:")).count(), faults, "{text}{said}");
    }
}

#[test]
fn six_different_faults_are_all_named_with_line_and_remedy() {
    let folder = tempfile::tempdir().unwrap();
    let text = r#"# a hut's configuration, with seven faults
[dairy]
name = "Hut"
time-zone = "Mars/Olympus"

[[kettle]]
name = "big"
plan = "absent.toml"

[[serial]]
name = "box"
port = "/dev/serial/by-id/none"
baud = "fast"
format = "frame"

[[mqtt]]
name = "broker"
host = "127.0.0.1"
keep-alive-s = 0

[[mqtt.subscribe]]
topic = "dairy/+/t"
payload = "number"

[jurnal]
group-seconds = 1
"#;
    std::fs::write(folder.path().join("c.toml"), text).unwrap();
    let out = check(&["--config", "c.toml"], folder.path());
    let said = errors(&out);
    assert_eq!(out.status.code(), Some(78), "{said}");
    assert!(out.stdout.is_empty());
    for (needle, says, remedy) in [
        ("Mars/Olympus", "not known", "Europe/Zurich"),
        ("absent.toml", "is not there", "mend the path"),
        ("baud", "baud = \"fast\" is no number", "300 to 4000000"),
        ("format = \"frame\"", "did you mean frames?", "max31855-hex"),
        ("keep-alive-s", "keep-alive-s = 0 cannot be", "2 to 600 s"),
        ("dairy/+/t", "is none", "write {probe}"),
        ("[jurnal]", "knows no jurnal", "did you mean journal?"),
    ] {
        let at = format!("c.toml:{}: ", line_of(text, needle));
        let line = said.lines().find(|l| l.contains(&at) && l.contains(says));
        let line = line.unwrap_or_else(|| panic!("no line {at}…{says} in\n{said}"));
        assert!(line.contains(remedy), "{line} has no remedy {remedy}");
    }
}

#[test]
fn faults_of_the_plans_a_configuration_names_come_with_their_own_file() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("p.toml"), "[[stage]]\nkind = \"baking\"\n").unwrap();
    let text = "[[kettle]]\nname = \"a\"\nplan = \"p.toml\"\n[[kettle]]\nname = \"a\"\nplan = \"p.toml\"\n";
    std::fs::write(folder.path().join("c.toml"), text).unwrap();
    let said = errors(&check(&["--config", "c.toml"], folder.path()));
    assert!(said.contains("c.toml:5: name = \"a\" stands twice"), "{said}");
    assert_eq!(said.matches("p.toml:2: kind = \"baking\" is not known").count(), 1, "{said}");
}

/// What keeps no daemon from running is a fault for `check` alone.
#[test]
fn faults_that_are_sure_are_named_at_their_line() {
    let folder = tempfile::tempdir().unwrap();
    let text = r#"[[mqtt]]
name = "hut"
host = "127.0.0.1"
publish-under = "dairy"
credentials = "gone.toml"
[[modbus]]
name = "line"
address = "127.0.0.1:502"
[[modbus.register]]
probe = "milk"
address = 0
[[modbus.register]]
probe = "milk"
address = 1
[[outlet]]
name = "bell"
url = "http://127.0.0.1:9/x"
body = "{kettle}: {words}"
[[outlet]]
name = "other"
url = "http://127.0.0.1:9/x"
body = '{"now": {celsius}, "words": "{words}"}'
[[outlet]]
name = "plain"
url = "http://127.0.0.1:9/x"
body = "{kettle}: {words}"
content-type = "text/plain"
"#;
    let path = folder.path().join("c.toml");
    std::fs::write(&path, text).unwrap();
    let said = errors(&check(&["--config", "c.toml"], folder.path()));
    for (line, what) in [
        (5, "the credentials file ./gone.toml is not there"),
        (13, "probe = \"milk\" has a register already, on \"line\""),
        (18, "body goes out as JSON and is none"),
    ] {
        assert!(said.contains(&format!("c.toml:{line}: {what}")), "{line} in\n{said}");
    }
    assert!(said.contains("3 faults"), "{said}");
    let only = text.replace("credentials = \"gone.toml\"\n", "");
    std::fs::write(&path, only).unwrap();
    assert!(dairy::read(&path).is_ok(), "the daemon runs with these");
}

/// They were told last, without file and line, and only where all else was well.
#[test]
fn faults_of_the_signing_files_are_named_with_the_others() {
    let folder = tempfile::tempdir().unwrap();
    let signing = "[signing]\nkey = \"nokey\"\nallowed-signers = \"nosigners\"\n";
    for (before, faults) in [("[dairy]\nname = \"x\"\n", 2), ("[dairy]\nname = \"\"\n", 3)] {
        std::fs::write(folder.path().join("c.toml"), format!("{before}{signing}")).unwrap();
        let out = check(&["--config", "c.toml"], folder.path());
        let said = errors(&out);
        assert_eq!(out.status.code(), Some(78), "{said}");
        assert!(out.stdout.is_empty(), "a faulty file is not told as well");
        assert!(said.contains(&format!("{faults} faults")), "{said}");
        assert!(said.contains("c.toml:4: key = ./nokey: is not there; ssh-keygen -t ed25519"), "{said}");
        assert!(
            said.contains("c.toml:5: allowed-signers = ./nosigners: is not there; write a line"),
            "{said}"
        );
        // Lots are sealed all the same: it keeps no daemon from running.
        assert_eq!(dairy::read(&folder.path().join("c.toml")).is_ok(), faults == 2);
    }
}

#[test]
fn a_fault_says_once_what_is_wanted_and_names_its_section_whole() {
    let text = r#"
[dairy]
data = 5
[[serial]]
name = "a"
port = "/dev/ttyX"
answers = 1
[web]
hosts = "a"
[limits]
probes = "many"
[[mqtt]]
name = "b"
host = "h"
subscribe = 5
[[modbus]]
name = "m"
[[modbus.register]]
table = "coil"
"#;
    let faults = dairy::parse(text, "c.toml", Path::new(".")).unwrap_err();
    let said = curdtrace::config::fault::listed(&faults);
    for line in [
        "c.toml:3: data = 5 is no text; write data = \"…\", in double quotes",
        "c.toml:7: answers = 1 is no truth value; write true or false, without quotes",
        "c.toml:9: hosts = \"a\" is no list of texts; write hosts = [\"a\", \"b\"]",
        "c.toml:11: probes = \"many\" is no number; write a number from 1 to 1000 probes",
        "c.toml:15: subscribe = 5 is no list of sections; head each [[mqtt.subscribe]]",
    ] {
        assert!(said.lines().any(|l| l == line), "no {line} in\n{said}");
    }
    assert!(said.contains("c.toml:18: [[modbus.register]] number 1 has no probe"), "{said}");
    let minutes = plan::parse("[[stage]]\nkind = \"setting\"\nminutes = -35\n", "p.toml").unwrap_err();
    assert_eq!(
        minutes[0].to_string(),
        "p.toml:3: minutes = -35 cannot be; write a number above 0, up to 4320 minutes"
    );
}

#[test]
fn a_plan_alone_is_checked_and_a_good_one_passes() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("p.toml"), "[[stage]]\nkind = \"cooking\"\nto-celsius = 41\n").unwrap();
    let out = check(&["--plan", "p.toml"], folder.path());
    assert_eq!(out.status.code(), Some(0), "{}", errors(&out));
    assert!(String::from_utf8_lossy(&out.stdout).contains("1 stage"));
    std::fs::write(folder.path().join("p.toml"), "[[stage]]\nkind = \"cooking\"\nto-celsius = 410\n")
        .unwrap();
    let out = check(&["--plan", "p.toml"], folder.path());
    assert_eq!(out.status.code(), Some(78));
    assert!(errors(&out).contains("p.toml:3: to-celsius = 410 cannot be"), "{}", errors(&out));
}

#[test]
fn no_configuration_at_all_is_said_with_where_it_was_looked_for() {
    let folder = tempfile::tempdir().unwrap();
    if Path::new("/etc/curdtrace/curdtrace.toml").exists() {
        return;
    }
    let out = check(&[], folder.path());
    assert_eq!(out.status.code(), Some(66));
    assert!(errors(&out).contains("curdtrace.toml"), "{}", errors(&out));
}

#[test]
fn a_broker_that_would_make_the_client_panic_is_a_fault() {
    // rumqttc panics on a keep-alive under a second and on an empty id with a
    // kept session; both were seen by trying.
    for (key, says) in [("client-id = \"\"", "is empty"), ("keep-alive-s = 0.5", "cannot be")] {
        let text = format!("[[mqtt]]\nname = \"b\"\nhost = \"h\"\n{key}\npublish-under = \"c\"\n");
        let faults = dairy::parse(&text, "c.toml", Path::new(".")).unwrap_err();
        assert_eq!(faults.len(), 1, "{faults:?}");
        assert_eq!(faults[0].line, 4);
        assert!(faults[0].to_string().contains(says), "{}", faults[0]);
    }
}

#[test]
fn every_shipped_file_is_good() {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("config");
    let config = dairy::read(&root.join("curdtrace.toml")).unwrap_or_else(|f| panic!("{f:#?}"));
    assert_eq!(config.kettles.len(), 2);
    assert!(config.kettles.iter().all(|k| k.plan.is_some()));
    assert_eq!(config.serial[0].probes["0"], "big-kettle".into());
    assert_eq!(config.brokers[0].subscriptions.len(), 2);
    let mut families = 0;
    for entry in std::fs::read_dir(root.join("plans")).unwrap() {
        let path = entry.unwrap().path();
        let p = plan::read(&path).unwrap_or_else(|f| panic!("{f:#?}"));
        assert!(p.stages.len() >= 5, "{}", path.display());
        assert_eq!(plan::parse(&plan::write(&p), "again").unwrap(), p, "{}", path.display());
        families += 1;
    }
    assert!(families >= 6, "six families of cheese are promised");
}

/// What the example says is off is tried too: a comment that would not be
/// taken is worse than none.
#[test]
fn every_line_that_is_switched_off_in_the_example_is_good() {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("config");
    let text = std::fs::read_to_string(root.join("curdtrace.toml")).unwrap();
    let key = |l: &str| {
        let l = l.trim_start_matches("# ");
        l.starts_with("[[") || l.split_once(" = ").is_some_and(|(k, _)| !k.contains(' '))
    };
    let on: Vec<&str> = text
        .lines()
        .filter(|l| !l.starts_with("# credentials"))
        .map(|l| if l.starts_with("# ") && key(l) { &l[2..] } else { l })
        .collect();
    let config = dairy::parse(&on.join("\n"), "all on", &root).unwrap_or_else(|f| panic!("{f:#?}"));
    assert_eq!(config.serial.len(), 2);
}

#[test]
fn a_page_that_nobody_could_reach_behind_its_proxy_is_a_fault() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("c.toml");
    let faults = |web: &str| {
        std::fs::write(&path, format!("[dairy]\ndata = \"data\"\n[web]\n{web}\n")).unwrap();
        match dairy::read(&path) {
            Ok(config) => (config.web.proxied, String::new()),
            Err(faults) => (false, curdtrace::config::fault::listed(&faults)),
        }
    };
    assert_eq!(faults("listen = \"127.0.0.1:8080\""), (false, String::new()));
    assert_eq!(faults("proxied = true\ncommand = \"pin\""), (true, String::new()));
    assert_eq!(faults("proxied = false\ncommand = \"local\"").1, "");
    let said = faults("proxied = true\ncommand = \"local\"").1;
    assert!(said.contains("c.toml:5") && said.contains("take \"pin\""), "{said}");
}
