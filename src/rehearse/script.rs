//! The maker's script: a recipe as a row of small acts.

use super::chance::Chance;
use super::family::{Cooking, Recipe, Turn};
use super::kettle::WATER_KJ_PER_LITRE_K;
use super::probe::Place;
use super::world::Motion;
use crate::engine::event::MarkKind;
use crate::engine::stage::Stage;

/// One thing the maker does.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// A stage begins here in truth.
    Begin(Stage),
    /// A heating of the curd begins, with this target, °C.
    BeginCook(f64),
    /// The heating is over; stirring out begins where the target was reached,
    /// or at the peak.
    EndCook,
    /// Presses a button.
    Mark(MarkKind),
    /// Stirs, or lets it be.
    Move(Motion),
    /// Puts the lid on or takes it off.
    Lid(bool),
    /// Hangs the probe in the kettle or lays it aside.
    Put(Place),
    /// Waits, seconds.
    Wait(f64),
    /// Heats to a temperature by feel: °C, °C/min.
    Heat(f64, f64),
    /// Heats until called: target °C, °C/min.
    HeatUntilCalled(f64, f64),
    /// Pours so many litres of so many °C over so many seconds.
    Pour(f64, f64, f64),
    /// Hot water in so many litres' worth to reach a temperature: target °C,
    /// water °C, pours still to come, seconds for this one.
    PourTowards(f64, f64, u32, f64),
    /// Draws off a share.
    DrawOff(f64),
    /// Changes his mind about the running cook's target, °C.
    Retarget(f64),
    /// Empties the kettle and fills in so many litres of water of so many °C.
    Refill(f64, f64),
    /// Keeps the curd warm: seconds, heats below, up to.
    Keep(f64, f64, f64),
}

/// How the maker ends a heating.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// By hand and eye, somewhat short of the target or beyond.
    Feel,
    /// When called, a reaction later.
    Called,
}

/// The script of one make as really done.
pub fn script(r: &Recipe, ending: Ending, chance: &mut Chance) -> Vec<Act> {
    let mut acts = Vec::new();
    before(&mut acts, chance);
    warming(&mut acts, r, chance);
    setting_and_cutting(&mut acts, r, chance);
    for (i, &cooking) in r.cooking.iter().enumerate() {
        acts.extend([Act::Move(Motion::Stirred), Act::BeginCook(hundredths(cooking.to_celsius()))]);
        let last = i + 1 == r.cooking.len();
        let turn = if last { r.turn } else { Turn::None };
        let from = if i == 0 { r.warming_to_celsius - 0.8 } else { r.cooking[i - 1].to_celsius() };
        let cooking = cook(&mut acts, from, cooking, turn, ending, chance);
        if last && r.stirring_minutes > 0.0 {
            acts.push(Act::EndCook);
            stirring(&mut acts, r, cooking, chance);
        } else if !last {
            acts.push(Act::Wait(chance.between(30.0, 300.0)));
        }
    }
    drawing(&mut acts, r, chance);
    if r.whey.is_some() {
        whey(&mut acts, r, chance);
    }
    if r.turn == Turn::Rinsed {
        rinse(&mut acts, r, chance);
    }
    acts.push(Act::Wait(chance.between(700.0, 1500.0)));
    acts
}

fn before(acts: &mut Vec<Act>, chance: &mut Chance) {
    let waits = if chance.happens(0.1) { chance.scale(1200.0, 9000.0) } else { chance.between(150.0, 600.0) };
    acts.extend([Act::Put(Place::Air), Act::Wait(waits)]);
}

fn warming(acts: &mut Vec<Act>, r: &Recipe, chance: &mut Chance) {
    acts.extend([Act::Begin(Stage::Warming), Act::Put(Place::Milk), Act::Move(Motion::Stirred)]);
    if chance.happens(0.5) {
        acts.push(Act::Wait(chance.between(5.0, 60.0)));
    }
    let to = r.warming_to_celsius + 0.3 * chance.normal() - 0.3;
    acts.extend([Act::Heat(to, r.warming_rate), Act::Wait(chance.between(20.0, 140.0))]);
    if let Some(minutes) = r.ripening_minutes {
        acts.extend([
            Act::Begin(Stage::Ripening),
            Act::Mark(MarkKind::Culture),
            Act::Lid(chance.happens(0.6)),
            Act::Move(Motion::Still),
            Act::Wait(minutes * 60.0),
            Act::Move(Motion::Stirred),
        ]);
        if chance.happens(0.5) {
            // The fire comes back for a moment to make up what was lost.
            acts.extend([Act::Wait(20.0), Act::Heat(r.warming_to_celsius - 0.2, 0.5)]);
        }
    } else {
        let tarries = chance.happens(0.3);
        acts.push(Act::Wait(if tarries { chance.between(60.0, 400.0) } else { chance.between(0.0, 50.0) }));
    }
}

fn setting_and_cutting(acts: &mut Vec<Act>, r: &Recipe, chance: &mut Chance) {
    acts.extend([
        Act::Wait(chance.between(10.0, 40.0)),
        Act::Mark(MarkKind::Rennet),
        Act::Pour(r.litres * 0.005, 12.0, 5.0),
        Act::Wait(chance.between(55.0, 130.0)),
        Act::Begin(Stage::Setting),
        Act::Move(Motion::Gel),
        Act::Lid(chance.happens(0.2)),
        Act::Wait(r.setting_minutes * 60.0),
        Act::Lid(false),
        Act::Begin(Stage::Cutting),
        Act::Mark(MarkKind::Cut),
        Act::Move(Motion::Gently),
    ]);
    let work_s = r.cutting_minutes * 60.0;
    if chance.happens(0.3) && work_s > 400.0 {
        // A healing rest after the cut.
        let (cut_s, rest_s) = (chance.between(120.0, 240.0), chance.between(60.0, 0.4 * work_s));
        acts.extend([
            Act::Wait(cut_s),
            Act::Move(Motion::Still),
            Act::Wait(rest_s),
            Act::Move(Motion::Gently),
            Act::Wait((work_s - cut_s - rest_s).max(0.0)),
        ]);
    } else {
        acts.push(Act::Wait(work_s));
    }
}

/// One heating, of curd that is at about `from` °C; gives it back with the target
/// that held at its end.
fn cook(
    acts: &mut Vec<Act>,
    from: f64,
    cooking: Cooking,
    turn: Turn,
    ending: Ending,
    chance: &mut Chance,
) -> Cooking {
    match cooking {
        Cooking::Fire { to_celsius, rate, pause } => {
            let halfway = |share: f64| from + share * (to_celsius - from);
            acts.push(Act::Mark(MarkKind::HeatOn));
            if let Some((share, minutes)) = pause {
                acts.extend([Act::Heat(halfway(share), rate), Act::Wait(minutes * 60.0)]);
            }
            let mut target = hundredths(to_celsius);
            if let Turn::Retargeted(by) = turn {
                // Never below where the milk already is.
                let share = pause.map_or(0.5, |p| p.0);
                target = hundredths((to_celsius + by).max(halfway(share) + 1.0));
                if pause.is_none() {
                    acts.push(Act::Heat(halfway(share), rate));
                }
                acts.extend([Act::Mark(MarkKind::Target(target)), Act::Retarget(target)]);
            }
            match ending {
                Ending::Called => acts.push(Act::HeatUntilCalled(target, rate)),
                Ending::Feel => {
                    // A hand feels the ramp: the faster, the earlier.
                    let mut short = 0.15 + 0.5 * rate + 0.3 * chance.normal();
                    if let Turn::Overshot(by) = turn {
                        short = -by;
                    }
                    acts.push(Act::Heat(target - short, rate));
                }
            }
            acts.push(Act::Mark(MarkKind::HeatOff));
            if let (Turn::Overshot(_), Ending::Feel) = (turn, ending) {
                acts.extend([
                    Act::Wait(chance.between(20.0, 90.0)),
                    Act::PourTowards(target, chance.between(6.0, 14.0), 1, chance.between(20.0, 60.0)),
                ]);
            }
            Cooking::Fire { to_celsius: target, rate, pause }
        }
        Cooking::Water { to_celsius, water_celsius, pours, minutes, drawn } => {
            acts.push(Act::DrawOff(drawn));
            let each_s = minutes * 60.0 / f64::from(pours);
            for left in (1..=pours).rev() {
                let over_s = (0.6 * each_s).min(chance.between(40.0, 150.0));
                acts.extend([
                    Act::Mark(MarkKind::Wash),
                    Act::PourTowards(hundredths(to_celsius) + 0.15, water_celsius, left, over_s),
                ]);
                if left > 1 {
                    acts.push(Act::Wait((each_s - over_s).max(10.0)));
                }
            }
            cooking
        }
    }
}

fn stirring(acts: &mut Vec<Act>, r: &Recipe, cooking: Cooking, chance: &mut Chance) {
    let total_s = r.stirring_minutes * 60.0;
    let coasts_s = chance.between(120.0, 500.0).min(total_s);
    acts.push(Act::Wait(coasts_s));
    let rest_s = total_s - coasts_s;
    let target = cooking.to_celsius();
    match cooking {
        Cooking::Fire { .. } if chance.happens(0.85) => {
            let low = target - chance.between(0.2, 0.9);
            acts.push(Act::Keep(rest_s, low, target + chance.between(-0.15, 0.15)));
        }
        _ => acts.push(Act::Wait(rest_s)),
    }
}

fn drawing(acts: &mut Vec<Act>, r: &Recipe, chance: &mut Chance) {
    if r.settling_minutes > 0.0 {
        acts.extend([
            Act::Begin(Stage::Settling),
            Act::Move(Motion::Still),
            Act::Wait(r.settling_minutes * 60.0),
        ]);
    }
    acts.extend([Act::Begin(Stage::Drawing), Act::Mark(MarkKind::Lift), Act::Put(Place::Air)]);
    acts.extend([Act::Move(Motion::Still), Act::DrawOff(0.15)]);
    if chance.happens(0.2) {
        acts.push(Act::Wait(chance.between(60.0, 600.0)));
    }
}

fn whey(acts: &mut Vec<Act>, r: &Recipe, chance: &mut Chance) {
    let Some(whey) = r.whey else { return };
    acts.extend([
        Act::Wait(whey.after_minutes * 60.0),
        Act::Put(Place::Milk),
        Act::Move(Motion::Stirred),
        Act::Wait(chance.between(20.0, 90.0)),
        Act::Begin(Stage::WheyHeating),
        Act::Mark(MarkKind::HeatOn),
        Act::Heat(whey.to_celsius - chance.between(0.1, 0.9), whey.rate),
        Act::Begin(Stage::WheyResting),
        Act::Mark(MarkKind::HeatOff),
        Act::Move(Motion::Still),
        Act::Wait(whey.rest_minutes * 60.0),
        Act::Put(Place::Air),
    ]);
}

fn rinse(acts: &mut Vec<Act>, r: &Recipe, chance: &mut Chance) {
    acts.extend([
        Act::Begin(Stage::Idle),
        Act::Wait(chance.between(300.0, 1200.0)),
        Act::Refill(0.2 * r.litres, chance.between(45.0, 65.0)),
        Act::Move(Motion::Stirred),
        Act::Put(Place::Milk),
        Act::Wait(chance.between(120.0, 900.0)),
        Act::Put(Place::Air),
    ]);
}

/// Litres of water that bring the kettle from one temperature to another.
pub fn litres_towards(milk_kj_per_k: f64, from: f64, to: f64, water: f64) -> f64 {
    // Water on the wrong side of the wish never gets there.
    let towards = (to - from) / (water - to);
    if towards.is_finite() { (milk_kj_per_k * towards / WATER_KJ_PER_LITRE_K).max(0.0) } else { 0.0 }
}

fn hundredths(celsius: f64) -> f64 {
    (celsius * 100.0).round() / 100.0
}

#[cfg(test)]
mod tests {
    use super::litres_towards;

    #[test]
    fn wash_water_for_two_thirds_of_a_vat() {
        // 66.7 L (as water) from 31 to 37 °C with water at 60 °C: 17.4 L.
        let litres = litres_towards(66.7 * 4.18, 31.0, 37.0, 60.0);
        assert!((litres - 17.4).abs() < 0.1, "{litres}");
    }
}
