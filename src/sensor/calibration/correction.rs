//! The correction itself: raw °C to true °C.

use super::{CalibrationError, MOST_SLOPE, SLOPE_APART_CELSIUS};

/// How points become a correction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// A straight line: through one point by an offset, through two exactly,
    /// through more by least squares. Goes on beyond its ends.
    #[default]
    Linear,
    /// From point to point; beyond the ends the end's offset holds.
    Piecewise,
}

/// A correction: knots of raw and true temperature, raw rising.
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    shape: Shape,
    knots: Vec<(f64, f64)>,
}

impl Correction {
    /// A correction with these knots (raw, true), as a record holds them.
    ///
    /// # Errors
    /// [`CalibrationError::NoPoint`] where there is none or one is no number,
    /// [`CalibrationError::Slope`] where they do not rise together.
    pub fn of(shape: Shape, mut knots: Vec<(f64, f64)>) -> Result<Self, CalibrationError> {
        if knots.is_empty() || knots.iter().any(|k| !k.0.is_finite() || !k.1.is_finite()) {
            return Err(CalibrationError::NoPoint);
        }
        knots.sort_by(|a, b| a.0.total_cmp(&b.0));
        for pair in knots.windows(2) {
            let slope = (pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0);
            // A hair more than is allowed when fitting: a record is rounded.
            if slope.is_nan() || (slope - 1.0).abs() > MOST_SLOPE + 0.001 {
                let percent = (slope - 1.0) * 100.0;
                return Err(CalibrationError::Slope { low: pair[0].1, high: pair[1].1, percent });
            }
        }
        Ok(Self { shape, knots })
    }

    /// The correction through points of (raw, true, standard uncertainty).
    pub(super) fn through(points: &[(f64, f64, f64)], shape: Shape) -> Result<Self, CalibrationError> {
        let mut points = points.to_vec();
        points.sort_by(|a, b| a.1.total_cmp(&b.1));
        let span = points[points.len() - 1].1 - points[0].1;
        if span < SLOPE_APART_CELSIUS {
            return Self::of(shape, vec![offset(&points)]);
        }
        match shape {
            // Points too near to each other to make a slope become one.
            Shape::Piecewise => {
                let mut knots: Vec<(f64, f64)> = Vec::new();
                let mut near: Vec<(f64, f64, f64)> = Vec::new();
                for p in points {
                    if near.first().is_some_and(|f| p.1 - f.1 >= SLOPE_APART_CELSIUS / 2.0) {
                        knots.push(offset(&near));
                        near.clear();
                    }
                    near.push(p);
                }
                knots.push(offset(&near));
                Self::of(shape, knots)
            }
            Shape::Linear => Self::of(shape, line(&points)),
        }
    }

    /// A raw temperature corrected, °C.
    pub fn apply(&self, raw: f64) -> f64 {
        let knots = &self.knots;
        let after = knots.partition_point(|k| k.0 < raw);
        let pair = match self.shape {
            Shape::Piecewise if after == 0 => return raw + knots[0].1 - knots[0].0,
            Shape::Piecewise if after == knots.len() => {
                return raw + knots[after - 1].1 - knots[after - 1].0;
            }
            _ if knots.len() == 1 => return raw + knots[0].1 - knots[0].0,
            _ => {
                let first = after.clamp(1, knots.len() - 1) - 1;
                (knots[first], knots[first + 1])
            }
        };
        let ((r0, t0), (r1, t1)) = pair;
        t0 + (raw - r0) * (t1 - t0) / (r1 - r0)
    }

    /// Its shape.
    pub fn shape(&self) -> Shape {
        self.shape
    }

    /// Its knots, raw and true.
    pub fn knots(&self) -> &[(f64, f64)] {
        &self.knots
    }
}

/// The mean of points as one knot, weighted by their certainty.
fn offset(points: &[(f64, f64, f64)]) -> (f64, f64) {
    let (mut w, mut r, mut t) = (0.0, 0.0, 0.0);
    for p in points {
        let weight = 1.0 / (p.2 * p.2).max(1e-6);
        w += weight;
        r += weight * p.0;
        t += weight * p.1;
    }
    (r / w, t / w)
}

/// Two knots on the line of least squares, weighted, at the outermost points.
fn line(points: &[(f64, f64, f64)]) -> Vec<(f64, f64)> {
    let (mean_r, mean_t) = offset(points);
    let (mut rr, mut rt) = (0.0, 0.0);
    for p in points {
        let weight = 1.0 / (p.2 * p.2).max(1e-6);
        rr += weight * (p.0 - mean_r) * (p.0 - mean_r);
        rt += weight * (p.0 - mean_r) * (p.1 - mean_t);
    }
    let slope = rt / rr;
    [points[0].0, points[points.len() - 1].0].map(|r| (r, mean_t + slope * (r - mean_r))).to_vec()
}
