//! The ten-second means of the running make, for looking back: where a target
//! was reached, where the peak was.

mod before;

/// Ten days of ten-second bins (a third of a megabyte), since the longest setting that a
/// plan may have is waited for three times over; a longer make is not looked back on whole.
const MOST: usize = 86_400;

/// A probe is lifted and back in the milk within so many bins.
const LIFT_BINS: usize = 10;

/// The widest stretch that is looked at as one, bins.
const WIDEST: usize = 2 * LIFT_BINS + 1;

/// No warming is looked back on for longer than this, bins: two hours.
const LOOKED_BACK: usize = 720;

/// A trace stood that was flat for so many bins.
const STOOD_BINS: usize = 7;

/// No fire heats milk by so much in two bins, °C.
const STEP_UP_C: f32 = 2.5;
/// So many bins of a probe on its way are left out, at the most.
const UNSEEN_BINS: usize = 6;

/// What rises by more than this in so many bins may be a jet of hot water, °C (a fire heats
/// by 4 °C/min at the most); so many bins later it shows whether it stays.
const FIRES_MOST_C: f64 = 2.8;
const FIRES_BINS: usize = 4;
const STAYS_BINS: usize = 3;

/// Nothing heats what has not risen for so many bins.
const AT_REST_BINS: usize = 12;

/// Bin values since the finder began; `NaN` where nothing was heard.
#[derive(Debug, Default)]
pub(super) struct History {
    bins: Vec<f32>,
    /// What was heard before, and nothing came of.
    past: Vec<f32>,
}

impl History {
    pub fn push(&mut self, celsius: Option<f64>) {
        if self.bins.len() < MOST {
            self.bins.push(celsius.map_or(f32::NAN, |c| c as f32));
        }
    }

    /// The last `most` bins at the most.
    pub fn last(&self, most: usize) -> Vec<Option<f64>> {
        let from = self.bins.len().saturating_sub(most);
        self.bins[from..].iter().map(|v| v.is_finite().then_some(f64::from(*v))).collect()
    }

    /// The value at a place, where there is one.
    pub fn at(&self, place: f64) -> Option<f64> {
        let v = *self.bins.get(place.max(0.0) as usize)?;
        v.is_finite().then_some(f64::from(v))
    }

    /// What was heard from bin `first` to `last`, and how much: looked at for many places a
    /// bin, so without a heap.
    fn near(&self, first: usize, last: usize) -> Option<([f32; WIDEST], usize)> {
        let (mut near, mut n) = ([0.0; WIDEST], 0);
        let heard = self.bins.get(first..(last + 1).min(self.bins.len()))?.iter().filter(|v| v.is_finite());
        for (place, v) in near.iter_mut().zip(heard) {
            *place = *v;
            n += 1;
        }
        (n > 0).then_some((near, n))
    }

    /// Median of the bins from `first` to `last`.
    fn median(&self, first: usize, last: usize) -> Option<f64> {
        let (mut near, n) = self.near(first, last)?;
        Some(f64::from(*near[..n].select_nth_unstable_by(n / 2, f32::total_cmp).1))
    }

    /// Mean of the middle half of the bins within `half` of `place`: a spike
    /// does not show in it.
    fn smooth(&self, place: usize, half: usize) -> Option<f64> {
        let (mut near, n) = self.near(place.saturating_sub(half), place + half)?;
        near[..n].sort_unstable_by(f32::total_cmp);
        let kept = &near[n / 4..n - n / 4];
        Some(kept.iter().map(|v| f64::from(*v)).sum::<f64>() / kept.len() as f64)
    }

    /// First place from `start` to `end` where the smoothed value stands at
    /// `celsius` or above.
    pub fn first_at_or_above(&self, celsius: f64, start: f64, end: f64) -> Option<f64> {
        let last = (end.max(0.0) as usize).min(self.bins.len().saturating_sub(1));
        let mut before: Option<f64> = None;
        for k in (start.max(0.0) as usize)..=last {
            let v = self.smooth(k, 1);
            if let Some(v) = v
                && v >= celsius
                && self.bins[k].is_finite()
                && f64::from(self.bins[k]) > celsius - 0.3
                && self.stays(k, celsius)
            {
                // Between the two bins, not at the later one's edge.
                let part = before.map_or(0.5, |b| ((celsius - b) / (v - b).max(1e-6)).clamp(0.0, 1.0) - 0.5);
                return Some(k as f64 + part);
            }
            before = v.or(before);
        }
        None
    }

    /// Whether what came up to `celsius` at bin `k` stands there: what rose as no fire heats
    /// must be there half a minute later still.
    fn stays(&self, k: usize, celsius: f64) -> bool {
        let low = self.lowest(k.saturating_sub(FIRES_BINS) as f64, k as f64);
        low.is_none_or(|low| f64::from(self.bins[k]) - low < FIRES_MOST_C)
            || (k + STAYS_BINS + 2 < self.bins.len()
                && self.median(k + STAYS_BINS, k + STAYS_BINS + 2).is_some_and(|c| c > celsius - 0.3))
    }

    /// The peak that a heat ran out to: from where it was found to end, forward
    /// until the trace has clearly fallen or stood for four minutes, and not
    /// beyond where another heat began.
    pub fn peak_between(&self, place: f64, until: f64) -> Option<f64> {
        let first = (place.max(0.0) as usize).saturating_sub(6);
        let last = self.bins.len().min(first + 48).min(until.max(0.0) as usize);
        let mut best: Option<(usize, f64)> = None;
        for k in first..last {
            let Some(v) = self.smooth(k, 4) else { continue };
            match best {
                Some((at, top)) if v > top + 0.004 => {
                    if k - at > 24 {
                        break;
                    }
                    best = Some((k, v));
                }
                Some((at, top)) if v < top - 0.06 || k - at > 24 => break,
                None => best = Some((k, v)),
                _ => {}
            }
        }
        best.map(|(k, _)| k as f64 + 0.5)
    }
}

impl History {
    /// The share of bins between two places in which anything was heard.
    pub fn heard(&self, from: f64, to: f64) -> f64 {
        let last = (to.max(0.0) as usize).min(self.bins.len());
        let Some(part) = self.bins.get(from.max(0.0) as usize..last) else { return 0.0 };
        let heard = part.iter().filter(|v| v.is_finite()).count();
        heard as f64 / part.len().max(1) as f64
    }

    /// How many bins of a silence lie around a place.
    pub fn silence_around(&self, place: f64) -> usize {
        let at = (place.max(0.0) as usize).min(self.bins.len());
        let silent = |v: &&f32| !v.is_finite();
        let before = self.bins[..at].iter().rev().take_while(silent).count();
        before + self.bins[at..].iter().take_while(silent).count()
    }

    /// Whether anywhere between two places it stood for so many bins: changed by no more
    /// than `within` °C. Where nothing was heard it may have.
    pub fn stood(&self, from: f64, to: f64, bins: usize, within: f64) -> bool {
        let last = (to.max(0.0) as usize).saturating_sub(bins);
        let first = (from.max(0.0) as usize).max(last.saturating_sub(LOOKED_BACK));
        (first..=last).step_by(3).any(|k| {
            let ends = self.smooth(k, 2).zip(self.smooth(k + bins, 2));
            ends.is_none_or(|(a, b)| (b - a).abs() <= within)
        })
    }

    /// By how much it fell in so many bins, and in so many after them, for the places
    /// between two others.
    pub fn falls_and_rests(
        &self,
        from: f64,
        to: f64,
        (falls, rests): (usize, usize),
    ) -> impl Iterator<Item = (f64, f64)> {
        let last = (to.max(0.0) as usize).saturating_sub(rests);
        let first = (from.max(0.0) as usize + falls / 2).max(last.saturating_sub(LOOKED_BACK)).max(falls);
        (first..=last).step_by(3).filter_map(move |k| {
            let middle = self.smooth(k, 2)?;
            Some((self.smooth(k - falls, 2)? - middle, middle - self.smooth(k + rests, 2)?))
        })
    }

    /// Whether the value never fell by more than `fall` °C below what it had
    /// been between two places; a probe lifted for a minute is no fall.
    pub fn never_fell_by(&self, fall: f64, from: f64, to: f64) -> bool {
        let mut top = f64::NEG_INFINITY;
        (from.max(0.0) as usize..=to.max(0.0) as usize).step_by(3).all(|k| {
            let first = k.saturating_sub(LIFT_BINS).max(from.max(0.0) as usize);
            let Some(v) = self.median(first, k + LIFT_BINS) else { return true };
            top = top.max(v);
            v > top - fall
        })
    }

    /// Where the rise that passes through `place` began: back from there, as
    /// long as it was lower before. A probe lifted for a minute does not show.
    pub fn foot_of_rise(&self, place: f64) -> f64 {
        let mut low: Option<(f64, usize)> = None;
        let last = place.max(0.0) as usize;
        for k in (last.saturating_sub(LOOKED_BACK)..=last).rev() {
            let Some(v) = self.median(k.saturating_sub(LIFT_BINS), k + LIFT_BINS) else { continue };
            match low {
                Some((least, at)) if v > least + 0.6 || at - k > AT_REST_BINS => break,
                Some((least, _)) if v >= least - 0.1 => {}
                _ => low = Some((v, k)),
            }
        }
        low.map_or(place, |(_, at)| (at as f64).min(place))
    }

    /// The lowest value between two places.
    pub fn lowest(&self, from: f64, to: f64) -> Option<f64> {
        let first = from.max(0.0) as usize;
        let last = (to.max(0.0) as usize).min(self.bins.len().saturating_sub(1));
        let least =
            self.bins.get(first..=last)?.iter().copied().filter(|v| v.is_finite()).reduce(f32::min)?;
        Some(f64::from(least))
    }

    /// The last place, at most `back` bins before `place`, where the probe was
    /// put into something else: a step that nothing heated makes.
    pub fn plunge_before(&self, place: f64, back: usize) -> Option<f64> {
        let last = (place.max(0.0) as usize).min(self.bins.len().saturating_sub(1));
        let first = last.saturating_sub(back).max(2);
        (first..=last).rev().find(|&k| self.is_step(k) && !self.of_a_lift(k)).map(|k| {
            // The step may take two or three bins: back to its beginning.
            let mut k = k;
            while k > first && (self.bins[k - 1] - self.bins[k - 2]).abs() > 1.0 {
                k -= 1;
            }
            k as f64
        })
    }

    /// Where between two places the probe was put into something else out of a
    /// trace that stood: the largest of such steps, however small against those
    /// that a lift out of stirred milk makes. What is hotter than `most_celsius` is not it.
    pub fn put_in(&self, first: f64, last: f64, most_celsius: f64) -> Option<f64> {
        let (first, last) = (first.max(0.0) as usize + STOOD_BINS, last.max(0.0) as usize);
        let steps = (first..=last).filter_map(|k| Some((k, self.step_out_of_rest(k, most_celsius)?)));
        steps.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(k, _)| k as f64)
    }

    /// How large a step into something colder than that begins with bin `k`, °C, where
    /// the trace stood before it.
    fn step_out_of_rest(&self, k: usize, most_celsius: f64) -> Option<f64> {
        let stood = self.bins.get(k.checked_sub(STOOD_BINS)?..k)?;
        let mean = stood.iter().sum::<f32>() / stood.len() as f32;
        let spread = stood.iter().map(|v| (v - mean).abs()).fold(0.0, f32::max);
        let then = self.median(k + 1, k + 3).filter(|c| *c < most_celsius)?;
        let step = (then - f64::from(mean)).abs();
        // What takes longer than two bins is heat, and no other place.
        let at_once = (f64::from(*self.bins.get(k + 1)?) - f64::from(stood[STOOD_BINS - 1])).abs();
        (spread < 0.16 && step > 0.25 + 3.0 * f64::from(spread) && at_once > 0.5 * step).then_some(step)
    }

    /// Whether a step begins with this bin: at once, or within three bins where
    /// the probe is slow, out of a trace that stood.
    fn is_step(&self, k: usize) -> bool {
        if (self.bins[k] - self.bins[k - 1]).abs() > 1.2 {
            return true;
        }
        if k < 4 || k + 2 >= self.bins.len() {
            return false;
        }
        let (stood, step) = (self.bins[k - 1] - self.bins[k - 4], self.bins[k + 2] - self.bins[k - 1]);
        let begins = (self.bins[k] - self.bins[k - 1]).abs() > 0.25 * step.abs();
        begins && !(-0.7..=1.1).contains(&step) && step.abs() > 0.5 + 2.0 * stood.abs()
    }

    /// Whether the step is one of two that a probe lifted for a minute out of
    /// milk that is heated makes.
    fn of_a_lift(&self, k: usize) -> bool {
        let mut back = k + 1..(k + LIFT_BINS + 1).min(self.bins.len().saturating_sub(2));
        let comes_back = |r: usize| (self.bins[r + 2] - self.bins[k - 1]).abs() < 2.5;
        self.is_put_back(k) || back.any(|r| comes_back(r) && self.is_step(r) && self.is_put_back(r))
    }

    /// Whether the probe was where it is after this step a minute before, and
    /// elsewhere in between.
    fn is_put_back(&self, k: usize) -> bool {
        let Some(&now) = self.bins.get(k + 2) else { return false };
        (k.saturating_sub(LIFT_BINS).max(6)..k.saturating_sub(1)).any(|a| {
            let then = self.bins[a];
            let in_milk = (-0.3..2.5).contains(&(then - self.bins[a - 6]));
            let near = (then - now).abs();
            let away = |v: &f32| (v - then).abs() > 0.4 && (v - now).abs() > near;
            in_milk && near < 2.0 && self.bins[a + 1..k].iter().any(away)
        })
    }

    /// Where the value was lowest between two places; a probe lifted for a minute
    /// does not count.
    pub fn lowest_place(&self, from: f64, to: f64) -> f64 {
        let last = to.max(0.0) as usize;
        let places = (from.max(0.0) as usize).max(last.saturating_sub(LOOKED_BACK))..=last;
        let low = places.filter_map(|k| Some((k, self.median(k, k + LIFT_BINS)?)));
        low.min_by(|a, b| a.1.total_cmp(&b.1)).map_or(from, |(k, _)| (k as f64).max(from))
    }

    /// The place between two others from which on the value stays above the
    /// lowest one there by `celsius`.
    pub fn leaves_lowest(&self, from: f64, to: f64, celsius: f64) -> Option<f64> {
        let (first, last) = (from.max(0.0) as usize, to.max(0.0) as usize);
        let value = |k: usize| self.median(k.saturating_sub(1).max(first), k + 1);
        let low = (first..=last).filter_map(value).min_by(f64::total_cmp)?;
        let stands = (first..=last).rev().find(|&k| value(k).is_some_and(|v| v <= low + celsius))?;
        Some(stands as f64 + 1.0)
    }

    /// Where the value was highest between two places; a spike does not count.
    pub fn highest_place(&self, from: f64, to: f64) -> Option<f64> {
        let places = from.max(0.0) as usize..(to.max(0.0) as usize).min(self.bins.len());
        let high = places.filter_map(|k| Some((k, self.smooth(k, 4)?)));
        high.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(k, _)| k as f64)
    }

    /// Where between two places it last rose as no milk on a fire does, and a bin
    /// more.
    pub fn last_step_up(&self, from: f64, to: f64) -> Option<f64> {
        // A probe on its way is left out, and shows again half a minute later.
        let rose = |k: &usize| {
            let before =
                (2..=UNSEEN_BINS.min(*k)).find(|d| self.bins.get(k - d).is_some_and(|c| c.is_finite()));
            let a = before.and_then(|d| Some((self.bins.get(k - d)?, d as f32 / 2.0)));
            a.zip(self.bins.get(*k)).is_some_and(|((a, times), b)| b - a > STEP_UP_C * times)
        };
        let last = (to.max(0.0) as usize).min(self.bins.len().saturating_sub(1));
        ((from.max(0.0) as usize).max(2)..=last).rev().find(rose).map(|k| k as f64 + 1.0)
    }

    /// Whether the probe came out of something colder by `celsius` or more, just
    /// before `place`.
    pub fn stepped_up(&self, place: f64, celsius: f64) -> bool {
        let before = (place - 6.0).max(0.0);
        self.lowest(before, place).zip(self.smooth_from(place + 2.0)).is_some_and(|(z, a)| a - z >= celsius)
    }

    /// The smoothed value at a place, or the first one after it.
    pub fn smooth_from(&self, place: f64) -> Option<f64> {
        (place.max(0.0) as usize..self.bins.len()).find_map(|k| self.smooth(k, 2))
    }

    /// The smoothed value at a place.
    pub fn smooth_at(&self, place: f64) -> Option<f64> {
        self.smooth(place.max(0.0) as usize, 2)
    }
}

#[cfg(test)]
mod tests {
    use super::History;

    /// Seldom read, a probe that is put into the whey is on its way for bins, which are left
    /// out: the air before was taken for cold milk, and the whey for the next make.
    #[test]
    fn a_step_into_the_milk_is_seen_though_its_bins_are_left_out() {
        let mut history = History::default();
        let way = [19.75, 19.75, 21.25, f64::NAN, f64::NAN, f64::NAN, 37.5, 37.75, 38.0];
        for c in way {
            history.push(Some(c).filter(|c| c.is_finite()));
        }
        assert_eq!(history.last_step_up(0.0, 8.0), Some(8.0));
        let milk = [12.0, 12.4, f64::NAN, f64::NAN, f64::NAN, 14.2, 14.6];
        let mut heated = History::default();
        for c in milk {
            heated.push(Some(c).filter(|c| c.is_finite()));
        }
        assert_eq!(heated.last_step_up(0.0, 6.0), None);
    }
}
