//! What the finder's hypotheses say together of each slot, and of the phase now.

use super::finder::{Finder, MOST_SLOTS, NEVER};
use super::grammar::{MOST_NODES, Phase};
use crate::engine::bins::BIN_S;

/// What is known of one slot.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Belief {
    pub reached: f64,
    pub place: f64,
    pub sd_s: f64,
    /// Where a later slot begins, where one is believed to.
    pub next: Option<f64>,
}

/// What is known of every slot.
pub(super) fn beliefs(f: &Finder) -> [Belief; MOST_SLOTS] {
    let mut all = [Belief::default(); MOST_SLOTS];
    for h in &f.hyps {
        let p = h.p;
        for (slot, b) in all.iter_mut().enumerate().take(f.grammar.slots.len()) {
            let place = h.path[slot];
            if place > NEVER {
                b.reached += p;
                b.place += p * f64::from(place);
                b.sd_s += p * f64::from(place) * f64::from(place);
            }
        }
    }
    for b in &mut all {
        if b.reached > 1.0e-9 {
            b.place /= b.reached;
            b.sd_s = BIN_S * libm::sqrt((b.sd_s / b.reached - b.place * b.place).max(0.0));
        }
        b.reached = b.reached.min(1.0);
    }
    let mut next = None;
    for b in all.iter_mut().rev() {
        b.next = next;
        if b.reached >= 0.5 {
            next = Some(b.place);
        }
    }
    all
}

/// The most likely phase now, and its probability.
pub(super) fn best_phase(f: &Finder) -> (Phase, f64) {
    let mut sums = [0.0f64; MOST_NODES];
    for h in &f.hyps {
        sums[h.node] += h.p;
    }
    let (node, p) = sums.iter().enumerate().fold((0, 0.0), |b, (i, p)| if *p > b.1 { (i, *p) } else { b });
    (f.grammar.nodes[node].phase, p)
}
