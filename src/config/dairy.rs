//! The daemon's own configuration, as meant.
//!
//! The annotated example is `config/curdtrace.toml`.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::check::Section;
use super::fault::Fault;
use super::file;
use super::modbus::{self, ModbusLine};
use super::plan;
use super::shown;
use super::signing::{self, Signing};
use super::source::{self, Broker, Probe, SerialPort, named};
use super::{credentials, second_look};
use crate::engine::event::Name;
use crate::engine::plan::Plan;

/// Where the configuration is looked for when none is named.
pub const USUAL_PLACES: [&str; 2] = ["curdtrace.toml", "/etc/curdtrace/curdtrace.toml"];

/// Everything the daemon is told.
#[derive(Debug, Clone, PartialEq)]
pub struct Config {
    /// The dairy's name, for the sheets.
    pub dairy: String,
    /// IANA time zone of the dairy, such as `Europe/Zurich`.
    pub time_zone: String,
    /// The dairy's language: `en`, `it`, `de`, `fr`; of sheets, alarms and
    /// terminal, and of the page where it has none of its own.
    pub language: String,
    /// Height above the sea, metres.
    pub altitude_m: f64,
    /// Where the journal and the lots are kept.
    pub data: PathBuf,
    /// The kettles that are named.
    pub kettles: Vec<Kettle>,
    /// The probes that are named; others are taken as they come.
    pub probes: Vec<Probe>,
    /// Serial ports.
    pub serial: Vec<SerialPort>,
    /// Brokers.
    pub brokers: Vec<Broker>,
    /// Modbus lines.
    pub modbus: Vec<ModbusLine>,
    /// How the journal groups.
    pub journal: Grouping,
    /// Pattern of a lot's id.
    pub lot_id: String,
    /// How lots are signed.
    pub signing: Signing,
    /// The page, and where it is served.
    pub web: shown::Page,
    /// Who is called when an alarm sounds.
    pub alerts: Vec<shown::Alert>,
    /// Whether alarms are printed on the terminal.
    pub terminal: bool,
    /// At most so many probes are taken in; the next is refused with a word.
    pub most_probes: u64,
    /// How much of the journal is read again at the start, hours.
    pub look_back_hours: f64,
}

/// A kettle that is named.
#[derive(Debug, Clone, PartialEq)]
pub struct Kettle {
    /// Its name.
    pub name: Name,
    /// The plan it follows unless a person chooses another.
    pub plan: Option<Arc<Plan>>,
    /// The file it came from.
    pub plan_file: Option<PathBuf>,
}

/// How the journal groups its syncs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grouping {
    /// A group is synced with so many readings at the latest.
    pub readings: u32,
    /// A group is synced after so long at the latest, seconds.
    pub seconds: f64,
    /// Less free space than this is worth a word, percent.
    pub warn_free_percent: f64,
}

impl Default for Grouping {
    fn default() -> Self {
        Self { readings: 64, seconds: 1.0, warn_free_percent: 10.0 }
    }
}

impl Default for Config {
    fn default() -> Self {
        Self {
            dairy: "Dairy".into(),
            time_zone: "UTC".into(),
            language: "en".into(),
            altitude_m: 0.0,
            data: "data".into(),
            kettles: Vec::new(),
            probes: Vec::new(),
            serial: Vec::new(),
            brokers: Vec::new(),
            modbus: Vec::new(),
            journal: Grouping::default(),
            lot_id: DEFAULT_LOT_ID.into(),
            signing: Signing::default(),
            web: shown::Page::default(),
            alerts: Vec::new(),
            terminal: true,
            most_probes: 32,
            look_back_hours: 12.0,
        }
    }
}

/// A lot's id where nothing else is said: the day, the kettle, which of the
/// day.
pub const DEFAULT_LOT_ID: &str = "{date}-{kettle}-{number}";

impl Config {
    /// The kettle a probe hangs in.
    pub fn kettle_of(&self, probe: &str) -> Option<Name> {
        self.probes.iter().find(|p| &*p.name == probe).and_then(|p| p.kettle.clone())
    }

    /// How far back in the journal a start looks, nanoseconds.
    pub fn look_back_ns(&self) -> i64 {
        (self.look_back_hours * 3.6e12) as i64
    }
}

/// The time zone of that name; UTC where it is none.
pub fn zone(name: &str) -> jiff::tz::TimeZone {
    jiff::tz::TimeZone::get(name).unwrap_or(jiff::tz::TimeZone::UTC)
}

/// The configuration's path: the one given, else the first of the usual places
/// that is there.
///
/// # Errors
/// A sentence that says where it was looked for.
pub fn place(given: Option<PathBuf>) -> Result<PathBuf, String> {
    if let Some(path) = given {
        let missing = || {
            let path = path.display();
            format!(
                "no configuration at {path}; mend the path, or copy the annotated config/curdtrace.toml there"
            )
        };
        return if path.exists() { Ok(path) } else { Err(missing()) };
    }
    USUAL_PLACES.iter().map(PathBuf::from).find(|p| p.is_file()).ok_or_else(|| {
        format!(
            "no configuration at {}; copy the annotated config/curdtrace.toml there, or name one with --config",
            USUAL_PLACES.join(" or ")
        )
    })
}

/// Reads the configuration, and every plan and credentials file it names.
///
/// # Errors
/// Every fault of all these files at once, in the order of files and lines.
pub fn read(path: &Path) -> Result<Config, Vec<Fault>> {
    of_file(path, Eye::Reading).0
}

/// As [`read`]; what is at fault and keeps no daemon from running, such as that a
/// file for signing is not there, is a fault too. Beside it what is doubtful: it may
/// be meant so, and seldom is.
pub fn check(path: &Path) -> (Result<Config, Vec<Fault>>, Vec<Fault>) {
    of_file(path, Eye::Checking)
}

/// For what a configuration is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Eye {
    Reading,
    Checking,
}

fn of_file(path: &Path, eye: Eye) -> (Result<Config, Vec<Fault>>, Vec<Fault>) {
    let text = match file::text_of(path) {
        Ok(text) => text,
        Err(faults) => return (Err(faults), Vec::new()),
    };
    let beside = match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    of_text(&text, &path.display().to_string(), beside, eye)
}

/// Reads the configuration from its text; plans and credentials are looked for
/// in the folder `beside`.
///
/// # Errors
/// As [`read`].
pub fn parse(text: &str, name: &str, beside: &Path) -> Result<Config, Vec<Fault>> {
    of_text(text, name, beside, Eye::Reading).0
}

fn of_text(text: &str, name: &str, beside: &Path, eye: Eye) -> (Result<Config, Vec<Fault>>, Vec<Fault>) {
    let mut of_others = Vec::new();
    let (own, doubts) = file::weighing(name, text, |root| Some(config(root, beside, eye, &mut of_others)));
    let read = match own {
        Ok(config) if of_others.is_empty() => Ok(config),
        Ok(_) => Err(of_others),
        Err(mut faults) => {
            faults.extend(of_others);
            Err(faults)
        }
    };
    (read, doubts)
}

fn config(root: &Section<'_, '_>, beside: &Path, eye: Eye, of_others: &mut Vec<Fault>) -> Config {
    let mut config = Config::default();
    if let Some(s) = root.section("dairy") {
        dairy(&s, &mut config, beside);
    }
    let all = ["kettle", "probe", "serial", "mqtt", "modbus"].map(|key| root.sections(key));
    let [kettles, probes, ports, brokers, lines] = &all;
    config.kettles = kettles.iter().filter_map(|s| kettle(s, beside, of_others)).collect();
    for plan in config.kettles.iter_mut().filter_map(|k| k.plan.as_mut()) {
        // A plan that does not say how high it is made is made here.
        if plan.altitude_m.abs() < 1.0 {
            Arc::make_mut(plan).altitude_m = config.altitude_m;
        }
    }
    config.probes = probes.iter().filter_map(source::probe).collect();
    config.serial = ports.iter().filter_map(source::serial).collect();
    config.brokers = brokers.iter().filter_map(|s| source::broker(s, beside, &config.language)).collect();
    config.modbus = lines.iter().filter_map(modbus::line).collect();
    // One that is not there is named at the line that names it.
    for path in config.brokers.iter().filter_map(|b| b.credentials.as_deref()).filter(|p| p.exists()) {
        of_others.extend(credentials::read(path).err().unwrap_or_default());
    }
    for sections in &all {
        unlike(sections, "name", "name");
    }
    unlike(ports, "port", "port");
    hung(probes, &config);
    sections_of_one(root, &mut config);
    if let Some(s) = root.section("signing") {
        config.signing = signing::read(&s, beside);
        if eye == Eye::Checking {
            signing::check(&s, &config.signing);
        }
    }
    let outlets = root.sections("outlet");
    config.alerts = outlets.iter().filter_map(|s| shown::alert(s, &config.language)).collect();
    unlike(&outlets, "name", "name");
    if eye == Eye::Checking {
        second_look::registers(lines);
        second_look::bodies(&outlets);
        second_look::chosen(&outlets);
        second_look::programs(&outlets);
        second_look::names(probes, ports, &config);
    }
    config
}

fn sections_of_one(root: &Section<'_, '_>, config: &mut Config) {
    if let Some(s) = root.section("journal") {
        let base = Grouping::default();
        config.journal = Grouping {
            readings: s.whole("group-readings", 1..=10_000, "readings").map_or(base.readings, |n| n as u32),
            seconds: s.number("group-seconds", 0.01..=10.0, "s").unwrap_or(base.seconds),
            warn_free_percent: s
                .number("warn-free-percent", 0.0..=90.0, "%")
                .unwrap_or(base.warn_free_percent),
        };
        s.done();
    }
    if let Some(s) = root.section("lots") {
        if let Some(id) = s.text("id") {
            config.lot_id = lot_id(&s, id);
        }
        s.done();
    }
    config.web.language.clone_from(&config.language);
    if let Some(s) = root.section("web") {
        config.web = shown::page(&s, &config.language);
    }
    if let Some(s) = root.section("terminal") {
        config.terminal = s.truth("alarms").unwrap_or(true);
        s.done();
    }
    if let Some(s) = root.section("limits") {
        config.most_probes = s.whole("probes", 1..=1000, "probes").unwrap_or(config.most_probes);
        config.look_back_hours =
            s.number("look-back-hours", 1.0..=240.0, "hours").unwrap_or(config.look_back_hours);
        s.done();
    }
}

fn dairy(s: &Section<'_, '_>, config: &mut Config, beside: &Path) {
    if let Some(name) = s.name("name") {
        config.dairy = name.into();
    }
    if let Some(zone) = s.text("time-zone") {
        if let Err(e) = jiff::tz::TimeZone::get(zone) {
            let remedy = format!("write it as Europe/Zurich, and see that the package tzdata is there ({e})");
            s.fault_at("time-zone", format!("time-zone = {zone:?} is not known"), remedy);
        }
        config.time_zone = zone.into();
    }
    if let Some(language) = shown::language(s) {
        config.language = language;
    }
    if let Some(m) = s.number("altitude-m", -400.0..=5000.0, "m") {
        config.altitude_m = m;
    }
    if let Some(data) = s.text("data") {
        if data.is_empty() {
            s.fault_at("data", "data is empty", "name a folder such as /var/lib/curdtrace");
        }
        config.data = beside.join(data);
    }
    s.done();
}

fn kettle(s: &Section<'_, '_>, beside: &Path, of_others: &mut Vec<Fault>) -> Option<Kettle> {
    let name = named(s, "name", "what the dairy calls this kettle");
    let plan_file = s.text("plan").map(|p| beside.join(p));
    s.done();
    let mut plan = None;
    if let Some(path) = &plan_file {
        if path.is_file() {
            match plan::read(path) {
                Ok(p) => plan = Some(p),
                // Two kettles may follow the same plan; its faults count once.
                Err(faults) => of_others
                    .extend(faults.into_iter().filter(|f| !of_others.contains(f)).collect::<Vec<_>>()),
            }
        } else {
            let what = format!("the plan {} is not there", path.display());
            s.fault_at("plan", what, "mend the path; it counts from the folder of this file");
        }
    }
    Some(Kettle { name: name?, plan: plan.map(Arc::new), plan_file })
}

/// Places that a lot's id may hold.
const PLACES: [&str; 5] = ["{date}", "{kettle}", "{number}", "{plan}", "{year}"];

fn lot_id(s: &Section<'_, '_>, id: &str) -> String {
    let mut rest = id.to_string();
    for place in PLACES {
        rest = rest.replace(place, "");
    }
    let fit = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
    if let Some(c) = rest.chars().find(|c| !fit(*c)) {
        s.fault_at(
            "id",
            format!("id = {id:?} holds {c:?}, which no folder's name should"),
            format!("use letters, digits, - _ . and {}", PLACES.join(" ")),
        );
    }
    if !id.contains("{number}") || !(id.contains("{date}") || id.contains("{year}")) {
        s.fault_at(
            "id",
            format!("id = {id:?} gives two lots the same name"),
            format!("put {{number}} and {{date}} into it, such as {DEFAULT_LOT_ID:?}"),
        );
    }
    id.into()
}

/// No two sections bear the same text under `key`.
fn unlike(sections: &[Section<'_, '_>], key: &'static str, called: &str) {
    let mut seen = BTreeSet::new();
    for s in sections {
        if let Some(text) = s.text(key)
            && !seen.insert(text)
        {
            s.fault_at(
                key,
                format!("{key} = {text:?} stands twice"),
                format!("give each a {called} of its own"),
            );
        }
    }
}

/// Every probe's kettle is there.
fn hung(probes: &[Section<'_, '_>], config: &Config) {
    for s in probes {
        let Some(kettle) = s.text("kettle") else { continue };
        if !config.kettles.iter().any(|k| &*k.name == kettle) {
            let what = format!("kettle = {kettle:?} is not there");
            s.fault_at("kettle", what, "add a [[kettle]] of that name, or mend this one");
        }
    }
}
