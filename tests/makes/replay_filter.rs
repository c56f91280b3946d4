//! Promises of `replay` as a filter: one line is one line whatever its length,
//! every reading is answered with its own probe's number, the kettle file is
//! there when the input ends, and a packed day reads as it did.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use serde_json::Value;

fn replay(args: &[&str], input: &[u8]) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .arg("replay")
        .args(args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let (mut to, input) = (child.stdin.take().unwrap(), input.to_owned());
    // One that refuses to start does not read either.
    let fed = std::thread::spawn(move || drop(to.write_all(&input)));
    let out = child.wait_with_output().unwrap();
    fed.join().unwrap();
    out
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_owned()).unwrap()
}

/// The `reading` events, as (probe, celsius, health, reason).
fn readings(input: &str) -> Vec<(String, Option<f64>, String, String)> {
    let out = replay(&["--readings"], input.as_bytes());
    assert!(out.status.success(), "{}", text(&out.stderr));
    let of = |v: &Value, name: &str| v[name].as_str().unwrap_or_default().to_owned();
    text(&out.stdout)
        .lines()
        .map(|l| serde_json::from_str::<Value>(l).unwrap())
        .filter(|v| v["kind"] == "reading")
        .map(|v| (of(&v, "probe"), v["celsius"].as_f64(), of(&v, "health"), of(&v, "reason")))
        .collect()
}

fn packed(folder: &Path, text: &[u8]) -> Vec<u8> {
    std::fs::write(folder.join("day.lp"), text).unwrap();
    let out = Command::new("gzip").args(["-c", "day.lp"]).current_dir(folder).output().unwrap();
    assert!(out.status.success());
    out.stdout
}

#[test]
fn a_long_line_is_one_line_and_its_refusal_short() {
    let (comment, junk) = (format!("# {}", "c".repeat(70_000)), "x".repeat(3_000_000));
    let good = |n: u32| format!("temperature,probe=k celsius=20 175246512{n}500000000");
    let input = format!("{}\n{comment}\nbad line\n{junk}\n{junk} x=1\n{}\n", good(1), good(2));
    let out = replay(&["--readings"], input.as_bytes());
    let said = text(&out.stderr);
    assert_eq!(out.status.code(), Some(65), "{said}");
    assert_eq!(text(&out.stdout).matches("\"kind\":\"reading\"").count(), 2);
    let numbers: Vec<&str> =
        said.lines().filter_map(|l| l.strip_prefix("line ")?.split(':').next()).collect();
    assert_eq!(numbers, ["3", "4", "5"], "{said:.900}");
    assert!(said.contains("3 lines were refused"), "{said:.900}");
    assert!(said.lines().all(|l| l.len() < 400), "{said:.900}");
}

#[test]
fn a_second_probe_is_told_by_its_own_number_and_health() {
    let at = |n: u64| 1_752_465_129_500_000_000 + n * 500_000_000;
    let (mut input, broken) = (String::new(), "health=\"failure\",reason=\"wire\"");
    let phases = [("celsius=20", "celsius=60"), (broken, "celsius=60"), ("celsius=20", broken)];
    let say = |probe: &str, what: &str, n| format!("temperature,probe={probe},kettle=big {what} {}\n", at(n));
    for (p, (a, b)) in (0..).zip(phases) {
        for n in 0..8 {
            input += &(say("a", a, p * 16 + 2 * n) + &say("b", b, p * 16 + 2 * n + 1));
        }
    }
    let seen = readings(&input);
    assert_eq!(seen.len(), 48);
    let good = |probe: &str, c| (probe.to_owned(), Some(c), "good".to_owned(), String::new());
    let failed = |probe: &str| (probe.to_owned(), None, "failure".to_owned(), "wire".to_owned());
    assert_eq!(&seen[12..16], [good("a", 20.0), good("b", 60.0), good("a", 20.0), good("b", 60.0)]);
    let pairs: Vec<_> = (0..8).flat_map(|_| [failed("a"), good("b", 60.0)]).collect();
    assert_eq!(seen[16..32], pairs);
    let b: Vec<_> = seen[32..].iter().filter(|r| r.0 == "b").cloned().collect();
    assert_eq!(b, vec![failed("b"); 8]);
    assert_eq!(seen[46].1, Some(20.0));
}

/// A value that a digital sensor has after power-on is no number, of whichever probe.
#[test]
fn a_second_probe_is_judged_as_the_first_one_is() {
    let line = |probe, celsius, n| {
        format!(
            "temperature,probe={probe},kettle=big celsius={celsius} {}\n",
            1_752_465_129_000_000_000u64 + n
        )
    };
    let seen = readings(&(line("a", 20.0, 0) + &line("b", 85.0, 1) + &line("b", -200.0, 2)));
    assert!(seen[1..].iter().all(|r| r.1.is_none() && r.2 == "failure"), "{seen:?}");
}

/// A probe that was put into another kettle is told by that one.
#[test]
fn a_probe_that_moved_is_not_told_by_its_old_kettle() {
    let line = |kettle, celsius, n: u64| {
        let at = 1_752_465_129_000_000_000 + n * 1_000_000_000;
        format!("temperature,probe=p,kettle={kettle} celsius={celsius} {at}\n")
    };
    let seen = readings(
        &((0..5).map(|n| line("a", 20, n)).chain((5..15).map(|n| line("b", 30, n))).collect::<String>()),
    );
    assert_eq!((seen[4].1, seen[14].1), (Some(20.0), Some(30.0)), "{seen:?}");
}

#[test]
fn the_kettle_file_is_there_when_the_input_ends() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("k.toml");
    let path = file.to_str().unwrap();
    let one = b"temperature,probe=k celsius=20 1752465129500000000\n";
    for input in [&b""[..], one] {
        assert!(replay(&["--kettle", path], input).status.success());
        let first = std::fs::read_to_string(&file).unwrap();
        assert!(first.contains("makes = 0"), "{first}");
        // What was known stays.
        std::fs::write(&file, first.replace("makes = 0", "makes = 7")).unwrap();
        assert!(replay(&["--kettle", path], input).status.success());
        assert!(std::fs::read_to_string(&file).unwrap().contains("makes = 7"));
        std::fs::remove_file(&file).unwrap();
    }
    let nowhere = dir.path().join("none/k.toml");
    assert_eq!(replay(&["--kettle", nowhere.to_str().unwrap()], one).status.code(), Some(74));
}

#[test]
fn a_packed_day_and_one_with_a_byte_order_mark_read_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let line =
        |s: u64| format!("temperature,probe=k celsius=20 {}", 1_752_465_129_000_000_000 + s * 1_000_000_000);
    let day = (0..200).map(line).collect::<Vec<_>>().join("\n");
    let plain = replay(&["--readings"], day.as_bytes());
    assert_eq!(text(&plain.stdout).lines().count(), 200);
    let gz = packed(dir.path(), day.as_bytes());
    let file = dir.path().join("day.lp.gz");
    std::fs::write(&file, &gz).unwrap();
    for out in [
        replay(&["--readings"], &gz),
        replay(&["--readings", file.to_str().unwrap()], b""),
        replay(&["--readings"], format!("\u{feff}{day}").as_bytes()),
    ] {
        assert!(out.status.success(), "{}", text(&out.stderr));
        assert_eq!(out.stdout, plain.stdout);
    }
    let torn = replay(&["--readings"], &gz[..gz.len() - 20]);
    assert_eq!(torn.status.code(), Some(65));
    let said = text(&torn.stderr);
    assert!(said.contains("standard input cannot be unpacked") && said.lines().count() == 1, "{said}");
}
