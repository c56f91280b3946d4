//! What a box's buzzer and lamp should do, from the alarms there are.

use super::clock::Clock;
use super::outlet::Snapshot;
use crate::engine::alarm::AlarmState;
use crate::engine::view::AlarmView;
use crate::wire::frame::{Frame, Lamp, Sound};
use crate::words::tune::Tune;

/// A sign of life so often, nanoseconds.
const LIFE_EVERY_NS: u64 = 3_000_000_000;

/// The box cries by itself after so long without one, seconds.
const LIFE_WITHIN_S: u16 = 15;

/// The running sound is said again so often, nanoseconds: a box that was
/// plugged in meanwhile must learn of it.
const AGAIN_NS: u64 = 10_000_000_000;

/// Decides what goes down the line and when.
#[derive(Debug)]
pub struct Sounder {
    clock: Clock,
    life_due_ns: u64,
    sound_due_ns: u64,
    said: Option<(Sound, Lamp)>,
}

impl Sounder {
    /// One that has said nothing yet.
    pub fn new(clock: Clock) -> Self {
        Self { clock, life_due_ns: 0, sound_due_ns: 0, said: None }
    }

    /// Frames that are due now.
    pub fn due(&mut self, shown: &Snapshot) -> Vec<Frame> {
        let now_ns = self.clock.now().mono_ns;
        let mut out = Vec::new();
        if now_ns >= self.life_due_ns {
            self.life_due_ns = now_ns.saturating_add(LIFE_EVERY_NS);
            out.push(Frame::KeepAlive { within_s: LIFE_WITHIN_S });
        }
        let wanted = wanted(shown);
        if self.said != Some(wanted) || now_ns >= self.sound_due_ns {
            self.said = Some(wanted);
            self.sound_due_ns = now_ns.saturating_add(AGAIN_NS);
            out.push(Frame::Sound { sound: wanted.0, lamp: wanted.1 });
        }
        out
    }
}

/// The most urgent of what there is.
fn wanted(shown: &Snapshot) -> (Sound, Lamp) {
    let alarms = || shown.view.kettles.iter().flat_map(|k| &k.alarms).chain(&shown.view.house);
    match alarms().filter(|a| calls(a)).map(|a| Tune::of(a.alarm)).max() {
        Some(Tune::Now) => (Sound::Now, Lamp::Fast),
        Some(Tune::Fault) => (Sound::Fault, Lamp::Slow),
        Some(Tune::Ready) => (Sound::Ready, Lamp::Slow),
        None if alarms().any(|a| a.state == AlarmState::Acknowledged) => (Sound::Silent, Lamp::On),
        None => (Sound::Silent, Lamp::Off),
    }
}

fn calls(a: &AlarmView) -> bool {
    a.sounds && a.state == AlarmState::Unacknowledged
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::alarm::{AlarmKind, Priority};
    use crate::engine::view::{KettleView, View};
    use std::time::Duration;

    fn alarm(alarm: AlarmKind, state: AlarmState, sounds: bool) -> AlarmView {
        AlarmView {
            alarm,
            state,
            stands: true,
            priority: Priority::High,
            sounds,
            since: None,
            since_s: 0.0,
            shelved_until: None,
            text: String::new(),
            said: Vec::new(),
        }
    }

    fn check(alarms: &[AlarmView], expected: (Sound, Lamp)) {
        let shown = Snapshot { view: crate::daemon::sounding::tests::view(alarms), ..Snapshot::default() };
        assert_eq!(wanted(&shown), expected, "{alarms:?}");
    }

    pub(super) fn view(alarms: &[AlarmView]) -> View {
        let k = "k".into();
        let kettle = KettleView { alarms: alarms.to_vec(), ..KettleView::unheard(&k, &k) };
        View { kettles: vec![kettle], house: Vec::new() }
    }

    #[test]
    fn the_most_urgent_call_is_the_one_that_sounds() {
        use AlarmKind::{GetReady, HeatOff, MilkWarm, ProbeSilent};
        use AlarmState::{Acknowledged, Shelved, Unacknowledged};
        check(&[], (Sound::Silent, Lamp::Off));
        check(&[alarm(GetReady, Unacknowledged, true)], (Sound::Ready, Lamp::Slow));
        let both = [alarm(ProbeSilent, Unacknowledged, true), alarm(HeatOff, Unacknowledged, true)];
        check(&both, (Sound::Now, Lamp::Fast));
        // As the speaker and the page have it: the box said "come".
        check(&[alarm(MilkWarm, Unacknowledged, true)], (Sound::Fault, Lamp::Slow));
        check(&[alarm(HeatOff, Acknowledged, true)], (Sound::Silent, Lamp::On));
        check(&[alarm(HeatOff, Shelved, true)], (Sound::Silent, Lamp::Off));
        check(&[alarm(HeatOff, Unacknowledged, false)], (Sound::Silent, Lamp::Off));
    }

    #[test]
    fn the_houses_own_alarms_sound_at_the_box_too() {
        let mut shown = Snapshot::default();
        shown.view.house = vec![alarm(AlarmKind::StoreFault, AlarmState::Unacknowledged, true)];
        assert_eq!(wanted(&shown), (Sound::Fault, Lamp::Slow));
        shown.view.house = vec![alarm(AlarmKind::ClockUnsure, AlarmState::Unacknowledged, false)];
        assert_eq!(wanted(&shown), (Sound::Silent, Lamp::Off));
    }

    #[test]
    fn the_box_hears_a_sign_of_life_before_it_would_cry() {
        let clock = Clock::by_hand(0);
        let mut sounder = Sounder::new(clock.clone());
        let shown = Snapshot::default();
        assert_eq!(sounder.due(&shown).len(), 2);
        let mut silent_s = 0;
        for _ in 0..60 {
            clock.advance(Duration::from_secs(1));
            let frames = sounder.due(&shown);
            silent_s = if frames.is_empty() { silent_s + 1 } else { 0 };
            assert!(silent_s < u32::from(LIFE_WITHIN_S));
        }
    }
}
