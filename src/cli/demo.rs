//! `bismar demo`: a whole batch on a simulated scale, weighed by the daemon's own code.

use std::io::Write;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use clap::Args;
use tokio::sync::mpsc;

use super::rehearsed::Writing;
use super::replay::table;
use super::value::ValueError;
use super::{Exit, Failure, Outcome};
use crate::bench::Bench;
use crate::config::{Config, Holder};
use crate::cue::terminal::{Screen, Style};
use crate::daemon::open::BatchOpener;
use crate::daemon::ports::{CueSink, Weigher};
use crate::daemon::{self, Order, Parts};
use crate::formula::examples::GLASSWORT;
use crate::formula::plan::BatchSize;
use crate::formula::{Formula, Plan};
use crate::language::Sentence;
use crate::mass::Mass;
use crate::protocol::client;
use crate::protocol::socket::Claim;
use crate::rehearsal::demo::demo_scale;
use crate::rehearsal::demo_stage;
use crate::rehearsal::pty::PtyLines;
use crate::rehearsal::trial::Told;
use crate::scale::settings::{PortSelector, ScaleSettings};
use crate::time::Moment;
use crate::vocabulary::command::Command;
use crate::vocabulary::cue::Cue;
use crate::vocabulary::entry::{Draft, RowKind};
use crate::vocabulary::progress::{Progress, Recorded, Refused};
use crate::vocabulary::reading::ScaleIndex;
use crate::vocabulary::rules::Rules;
use crate::vocabulary::status::Status;
use crate::weighing::event::Event;

#[derive(Debug, Args)]
pub struct DemoArgs {
    /// In virtual time, as fast as it goes, instead of at the pace of the bench
    #[arg(long)]
    pub fast: bool,
    /// Weigh a whole season of invented batches instead, in virtual time, into --log-dir
    #[arg(long)]
    pub season: bool,
    /// Another course of events; the same number gives the same course
    #[arg(long, value_name = "N", default_value_t = 4, value_parser = seed)]
    pub seed: u64,
    /// Where its batch log goes (default: a new folder for temporary files)
    #[arg(long, value_name = "FOLDER")]
    pub log_dir: Option<PathBuf>,
}

fn seed(text: &str) -> Result<u64, ValueError> {
    text.parse().map_err(|_| ValueError::Seed)
}

/// Six jars of 60 g of the Saltmarsh Bench workshop's bath soak.
pub(super) const AMOUNT: BatchSize = BatchSize::Jars {
    count: 6,
    fill: Mass::from_g(60),
};
/// The simulated bench runs this much faster than a real one, so that nobody waits for a minute.
const PACE: f64 = 1.3;
/// The lot that the simulated hands read from the oil's bottle.
const LOT: &str = "SB-0412";

const INTRODUCTION: &str = "\
A rehearsal: a simulated 0.01 g scale on a simulated serial line, and simulated
hands that place beakers, pour, pour too much once, forget the TARE key once
and bump the bench once. Everything else is what runs at your own bench. Lines
with a word in front are what bismar tells the maker.
";

/// # Errors
/// What is told to the person, with its remedy and exit code.
pub fn run(args: DemoArgs) -> Outcome {
    let args = &args;
    if args.season {
        return super::season::run(args);
    }
    let folder = folder(args.log_dir.as_deref())?;
    let formula = Formula::parse(GLASSWORT, "glasswort-bath-soak.toml")?;
    let shown = Arc::new(Mutex::new(Show::new()));
    shown.say(INTRODUCTION.trim_end());
    if args.fast {
        fast(args, &folder, &formula, &shown)?;
    } else {
        live(args, &folder, &formula, &shown)?;
    }
    shown.end(&folder)
}

/// The folder of the log: the one named, or a new one for nobody else's eyes.
pub(super) fn folder(named: Option<&Path>) -> Result<PathBuf, Failure> {
    let failed = |path: &Path, error| Failure::of_file(path, error);
    if let Some(path) = named {
        std::fs::create_dir_all(path).map_err(|error| failed(path, error))?;
        return Ok(path.to_owned());
    }
    let base = std::env::temp_dir();
    for n in 0..1000 {
        let path = base.join(format!("bismar-demo-{}-{n}", std::process::id()));
        match std::fs::DirBuilder::new().mode(0o700).create(&path) {
            Ok(()) => return Ok(path),
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(failed(&path, error)),
        }
    }
    Err(
        Failure::failed("no new folder for the demo's log could be made")
            .remedy("name one with --log-dir"),
    )
}

pub(super) fn config(folder: &Path, port: PathBuf) -> Config {
    let spec = demo_scale(0);
    let scale = ScaleSettings {
        readability: Some(spec.d),
        capacity: Some(spec.capacity),
        ..ScaleSettings::new(
            "bench",
            PortSelector::Path(port.display().to_string()),
            spec.shape.layout_name(),
        )
    };
    // A brisk pace for those who watch: the time at rest before a weight counts is 1.3 s, not 1.5 s.
    let weighing = Rules {
        dwell: 0.3,
        ..Rules::default()
    };
    Config {
        scales: vec![scale],
        weighing,
        log_dir: Some(folder.to_owned()),
        ..Config::default()
    }
}

fn plan(formula: &Formula, config: &Config) -> Result<Plan, Failure> {
    Plan::new(formula, AMOUNT, &config.abilities(), config.weighing.guard).map_err(Failure::theirs)
}

/// In virtual time, without a pty: the same bench, the same log.
fn fast(
    args: &DemoArgs,
    folder: &Path,
    formula: &Formula,
    shown: &Arc<Mutex<Show>>,
) -> Result<(), Failure> {
    let config = config(folder, PathBuf::new());
    let plan = plan(formula, &config)?;
    let mut stage = demo_stage(args.seed, &plan);
    stage.read_lots(LotNeeds::of(&plan).named());
    let mut writing = Writing::begin(folder, formula, &plan, jiff::Timestamp::now())?;
    writing.play(&config, plan, &mut stage, |told| match told {
        Told::Event(at, event) => shown.event(at, event),
        Told::Hands(at, text) => shown.hands(at, text),
        Told::Word(at, command) => shown.word(at, command),
    })
}

/// Ingredients that need a lot: the hands have it at hand before they begin.
pub(super) struct LotNeeds(Vec<String>);

impl LotNeeds {
    pub fn of(plan: &Plan) -> LotNeeds {
        LotNeeds(
            plan.steps
                .iter()
                .filter(|step| step.lot_required)
                .map(|step| step.ingredient.clone())
                .collect(),
        )
    }

    pub fn named(&self) -> Vec<(String, String)> {
        let named = |name: &String| (name.clone(), LOT.to_owned());
        self.0.iter().map(named).collect()
    }
}

/// At the bench's pace, with the real daemon on a real pty, begun through its control socket.
fn live(
    args: &DemoArgs,
    folder: &Path,
    formula: &Formula,
    shown: &Arc<Mutex<Show>>,
) -> Result<(), Failure> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(Failure::theirs)?;
    let ended = runtime.block_on(live_in(args, folder, formula, shown));
    runtime.shutdown_timeout(Duration::from_secs(1));
    ended
}

async fn live_in(
    args: &DemoArgs,
    folder: &Path,
    formula: &Formula,
    shown: &Arc<Mutex<Show>>,
) -> Result<(), Failure> {
    let lines = PtyLines::open(1).map_err(|error| Failure::failed(format!("no pty: {error}")))?;
    let port = lines.paths().into_iter().next().unwrap_or_default();
    let config = config(folder, port);
    let plan = plan(formula, &config)?;
    let mut stage = demo_stage(args.seed, &plan);
    let lots = LotNeeds::of(&plan);
    stage.read_lots(lots.named());
    let file = folder.join("glasswort-bath-soak.toml");
    std::fs::write(&file, GLASSWORT).map_err(|error| Failure::of_file(&file, error))?;

    let socket = folder.join("control.sock");
    let claim = Claim::new(&socket)?;
    let config = Holder::new(config);
    let (heard, events) = mpsc::unbounded_channel();
    let (words, commands) = mpsc::unbounded_channel();
    let (orders, received) = mpsc::channel(1);
    let show = Arc::clone(shown);
    let parts = Parts {
        opener: Box::new(BatchOpener::new(config.held())),
        cues: Box::new(NoCues(Some(commands))),
        learned: None,
        waiting: None,
        fault: None,
        taken: None,
        rehearse: None,
        managed: true,
        bench: Box::new(move |config: &Config| Watched {
            bench: watched(config),
            heard: heard.clone(),
            show: Some(Arc::clone(&show)),
            now: Moment::default(),
        }),
        reload: Box::new(|| Err("the demo has no configuration file".into())),
        config,
    };
    let tell = Arc::clone(shown);
    let batch = async {
        begin(socket.clone(), file).await?;
        // The hands' clock goes faster than the wall's.
        let told = |at: Moment, text: &str| {
            tell.hands(Moment((at.0 as f64 / PACE) as u64), text);
        };
        let played = crate::rehearsal::pty::run(stage, lines, PACE, events, words, told).await;
        // The lines go only now: what is still on its way is read.
        played
            .map(drop)
            .map_err(|error| Failure::failed(format!("the simulated line: {error}")))
    };
    let batch = async {
        let played = batch.await;
        let _ = orders.send(Order::Stop).await;
        played
    };
    let (ended, played) = tokio::join!(daemon::serve(parts, claim, received), batch);
    ended?;
    let _ = std::fs::remove_file(socket);
    played
}

/// Begins the batch as any client does.
async fn begin(socket: PathBuf, formula: PathBuf) -> Result<(), Failure> {
    let asked = tokio::task::spawn_blocking(move || {
        let BatchSize::Jars { count, fill } = AMOUNT else {
            return Err(Failure::failed("no jars"));
        };
        let fill = format!("{}g", fill.grams(Mass::from_g(1)));
        let request = client::begin(&formula, None, Some(count), Some(fill))?;
        client::Client::connect_to(&socket)?.say(&request)?;
        Ok(())
    });
    asked.await.map_err(Failure::theirs)?
}

/// The demo's cues go to the terminal by [`Watched`]; here only the person's words come in.
pub(super) struct NoCues(pub Option<mpsc::UnboundedReceiver<Command>>);

impl CueSink for NoCues {
    fn say(&mut self, _cue: &Cue) {}

    fn words(&mut self) -> Option<mpsc::UnboundedReceiver<Command>> {
        self.0.take()
    }
}

/// A bench whose live weight the hands and the screen always watch.
fn watched(config: &Config) -> Option<Bench> {
    let mut bench = Bench::new(config).ok()?;
    bench.set_readings(true);
    Some(bench)
}

/// The bench, with every event shown and passed to the hands.
pub(super) struct Watched {
    /// `None` never happens: the demo's layout is built in.
    bench: Option<Bench>,
    heard: mpsc::UnboundedSender<Event>,
    /// `None`: nobody is at a terminal.
    show: Option<Arc<Mutex<Show>>>,
    now: Moment,
}

impl Watched {
    /// A bench whose events `heard` gets, and no terminal.
    pub(super) fn unseen(config: &Config, heard: mpsc::UnboundedSender<Event>) -> Watched {
        Watched {
            bench: watched(config),
            heard,
            show: None,
            now: Moment::default(),
        }
    }

    fn at(&mut self, at: Moment) -> Option<&mut Bench> {
        self.now = self.now.max(at);
        self.bench.as_mut()
    }
}

impl Weigher for Watched {
    fn begin(&mut self, plan: Plan, progress: Progress, at: Moment) -> Result<(), Refused> {
        match self.at(at) {
            Some(bench) => bench.begin(plan, progress, at),
            None => Err(Refused::new("the demo's scale has no line layout")),
        }
    }
    fn bytes(&mut self, scale: ScaleIndex, at: Moment, bytes: &[u8]) {
        if let Some(bench) = self.at(at) {
            bench.bytes(scale, at, bytes);
        }
    }
    fn lost(&mut self, scale: ScaleIndex, at: Moment) {
        if let Some(bench) = self.at(at) {
            bench.lost(scale, at);
        }
    }
    fn back(&mut self, scale: ScaleIndex, at: Moment) {
        if let Some(bench) = self.at(at) {
            bench.back(scale, at);
        }
    }
    fn command(&mut self, command: Command, at: Moment) -> Result<Sentence, Refused> {
        if let Some(show) = &self.show {
            show.word(at, &command);
        }
        match self.at(at) {
            Some(bench) => bench.command(command, at),
            None => Ok(Sentence::none()),
        }
    }
    fn logged(&mut self, ticket: u64, seq: u64, at: Moment) {
        if let Some(bench) = self.at(at) {
            bench.logged(ticket, seq, at);
        }
    }
    fn not_logged(&mut self, ticket: u64, why: Sentence, at: Moment) {
        if let Some(bench) = self.at(at) {
            bench.not_logged(ticket, why, at);
        }
    }
    fn recorded_of(&self, step: usize) -> Result<Option<Recorded>, Refused> {
        match &self.bench {
            Some(bench) => bench.recorded_of(step),
            None => Ok(None),
        }
    }
    fn out_of_limits_with(&self, ingredient: &str, lot: &str) -> Option<String> {
        self.bench.as_ref()?.out_of_limits_with(ingredient, lot)
    }
    fn deadline(&self) -> Option<Moment> {
        self.bench.as_ref()?.deadline()
    }
    fn tick(&mut self, at: Moment) {
        if let Some(bench) = self.at(at) {
            bench.tick(at);
        }
    }
    fn poll(&mut self) -> Option<Event> {
        let event = self.bench.as_mut()?.poll()?;
        if let Some(show) = &self.show {
            show.event(self.now, &event);
        }
        // The hands may have left already.
        let _ = self.heard.send(event.clone());
        Some(event)
    }
    /// They are on from the beginning.
    fn set_readings(&mut self, _wanted: bool) {}
    fn status(&self) -> Status {
        self.bench.as_ref().map(Bench::status).unwrap_or_default()
    }
}

/// What the demo prints, and the rows for its table.
struct Show {
    screen: Screen,
    weighed: Vec<Draft>,
    taken_out: usize,
    complete: bool,
    /// The first failure of standard output; nothing is written after it.
    failed: Option<std::io::Error>,
}

impl Show {
    fn new() -> Show {
        Show {
            screen: Screen::new(Style::of_stdout()),
            weighed: Vec::new(),
            taken_out: 0,
            complete: false,
            failed: None,
        }
    }

    fn write(&mut self, text: &str) {
        if self.failed.is_some() {
            return;
        }
        let mut out = std::io::stdout().lock();
        if let Err(error) = out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
            self.failed = Some(error);
        }
    }

    fn line(&mut self, text: &str) {
        let text = self.screen.line(text);
        self.write(&text);
    }

    fn event(&mut self, at: Moment, event: &Event) {
        match event {
            Event::Cue(cue) => {
                let text = self.screen.cue(&format!("{:6.1} s", at.seconds()), cue);
                self.write(&text);
            }
            Event::Reading(live) => {
                let text = self.screen.live(live);
                self.write(&text);
            }
            Event::Log(draft) => match draft.kind {
                RowKind::Weighed => self.weighed.push((**draft).clone()),
                RowKind::TakenOut => self.taken_out += 1,
                RowKind::Opened
                | RowKind::ScaleCheck
                | RowKind::Remedy
                | RowKind::Mixed
                | RowKind::Residue
                | RowKind::Filled
                | RowKind::Note
                | RowKind::Closed => {}
            },
            Event::Closed { complete } => self.complete = *complete,
            Event::Recorded { .. }
            | Event::Step { .. }
            | Event::Fault { .. }
            | Event::Tare { .. } => {}
        }
    }
}

/// The show from several places of one thread.
trait Shared {
    fn with<T>(&self, run: impl FnOnce(&mut Show) -> T) -> T;

    fn say(&self, text: &str) {
        self.with(|show| {
            for line in text.lines() {
                show.line(line);
            }
        });
    }
    fn event(&self, at: Moment, event: &Event) {
        self.with(|show| show.event(at, event));
    }
    fn hands(&self, at: Moment, text: &str) {
        // The command that they then give is shown as such.
        if text == "say next" {
            return;
        }
        self.with(|show| {
            let lead = format!("{:6.1} s  ", at.seconds());
            let text = show.screen.labelled(&lead, &format!("(hands: {text})"));
            show.write(&text);
        });
    }
    fn word(&self, at: Moment, command: &Command) {
        let word = match command {
            Command::Next => "next".to_owned(),
            Command::Again => "again".to_owned(),
            Command::Keep => "keep".to_owned(),
            Command::Lot(lot) => format!("lot {lot}"),
            Command::LotOf(step, lot) => format!("lot --step {step} {lot}"),
            Command::Note(text) => format!("note {text}"),
            Command::Remedy(way) => format!("remedy --take {}", way.word()),
            Command::Residue(_) => "residue".to_owned(),
            Command::Undo => "undo".to_owned(),
            Command::Skip(reason) => format!("skip {reason}"),
            Command::Cancel => "cancel".to_owned(),
            Command::Stop => "stop".to_owned(),
        };
        self.hands(at, &format!("type bismar {word}"));
    }
    /// The table and the log's path.
    fn end(&self, folder: &Path) -> Outcome {
        self.with(|show| {
            let mut text = show.screen.wiped();
            text.push('\n');
            text.push_str(&table(&show.weighed));
            if show.taken_out > 0 {
                text.push_str(&format!(
                    "{} over-pour seen at rest and taken out again.\n",
                    show.taken_out
                ));
            }
            if let Some(log) = logs(folder) {
                text.push_str(&format!("\nThe batch log: {}\n", log.display()));
            }
            show.write(&text);
            match show.failed.take() {
                Some(error) => Err(Failure::of_stdout(&error)),
                None if show.complete => Ok(Exit::Done),
                None => Ok(Exit::Incomplete),
            }
        })
    }
}

impl Shared for Arc<Mutex<Show>> {
    fn with<T>(&self, run: impl FnOnce(&mut Show) -> T) -> T {
        run(&mut self.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// The newest log in the folder.
fn logs(folder: &Path) -> Option<PathBuf> {
    let entries = std::fs::read_dir(folder).ok()?;
    let logs = entries.flatten().map(|entry| entry.path());
    let logs = logs.filter(|path| path.extension().is_some_and(|end| end == "csv"));
    logs.max_by_key(|path| {
        std::fs::metadata(path)
            .and_then(|data| data.modified())
            .ok()
    })
}
