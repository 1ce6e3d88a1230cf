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
use crate::protocol::call::Call;
use crate::protocol::socket::{Claim, SocketError};

/// Requests that may wait for the loop.
const CALLS: usize = 64;

/// Why the daemon could not run.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    #[error(transparent)]
    Socket(#[from] SocketError),
    #[error("the daemon cannot start: {0}")]
    System(#[from] std::io::Error),
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
    let core = Core::start(parts);
    let door = page
        .as_ref()
        .and_then(|page| page.as_ref().ok())
        .map(Page::passes);
    match page {
        Some(Ok(page)) => {
            let house = Context::new(config, file, lots);
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
    if let Some(listener) = claim.take_listener() {
        let listener = tokio::net::UnixListener::from_std(listener)?;
        let server = tokio::spawn(control::serve(listener, calls, door, spoken));
        // When the loop has ended, the queue of calls is gone and the server ends by itself.
        core.run(queue, orders).await;
        let _ = server.await;
    }
    Ok(())
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
