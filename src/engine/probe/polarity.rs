//! Swapped wires: the reading falls while the milk is heated. A thermocouple
//! wired the wrong way mirrors the milk's temperature about the box's: with the
//! box at 25 °C, milk at 54 °C reads about -5 °C.

use super::reason::Missing;

/// A fall by this much while heat is meant is not milk's, °C.
const FALL_CELSIUS: f64 = 3.0;
/// And over at least this long, seconds.
const FALL_S: f64 = 120.0;
/// Looked for this long after heat went on: later it may be out, seconds.
const LOOK_S: f64 = 1200.0;
/// A rise by this much proves the wires right, °C.
const RISE_CELSIUS: f64 = 1.0;
/// Below this, this far below the box, and soon after having been above
/// [`WARM_CELSIUS`]: no milk gets there.
const FROST_CELSIUS: f64 = -2.0;
const BELOW_BOX_CELSIUS: f64 = 20.0;
const WARM_CELSIUS: f64 = 5.0;
const WARM_AGO_S: f64 = 1800.0;

/// Watches for swapped wires.
#[derive(Debug, Clone, Default)]
pub(super) struct Polarity {
    heat: bool,
    heat_since_s: Option<f64>,
    /// Level (°C) and time (s) from which heat went on undisturbed.
    from: Option<(f64, f64)>,
    warm_s: Option<f64>,
    reversed: bool,
}

impl Polarity {
    /// Heat is meant from now, or no longer.
    pub(super) fn heat_meant(&mut self, on: bool) {
        self.heat = on;
        self.heat_since_s = None;
        self.from = None;
        self.reversed = false;
    }

    /// Judges a reading; `moving` where the probe itself was moved.
    pub(super) fn judge(
        &mut self,
        celsius: f64,
        junction_celsius: Option<f64>,
        moving: bool,
        t_s: f64,
    ) -> Result<(), Missing> {
        if celsius > WARM_CELSIUS {
            self.warm_s = Some(t_s);
        }
        if self.mirrors_the_box(celsius, junction_celsius, t_s) || self.falls_heated(celsius, moving, t_s) {
            return Err(Missing::Reversed);
        }
        Ok(())
    }

    fn mirrors_the_box(&self, celsius: f64, junction_celsius: Option<f64>, t_s: f64) -> bool {
        celsius < FROST_CELSIUS
            && junction_celsius.is_some_and(|j| j - celsius > BELOW_BOX_CELSIUS)
            && self.warm_s.is_some_and(|w| t_s - w < WARM_AGO_S)
    }

    fn falls_heated(&mut self, celsius: f64, moving: bool, t_s: f64) -> bool {
        if !self.heat {
            return false;
        }
        let heat_since_s = *self.heat_since_s.get_or_insert(t_s);
        let (from, since_s) = match self.from {
            Some(from) if !moving => from,
            // Moved by hand: begin anew from where it hangs now.
            _ => {
                self.from = Some((celsius, t_s));
                return false;
            }
        };
        let fall = from - celsius;
        if !self.reversed && (fall < -RISE_CELSIUS || t_s - heat_since_s > LOOK_S) {
            self.heat = false;
        }
        self.reversed = if self.reversed {
            fall > FALL_CELSIUS / 2.0
        } else {
            fall > FALL_CELSIUS && t_s - since_s > FALL_S
        };
        self.reversed
    }
}
