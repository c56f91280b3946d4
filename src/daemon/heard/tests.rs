use super::*;
use crate::engine::event::Reading;
use crate::journal::replay::Stamped;

const S: u64 = 1_000_000_000;
const FRESH: What = What::Reading { age_ns: 0 };

fn aged(s: i64) -> What {
    What::Reading { age_ns: s * 1_000_000_000 }
}

#[test]
fn a_counter_tells_new_from_again_and_counts_what_is_missing() {
    let mut heard = Heard::default();
    let mut note = |seq, what| heard.note(seq, what, S);
    assert_eq!(note(u32::MAX - 1, FRESH), Seen::New { missing: 0 });
    assert_eq!(note(u32::MAX, FRESH), Seen::New { missing: 0 });
    assert_eq!(note(0, FRESH), Seen::New { missing: 0 }, "it wraps");
    assert_eq!(note(4, FRESH), Seen::New { missing: 3 });
    assert_eq!(note(2, FRESH), Seen::New { missing: 0 }, "late, not missing again");
    assert_eq!(note(5, FRESH), Seen::New { missing: 0 });
    assert_eq!(note(4, aged(1)), Seen::Waiting);
    assert!(heard.keeper(4).tell(Fate::Kept));
    assert_eq!(heard.note(4, aged(1), S), Seen::Kept);
    assert_eq!(
        heard.note(u32::MAX / 2 + 6, FRESH, S),
        Seen::New { missing: 0 },
        "set anew, not a billion missing"
    );
}

#[test]
fn another_moment_is_another_frame() {
    let mut heard = Heard::default();
    heard.note(5, FRESH, 100 * S);
    let before = heard.keeper(5);
    assert_eq!(heard.note(5, aged(5), 105 * S), Seen::Waiting);
    // Hours later, by a clock that is 2 % slow.
    assert_eq!(heard.note(5, aged(9_800), 10_100 * S), Seen::Waiting);
    // A box that began anew, and its hello was lost.
    assert_eq!(heard.note(5, aged(2), 10_110 * S), Seen::New { missing: 0 });
    assert!(!before.tell(Fate::Kept), "the old frame's receipt is none for the new one");
    assert_eq!(heard.note(5, aged(3), 10_111 * S), Seen::Waiting);
    assert_eq!(heard.note(5, FRESH, 10_111 * S), Seen::New { missing: 0 }, "a fresh one is never said again");
    assert_eq!(heard.note(5, What::Button { button: 1, age_ns: 0 }, 10_112 * S), Seen::New { missing: 0 });
    assert_eq!(heard.note(5, What::Button { button: 1, age_ns: 0 }, 10_117 * S), Seen::Waiting);
}

#[test]
fn a_hello_without_a_restart_forgets_nothing() {
    let mut heard = Heard::default();
    assert!(!heard.hello(5, 3, 99 * S));
    heard.note(5, FRESH, 100 * S);
    let waiting = heard.keeper(5);
    // The daemon's first keep-alive was answered, at once and later.
    assert!(!heard.hello(6, 4, 100 * S));
    assert!(!heard.hello(6, 500, 600 * S));
    assert_eq!(heard.note(5, aged(501), 601 * S), Seen::Waiting);
    assert!(waiting.tell(Fate::Kept));
    // It went on and was not heard.
    assert!(!heard.hello(9, 510, 611 * S));
    assert_eq!(heard.note(9, FRESH, 612 * S), Seen::New { missing: 3 });
}

#[test]
fn a_restart_shows_in_the_time_up_or_in_the_counter() {
    for (seq, up_s) in [(0, 1), (7, 1), (0, 500)] {
        let mut heard = Heard::default();
        heard.note(6, FRESH, 100 * S);
        let before = heard.keeper(6);
        assert!(heard.hello(seq, up_s, 110 * S), "{seq} {up_s}");
        assert!(!before.tell(Fate::Kept), "that box does not wait for it any more");
        assert!(matches!(heard.note(6, aged(9), 110 * S), Seen::New { .. }), "{seq} {up_s}");
    }
}

#[test]
fn what_could_not_be_kept_may_be_taken_in_again() {
    let mut heard = Heard::default();
    heard.note(1, FRESH, S);
    assert!(!heard.keeper(1).tell(Fate::Dropped));
    assert_eq!(heard.note(1, aged(5), 6 * S), Seen::Dropped);
    heard.again(1);
    assert_eq!(heard.note(1, aged(10), 11 * S), Seen::Waiting);
    assert!(heard.keeper(1).tell(Fate::Kept));
    assert_eq!(heard.note(1, aged(15), 16 * S), Seen::Kept);
}

/// More frames waited for a slow disk than were remembered: each that came again
/// was taken for new and pushed out the next, and all were recorded twice.
#[test]
fn a_frame_that_waits_is_known_however_many_wait() {
    let many = u32::try_from(3 * REMEMBERED).unwrap();
    let mut heard = Heard::default();
    let keepers: Vec<Keeper> = (0..many)
        .map(|seq| {
            heard.note(seq, FRESH, S);
            heard.keeper(seq)
        })
        .collect();
    assert!((0..many).all(|seq| heard.note(seq, aged(5), 6 * S) == Seen::Waiting));
    assert!(keepers.into_iter().all(|k| k.tell(Fate::Kept)), "and each is acknowledged");
    assert_eq!(heard.note(many - 1, aged(10), 11 * S), Seen::Kept);
    assert_eq!(heard.note(0, aged(10), 11 * S), Seen::New { missing: 0 }, "kept so many frames ago");
    assert_eq!(locked(&heard.memory).settled.len(), REMEMBERED);
}

#[test]
fn what_was_on_disk_before_the_start_is_kept_and_nothing_else() {
    let stamped = |boot, mono_s: u64, wall_s: Option<i64>| Stamped {
        boot,
        mono_ns: mono_s * S,
        wall_ns: wall_s.map(|s| s * 1_000_000_000),
        written_ns: 0,
        group: 1,
    };
    let mut newest = Newest::default();
    for (seq, at) in [
        // An earlier boot, by the wall clock, or by none.
        (3, stamped(1, 77, Some(900))),
        (4, stamped(1, 78, None)),
        (5, stamped(2, 50, Some(1_050))),
    ] {
        newest.note(&Reading { seq: Some(seq), ..Reading::of("milk", 30.5) }, &at);
    }
    // The machine started at second 1,000 of the wall clock.
    let mut heard = Heard::knowing(newest.as_of(2, Some(1_000_000_000_000)));
    let mut note = |seq, probe, age_s: i64, now_s| {
        heard.recall(seq, probe, age_s * 1_000_000_000, now_s * S);
        heard.note(seq, aged(age_s), now_s * S)
    };
    let new = Seen::New { missing: 0 };
    assert_eq!(note(5, "milk", 10, 60), Seen::Kept);
    assert_eq!(note(5, "milk", 20, 70), Seen::Kept, "again and again");
    assert_eq!(note(3, "milk", 170, 70), Seen::Kept, "of before the machine's start");
    assert_eq!(note(4, "milk", 170, 70), new, "nobody knows when that was");
    let newest = || {
        let mut newest = Newest::default();
        newest.note(&Reading { seq: Some(5), ..Reading::of("milk", 30.5) }, &stamped(2, 50, None));
        newest.as_of(2, None)
    };
    for (probe, age_s, now_s) in [("whey", 10, 60), ("milk", 0, 50), ("milk", 10, 70)] {
        let mut heard = Heard::knowing(newest());
        heard.recall(5, probe, age_s * 1_000_000_000, now_s * S);
        assert_eq!(heard.note(5, aged(age_s), now_s * S), new, "{probe} {age_s} {now_s}");
    }
}
