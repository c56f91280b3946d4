//! Chance from a seed: the same seed gives the same stream on any machine, and the same make but
//! for the last digits, in which the exp and ln of machines differ.
//!
//! A small generator of our own (splitmix64, Steele, Lea and Flood, 2014), so
//! that a seed printed by a failing test means the same in ten years. It is
//! for simulation only; nothing secret hangs on it.

/// A stream of chance.
#[derive(Debug, Clone)]
pub struct Chance {
    state: u64,
    spare: Option<f64>,
}

impl Chance {
    /// The stream of that seed.
    pub fn of(seed: u64) -> Self {
        let mut first = Self { state: seed ^ 0x6c62_272e_07bb_0142, spare: None };
        // Neighbouring seeds must not give neighbouring streams.
        first.state = first.bits();
        first
    }

    /// A stream of its own for one purpose, so that drawing more in one place
    /// changes nothing in another.
    #[must_use]
    pub fn branch(&self, purpose: u64) -> Self {
        let mut copy = self.clone();
        Self::of(copy.bits() ^ purpose.wrapping_mul(0x9e37_79b9_7f4a_7c15))
    }

    /// 64 even bits.
    pub fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Even between 0 (included) and 1 (excluded).
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Even between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Even in the logarithm between two positive numbers.
    pub fn scale(&mut self, low: f64, high: f64) -> f64 {
        (self.between(low.ln(), high.ln())).exp()
    }

    /// True with that probability.
    pub fn happens(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// One of several, each as likely.
    pub fn pick<T: Copy>(&mut self, from: &[T], otherwise: T) -> T {
        let i = (self.unit() * from.len() as f64) as usize;
        from.get(i).copied().unwrap_or(otherwise)
    }

    /// Normal, mean 0, standard deviation 1 (Box and Muller).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let r = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.unit()).sin_cos();
        self.spare = Some(r * sin);
        r * cos
    }

    /// Log-normal with that median and that standard deviation of the
    /// logarithm.
    pub fn log_normal(&mut self, median: f64, sigma: f64) -> f64 {
        median * (sigma * self.normal()).exp()
    }
}

#[cfg(test)]
mod tests {
    use super::Chance;

    #[test]
    fn one_seed_one_stream() {
        let (mut a, mut b, mut c) = (Chance::of(7), Chance::of(7), Chance::of(8));
        let first: Vec<u64> = (0..9).map(|_| a.bits()).collect();
        assert_eq!(first, (0..9).map(|_| b.bits()).collect::<Vec<_>>());
        assert_ne!(first, (0..9).map(|_| c.bits()).collect::<Vec<_>>());
    }

    #[test]
    fn normal_has_mean_zero_and_deviation_one() {
        let mut chance = Chance::of(1);
        let xs: Vec<f64> = (0..40_000).map(|_| chance.normal()).collect();
        let mean = xs.iter().sum::<f64>() / xs.len() as f64;
        let var = xs.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / xs.len() as f64;
        // Standard error of the mean of 40,000 draws is 0.005.
        assert!(mean.abs() < 0.02, "{mean}");
        assert!((var - 1.0).abs() < 0.03, "{var}");
    }
}
