//! The trend that one hypothesis follows: level, slope, and what is still
//! pending from a change just made (coast after the heat is off, the cold edge
//! mixed in at the cut, the wall warming up before the milk does).
//!
//! A Kalman filter on three states, stepped by whole bins of ten seconds. The
//! pending part relaxes into the level with one time constant.

use crate::engine::bins::BIN_S;

/// Share of the pending part that arrives within one bin: a time constant of
/// about 45 s.
const ARRIVES: f64 = 0.2;

/// ln(2π)/2.
const HALF_LN_TAU: f64 = 0.918_938_533_204_672_8;

/// Level (°C), slope (°C per bin), pending (°C), with covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Kf {
    pub x: [f64; 3],
    /// Upper triangle: 00, 01, 02, 11, 12, 22.
    pub p: [f64; 6],
}

/// What is expected of level, slope and pending on entering a phase.
#[derive(Debug, Clone, Copy)]
pub(super) struct Entry {
    pub slope: f64,
    pub slope_sd: f64,
    pub pending: f64,
    pub pending_sd: f64,
    /// Covariance of pending and slope ÷ variance of slope, bins.
    pub pending_per_slope: f64,
}

impl Kf {
    /// Knows only a level, loosely.
    pub fn fresh(level: f64, sd: f64) -> Self {
        Self { x: [level, 0.0, 0.0], p: [sd * sd, 0.0, 0.0, 0.0, 0.0, 0.0] }
    }

    /// Keeps the level, draws slope and pending anew. `per_bin` is °C per bin.
    pub fn enter(&self, e: &Entry, keep_pending: bool) -> Self {
        let var_s = e.slope_sd * e.slope_sd;
        let mut k = Self {
            x: [self.x[0], e.slope, e.pending + e.pending_per_slope * e.slope],
            p: [
                self.p[0] + 1.0e-4,
                0.0,
                0.0,
                var_s,
                e.pending_per_slope * var_s,
                e.pending_per_slope * e.pending_per_slope * var_s + e.pending_sd * e.pending_sd,
            ],
        };
        if keep_pending {
            k.x[2] += self.x[2];
            k.p[5] += self.p[5];
        }
        k
    }

    /// One bin on, with process noise on level and slope (variances per bin).
    pub fn predict(&mut self, q_level: f64, q_slope: f64) {
        let a = ARRIVES;
        let b = 1.0 - a;
        let [l, s, p] = self.x;
        self.x = [l + s + a * p, s, b * p];
        let [p00, p01, p02, p11, p12, p22] = self.p;
        // F P F' for F = [1 1 a; 0 1 0; 0 0 b].
        let n01 = p01 + p11 + a * p12;
        let n02 = p02 + p12 + a * p22;
        self.p = [
            p00 + p01 + a * p02 + n01 + a * n02 + q_level,
            n01,
            b * n02,
            p11 + q_slope,
            b * p12,
            b * b * p22,
        ];
    }

    /// Innovation and its variance for a measurement of variance `r`.
    pub fn innovation(&self, celsius: f64, r: f64) -> (f64, f64) {
        (celsius - self.x[0], self.p[0] + r)
    }

    /// Takes in a measurement; `e` and `s` as from [`Self::innovation`].
    pub fn update(&mut self, e: f64, s: f64) {
        let [p00, p01, p02, p11, p12, p22] = self.p;
        let inv = 1.0 / s;
        let (k0, k1, k2) = (p00 * inv, p01 * inv, p02 * inv);
        self.x[0] += k0 * e;
        self.x[1] += k1 * e;
        self.x[2] += k2 * e;
        self.p =
            [p00 - k0 * p00, p01 - k0 * p01, p02 - k0 * p02, p11 - k1 * p01, p12 - k1 * p02, p22 - k2 * p02];
    }

    /// Slope, °C/min.
    pub fn rate_per_min(&self) -> f64 {
        self.x[1] * 60.0 / BIN_S
    }
}

/// Natural logarithm of the normal density.
pub(super) fn ln_normal(e: f64, var: f64) -> f64 {
    -0.5 * (e * e / var + libm::log(var)) - HALF_LN_TAU
}

/// Natural logarithm of Student's density with six degrees of freedom, scaled
/// by `var`: a normal with heavier tails.
pub(super) fn ln_student(e: f64, var: f64) -> f64 {
    // ln Γ(3.5) − ln Γ(3) − ln(6π)/2
    const C: f64 = -0.960_473_4;
    C - 0.5 * libm::log(var) - 3.5 * libm::log1p(e * e / (6.0 * var))
}

/// °C/min as °C per bin.
pub(super) const fn per_bin(celsius_per_min: f64) -> f64 {
    celsius_per_min * BIN_S / 60.0
}
