//! The finder against every way there is: a small model, few bins, and every
//! segmentation written out. Nothing is merged or pruned here, so nothing can
//! be merged or pruned wrongly.
//!
//! Two comparisons. With silent bins only the laws of duration speak: the sum
//! over all segmentations is done here with formulas of its own. With a trace,
//! each segmentation walks it alone, with its own Kalman filter; the finder
//! merges those that enter a phase together, and keeps the best one's filter.

use super::*;
use crate::engine::stage::grammar::{COLDEST_C, FIRE_PACE, Slot};

const BINS: usize = 12;

/// A phase that is left with probabilities `leave[age]`, the last for ever.
fn phase(slot: usize, phase: Phase, leave: &[f64], next: &[(usize, f64)]) -> Node {
    Node {
        slot,
        phase,
        target: None,
        pace: FIRE_PACE,
        set: None,
        coldest: COLDEST_C,
        hottest: 0.0,
        ln_stay: leave.iter().map(|p| libm::log(1.0 - p) as f32).collect(),
        ln_leave: leave.iter().map(|p| libm::log(*p) as f32).collect(),
        next: next.iter().map(|(to, share)| (*to, libm::log(*share))).collect(),
    }
}

/// Gel, cut, heat, stirring; the cut may be left out, and stirring may be
/// broken by another heat.
fn grammar() -> Grammar {
    let slot = |stage| Slot { stage, target_celsius: None, minutes: None };
    Grammar {
        slots: [Stage::Idle, Stage::Setting, Stage::Cutting, Stage::Cooking, Stage::Stirring]
            .map(slot)
            .into(),
        nodes: vec![
            phase(1, Phase::Gel, &[0.02, 0.1, 0.25, 0.4, 0.5, 0.3], &[(1, 0.7), (2, 0.3)]),
            phase(2, Phase::Cut, &[0.05, 0.15, 0.5, 0.6, 0.4], &[(2, 1.0)]),
            phase(3, Phase::Ramp, &[0.01, 0.05, 0.2, 0.45, 0.5], &[(3, 1.0)]),
            phase(4, Phase::Held, &[0.02, 0.03, 0.06, 0.1], &[(2, 0.4)]),
        ],
    }
}

fn silent(k: usize) -> Bin {
    let end_s = (k + 1) as f64 * BIN_S;
    Bin { end_s, celsius: None, mid_s: end_s - 5.0, n: 0, var_white: 0.0, away: false }
}

/// Every sequence of phases over the bins: the phase in each bin after its
/// step, and whether it was entered in it.
fn segmentations(g: &Grammar, bins: usize) -> Vec<Vec<(usize, bool)>> {
    let mut all: Vec<Vec<(usize, bool)>> = vec![Vec::new()];
    for _ in 0..bins {
        let mut longer = Vec::new();
        for way in &all {
            let node = way.last().map_or(0, |w| w.0);
            let goes = g.nodes[node].next.iter().map(|(to, _)| (*to, true));
            for step in std::iter::once((node, false)).chain(goes) {
                let mut way = way.clone();
                way.push(step);
                longer.push(way);
            }
        }
        all = longer;
    }
    all
}

/// Probability of each phase after the last bin.
fn by_finder(f: &Finder) -> Vec<f64> {
    (0..f.grammar.nodes.len())
        .map(|n| f.hyps.iter().filter(|h| h.node == n).map(|h| libm::exp(h.w)).sum())
        .collect()
}

/// The same from ways and the logarithm of each one's probability.
fn by_enumeration(g: &Grammar, ways: &[(usize, f64)]) -> Vec<f64> {
    let best = ways.iter().map(|w| w.1).fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = ways.iter().map(|w| libm::exp(w.1 - best)).sum();
    (0..g.nodes.len())
        .map(|n| ways.iter().filter(|w| w.0 == n).map(|w| libm::exp(w.1 - best)).sum::<f64>() / total)
        .collect()
}

/// Prints both side by side; gives the largest difference.
fn compare(title: &str, g: &Grammar, ours: &[f64], theirs: &[f64]) -> f64 {
    let mut worst = 0.0f64;
    for (node, (a, b)) in g.nodes.iter().zip(ours.iter().zip(theirs)) {
        println!("{title} {:?}: finder {a:.6}, enumeration {b:.6}", node.phase);
        worst = worst.max((a - b).abs());
    }
    worst
}

/// Laws of duration alone: the probability of a way is the product of what it
/// does in each bin.
#[test]
fn durations_alone_agree_with_every_segmentation() {
    let g = grammar();
    let mut f = Finder::new(g.clone());
    // Milk at 32 °C: no heat is left early for being cold.
    f.hyps[0].kf = Kf::fresh(32.0, 0.3);
    let ways = segmentations(&g, BINS);
    println!("{} segmentations of {BINS} bins", ways.len());
    for k in 0..BINS {
        f.step(&silent(k), 1.0e-3);
    }
    let weighed: Vec<(usize, f64)> = ways
        .iter()
        .map(|way| {
            let (mut node, mut entered, mut ln) = (0, 0, 0.0);
            for (k, &(to, enters)) in way.iter().enumerate() {
                let from = &g.nodes[node];
                let age = (k - entered).min(from.ln_stay.len() - 1);
                if enters {
                    let share = from.next.iter().find(|n| n.0 == to).unwrap().1;
                    ln += f64::from(from.ln_leave[age]) + share;
                    (node, entered) = (to, k);
                } else {
                    ln += f64::from(from.ln_stay[age]);
                }
            }
            (node, ln)
        })
        .collect();
    let worst = compare("durations", &g, &by_finder(&f), &by_enumeration(&g, &weighed));
    println!("largest difference {worst:.1e}");
    assert!(worst < 1.0e-4, "{worst}");
}

/// One way walks the trace alone.
fn alone(g: &Grammar, way: &[(usize, bool)], bins: &[Bin]) -> (usize, f64) {
    let mut f = Finder::new(g.clone());
    for (bin, &(to, enters)) in bins.iter().zip(way) {
        let start_s = bin.end_s - BIN_S;
        f.zero_s.get_or_insert(start_s);
        f.var_recent = 1.0e-3;
        f.spawned.clear();
        let h = f.hyps[0].clone();
        let from = &g.nodes[h.node];
        let (ln_stay, ln_leave) = from.ln_stay_leave((f.bin - h.entered) as usize);
        if enters {
            let share = from.next.iter().find(|n| n.0 == to).unwrap().1;
            let aim = f.aim(&h, to);
            let path = f.path_into(to, 0, h.path[from.slot]);
            f.spawn(to, h.w + ln_leave + share + aim, 0, path, bin);
            f.hyps.clear();
        } else {
            f.hyps[0].w += ln_stay;
        }
        f.weigh(bin);
        let mut spawned = std::mem::take(&mut f.spawned);
        f.hyps.append(&mut spawned);
        f.bin += 1;
    }
    (f.hyps[0].node, f.hyps[0].w)
}

/// A trace of `quiet` bins at 32 °C and then a ramp of `rate` °C a bin for
/// `heated` bins.
fn trace(quiet: usize, heated: usize, rate: f64) -> Vec<Bin> {
    let scatter = [0.01, -0.02, 0.0, 0.02, -0.01, 0.01, 0.02, -0.02];
    (0..BINS)
        .map(|k| {
            let rise = rate * (k + 1).saturating_sub(quiet).min(heated) as f64;
            Bin { celsius: Some(32.0 + rise + scatter[k % 8]), n: 10, var_white: 1.0e-4, ..silent(k) }
        })
        .collect()
}

#[test]
fn a_trace_agrees_with_every_segmentation_walked_alone() {
    let g = grammar();
    let ways = segmentations(&g, BINS);
    for (title, bins) in [
        ("quiet", trace(BINS, 0, 0.0)),
        ("heated at last", trace(8, 4, 0.12)),
        ("heated and held", trace(4, 5, 0.15)),
        ("barely heated", trace(6, 6, 0.03)),
    ] {
        let mut f = Finder::new(g.clone());
        for bin in &bins {
            f.step(bin, 1.0e-3);
        }
        let weighed: Vec<(usize, f64)> = ways.iter().map(|w| alone(&g, w, &bins)).collect();
        let (ours, theirs) = (by_finder(&f), by_enumeration(&g, &weighed));
        let worst = compare(title, &g, &ours, &theirs);
        println!("{title}: largest difference {worst:.4}");
        // Merging keeps one filter for all that entered together: this is what
        // it may cost.
        assert!(worst < 0.03, "{title}: {worst}");
        let best = |p: &[f64]| (0..p.len()).max_by(|a, b| p[*a].total_cmp(&p[*b]));
        assert_eq!(best(&ours), best(&theirs), "{title}");
    }
}
