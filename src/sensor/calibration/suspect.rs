//! What else could make a probe read as it does: another wire than is set, or
//! wires swapped. Only a point well away from the cold junction can tell; the
//! ice point cannot.

use crate::sensor::thermocouple::Couple;

/// Nearer to the cold junction than this a mix-up cannot be told, °C.
pub const HOT_ENOUGH_CELSIUS: f64 = 20.0;

/// A smaller difference than this needs no explanation, °C.
const WORTH_EXPLAINING_CELSIUS: f64 = 0.4;

/// What the cold junction is taken for where it is not said, °C: a cheese room.
const USUAL_COLD_CELSIUS: f64 = 20.0;

/// What may be the case.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hypothesis {
    /// The wire is of this type.
    Wire(Couple),
    /// Plus and minus are swapped.
    Reversed,
}

/// A hypothesis and how well it explains the reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Suspect {
    /// What may be the case.
    pub hypothesis: Hypothesis,
    /// The type that is set.
    pub set: Couple,
    /// What would be read if it were set right, °C.
    pub would_read_celsius: f64,
    /// How far that is from the truth, °C.
    pub would_be_off_celsius: f64,
}

impl Suspect {
    /// What to tell the maker.
    pub fn sentence(&self) -> String {
        let (t, set) = (self.would_read_celsius, self.set);
        match self.hypothesis {
            Hypothesis::Wire(couple) => format!(
                "A {couple} wire read as {set} gives just this; read as {couple} it would show {t:.2} °C. Look at the plug's colour and letter and set couple = \"{}\"",
                couple.letter()
            ),
            Hypothesis::Reversed => {
                format!(
                    "Plus and minus swapped give just this; the right way round it would show {t:.2} °C. Swap the two wires"
                )
            }
        }
    }
}

/// What would explain that a probe set as `set` reads `seen` where `truth` is
/// true; the best first, none where nothing explains it three times better
/// than the probe being off by itself.
pub fn suspects(set: Couple, seen: f64, cold_celsius: Option<f64>, truth: f64) -> Vec<Suspect> {
    let cold = cold_celsius.unwrap_or(USUAL_COLD_CELSIUS);
    let off = (seen - truth).abs();
    if off < WORTH_EXPLAINING_CELSIUS || (truth - cold).abs() < HOT_ENOUGH_CELSIUS {
        return Vec::new();
    }
    let (Ok(hot_mv), Ok(cold_mv)) = (set.emf_mv(seen), set.emf_mv(cold)) else { return Vec::new() };
    let mv = hot_mv - cold_mv;
    let wires = Couple::ALL.into_iter().filter(|c| *c != set).map(|c| (Hypothesis::Wire(c), c, mv));
    let mut found: Vec<Suspect> = wires
        .chain([(Hypothesis::Reversed, set, -mv)])
        .filter_map(|(hypothesis, couple, mv)| {
            let would_read_celsius = couple.compensated_celsius(mv, cold).ok()?;
            let would_be_off_celsius = would_read_celsius - truth;
            (would_be_off_celsius.abs() * 3.0 < off).then_some(Suspect {
                hypothesis,
                set,
                would_read_celsius,
                would_be_off_celsius,
            })
        })
        .collect();
    found.sort_by(|a, b| a.would_be_off_celsius.abs().total_cmp(&b.would_be_off_celsius.abs()));
    found
}
