//! "Try it" of the page: the batch of `bismar demo`, with its simulated scale and hands, in a thread, a folder and a
//! loop of its own. No desktop, no sound, no list of lots and no log of the maker's hears of it.

use std::io;
use std::os::unix::fs::DirBuilderExt as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, oneshot};

use super::demo::{AMOUNT, LotNeeds, NoCues, Watched, config};
use crate::config::{Config, Held, Holder};
use crate::daemon::open::BatchOpener;
use crate::daemon::{Core, Order, Parts};
use crate::display::{Context, Rehearsal, Rehearse};
use crate::formula::examples::{self, GLASSWORT};
use crate::formula::plan::BatchSize;
use crate::formula::{Formula, Plan};
use crate::language::{Language, phrase};
use crate::mass::Mass;
use crate::protocol::call::Call;
use crate::protocol::request::Request;
use crate::rehearsal::demo_stage;
use crate::rehearsal::pty::{self, PtyLines};

/// Another course each time would show more, and teach less.
const SEED: u64 = 4;
/// Requests that may wait for its loop.
const CALLS: usize = 64;

/// Rehearsals in a folder beside the control socket `socket`: it goes at logout, whatever happens. They speak as
/// the bench does.
pub fn rehearsals(socket: &Path, bench: Held) -> Rehearse {
    let folder = socket.with_file_name("rehearsal");
    Arc::new(move || begin(&folder, bench.now().speaks()))
}

/// # Errors
/// Where its folder, a line or its thread cannot be had.
fn begin(folder: &Path, language: Language) -> io::Result<Rehearsal> {
    // What a killed daemon left, and nothing else: the folder is nobody's but ours.
    match std::fs::remove_dir_all(folder) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        Ok(()) | Err(_) => {}
    }
    std::fs::DirBuilder::new().mode(0o700).create(folder)?;
    let (calls, queue) = mpsc::channel(CALLS);
    let (end, ended) = oneshot::channel();
    let lines = PtyLines::open_in(folder.join("lines"), 1)?;
    let port = lines.paths().into_iter().next().unwrap_or_default();
    let logs = folder.join("logs");
    std::fs::create_dir(&logs)?;
    // So its log, its sheet and each sentence that names it say what it is.
    let begins = format!(
        "name = \"{}",
        phrase!("Rehearsal: {name}", name = "").in_language(language)
    );
    let text = examples::offered(GLASSWORT, language).replacen("name = \"", &begins, 1);
    let file = folder.join("rehearsal.toml");
    std::fs::write(&file, &text)?;
    let config = Config {
        formula_dir: Some(folder.to_owned()),
        language: Some(language),
        ..config(&logs, port)
    };
    let holder = Holder::new(config);
    let context = Context::new(holder.held(), None, None);
    let own = calls.clone();
    let folder = folder.to_owned();
    std::thread::Builder::new()
        .name("rehearsal".to_owned())
        .spawn(move || {
            let _within = tracing::info_span!("rehearsal").entered();
            if let Err(error) = run(holder, lines, file, own, queue, ended) {
                tracing::error!(%error, "the rehearsal ended");
            }
            // What is left is taken away before the next one.
            let _ = std::fs::remove_dir_all(folder);
        })?;
    Ok(Rehearsal {
        calls,
        context,
        end,
    })
}

/// Runs it until `ended` says so.
fn run(
    holder: Holder,
    lines: PtyLines,
    file: PathBuf,
    calls: mpsc::Sender<Call>,
    queue: mpsc::Receiver<Call>,
    ended: oneshot::Receiver<std::convert::Infallible>,
) -> io::Result<()> {
    let bad = |error: String| io::Error::new(io::ErrorKind::InvalidData, error);
    let now = holder.now();
    let text = std::fs::read_to_string(&file)?;
    let formula = Formula::parse(&text, "the rehearsal's formula");
    let formula = formula.map_err(|error| bad(error.to_string()))?;
    let plan = Plan::new(&formula, AMOUNT, &now.abilities(), now.weighing.guard);
    let plan = plan.map_err(|error| bad(error.to_string()))?;
    let mut stage = demo_stage(SEED, &plan);
    stage.read_lots(LotNeeds::of(&plan).named());
    let (heard, events) = mpsc::unbounded_channel();
    let (words, commands) = mpsc::unbounded_channel();
    let (orders, received) = mpsc::channel(1);
    let parts = Parts {
        opener: Box::new(BatchOpener::new(holder.held())),
        cues: Box::new(NoCues(Some(commands))),
        learned: None,
        waiting: None,
        fault: None,
        taken: None,
        rehearse: None,
        managed: false,
        bench: Box::new(move |config: &Config| Watched::unseen(config, heard.clone())),
        reload: Box::new(|| Err("a rehearsal has no configuration file".into())),
        config: holder,
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    runtime.block_on(async {
        let core = Core::start(parts);
        let batch = async {
            let (reply, begun) = oneshot::channel();
            let begin = Call {
                request: asked(file),
                about: None,
                events: None,
                reply,
            };
            let _ = calls.send(begin).await;
            if let Ok(Err(refusal)) = begun.await {
                tracing::error!("no batch was begun: {refusal}");
            }
            let played = pty::run(stage, lines, 1.0, events, words, |_, _| {}).await;
            // The scale stands there until the end.
            std::future::pending::<()>().await;
            drop(played);
        };
        let stop = async {
            let _ = ended.await;
            let _ = orders.send(Order::Stop).await;
            std::future::pending::<()>().await;
        };
        tokio::select! {
            () = core.run(queue, received) => {}
            () = batch => {}
            () = stop => {}
        }
    });
    runtime.shutdown_timeout(Duration::from_secs(1));
    Ok(())
}

/// The batch of the demo.
fn asked(formula: PathBuf) -> Request {
    let (jars, fill) = match AMOUNT {
        BatchSize::Jars { count, fill } => (Some(count), Some(fill)),
        _ => (None, None),
    };
    Request::Begin {
        formula,
        batch: None,
        jars,
        fill: fill.map(|fill| format!("{}g", fill.grams(Mass::from_g(1)))),
        allowance: None,
        overweigh: Vec::new(),
        planned: false,
    }
}
