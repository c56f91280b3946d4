//! How far a displayed temperature may be off, by the GUM: standard
//! uncertainties of independent causes, root sum of squares, times k = 2
//! (about 95 %).

use super::raw::Chip;
use super::resistance::PlatinumClass;
use super::thermocouple::{Class, Couple};

/// One cause, °C, as a standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cause {
    /// What it is.
    pub name: &'static str,
    /// Standard uncertainty, °C.
    pub standard_celsius: f64,
}

/// All causes of one probe's uncertainty at one temperature.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Budget {
    causes: Vec<Cause>,
}

/// The factor from standard to expanded uncertainty.
pub const K: f64 = 2.0;

impl Budget {
    /// A cause whose standard uncertainty is known.
    #[must_use]
    pub fn standard(mut self, name: &'static str, standard_celsius: f64) -> Self {
        self.causes.push(Cause { name, standard_celsius });
        self
    }

    /// A cause known only to lie within ±`half_width` (rectangular): /√3.
    #[must_use]
    pub fn within(self, name: &'static str, half_width_celsius: f64) -> Self {
        self.standard(name, half_width_celsius / libm::sqrt(3.0))
    }

    /// A resolution: within half a step either way.
    #[must_use]
    pub fn step(self, name: &'static str, step_celsius: f64) -> Self {
        self.within(name, step_celsius / 2.0)
    }

    /// The causes, as they were added.
    pub fn causes(&self) -> &[Cause] {
        &self.causes
    }

    /// Combined standard uncertainty, °C.
    pub fn combined_celsius(&self) -> f64 {
        libm::sqrt(self.causes.iter().map(|c| c.standard_celsius * c.standard_celsius).sum())
    }

    /// Expanded uncertainty, k = 2, °C: what is shown after ±.
    ///
    /// ```
    /// use curdtrace::sensor::uncertainty::Budget;
    /// let b = Budget::default().standard("a", 0.3).standard("b", 0.4);
    /// assert!((b.expanded_celsius() - 1.0).abs() < 1e-12);
    /// ```
    pub fn expanded_celsius(&self) -> f64 {
        K * self.combined_celsius()
    }
}

/// The smallest step of a source's numbers, found from the numbers: a quarter
/// degree, a sixteenth, or so small that it does not matter.
#[derive(Debug, Clone, Copy, Default)]
pub struct StepSeen {
    last: Option<f64>,
    least: Option<f64>,
}

impl StepSeen {
    /// Takes one number, °C.
    pub fn take(&mut self, celsius: f64) {
        let change = self.last.map(|l| (celsius - l).abs()).filter(|c| *c > 1e-6);
        if let Some(change) = change {
            self.least = Some(self.least.map_or(change, |l| l.min(change)));
        }
        self.last = Some(celsius);
    }

    /// The smallest change seen, °C, at most one degree; 0 before any.
    pub fn celsius(&self) -> f64 {
        self.least.unwrap_or(0.0).min(1.0)
    }
}

/// What the maker of the sensor promises.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Grade {
    /// A thermocouple of a class.
    Couple(Couple, Class),
    /// A platinum sensor of a class.
    Platinum(PlatinumClass),
    /// ± so much, °C, by the data sheet.
    Stated(f64),
}

impl Grade {
    /// Half width of the promise at `celsius`, °C. Outside the class's range
    /// there is none.
    pub fn at(self, celsius: f64) -> Option<f64> {
        match self {
            Self::Couple(couple, class) => couple.tolerance(class)?.at(celsius),
            Self::Platinum(class) => Some(class.at(celsius)),
            Self::Stated(half_width) => Some(half_width),
        }
    }
}

/// How good the box's cold junction is, °C: half width. MAX31855, MAX31856 and
/// MAX6675 by their data sheets between 20 and 85 °C (from memory), others
/// taken alike.
pub fn cold_junction_within(chip: Option<Chip>) -> f64 {
    match chip {
        Some(Chip::Max31856) => 0.7,
        Some(Chip::Max31855) => 2.0,
        Some(Chip::Max6675) => 3.0,
        None => 1.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_found_from_the_numbers() {
        let mut step = StepSeen::default();
        for c in [34.5, 34.5, 35.0, 34.75, 36.0] {
            step.take(c);
        }
        assert!((step.celsius() - 0.25).abs() < 1e-12);
        assert!(StepSeen::default().celsius().abs() < 1e-12);
    }

    /// By hand: class 1 type T at 54 °C ±0.5 → 0.289; a cold junction within
    /// ±1.0 → 0.577; a step of 0.25 → 0.072; root sum of squares 0.649; ×2.
    #[test]
    fn a_budget_by_hand() {
        let grade = Grade::Couple(Couple::T, Class::One).at(54.0).unwrap();
        let b = Budget::default().within("sensor", grade).within("cold junction", 1.0).step("step", 0.25);
        assert!((b.combined_celsius() - 0.649).abs() < 0.001, "{}", b.combined_celsius());
        assert!((b.expanded_celsius() - 1.299).abs() < 0.002);
        assert_eq!(b.causes().len(), 3);
        assert_eq!(Grade::Platinum(PlatinumClass::A).at(50.0), Some(0.25));
        assert_eq!(Grade::Couple(Couple::K, Class::One).at(1300.0), None);
    }
}
