//! The rennet clock: from the rennet mark and the temperature that the milk
//! really had since, when to look at the curd. It says "look", never "cut".
//!
//! Terms. *First flocs*: the moment the milk begins to clot. *Multiplier*:
//! time from rennet to the cut ÷ time from rennet to first flocs, the maker's
//! figure. *Soxhlet strength* F = 2400·V/(v·t): volumes of milk V clotted by a
//! volume v of rennet in t = 2,400 s at 35 °C (university practicals on rennet
//! strength). Suppliers warn that practice may need twice the ideal rating,
//! and one counts 45 minutes, not 40: the definition goes with the number.
//!
//! Invariants. A floc mark always wins over an estimate, at once. Every
//! estimate is finite or absent. Milk too cold to clot moves no estimate.
//!
//! Deliberately absent: pH and calcium, which matter more than the temperature
//! and which nobody measures in the vat: the mark corrects for them.

use super::plan::RennetPlan;

/// Relative clotting time over the milk's temperature: (°C, minutes). The
/// classic textbook series attributed to Fleischmann, second-hand and
/// unconfirmed; the plan's own table replaces it. No single Arrhenius line
/// fits it: Q10 falls from about 3.8 (20 to 30 °C) to 1.4 (30 to 40 °C).
pub const TEXTBOOK_TABLE: [(f64, f64); 5] =
    [(20.0, 32.2), (25.0, 14.0), (30.0, 8.5), (41.0, 6.0), (50.0, 12.0)];

/// Temperature of the Soxhlet definition, °C.
pub const SOXHLET_CELSIUS: f64 = 35.0;

/// Clotting time of the Soxhlet definition, seconds.
pub const SOXHLET_S: f64 = 2400.0;

/// Enzyme destroyed from about here, °C (common practice, from memory).
const DESTROYED_CELSIUS: f64 = 58.0;

/// Seconds to first flocs at 35 °C for a dose in millilitres to 100 litres.
pub fn floc_s_at_35(strength: f64, dose_ml_per_100l: f64) -> f64 {
    SOXHLET_S * 100_000.0 / (dose_ml_per_100l * strength)
}

/// Millilitres of rennet of Soxhlet `strength` for `milk_litres` to first flocs
/// in `floc_s` at 35 °C.
pub fn dose_ml(strength: f64, milk_litres: f64, floc_s: f64) -> f64 {
    SOXHLET_S * milk_litres * 1000.0 / (strength * floc_s)
}

/// Millilitres of rennet of `imcu_per_ml` that carry `imcu` units (ISO 11815;
/// linear in the dose).
pub fn imcu_ml(imcu: f64, imcu_per_ml: f64) -> f64 {
    imcu / imcu_per_ml
}

/// Relative clotting time at a temperature: log-linear between the table's
/// points, the outermost slope beyond them; infinite where the enzyme is
/// destroyed. An empty table takes [`TEXTBOOK_TABLE`].
///
/// ```
/// use curdtrace::engine::clot::relative_time;
/// assert!((relative_time(&[], 30.0) - 8.5).abs() < 1e-9);
/// assert!(relative_time(&[], 60.0).is_infinite());
/// ```
pub fn relative_time(table: &[(f64, f64)], celsius: f64) -> f64 {
    let table = if table.is_empty() { &TEXTBOOK_TABLE[..] } else { table };
    if !celsius.is_finite() || celsius >= DESTROYED_CELSIUS {
        return f64::INFINITY;
    }
    let (Some(&first), Some(&last)) = (table.first(), table.last()) else { return f64::INFINITY };
    if table.len() == 1 {
        return first.1;
    }
    // The segment around the temperature, or the outermost one.
    let above = table.partition_point(|p| p.0 <= celsius).clamp(1, table.len() - 1);
    let (low, high) = match (table.get(above - 1), table.get(above)) {
        (Some(&low), Some(&high)) => (low, high),
        _ => (first, last),
    };
    let span = high.0 - low.0;
    if span <= 0.0 || low.1 <= 0.0 || high.1 <= 0.0 {
        return low.1.max(f64::MIN_POSITIVE);
    }
    let share = (celsius - low.0) / span;
    libm::exp(libm::log(low.1) + share * (libm::log(high.1) - libm::log(low.1)))
}

/// First flocs later than this, or than so many times what is planned where that is more,
/// are not foretold, seconds.
const LONGEST_FLOC_S: f64 = 6.0 * 3600.0;
const TIMES_PLANNED: f64 = 2.0;

/// A look at the curd so long overdue concerns another vat, seconds.
pub(super) const STALE_S: f64 = 7200.0;

/// The clock of one vat, from rennet poured to the first cut. Times are engine
/// seconds.
#[derive(Debug, Clone, PartialEq)]
pub struct RennetClock {
    poured_s: f64,
    now_s: f64,
    /// Seconds to first flocs at relative time 1, where known.
    unit_s: Option<f64>,
    /// The maker marked first flocs.
    marked: bool,
    table: Vec<(f64, f64)>,
    multiplier: f64,
    celsius: Option<f64>,
    /// What the milk has been through since, as seconds at relative time 1.
    clotted_s: f64,
    /// First flocs that come so long after the rennet are foretold, seconds.
    longest_s: f64,
    floc_s: Option<f64>,
    /// Planned minutes wait for the first temperature where none is planned.
    waiting_minutes: Option<f64>,
}

impl RennetClock {
    /// Rennet was poured at `t_s`. `setting_minutes` is the plan's figure from
    /// rennet to the cut, `set_celsius` the temperature it is meant for (the
    /// first temperature fed where `None`); both serve only where the rennet's
    /// strength and dose are not known.
    pub fn poured(
        t_s: f64,
        rennet: &RennetPlan,
        setting_minutes: Option<f64>,
        set_celsius: Option<f64>,
    ) -> Self {
        let multiplier =
            if rennet.floc_multiplier.is_finite() { rennet.floc_multiplier.clamp(1.0, 10.0) } else { 3.0 };
        let mut clock = Self {
            poured_s: t_s,
            now_s: t_s,
            unit_s: None,
            marked: false,
            table: rennet.temperature_table.clone(),
            multiplier,
            celsius: None,
            clotted_s: 0.0,
            longest_s: LONGEST_FLOC_S,
            floc_s: None,
            waiting_minutes: None,
        };
        if let Some(minutes) = setting_minutes {
            clock.longest_s = LONGEST_FLOC_S.max(TIMES_PLANNED * minutes * 60.0 / multiplier);
        }
        match (rennet.strength, rennet.dose_ml_per_100l, setting_minutes) {
            (Some(strength), Some(dose), _) if strength > 0.0 && dose > 0.0 => {
                clock.learn_unit(floc_s_at_35(strength, dose), SOXHLET_CELSIUS);
            }
            (_, _, Some(minutes)) if minutes > 0.0 => match set_celsius {
                Some(celsius) => clock.learn_minutes(minutes, celsius),
                None => clock.waiting_minutes = Some(minutes),
            },
            _ => {}
        }
        clock
    }

    fn learn_minutes(&mut self, minutes: f64, celsius: f64) {
        self.learn_unit(minutes * 60.0 / self.multiplier, celsius);
        self.waiting_minutes = None;
    }

    fn learn_unit(&mut self, floc_s: f64, at_celsius: f64) {
        let unit = floc_s / relative_time(&self.table, at_celsius);
        if unit.is_finite() && unit > 0.0 {
            self.unit_s = Some(unit);
        }
    }

    /// `dt_s` more seconds passed, the milk at `celsius` (its last known
    /// temperature where `None`).
    pub fn advance(&mut self, dt_s: f64, celsius: Option<f64>) {
        if !(dt_s.is_finite() && dt_s >= 0.0) {
            return;
        }
        self.now_s += dt_s;
        if let Some(c) = celsius.filter(|c| c.is_finite()) {
            self.celsius = Some(c);
            if let Some(minutes) = self.waiting_minutes {
                self.learn_minutes(minutes, c);
            }
        }
        if let Some(slower) = self.slower() {
            self.clotted_s += dt_s / slower;
            self.come_to_floc();
        }
    }

    /// How many times as long as at relative time 1 everything takes at the milk's
    /// temperature now.
    fn slower(&self) -> Option<f64> {
        let slower = relative_time(&self.table, self.celsius?);
        (slower.is_finite() && slower > 0.0).then_some(slower)
    }

    fn come_to_floc(&mut self) {
        let left_s = self.left_s().filter(|left_s| *left_s <= 0.0 && self.floc_s.is_none());
        if let Some(left_s) = left_s {
            self.floc_s = Some((self.now_s + left_s).max(self.poured_s));
        }
    }

    /// Seconds to first flocs as warm as the milk is now; none and less once they came.
    fn left_s(&self) -> Option<f64> {
        Some((self.unit_s? - self.clotted_s) * self.slower()?)
    }

    /// Another plan is followed from now on: what the milk has been through, and what the
    /// maker saw, stays.
    pub fn replan(&mut self, rennet: &RennetPlan, setting_minutes: Option<f64>, set_celsius: Option<f64>) {
        let been = std::mem::replace(self, Self::poured(self.poured_s, rennet, setting_minutes, set_celsius));
        (self.now_s, self.celsius, self.marked) = (been.now_s, been.celsius, been.marked);
        self.floc_s = been.floc_s.filter(|_| been.marked);
        if let (Some(minutes), Some(c)) = (self.waiting_minutes, self.celsius) {
            self.learn_minutes(minutes, c);
        }
        // The table may be another: as long as it took, at what the milk has now.
        if let Some((before, now)) = been.slower().zip(self.slower()) {
            self.clotted_s = been.clotted_s * before / now;
            self.come_to_floc();
        }
    }

    /// The maker saw first flocs at `t_s`: it overrules every estimate.
    pub fn floc(&mut self, t_s: f64) {
        if t_s.is_finite() && t_s > self.poured_s {
            self.floc_s = Some(t_s);
            self.marked = true;
        }
    }

    /// Whether it is another vat's by then: the look is long overdue, or, where none can be
    /// foretold, the flocs are.
    pub fn is_over(&self, t_s: f64) -> bool {
        let look_s = self.curd_check_at_s().map_or(self.poured_s, |at| at + STALE_S);
        t_s > look_s.max(self.poured_s + self.longest_s)
    }

    /// When first flocs came or are expected, engine seconds.
    pub fn floc_at_s(&self) -> Option<f64> {
        let at = match self.floc_s {
            Some(at) => at,
            None => self.now_s + self.left_s()?,
        };
        // Longer than any cheese clots: too cold to say.
        (at - self.poured_s < self.longest_s).then_some(at)
    }

    /// When to look at the curd, engine seconds.
    pub fn curd_check_at_s(&self) -> Option<f64> {
        Some(self.poured_s + (self.floc_at_s()? - self.poured_s) * self.multiplier)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One vat: the plan's rennet, its minutes, the milk's temperature by the
    /// minute, a floc mark (minutes), and the minutes to the look expected.
    fn check(
        (strength, dose, multiplier): (Option<f64>, Option<f64>, f64),
        minutes: Option<f64>,
        celsius: impl Fn(f64) -> f64,
        floc_min: Option<f64>,
        expected_min: Option<f64>,
    ) {
        let rennet = RennetPlan {
            strength,
            dose_ml_per_100l: dose,
            floc_multiplier: multiplier,
            temperature_table: Vec::new(),
        };
        let mut clock = RennetClock::poured(100.0, &rennet, minutes, Some(32.0));
        for s in 0..600 {
            clock.advance(1.0, Some(celsius(f64::from(s) / 60.0)));
        }
        if let Some(m) = floc_min {
            clock.floc(100.0 + m * 60.0);
        }
        let got = clock.curd_check_at_s().map(|at| (at - 100.0) / 60.0);
        match (got, expected_min) {
            (Some(g), Some(e)) => assert!((g - e).abs() < 0.05, "{g} against {e}"),
            (g, e) => assert_eq!(g, e),
        }
    }

    #[test]
    fn looks_when_the_trade_would() {
        let dose = (Some(10_000.0), Some(20.0), 3.0);
        // Soxhlet: 20 mL of 1:10,000 to 100 L, flocs in 20 min at 35 °C; × 3.
        check(dose, None, |_| 35.0, None, Some(60.0));
        // Colder milk clots later: the table's 30 °C against 35 °C.
        let factor = relative_time(&[], 30.0) / relative_time(&[], 35.0);
        check(dose, None, |_| 30.0, None, Some(60.0 * factor));
        // Published: floc 14 min × 3 = 42 min; 10 × 2.5 = 25 (trade forums).
        check((None, None, 3.0), None, |_| 32.0, Some(14.0), Some(42.0));
        check((None, None, 2.5), Some(40.0), |_| 32.0, Some(10.0), Some(25.0));
        // Nothing known, nothing said.
        check((None, None, 3.0), None, |_| 32.0, None, None);
        // The plan's minutes at the plan's temperature come back as they are.
        check((None, None, 3.0), Some(36.0), |_| 32.0, None, Some(36.0));
        // Milk at 5 °C: no clot that morning, nothing said.
        check(dose, None, |_| 5.0, None, None);
        // The temperature it really had: 5 min at 35 °C, then at 30 °C.
        let late = 5.0 + (1.0 - 5.0 / 20.0) * 20.0 * factor;
        check(dose, None, |m| if m < 5.0 { 35.0 } else { 30.0 }, None, Some(3.0 * late));
    }

    #[test]
    fn reaches_first_flocs_and_holds_them() {
        let rennet = RennetPlan {
            strength: Some(10_000.0),
            dose_ml_per_100l: Some(40.0),
            floc_multiplier: 2.0,
            temperature_table: Vec::new(),
        };
        let mut clock = RennetClock::poured(0.0, &rennet, None, None);
        for _ in 0..3000 {
            clock.advance(1.0, Some(35.0));
        }
        assert!((clock.floc_at_s().unwrap() - 600.0).abs() < 1e-6);
        clock.floc(1800.0);
        assert!((clock.curd_check_at_s().unwrap() - 3600.0).abs() < 1e-6);
    }

    #[test]
    fn doses_as_published() {
        // University practicals on rennet strength, where 1 ml clots a litre in so long:
        // the first two rows; the others by the formula.
        for (got, expected, tolerance) in [
            (dose_ml(16_666.7, 1.0, 144.0), 1.0, 1e-5),
            (dose_ml(38_095.24, 1.0, 63.0), 1.0, 1e-6),
            (dose_ml(10_000.0, 0.5, 120.0), 1.0, 1e-9),
            (dose_ml(10_000.0, 100.0, 900.0), 26.67, 0.01),
            (imcu_ml(4000.0, 175.0), 22.86, 0.01),
            (floc_s_at_35(10_000.0, 20.0), 1200.0, 1e-9),
        ] {
            assert!((got - expected).abs() <= tolerance, "{got} against {expected}");
        }
    }
}
