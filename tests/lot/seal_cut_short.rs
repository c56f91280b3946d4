//! Promise: a sealing cut short by the process's or the power's end is finished
//! or never was, the lot can be changed afterwards, and one that cannot be
//! finished keeps no other from being recorded.

#![allow(clippy::unwrap_used)] // a test may end here

use support::made_day;
use support::sealed_lot;
use support::storage_twin;

use std::collections::BTreeMap;
use std::sync::Arc;

use curdtrace::config::dairy::Config;
use curdtrace::daemon::lot_desk::{LotDesk, Work};
use curdtrace::engine::effect::{Conclusion, Effect, Make};
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::store::Store;
use made_day::{MORNING_NS, dairy};
use sealed_lot::{
    Files, LOT, ask, before_closing, closed, data, is_as_closed, open_signing, rennet_lot, signed,
};
use storage_twin::{Fault, Twin};

fn open(twin: &Twin) -> Lots {
    Lots::open(Arc::new(twin.clone()), data(), dairy()).unwrap().0
}

/// A score is entered: does the lot take a change?
fn takes_a_change(files: &Files, at: At) -> Files {
    let twin = Twin::of(files);
    let fields = vec![("score".into(), "8".into())];
    let set = Ask::Set { lot: LOT.into(), fields, reason: None };
    open(&twin).apply(&ask(at, set)).unwrap();
    twin.files()
}

/// A process that died between a file written aside and its renaming left it in
/// the folder; it went into the sums, was taken away by the next sealing, and
/// the lot was said for ever not to be as it was closed.
#[test]
fn a_process_that_dies_at_any_call_leaves_a_lot_that_can_be_changed() {
    for ((files, at), wish, signs) in [
        (before_closing(), Ask::Close { lot: LOT.into() }, true),
        (closed(), rennet_lot(), false),
        (closed(), Ask::Sign { lot: LOT.into() }, true),
        (signed(), rennet_lot(), true),
    ] {
        let at = at.plus_s(3600);
        let open = |twin: &Twin| if signs { open_signing(twin).0 } else { open(twin) };
        for n in 1.. {
            let twin = Twin::of(&files);
            let mut lots = open(&twin);
            twin.die_at_call(n);
            let done = lots.apply(&ask(at, wish.clone())).is_ok();
            drop(lots);
            let lives = twin.lives();
            assert!(!lives || done);
            // Everything written is there, or only what was synced.
            for left in [twin.moment().now, twin.moment().durable] {
                let after = Twin::of(&left);
                let mut lots = open(&after);
                assert_eq!(lots.troubles(), [""; 0], "{wish:?}, call {n}");
                if !lots.store().load(LOT).unwrap().is_closed() {
                    lots.apply(&ask(at, wish.clone())).unwrap();
                }
                drop(lots);
                let files = after.files();
                assert!(is_as_closed(&files), "{wish:?}, call {n}");
                let folder = data().join("lots").join(LOT);
                let own = files.keys().filter(|p| p.starts_with(&folder));
                assert!(!own.into_iter().any(|p| p.to_string_lossy().contains("/.")), "{wish:?}, call {n}");
                assert!(is_as_closed(&takes_a_change(&files, at.plus_s(60))), "{wish:?}, call {n}");
            }
            if lives {
                assert!(n > 10, "{wish:?}: {n} calls");
                break;
            }
        }
    }
}

/// Only the intent could not be removed: the lot, which was as it was sealed, was sealed
/// once more as it lay there.
#[test]
fn a_sealing_whose_intent_alone_was_left_is_not_sealed_again() {
    for ((files, at), seals) in [(closed(), 1), (signed(), 2)] {
        let mut left = files.clone();
        left.insert(
            data().join("sealing").join(LOT),
            format!("lot {LOT} is being sealed since {at}\n").into_bytes(),
        );
        let twin = Twin::of(&left);
        let (lots, told) = if seals == 2 {
            open_signing(&twin)
        } else {
            Lots::open(Arc::new(twin.clone()), data(), dairy()).unwrap()
        };
        assert_eq!((told.len(), lots.troubles()), (1, &[][..]), "{told:?}");
        drop(lots);
        assert_eq!(twin.files(), files, "nothing is changed but that the intent is gone");
        let chain = Store::at(Arc::new(twin), data()).chain().unwrap();
        assert_eq!(chain.links.len(), seals);
    }
}

/// A correction of an old lot was cut short, and the journal's days had been
/// moved away: the daemon did not start, and nothing was recorded.
#[test]
fn a_correction_cut_short_is_finished_without_the_journals_days() {
    let (files, at) = closed();
    for n in 1.. {
        let twin = Twin::of(&files);
        let mut lots = open(&twin);
        twin.die_at_call(n);
        let _ = lots.apply(&ask(at.plus_s(3600), rennet_lot()));
        drop(lots);
        let mut left = twin.moment().now;
        left.retain(|p, _| !p.starts_with(data().join("journal")));
        let after = Twin::of(&left);
        let lots = open(&after);
        assert_eq!(lots.troubles(), [""; 0], "call {n}");
        assert!(is_as_closed(&after.files()), "call {n}");
        if twin.lives() {
            break;
        }
    }
}

/// Where the trace itself was half written the journal is needed: the lot
/// waits for it, and others are recorded meanwhile.
#[test]
fn what_cannot_be_finished_waits_and_keeps_nothing_from_being_recorded() {
    let (files, at) = closed();
    let twin = Twin::of(&files);
    let trace = data().join("lots").join(LOT).join("trace.lp");
    let mut left = twin.files();
    left.get_mut(&trace).unwrap().truncate(100);
    left.insert(data().join("sealing").join(LOT), b"lot 1 is being sealed\n".to_vec());
    let all = left.clone();
    left.retain(|p, _| !p.starts_with(data().join("journal")));
    let after = Twin::of(&left);
    let mut lots = open(&after);
    let told = lots.troubles().join("\n");
    assert!(
        told.contains(&format!("the sealing of lot {LOT} was cut short")) && told.contains("older days"),
        "{told}"
    );
    let other = Opening { kettle: "big".into(), id: Some("next".into()), ..Opening::default() };
    lots.apply(&ask(at.plus_s(90_000), Ask::Open(other))).unwrap();
    lots.apply(&ask(at.plus_s(90_100), Ask::Close { lot: "next".into() })).unwrap();
    // Once the days are back it is finished.
    let mut back = after.files();
    back.extend(all.into_iter().filter(|f| f.0.starts_with(data().join("journal"))));
    let after = Twin::of(&back);
    assert_eq!(open(&after).troubles(), [""; 0]);
    assert!(is_as_closed(&after.files()));
}

/// A make that ended on a full disk left its lot for the next start, and the
/// next make went into it.
#[test]
fn a_lot_that_a_full_disk_kept_from_its_seal_is_sealed_once_there_is_room() {
    let (files, at) = before_closing();
    let turn = |at: At, what| {
        let effect = Effect { time: Some(at.0), probe: "big".into(), kettle: "big".into(), what };
        Work::Effect(effect, None)
    };
    let ended = || Conclusion::Make(Make { stages: Vec::new(), cooks: Vec::new() });
    let mut failed = 0;
    for budget in (0..).step_by(400) {
        let twin = Twin::of(&files);
        let config = Config { data: data().into(), ..Config::default() };
        let mut desk = LotDesk::open(Arc::new(twin.clone()), &config, BTreeMap::new()).unwrap();
        twin.set_budget(Some(budget));
        if desk.work(turn(at, ended()), at).is_some() {
            break;
        }
        failed += 1;
        // The next make begins while the disk is full.
        let next = at.plus_s(3600);
        assert!(desk.work(turn(next, Conclusion::MakeBegan), next).is_none());
        assert!(desk.try_again(next.plus_s(7200)).is_empty(), "{budget}: there is no room yet");
        twin.set_budget(None);
        desk.store_is_well();
        let news = desk.try_again(next.plus_s(7201));
        let told: Vec<_> = news.iter().map(|n| (n.id == LOT, n.closed)).collect();
        assert_eq!(told, [(true, true), (false, false)], "{budget}");
        assert!(is_as_closed(&twin.files()), "{budget}");
        assert_ne!(desk.open_lots().get("big").map(String::as_str), Some(LOT), "{budget}");
        desk.store_is_well();
        assert!(desk.try_again(next.plus_s(7202)).is_empty(), "{budget}: it is done");
    }
    assert!(failed > 20, "{failed} sizes of the disk");
}

/// A disk that could not say whether a make's lot was closed was taken for a yes.
#[test]
fn a_make_that_ended_while_the_daemon_was_away_closes_its_lot_though_the_disk_falters_once() {
    let (files, at) = before_closing();
    let what = Conclusion::Make(Make { stages: Vec::new(), cooks: Vec::new() });
    let effect = Effect { time: Some(at.0), probe: "big".into(), kettle: "big".into(), what };
    // The first looks for old answers, the second for the lots.
    for nth in [1, 2] {
        let twin = Twin::of(&files);
        let config = Config { data: data().into(), ..Config::default() };
        let mut desk = LotDesk::open(Arc::new(twin.clone()), &config, BTreeMap::new()).unwrap();
        twin.fail_call(nth, Fault::Io);
        let mut news = desk.catch_up(std::slice::from_ref(&effect), at.plus_s(60));
        assert_eq!(news.len(), usize::from(nth == 1), "{nth}");
        news.extend(desk.try_again(at.plus_s(60 + 3600)));
        assert!(news.len() == 1 && news[0].id == LOT && news[0].closed, "{nth}: {news:?}");
        assert!(is_as_closed(&twin.files()), "{nth}");
    }
}

/// An open lot whose record is damaged kept the daemon from starting.
#[test]
fn an_open_lot_that_cannot_be_read_is_told_and_keeps_no_other_back() {
    let (files, _) = before_closing();
    let record = data().join("lots").join(LOT).join("lot.toml");
    for harm in [&b"\n[milk]\nlitres = \n"[..], b"\n[milk]\nlitres = \xff\n", b"\n\0\0\0\0"] {
        let mut left = files.clone();
        left.get_mut(&record).unwrap().extend_from_slice(harm);
        let twin = Twin::of(&left);
        let mut lots = open(&twin);
        let told = lots.troubles().join("\n");
        assert!(told.contains("lot.toml"), "{told}");
        let opening = Opening { kettle: "big".into(), ..Opening::default() };
        let opened = lots.apply(&ask(At(MORNING_NS), Ask::Open(opening))).unwrap();
        assert_eq!(opened.lot, "2026-07-14-big-2");
        assert_eq!(twin.files()[&record], left[&record], "it is left as it is");
    }
}

/// A lot closed before it, of the same kettle, that cannot be read any more.
#[test]
fn a_damaged_lot_keeps_no_other_from_being_closed() {
    let (files, at) = closed();
    let mut left = files;
    let record = data().join("lots").join(LOT).join("lot.toml");
    left.get_mut(&record).unwrap().extend_from_slice(b"\n[milk]\nlitres = \n");
    let twin = Twin::of(&left);
    let mut lots = open(&twin);
    let opening = Opening { kettle: "big".into(), ..Opening::default() };
    let next = lots.apply(&ask(at.plus_s(60), Ask::Open(opening))).unwrap().lot;
    lots.apply(&ask(at.plus_s(120), Ask::Close { lot: next })).unwrap();
}

/// Bytes after the chain's last newline that are no text were counted as three
/// each, and that much of the good lines was cut away at the next sealing.
#[test]
fn garbage_after_the_chains_last_newline_harms_no_seal() {
    let (files, at) = closed();
    let chain = data().join("chain.txt");
    let good = files[&chain].clone();
    for garbage in [&b"\xff"[..], b"\xff\xfe\xfd\xfc", &[0xff; 4096], b"2 2026-07-14T\xc3", &[0; 512]] {
        let mut left = files.clone();
        left.get_mut(&chain).unwrap().extend_from_slice(garbage);
        let twin = Twin::of(&left);
        let mut lots = open(&twin);
        lots.apply(&ask(at.plus_s(3600), rennet_lot())).unwrap();
        let now = twin.files();
        assert!(now[&chain].starts_with(&good));
        let store = Store::at(Arc::new(Twin::of(&now)), data());
        let chain = store.chain().unwrap();
        assert!(chain.is_whole() && chain.links.len() == 2, "{chain:?}");
        assert!(is_as_closed(&now));
    }
}

/// A chain whose first line was never written whole has its header afterwards.
#[test]
fn a_chain_that_was_torn_in_its_header_begins_anew() {
    let (mut files, at) = before_closing();
    files.insert(data().join("chain.txt"), b"# Seals of cur".to_vec());
    let twin = Twin::of(&files);
    let close = Request { at, by: None, ask: Ask::Close { lot: LOT.into() } };
    open(&twin).apply(&close).unwrap();
    let store = Store::at(Arc::new(twin.clone()), data());
    assert!(store.chain().unwrap().is_whole());
    assert!(is_as_closed(&twin.files()));
}
