//! Scenes for the alarms: a kettle at rest, in the cook, and noise.

use curdtrace::engine::probe::Health;
use curdtrace::engine::situation::{Outlook, Situation};
use curdtrace::engine::stage::{Basis, Stage};

/// Reproducible noise: a linear congruential generator (Knuth's MMIX numbers),
/// twelve uniform draws for one normal one.
pub struct Noise(pub u64);

impl Noise {
    /// Uniform in [0, 1).
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Normal, mean 0, standard deviation 1.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// Stirring out at 41 °C, everything well.
pub fn stirring() -> Situation {
    Situation {
        t_s: 0.0,
        celsius: Some(41.0),
        plain_celsius: None,
        rate_celsius_per_min: Some(0.0),
        number_age_s: 0.0,
        silent_s: 0.0,
        every_s: 1.0,
        basis: Basis::Trace,
        health: Health::Good,
        reason: String::new(),
        occurrence: 0,
        stage: Stage::Stirring,
        stage_began_s: 0.0,
        planned_minutes: Some(30.0),
        in_milk: true,
        heating: false,
        said_off: false,
        cooks_on: None,
        goes_on: true,
        stands: 0.0,
        cut: 0.0,
        heating_number: 2,
        target_celsius: None,
        heated: None,
        tolerance_celsius: 0.5,
        set_celsius: None,
        planned_rate_celsius_per_min: None,
        outlook: None,
        still_s: 0.0,
        curd_check_at_s: None,
        boiling_celsius: 100.0,
    }
}

/// The cook before it, at its target.
pub fn cooking() -> Situation {
    Situation { stage: Stage::Cooking, target_celsius: Some(41.0), heating: true, ..stirring() }
}

/// A forecast that ends on 41 °C.
pub fn outlook(heat_off_in_s: f64) -> Outlook {
    ends_at(41.0, heat_off_in_s)
}

/// A forecast that ends on `celsius`.
pub fn ends_at(celsius: f64, heat_off_in_s: f64) -> Outlook {
    Outlook {
        target_celsius: 41.0,
        heat_off_in_s,
        reach_in_s: heat_off_in_s + 40.0,
        peak_celsius: celsius,
        peak_low_celsius: celsius - 0.2,
        peak_high_celsius: celsius + 0.3,
        blind_s: None,
    }
}
