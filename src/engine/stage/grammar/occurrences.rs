//! What stages a make has, in order, and how likely each is left out: by a plan, or by the
//! general prior.

use super::Slot;
use crate::engine::plan::Plan;
use crate::engine::stage::Stage;

pub(super) struct Occurrence {
    pub slot: Slot,
    /// Probability that it is left out.
    pub skip: f64,
}

fn occurrence(stage: Stage, minutes: Option<f64>, target_celsius: Option<f64>, skip: f64) -> Occurrence {
    Occurrence { slot: Slot { stage, target_celsius, minutes }, skip }
}

pub(super) fn general() -> Vec<Occurrence> {
    vec![
        occurrence(Stage::Warming, None, None, 0.02),
        occurrence(Stage::Ripening, None, None, 0.6),
        occurrence(Stage::Setting, None, None, 0.02),
        occurrence(Stage::Cutting, None, None, 0.03),
        occurrence(Stage::Cooking, None, None, 0.15),
        occurrence(Stage::Stirring, None, None, 0.1),
        occurrence(Stage::Settling, None, None, 0.3),
        occurrence(Stage::Drawing, None, None, 0.01),
        occurrence(Stage::WheyHeating, None, None, 0.3),
        occurrence(Stage::WheyResting, None, None, 0.1),
    ]
}

/// The plan's stages, and between them what a maker may do without having
/// written it down.
///
/// What is written down is done oftener than not, though it be optional.
pub(super) fn planned(plan: &Plan) -> Vec<Occurrence> {
    let mut list: Vec<Occurrence> = plan
        .stages
        .iter()
        .filter(|s| s.kind != Stage::Idle)
        .map(|s| occurrence(s.kind, s.minutes, s.to_celsius, if s.optional { 0.35 } else { 0.03 }))
        .collect();
    let cooks = list.iter().any(|o| o.slot.stage == Stage::Cooking);
    for (stage, skip) in [
        (Stage::Warming, 0.05),
        (Stage::Ripening, 0.93),
        (Stage::Setting, 0.05),
        (Stage::Cutting, 0.05),
        // A plan that was left in from another cheese must not lose the cook.
        (Stage::Cooking, 0.97),
        (Stage::Stirring, if cooks { 0.1 } else { 0.9 }),
        (Stage::Settling, if cooks { 0.4 } else { 0.95 }),
        (Stage::Drawing, 0.02),
        (Stage::WheyHeating, 0.4),
        (Stage::WheyResting, 0.1),
    ] {
        if !list.iter().any(|o| o.slot.stage == stage) {
            let at = list.iter().position(|o| o.slot.stage > stage).unwrap_or(list.len());
            list.insert(at, occurrence(stage, None, None, skip));
        }
    }
    list
}
