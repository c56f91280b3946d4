use super::{Chance, Family, Recipe};
use crate::engine::stage::Stage;

/// A plan written from a recipe gives the recipe's figures back.
#[test]
fn a_plan_read_back_means_the_same() {
    for family in [Family::SemiCooked, Family::HardCooked, Family::TwoStep, Family::Uncooked] {
        let meant = Recipe::drawn(family, 200.0, &mut Chance::of(5));
        let again = Recipe::by_plan(&meant.plan(true), 200.0, &mut Chance::of(6));
        assert!((again.warming_to_celsius - meant.warming_to_celsius).abs() < 0.01);
        assert_eq!(again.cooking.len(), meant.cooking.len(), "{}", family.name());
        for (a, b) in again.cooking.iter().zip(&meant.cooking) {
            assert!((a.to_celsius() - b.to_celsius()).abs() < 0.01);
        }
        assert!((again.setting_minutes - meant.setting_minutes).abs() < 1e-9);
        assert_eq!(again.whey.is_some(), meant.whey.is_some());
    }
}

#[test]
fn every_plan_begins_with_warming_and_holds_drawing() {
    for family in Family::ALL {
        for seed in 0..20 {
            let plan = Recipe::drawn(family, 200.0, &mut Chance::of(seed)).plan(true);
            assert_eq!(plan.stages[0].kind, Stage::Warming);
            assert!(plan.stages.iter().any(|s| s.kind == Stage::Drawing));
            for s in &plan.stages {
                assert!(s.minutes.is_none_or(|m| m >= 1.0), "{} {s:?}", family.name());
            }
        }
    }
}
