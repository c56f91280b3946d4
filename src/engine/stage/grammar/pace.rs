//! How fast a plan means its curd to be cooked.

use super::Occurrence;
use crate::engine::stage::Stage;

/// How fast a fire heats, °C/min; how slow a cook may be meant, and how slow one may be of
/// which nothing is said.
pub(in crate::engine::stage) const FIRE_PACE: f64 = 0.7;
const LEAST_PACE: f64 = 0.08;
const ANY_PACE: f64 = 0.25;

/// How fast the plan means the curd to be cooked, of which `list[i]` is, or is about to
/// be, or was, °C/min: a scald takes an hour and a half for what a fire does in fifteen
/// minutes.
pub(super) fn pace(list: &[Occurrence], i: usize) -> f64 {
    if !(Stage::Cutting..Stage::Drawing).contains(&list[i].slot.stage) {
        return FIRE_PACE;
    }
    let cooks = |o: &Occurrence| o.slot.stage == Stage::Cooking;
    let next = (i..list.len()).find(|k| cooks(&list[*k]));
    let Some(cook) = next.or_else(|| (0..i).rev().find(|k| cooks(&list[*k]))) else { return FIRE_PACE };
    let slot = &list[cook].slot;
    let from = list[..cook].iter().rev().find_map(|o| o.slot.target_celsius);
    let (Some(to), Some(minutes), Some(from)) = (slot.target_celsius, slot.minutes, from) else {
        return ANY_PACE;
    };
    ((to - from) / minutes.max(1.0)).clamp(LEAST_PACE, FIRE_PACE)
}
