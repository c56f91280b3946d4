//! A stranger's hour: somebody who knows only the commands opens a lot, forgets
//! it, attaches the trace the next day, corrects the rennet dose, prints the
//! sheet, hands over the stick. With nobody else holding the data folder, and
//! through the inbox while somebody does.

#![allow(clippy::unwrap_used)] // a test may end here

use support::made_day;
use support::moody_disk::MoodyDisk;
use support::storage_twin::Twin;

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Output};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use curdtrace::config::dairy::Config;
use curdtrace::daemon::lot_desk::LotDesk;
use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::lot::at::At;
use curdtrace::lot::hold::Hold;
use curdtrace::lot::inbox::{Answer, Ask, Inbox, Opening, Request};
use curdtrace::lot::life::Lots;
use made_day::{Day, dairy};

fn run(data: &Path, args: &[&str]) -> (i32, String, String) {
    let Output { status, stdout, stderr } = Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .arg("lot")
        .args(args)
        .arg("--data")
        .arg(data)
        .current_dir(data)
        .env_remove("CURDTRACE_CONFIG")
        .output()
        .unwrap();
    let text = |b: Vec<u8>| String::from_utf8(b).unwrap();
    (status.code().unwrap(), text(stdout), text(stderr))
}

fn well(data: &Path, args: &[&str]) -> String {
    let (code, out, err) = run(data, args);
    assert_eq!(code, 0, "{args:?}: {err}");
    out
}

/// A make of this time yesterday, in the journal.
fn yesterday(data: &Path) {
    let now = jiff::Timestamp::now().as_nanosecond();
    let mut day = Day::new(Arc::new(Disk), data);
    day.every_s = 20.0;
    day.make("big", "big", At(i64::try_from(now).unwrap()).plus_s(-86_400));
}

/// Whey on the fire from `began` for so many minutes, as the daemon tells it.
fn whey(day: &mut Day, kettle: &str, began: At, minutes: i64) -> At {
    for n in 0..minutes {
        let celsius = 38.0 + 48.0 * n as f64 / minutes as f64;
        let line = format!("temperature,kettle={kettle},probe={kettle} celsius={celsius:.2}");
        day.push(began.plus_s(60 * n), &line);
    }
    let (end, rest) = (began.plus_s(60 * minutes), began.plus_s(60 * minutes - 300));
    let stage = |name: &str, began: At, ended: At| {
        format!(
            r#"{{"stage":"{name}","began":"{began}","ended":"{ended}","confidence":0.98,"basis":"trace"}}"#
        )
    };
    let stages = [stage("whey-heating", began, rest), stage("whey-resting", rest, end)].join(",");
    let json =
        format!(r#"{{"kind":"make","time":"{end}","probe":"{kettle}","stages":[{stages}],"cooks":[]}}"#);
    day.said(end.plus_s(900), kettle, "make", &json);
    day.journal.commit().unwrap();
    end
}

/// Whey heated after a cheese has its cheese for a mother, also where both lots
/// are made afterwards; in another kettle, or alone, nothing is guessed.
#[test]
fn a_whey_lot_made_afterwards_knows_its_mother() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    let now = At(i64::try_from(jiff::Timestamp::now().as_nanosecond()).unwrap());
    let mut day = Day::new(Arc::new(Disk), data);
    day.every_s = 20.0;
    let (_, ended) = day.make("big", "big", now.plus_s(-30_000));
    let alone = ended.plus_s(600);
    whey(&mut day, "small", alone, 40);
    let of_big = alone.plus_s(2700);
    whey(&mut day, "big", of_big, 40);
    drop(day);
    let make = |began: At| {
        let began = began.to_string();
        format!("{} {}", &began[..10], &began[11..16])
    };
    let attach = |began: At, kettle: &str, more: &[&str]| {
        let make = make(began);
        run(data, &[&["attach", "new", "--make", &make, "--kettle", kettle, "--by", "Ada"], more].concat())
    };
    let lot = |said: &str| said.split_whitespace().nth(1).unwrap().to_owned();
    // Before the cheese has its lot nothing is known, and that is said.
    let (code, said, err) = attach(alone, "small", &[]);
    assert_eq!(code, 0, "{err}");
    assert!(err.contains("no lot of the cheese before it is known"), "{err}");
    let alone_lot = lot(&said);
    let cheese = lot(&well(data, &["attach", "new", "--make", &make(now.plus_s(-30_000)), "--by", "Ada"]));
    let (code, said, err) = attach(of_big, "big", &[]);
    assert_eq!(code, 0, "{err}");
    assert!(said.contains(&format!("it is made of the whey of {cheese}")), "{said}");
    let ricotta = lot(&said);
    let shown = well(data, &["show", &ricotta]);
    assert!(shown.contains(&format!("the lot whose whey it is made of: {cheese}")), "{shown}");
    assert!(well(data, &["origin", &ricotta]).contains(&format!("lot {cheese} of ")));
    let fate = well(data, &["fate", &cheese]);
    assert!(fate.contains(&ricotta) && !fate.contains(&alone_lot), "{fate}");
    assert!(!well(data, &["show", &alone_lot]).contains("whose whey"));
    // It was given the last make of any kettle.
    let own = well(data, &["attach", &alone_lot, "--make", "last", "--by", "Ada"]);
    assert!(own.contains("has these readings of probe small already"), "{own}");
    // A person names it: to a new lot, or to one that is there.
    let (from, to) = (make(alone), make(alone.plus_s(600)));
    let stretch = ["--since", &from, "--until", &to, "--kettle", "small", "--mother", &cheese, "--by", "Ada"];
    let (code, said, err) = run(data, &[&["attach", "new"], &stretch[..]].concat());
    assert_eq!(code, 0, "{err}");
    assert!(said.contains(&format!("it is made of the whey of {cheese}")), "{said}");
    let (code, _, err) = attach(alone, "small", &["--mother", &cheese]);
    assert!(code == 65 && err.contains(&format!("is lot {alone_lot} already")), "{err}");
    let nobody =
        ["attach", "new", "--since", &from, "--until", &to, "--kettle", "small", "--mother", "nobody"];
    let (code, _, err) = run(data, &nobody);
    assert!(code == 66 && err.contains("there is no lot nobody"), "{err}");
    let args = ["attach", &alone_lot, "--make", "last", "--mother", &cheese, "--by", "Ada"];
    let (code, _, err) = run(data, &args);
    assert!(code == 64 && err.contains(&format!("lot set {alone_lot} mother={cheese}")), "{err}");
    assert!(well(data, &["verify"]).lines().all(|l| l.contains("as it was closed")));
}

#[test]
fn a_strangers_hour() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    yesterday(data);
    let opened =
        well(data, &["open", "--past", "--kettle", "big", "--by", "Ada", "--set", "rennet.dose-ml=32"]);
    let lot = opened.split_whitespace().nth(1).unwrap().to_owned();
    assert!(well(data, &["list"]).contains("open"));
    let attached = well(data, &["attach", &lot, "--make", "last", "--by", "Ada"]);
    assert!(attached.contains("readings of probe big more"), "{attached}");
    // A probe that there is not: what there is instead is named.
    let wrong = ["attach", &lot, "--probe", "milk", "--since", "2020-01-01", "--until", "2099-01-01"];
    let (code, _, err) = run(data, &wrong);
    assert!(code == 66 && err.contains("probe milk") && err.contains("it has readings of big then"), "{err}");
    let closed = well(data, &["close", &lot, "--by", "Ada"]);
    let folder = closed.lines().last().unwrap();
    assert!(Path::new(folder).join("SHA256SUMS").is_file());

    let (code, _, err) = run(data, &["set", &lot, "rennet.dose-ml=35", "--by", "Ada"]);
    assert!(code == 64 && err.contains("--reason"), "{err}");
    well(data, &["correct", &lot, "rennet.dose-ml=35", "--by", "Ada", "--reason", "misread the cup"]);
    well(data, &["wheel", &lot, "1=14,5", "2=14.1", "--by", "Bruno"]);
    well(data, &["milking", &lot, "monday-evening", "--litres", "320", "--by", "Bruno"]);
    let french = well(data, &["sheet", &lot, "--language", "fr"]);
    assert!(french.contains("<html lang=\"fr\">") && french.contains("Feuille de fabrication"), "{french}");
    let (code, _, err) = run(data, &["sheet", &lot, "--language", "nl"]);
    assert!(code == 64 && err.contains("en, it, de, fr"), "{err}");
    let shown = well(data, &["show", &lot]);
    for says in ["35.0", "from 32.0 to 35.0 by Ada: misread the cup", "cooking", "monday-evening, 320"] {
        assert!(shown.contains(says), "{says}: {shown}");
    }
    // Times of UTC stood among local ones, and marks under their names on the wire.
    assert!(shown.contains("Rennet in by Ada"), "{shown}");
    let traces = || shown.lines().filter(|l| l.starts_with("trace: "));
    assert!(traces().count() > 0 && traces().all(|l| !l.ends_with('Z')), "{shown}");
    assert!(well(data, &["origin", &format!("{lot}/2")]).contains("monday-evening"));
    assert!(well(data, &["fate", "monday-evening"]).contains("wheels 1, 2 (28.6 kg)"));
    assert!(well(data, &["season", "--csv"]).contains("8.94"));
    assert!(well(data, &["sheet", &lot]).starts_with("<!DOCTYPE html>"));
    assert!(well(data, &["verify", &lot]).contains("as it was closed"));

    let stick = data.join("stick");
    let handed = well(data, &["export", &lot, "--to", stick.to_str().unwrap()]);
    assert!(handed.contains("read back and the same"), "{handed}");
    let sums = Command::new("sha256sum")
        .args(["-c", "SHA256SUMS"])
        .current_dir(stick.join("lots").join(&lot))
        .output()
        .unwrap();
    assert!(sums.status.success());
    well(data, &["export", &lot, "--to", stick.to_str().unwrap(), "--as", "tar"]);
    let tar = Command::new("tar").arg("tf").arg(stick.join(format!("{lot}.tar"))).output().unwrap();
    assert!(String::from_utf8_lossy(&tar.stdout).contains("SHA256SUMS"), "a stranger's tar reads it");
    let csv = well(data, &["export", &lot, "--as", "csv"]);
    assert!(csv.starts_with("time,probe,kettle,celsius") && csv.contains("\r\n"));
    serde_json::from_str::<serde_json::Value>(&well(data, &["export", &lot, "--as", "json"])).unwrap();
    // One file goes over none: the same is well, another is left as it is.
    let (alone, to) = (stick.join(format!("{lot}.csv")), stick.to_str().unwrap());
    for _ in 0..2 {
        well(data, &["export", &lot, "--to", to, "--as", "csv"]);
        assert_eq!(std::fs::read_to_string(&alone).unwrap(), csv);
    }
    std::fs::write(&alone, "my own notes").unwrap();
    let (code, _, err) = run(data, &["export", &lot, "--to", to, "--as", "csv"]);
    assert!(code == 65 && err.contains("is there already"), "{code} {err}");
    assert_eq!(std::fs::read_to_string(&alone).unwrap(), "my own notes");

    // A make that has its lot got another, and one more with each command.
    let (code, _, err) = run(data, &["attach", "new", "--make", "last", "--by", "Ada"]);
    assert!(code == 65 && err.contains(&format!("is lot {lot} already")), "{code} {err}");
    assert_eq!(well(data, &["list"]).lines().count(), 1);
    // The command it names does it all the same, and what was given once is said.
    let quoted: Vec<&str> = err.split('"').collect();
    let again =
        ["attach", "new", "--since", quoted[1], "--until", quoted[3], "--kettle", "big", "--by", "Ada"];
    let again = well(data, &again);
    assert!(again.contains(&format!("belongs to {lot} already")), "{again}");

    // A stick with one of two lots: the other is no fault of it. In the dairy's own folder it is.
    well(data, &["export", &lot, "--to", stick.to_str().unwrap()]);
    let checked = well(&stick, &["verify"]);
    assert!(checked.contains("not in this copy") && checked.contains("as it was closed"), "{checked}");
    std::fs::remove_dir_all(stick.join("lots").join(&lot)).unwrap();
    assert_eq!(run(&stick, &["verify", &lot]).0, 65);

    std::fs::write(Path::new(folder).join("trace.csv"), "nothing").unwrap();
    let (code, out, err) = run(data, &["verify"]);
    assert_eq!(code, 65);
    assert!(out.contains("trace.csv is not as it was closed") && err.contains("1 lot is not"), "{out}{err}");
    assert_eq!(run(data, &["verify", "no-such-lot"]).0, 66);
    assert_eq!(run(data, &["export", &lot, "--to", stick.to_str().unwrap()]).0, 65);
}

/// The second of two commands asked the first one, which answers nobody, and
/// gave up after a quarter of a minute.
#[test]
fn two_commands_at_once_are_both_carried_out() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().to_path_buf();
    well(&data, &["open", "--past", "--id", "a-1", "--kettle", "big"]);
    for (wheel, answered) in [("1=6", false), ("2=7", true)] {
        let hold = Hold::take(&data).unwrap().unwrap();
        let command = std::thread::spawn({
            let data = data.clone();
            move || well(&data, &["wheel", "a-1", wheel])
        });
        let inbox = Inbox::of(&Disk, &data).unwrap();
        let asked = loop {
            if let Some(one) = inbox.waiting().unwrap().pop() {
                break one.name;
            }
            std::thread::sleep(std::time::Duration::from_millis(5));
        };
        if answered {
            inbox.answer(&asked, &Answer { text: "done by another".into(), ..Answer::default() }).unwrap();
        }
        drop(hold);
        assert_eq!(command.join().unwrap().contains("done by another"), answered);
        assert_eq!(inbox.waiting().unwrap(), []);
    }
    // Done once, by whom it was done.
    let shown = well(&data, &["show", "a-1"]);
    assert!(shown.contains("wheel: 1, 6 kg") && !shown.contains("wheel: 2"), "{shown}");
}

#[test]
fn while_somebody_holds_the_folder_requests_go_through_the_inbox() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().to_path_buf();
    let hold = Hold::take(&data).unwrap().unwrap();
    let stop = Arc::new(AtomicBool::new(false));
    let owner = std::thread::spawn({
        let (data, stop) = (data.clone(), stop.clone());
        move || {
            let storage: Arc<dyn Storage> = Arc::new(Disk);
            let (mut lots, _) = Lots::open(storage.clone(), &data, dairy()).unwrap();
            let inbox = Inbox::of(&*storage, &data).unwrap();
            let mut answered = 0;
            while !stop.load(Ordering::SeqCst) {
                for w in inbox.waiting().unwrap() {
                    let answer = Answer::of(lots.apply(&w.request.unwrap()).as_ref());
                    inbox.answer(&w.name, &answer).unwrap();
                    answered += 1;
                }
                std::thread::sleep(std::time::Duration::from_millis(5));
            }
            answered
        }
    });
    let opened = well(&data, &["open", "--kettle", "big", "--by", "Ada"]);
    let lot = opened.split_whitespace().nth(1).unwrap().to_owned();
    well(&data, &["set", &lot, "milk.litres=320"]);
    let (code, _, err) = run(&data, &["open", "--kettle", "big", "--by", "Bruno"]);
    assert!(code == 65 && err.contains("open on kettle big already"), "{err}");
    well(&data, &["close", &lot, "--by", "Ada"]);
    assert!(well(&data, &["verify"]).contains("as it was closed"));
    stop.store(true, Ordering::SeqCst);
    assert_eq!(owner.join().unwrap(), 4);
    drop(hold);
    for folder in ["inbox", "outbox"] {
        assert_eq!(std::fs::read_dir(data.join(folder)).unwrap().count(), 0, "{folder}");
    }
}

/// The daemon read all requests before it carried out the first, and what a command
/// had taken back meanwhile, saying that it was not answered, was done all the same.
#[test]
fn what_is_withdrawn_while_others_are_carried_out_is_not_done() {
    let dir = tempfile::tempdir().unwrap();
    let disk = MoodyDisk::default();
    let config = Config { data: dir.path().into(), ..Config::default() };
    let mut desk = LotDesk::open(Arc::new(disk.clone()), &config, BTreeMap::new()).unwrap();
    let inbox = Inbox::of(&Disk, dir.path()).unwrap();
    let ask = |at, kettle: &str| {
        let opening = Opening { kettle: kettle.into(), ..Opening::default() };
        inbox.ask(&Request { at: At(at), by: None, ask: Ask::Open(opening) }, 7).unwrap()
    };
    let (first, second, third) = (ask(5, "big"), ask(6, "small"), ask(7, "tiny"));
    let (answer, away) = (dir.path().join("outbox").join(&first), dir.path().join("inbox").join(&second));
    *disk.0.taken_away.lock().unwrap() = Some((answer, away));
    desk.inbox();
    assert_eq!(desk.open_lots().keys().map(|k| &**k).collect::<Vec<_>>(), ["big", "tiny"]);
    let answered = |name| inbox.take_answer(name).unwrap().is_some();
    assert_eq!([&first, &second, &third].map(|n| answered(n)), [true, false, true]);
}

/// A request that was carried out and answered came back after a power cut, its answer
/// did not, and it was carried out again.
#[test]
fn a_power_cut_brings_no_request_back_without_its_answer() {
    let (twin, data) = (Twin::new(), Path::new("/data"));
    let inbox = Inbox::of(&twin, data).unwrap();
    let ask = |at| {
        let close = Ask::Close { lot: "a-1".into() };
        inbox.ask(&Request { at: At(at), by: None, ask: close }, 7).unwrap()
    };
    let (first, second) = (ask(5), ask(6));
    inbox.answer(&first, &Answer::default()).unwrap();
    assert!(inbox.take_answer(&first).unwrap().is_some());
    // What keeps this answer keeps that the first is gone.
    inbox.answer(&second, &Answer::default()).unwrap();
    let after = Twin::of(&twin.moment().durable);
    let waiting = Inbox::of(&after, data).unwrap().waiting().unwrap();
    assert!(waiting.is_empty(), "{waiting:?}");
}
