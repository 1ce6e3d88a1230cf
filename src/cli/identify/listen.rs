//! The search over speeds, parities and requests.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use tokio::sync::mpsc;

use crate::cli::failure::Failure;
use crate::cli::line::{Framing, not_open, scale_of};
use crate::cli::tell;
use crate::scale::identify::{Findings, Hint, Identified, Listener, Verdict};
use crate::scale::link::{self, LinkNews};
use crate::scale::settings::{Parity, ScaleSettings};
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

/// What was found.
#[derive(Debug)]
pub struct Found {
    pub baud: u32,
    pub framing: Framing,
    pub poll: Option<Vec<u8>>,
    pub identified: Identified,
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
    Unknown(Failure),
}

impl Search {
    /// Tries one setting after another until a layout is clearly right. Blocks; tells on stderr how
    /// it goes.
    ///
    /// # Errors
    /// When the port cannot be opened, or nothing is clearly right; with what to try.
    pub fn run(&self) -> Result<Found, Failure> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(Failure::failed)?;
        let found = runtime.block_on(self.search());
        // A port that is just being opened may hang in the kernel.
        runtime.shutdown_timeout(Duration::from_secs(1));
        found
    }

    async fn search(&self) -> Result<Found, Failure> {
        tell(&format!(
            "Listening on {}. Put something on the pan and move it now and then. Ctrl-C ends.",
            self.port.display()
        ));
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
                    self.ask(baud, framing).await?
                } else {
                    self.listen(baud, framing, !heard_anything).await?
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
                    Tried::Unknown(failure) => return Err(failure),
                }
            }
        }
        Err(if heard_anything {
            Failure::failed("the scale sends, but at no setting that was tried it can be read").remedy(
                "look up speed, data bits and parity in the scale's menu or manual and give --baud and \
                 --framing",
            )
        } else {
            Failure::failed("nothing was heard, and no request was answered").remedy(
                "press PRINT on the scale, or set it to send continuously in its menu; check that the \
                 cable is the right one",
            )
        })
    }

    fn speeds(&self) -> Vec<u32> {
        self.baud.map_or_else(|| SPEEDS.to_vec(), |baud| vec![baud])
    }

    fn framings(&self) -> Vec<Framing> {
        self.framing
            .map_or_else(|| FRAMINGS.to_vec(), |framing| vec![framing])
    }

    /// Listens only.
    async fn listen(&self, baud: u32, framing: Framing, ask: bool) -> Result<Tried, Failure> {
        let scale = scale_of(self.port.clone(), baud, framing);
        let heard = hear(&scale, self.listen, self.listen * LONGER).await?;
        let tried = judge(heard, baud, framing, None);
        if ask && matches!(tried, Tried::Silent) {
            tell("It sends nothing by itself; asking it for a weight, which can take a minute.");
            return self.ask(baud, framing).await;
        }
        Ok(tried)
    }

    /// Sends each request, and listens for an answer.
    async fn ask(&self, baud: u32, framing: Framing) -> Result<Tried, Failure> {
        let requests = REQUESTS.map(|request| request.escape_ascii().to_string());
        tell(&format!(
            "  {baud} {framing}: asking with {}",
            requests.join(" ")
        ));
        let mut scale = scale_of(self.port.clone(), baud, framing);
        let mut answered = Tried::Silent;
        for request in REQUESTS {
            scale.poll = Some((request.to_vec(), REQUEST_EVERY));
            let longest = self.listen.max(ANSWER) * LONGER;
            let heard = hear(&scale, self.listen.min(ANSWER), longest).await?;
            if heard.bytes.is_empty() {
                continue;
            }
            match judge(heard, baud, framing, Some(request)) {
                Tried::Found(found) => return Ok(Tried::Found(found)),
                // Another request may be the one it understands.
                Tried::Silent | Tried::Noise | Tried::Better(_) => {}
                unknown @ Tried::Unknown(_) => answered = unknown,
            }
        }
        Ok(answered)
    }
}

fn judge(heard: Heard, baud: u32, framing: Framing, request: Option<&[u8]>) -> Tried {
    let asked = request.map_or(String::new(), |request| {
        format!(", asked with {}", request.escape_ascii())
    });
    let setting = format!("  {baud} {framing}{asked}");
    if heard.bytes.is_empty() {
        tell(&format!("{setting}: nothing"));
        return Tried::Silent;
    }
    let findings = heard.listener.findings();
    match findings.verdict {
        Verdict::Identified(ref identified) => {
            tell(&format!(
                "{setting}: {} good lines of layout {}",
                identified.good,
                identified.layout.name()
            ));
            Tried::Found(Found {
                baud,
                framing,
                poll: request.map(<[u8]>::to_vec),
                identified: identified.clone(),
            })
        }
        Verdict::None(hint) => {
            tell(&format!("{setting}: {hint}"));
            match hint {
                Hint::Silent => Tried::Silent,
                Hint::WrongSpeed => Tried::Noise,
                Hint::SevenBits(Parity::Odd) => Tried::Better(Framing::SEVEN_ODD),
                Hint::SevenBits(Parity::Even | Parity::None) => Tried::Better(Framing::SEVEN_EVEN),
                Hint::TooFew(_) | Hint::UnknownForm | Hint::Ambiguous(..) => {
                    Tried::Unknown(unknown(&heard.bytes, &findings, hint, &setting))
                }
            }
        }
    }
}

/// Text that was heard and is of no layout: shown, so that a pattern can be written for it.
fn unknown(bytes: &[u8], findings: &Findings, hint: Hint, setting: &str) -> Failure {
    let mut text = format!("{}: it sends text, but {hint}", setting.trim());
    let sample = bytes.get(..bytes.len().min(SAMPLE)).unwrap_or_default();
    let _ = write!(text, "\nheard: {}", sample.escape_ascii());
    for score in findings
        .scores
        .iter()
        .filter(|score| score.good() > 0)
        .take(3)
    {
        let _ = write!(
            text,
            "\n  {}: {} good lines, {} not",
            score.layout.name(),
            score.good(),
            score.rejected
        );
    }
    Failure::failed(text)
}

/// What one setting let hear.
struct Heard {
    listener: Listener,
    /// The first bytes.
    bytes: Vec<u8>,
}

/// Opens the line and listens for `wanted`; where something fitting comes too seldom, up to `longest`.
async fn hear(
    scale: &ScaleSettings,
    wanted: Duration,
    longest: Duration,
) -> Result<Heard, Failure> {
    let (sender, mut news) = mpsc::channel(256);
    let line = tokio::spawn(link::run(0, scale.clone(), sender));
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
        let message = tokio::time::timeout_at(until.into(), news.recv()).await;
        match message.map(|message| message.map(|message| (message.at, message.news))) {
            Err(_) if opened.is_none() => break Err(Failure::failed("the port does not open")),
            Ok(None) => break Err(Failure::failed("the line's task has ended")),
            Err(_) => break Ok(()),
            Ok(Some((_, LinkNews::Lost(fault)))) => break Err(not_open(&fault)),
            Ok(Some((at, LinkNews::Back { .. }))) => opened = Some(at),
            Ok(Some((at, LinkNews::Bytes(bytes)))) => {
                let since = at.saturating_duration_since(begun).as_micros();
                let at = Moment::from_micros(u64::try_from(since).unwrap_or(u64::MAX));
                heard.listener.hear(at, &bytes);
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
    line.abort();
    // Cancelled, as it should be; now the port is closed.
    let _ = line.await;
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
