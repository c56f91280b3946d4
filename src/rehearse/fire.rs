//! What heats the kettle: its power, its moods, and what still comes when it
//! is taken away.
//!
//! Terms: *asked* is the power that the maker wants; *given* is what reaches
//! the wall. When heat ends, a share of the power remains and dies away: that
//! is the coast. Figures for share and decay are computed ranges, not
//! measured; each kettle draws its own within them.

use super::chance::Chance;

/// Ways of heating.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum FireKind {
    /// Kettle on a crane, swung off the wood fire: almost nothing remains.
    Crane,
    /// Fire raked away, the kettle stays over embers and hot masonry.
    Embers,
    /// Gas burner.
    Gas,
    /// Steam jacket.
    Jacket,
}

impl FireKind {
    /// All ways.
    pub const ALL: [Self; 4] = [Self::Crane, Self::Embers, Self::Gas, Self::Jacket];

    /// Its name in tables and on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Crane => "crane",
            Self::Embers => "embers",
            Self::Gas => "gas",
            Self::Jacket => "jacket",
        }
    }
}

/// A fire with a character of its own.
#[derive(Debug, Clone)]
pub struct Fire {
    /// Which way of heating.
    pub kind: FireKind,
    /// Share of the power that remains when heat ends (0 to 0.6).
    pub remains: f64,
    /// How fast that dies away, seconds.
    pub decay_s: f64,
    /// How fast heat comes up, seconds.
    pub rise_s: f64,
    /// Gusts: standard deviation as a share of the power.
    pub gust: f64,
    /// How long a gust lasts, seconds.
    pub gust_s: f64,
    /// How often a log is put on, seconds; `None` where nothing is.
    pub log_every_s: Option<f64>,
    /// How much of its gusts and of its logs' moods there is (0 to 1).
    pub unrest: f64,
    asked_kw: f64,
    risen_kw: f64,
    left_kw: f64,
    blow: f64,
    since_log_s: f64,
    log_strength: f64,
    chance: Chance,
}

impl Fire {
    /// A fire of that kind, its character drawn from `chance`.
    pub fn drawn(kind: FireKind, chance: &mut Chance) -> Self {
        let wood = matches!(kind, FireKind::Crane | FireKind::Embers);
        let (remains, decay_s, rise_s) = match kind {
            FireKind::Crane => (chance.between(0.0, 0.12), chance.between(15.0, 35.0), 3.0),
            FireKind::Embers => {
                (chance.between(0.10, 0.40), chance.between(140.0, 340.0), chance.between(2.0, 15.0))
            }
            FireKind::Gas => {
                (chance.between(0.10, 0.20), chance.between(60.0, 120.0), chance.between(2.0, 10.0))
            }
            FireKind::Jacket => {
                (chance.between(0.25, 0.45), chance.between(100.0, 180.0), chance.between(10.0, 60.0))
            }
        };
        Self {
            kind,
            remains,
            decay_s,
            rise_s,
            gust: if wood { chance.between(0.06, 0.18) } else { chance.between(0.0, 0.03) },
            gust_s: chance.between(20.0, 60.0),
            log_every_s: (wood && chance.happens(0.7)).then(|| chance.between(420.0, 1200.0)),
            unrest: 1.0,
            asked_kw: 0.0,
            risen_kw: 0.0,
            left_kw: 0.0,
            blow: 0.0,
            since_log_s: 1.0e9,
            log_strength: 0.0,
            chance: chance.branch(0xf1e),
        }
    }

    /// The same fire on another day: its moods drawn anew.
    #[must_use]
    pub fn reseeded(mut self, day: &Chance) -> Self {
        self.chance = day.branch(0xda7);
        self
    }

    /// Heat on at that power, kW.
    pub fn light(&mut self, kw: f64) {
        self.asked_kw = kw.max(0.0);
        if let Some(every) = self.log_every_s {
            self.since_log_s = self.chance.between(0.1, 0.9) * every;
            self.log_strength = 0.0;
        }
    }

    /// Heat off: what remains dies away from here.
    pub fn take_away(&mut self) {
        self.left_kw += self.remains * self.risen_kw;
        self.asked_kw = 0.0;
        self.risen_kw = 0.0;
    }

    /// Whether heat is meant to be on.
    pub fn burns(&self) -> bool {
        self.asked_kw > 0.0
    }

    /// Power that reaches the wall over the next `dt_s` seconds, kW.
    pub fn give(&mut self, dt_s: f64) -> f64 {
        self.left_kw *= (-dt_s / self.decay_s).exp();
        if !self.burns() {
            return self.left_kw;
        }
        self.risen_kw += (self.asked_kw - self.risen_kw) * (1.0 - (-dt_s / self.rise_s).exp());
        let keep = (-dt_s / self.gust_s).exp();
        self.blow = keep * self.blow + (1.0 - keep * keep).sqrt() * self.chance.normal();
        // Heat still in the masonry is part of a fire that burns again.
        (self.risen_kw * (1.0 + self.unrest * self.gust * self.blow) * self.log_factor(dt_s))
            .max(0.0)
            .max(self.left_kw)
    }

    /// A fresh log dips the fire for a minute or two, then feeds it.
    fn log_factor(&mut self, dt_s: f64) -> f64 {
        let Some(every) = self.log_every_s else { return 1.0 };
        self.since_log_s += dt_s;
        if self.since_log_s > every {
            self.since_log_s = 0.0;
            self.log_strength = self.chance.between(0.05, 0.35);
        }
        let t = self.since_log_s;
        let dip = -0.15 * (-((t - 50.0) / 40.0).powi(2)).exp();
        let feed = (t / 240.0).min(1.0) * (-(t - 240.0).max(0.0) / 700.0).exp();
        1.0 + if self.log_strength > 0.0 { self.unrest * (dip + self.log_strength * feed) } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::{Chance, Fire, FireKind};

    #[test]
    fn what_remains_dies_away() {
        let mut fire = Fire::drawn(FireKind::Embers, &mut Chance::of(3));
        fire.light(10.0);
        for _ in 0..600 {
            fire.give(0.5);
        }
        fire.take_away();
        let first = fire.give(0.5);
        assert!(first > 0.5 && first < 5.0, "{first}");
        let mut last = first;
        for _ in 0..(4.0 * fire.decay_s) as usize {
            last = fire.give(0.5);
        }
        assert!(last < 0.2 * first, "{last} of {first}");
    }

    /// Half the unrest, half as far from what was asked; the same gusts and logs.
    #[test]
    fn an_even_fire_is_less_far_from_what_was_asked() {
        let far = |unrest: f64| {
            let mut fire = Fire::drawn(FireKind::Embers, &mut Chance::of(4));
            fire.unrest = unrest;
            fire.light(10.0);
            for _ in 0..600 {
                fire.give(0.5);
            }
            (0..2400).map(|_| (fire.give(0.5) - 10.0).abs()).sum::<f64>() / 2400.0
        };
        let (unruly, even) = (far(1.0), far(0.5));
        assert!(unruly > 0.3 && (even / unruly - 0.5).abs() < 0.01, "{even} of {unruly}");
    }
}
