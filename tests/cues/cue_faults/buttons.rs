//! Signals of buttons that nobody pressed, thousands of them, and now and then a press.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{Receiver, Sender, TryRecvError, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use bismar::vocabulary::command::Choice;
use zbus::Connection;

use crate::bench_side::desk::{Bus, NAME, PATH, Server, Shown, runtime};

/// A server that shows what it is told and floods its one client.
pub struct Flood {
    sent: Arc<AtomicU32>,
    presses: Sender<Choice>,
    thread: JoinHandle<usize>,
}

impl Flood {
    pub fn start(bus: &Bus, server: Server) -> Flood {
        let sent = Arc::new(AtomicU32::new(0));
        let (presses, wanted) = channel();
        let (counted, address) = (Arc::clone(&sent), bus.address.clone());
        let thread = std::thread::spawn(move || {
            runtime().block_on(async {
                let stranger = zbus::conn::Builder::address(&*address).build().await;
                let stranger = stranger.unwrap();
                Flooding::new(server, stranger, counted).run(&wanted).await
            })
        });
        Flood {
            sent,
            presses,
            thread,
        }
    }

    /// Signals so far.
    pub fn sent(&self) -> u32 {
        self.sent.load(Ordering::Relaxed)
    }

    /// A person presses the button of `choice` on what is shown.
    pub fn press(&self, choice: Choice) {
        self.presses.send(choice).unwrap();
    }

    /// How many signals there were, and of how many questions buttons were shown.
    pub fn stop(self) -> (u32, usize) {
        drop(self.presses);
        let questions = self.thread.join().unwrap();
        (self.sent.load(Ordering::Relaxed), questions)
    }
}

struct Flooding {
    server: Server,
    /// Another program on the bus.
    stranger: Connection,
    sent: Arc<AtomicU32>,
    /// What is on the screen.
    shown: Option<Shown>,
    /// Keys of the questions so far.
    keys: Vec<Vec<String>>,
}

impl Flooding {
    fn new(server: Server, stranger: Connection, sent: Arc<AtomicU32>) -> Flooding {
        Flooding {
            server,
            stranger,
            sent,
            shown: None,
            keys: Vec::new(),
        }
    }

    /// Until the other end of `wanted` is gone.
    async fn run(mut self, wanted: &Receiver<Choice>) -> usize {
        loop {
            while let Ok(shown) = self.server.log.try_recv() {
                let keys: Vec<String> = shown.actions.iter().step_by(2).cloned().collect();
                if !keys.is_empty() && self.keys.last() != Some(&keys) {
                    self.keys.push(keys);
                }
                self.shown = Some(shown);
            }
            match wanted.try_recv() {
                Ok(choice) => {
                    let shown = self.shown.as_ref().expect("something is shown");
                    let key = shown.key(choice);
                    self.server.press(Some(&shown.sender), shown.id, key).await;
                }
                Err(TryRecvError::Empty) => {}
                Err(TryRecvError::Disconnected) => return self.keys.len(),
            }
            if let Some(shown) = self.shown.take() {
                self.one_wave(&shown).await;
                self.shown = Some(shown);
            }
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// One of each kind of what is no press.
    async fn one_wave(&self, shown: &Shown) {
        let id = shown.id;
        let now: Vec<&String> = shown.actions.iter().step_by(2).collect();
        for key in &now {
            for other in [0, 1, id.wrapping_add(1), u32::MAX] {
                // The right key on somebody else's notification.
                if other != id {
                    self.emit(&self.server.connection, shown, &(other, key.as_str()))
                        .await;
                }
            }
            // Who is not the server presses the right button.
            self.emit(&self.stranger, shown, &(id, key.as_str())).await;
            // The same question of an earlier daemon, by its process id.
            let parts: Vec<&str> = key.split('-').collect();
            let other = format!("{}-1-{}", parts[0], parts[parts.len() - 1]);
            self.emit(&self.server.connection, shown, &(id, &*other))
                .await;
            self.emit(&self.server.connection, shown, &(id, &*format!("{key} ")))
                .await;
            self.emit(&self.server.connection, shown, &(key.as_str(), id))
                .await;
        }
        let stale = self.keys.iter().flatten().filter(|key| !now.contains(key));
        for key in stale {
            self.emit(&self.server.connection, shown, &(id, key.as_str()))
                .await;
            self.emit(&self.server.connection, shown, &(id + 1, key.as_str()))
                .await;
        }
        let long = "keep-".repeat(4000);
        for key in [
            "",
            "default",
            "next",
            "again",
            "keep",
            "\u{202e}keep",
            &long,
        ] {
            self.emit(&self.server.connection, shown, &(id, key)).await;
        }
        self.emit(&self.server.connection, shown, &()).await;
        self.emit(&self.server.connection, shown, &vec![id; 100])
            .await;
    }

    /// To the daemon alone and to everybody, by turns.
    async fn emit<B>(&self, from: &Connection, shown: &Shown, body: &B)
    where
        B: serde::Serialize + zbus::DynamicType,
    {
        let count = self.sent.fetch_add(1, Ordering::Relaxed);
        let to = count.is_multiple_of(2).then_some(&*shown.sender);
        let sent = from
            .emit_signal(to, PATH, NAME, "ActionInvoked", body)
            .await;
        sent.unwrap();
    }
}
