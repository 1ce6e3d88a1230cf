//! `bismar gather` as a service: the gatherer, and where it is asked for the page with all benches, with a control
//! socket of its own by which a browser is let in.

use std::path::Path;
use std::sync::Arc;

use tokio::sync::mpsc;

use super::control;
use crate::config::{Config, Holder, PageConfig};
use crate::display::passes::Passes;
use crate::display::{self, Page, PageError};
use crate::language::phrase;
use crate::protocol::call::Call;
use crate::protocol::reply::Refusal;
use crate::protocol::socket::{self, Claim, SocketError};
use crate::wire::benches::Benches;
use crate::wire::settings::Settings;
use crate::wire::{WireError, gather, glance};

/// Why the page with all benches is not served; what is gathered is gathered all the same.
#[derive(Debug, thiserror::Error)]
enum NoPage {
    #[error(transparent)]
    Socket(#[from] SocketError),
    #[error(transparent)]
    Page(#[from] PageError),
    #[error("the page with all benches cannot be served: {0}")]
    System(#[from] std::io::Error),
}

/// Gathers into `folder` until it is told to end. `ready` is called when the folder is open.
///
/// # Errors
/// As [`gather::run`].
pub fn run(
    config: Config,
    settings: Settings,
    folder: &Path,
    ready: impl FnOnce(),
) -> Result<(), WireError> {
    let page = settings.config.page.clone();
    let known = page
        .on
        .then(|| Benches::new(&settings.config.benches).read_in(config.speaks()))
        .map(glance::Known::new);
    // Dropped, it ends the page's thread.
    let mut end = None;
    let begun = || {
        if let Some(known) = &known {
            match show(&page, config, settings.clone(), known) {
                Ok(shown) => end = Some(shown),
                Err(error) => tracing::error!("{error}"),
            }
        }
        ready();
    };
    let ended = gather::run(settings.clone(), folder, known.clone(), begun);
    if let Some((end, thread)) = end {
        drop(end);
        let _ = thread.join();
    }
    ended
}

type Shown = (mpsc::Sender<()>, std::thread::JoinHandle<()>);

/// Serves the page in a thread beside the gatherer: whoever reaches the address can keep it busy, and no row waits.
fn show(
    page: &PageConfig,
    config: Config,
    settings: Settings,
    known: &glance::Known,
) -> Result<Shown, NoPage> {
    let claim = Claim::new(&socket::gather_path()?)?;
    let _ = std::fs::remove_file(display::address_file(claim.path()));
    let page = Page::open(page, claim.path())?;
    let (end, ends) = mpsc::channel(1);
    let known = known.clone();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let run = move || {
        let shown = runtime.block_on(serve(page, claim, config, &settings, known, ends));
        // A look that hangs keeps nothing up.
        runtime.shutdown_background();
        if let Err(error) = shown {
            tracing::error!(%error, "the page with all benches ended");
        }
    };
    let thread = std::thread::Builder::new().name("page".to_owned());
    Ok((end, thread.spawn(run)?))
}

async fn serve(
    page: Page,
    mut claim: Claim,
    config: Config,
    settings: &Settings,
    known: glance::Known,
    mut ends: mpsc::Receiver<()>,
) -> std::io::Result<()> {
    let held = Holder::new(config);
    let passes = page.passes();
    let shown = display::benches::serve(page, held.held(), known.subscribe());
    tokio::select! {
        shown = shown => shown,
        answered = answer(&mut claim, passes, &held) => answered,
        never = glance::listen(settings, &known) => match never {},
        _ = ends.recv() => Ok(()),
    }
}

/// Answers the control socket: it lets browsers in, and weighs nothing.
async fn answer(claim: &mut Claim, passes: Arc<Passes>, held: &Holder) -> std::io::Result<()> {
    let Some(listener) = claim.take_listener() else {
        return std::future::pending().await;
    };
    let listener = tokio::net::UnixListener::from_std(listener)?;
    let (calls, mut queue) = mpsc::channel::<Call>(1);
    let refuse = async {
        while let Some(call) = queue.recv().await {
            let why = phrase!("this is the gatherer, which weighs nothing");
            let _ = call.reply.send(Err(Refusal::new(why)));
        }
    };
    tokio::select! {
        () = control::serve(listener, calls, Some(passes), held.held()) => Ok(()),
        () = refuse => Ok(()),
    }
}
