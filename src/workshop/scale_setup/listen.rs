//! The search over speeds, parities and requests.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use tokio::sync::mpsc;
use tokio::task::JoinSet;

use crate::language::{Sentence, Slot, phrase, shown_as_told};
use crate::mass::Unit;
use crate::scale::decode::{self, Decoder};
use crate::scale::frame::Start;
use crate::scale::identify::{Findings, Hint, Identified, Listener, Verdict};
use crate::scale::layout::Chosen;
use crate::scale::link::{self, LinkFault, LinkMessage, LinkNews};
use crate::scale::settings::{Framing, Parity, ScaleSettings};
use crate::time::Moment;

/// The speeds to try, the most common one first. Common practice, no source.
const SPEEDS: [u32; 8] = [9600, 4800, 2400, 1200, 19_200, 38_400, 57_600, 115_200];

const FRAMINGS: [Framing; 3] = [Framing::EIGHT_NONE, Framing::SEVEN_EVEN, Framing::SEVEN_ODD];

/// Requests for a weight that bench scales commonly answer; each only asks. Common practice, no
/// source.
const REQUESTS: [&[u8]; 4] = [b"SI\r\n", b"S\r\n", b"W\r", b"P\r\n"];

/// How often a request is sent while listening for its answer.
const REQUEST_EVERY: f64 = 0.2;
/// A scale that can be asked answers within this, also at 1200 baud.
const ANSWER: Duration = Duration::from_millis(600);
/// How much longer to listen where something fitting was heard, but too little.
const LONGER: u32 = 4;
/// Opening a port takes no longer than this.
const OPENING: Duration = Duration::from_secs(10);
/// Bytes of the heard text shown to a person.
const SAMPLE: usize = 60;

/// What to try.
#[derive(Debug)]
pub struct Search {
    pub port: PathBuf,
    /// How long to listen at each setting.
    pub listen: Duration,
    /// Only this speed.
    pub baud: Option<u32>,
    pub framing: Option<Framing>,
}

/// Why nothing was found.
#[derive(Debug)]
pub enum SearchError {
    /// The line does not open, or was lost while it was listened to.
    Line(LinkFault),
    NotOpened,
    Silent,
    Noise,
    /// Text of no layout, with its beginning.
    Unknown(Sentence),
    System(std::io::Error),
}

impl SearchError {
    pub fn told(&self) -> Sentence {
        match self {
            SearchError::Line(fault) => fault.told(),
            SearchError::NotOpened => phrase!("the port does not open"),
            SearchError::Silent => phrase!("nothing was heard, and no request was answered"),
            SearchError::Noise => {
                phrase!("the scale sends, but at no setting that was tried it can be read")
            }
            SearchError::Unknown(why) => why.clone(),
            SearchError::System(error) => {
                phrase!("the search cannot run: {why}", why = error.to_string())
            }
        }
    }
}

shown_as_told!(SearchError);

impl std::error::Error for SearchError {}

impl From<std::io::Error> for SearchError {
    fn from(error: std::io::Error) -> SearchError {
        SearchError::System(error)
    }
}

/// What hears how a search goes.
pub type Tell<'t> = &'t mut (dyn FnMut(&Sentence) + Send);

/// What was found.
#[derive(Debug, Clone)]
pub struct Found {
    pub baud: u32,
    pub framing: Framing,
    pub poll: Option<Vec<u8>>,
    pub identified: Identified,
}

impl Found {
    /// What is heard, in one sentence.
    pub fn words(&self) -> Sentence {
        let unit = match self.identified.unit {
            Some(Unit::Gram) => phrase!(" in grams"),
            Some(unit) => phrase!(" in {unit}", unit = unit.to_string()),
            None => phrase!(" without a unit"),
        };
        let rate = self.identified.lines_per_second;
        let rate = rate.map_or(Sentence::none(), |rate| {
            let rate = rate.round().max(1.0).to_string();
            phrase!(", {rate} a second", rate = Slot::number(rate))
        });
        let step = self.identified.readability;
        let step = step.map_or(Sentence::none(), |step| {
            let step = step.to_string();
            phrase!(", in steps of {step}", step = Slot::number(step))
        });
        let heard = match self.poll {
            None => phrase!(
                "It sends lines with a weight{unit}{rate}{step}.",
                unit,
                rate,
                step
            ),
            Some(_) => phrase!(
                "Asked, it answers lines with a weight{unit}{rate}{step}.",
                unit,
                rate,
                step,
            ),
        };
        match self.identified.unit {
            Some(_) => heard,
            None => heard.and(phrase!(
                "A weight without a unit is never recorded: leave the pan at rest for some seconds, then listen again."
            )),
        }
    }

    fn on(&self, port: &Path) -> ScaleSettings {
        let port = port.display().to_string();
        let mut scale = ScaleSettings::on_line(port, self.baud, self.framing);
        scale.poll = self.poll.clone().map(|request| (request, REQUEST_EVERY));
        scale
    }
}

/// Tells what the scale that was found at `port` shows, whenever a line comes; `None` where a line holds no weight.
/// Gives why its line was lost.
pub async fn follow(
    port: &Path,
    found: &Found,
    mut shows: impl FnMut(Option<String>) + Send,
) -> SearchError {
    let mut line = Line::open(found.on(port));
    let layout = Chosen::BuiltIn(found.identified.layout);
    let mut decoder = Decoder::new(layout, Start::MidStream);
    let begun = Instant::now();
    loop {
        let Some(message) = line.news.recv().await else {
            return SearchError::NotOpened;
        };
        match message.news {
            LinkNews::Back { .. } => decoder.restart(Start::MidStream),
            LinkNews::Lost(fault) => return SearchError::Line(fault),
            LinkNews::Bytes(bytes) => {
                decoder.feed(since(begun, message.at), &bytes, |heard| match heard {
                    decode::Heard::Reading(reading) => {
                        let grams = reading.weight.grams(reading.digit);
                        shows(Some(format!("{grams} g")));
                    }
                    decode::Heard::Overload | decode::Heard::Underload => shows(None),
                    decode::Heard::NoWeight
                    | decode::Heard::NotAMass
                    | decode::Heard::NoUnit
                    | decode::Heard::Rejected(_) => {}
                });
            }
        }
    }
}

fn since(begun: Instant, at: Instant) -> Moment {
    let since = at.saturating_duration_since(begun).as_micros();
    Moment::from_micros(u64::try_from(since).unwrap_or(u64::MAX))
}

/// A line that is listened to; closed when it is dropped.
struct Line {
    news: mpsc::Receiver<LinkMessage>,
    task: JoinSet<()>,
}

impl Line {
    fn open(scale: ScaleSettings) -> Line {
        let (sender, news) = mpsc::channel(256);
        let mut task = JoinSet::new();
        task.spawn(link::run(0, scale, sender));
        Line { news, task }
    }
}

/// What one setting came to.
enum Tried {
    Found(Found),
    /// Nothing at all was heard.
    Silent,
    /// The speed is wrong as far as one can tell.
    Noise,
    /// This framing fits better.
    Better(Framing),
    /// The speed is right, the lines are not known: further speeds are of no use.
    Unknown(Sentence),
}

impl Search {
    /// As [`Search::search`], for who has no runtime. Blocks.
    ///
    /// # Errors
    /// As [`Search::search`].
    pub fn run(&self, tell: Tell) -> Result<Found, SearchError> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        let found = runtime.block_on(self.search(tell));
        // A port that is just being opened may hang in the kernel.
        runtime.shutdown_timeout(Duration::from_secs(1));
        found
    }

    /// Tries one setting after another until a layout is clearly right, and tells how it goes. Needs a running
    /// tokio runtime; the port is closed when this ends or is dropped.
    ///
    /// # Errors
    /// When the port cannot be opened, or nothing is clearly right.
    pub async fn search(&self, tell: Tell<'_>) -> Result<Found, SearchError> {
        let mut heard_anything = false;
        let mut listened = false;
        for baud in self.speeds() {
            let mut framings = self.framings();
            let mut next = 0;
            while let Some(&framing) = framings.get(next) {
                next += 1;
                // A scale that sends by itself is heard at any speed, if only as noise.
                let silent = std::mem::replace(&mut listened, true) && !heard_anything;
                let tried = if silent {
                    self.ask(baud, framing, tell).await?
                } else {
                    self.listen(baud, framing, !heard_anything, tell).await?
                };
                match tried {
                    Tried::Found(found) => return Ok(found),
                    Tried::Silent => {}
                    Tried::Noise => {
                        heard_anything = true;
                        // Bytes that are no text even without their eighth bit: another speed.
                        break;
                    }
                    Tried::Better(better) => {
                        heard_anything = true;
                        // Next, before any other.
                        if let Some(later) = framings.iter().skip(next).position(|f| *f == better) {
                            framings.swap(next, next + later);
                        }
                    }
                    Tried::Unknown(text) => return Err(SearchError::Unknown(text)),
                }
            }
        }
        Err(match heard_anything {
            true => SearchError::Noise,
            false => SearchError::Silent,
        })
    }

    fn speeds(&self) -> Vec<u32> {
        self.baud.map_or_else(|| SPEEDS.to_vec(), |baud| vec![baud])
    }

    fn framings(&self) -> Vec<Framing> {
        self.framing
            .map_or_else(|| FRAMINGS.to_vec(), |framing| vec![framing])
    }

    fn line(&self, baud: u32, framing: Framing) -> ScaleSettings {
        ScaleSettings::on_line(self.port.display().to_string(), baud, framing)
    }

    /// Listens only.
    async fn listen(
        &self,
        baud: u32,
        framing: Framing,
        ask: bool,
        tell: Tell<'_>,
    ) -> Result<Tried, SearchError> {
        let scale = self.line(baud, framing);
        let heard = hear(scale, self.listen, self.listen * LONGER).await?;
        let tried = judge(heard, baud, framing, None, tell);
        if ask && matches!(tried, Tried::Silent) {
            tell(&phrase!(
                "It sends nothing by itself; asking it for a weight, which can take a minute."
            ));
            return self.ask(baud, framing, tell).await;
        }
        Ok(tried)
    }

    /// Sends each request, and listens for an answer.
    async fn ask(&self, baud: u32, framing: Framing, tell: Tell<'_>) -> Result<Tried, SearchError> {
        let requests = REQUESTS.map(|request| request.escape_ascii().to_string());
        tell(&phrase!(
            "  {setting}: asking with {requests}",
            setting = format!("{baud} {framing}"),
            requests = requests.join(" "),
        ));
        let mut scale = self.line(baud, framing);
        let mut answered = Tried::Silent;
        for request in REQUESTS {
            scale.poll = Some((request.to_vec(), REQUEST_EVERY));
            let longest = self.listen.max(ANSWER) * LONGER;
            let heard = hear(scale.clone(), self.listen.min(ANSWER), longest).await?;
            if heard.bytes.is_empty() {
                continue;
            }
            match judge(heard, baud, framing, Some(request), tell) {
                Tried::Found(found) => return Ok(Tried::Found(found)),
                // Another request may be the one it understands.
                Tried::Silent | Tried::Noise | Tried::Better(_) => {}
                unknown @ Tried::Unknown(_) => answered = unknown,
            }
        }
        Ok(answered)
    }
}

fn judge(heard: Heard, baud: u32, framing: Framing, request: Option<&[u8]>, tell: Tell) -> Tried {
    let line = format!("{baud} {framing}");
    let setting = request.map_or_else(
        || Sentence::from(line.as_str()),
        |request| {
            let request = request.escape_ascii().to_string();
            phrase!("{line}, asked with {request}", line = &line, request)
        },
    );
    let mut tell = |said: Sentence| {
        tell(&phrase!(
            "  {setting}: {said}",
            setting = setting.clone(),
            said
        ))
    };
    if heard.bytes.is_empty() {
        tell(phrase!("nothing"));
        return Tried::Silent;
    }
    let findings = heard.listener.findings();
    match findings.verdict {
        Verdict::Identified(ref identified) => {
            tell(phrase!(
                "{good} good lines of layout {layout}",
                good = identified.good,
                layout = identified.layout.name(),
            ));
            Tried::Found(Found {
                baud,
                framing,
                poll: request.map(<[u8]>::to_vec),
                identified: identified.clone(),
            })
        }
        Verdict::None(hint) => {
            tell(hint.told());
            match hint {
                Hint::Silent => Tried::Silent,
                Hint::WrongSpeed => Tried::Noise,
                Hint::SevenBits(Parity::Odd) => Tried::Better(Framing::SEVEN_ODD),
                Hint::SevenBits(Parity::Even | Parity::None) => Tried::Better(Framing::SEVEN_EVEN),
                Hint::TooFew(_) | Hint::UnknownForm | Hint::Ambiguous(..) => {
                    Tried::Unknown(unknown(&heard.bytes, &findings, hint, setting.clone()))
                }
            }
        }
    }
}

/// Text that was heard and is of no layout: shown, so that a pattern can be written for it.
fn unknown(bytes: &[u8], findings: &Findings, hint: Hint, setting: Sentence) -> Sentence {
    let sample = bytes.get(..bytes.len().min(SAMPLE)).unwrap_or_default();
    let sample = sample.escape_ascii().to_string();
    let mut text = phrase!("\nheard: {sample}", sample);
    for score in findings
        .scores
        .iter()
        .filter(|score| score.good() > 0)
        .take(3)
    {
        text = phrase!(
            "{text}\n  {layout}: {good} good lines, {bad} not",
            text,
            layout = score.layout.name(),
            good = score.good(),
            bad = score.rejected,
        );
    }
    let hint = hint.told();
    phrase!(
        "{setting}: it sends text, but {hint}{text}",
        setting,
        hint,
        text
    )
}

/// What one setting let hear.
struct Heard {
    listener: Listener,
    /// The first bytes.
    bytes: Vec<u8>,
}

/// Opens the line and listens for `wanted`; where something fitting comes too seldom, up to `longest`.
async fn hear(
    scale: ScaleSettings,
    wanted: Duration,
    longest: Duration,
) -> Result<Heard, SearchError> {
    let mut line = Line::open(scale);
    let mut heard = Heard {
        listener: Listener::new(),
        bytes: Vec::new(),
    };
    let begun = Instant::now();
    let mut opened: Option<Instant> = None;
    let ended = loop {
        let until = match opened {
            None => begun + OPENING,
            Some(at) if may_still_fit(&heard, at.elapsed() >= wanted) => at + longest,
            Some(at) => at + wanted,
        };
        let message = tokio::time::timeout_at(until.into(), line.news.recv()).await;
        match message.map(|message| message.map(|message| (message.at, message.news))) {
            Err(_) if opened.is_none() => break Err(SearchError::NotOpened),
            Ok(None) => break Err(SearchError::NotOpened),
            Err(_) => break Ok(()),
            Ok(Some((_, LinkNews::Lost(fault)))) => break Err(SearchError::Line(fault)),
            Ok(Some((at, LinkNews::Back { .. }))) => opened = Some(at),
            Ok(Some((at, LinkNews::Bytes(bytes)))) => {
                heard.listener.hear(since(begun, at), &bytes);
                if heard.bytes.len() < SAMPLE {
                    heard.bytes.extend_from_slice(&bytes);
                }
                let fits = || heard.listener.findings().identified().is_some();
                let over = opened.is_some_and(|opened| opened.elapsed() >= wanted);
                if heard.listener.is_full() || (over && fits()) {
                    break Ok(());
                }
            }
        }
    };
    // Afterwards the port is closed.
    line.task.shutdown().await;
    ended.map(|()| heard)
}

/// Whether listening on could still make something of what was heard. Only asked at the end of the
/// time, since it reads everything anew.
fn may_still_fit(heard: &Heard, over: bool) -> bool {
    over && !heard.bytes.is_empty()
        && matches!(
            heard.listener.findings().verdict,
            Verdict::None(Hint::TooFew(_))
        )
}
