//! Swapped wires: the reading falls while the milk is heated. A thermocouple
//! wired the wrong way mirrors the milk's temperature about the box's: with the
//! box at 25 °C, milk at 54 °C reads about -5 °C.

use super::reason::Missing;

/// Milk that is heated falls where cold milk is poured in, and rises once that is
/// over. What goes on falling, each minute by this and in all by that, °C, for so
/// many minutes, is mirrored.
const FALLS_CELSIUS: f64 = 0.1;
const FALL_CELSIUS: f64 = 3.0;
const FALLS_MINUTES: u32 = 8;
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
    fall: Fall,
    warm_s: Option<f64>,
    reversed: bool,
}

/// How the reading goes, by means of a minute, since heat went on or the probe was
/// moved.
#[derive(Debug, Clone, Default)]
struct Fall {
    /// When the running minute began (s), the sum of what was said in it, and how
    /// often.
    minute: Option<(f64, f64, u32)>,
    /// The last full one's mean, and the lowest, °C.
    last: Option<f64>,
    low: Option<f64>,
    /// Where it began to fall (°C), and for how many minutes it has fallen.
    from: f64,
    minutes: u32,
}

impl Fall {
    /// Takes in a number; the mean of the minute that it completes.
    fn take(&mut self, celsius: f64, t_s: f64) -> Option<f64> {
        let (began_s, sum, n) = self.minute.get_or_insert((t_s, 0.0, 0));
        if t_s - *began_s < 60.0 {
            *sum += celsius;
            *n += 1;
            return None;
        }
        let mean = *sum / f64::from(*n);
        self.minute = Some((t_s, celsius, 1));
        let falls = self.last.replace(mean).filter(|last| mean < last - FALLS_CELSIUS);
        match falls {
            Some(last) if self.minutes == 0 => (self.from, self.minutes) = (last, 1),
            Some(_) => self.minutes += 1,
            None => self.minutes = 0,
        }
        self.low = Some(self.low.map_or(mean, |low| low.min(mean)));
        Some(mean)
    }
}

impl Polarity {
    /// Heat is meant from now, or no longer.
    pub(super) fn heat_meant(&mut self, on: bool) {
        self.heat = on;
        self.heat_since_s = None;
        self.fall = Fall::default();
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
        if moving {
            // Moved by hand: begin anew from where it hangs then.
            self.fall = Fall::default();
            self.reversed = false;
            return false;
        }
        let Some(mean) = self.fall.take(celsius, t_s) else { return self.reversed };
        if self.reversed {
            self.reversed = self.fall.from - mean > FALL_CELSIUS / 2.0;
            return self.reversed;
        }
        let rises = self.fall.low.is_some_and(|low| mean > low + RISE_CELSIUS);
        self.heat = !rises && t_s - heat_since_s <= LOOK_S;
        self.reversed =
            self.heat && self.fall.minutes >= FALLS_MINUTES && self.fall.from - mean > FALL_CELSIUS;
        self.reversed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Heat is meant at 0 s; the reading goes as `celsius` says, one a second, with
    /// the scatter of a kettle. When it is first found reversed, s.
    fn found_s(celsius: impl Fn(f64) -> f64) -> Option<f64> {
        let mut polarity = Polarity::default();
        polarity.heat_meant(true);
        (0..1800).map(f64::from).find(|t_s| {
            let wobble = 0.15 * libm::sin(t_s * 1.7) + 0.1 * libm::sin(t_s * 0.11);
            polarity.judge(celsius(*t_s) + wobble, None, false, *t_s).is_err()
        })
    }

    #[test]
    fn swapped_wires_go_on_falling_and_a_pour_does_not() {
        for per_min in [0.4, 0.7, 1.4] {
            let found = found_s(|t_s| 16.0 - per_min * t_s / 60.0);
            assert!(found.is_some_and(|s| s < 700.0), "{per_min}: {found:?}");
        }
        // So many degrees are lost while cold milk is poured in; then it is heated.
        for (celsius, minutes) in [(4.0, 3.0), (6.0, 4.0), (8.0, 6.0)] {
            let poured = |t_s: f64| {
                let (before, end_s) = (100.0, 100.0 + minutes * 60.0);
                let fallen = celsius * ((t_s - before) / (minutes * 60.0)).clamp(0.0, 1.0);
                30.0 - fallen + 0.7 * (t_s - end_s).max(0.0) / 60.0
            };
            assert_eq!(found_s(poured), None, "{celsius} in {minutes} min");
        }
        assert_eq!(found_s(|t_s| 34.0 - 2.0 * t_s / 3600.0), None, "no fire, and it cools");
        assert_eq!(found_s(|t_s| 20.0 + 0.7 * t_s / 60.0), None);
    }

    #[test]
    fn wires_put_right_are_right() {
        let mut polarity = Polarity::default();
        polarity.heat_meant(true);
        let judged = |polarity: &mut Polarity, t: u32, c: f64| polarity.judge(c, None, false, f64::from(t));
        for t in 0..900 {
            let _ = judged(&mut polarity, t, 16.0 - 0.7 * f64::from(t) / 60.0);
        }
        assert!(judged(&mut polarity, 900, 5.5).is_err());
        let last = (901..1100).map(|t| judged(&mut polarity, t, 35.0)).last();
        assert_eq!(last, Some(Ok(())));
    }
}
