//! One connection to the session bus: it carries the notification to the server and brings its
//! buttons back. It must be the same connection for both, since some servers send the button's
//! signal only to the connection that sent the notification.
//!
//! No call here waits by itself for a limited time; the caller puts a limit around it.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use futures_lite::StreamExt;
use notify_rust::Notification;
use tokio::sync::watch;
use tokio::task::AbortHandle;
use zbus::message::Type;
use zbus::{Connection, MatchRule, Message, MessageStream, Variant};

/// Bus name and interface (freedesktop Desktop Notifications Specification 1.2).
const SERVER: &str = "org.freedesktop.Notifications";
const SERVER_PATH: &str = "/org/freedesktop/Notifications";
const BUS: &str = "org.freedesktop.DBus";
const BUS_PATH: &str = "/org/freedesktop/DBus";

/// What happened on the bus by itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Happening {
    Nothing,
    /// A notification server of this unique name came, or took the place of another.
    Appeared(String),
    /// The connection to the bus is gone.
    Gone,
}

/// The notification whose buttons are believed: the unique bus name of the server that showed it and
/// its id there, which is not known while the server owes it.
type Shown = Arc<Mutex<Option<(String, Option<u32>)>>>;

/// What the server can do (`GetCapabilities`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Capabilities {
    pub actions: bool,
    /// The body is read as markup, so `&`, `<` and `>` must be escaped in it.
    pub markup: bool,
}

pub(super) struct Link {
    connection: Connection,
    shown: Shown,
    happening: watch::Receiver<Happening>,
    listener: AbortHandle,
}

impl Link {
    /// Connects and listens. `on_action` gets the key of each button pressed on the notification that
    /// was shown last.
    pub(super) async fn open(
        address: Option<&str>,
        on_action: impl Fn(&str) + Send + 'static,
    ) -> zbus::Result<Link> {
        let builder = match address {
            Some(address) => zbus::conn::Builder::address(address),
            None => zbus::conn::Builder::session(),
        };
        let connection = builder.build().await?;
        let pressed = MatchRule::builder()
            .msg_type(Type::Signal)
            .interface(SERVER)
            .member("ActionInvoked")
            .build()?;
        let owners = MatchRule::builder()
            .msg_type(Type::Signal)
            .sender(BUS)
            .interface(BUS)
            .member("NameOwnerChanged")
            .arg(0, SERVER)
            .build()?;
        let pressed = MessageStream::for_match_rule(pressed, &connection, None).await?;
        let owners = MessageStream::for_match_rule(owners, &connection, None).await?;
        let shown = Shown::default();
        let (sender, happening) = watch::channel(Happening::Nothing);
        let listener = tokio::spawn(listen(
            pressed,
            owners,
            Arc::clone(&shown),
            sender,
            on_action,
        ));
        Ok(Link {
            connection,
            shown,
            happening,
            listener: listener.abort_handle(),
        })
    }

    /// What tells this bus from the next one at its address.
    pub(super) fn bus(&self) -> String {
        self.connection.server_guid().to_string()
    }

    /// Waits for something to happen by itself.
    pub(super) async fn happening(&mut self) -> Happening {
        match self.happening.changed().await {
            Ok(()) => self.happening.borrow_and_update().clone(),
            Err(_) => Happening::Gone,
        }
    }

    /// The unique name of the running server, if there is one. Never starts one.
    pub(super) async fn server(&self) -> zbus::Result<Option<String>> {
        let reply = self
            .connection
            .call_method(Some(BUS), BUS_PATH, Some(BUS), "GetNameOwner", &SERVER)
            .await;
        match reply {
            Ok(reply) => Ok(Some(reply.body().deserialize::<String>()?)),
            Err(zbus::Error::FDO(error)) => match *error {
                zbus::fdo::Error::NameHasNoOwner(_) => Ok(None),
                other => Err(zbus::Error::FDO(Box::new(other))),
            },
            Err(other) => Err(other),
        }
    }

    /// Whether the bus knows how to start a server.
    pub(super) async fn can_start_server(&self) -> zbus::Result<bool> {
        let reply = self
            .connection
            .call_method(Some(BUS), BUS_PATH, Some(BUS), "ListActivatableNames", &())
            .await?;
        let names: Vec<String> = reply.body().deserialize()?;
        Ok(names.iter().any(|name| name == SERVER))
    }

    pub(super) async fn capabilities(&self) -> zbus::Result<Capabilities> {
        let list: Vec<String> = self
            .call("GetCapabilities", &())
            .await?
            .body()
            .deserialize()?;
        let has = |name: &str| list.iter().any(|c| c == name);
        Ok(Capabilities {
            actions: has("actions"),
            markup: has("body-markup"),
        })
    }

    /// Shows `message` on the server `owner` in the place of `replaces` (0: anew) and returns the id it
    /// has now. Buttons of that one are believed from now on, and no others.
    pub(super) async fn notify(
        &self,
        message: &Notification,
        owner: &str,
        replaces: u32,
    ) -> zbus::Result<u32> {
        let hints: HashMap<&str, Variant<'_>> = message.hints.iter().map(Into::into).collect();
        let body = (
            &message.appname,
            replaces,
            &message.icon,
            &message.summary,
            &message.body,
            &message.actions,
            hints,
            i32::from(message.timeout),
        );
        // One that is replaced keeps its id (specification, "Notify").
        self.believe(owner, (replaces != 0).then_some(replaces));
        let id = self.call("Notify", &body).await?.body().deserialize()?;
        self.believe(owner, Some(id));
        Ok(id)
    }

    fn believe(&self, owner: &str, id: Option<u32>) {
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        *shown = Some((owner.to_owned(), id));
    }

    /// Takes the notification from the screen.
    pub(super) async fn withdraw(&self, id: u32) -> zbus::Result<()> {
        self.call("CloseNotification", &id).await.map(drop)
    }

    async fn call<B>(&self, method: &str, body: &B) -> zbus::Result<Message>
    where
        B: serde::Serialize + zbus::DynamicType,
    {
        self.connection
            .call_method(Some(SERVER), SERVER_PATH, Some(SERVER), method, body)
            .await
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        self.listener.abort();
    }
}

/// Reads the signals until the connection is gone. A task of its own, so that the signals are read
/// (and the maker's answer is passed on) while the server is slow with a notification.
async fn listen(
    mut pressed: MessageStream,
    mut owners: MessageStream,
    shown: Shown,
    happening: watch::Sender<Happening>,
    on_action: impl Fn(&str),
) {
    loop {
        tokio::select! {
            message = pressed.next() => match message {
                None => break,
                // A message that cannot be read is no answer.
                Some(Err(_)) => {}
                Some(Ok(message)) => {
                    if let Some(key) = action_key(&message, &shown) {
                        on_action(&key);
                    }
                }
            },
            message = owners.next() => match message {
                None => break,
                Some(Err(_)) => {}
                Some(Ok(message)) => {
                    let body = message.body();
                    let names = body.deserialize::<(&str, &str, &str)>();
                    if let Ok((_, _, new)) = names
                        && !new.is_empty()
                    {
                        happening.send_replace(Happening::Appeared(new.to_owned()));
                    }
                }
            },
        }
        // A flood of signals must not keep the readings from their turn.
        tokio::task::yield_now().await;
    }
    happening.send_replace(Happening::Gone);
}

/// The key of a button, where it is one of the notification that is shown.
fn action_key(message: &Message, shown: &Shown) -> Option<String> {
    let header = message.header();
    let sender = header.sender()?;
    let body = message.body();
    let (id, key) = body.deserialize::<(u32, String)>().ok()?;
    let shown = shown.lock().unwrap_or_else(PoisonError::into_inner);
    let ours = shown.as_ref().is_some_and(|(owner, ours)| {
        owner == sender.as_str() && ours.is_none_or(|ours| ours == id)
    });
    ours.then_some(key)
}
