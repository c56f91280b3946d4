//! Families of makes, and one make's recipe drawn from its family.
//!
//! A recipe says what the maker *means* ([`Recipe::plan`]) and, after
//! [`Recipe::vary`], what really happens: shorter, longer, skipped. Ranges are
//! common practice for each family, editable here, from memory where no
//! source is at hand.

use super::chance::Chance;
use crate::engine::plan::{Plan, PlannedStage};
use crate::engine::stage::Stage;

/// Families of makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Family {
    /// Soft or blue: warmed, set long, cut, ladled; no cooking.
    Uncooked,
    /// Pressed, scalded to 37–43 °C over the fire.
    SemiCooked,
    /// Cooked to 50–57 °C in one heat.
    HardCooked,
    /// Semi-cooked, the whey heated afterwards in the same kettle.
    WithWheyCheese,
    /// Washed curd: whey drawn off, hot water poured in.
    Washed,
    /// Cooked in two heats to two temperatures.
    TwoStep,
    /// Cooked fast and hot, rested under the whey.
    QuickCooked,
    /// Scalded low and short, for stretching later.
    LowScald,
}

impl Family {
    /// All families.
    pub const ALL: [Self; 8] = [
        Self::Uncooked,
        Self::SemiCooked,
        Self::HardCooked,
        Self::WithWheyCheese,
        Self::Washed,
        Self::TwoStep,
        Self::QuickCooked,
        Self::LowScald,
    ];

    /// Its name in tables and on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Uncooked => "uncooked",
            Self::SemiCooked => "semi-cooked",
            Self::HardCooked => "hard-cooked",
            Self::WithWheyCheese => "with-whey-cheese",
            Self::Washed => "washed",
            Self::TwoStep => "two-step",
            Self::QuickCooked => "quick-cooked",
            Self::LowScald => "low-scald",
        }
    }

    /// The family of that name, where there is one.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|f| f.name() == name)
    }
}

/// One heating of the curd.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cooking {
    /// Over the fire.
    Fire {
        /// Target, °C.
        to_celsius: f64,
        /// How fast, °C/min.
        rate: f64,
        /// A pause: after this share of the way, for so many minutes.
        pause: Option<(f64, f64)>,
    },
    /// With hot water in pours.
    Water {
        /// Target, °C.
        to_celsius: f64,
        /// The water, °C.
        water_celsius: f64,
        /// In how many pours.
        pours: u32,
        /// Minutes over all pours.
        minutes: f64,
        /// Share of the whey drawn off first.
        drawn: f64,
    },
}

impl Cooking {
    /// Its target, °C.
    pub fn to_celsius(self) -> f64 {
        match self {
            Self::Fire { to_celsius, .. } | Self::Water { to_celsius, .. } => to_celsius,
        }
    }
}

/// Whey heated afterwards in the same kettle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WheyHeat {
    /// Target, °C.
    pub to_celsius: f64,
    /// How fast, °C/min.
    pub rate: f64,
    /// Minutes between drawing the curd and hanging the probe in the whey.
    pub after_minutes: f64,
    /// Minutes it is left to stand.
    pub rest_minutes: f64,
}

/// One make, as meant or as done.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// Its family.
    pub family: Family,
    /// Milk, litres.
    pub litres: f64,
    /// Milk before warming, °C.
    pub milk_celsius: f64,
    /// Where warming ends, °C.
    pub warming_to_celsius: f64,
    /// How fast it warms, °C/min.
    pub warming_rate: f64,
    /// Ripening in the plan, minutes.
    pub ripening_minutes: Option<f64>,
    /// Whether the ripening in the plan is really done.
    pub ripens: bool,
    /// Setting, minutes.
    pub setting_minutes: f64,
    /// From the cut until heat comes back (or the curd leaves), minutes.
    pub cutting_minutes: f64,
    /// The heatings.
    pub cooking: Vec<Cooking>,
    /// Stirring out, minutes; 0 leaves it out.
    pub stirring_minutes: f64,
    /// Settling, minutes; 0 leaves it out.
    pub settling_minutes: f64,
    /// Whey heated afterwards.
    pub whey: Option<WheyHeat>,
    /// What goes otherwise than meant.
    pub turn: Turn,
}

/// A turn that a day can take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Turn {
    /// None.
    None,
    /// The last cook is overshot by so much and saved with cold water, °C.
    Overshot(f64),
    /// Halfway through the last cook the maker marks another target, so much
    /// above or below, °C.
    Retargeted(f64),
    /// After the make the kettle is rinsed with hot water, the probe in it.
    Rinsed,
}

impl Recipe {
    /// A recipe of that family for a kettle of so many litres.
    pub fn drawn(family: Family, litres: f64, chance: &mut Chance) -> Self {
        let mut r = Self::common(family, litres, chance);
        let fire = |to_celsius: f64, rate: f64| Cooking::Fire { to_celsius, rate, pause: None };
        match family {
            Family::Uncooked => {
                r.warming_to_celsius = chance.between(29.0, 34.0);
                r.ripening_minutes = Some(chance.pick(&[30.0, 45.0, 60.0], 45.0));
                r.setting_minutes = chance.between(40.0, 75.0).round();
                r.cutting_minutes = 15.0;
                r.stirring_minutes = 0.0;
                r.settling_minutes = 0.0;
            }
            Family::SemiCooked | Family::WithWheyCheese => {
                r.warming_to_celsius = chance.between(32.0, 36.0);
                r.cooking = vec![fire(chance.between(37.0, 43.0), chance.between(0.3, 0.9))];
                r.stirring_minutes = chance.between(10.0, 30.0).round();
            }
            Family::HardCooked => {
                r.warming_to_celsius = chance.between(31.0, 33.8);
                r.cooking = vec![fire(chance.between(50.0, 57.0), chance.between(0.4, 1.0))];
                r.cutting_minutes = 15.0;
                r.stirring_minutes = chance.between(25.0, 55.0).round();
            }
            Family::Washed => {
                r.warming_to_celsius = chance.between(30.0, 32.0);
                r.cutting_minutes = chance.between(15.0, 30.0).round();
                r.cooking = vec![Cooking::Water {
                    to_celsius: chance.between(35.5, 38.5),
                    water_celsius: chance.between(55.0, 75.0),
                    pours: chance.pick(&[2, 3, 4, 6], 3),
                    minutes: chance.between(8.0, 20.0).round(),
                    drawn: chance.between(0.2, 0.4),
                }];
                r.stirring_minutes = chance.between(12.0, 25.0).round();
            }
            Family::TwoStep => {
                r.warming_to_celsius = chance.between(31.0, 34.0);
                r.cooking = vec![
                    fire(chance.between(39.0, 44.0), chance.between(0.3, 0.6)),
                    fire(chance.between(50.0, 55.0), chance.between(0.7, 1.2)),
                ];
                r.stirring_minutes = chance.between(15.0, 40.0).round();
            }
            Family::QuickCooked => {
                r.warming_to_celsius = chance.between(31.0, 33.5);
                r.setting_minutes = chance.between(12.0, 30.0).round();
                r.cutting_minutes = chance.between(5.0, 12.0).round();
                r.cooking = vec![fire(chance.between(53.0, 56.0), chance.between(0.9, 1.5))];
                r.stirring_minutes = chance.between(4.0, 12.0).round();
                r.settling_minutes = chance.between(20.0, 50.0).round();
            }
            Family::LowScald => {
                r.warming_to_celsius = chance.between(34.0, 37.5);
                r.setting_minutes = chance.between(14.0, 30.0).round();
                r.cooking =
                    vec![fire(r.warming_to_celsius + chance.between(2.5, 4.5), chance.between(0.25, 0.5))];
                r.stirring_minutes = chance.between(10.0, 25.0).round();
            }
        }
        r
    }

    fn common(family: Family, litres: f64, chance: &mut Chance) -> Self {
        let with_whey = family == Family::WithWheyCheese || chance.happens(0.12);
        Self {
            family,
            litres,
            milk_celsius: chance.between(8.0, 28.0),
            warming_to_celsius: 33.0,
            // Bigger kettles warm no faster than a hearth of their size gives.
            warming_rate: chance.between(0.5, 1.4),
            ripening_minutes: chance.happens(0.5).then(|| chance.pick(&[20.0, 30.0, 45.0], 30.0)),
            ripens: chance.happens(0.6),
            setting_minutes: chance.between(24.0, 42.0).round(),
            cutting_minutes: 10.0,
            cooking: Vec::new(),
            stirring_minutes: 20.0,
            settling_minutes: 6.0,
            whey: with_whey.then(|| WheyHeat {
                to_celsius: chance.between(80.0, 90.0),
                rate: chance.between(1.2, 2.5),
                after_minutes: chance.between(6.0, 18.0),
                rest_minutes: 15.0,
            }),
            turn: Turn::None,
        }
    }

    /// What a plan that a person wrote means for the simulated maker with so
    /// many litres, where the plan does not say. What it leaves open is drawn;
    /// what no kettle could do is bent to what one can.
    pub fn by_plan(plan: &Plan, litres: f64, chance: &mut Chance) -> Self {
        let minutes =
            |kind: Stage| plan.stages.iter().find(|s| s.kind == kind).map(|s| s.minutes.unwrap_or(10.0));
        let target = |kind: Stage| plan.stages.iter().find(|s| s.kind == kind).and_then(|s| s.to_celsius);
        let litres = plan.litres.unwrap_or(litres).clamp(20.0, 3000.0);
        let mut r = Self::common(Family::SemiCooked, litres, chance);
        r.warming_to_celsius = target(Stage::Warming).unwrap_or(33.0).clamp(20.0, 45.0);
        r.milk_celsius = r.milk_celsius.min(r.warming_to_celsius - 6.0);
        r.ripening_minutes = minutes(Stage::Ripening);
        r.ripens = true;
        r.setting_minutes = minutes(Stage::Setting).unwrap_or(30.0);
        r.cutting_minutes = minutes(Stage::Cutting).unwrap_or(10.0);
        let mut from = r.warming_to_celsius - 0.8;
        for stage in plan.stages.iter().filter(|s| s.kind == Stage::Cooking) {
            let to_celsius = stage.to_celsius.unwrap_or(from + 5.0).clamp(from + 1.0, 65.0);
            let rate = ((to_celsius - from) / stage.minutes.unwrap_or(20.0)).clamp(0.2, 1.5);
            r.cooking.push(Cooking::Fire { to_celsius, rate, pause: None });
            from = to_celsius;
        }
        r.stirring_minutes = minutes(Stage::Stirring).unwrap_or(0.0);
        r.settling_minutes = minutes(Stage::Settling).unwrap_or(0.0);
        r.whey = target(Stage::WheyHeating).map(|to_celsius| WheyHeat {
            to_celsius: to_celsius.clamp(60.0, 94.0),
            rate: chance.between(1.2, 2.5),
            after_minutes: chance.between(6.0, 18.0),
            rest_minutes: minutes(Stage::WheyResting).unwrap_or(15.0),
        });
        r
    }

    /// The plan that the maker writes down; the whey's heating only where
    /// `whey_planned`.
    pub fn plan(&self, whey_planned: bool) -> Plan {
        let mut stages = vec![to(Stage::Warming, self.warming_to_celsius)];
        if let Some(minutes) = self.ripening_minutes {
            stages.push(PlannedStage { optional: true, ..lasting(Stage::Ripening, minutes) });
        }
        stages.push(lasting(Stage::Setting, self.setting_minutes));
        stages.push(lasting(Stage::Cutting, self.cutting_minutes));
        let mut from = self.warming_to_celsius - 0.8;
        for cooking in &self.cooking {
            let minutes = match *cooking {
                Cooking::Fire { to_celsius, rate, .. } => (to_celsius - from) / rate,
                Cooking::Water { minutes, .. } => minutes,
            };
            from = cooking.to_celsius();
            let minutes = Some(minutes.round().max(2.0));
            stages.push(PlannedStage { minutes, ..to(Stage::Cooking, cooking.to_celsius()) });
        }
        if self.stirring_minutes > 0.0 {
            stages.push(lasting(Stage::Stirring, self.stirring_minutes));
        }
        if self.settling_minutes > 0.0 {
            stages.push(lasting(Stage::Settling, self.settling_minutes));
        }
        stages.push(PlannedStage::of(Stage::Drawing));
        if let (Some(whey), true) = (self.whey, whey_planned) {
            stages.push(to(Stage::WheyHeating, whey.to_celsius));
            stages.push(lasting(Stage::WheyResting, whey.rest_minutes));
        }
        Plan { name: self.family.name().into(), stages, ..Plan::default() }
    }

    /// What really happens. Ordinary makes run up to 1.6 times the plan;
    /// `odd` is the probability, stage by stage, of a third to three times,
    /// of a stage left out and of a pause in the cook.
    #[must_use]
    pub fn vary(&self, odd: f64, chance: &mut Chance) -> Self {
        let mut r = self.clone();
        let mut stretch = |minutes: f64, low: f64, high: f64| {
            minutes * if chance.happens(odd) { chance.scale(0.34, 2.95) } else { chance.scale(low, high) }
        };
        r.setting_minutes = stretch(r.setting_minutes, 0.92, 1.08);
        r.cutting_minutes = stretch(r.cutting_minutes, 0.6, 1.6);
        r.stirring_minutes = stretch(r.stirring_minutes, 1.0, 1.5);
        r.settling_minutes = stretch(r.settling_minutes, 0.65, 1.45);
        r.ripening_minutes = r.ripening_minutes.map(|m| stretch(m, 0.9, 1.4)).filter(|_| r.ripens);
        if let Some(whey) = &mut r.whey {
            whey.rest_minutes = stretch(whey.rest_minutes, 0.8, 1.3);
        }
        for cooking in &mut r.cooking {
            if let Cooking::Fire { rate, pause, .. } = cooking {
                *rate *= chance.scale(0.75, 1.2);
                if chance.happens(odd) {
                    *pause = Some((chance.between(0.25, 0.75), chance.between(3.0, 12.0)));
                }
            }
        }
        if chance.happens(0.3 * odd) {
            r.settling_minutes = 0.0;
        }
        if chance.happens(odd) {
            let turns = [
                Turn::Overshot(chance.between(1.5, 3.5)),
                Turn::Retargeted(chance.between(-2.0, 2.0)),
                Turn::Rinsed,
            ];
            r.turn = chance.pick(&turns, Turn::None);
        }
        r
    }
}

fn to(kind: Stage, celsius: f64) -> PlannedStage {
    // A maker writes hundredths at most.
    PlannedStage { to_celsius: Some((celsius * 100.0).round() / 100.0), ..PlannedStage::of(kind) }
}

fn lasting(kind: Stage, minutes: f64) -> PlannedStage {
    PlannedStage { minutes: Some(minutes), ..PlannedStage::of(kind) }
}

#[cfg(test)]
mod tests;
