//! `bismar replay CAPTURE`.

use std::collections::HashMap;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use clap::Args;
use jiff::{SignedDuration, Timestamp};

use super::named::{self, FORMULA};
use super::size::{self, SizeArgs};
use super::value::ValueError;
use super::{Exit, Failure, Outcome};
use crate::bench::Bench;
use crate::config::Config;
use crate::formula::{Formula, Plan};
use crate::journal::format::names::new_batch_name;
use crate::journal::format::opening::Opening;
use crate::journal::read::scan::scan_file;
use crate::journal::store::log::LogFile;
use crate::mass::Mass;
use crate::protocol::wire::Wire;
use crate::replay;
use crate::scale::capture::{CaptureError, CaptureReader};
use crate::scale::identify::{self, Hint};
use crate::text::columns::Column::{Left as L, Right as R};
use crate::text::columns::{Column, GAP, REST, cut, line};
use crate::time::Moment;
use crate::vocabulary::entry::{Draft, RowKind, Verdict};
use crate::vocabulary::progress::Progress;
use crate::weighing::event::Event;
use crate::workshop;

#[derive(Debug, Args)]
#[command(group = size::required())]
pub struct ReplayArgs {
    /// The recorded session (.capture)
    pub capture: PathBuf,
    /// The formula: its name, or its file (.toml)
    #[arg(long, value_name = FORMULA)]
    pub formula: PathBuf,
    #[command(flatten)]
    pub size: SizeArgs,
    /// Take layout and readability from this configuration, not from the capture's first lines
    #[arg(long)]
    pub config: Option<PathBuf>,
    /// Which scale of the configuration the capture is of (default: the first)
    #[arg(long, value_name = "NAME", requires = "config")]
    pub scale: Option<String>,
    /// Where the batch log goes (.csv); a log of an earlier replay is replaced, no other file is
    #[arg(long, value_name = "OUT.csv")]
    pub log: PathBuf,
    /// Where the events go, one JSON object a line
    #[arg(long, value_name = "OUT.jsonl")]
    pub events: Option<PathBuf>,
    /// The time of day at the capture's beginning, for example 2026-01-01T09:00:00Z
    #[arg(long, value_name = "TIME", default_value = "1970-01-01T00:00:00Z",
          value_parser = start)]
    pub start: Timestamp,
}

fn start(text: &str) -> Result<Timestamp, ValueError> {
    text.parse().map_err(|_| ValueError::Start)
}

/// What marks a log as that of a replay.
const MARK: &str = "(replay of a capture)";

/// # Errors
/// What is told to the person, with its remedy and exit code.
pub fn run(args: ReplayArgs) -> Outcome {
    let file = named::formula(&args.formula, args.config.as_deref())?;
    let formula = workshop::formula(&file)?;
    let config = config(&args)?;
    let amount = args
        .size
        .amount()
        .map_err(Failure::theirs)?
        .ok_or_else(|| Failure::usage("say how much with --batch or --jars"))?;
    let plan = Plan::new(&formula, amount, &config.abilities(), config.weighing.guard)?;
    let mut bench = Bench::at_line_start(&config).map_err(|error| match &args.config {
        Some(path) => Failure::bad_input(format!("{}: {error}", path.display())),
        None => Failure::theirs(error).with(Exit::BadInput),
    })?;
    let mut capture = open(&args.capture)?;
    let mut run = Run::new(&args, &formula, &plan, &config)?;
    bench.set_readings(args.events.is_some());
    bench
        .begin(plan, Progress::default(), Moment::default())
        .map_err(Failure::theirs)?;
    replay::play(&mut capture, &mut bench, |bench, at, event| {
        run.take(bench, at, &event)
    })
    .map_err(|stop| stop.failure(&args.capture))?;
    run.finish(&bench)?;
    Ok(if bench.is_complete() {
        Exit::Done
    } else {
        Exit::Incomplete
    })
}

fn open(path: &Path) -> Result<CaptureReader<'static>, Failure> {
    let cannot = |error: std::io::Error| {
        Failure::bad_input(format!("{}:1:1: cannot be read: {error}", path.display()))
    };
    // A pipe would be waited for without end, and a capture is read twice.
    if !std::fs::metadata(path).map_err(cannot)?.is_file() {
        let text = format!("{}:1:1: is not a plain file", path.display());
        return Err(Failure::bad_input(text).remedy("name the capture itself"));
    }
    let file = File::open(path).map_err(cannot)?;
    CaptureReader::new(file).map_err(|error| bad(path, &error))
}

fn bad(path: &Path, error: &CaptureError) -> Failure {
    Failure::bad_input(format!("{}:{error}", path.display()))
}

/// The configuration with the one scale that the capture is of.
fn config(args: &ReplayArgs) -> Result<Config, Failure> {
    let Some(path) = &args.config else {
        let findings =
            replay::listen(&mut open(&args.capture)?).map_err(|e| bad(&args.capture, &e))?;
        if let identify::Verdict::None(Hint::Silent) = findings.verdict {
            return Err(Failure::bad_input(format!(
                "{}:2:1: the capture holds nothing that a scale sent",
                args.capture.display()
            ))
            .remedy("record one anew with `bismar capture`, while the scale sends"));
        }
        return replay::config_from(&findings).map_err(|why| {
            Failure::bad_input(format!(
                "{}:2:1: cannot tell the scale's line layout: {why}",
                args.capture.display()
            ))
            .remedy("give a configuration with --config that names the layout")
        });
    };
    let mut config = super::config::load(Some(path))?;
    let wanted = args.scale.as_deref();
    let scale = config
        .scales
        .iter()
        .position(|s| wanted.is_none_or(|name| s.name == name));
    let Some(index) = scale else {
        let names: Vec<&str> = config.scales.iter().map(|s| s.name.as_str()).collect();
        let why = match wanted {
            Some(name) => format!(
                "no scale is called {name:?}; there are: {}",
                names.join(", ")
            ),
            None => "there is no [[scale]] in it".to_owned(),
        };
        return Err(Failure::bad_input(format!("{}:1:1: {why}", path.display())));
    };
    config.scales = vec![config.scales.swap_remove(index)];
    Ok(config)
}

/// Why playing stopped.
enum Stop {
    Capture(CaptureError),
    Output(Failure),
}

impl From<CaptureError> for Stop {
    fn from(error: CaptureError) -> Stop {
        Stop::Capture(error)
    }
}

impl Stop {
    fn failure(self, capture: &Path) -> Failure {
        match self {
            Stop::Capture(error) => bad(capture, &error),
            Stop::Output(failure) => failure,
        }
    }
}

/// The outputs of one replay.
struct Run {
    start: Timestamp,
    log: LogFile,
    events: Option<(PathBuf, BufWriter<File>)>,
    wire: Wire,
    line: Vec<u8>,
    weighed: Vec<Draft>,
}

/// Only events of an earlier replay are written over; a batch log is not.
fn may_replace_events(path: &Path) -> bool {
    // Nothing is read from a terminal or a pipe.
    if !std::fs::metadata(path).is_ok_and(|about| about.is_file()) {
        return true;
    }
    let mut first = [0; 5];
    match File::open(path).and_then(|mut file| std::io::Read::read(&mut file, &mut first)) {
        Ok(0) => true,
        Ok(read) => first[..read].starts_with(b"{\"at\""),
        // A new file, or one that says its own error when it is written.
        Err(_) => true,
    }
}

impl Run {
    fn new(
        args: &ReplayArgs,
        formula: &Formula,
        plan: &Plan,
        config: &Config,
    ) -> Result<Run, Failure> {
        let label = formula.label();
        clear(&args.log)?;
        let batch = new_batch_name(&formula.name, args.start);
        let mut log = LogFile::create_replayed(&args.log, &batch, &label)?;
        let words = format!("{label} {MARK}");
        log.write_opening(&Opening::of(formula, plan), &words, args.start)?;
        let events = match &args.events {
            Some(path) => {
                if !may_replace_events(path) {
                    return Err(Failure::failed(format!(
                        "{}: holds something else than events; give --events a new name",
                        path.display()
                    )));
                }
                let file = File::create(path).map_err(|error| Failure::of_file(path, error))?;
                Some((path.clone(), BufWriter::with_capacity(1 << 16, file)))
            }
            None => None,
        };
        Ok(Run {
            start: args.start,
            log,
            events,
            wire: Wire::new(config),
            line: Vec::new(),
            weighed: Vec::new(),
        })
    }

    fn take(&mut self, bench: &mut Bench, at: Moment, event: &Event) -> Result<(), Stop> {
        if let Event::Log(draft) = event {
            let micros = i64::try_from(at.0).unwrap_or(i64::MAX);
            let time = self
                .start
                .checked_add(SignedDuration::from_micros(micros))
                .map_err(|_| {
                    Stop::Output(Failure::usage("--start is too late for this capture"))
                })?;
            match self.log.append(draft, time) {
                Ok(seq) => bench.logged(draft.ticket, seq, at),
                Err(error) => return Err(Stop::Output(error.into())),
            }
            if draft.kind == RowKind::Weighed {
                self.weighed.push((**draft).clone());
            }
        }
        if let Some((path, out)) = &mut self.events {
            self.line.clear();
            self.wire.write(&mut self.line, at, event);
            out.write_all(&self.line)
                .map_err(|error| Stop::Output(Failure::of_file(path, error)))?;
        }
        Ok(())
    }

    fn finish(&mut self, bench: &Bench) -> Result<(), Failure> {
        if let Some((path, out)) = &mut self.events {
            out.flush().map_err(|error| Failure::of_file(path, error))?;
        }
        self.log.sync()?;
        let (good, rejected) = bench.line_counts();
        let mut text = String::new();
        text.push_str(&table(&self.weighed));
        text.push_str(&format!(
            "{good} lines read, {rejected} thrown away. Log: {}\n",
            self.log.path().display()
        ));
        if !bench.is_complete() {
            text.push_str("The batch is not complete.\n");
        }
        super::print(&text)
    }
}

/// The weights as a table: also shown at the end of the demo.
pub fn table(weighed: &[Draft]) -> String {
    let grams =
        |mass: Option<Mass>, d: Mass| mass.map_or(String::new(), |m| m.grams(d).to_string());
    let heads = [
        "step",
        "",
        "ingredient",
        "target g",
        "net g",
        "off g",
        "",
        "verdict",
    ];
    let mut text = line(1, &COLUMNS, heads) + "\n";
    // The last row of each step counts.
    let last: HashMap<usize, u64> = weighed.iter().map(|row| (row.step, row.ticket)).collect();
    for row in weighed {
        if last.get(&row.step) != Some(&row.ticket) {
            continue;
        }
        let d = row.readability;
        let off = row.net.zip(row.target).map(|(net, target)| net - target);
        let sign = if off.is_some_and(|off| off > Mass::ZERO) {
            "+"
        } else {
            ""
        };
        let verdict = row.verdict.map_or("not proven", Verdict::name);
        let again = if row.note.starts_with("corrects") {
            " (corrected)"
        } else {
            ""
        };
        let cells = [
            &row.step.to_string(),
            "",
            cut(&row.ingredient, INGREDIENT),
            &grams(row.target, d),
            &grams(row.net, d),
            &format!("{sign}{}", grams(off, d)),
            "",
            &format!("{verdict}{again}"),
        ];
        text.push_str(&line(1, &COLUMNS, cells));
        text.push('\n');
    }
    text
}

const COLUMNS: [Column; 8] = [R(4), GAP, L(INGREDIENT), R(10), R(10), R(9), GAP, REST];
const INGREDIENT: usize = 26;

/// Makes way for the log: an empty file and the log of an earlier replay are replaced; anything else
/// is somebody's record and stays.
fn clear(path: &Path) -> Result<(), Failure> {
    let keep = |why: &str| {
        Failure::failed(format!("{}: {why}", path.display()))
            .remedy("choose another name for --log; nothing was changed")
    };
    match std::fs::metadata(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(keep(&error.to_string())),
        Ok(data) if !data.is_file() => return Err(keep("is there already and is no file")),
        Ok(data) if data.len() > 0 => {
            let first = scan_file(path).and_then(|mut scan| scan.next_row());
            let replayed = matches!(&first, Ok(Some(row)) if row.kind == RowKind::Opened && row.note.contains(MARK));
            if !replayed {
                return Err(keep("is there already and is no log of a replay"));
            }
        }
        Ok(_) => {}
    }
    std::fs::remove_file(path).map_err(|error| keep(&error.to_string()))
}
