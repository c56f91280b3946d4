//! `curdtrace replay`: the engine as a filter. Line protocol in, events out as
//! JSON lines.

use std::fs::File;
use std::io::{self, BufRead, BufReader, BufWriter, Read, Write};
use std::path::PathBuf;
use std::sync::Arc;

use super::error::Failure;
use crate::config;
use crate::daemon::intake;
use crate::engine::Engine;
use crate::engine::effect::{Conclusion, Effect};
use crate::engine::event::{Event, Happening, Name, Stamp};
use crate::engine::heat::Learned;
use crate::wire::line::{Names, parse};
use crate::wire::playback::Playback;
use crate::wire::{json, line::Line};

/// Longest line that is taken.
const LONGEST_LINE: u64 = 64 * 1024;

/// What to replay, and how.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The plan to follow (without one, stages are still found)
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
    /// What has been learned of this kettle; read if it exists, written when a make ends
    #[arg(long, value_name = "FILE")]
    kettle: Option<PathBuf>,
    /// One `reading` event for every reading, after all that it caused
    #[arg(long)]
    readings: bool,
    /// Line protocol to read; - or nothing is standard input
    #[arg(value_name = "FILE")]
    input: Option<PathBuf>,
}

/// Runs the filter to the end of its input.
///
/// # Errors
/// 66 where the input is not there, 78 where a plan or kettle file is faulty,
/// 74 where reading or writing fails, and 65 at the end where lines were
/// refused.
pub fn run(args: &Args) -> Result<(), Failure> {
    let input = open(args.input.as_deref())?;
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

fn open(path: Option<&std::path::Path>) -> Result<Box<dyn Read>, Failure> {
    match path {
        Some(p) if p.as_os_str() != "-" => match File::open(p) {
            Ok(f) => Ok(Box::new(f)),
            Err(e) => Err(Failure::no_input(format_args!(
                "{} cannot be read ({e}); name a file of line protocol, or - for standard input",
                p.display()
            ))),
        },
        _ => Ok(Box::new(io::stdin())),
    }
}

struct Filter {
    engine: Engine,
    learned: Option<Learned>,
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
    fn all(&mut self, input: Box<dyn Read>) -> Result<u64, Failure> {
        let mut input = BufReader::with_capacity(256 * 1024, input);
        let (mut number, mut refused) = (0u64, 0u64);
        let mut line = Vec::new();
        loop {
            // Whoever waits at the other end of a pipe gets all there is
            // before we wait ourselves.
            if !input.buffer().contains(&b'\n') {
                self.flush()?;
            }
            line.clear();
            let got = (&mut input).take(LONGEST_LINE).read_until(b'\n', &mut line).map_err(|e| {
                Failure::io(format_args!("reading the input failed after line {number}: {e}"))
            })?;
            if got == 0 {
                break;
            }
            number += 1;
            if let Err(why) = self.line(&line)? {
                refused += 1;
                eprintln!("line {number}: {why}");
            }
        }
        self.step_all(&[Happening::EndOfInput])?;
        self.flush()?;
        Ok(refused)
    }

    /// One line; the inner error is a refusal that the filter survives.
    fn line(&mut self, bytes: &[u8]) -> Result<Result<(), String>, Failure> {
        let Ok(text) = std::str::from_utf8(bytes) else {
            return Ok(Err("not UTF-8 text; write line protocol as text".into()));
        };
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
        let played = self.clock.take(wall_ns);
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
            }
            if let Some(text) = json::event(&effect) {
                self.write(&text)?;
            }
        }
        Ok(())
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
