//! The daemon: everything that touches the world, wired together.
//!
//! [`run`] is what `bismar daemon` calls; [`crate::protocol::client`] is what every other command uses to speak to it.

mod admission;
mod alerts;
mod clock;
pub mod control;
pub mod core;
pub mod cues;
mod fill;
#[cfg(feature = "workshop")]
pub mod gathering;
pub mod late_lot;
mod learned;
mod lines;
mod lot_lookup;
pub mod notify;
pub mod open;
mod pending;
pub mod ports;
mod reopen;
mod retained;
mod rows;
pub mod stock;
pub mod taken;

use std::path::Path;
use std::time::Duration;

use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::mpsc;

pub use self::core::Core;
pub use self::ports::{Order, Parts};
use crate::display::{self, Context, Page, Rehearse};
use crate::language::{Sentence, phrase, shown_as_told};
use crate::protocol::call::Call;
use crate::protocol::socket::{Claim, SocketError};
#[cfg(feature = "workshop")]
use crate::wire::out::Out;

/// Requests that may wait for the loop.
const CALLS: usize = 64;

/// How long the workshop's other benches are told that this one ends.
const FAREWELL: Duration = Duration::from_secs(1);

/// Why the daemon could not run.
#[derive(Debug)]
pub enum DaemonError {
    Socket(SocketError),
    System(std::io::Error),
}

impl DaemonError {
    pub fn told(&self) -> Sentence {
        match self {
            DaemonError::Socket(error) => error.told(),
            DaemonError::System(error) => {
                phrase!("the daemon cannot start: {why}", why = error.to_string())
            }
        }
    }
}

shown_as_told!(DaemonError);

impl std::error::Error for DaemonError {}

impl From<SocketError> for DaemonError {
    fn from(error: SocketError) -> DaemonError {
        DaemonError::Socket(error)
    }
}

impl From<std::io::Error> for DaemonError {
    fn from(error: std::io::Error) -> DaemonError {
        DaemonError::System(error)
    }
}

/// Runs the daemon until SIGTERM or SIGINT; then returns `Ok` when all rows are written. SIGHUP
/// reads the configuration anew. Blocks; call it outside any tokio runtime, with
/// [`notify::start_log`] before it.
///
/// # Errors
/// [`DaemonError`] when the socket cannot be had (a second daemon, say) or the system refuses.
pub fn run<H: ports::Weigher>(parts: Parts<H>, socket: &Path) -> Result<(), DaemonError> {
    // First of all, so that a second daemon touches neither ports nor logs.
    let claim = Claim::new(socket)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let ended = runtime.block_on(async {
        let orders = signals()?;
        serve(parts, claim, orders).await
    });
    // A port that is just being opened may hang in the kernel.
    runtime.shutdown_timeout(Duration::from_secs(1));
    ended
}

/// Runs the daemon on `claim`'s socket until `orders` says stop. Needs a current tokio runtime.
///
/// # Errors
/// [`DaemonError::System`].
pub async fn serve<H: ports::Weigher>(
    parts: Parts<H>,
    mut claim: Claim,
    orders: mpsc::Receiver<Order>,
) -> Result<(), DaemonError> {
    let (calls, queue) = mpsc::channel(CALLS);
    let _ = std::fs::remove_file(display::address_file(claim.path()));
    let config = parts.config.held();
    let spoken = config.clone();
    let page = &config.now().page;
    let page = page.on.then(|| Page::open(page, claim.path()));
    let lots = parts.opener.stock().map(|files| files.list);
    let file = parts.taken.as_ref().map(|taken| taken.source.clone());
    let rehearse = parts.rehearse.clone();
    let workshop = parts
        .managed
        .then(|| config.now().workshop.clone())
        .flatten();
    let held = parts.config.held();
    let core = Core::start(parts);
    let door = page
        .as_ref()
        .and_then(|page| page.as_ref().ok())
        .map(Page::passes);
    match page {
        Some(Ok(page)) => {
            let house = Context::new(config, file, lots.clone());
            let calls = calls.clone();
            // Whoever reaches the address can keep this thread busy, and no reading waits for it.
            std::thread::Builder::new()
                .name("page".to_owned())
                .spawn(move || show(page, calls, house, rehearse))?;
        }
        // Weighing goes on without it.
        Some(Err(error)) => tracing::error!("{error}"),
        None => {}
    }
    let wire = workshop.and_then(|workshop| join(workshop, held, calls.clone(), lots));
    if let Some(listener) = claim.take_listener() {
        let listener = tokio::net::UnixListener::from_std(listener)?;
        let server = tokio::spawn(control::serve(listener, calls, door, spoken));
        // When the loop has ended, the queue of calls is gone and the server ends by itself.
        core.run(queue, orders).await;
        let _ = server.await;
    }
    // The others of the workshop hear that this bench ended, and did not break off.
    if let Some(wire) = wire {
        let _ = tokio::time::timeout(FAREWELL, wire).await;
    }
    Ok(())
}

/// Joins the other benches of the workshop, in a thread of its own: whatever the broker or the network does, no reading
/// waits for it. Weighing goes on without it. What is given resolves when the thread ends.
#[cfg(feature = "workshop")]
fn join(
    workshop: crate::config::WorkshopConfig,
    held: crate::config::Held,
    calls: mpsc::Sender<Call>,
    lots: Option<std::path::PathBuf>,
) -> Option<tokio::sync::oneshot::Receiver<()>> {
    let told = |error: crate::wire::WireError| {
        tracing::error!("this bench is not joined to the others: {error}");
    };
    let bench = workshop.bench.clone()?;
    let settings = crate::wire::settings::Settings::read(&workshop)
        .map_err(crate::wire::WireError::from)
        .map_err(told)
        .ok()?;
    let folder = crate::wire::out::folder()?;
    let out = Out::new(settings, bench, &folder, held, calls, lots)
        .map_err(told)
        .ok()?;
    let (ended, end) = tokio::sync::oneshot::channel();
    let run = move || {
        if let Err(error) = out.run() {
            tracing::error!("this bench is not joined to the others: {error}");
        }
        let _ = ended.send(());
    };
    let thread = std::thread::Builder::new().name("workshop".to_owned());
    match thread.spawn(run) {
        Ok(_) => Some(end),
        Err(error) => {
            told(crate::wire::WireError::System(error));
            None
        }
    }
}

#[cfg(not(feature = "workshop"))]
fn join(
    _: crate::config::WorkshopConfig,
    _: crate::config::Held,
    _: mpsc::Sender<Call>,
    _: Option<std::path::PathBuf>,
) -> Option<tokio::sync::oneshot::Receiver<()>> {
    let error = crate::wire::WireError::NotBuilt;
    tracing::error!("this bench is not joined to the others: {error}");
    None
}

/// Serves the page until the loop has ended.
fn show(page: Page, calls: mpsc::Sender<Call>, house: Context, rehearse: Option<Rehearse>) {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build();
    let ended = runtime.and_then(|runtime| {
        let ended = runtime.block_on(display::serve(page, calls, house, rehearse));
        // A disk that hangs keeps nothing up.
        runtime.shutdown_background();
        ended
    });
    if let Err(error) = ended {
        tracing::error!(%error, "the page ended");
    }
}

/// The process's signals as orders.
fn signals() -> std::io::Result<mpsc::Receiver<Order>> {
    let (orders, received) = mpsc::channel(4);
    let listen = |kind: SignalKind, order: Order| -> std::io::Result<()> {
        tokio::spawn(pass_on(signal(kind)?, order, orders.clone()));
        Ok(())
    };
    listen(SignalKind::terminate(), Order::Stop)?;
    listen(SignalKind::interrupt(), Order::Stop)?;
    listen(SignalKind::hangup(), Order::Reload)?;
    Ok(received)
}

async fn pass_on(mut signal: Signal, order: Order, orders: mpsc::Sender<Order>) {
    while signal.recv().await.is_some() {
        if orders.send(order).await.is_err() {
            return;
        }
    }
}
