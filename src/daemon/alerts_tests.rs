use super::*;
use crate::engine::alarm::{AlarmKind, AlarmState, Priority};
use crate::engine::event::Name;
use crate::engine::probe::Health;
use crate::engine::stage::Stage;
use crate::engine::view::{AlarmView, KettleView, View};

fn alert(delay_s: f64, repeat_s: f64) -> Alert {
    Alert {
        name: "horn".into(),
        way: Way::Command(vec!["true".into()]),
        least: Priority::Medium,
        only: Vec::new(),
        delay_s,
        repeat_s,
        language: "en".into(),
    }
}

fn shown(state: AlarmState, priority: Priority) -> Snapshot {
    let alarm = AlarmView {
        alarm: AlarmKind::HeatOff,
        state,
        stands: true,
        priority,
        sounds: true,
        since: None,
        since_s: 7.0,
        shelved_until: None,
        text: String::new(),
        said: Vec::new(),
    };
    let name = Name::from("copper");
    let kettle = KettleView {
        celsius: Some(40.12),
        age_s: Some(0.0),
        health: Health::Good,
        reason: String::new(),
        stage: Stage::Cooking,
        stage_confidence: 1.0,
        target_celsius: Some(41.0),
        alarms: vec![alarm],
        ..KettleView::unheard(&name, &name)
    };
    Snapshot { view: View { kettles: vec![kettle], house: Vec::new() }, ..Snapshot::default() }
}

/// The times at which a watch that is asked every second calls, when every call
/// goes as `well` says, and the alarm is taken at `taken_s`.
fn calls(alert: Alert, well: bool, taken_s: u32, until_s: u32) -> Vec<u32> {
    let mut watch = Watch::new(alert);
    let mut at = Vec::new();
    for s in 0..until_s {
        let state = if s < taken_s { AlarmState::Unacknowledged } else { AlarmState::Acknowledged };
        for due in watch.due(f64::from(s), &shown(state, Priority::High)) {
            at.push(s);
            watch.called(due.key, f64::from(s), well);
        }
    }
    at
}

#[test]
fn it_calls_at_once_and_again_until_taken() {
    assert_eq!(calls(alert(0.0, 10.0), true, 25, 60), [0, 10, 20]);
    assert_eq!(calls(alert(0.0, 0.0), true, 60, 60), [0]);
}

#[test]
fn the_second_in_line_calls_only_where_the_first_was_not_heard() {
    assert!(calls(alert(45.0, 10.0), true, 40, 120).is_empty());
    assert_eq!(calls(alert(45.0, 30.0), true, 100, 120), [45, 75]);
}

#[test]
fn a_failed_call_is_tried_again_ever_more_slowly() {
    assert_eq!(calls(alert(0.0, 10.0), false, 200, 100), [0, 1, 3, 7, 15, 31, 61, 91]);
}

#[test]
fn what_is_below_its_rank_or_only_shows_does_not_reach_it() {
    let mut watch = Watch::new(alert(0.0, 0.0));
    assert!(watch.due(0.0, &shown(AlarmState::Unacknowledged, Priority::Low)).is_empty());
    let mut shows = shown(AlarmState::Unacknowledged, Priority::High);
    shows.view.kettles[0].alarms[0].sounds = false;
    assert!(watch.due(0.0, &shows).is_empty());
}

#[test]
fn the_houses_own_alarm_calls_for_no_kettle() {
    let mut watch = Watch::new(alert(0.0, 0.0));
    let mut s = shown(AlarmState::Unacknowledged, Priority::High);
    let mut alarm = s.view.kettles.remove(0).alarms.remove(0);
    alarm.alarm = AlarmKind::StoreFault;
    s.view.house.push(alarm);
    let due = watch.due(0.0, &s).remove(0);
    assert_eq!((due.call.kettle.as_str(), due.call.alarm.as_str()), ("-", "store-fault"));
    watch.called(due.key, 0.0, true);
    assert!(watch.due(1.0, &s).is_empty());
}

#[test]
fn a_new_raising_is_a_new_call() {
    let mut watch = Watch::new(alert(0.0, 0.0));
    let mut s = shown(AlarmState::Unacknowledged, Priority::High);
    let first = watch.due(0.0, &s);
    watch.called(first[0].key.clone(), 0.0, true);
    assert!(watch.due(1.0, &s).is_empty());
    // No clock was ever set: only the engine knows that it was raised again.
    s.view.kettles[0].alarms[0].since_s = 8.0;
    assert_eq!(watch.due(2.0, &s).len(), 1);
}

#[test]
fn a_call_speaks_the_outlets_language() {
    let mut a = alert(0.0, 0.0);
    a.language = "it".into();
    let call = Watch::new(a).due(0.0, &shown(AlarmState::Unacknowledged, Priority::High)).remove(0).call;
    assert_eq!(call.words, "Via il fuoco · 40,1 °C");
    assert_eq!((call.celsius.as_str(), call.limit.as_str()), ("40.12", "41.00"));
}

#[test]
fn the_board_tells_the_others_from_the_third_failure_on() {
    let board = Board::default();
    let mut failing = board.failing.subscribe();
    for n in 1..=3 {
        board.note("horn", n, "no route".into());
        assert_eq!(failing.has_changed().unwrap(), n == 3);
    }
    assert!(failing.borrow_and_update().contains("horn"));
    assert_eq!(board.states()[0].text, "no route");
    board.note("horn", 0, String::new());
    assert!(failing.borrow_and_update().is_empty());
}

fn also(s: &mut Snapshot, alarm: AlarmKind, priority: Priority) {
    let a = AlarmView { alarm, priority, ..s.view.kettles[0].alarms[0].clone() };
    s.view.kettles[0].alarms.insert(0, a);
}

#[test]
fn the_most_urgent_is_called_first() {
    let mut s = shown(AlarmState::Unacknowledged, Priority::High);
    also(&mut s, AlarmKind::OverTarget, Priority::High);
    also(&mut s, AlarmKind::GetReady, Priority::Medium);
    let mut watch = Watch::new(alert(0.0, 10.0));
    let order = |due: Vec<Due>| due.into_iter().map(|d| d.call.alarm).collect::<Vec<_>>();
    assert_eq!(order(watch.due(0.0, &s)), ["heat-off", "over-target", "get-ready"]);
}

/// A call that hung held up the one that matters for its ten seconds, and what
/// was taken meanwhile was called all the same.
#[tokio::test]
async fn a_call_that_hangs_makes_way_for_heat_off_and_what_was_taken_is_not_called() {
    use tokio::io::AsyncReadExt as _;
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let authority = listener.local_addr().unwrap().to_string();
    let (body, content_type) = ("{alarm}".to_owned(), "text/plain".to_owned());
    let way = Way::Http { authority, path: "/".into(), body, content_type };
    let mut s = shown(AlarmState::Unacknowledged, Priority::High);
    let heat_off = s.view.kettles[0].alarms.remove(0);
    s.view.kettles[0].alarms = vec![
        AlarmView { alarm: AlarmKind::GetReady, priority: Priority::High, ..heat_off.clone() },
        AlarmView { alarm: AlarmKind::CurdCheck, priority: Priority::Medium, ..heat_off.clone() },
    ];
    let (showing, snapshot) = watch::channel(Arc::new(s.clone()));
    let feed = Feed {
        news: tokio::sync::broadcast::Sender::new(1),
        snapshot,
        taken: watch::channel(0).1,
        commands: super::super::outlet::Commands::into(tokio::sync::mpsc::channel(1).0),
        leaving: super::super::outlet::Leaving::default(),
    };
    let alerts =
        Alerts { alert: Alert { way, ..alert(0.0, 0.0) }, board: Arc::default(), turn: Turn::default() };
    let running = tokio::spawn(Box::new(alerts).run(feed, CancellationToken::new()));
    // Takes the call in and never answers.
    let (mut hung, _) = listener.accept().await.unwrap();
    let mut head = [0; 1024];
    let n = hung.read(&mut head).await.unwrap();
    assert!(head[..n].ends_with(b"get-ready"));
    s.view.kettles[0].alarms = vec![heat_off];
    showing.send_replace(Arc::new(s));
    let next = tokio::time::timeout(CALL_WITHIN.mul_f64(0.8), listener.accept());
    let (mut next, _) = next.await.expect("it waits for the one that hangs").unwrap();
    let n = next.read(&mut head).await.unwrap();
    assert!(head[..n].ends_with(b"heat-off"), "{}", String::from_utf8_lossy(&head[..n]));
    running.abort();
}

/// What a person asked for while an outlet had nothing to do was lost: nothing called.
#[tokio::test]
async fn every_outlet_calls_once_as_a_test_and_one_that_cannot_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let said = dir.path().join("said");
    let board = Arc::new(Board::default());
    let shown = watch::Sender::new(Arc::new(Snapshot::default()));
    let feed = Feed {
        news: tokio::sync::broadcast::channel(4).0,
        snapshot: shown.subscribe(),
        taken: watch::Sender::new(0).subscribe(),
        commands: crate::daemon::outlet::Commands::into(tokio::sync::mpsc::channel(1).0),
        leaving: crate::daemon::outlet::Leaving::default(),
    };
    let stop = CancellationToken::new();
    let script = format!("echo \"$CURDTRACE_ALARM\" >> {}", said.display());
    let works = ["/bin/sh", "-c", &script].map(str::to_owned).to_vec();
    for (name, argv) in [("horn", works), ("gone", vec!["/no/such/program".to_owned()])] {
        let alert = Alert { name: name.into(), way: Way::Command(argv), ..alert(0.0, 0.0) };
        let outlet = Alerts { alert, board: Arc::clone(&board), turn: Turn::default() };
        tokio::spawn(Box::new(outlet).run(feed.clone(), stop.clone()));
    }
    let told = || std::fs::read_to_string(&said).unwrap_or_default();
    for times in 1..=2 {
        tokio::time::sleep(Duration::from_millis(100)).await;
        board.test();
        for _ in 0..100 {
            tokio::time::sleep(Duration::from_millis(20)).await;
            if told().lines().count() >= times {
                break;
            }
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
        assert_eq!(told(), "test\n".repeat(times));
    }
    let states = board.states();
    let of = |name: &str| states.iter().find(|s| s.name == name).map(|s| (s.well, s.text.clone())).unwrap();
    assert_eq!(of("horn"), (true, String::new()));
    let (well, text) = of("gone");
    assert!(!well && text.contains("/no/such/program cannot be run"), "{text}");
}
