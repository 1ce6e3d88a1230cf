//! One connection to the broker, from its beginning to its end: a new one begins with nothing of the one before.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    ConnectReturnCode, LastWill, LastWillProperties, Packet, PubAckReason, Publish,
    PublishProperties, SubscribeReasonCode,
};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, MqttOptions, StateError};
use rumqttc::{Outgoing, TlsConfiguration, Transport};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio::time::Instant;
use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::{ClientConfig, RootCertStore, crypto};

use super::message::{Message, Spoken};
use super::settings::Settings;
use crate::text::harmless;

/// How often the broker hears of a silent connection; one and a half times as long after the last word it counts a
/// bench as gone (MQTT 5, 3.1.2.10). The library takes no less.
const KEEP_ALIVE: Duration = Duration::from_secs(5);

/// Nothing at all for so long, not even a ping on its way out: the connection hangs.
const HANGS: Duration = Duration::from_secs(20);

/// Packets that may be under way and not acknowledged.
const IN_FLIGHT: u16 = 20;

/// Of these, the share that is used for our own. The library takes the number of a packet that was acknowledged for the
/// next one; an acknowledgement that comes twice would count for that one, which the broker has not. With half of the
/// numbers at rest one is used again only after as many others were acknowledged.
const AT_REST: u16 = 2;

/// What came from the connection and is not looked at yet: its pings go on while a disk is slow.
const EVENTS: usize = 256;

/// Requests that wait for the connection. So many more than events that there is room for an acknowledgement of each:
/// who would wait for room here keeps the connection from making it.
const REQUESTS: usize = 16 * EVENTS;

/// Why a connection could not be had, or ended.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    #[error("the broker {0} is not reached: {1}")]
    Unreached(String, String),
    #[error(
        "the broker {0} does not let this program in ({1}); look at user, password and certificate, and at what the broker allows"
    )]
    TurnedAway(String, String),
    #[error(
        "the broker does not take what is sent under {0} ({1}); look at what it allows this user"
    )]
    Forbidden(String, String),
    #[error("the connection to the broker hangs")]
    Hangs,
    #[error(
        "where each connection ends so soon, another program may use the broker under the name of this one: give each bench its own name, and let one machine gather"
    )]
    TakenOver,
    #[error("the certificates cannot be used: {0}")]
    Certificates(String),
    #[error("the connection to the broker ended, or is behind")]
    Behind,
    /// Nothing is lost by it, but the library goes no further.
    #[error(
        "what was sent to the broker {0} was acknowledged twice; the way there says things twice"
    )]
    Doubled(String),
    #[error("{0}")]
    Joined(#[from] super::WireError),
}

/// What comes from the broker.
#[derive(Debug)]
pub enum Heard {
    /// The connection stands.
    Connected,
    Message(Publish),
    /// The broker does not let this program hear something that it asked to hear, and why.
    Unheard(String),
    /// The oldest messages that are acknowledged now, in the order in which they were sent.
    Acknowledged(Vec<u64>),
}

/// How a client presents itself.
pub struct Who {
    pub client: String,
    /// Kept by the broker while the client is away, in seconds; 0: nothing is.
    pub session: u32,
    /// The largest packet that it takes, in bytes.
    pub largest: u32,
    /// The last will, which is retained.
    pub will: Option<Spoken>,
}

/// A connection. Dropped, it is gone.
pub struct Link {
    broker: String,
    client: AsyncClient,
    events: mpsc::Receiver<Result<Event, ConnectionError>>,
    polling: JoinHandle<()>,
    /// Messages of QoS 1 in the order in which they were given, until they are acknowledged.
    sent: VecDeque<Sent>,
    next: u64,
    /// Those of them that the library has not got yet.
    kept_back: VecDeque<KeptBack>,
    /// Those that it has, and how many it may have.
    on_way: u16,
    most_on_way: u16,
    /// Whether it ended by an acknowledgement that came twice.
    doubled: Arc<AtomicBool>,
}

struct KeptBack {
    topic: String,
    retained: bool,
    about: PublishProperties,
    text: Vec<u8>,
}

struct Sent {
    ticket: u64,
    topic: String,
    /// Once it is on its way.
    packet: Option<u16>,
    acknowledged: bool,
}

impl Drop for Link {
    fn drop(&mut self) {
        self.polling.abort();
    }
}

impl Link {
    /// Begins to connect.
    ///
    /// # Errors
    /// When the certificates cannot be used.
    pub fn new(settings: &Settings, who: &Who) -> Result<Link, LinkError> {
        let config = &settings.config;
        let mut options = MqttOptions::new(&who.client, &config.broker, config.port);
        options
            .set_keep_alive(KEEP_ALIVE)
            .set_clean_start(who.session == 0)
            .set_session_expiry_interval(Some(who.session))
            .set_max_packet_size(Some(who.largest))
            .set_receive_maximum(Some(IN_FLIGHT))
            .set_outgoing_inflight_upper_limit(IN_FLIGHT)
            .set_manual_acks(true);
        if let Some((user, password)) = &settings.secrets.login {
            options.set_credentials(user, password.expose());
        }
        if let Some(will) = &who.will {
            let about = LastWillProperties {
                user_properties: will.about.clone(),
                ..no_properties()
            };
            options.set_last_will(LastWill::new(
                will.topic.clone(),
                will.text.clone(),
                QoS::AtLeastOnce,
                true,
                Some(about),
            ));
        }
        if let Some(ca) = &settings.ca {
            options.set_transport(Transport::Tls(tls(settings, ca)?));
        }
        let (client, mut polled) = AsyncClient::new(options, REQUESTS);
        let (tell, events) = mpsc::channel(EVENTS);
        let doubled = Arc::new(AtomicBool::new(false));
        let ends_doubled = Arc::clone(&doubled);
        // A task of its own: to leave off a poll half-way would begin the connection anew.
        let polling = tokio::spawn(async move {
            loop {
                let event = polled.poll().await;
                let ended = event.is_err();
                if event.as_ref().is_err_and(is_doubled) {
                    ends_doubled.store(true, Ordering::Relaxed);
                }
                if event.as_ref().is_ok_and(is_nothing) {
                    continue;
                }
                if tell.send(event).await.is_err() || ended {
                    return;
                }
            }
        });
        Ok(Link {
            broker: format!("{}:{}", config.broker, config.port),
            client,
            events,
            polling,
            sent: VecDeque::new(),
            next: 0,
            kept_back: VecDeque::new(),
            on_way: 0,
            most_on_way: IN_FLIGHT / AT_REST,
            doubled,
        })
    }

    /// What comes next. Loses nothing when it is dropped half-way.
    ///
    /// # Errors
    /// The connection's end, or a message that the broker does not take.
    pub async fn next(&mut self) -> Result<Heard, LinkError> {
        loop {
            let event = match tokio::time::timeout(HANGS, self.events.recv()).await {
                Ok(Some(Ok(event))) => event,
                Ok(Some(Err(error))) => return Err(self.ended(error)),
                Ok(None) | Err(_) => return Err(LinkError::Hangs),
            };
            if let Some(heard) = self.hear(event)? {
                return Ok(heard);
            }
        }
    }

    /// What is here already, without waiting.
    ///
    /// # Errors
    /// As [`Link::next`].
    pub fn waiting(&mut self) -> Result<Option<Heard>, LinkError> {
        while let Ok(event) = self.events.try_recv() {
            let event = event.map_err(|error| self.ended(error))?;
            if let Some(heard) = self.hear(event)? {
                return Ok(Some(heard));
            }
        }
        Ok(None)
    }

    fn hear(&mut self, event: Event) -> Result<Option<Heard>, LinkError> {
        match event {
            Event::Incoming(Packet::ConnAck(ack)) => {
                let most = ack.properties.and_then(|about| about.receive_max);
                let most = most.unwrap_or(IN_FLIGHT).min(IN_FLIGHT);
                self.most_on_way = (most / AT_REST).max(1);
                Ok(Some(Heard::Connected))
            }
            Event::Incoming(Packet::Publish(message)) => Ok(Some(Heard::Message(message))),
            Event::Incoming(Packet::PubAck(ack)) => self.acknowledged(ack.pkid, ack.reason),
            Event::Incoming(Packet::SubAck(ack)) => {
                let refused =
                    |code: &&SubscribeReasonCode| !matches!(code, SubscribeReasonCode::Success(_));
                let code = ack.return_codes.iter().find(refused);
                Ok(code.map(|code| Heard::Unheard(format!("{code:?}"))))
            }
            Event::Outgoing(Outgoing::Publish(packet)) if packet != 0 => {
                if let Some(sent) = self.sent.iter_mut().find(|sent| sent.packet.is_none()) {
                    sent.packet = Some(packet);
                }
                Ok(None)
            }
            Event::Incoming(_) | Event::Outgoing(_) => Ok(None),
        }
    }

    fn acknowledged(
        &mut self,
        packet: u16,
        reason: PubAckReason,
    ) -> Result<Option<Heard>, LinkError> {
        let is_it = |sent: &&mut Sent| sent.packet == Some(packet) && !sent.acknowledged;
        let Some(sent) = self.sent.iter_mut().find(is_it) else {
            return Ok(None);
        };
        match reason {
            // Nobody listens yet; whoever begins to asks for what is missing.
            PubAckReason::Success | PubAckReason::NoMatchingSubscribers => sent.acknowledged = true,
            PubAckReason::UnspecifiedError
            | PubAckReason::ImplementationSpecificError
            | PubAckReason::NotAuthorized
            | PubAckReason::TopicNameInvalid
            | PubAckReason::PacketIdentifierInUse
            | PubAckReason::QuotaExceeded
            | PubAckReason::PayloadFormatInvalid => {
                let topic = sent.topic.clone();
                return Err(LinkError::Forbidden(topic, format!("{reason:?}")));
            }
        }
        self.on_way = self.on_way.saturating_sub(1);
        self.hand_on()?;
        let mut tickets = Vec::new();
        while let Some(first) = self.sent.front().filter(|first| first.acknowledged) {
            tickets.push(first.ticket);
            self.sent.pop_front();
        }
        Ok((!tickets.is_empty()).then_some(Heard::Acknowledged(tickets)))
    }

    /// Sends under a topic, at least once. The ticket comes back with [`Heard::Acknowledged`].
    ///
    /// # Errors
    /// [`LinkError::Behind`] when too much waits.
    pub fn send(
        &mut self,
        topic: &str,
        retained: bool,
        properties: Vec<(String, String)>,
        text: Vec<u8>,
    ) -> Result<u64, LinkError> {
        let about = PublishProperties {
            user_properties: properties,
            ..PublishProperties::default()
        };
        if self.kept_back.len() >= REQUESTS {
            return Err(self.behind());
        }
        self.kept_back.push_back(KeptBack {
            topic: topic.to_owned(),
            retained,
            about,
            text,
        });
        self.next += 1;
        self.sent.push_back(Sent {
            ticket: self.next,
            topic: topic.to_owned(),
            packet: None,
            acknowledged: false,
        });
        self.hand_on()?;
        Ok(self.next)
    }

    /// Gives the library what may be on its way now.
    fn hand_on(&mut self) -> Result<(), LinkError> {
        while self.on_way < self.most_on_way
            && let Some(one) = self.kept_back.pop_front()
        {
            self.client
                .try_publish_with_properties(
                    one.topic,
                    QoS::AtLeastOnce,
                    one.retained,
                    one.text,
                    one.about,
                )
                .map_err(|_| self.behind())?;
            self.on_way += 1;
        }
        Ok(())
    }

    /// Sends what is said from now on, at least once.
    ///
    /// # Errors
    /// As [`Link::send`].
    pub fn say(&mut self, spoken: Spoken) -> Result<u64, LinkError> {
        self.send(&spoken.topic, true, spoken.about, spoken.text)
    }

    /// Sends what counts now or not at all.
    pub fn mention(&self, topic: &str, text: Vec<u8>) {
        let _ = self.client.try_publish(topic, QoS::AtMostOnce, false, text);
    }

    /// Messages that are not acknowledged.
    pub fn under_way(&self) -> usize {
        self.sent.len()
    }

    /// Listens to a topic.
    ///
    /// # Errors
    /// [`LinkError::Behind`].
    pub fn listen(&self, topic: &str) -> Result<(), LinkError> {
        self.client
            .try_subscribe(topic, QoS::AtLeastOnce)
            .map_err(|_| self.behind())
    }

    /// Tells the broker that a message is kept.
    ///
    /// # Errors
    /// [`LinkError::Behind`].
    pub fn kept(&self, message: &Publish) -> Result<(), LinkError> {
        self.client.try_ack(message).map_err(|_| self.behind())
    }

    /// Says farewell, so that the last will is not carried out. Waits a moment at most.
    pub async fn end(mut self) {
        let said = async {
            while self.under_way() > 0 && self.next().await.is_ok() {}
            let _ = self.client.disconnect().await;
            while self.next().await.is_ok() {}
        };
        let _ = tokio::time::timeout(Duration::from_millis(700), said).await;
    }

    /// Why there is no room for more.
    fn behind(&self) -> LinkError {
        match self.doubled.load(Ordering::Relaxed) {
            true => LinkError::Doubled(self.broker.clone()),
            false => LinkError::Behind,
        }
    }

    fn ended(&self, error: ConnectionError) -> LinkError {
        let broker = self.broker.clone();
        let code = |code: ConnectReturnCode| format!("{code:?}");
        match error {
            error if is_doubled(&error) => LinkError::Doubled(broker),
            ConnectionError::ConnectionRefused(why)
            | ConnectionError::MqttState(StateError::ConnFail { reason: why }) => {
                LinkError::TurnedAway(broker, code(why))
            }
            ConnectionError::MqttState(StateError::ServerDisconnect { reason_code, .. })
                if format!("{reason_code:?}") == "SessionTakenOver" =>
            {
                LinkError::TakenOver
            }
            other => LinkError::Unreached(broker, harmless(&other.to_string()).into_owned()),
        }
    }
}

/// What the broker handed on, without it.
pub(super) fn message(from: &Publish) -> Message<'_> {
    let about = from.properties.as_ref();
    Message {
        topic: &from.topic,
        about: about.map_or(&[], |about| &about.user_properties),
        text: &from.payload,
        retained: from.retain,
    }
}

/// Whether the library ended a connection because nothing waited for an acknowledgement: one that came twice, since it
/// knows what it sent.
fn is_doubled(error: &ConnectionError) -> bool {
    matches!(
        error,
        ConnectionError::MqttState(StateError::Unsolicited(_))
    )
}

/// Whether nobody needs to hear of an event. Messages of QoS 0 are none of ours, and the broker sends any number of
/// them at once.
fn is_nothing(event: &Event) -> bool {
    match event {
        Event::Incoming(Packet::Publish(message)) => message.qos == QoS::AtMostOnce,
        Event::Outgoing(Outgoing::PubAck(_)) => true,
        Event::Incoming(_) | Event::Outgoing(_) => false,
    }
}

fn tls(settings: &Settings, ca: &[u8]) -> Result<TlsConfiguration, LinkError> {
    let wrong = |what: &str| {
        let what = what.to_owned();
        move |_| LinkError::Certificates(what)
    };
    let mut roots = RootCertStore::empty();
    let authorities = CertificateDer::pem_slice_iter(ca).filter_map(Result::ok);
    let (good, _) = roots.add_parsable_certificates(authorities);
    if good == 0 {
        let what = "the file of ca has no certificate in PEM";
        return Err(LinkError::Certificates(what.to_owned()));
    }
    let provider = Arc::new(crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| LinkError::Certificates(error.to_string()))?
        .with_root_certificates(roots);
    let config = match &settings.certificate {
        None => config.with_no_client_auth(),
        Some((certificate, key)) => {
            let chain = CertificateDer::pem_slice_iter(certificate)
                .collect::<Result<Vec<_>, _>>()
                .map_err(wrong("the file of certificate is not PEM"))?;
            let key = PrivateKeyDer::from_pem_slice(key.expose().as_bytes())
                .map_err(wrong("the file of private_key has no key in PEM"))?;
            config
                .with_client_auth_cert(chain, key)
                .map_err(|error| LinkError::Certificates(error.to_string()))?
        }
    };
    Ok(TlsConfiguration::Rustls(Arc::new(config)))
}

/// Waits longer after each connection in vain, or that did not stand for long and brought nothing, and says each reason
/// once.
#[derive(Debug, Default)]
pub struct Patience {
    failures: u32,
    told: String,
    /// What was told came again: nothing more is said of it.
    again: bool,
    stands_since: Option<Instant>,
    /// Connections in a row that stood and soon ended.
    short: u32,
    /// Those since the last row that ended by an acknowledgement that came twice.
    doubled: u32,
}

/// A connection that stood for so long was a good one.
const GOOD: Duration = Duration::from_secs(10);

/// An acknowledgement that came twice says that the broker is there: the next connection is made after this, and no later
/// for it; but after so many of them in a row without a row the way is no good.
const DOUBLED: Duration = Duration::from_millis(50);
const MOST_DOUBLED: u32 = 20;

impl Patience {
    /// The connection stands.
    pub fn restored(&mut self) {
        if !self.told.is_empty() && !self.again {
            tracing::info!("the connection to the broker stands again");
        }
        self.stands_since = Some(Instant::now());
    }

    /// A row got further: however soon this connection ends, the next one is worth it at once.
    pub fn rewarded(&mut self) {
        self.failures = 0;
        self.doubled = 0;
    }

    /// How long to wait after this error.
    pub fn after(&mut self, error: &LinkError) -> Duration {
        if matches!(error, LinkError::Doubled(_)) && self.doubled < MOST_DOUBLED {
            tracing::debug!("{error}");
            self.doubled += 1;
            self.stands_since = None;
            return DOUBLED;
        }
        let stood = self.stands_since.take();
        self.short = match stood {
            Some(_) => self.short + 1,
            None => 0,
        };
        if stood.is_some_and(|since| since.elapsed() >= GOOD) {
            *self = Patience::default();
        }
        // Not every broker says why it ends one of two connections of a name.
        let words = match self.short {
            0..3 => error.to_string(),
            _ => format!("{error}; {}", LinkError::TakenOver),
        };
        self.again = words == self.told;
        if !self.again {
            tracing::warn!("{words}");
            self.told = words;
        }
        let seconds = 1 << self.failures.min(4);
        self.failures = self.failures.saturating_add(1);
        Duration::from_millis(500 * seconds)
    }
}

const fn no_properties() -> LastWillProperties {
    LastWillProperties {
        delay_interval: None,
        payload_format_indicator: None,
        message_expiry_interval: None,
        content_type: None,
        response_topic: None,
        correlation_data: None,
        user_properties: Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_connection_that_brought_a_row_is_made_again_at_once_and_one_in_vain_ever_later() {
        let mut patience = Patience::default();
        let mut pauses = |rewarded: bool| {
            patience.restored();
            if rewarded {
                patience.rewarded();
            }
            patience.after(&LinkError::Hangs).as_millis()
        };
        let vain: Vec<_> = (0..6).map(|_| pauses(false)).collect();
        assert_eq!(vain, [500, 1000, 2000, 4000, 8000, 8000]);
        let rewarded: Vec<_> = (0..6).map(|_| pauses(true)).collect();
        assert_eq!(rewarded, [500; 6]);
        assert_eq!(pauses(false), 1000);
    }

    #[test]
    fn what_is_acknowledged_twice_is_no_failure_unless_nothing_else_comes() {
        let mut patience = Patience::default();
        let mut pause = |rewarded: bool| {
            patience.restored();
            if rewarded {
                patience.rewarded();
            }
            let doubled = LinkError::Doubled("a broker".into());
            patience.after(&doubled).as_millis()
        };
        let with_rows: Vec<_> = (0..100).map(|_| pause(true)).collect();
        assert_eq!(with_rows, [50; 100]);
        // The first after a row was counted above.
        let in_vain: Vec<_> = (0..22).map(|_| pause(false)).collect();
        assert_eq!(in_vain[..19], [50; 19]);
        assert_eq!(in_vain[19..], [500, 1000, 2000]);
        assert_eq!(pause(true), 50);
    }
}
