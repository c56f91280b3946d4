//! From what a kettle said, in engine seconds, to effects and views on the
//! wall's time.

use super::alarms::{Alarms, Standing};
use super::effect::{Conclusion, Cook, Effect, Forecast, HealthChange, Make, MakeStage, StageChange, WallNs};
use super::kettle::{Kettle, MakeSaid, Said};
use super::situation::Outlook;
use super::stage::{Stage, Telling, Told};
use super::time::Timeline;
use super::view::{AlarmView, KettleView, OLD_AFTER_S};

/// A cook's call comes no later than this after its peak, seconds.
const PEAK_SEEN_S: f64 = 60.0;

/// Moves all that `kettle` said at `t_s` to `out`.
pub(super) fn all(time: &Timeline, kettle: &Kettle, t_s: f64, said: &mut Vec<Said>, out: &mut Vec<Effect>) {
    for s in said.drain(..) {
        let what = match s {
            Said::Stage(t) => Conclusion::Stage(stage(time, t)),
            Said::Alarm(a) => Conclusion::Alarm(a),
            Said::Forecast(o) => Conclusion::Forecast(forecast(time, kettle.now().stage, &o, t_s)),
            Said::Health(health, reason) => Conclusion::Health(HealthChange { health, reason }),
            Said::Remark(text) => Conclusion::Remark(text),
            Said::MakeBegan => Conclusion::MakeBegan,
            Said::Make(m) => Conclusion::Make(make(time, &m)),
            Said::Learned(l) => Conclusion::Learned(l),
        };
        out.push(Effect {
            time: time.wall(t_s),
            probe: kettle.probe.clone(),
            kettle: kettle.name.clone(),
            what,
        });
    }
}

fn stage(time: &Timeline, telling: Telling) -> StageChange {
    let (t, revises, withdrawn): (Told, bool, bool) = match telling {
        Telling::Began(t) => (t, false, false),
        Telling::Revised(t) => (t, true, false),
        Telling::Withdrawn(t) => (t, false, true),
    };
    StageChange {
        stage: t.stage,
        began: time.wall(t.began_s),
        confidence: t.confidence,
        basis: t.basis,
        revises,
        withdrawn,
    }
}

fn forecast(time: &Timeline, stage: Stage, o: &Outlook, t_s: f64) -> Forecast {
    let at = |s: f64| -> Option<WallNs> { time.wall(t_s + s) };
    Forecast {
        stage,
        target_celsius: o.target_celsius,
        // Once the moment has come it is now, for as long as heat goes in.
        heat_off_at: at(o.heat_off_in_s.max(0.0)),
        reach_at: at(o.reach_in_s),
        peak_celsius: o.peak_celsius,
        peak_low_celsius: o.peak_low_celsius,
        peak_high_celsius: o.peak_high_celsius,
    }
}

fn make(time: &Timeline, m: &MakeSaid) -> Make {
    let ends = m.stages.iter().skip(1).map(|t| t.began_s).chain(std::iter::once(m.ended_s));
    let stages = m
        .stages
        .iter()
        .zip(ends)
        .map(|(t, ended_s)| MakeStage {
            stage: t.stage,
            began: time.wall(t.began_s),
            ended: time.wall(ended_s),
            confidence: t.confidence,
            basis: t.basis,
        })
        .collect();
    let cooks = m
        .cooks
        .iter()
        .map(|c| {
            // A call after the peak was for heat that held the temperature.
            let mine = |k: &&(f64, f64)| (k.0 - c.began_s).abs() < 300.0 && k.1 <= c.peak_s + PEAK_SEEN_S;
            let called = m.calls.iter().find(mine).map(|k| k.1);
            Cook {
                target_celsius: c.target_celsius,
                heat_off_called_at: called.and_then(|s| time.wall(s)),
                reached_at: c.reached_s.and_then(|s| time.wall(s)),
                peak_celsius: c.peak_celsius,
                peak_at: time.wall(c.peak_s),
            }
        })
        .collect();
    Make { stages, cooks }
}

/// Those of a set that are not normal.
pub(super) fn alarms(time: &Timeline, set: &Alarms) -> Vec<AlarmView> {
    let view = |a: Standing| AlarmView {
        alarm: a.alarm,
        state: a.state,
        stands: a.stands,
        priority: a.priority,
        sounds: a.sounds,
        since: time.wall(a.since_s),
        since_s: a.since_s,
        shelved_until: a.shelved_until_s.and_then(|s| time.wall(s)),
        text: a.text,
        said: a.said,
    };
    set.views().into_iter().map(view).collect()
}

/// A kettle's snapshot.
pub(super) fn view(time: &Timeline, k: &Kettle) -> KettleView {
    let t_s = time.now_s();
    let now = k.now();
    let age_s = k.age_s(t_s);
    let live = k
        .filter
        .live()
        .filter(|_| k.verdict.use_celsius.is_some() && age_s.is_some_and(|a| a < k.old_after_s()));
    KettleView {
        kettle: k.name.clone(),
        probe: k.probe.clone(),
        celsius: live.map(|l| l.0.level),
        age_s,
        old_after_s: k.old_after_s().max(OLD_AFTER_S),
        rate_celsius_per_min: live.map(|l| l.0.slope * 60.0),
        roughness_celsius: live.map(|_| k.filter.roughness()),
        health: k.watch.health(),
        reason: if k.watch.reason().is_fine() { String::new() } else { k.watch.reason().to_string() },
        stage: now.stage,
        stage_began: (now.stage != Stage::Idle).then(|| time.wall(now.began_s)).flatten(),
        stage_confidence: now.confidence,
        stage_basis: now.basis,
        plan: k.plan.as_ref().map(|p| p.name.clone()),
        target_celsius: now.target_celsius,
        planned_minutes: now.minutes,
        forecast: k.outlook(t_s).map(|o| forecast(time, now.stage, &o, t_s)),
        heat_off_called_at: k.alarms.heat_off_called_s().and_then(|s| time.wall(s)),
        curd_check_at: k.curd_check_at_s().and_then(|s| time.wall(s)),
        alarms: alarms(time, &k.alarms),
        stages: k.tracker.told().iter().map(|t| (t.stage, time.wall(t.began_s))).collect(),
    }
}
