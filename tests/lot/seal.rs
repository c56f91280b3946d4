//! Promise: any byte of a sealed lot changed, removed or added is found; and a
//! sealing cut short anywhere is finished or never was.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test may end here, and say figures

use support::made_day;
use support::sealed_lot;
use support::storage_twin;

use std::path::PathBuf;
use std::sync::Arc;

use curdtrace::lot::at::At;
use curdtrace::lot::inbox::Ask;
use curdtrace::lot::life::Lots;
use curdtrace::lot::signature::SIGNATURE;
use curdtrace::lot::store::Store;
use made_day::dairy;
use sealed_lot::{
    Files, LOT, ask, before_closing, closed, data, is_as_closed, open_signing, rennet_lot, signed,
};
use storage_twin::{Fault, Twin};

/// A small generator of its own, so that the run can be had again by its seed.
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> u64 {
        // xorshift64*, Vigna 2016.
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }
    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
}

#[test]
fn ten_thousand_tamperings_are_all_found() {
    tampered_with(closed().0, 6);
}

#[test]
fn ten_thousand_tamperings_of_a_signed_lot_are_all_found() {
    tampered_with(signed().0, 7);
}

fn tampered_with(files: Files, count: usize) {
    assert!(is_as_closed(&files));
    let folder = data().join("lots").join(LOT);
    let own: Files =
        files.iter().filter(|(p, _)| p.starts_with(&folder)).map(|(p, b)| (p.clone(), b.clone())).collect();
    let chain: Files = files.into_iter().filter(|(p, _)| p.ends_with("chain.txt")).collect();
    let names: Vec<PathBuf> = own.keys().cloned().collect();
    assert_eq!(names.len(), count);
    let seed = std::env::var("CURDTRACE_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(20_260_714);
    println!("seed {seed}");
    let half = |from: u64| {
        let mut chance = Chance(seed + from);
        let mut missed = Vec::new();
        for n in 0..5_000 {
            let mut tampered = own.clone();
            let path = &names[chance.below(names.len())];
            let bytes = tampered.get_mut(path).unwrap();
            let at = chance.below(bytes.len());
            let how = match n % 50 {
                0 => {
                    tampered.remove(path);
                    "removed file"
                }
                1 => {
                    tampered.insert(folder.join(format!("extra-{n}.txt")), b"x".to_vec());
                    "added file"
                }
                2 => {
                    let bytes = tampered.remove(path).unwrap();
                    tampered.insert(path.with_extension("old"), bytes);
                    "renamed file"
                }
                n if n % 3 == 0 => {
                    bytes.remove(at);
                    "removed byte"
                }
                n if n % 3 == 1 => {
                    bytes.insert(at, (chance.next() & 0xff) as u8);
                    "added byte"
                }
                _ => {
                    // Single bits and letters' case among them.
                    let change = [1, 32, 128, (chance.next() & 0xff).max(1) as u8][chance.below(4)];
                    bytes[at] ^= change;
                    "changed byte"
                }
            };
            if tampered == own {
                continue;
            }
            tampered.extend(chain.clone());
            if is_as_closed(&tampered) {
                missed.push(format!("{how} {at} of {}", path.display()));
            }
        }
        missed
    };
    let missed: Vec<String> = std::thread::scope(|s| {
        let other = s.spawn(|| half(1));
        let mut missed = half(2);
        missed.extend(other.join().unwrap());
        missed
    });
    assert!(missed.is_empty(), "{} not found: {:?}", missed.len(), &missed[..missed.len().min(5)]);
}

#[test]
fn a_closing_that_fails_or_dies_at_any_call_ends_in_a_whole_lot() {
    let (files, at) = before_closing();
    let close = || ask(at, Ask::Close { lot: LOT.into() });
    for (fault, step) in [(Fault::Io, 1), (Fault::Full, 5), (Fault::Torn, 5)] {
        let mut calls = 0;
        for n in (1..).step_by(step) {
            let twin = Twin::of(&files);
            let (mut lots, _) = Lots::open(Arc::new(twin.clone()), data(), dairy()).unwrap();
            twin.fail_call(n, fault);
            let done = lots.apply(&close()).is_ok();
            let clean = twin.faults_left();
            drop(lots);
            // The power goes at once: only what is durable is there.
            let after = Twin::of(&twin.moment().durable);
            let (mut lots, finished) = Lots::open(Arc::new(after.clone()), data(), dairy()).unwrap();
            let record = lots.store().load(LOT).unwrap();
            if done {
                assert!(record.is_closed() && finished.is_empty(), "{fault:?} at {n}");
            }
            if !record.is_closed() {
                lots.apply(&close()).unwrap();
            }
            let files = after.files();
            assert!(is_as_closed(&files), "{fault:?} at call {n}: not as closed");
            let store = Store::at(Arc::new(Twin::of(&files)), data());
            assert!(store.chain().unwrap().is_whole(), "{fault:?} at call {n}: the chain is torn");
            assert_eq!(store.load(LOT).unwrap().stages.len(), 8, "{fault:?} at call {n}");
            let left: Vec<_> = files.keys().filter(|p| p.to_string_lossy().contains("/sealing/")).collect();
            assert!(left.is_empty(), "{left:?}");
            if clean {
                calls = n - 1;
                break;
            }
        }
        println!("{fault:?}: {calls} calls");
        assert!(calls > 30);
    }
}

#[test]
fn a_correction_that_dies_at_any_call_is_there_or_not_and_never_half() {
    let (files, at) = closed();
    let later = at.plus_s(3600);
    for n in 1.. {
        let twin = Twin::of(&files);
        let (mut lots, _) = Lots::open(Arc::new(twin.clone()), data(), dairy()).unwrap();
        twin.fail_call(n, Fault::Io);
        let done = lots.apply(&ask(later, rennet_lot())).is_ok();
        let clean = twin.faults_left();
        drop(lots);
        let after = Twin::of(&twin.moment().durable);
        let (lots, _) = Lots::open(Arc::new(after.clone()), data(), dairy()).unwrap();
        let record = lots.store().load(LOT).unwrap();
        let chain = lots.store().chain().unwrap();
        let found = lots.store().verify(LOT, &chain).unwrap();
        assert!(found.is_empty(), "call {n}: {found:?}");
        assert_eq!(record.rennet.lot.is_some(), !record.corrections.is_empty(), "call {n}");
        assert!(!done || record.rennet.lot.is_some(), "call {n}: said to be done and is not there");
        if clean {
            assert!(n > 20 && done);
            break;
        }
    }
}

/// Signing, and what seals a signed lot again, may die at any call: the lot is
/// whole, and its signature there or not, never half or of a former seal.
#[test]
fn a_signing_that_dies_at_any_call_is_there_or_not() {
    let path = data().join("lots").join(LOT).join(SIGNATURE);
    let later = |at: At| at.plus_s(3600);
    for (start, wish, signs) in [
        (closed(), Ask::Sign { lot: LOT.into() }, true),
        (before_closing(), Ask::Close { lot: LOT.into() }, true),
        (signed(), rennet_lot(), true),
        (signed(), rennet_lot(), false),
    ] {
        let (files, at) = start;
        let open = |twin: &Twin| {
            if signs {
                open_signing(twin).0
            } else {
                Lots::open(Arc::new(twin.clone()), data(), dairy()).unwrap().0
            }
        };
        for n in 1.. {
            let twin = Twin::of(&files);
            let mut lots = open(&twin);
            twin.fail_call(n, Fault::Io);
            let done = lots.apply(&ask(later(at), wish.clone()));
            let clean = twin.faults_left();
            drop(lots);
            let after = Twin::of(&twin.moment().durable);
            let mut lots = open(&after);
            if !lots.store().load(LOT).unwrap().is_closed() {
                lots.apply(&ask(later(at), wish.clone())).unwrap();
            }
            let chain = lots.store().chain().unwrap();
            let found = lots.store().verify(LOT, &chain).unwrap();
            assert!(found.is_empty() && chain.is_whole(), "{wish:?}, call {n}: {found:?}");
            let there = after.files().contains_key(&path);
            assert_eq!(there, chain.signature_of(LOT).is_some(), "{wish:?}, call {n}");
            if done.is_ok_and(|d| d.unsigned.is_none()) && signs {
                assert!(there, "{wish:?}, call {n}: said to be signed and is not");
            }
            if clean {
                assert_eq!(there, signs, "{wish:?}");
                println!("{} calls, signs: {signs}", n - 1);
                break;
            }
        }
    }
}
