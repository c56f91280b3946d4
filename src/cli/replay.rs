//! `curdtrace replay`: the engine as a filter. Line protocol in, events out as
//! JSON lines.

mod input;

use std::io::{self, BufWriter, Write};
use std::path::PathBuf;
use std::sync::Arc;

use self::input::Input;
use super::error::Failure;
use crate::config;
use crate::daemon::intake;
use crate::engine::Engine;
use crate::engine::effect::{Conclusion, Effect};
use crate::engine::event::{Event, Happening, Name, Stamp};
use crate::engine::heat::{Heat, Learned};
use crate::wire::line::{Names, parse};
use crate::wire::playback::Playback;
use crate::wire::{json, line::Line};

/// What to replay, and how.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The plan to follow (without one, stages are still found)
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
    /// What has been learned of this kettle; read if it exists, written when a make or the input ends
    #[arg(long, value_name = "FILE")]
    kettle: Option<PathBuf>,
    /// One `reading` event for every reading, after all that it caused
    #[arg(long)]
    readings: bool,
    /// Line protocol to read, plain or packed by gzip; - or nothing is standard input
    #[arg(value_name = "FILE")]
    input: Option<PathBuf>,
}

/// Runs the filter to the end of its input.
///
/// # Errors
/// 66 where the input is not there, 65 where it is packed and damaged, 78 where a plan or kettle file is faulty,
/// 74 where reading or writing fails, and 65 at the end where lines were
/// refused.
pub fn run(args: &Args) -> Result<(), Failure> {
    let input = Input::open(args.input.as_deref())?;
    let mut filter = Filter::new(args)?;
    let refused = filter.all(input)?;
    if refused > 0 {
        return Err(Failure::data(format_args!(
            "{refused} {} refused, as named above; everything else was taken in",
            if refused == 1 { "line was" } else { "lines were" }
        )));
    }
    Ok(())
}

struct Filter {
    engine: Engine,
    /// What the kettle file held.
    learned: Option<Learned>,
    /// Whether the kettle file was written.
    written: bool,
    taught: std::collections::BTreeSet<Name>,
    kettle: Option<PathBuf>,
    readings: bool,
    names: Names,
    clock: Playback,
    effects: Vec<Effect>,
    out: BufWriter<io::Stdout>,
}

impl Filter {
    fn new(args: &Args) -> Result<Self, Failure> {
        let plan = args.plan.as_deref().map(super::read_plan).transpose()?;
        let learned = match &args.kettle {
            Some(path) => config::kettle::read(path).map_err(|f| super::faulty(&f))?,
            None => None,
        };
        Ok(Self {
            engine: Engine::new(plan.map(Arc::new)),
            learned,
            written: false,
            taught: std::collections::BTreeSet::new(),
            kettle: args.kettle.clone(),
            readings: args.readings,
            names: Names::default(),
            clock: Playback::default(),
            effects: Vec::new(),
            out: BufWriter::with_capacity(64 * 1024, io::stdout()),
        })
    }

    /// Everything there is; gives how many lines were refused.
    fn all(&mut self, mut input: Input) -> Result<u64, Failure> {
        let mut refused = 0u64;
        loop {
            // Whoever waits at the other end of a pipe gets all there is
            // before we wait ourselves.
            if !input.is_ready() {
                self.flush()?;
            }
            let Some(got) = input.next()? else { break };
            let taken = match got.text() {
                Ok(Some(text)) => self.line(text)?,
                Ok(None) => Ok(()),
                Err(why) => Err(why),
            };
            if let Err(why) = taken {
                refused += 1;
                super::remark(&format!("line {}: {why}", got.number));
            }
        }
        self.step_all(&[Happening::EndOfInput])?;
        self.keep_learned()?;
        self.flush()?;
        Ok(refused)
    }

    /// One line; the inner error is a refusal that the filter survives.
    fn line(&mut self, text: &str) -> Result<Result<(), String>, Failure> {
        let (line, wall_ns) = match parse(text, &mut self.names) {
            Ok(Some(l)) => l,
            Ok(None) => return Ok(Ok(())),
            Err(e) => return Ok(Err(e.to_string())),
        };
        let Some(wall_ns) = wall_ns else {
            return Ok(Err("no time; end the line with nanoseconds since 1970".into()));
        };
        let heard = match &line {
            Line::Reading(r) => Some((r.probe.clone(), r.kettle.clone().unwrap_or_else(|| r.probe.clone()))),
            _ => None,
        };
        let what = match intake::happening(line) {
            Ok(Some(w)) => w,
            Ok(None) => return Ok(Ok(())),
            Err(e) => return Ok(Err(e.to_string())),
        };
        if let (Some((_, kettle)), Some(learned)) = (&heard, &self.learned)
            && self.taught.insert(kettle.clone())
        {
            self.engine.teach(kettle, learned.clone());
        }
        // A reading of then says nothing of the time now.
        let late = matches!(&what, Happening::Reading(r) if r.late_s.is_some());
        let stamp = if late { self.clock.now() } else { self.stamp(wall_ns, &what) };
        self.engine.step(&Event { stamp, what }, &mut self.effects);
        self.write_effects()?;
        if let Some((probe, _)) = heard
            && self.readings
        {
            let seen = self.engine.kettle_of(&probe);
            self.write(&json::reading(Some(wall_ns), &probe, seen.as_ref()))?;
        }
        Ok(Ok(()))
    }

    /// The stamp of a line; a clock that was set before it is told first.
    fn stamp(&mut self, wall_ns: i64, what: &Happening) -> Stamp {
        let reading = match what {
            Happening::Reading(r) => Some(r),
            _ => None,
        };
        let played = self.clock.take(wall_ns, reading);
        if let Some(step_ns) = played.step_ns
            && !matches!(what, Happening::ClockStep { .. })
        {
            let step = Event { stamp: played.stamp, what: Happening::ClockStep { step_ns } };
            self.engine.step(&step, &mut self.effects);
        }
        played.stamp
    }

    fn step_all(&mut self, what: &[Happening]) -> Result<(), Failure> {
        for w in what {
            let stamp = self.clock.now();
            self.engine.step(&Event { stamp, what: w.clone() }, &mut self.effects);
        }
        self.write_effects()
    }

    fn write_effects(&mut self) -> Result<(), Failure> {
        for effect in std::mem::take(&mut self.effects) {
            if let Conclusion::Learned(l) = &effect.what
                && let Some(path) = &self.kettle
            {
                config::kettle::write_atomically(path, l).map_err(Failure::io)?;
                self.written = true;
            }
            if let Some(text) = json::event(&effect) {
                self.write(&text)?;
            }
        }
        Ok(())
    }

    /// An input without a make taught nothing; the file says so all the same.
    fn keep_learned(&mut self) -> Result<(), Failure> {
        let Some(path) = self.kettle.as_ref().filter(|_| !self.written) else { return Ok(()) };
        let known = self.learned.clone().unwrap_or_else(|| Heat::new(None).learned());
        config::kettle::write_atomically(path, &known).map_err(Failure::io)
    }

    fn write(&mut self, text: &str) -> Result<(), Failure> {
        self.out
            .write_all(text.as_bytes())
            .and_then(|()| self.out.write_all(b"\n"))
            .map_err(|e| unwritten(&e))
    }

    fn flush(&mut self) -> Result<(), Failure> {
        self.out.flush().map_err(|e| unwritten(&e))
    }
}

fn unwritten(e: &io::Error) -> Failure {
    Failure::io(format_args!("writing events to standard output failed: {e}; see what reads them"))
}
