//! Who may see the page and press its buttons.
//!
//! The page holds a maker's work and moves it on, and every web page that a browser on this machine
//! shows can send requests to it. So: the `Host` must be an address of ours (a name that somebody
//! else's server points here is none: DNS rebinding), a change must come from our own page (`Origin`,
//! RFC 6454; `Sec-Fetch-Site`), by POST and as JSON, and with a session that only the key opens. Keys
//! and sessions are compared in constant time, and wrong keys are few a minute.

use std::collections::VecDeque;
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::files;

use axum::http::header::{CONTENT_TYPE, COOKIE, HOST, ORIGIN};
use axum::http::{HeaderMap, StatusCode};
use subtle::ConstantTimeEq as _;

/// Browsers that may be let in at a time; the oldest goes.
const MOST_SESSIONS: usize = 16;
/// Wrong keys that may be tried in [`TRY_WINDOW`].
const MOST_TRIES: usize = 10;
const TRY_WINDOW: Duration = Duration::from_secs(60);
/// Changes that may be asked for in [`CHANGE_WINDOW`]: more than any hand presses.
const MOST_CHANGES: usize = 20;
const CHANGE_WINDOW: Duration = Duration::from_secs(5);

/// Why a request is refused: the status and a sentence for the person.
pub type Refusal = (StatusCode, &'static str);

const ELSEWHERE: Refusal = (
    StatusCode::MISDIRECTED_REQUEST,
    "this is no address of the page; bismar page prints it",
);
const FOREIGN: Refusal = (
    StatusCode::FORBIDDEN,
    "another page asked for this; use bismar's own",
);
const NO_JSON: Refusal = (StatusCode::UNSUPPORTED_MEDIA_TYPE, "send JSON");
const NO_SESSION: Refusal = (
    StatusCode::UNAUTHORIZED,
    "type the key that bismar page shows",
);
const WRONG_KEY: Refusal = (
    StatusCode::FORBIDDEN,
    "that is not the key; bismar page shows it",
);
const TOO_MANY: Refusal = (
    StatusCode::TOO_MANY_REQUESTS,
    "too many requests; wait a minute",
);

/// `bytes` random bytes of the system as lower-case hexadecimal digits.
///
/// # Errors
/// When the system gives none.
pub fn random_hex(bytes: usize) -> std::io::Result<String> {
    let mut raw = vec![0u8; bytes];
    getrandom::fill(&mut raw).map_err(std::io::Error::other)?;
    Ok(raw.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// The key and the sessions of a file that [`Guard::keeping`] wrote.
pub fn kept_in(path: &Path) -> (Option<String>, Vec<String>) {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    let mut lines = text.lines().map(str::to_owned);
    (lines.next(), lines.collect())
}

/// Whether this looks like a key of [`random_hex`], 128 bits: half a file is none.
pub fn is_drawn(key: &str) -> bool {
    key.len() == 32 && key.bytes().all(|byte| byte.is_ascii_hexdigit())
}

/// See the module's text.
#[derive(Debug)]
pub struct Guard {
    key: String,
    cookie: String,
    /// `Host` headers that are ours, lower case.
    hosts: Vec<String>,
    inside: Mutex<Inside>,
    /// Where key and sessions are kept over a restart of the daemon; `None` keeps none.
    kept: Option<PathBuf>,
}

#[derive(Debug, Default)]
struct Inside {
    sessions: VecDeque<String>,
    tries: VecDeque<Instant>,
    changes: VecDeque<Instant>,
}

/// Whether one more at `now` is within `most` in `window`; counts it if so.
fn within(seen: &mut VecDeque<Instant>, now: Instant, most: usize, window: Duration) -> bool {
    while seen
        .front()
        .is_some_and(|&at| now.saturating_duration_since(at) >= window)
    {
        seen.pop_front();
    }
    let room = seen.len() < most;
    if room {
        seen.push_back(now);
    }
    room
}

fn same(a: &str, b: &str) -> bool {
    a.as_bytes().ct_eq(b.as_bytes()).into()
}

/// A header's text; `None` where it is missing, there twice, or no ASCII.
fn only<'h>(headers: &'h HeaderMap, name: &axum::http::HeaderName) -> Option<&'h str> {
    let mut values = headers.get_all(name).iter();
    let value = values.next()?.to_str().ok()?;
    values.next().is_none().then_some(value)
}

impl Guard {
    /// For a page at `at`, opened by `key`.
    pub fn new(at: SocketAddr, key: String) -> Guard {
        let port = at.port();
        let mut hosts = vec![match at.ip() {
            IpAddr::V4(ip) => format!("{ip}:{port}"),
            IpAddr::V6(ip) => format!("[{ip}]:{port}"),
        }];
        if at.ip().is_loopback() {
            hosts.push(format!("localhost:{port}"));
        }
        Guard {
            key,
            // Cookies do not keep ports apart.
            cookie: format!("bismar-{port}"),
            hosts,
            inside: Mutex::default(),
            kept: None,
        }
    }

    /// The sessions that were open under this very key, of the file `kept`, go on, and are kept there from
    /// now on. The key is written there as well.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn keeping(mut self, kept: PathBuf) -> std::io::Result<Guard> {
        let (key, sessions) = kept_in(&kept);
        if key.is_some_and(|key| same(&key, &self.key)) {
            let inside = self
                .inside
                .get_mut()
                .unwrap_or_else(PoisonError::into_inner);
            inside
                .sessions
                .extend(sessions.into_iter().take(MOST_SESSIONS));
        }
        self.kept = Some(kept);
        self.keep(&self.inside())?;
        Ok(self)
    }

    fn keep(&self, inside: &Inside) -> std::io::Result<()> {
        let Some(path) = &self.kept else {
            return Ok(());
        };
        let lines = std::iter::once(&self.key).chain(&inside.sessions);
        let text: String = lines.flat_map(|line| [line.as_str(), "\n"]).collect();
        files::write_private(path, &text)
    }

    /// Any request: it must name us as the host.
    ///
    /// # Errors
    /// 421 for another host.
    pub fn host(&self, headers: &HeaderMap) -> Result<(), Refusal> {
        let host = only(headers, &HOST).map(str::to_ascii_lowercase);
        match host {
            Some(host) if self.hosts.contains(&host) => Ok(()),
            _ => Err(ELSEWHERE),
        }
    }

    /// A request that only our own page sends, or a person by the address bar.
    ///
    /// # Errors
    /// 403 where the browser says that another site asked.
    pub fn site(headers: &HeaderMap) -> Result<(), Refusal> {
        match headers.get("sec-fetch-site").map(|site| site.as_bytes()) {
            None | Some(b"same-origin" | b"none") => Ok(()),
            Some(_) => Err(FOREIGN),
        }
    }

    /// A request that changes something: from our own page, as JSON, and not too many.
    ///
    /// # Errors
    /// 403, 415, 429.
    pub fn change(&self, headers: &HeaderMap, now: Instant) -> Result<(), Refusal> {
        Guard::site(headers)?;
        let host = only(headers, &HOST).map(str::to_ascii_lowercase);
        let origin = only(headers, &ORIGIN).and_then(|origin| origin.strip_prefix("http://"));
        match (origin, host) {
            (Some(origin), Some(host)) if origin.eq_ignore_ascii_case(&host) => {}
            _ => return Err(FOREIGN),
        }
        let kind = only(headers, &CONTENT_TYPE).and_then(|kind| kind.split(';').next());
        if kind.map(str::trim) != Some("application/json") {
            return Err(NO_JSON);
        }
        let mut inside = self.inside();
        if !within(&mut inside.changes, now, MOST_CHANGES, CHANGE_WINDOW) {
            return Err(TOO_MANY);
        }
        Ok(())
    }

    /// Lets a browser in that has the key; gives its cookie.
    ///
    /// # Errors
    /// 403 for another key, 429 after too many.
    pub fn enter(&self, key: &str, now: Instant) -> Result<String, Refusal> {
        let mut inside = self.inside();
        if inside.tries.len() >= MOST_TRIES
            && !within(&mut inside.tries.clone(), now, MOST_TRIES, TRY_WINDOW)
        {
            return Err(TOO_MANY);
        }
        if !same(key, &self.key) {
            within(&mut inside.tries, now, MOST_TRIES, TRY_WINDOW);
            return Err(WRONG_KEY);
        }
        let session = random_hex(16).map_err(|_| {
            let text = "the system gives no random numbers; try again";
            (StatusCode::SERVICE_UNAVAILABLE, text)
        })?;
        if inside.sessions.len() >= MOST_SESSIONS {
            inside.sessions.pop_front();
        }
        let cookie = format!(
            "{}={session}; HttpOnly; SameSite=Strict; Path=/",
            self.cookie
        );
        inside.sessions.push_back(session);
        if let Err(error) = self.keep(&inside) {
            tracing::warn!(%error, "a restart of the daemon will ask for the page's key");
        }
        Ok(cookie)
    }

    /// A request that needs a session.
    ///
    /// # Errors
    /// 401 without one.
    pub fn session(&self, headers: &HeaderMap) -> Result<(), Refusal> {
        Guard::site(headers)?;
        let cookies = headers.get_all(COOKIE).iter();
        let cookies = cookies.filter_map(|value| value.to_str().ok());
        let mine = cookies
            .flat_map(|line| line.split(';'))
            .filter_map(|pair| pair.trim().split_once('='))
            .filter(|(name, _)| *name == self.cookie);
        let inside = self.inside();
        for (_, session) in mine {
            // Every one is compared, so that the time tells nothing.
            let known = inside.sessions.iter().map(|known| same(known, session));
            if known.fold(false, |any, one| any | one) {
                return Ok(());
            }
        }
        Err(NO_SESSION)
    }

    fn inside(&self) -> std::sync::MutexGuard<'_, Inside> {
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&str, &str)]) -> HeaderMap {
        let mut map = HeaderMap::new();
        for (name, value) in pairs {
            let name: axum::http::HeaderName = name.parse().unwrap();
            map.append(name, value.parse().unwrap());
        }
        map
    }

    fn guard() -> Guard {
        Guard::new("127.0.0.1:8417".parse().unwrap(), "secret".into())
    }

    #[test]
    fn only_our_own_addresses_are_hosts() {
        let guard = guard();
        for host in ["127.0.0.1:8417", "LocalHost:8417"] {
            assert_eq!(guard.host(&headers(&[("host", host)])), Ok(()), "{host}");
        }
        for host in ["evil.example:8417", "127.0.0.1", "127.0.0.1:80", ""] {
            assert_eq!(
                guard.host(&headers(&[("host", host)])),
                Err(ELSEWHERE),
                "{host}"
            );
        }
        assert_eq!(guard.host(&headers(&[])), Err(ELSEWHERE));
        let twice = [("host", "127.0.0.1:8417"), ("host", "evil.example")];
        assert_eq!(guard.host(&headers(&twice)), Err(ELSEWHERE));
    }

    #[test]
    fn a_change_comes_from_our_own_page_as_json() {
        let guard = guard();
        let now = Instant::now();
        let own = [
            ("host", "127.0.0.1:8417"),
            ("origin", "http://127.0.0.1:8417"),
            ("content-type", "application/json"),
        ];
        assert_eq!(guard.change(&headers(&own), now), Ok(()));
        for (spoilt, value, refused) in [
            ("origin", "http://evil.example", FOREIGN),
            ("origin", "null", FOREIGN),
            ("origin", "https://127.0.0.1:8417", FOREIGN),
            ("origin", "http://localhost:8417", FOREIGN),
            ("content-type", "text/plain", NO_JSON),
        ] {
            let changed = own.map(|(name, old)| (name, if name == spoilt { value } else { old }));
            assert_eq!(
                guard.change(&headers(&changed), now),
                Err(refused),
                "{value}"
            );
        }
        assert_eq!(guard.change(&headers(&own[..1]), now), Err(FOREIGN));
        let cross = [own[0], own[1], own[2], ("sec-fetch-site", "cross-site")];
        assert_eq!(guard.change(&headers(&cross), now), Err(FOREIGN));
    }

    #[test]
    fn the_key_opens_a_session_and_few_wrong_ones_are_heard() {
        let guard = guard();
        let now = Instant::now();
        let cookie = guard.enter("secret", now).unwrap();
        assert!(cookie.contains("HttpOnly; SameSite=Strict"), "{cookie}");
        let pair = cookie.split(';').next().unwrap().to_owned();
        assert_eq!(guard.session(&headers(&[("cookie", &pair)])), Ok(()));
        let others = format!("a=b; {pair}; c=d");
        assert_eq!(guard.session(&headers(&[("cookie", &others)])), Ok(()));
        for wrong in ["", "bismar-8417=", "bismar-8417=00", "bismar-80=1"] {
            let refused = guard.session(&headers(&[("cookie", wrong)]));
            assert_eq!(refused, Err(NO_SESSION), "{wrong}");
        }
        for _ in 0..MOST_TRIES {
            assert_eq!(guard.enter("guess", now), Err(WRONG_KEY));
        }
        assert_eq!(guard.enter("guess", now), Err(TOO_MANY));
        // Nor the right one: the answer must not tell.
        assert_eq!(guard.enter("secret", now), Err(TOO_MANY));
        assert!(guard.enter("secret", now + TRY_WINDOW).is_ok());
    }

    #[test]
    fn the_oldest_session_goes() {
        let guard = guard();
        let now = Instant::now();
        let first = guard.enter("secret", now).unwrap();
        let pair = first.split(';').next().unwrap().to_owned();
        for _ in 0..MOST_SESSIONS {
            guard.enter("secret", now).unwrap();
        }
        assert_eq!(
            guard.session(&headers(&[("cookie", &pair)])),
            Err(NO_SESSION)
        );
    }
}
