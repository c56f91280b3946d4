//! Promise: `/api/v1` is what its description says: every route is described,
//! every described answer comes, and every body has the described shape.

#![allow(clippy::unwrap_used)] // a test may end here

use support::page_room;

use std::collections::BTreeSet;
use std::sync::Arc;

use curdtrace::engine::alarm::AlarmKind;
use curdtrace::engine::event::{Ask, MarkKind, Name};
use curdtrace::engine::probe::Health;
use curdtrace::engine::view::KettleView;
use curdtrace::web::seam::{Snapshot, Wish};
use page_room::PageRoom;
use serde_json::Value;

mod described;
use described::*;
mod entries;

fn description() -> Value {
    serde_json::from_str(include_str!("../../src/web/api/openapi.json")).unwrap()
}

/// Every route that the code declares, from its source.
fn routes() -> BTreeSet<String> {
    let mut out = BTreeSet::new();
    for (source, prefix) in [
        (include_str!("../../src/web/api/mod.rs"), "/api/v1"),
        (include_str!("../../src/web/metrics.rs"), ""),
    ] {
        for part in source.split(".route(\"").skip(1) {
            out.insert(format!("{prefix}{}", part.split('"').next().unwrap()));
        }
    }
    out
}

#[test]
fn every_route_is_described_and_every_described_one_is_there() {
    let described: BTreeSet<String> = description()["paths"].as_object().unwrap().keys().cloned().collect();
    assert_eq!(routes(), described);
}

#[tokio::test]
async fn what_is_known_has_the_described_shape() {
    let c = contract().await;
    for path in [
        "/api/v1/state",
        "/api/v1/access",
        "/api/v1/lots",
        "/api/v1/season",
        "/api/v1/plans",
        "/api/v1/probes",
    ] {
        c.ask("GET", path, path, "", 200).await;
    }
    c.ask("GET", "/health", "/health", "", 200).await;
    c.ask("GET", "/metrics", "/metrics", "", 200).await;
    c.ask("GET", "/api/v1/openapi.json", "/api/v1/openapi.json", "", 200).await;
    let state = c.ask("GET", "/api/v1/state", "/api/v1/state", "", 200).await;
    let k = &state["kettles"][0];
    assert_eq!((k["celsius"].as_f64(), k["trusted"].as_bool()), (Some(40.1), Some(true)));
    assert_eq!(k["say"]["key"], "do-heat-off");
}

/// The sums are the engine's own, and what makes no sense is refused in words.
#[tokio::test]
async fn rennet_and_wash_water_are_reckoned_or_refused() {
    let c = contract().await;
    for (path, query, key, expected) in [
        ("/api/v1/dose", "milk_litres=400&strength=10000&floc_minutes=12", "ml", 133.333),
        ("/api/v1/dose", "milk_litres=100&imcu_per_litre=40&imcu_per_ml=200", "ml", 20.0),
        ("/api/v1/dose", "milk_litres=250&ml_per_100l=20&factor=0.5", "ml", 25.0),
        (
            "/api/v1/wash",
            "milk_litres=100&drawn_litres=33&celsius=32&water_celsius=60&to_celsius=38",
            "litres",
            18.27,
        ),
        (
            "/api/v1/wash",
            "milk_litres=100&drawn_litres=33&celsius=31&water_celsius=60&litres=22",
            "celsius",
            38.17,
        ),
    ] {
        let answer = c.ask("GET", &format!("{path}?{query}"), path, "", 200).await;
        let got = answer[key].as_f64().unwrap();
        assert!((got - expected).abs() < 0.01, "{query}: {got}");
    }
    for (path, query, status, word) in [
        ("/api/v1/dose", "milk_litres=400", 422, "strength"),
        ("/api/v1/dose", "milk_litres=0&ml_per_100l=20", 422, "Milk, L: 0 cannot be"),
        ("/api/v1/dose", "milk_litres=0&ml_per_100l=20&language=de", 422, "Milch, L: 0 kann"),
        ("/api/v1/dose", "milk_litres=much&ml_per_100l=20", 400, "milk_litres"),
        ("/api/v1/dose", "milk_litres=4&ml_per_100l=20&floc=3", 400, "floc"),
        ("/api/v1/wash", "milk_litres=100&celsius=31&water_celsius=60&to_celsius=61", 422, "between"),
        ("/api/v1/wash", "milk_litres=100&celsius=31&water_celsius=60", 422, "one of them"),
    ] {
        let answer = c.ask("GET", &format!("{path}?{query}"), path, "", status).await;
        assert!(answer["error"].as_str().unwrap().contains(word), "{query}: {answer}");
    }
}

/// A number never goes out without its age, and the age grows while the daemon
/// is silent.
#[tokio::test]
async fn an_age_grows_with_the_daemons_silence_until_the_number_is_not_trusted() {
    let c = contract().await;
    let mut s = page_room::snapshot();
    s.taken -= std::time::Duration::from_secs(30);
    c.page.show.send_replace(Arc::new(s));
    let state = c.ask("GET", "/api/v1/state", "/api/v1/state", "", 200).await;
    let k = &state["kettles"][0];
    assert!(k["age_s"].as_f64().unwrap() >= 30.4, "{k}");
    assert_eq!(k["trusted"], false);
    c.ask("GET", "/health", "/health", "", 503).await;
}

#[tokio::test]
async fn wishes_arrive_as_they_were_meant() {
    let mut c = contract().await;
    let marks = "/api/v1/kettles/{kettle}/marks";
    let at = "/api/v1/kettles/copper/marks";
    c.ask("POST", at, marks, r#"{"name":"cut","by":" Nives "}"#, 200).await;
    let Wish::Mark(mark, _) = c.page.wishes.recv().await.unwrap() else { panic!("no mark") };
    assert_eq!((mark.kind, mark.by.as_deref()), (MarkKind::Cut, Some("Nives")));
    c.ask("POST", at, marks, r#"{"name":"ph","value":6.45}"#, 200).await;
    assert!(matches!(c.page.wishes.recv().await.unwrap(), Wish::Mark(m, _) if m.kind == MarkKind::Ph(6.45)));
    c.ask("POST", at, marks, r#"{"name":"ph","value":15}"#, 422).await;
    c.ask("POST", at, marks, r#"{"name":"note","text":"two\nlines"}"#, 422).await;
    c.ask("POST", at, marks, r#"{"name":"dance"}"#, 422).await;
    c.ask("POST", at, marks, r#"{"name":"cut","#, 400).await;
    // Found by schemathesis: a list is no object, however well its fields would fit.
    c.ask("POST", at, marks, r#"["cut"]"#, 422).await;
    c.ask("POST", "/api/v1/kettles/iron/marks", marks, r#"{"name":"cut"}"#, 404).await;
    let held = c.ask("POST", at, marks, r#"{"name":"lift","hold_s":6}"#, 202).await;
    let path = format!("/api/v1/marks/{}", held["id"]);
    c.ask("DELETE", &path, "/api/v1/marks/{id}", "", 204).await;
    c.ask("DELETE", &path, "/api/v1/marks/{id}", "", 404).await;
    let take = "/api/v1/kettles/{kettle}/take";
    c.ask("POST", "/api/v1/kettles/copper/take", take, r#"{"alarm":"heat-off"}"#, 204).await;
    let Wish::Command(command) = c.page.wishes.recv().await.unwrap() else { panic!("no command") };
    assert_eq!(command.ask, Ask::Acknowledge(Some(AlarmKind::HeatOff)));
    let shelve = "/api/v1/kettles/{kettle}/shelve";
    let body = r#"{"alarm":"heat-slow","minutes":30}"#;
    c.ask("POST", "/api/v1/kettles/copper/shelve", shelve, body, 204).await;
    let Wish::Command(command) = c.page.wishes.recv().await.unwrap() else { panic!("no command") };
    assert_eq!(command.ask, Ask::Shelve(AlarmKind::HeatSlow, 1800));
    let house = ["/api/v1/house/take", "/api/v1/house/shelve"];
    c.ask("POST", house[0], house[0], r#"{"alarm":"store-fault"}"#, 204).await;
    let Wish::Command(command) = c.page.wishes.recv().await.unwrap() else { panic!("no command") };
    assert_eq!((&*command.kettle, command.ask), ("", Ask::Acknowledge(Some(AlarmKind::StoreFault))));
    c.ask("POST", house[1], house[1], r#"{"alarm":"clock-unsure","minutes":0}"#, 204).await;
    let Wish::Command(command) = c.page.wishes.recv().await.unwrap() else { panic!("no command") };
    assert_eq!((&*command.kettle, command.ask), ("", Ask::Unshelve(AlarmKind::ClockUnsure)));
    assert!(c.page.wishes.try_recv().is_err(), "a refused wish came through");
}

#[tokio::test]
async fn a_plan_is_kept_followed_and_thrown_away_and_a_faulty_one_is_not() {
    let mut c = contract().await;
    let one = "/api/v1/plans/{plan}";
    let toml = "name = \"Larch wheel\"\n[[stage]]\nkind = \"cooking\"\nto-celsius = 44.0\n";
    let body = serde_json::json!({ "toml": toml }).to_string();
    c.ask("PUT", "/api/v1/plans/larch", one, &body, 200).await;
    let shown = c.ask("GET", "/api/v1/plans/larch", one, "", 200).await;
    assert_eq!(
        (shown["toml"].as_str(), shown["plan"]["stages"][0]["to_celsius"].as_f64()),
        (Some(toml), Some(44.0))
    );
    let faulty = serde_json::json!({ "toml": "name = 3\n[[stage]]\nkind = \"cokking\"\n" }).to_string();
    let refused = c.ask("PUT", "/api/v1/plans/larch", one, &faulty, 422).await;
    assert_eq!(refused["faults"].as_array().unwrap().len(), 2);
    let still = c.ask("GET", "/api/v1/plans/larch", one, "", 200).await;
    assert_eq!(still["toml"], toml);
    let follow = "/api/v1/kettles/{kettle}/plan";
    c.ask("POST", "/api/v1/kettles/copper/plan", follow, r#"{"plan":"larch"}"#, 204).await;
    let Wish::Command(command) = c.page.wishes.recv().await.unwrap() else { panic!("no command") };
    assert!(matches!(command.ask, Ask::Follow(Some(p)) if p.name == "Larch wheel"));
    c.ask("POST", "/api/v1/kettles/copper/plan", follow, r#"{"plan":"none"}"#, 404).await;
    c.ask("DELETE", "/api/v1/plans/larch", one, "", 204).await;
    c.ask("GET", "/api/v1/plans/larch", one, "", 404).await;
}

/// The daemon did not start again without it (exit 78).
#[tokio::test]
async fn a_plan_that_a_kettle_is_configured_with_is_not_thrown_away() {
    let configured = |s: &mut curdtrace::web::Settings| {
        s.configured_plans = vec![("copper".into(), s.plans.join("../plans/larch.toml"))];
    };
    let c = Contract { page: PageRoom::open(configured).await, root: description() };
    let one = "/api/v1/plans/{plan}";
    let body =
        serde_json::json!({ "toml": "name = \"Larch wheel\"\n[[stage]]\nkind = \"cooking\"\n" }).to_string();
    for id in ["larch", "fir"] {
        c.ask("PUT", &format!("/api/v1/plans/{id}"), one, &body, 200).await;
    }
    let refused = c.ask("DELETE", "/api/v1/plans/larch", one, "", 409).await;
    assert!(refused["error"].as_str().unwrap().contains("kettle copper"), "{refused}");
    c.ask("GET", "/api/v1/plans/larch", one, "", 200).await;
    c.ask("DELETE", "/api/v1/plans/fir", one, "", 204).await;
    c.ask("DELETE", "/api/v1/plans/fir", one, "", 404).await;
    // What the disk does not let go is there.
    std::fs::create_dir(c.page.data.path().join("plans/folder.toml")).unwrap();
    let refused = c.ask("DELETE", "/api/v1/plans/folder", one, "", 500).await;
    assert!(refused["error"].as_str().unwrap().contains("could not be removed"), "{refused}");
    let names = std::fs::read_dir(c.page.data.path().join("plans")).unwrap();
    assert_eq!(names.count(), 2, "nothing is left beside them");
}

#[tokio::test]
async fn a_lot_is_listed_with_what_compares_it_and_its_sheet_may_run_nothing() {
    let c = contract().await;
    let folder = c.page.data.path().join("lots/2026-07-14-copper-1");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(
        folder.join("lot.toml"),
        "lot = \"2026-07-14-copper-1\"\nkettle = \"copper\"\nproduct = \"Larch wheel\"\n\
         opened = \"2026-07-14T04:00:00Z\"\nclosed = \"2026-07-14T06:30:00Z\"\nscore = 8.0\ndeviations = [\"late\"]\n\
         [milk]\nlitres = 200.0\n[[cook]]\ntarget-celsius = 44.0\npeak-celsius = 44.3\n[[wheel]]\nwheel = \"1\"\nkg = 21.0\n",
    )
    .unwrap();
    std::fs::write(folder.join("sheet.html"), "<!doctype html><script>alert(1)</script>").unwrap();
    std::fs::write(folder.join("SHA256SUMS"), "").unwrap();
    let list = c.ask("GET", "/api/v1/lots", "/api/v1/lots", "", 200).await;
    let lot = &list["lots"][0];
    assert_eq!(lot["minutes"], 150.0);
    assert_eq!((lot["over_celsius"].as_f64(), lot["kg_per_100l"].as_f64()), (Some(0.3), Some(10.5)));
    // As the record has it: no yield where a wheel was not weighed, litres by the milkings.
    let toml = std::fs::read_to_string(folder.join("lot.toml")).unwrap();
    let milkings = "[[milking]]\nmilking = \"evening\"\nlitres = 210.0\n";
    for (of, expected) in [
        (toml.clone() + "[[wheel]]\nwheel = \"2\"\n", None),
        (toml.replace("litres = 200.0\n", "") + milkings, Some(10.0)),
    ] {
        std::fs::write(folder.join("lot.toml"), of).unwrap();
        let list = c.ask("GET", "/api/v1/season", "/api/v1/season", "", 200).await;
        assert_eq!(list["lots"][0]["kg_per_100l"].as_f64(), expected);
    }
    // A folder without a lot's files is none.
    std::fs::create_dir_all(c.page.data.path().join("lots/2026-07-15-copper-1")).unwrap();
    let list = c.ask("GET", "/api/v1/lots", "/api/v1/lots", "", 200).await;
    assert_eq!(list["count"], 1);
    c.ask("GET", "/api/v1/lots/2026-07-14-copper-1", "/api/v1/lots/{lot}", "", 200).await;
    let (status, answer) = c.page.ask("GET", "/api/v1/lots/2026-07-14-copper-1/sheet.html", "", "").await;
    assert_eq!(status, 200);
    let policy = answer.lines().find(|l| l.to_lowercase().starts_with("content-security-policy")).unwrap();
    assert!(policy.contains("default-src 'none'") && policy.contains("sandbox"), "{policy}");
    assert!(!policy.contains("script-src"), "{policy}");
}

#[tokio::test]
async fn a_pin_typed_once_opens_commands_and_only_then() {
    let mut c = contract().await;
    // Pretend to come from the network: local peers need no PIN, so the rule is
    // tried on the desk itself and on the answers.
    c.ask("POST", "/api/v1/pin", "/api/v1/pin", r#"{"pin":"2580"}"#, 409).await;
    c.ask("PUT", "/api/v1/pin", "/api/v1/pin", r#"{"pin":"12"}"#, 422).await;
    // The page's keys for it are digits.
    c.ask("PUT", "/api/v1/pin", "/api/v1/pin", r#"{"pin":"larch"}"#, 422).await;
    c.ask("PUT", "/api/v1/pin", "/api/v1/pin", r#"{"pin":"2580"}"#, 204).await;
    c.ask("POST", "/api/v1/pin", "/api/v1/pin", r#"{"pin":"0000"}"#, 403).await;
    let (status, answer) = c.page.ask("POST", "/api/v1/pin", "", r#"{"pin":"2580"}"#).await;
    assert_eq!(status, 204, "{answer}");
    let cookie = answer.lines().find_map(|l| l.strip_prefix("set-cookie: ")).unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    for _ in 0..4 {
        c.ask("POST", "/api/v1/pin", "/api/v1/pin", r#"{"pin":"0000"}"#, 403).await;
    }
    c.ask("POST", "/api/v1/pin", "/api/v1/pin", r#"{"pin":"2580"}"#, 429).await;
    let kept = std::fs::read_to_string(c.page.data.path().join("page/pin")).unwrap();
    assert!(kept.starts_with("pbkdf2-sha256$") && !kept.contains("2580"), "{kept}");
    assert!(c.page.wishes.try_recv().is_err());
}

/// The exposition by its own rules (OpenMetrics 1.0: `# TYPE` before samples,
/// counters end in `_total`, `# EOF` last; no family twice, nor a sample). With a source
/// configured, what it counts stood twice under the daemon's own name.
#[tokio::test]
async fn metrics_are_openmetrics() {
    let c = contract().await;
    let tally = curdtrace::daemon::source::Tally::default();
    curdtrace::daemon::source::Tally::count(&tally.readings, 7);
    let sources = ["box", "broker \"1\""].map(|name| (Name::from(name), tally.counted().to_vec())).to_vec();
    let counters = vec![("readings", "Readings taken in since the start.", 5_700)];
    c.page.show.send_replace(Arc::new(Snapshot { sources, counters, ..page_room::snapshot() }));
    let text = curdtrace::web::metrics::exposition(&c.page.room);
    assert!(text.ends_with("# EOF\n"));
    let once: BTreeSet<&str> = text.lines().map(|l| l.rsplit_once(' ').unwrap().0).collect();
    assert_eq!(once.len(), text.lines().count(), "{text}");
    assert!(text.contains("curdtrace_readings_total 5700\n"), "{text}");
    assert!(text.contains("curdtrace_source_readings_total{source=\"broker \\\"1\\\"\"} 7\n"), "{text}");
    let mut family = ("", "");
    for line in text.lines().filter(|l| *l != "# EOF") {
        if let Some(rest) = line.strip_prefix("# TYPE ") {
            family = rest.split_once(' ').unwrap();
        } else if let Some(rest) = line.strip_prefix("# HELP ") {
            assert!(rest.starts_with(family.0), "{line}");
        } else {
            let (name, value) = line.rsplit_once(' ').unwrap();
            let name = name.split('{').next().unwrap();
            let expected =
                if family.1 == "counter" { format!("{}_total", family.0) } else { family.0.to_owned() };
            assert_eq!(name, expected, "{line}");
            assert!(value.parse::<f64>().is_ok(), "{line}");
        }
    }
    assert!(text.contains("curdtrace_temperature_celsius{kettle=\"copper\"} 40.1"));

    // What is no number to trust is no figure either.
    for spoil in [
        |k: &mut KettleView| k.celsius = None,
        |k: &mut KettleView| k.age_s = Some(3600.0),
        |k: &mut KettleView| k.health = Health::Failure,
    ] {
        let mut seen = page_room::snapshot();
        spoil(&mut seen.view.kettles[0]);
        c.page.show.send_replace(Arc::new(seen));
        let text = curdtrace::web::metrics::exposition(&c.page.room);
        assert!(text.contains("# TYPE curdtrace_temperature_celsius gauge\n"), "{text}");
        assert!(!text.contains("curdtrace_temperature_celsius{"), "{text}");
    }
}

/// A pipe that nobody writes to held a thread of the page for ever.
#[tokio::test]
async fn a_pipe_in_the_place_of_a_file_is_none() {
    let c = contract().await;
    let folder = c.page.data.path().join("lots/2026-07-14-copper-1");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::create_dir_all(c.page.data.path().join("plans")).unwrap();
    for pipe in
        [folder.join("lot.toml"), folder.join("sheet.html"), c.page.data.path().join("plans/larch.toml")]
    {
        assert!(std::process::Command::new("mkfifo").arg(pipe).status().unwrap().success());
    }
    let list = c.ask("GET", "/api/v1/lots", "/api/v1/lots", "", 200).await;
    assert_eq!((&list["count"], &list["lots"][0]["opened"]), (&Value::from(1), &Value::Null));
    let (at, of) = ("/api/v1/lots/2026-07-14-copper-1", "/api/v1/lots/{lot}");
    c.ask("GET", at, of, "", 404).await;
    let (status, _) = c.page.ask("GET", &format!("{at}/sheet.html"), "", "").await;
    assert_eq!(status, 404);
    c.ask("GET", "/api/v1/season", "/api/v1/season", "", 200).await;
    c.ask("GET", "/api/v1/plans", "/api/v1/plans", "", 200).await;
    c.ask("GET", "/api/v1/plans/larch", "/api/v1/plans/{plan}", "", 404).await;
}
