//! Who may see the page and press its buttons.
//!
//! The page holds a maker's work and moves it on, and every web page that a browser on this machine
//! shows can send requests to it. So: the `Host` must be an address of ours (a name that somebody
//! else's server points here is none: DNS rebinding), a change must come from our own page (`Origin`,
//! RFC 6454; `Sec-Fetch-Site`), by POST and as JSON, and with a session that only the key opens. Keys
//! and sessions are compared in constant time, and wrong keys are few a minute from each address.
//!
//! A session is a header that our script alone sets, from its own storage. No cookie: cookies are one store
//! for all ports of a host (RFC 6265, 8.5), so a browser hands ours to another user's server on another port
//! of this machine. `SameSite` looks at the site, which has no port; `HttpOnly` keeps scripts away, not
//! servers; the `__Secure-` and `__Host-` prefixes bind a cookie to https, the host and the path, and to no
//! port either. Storage (WHATWG HTML, 12.2) belongs to an origin, and an origin has a port (RFC 6454, 4).

use std::collections::{HashMap, VecDeque};
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::files;
use crate::language::{Term, term};

use axum::http::header::{CONTENT_TYPE, HOST, ORIGIN};
use axum::http::{HeaderMap, HeaderName, StatusCode};
use subtle::ConstantTimeEq as _;

use super::passes::{self, Clocks, Passes};
use super::peer::Who;

/// For whom a proxy asks: each that passed the request on has added whom it had it from, the last at the
/// end (common practice, older than RFC 7239).
const FORWARDED: HeaderName = HeaderName::from_static("x-forwarded-for");
/// Where a request carries its session.
pub const SESSION: HeaderName = HeaderName::from_static("bismar-session");
/// Its bytes; as text two digits each.
const SESSION_BYTES: usize = 32;

/// Browsers that may be let in at a time; the oldest goes.
const MOST_SESSIONS: usize = 16;
/// Wrong keys that may be tried in [`TRY_WINDOW`], by each who tries.
const MOST_TRIES: usize = 10;
/// Wrong keys of all who come through one proxy: whom it names is its word alone, and with
/// `other_users` any user of this machine can speak so.
const MOST_BROUGHT: usize = 10 * MOST_TRIES;
const TRY_WINDOW: Duration = Duration::from_secs(60);
/// Those whose wrong keys are counted at a time.
const MOST_TRYING: usize = 1024;
/// Changes that each session may ask for in [`CHANGE_WINDOW`]: more than any hand presses.
const MOST_CHANGES: usize = 20;
const CHANGE_WINDOW: Duration = Duration::from_secs(5);

/// Why a request is refused: the status and a sentence for the person.
pub type Refusal = (StatusCode, Term);

const ELSEWHERE: Refusal = (
    StatusCode::MISDIRECTED_REQUEST,
    term!("this is no address of the page; bismar page prints it"),
);
const FOREIGN: Refusal = (
    StatusCode::FORBIDDEN,
    term!("another page asked for this; use bismar's own"),
);
const HOST_CHANGED: Refusal = (
    StatusCode::FORBIDDEN,
    term!(
        "the proxy in front of this page changed Host on the way; it must pass it on as it came (README)"
    ),
);
const NO_JSON: Refusal = (StatusCode::UNSUPPORTED_MEDIA_TYPE, term!("send JSON"));
const NO_SESSION: Refusal = (
    StatusCode::UNAUTHORIZED,
    term!("type the key that bismar page shows"),
);
const WRONG_KEY: Refusal = (
    StatusCode::FORBIDDEN,
    term!("that is not the key; bismar page shows it"),
);
const NO_PASS: Refusal = (
    StatusCode::FORBIDDEN,
    term!(
        "that code is good no more: each lets one browser in, once, within five minutes; show a new one"
    ),
);
const TOO_MANY: Refusal = (
    StatusCode::TOO_MANY_REQUESTS,
    term!("too many requests; wait a minute"),
);
/// For another user of this machine.
pub const OTHER_USER: Refusal = (
    StatusCode::FORBIDDEN,
    term!(
        "this page belongs to another user of this machine, who can open it to you with other_users = true \
     under [page] in bismar's configuration"
    ),
);

/// The key and the sessions of a file that [`Guard::keeping`] wrote.
pub fn kept_in(path: &Path) -> (Option<String>, Vec<String>) {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    let mut lines = text.lines().map(str::to_owned);
    (lines.next(), lines.collect())
}

/// Whether this looks like a key of [`crate::files::random_hex`], 128 bits: half a file is none.
pub fn is_drawn(key: &str) -> bool {
    is_hex(key, 16)
}

fn is_hex(text: &str, bytes: usize) -> bool {
    text.len() == 2 * bytes && text.bytes().all(|byte| byte.is_ascii_hexdigit())
}

/// See the module's text.
#[derive(Debug)]
pub struct Guard {
    key: String,
    places: Vec<Place>,
    inside: Mutex<Inside>,
    passes: Arc<Passes>,
    /// Whether a proxy shows the page, which tells for whom it asks.
    proxied: bool,
    /// Where key and sessions are kept over a restart of the daemon; `None` keeps none.
    kept: Option<PathBuf>,
}

/// An address of ours: the `Host` that names it, lower case, and the `Origin` of a page from there.
#[derive(Debug)]
struct Place {
    host: String,
    origin: String,
}

impl Place {
    /// Of `origin` (`https://bench.example:8443`). A browser leaves out the port that its scheme has by itself
    /// (WHATWG URL, 4.4).
    fn of(origin: &str) -> Option<Place> {
        let origin = origin.to_ascii_lowercase();
        let (scheme, host) = origin.split_once("://")?;
        let own = match scheme {
            "https" => ":443",
            _ => ":80",
        };
        let host = host.strip_suffix(own).unwrap_or(host).to_owned();
        let origin = format!("{scheme}://{host}");
        Some(Place { host, origin })
    }
}

#[derive(Debug, Default)]
struct Inside {
    last: u64,
    sessions: VecDeque<Session>,
    tries: HashMap<Who, VecDeque<Instant>>,
}

#[derive(Debug)]
struct Session {
    number: u64,
    token: String,
    changes: VecDeque<Instant>,
}

impl Inside {
    fn open(&mut self, token: String) {
        if self.sessions.len() >= MOST_SESSIONS {
            self.sessions.pop_front();
        }
        self.last += 1;
        self.sessions.push_back(Session {
            number: self.last,
            token,
            changes: VecDeque::new(),
        });
    }

    /// The wrong keys of `who`. When too many try, those who wait longest are forgotten.
    fn tries(&mut self, who: Who, now: Instant) -> &mut VecDeque<Instant> {
        if self.tries.len() >= MOST_TRYING && !self.tries.contains_key(&who) {
            let recent = |tries: &VecDeque<Instant>| {
                let last = tries.back();
                last.is_some_and(|&at| now.saturating_duration_since(at) < TRY_WINDOW)
            };
            self.tries.retain(|_, tries| recent(tries));
            let oldest = self.tries.iter().min_by_key(|(_, tries)| tries.back());
            if let Some(oldest) = oldest.map(|(&who, _)| who)
                && self.tries.len() >= MOST_TRYING
            {
                self.tries.remove(&oldest);
            }
        }
        self.tries.entry(who).or_default()
    }
}

/// Whether one more at `now` is within `most` in `window`.
fn has_room(seen: &mut VecDeque<Instant>, now: Instant, most: usize, window: Duration) -> bool {
    while seen
        .front()
        .is_some_and(|&at| now.saturating_duration_since(at) >= window)
    {
        seen.pop_front();
    }
    seen.len() < most
}

/// Compares in a time that tells nothing but the length.
pub(super) fn same(a: &str, b: &str) -> bool {
    a.as_bytes().ct_eq(b.as_bytes()).into()
}

/// A header's text; `None` where it is missing, there twice, or no ASCII.
fn only<'h>(headers: &'h HeaderMap, name: &HeaderName) -> Option<&'h str> {
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
        let place = |host: String| Place::of(&format!("http://{host}"));
        Guard {
            key,
            places: hosts.into_iter().filter_map(place).collect(),
            inside: Mutex::default(),
            passes: Arc::new(Passes::new(format!("http://{at}"))),
            proxied: false,
            kept: None,
        }
    }

    /// A reverse proxy shows the page at `origin` (`https://bench.example`) too.
    #[must_use]
    pub fn shown_at(mut self, origin: &str) -> Guard {
        self.places.extend(Place::of(origin));
        self.passes = Arc::new(Passes::new(origin.to_owned()));
        self.proxied = true;
        self
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
            // What was a cookie once, in a file of an older version, is half as long.
            for token in sessions {
                if is_hex(&token, SESSION_BYTES) {
                    inside.open(token);
                }
            }
        }
        self.kept = Some(kept);
        self.keep(&self.inside())?;
        Ok(self)
    }

    /// What lets one browser in besides the key.
    pub fn passes(&self) -> &Arc<Passes> {
        &self.passes
    }

    fn keep(&self, inside: &Inside) -> std::io::Result<()> {
        let Some(path) = &self.kept else {
            return Ok(());
        };
        let tokens = inside.sessions.iter().map(|session| &session.token);
        let lines = std::iter::once(&self.key).chain(tokens);
        let text: String = lines.flat_map(|line| [line.as_str(), "\n"]).collect();
        files::replace_unsynced(path, &text)
    }

    fn place(&self, headers: &HeaderMap) -> Result<&Place, Refusal> {
        let host = only(headers, &HOST).map(str::to_ascii_lowercase);
        let place = host.and_then(|host| self.places.iter().find(|place| place.host == host));
        place.ok_or(ELSEWHERE)
    }

    /// Any request: it must name us as the host.
    ///
    /// # Errors
    /// 421 for another host.
    pub fn host(&self, headers: &HeaderMap) -> Result<(), Refusal> {
        self.place(headers).map(|_| ())
    }

    /// A request that only our own page sends, or a person by the address bar.
    ///
    /// # Errors
    /// 403 where the browser says that another site asked.
    fn site(headers: &HeaderMap) -> Result<(), Refusal> {
        match headers.get("sec-fetch-site").map(|site| site.as_bytes()) {
            None | Some(b"same-origin" | b"none") => Ok(()),
            Some(_) => Err(FOREIGN),
        }
    }

    /// A request from our own page, as JSON.
    fn own(&self, headers: &HeaderMap) -> Result<(), Refusal> {
        Guard::site(headers)?;
        let place = self.place(headers).map_err(|_| FOREIGN)?;
        match only(headers, &ORIGIN) {
            Some(origin) if origin.eq_ignore_ascii_case(&place.origin) => {}
            // From our page as the proxy shows it, and to another address of ours.
            Some(origin) if self.is_the_proxy_s(origin) => return Err(HOST_CHANGED),
            _ => return Err(FOREIGN),
        }
        let kind = only(headers, &CONTENT_TYPE).and_then(|kind| kind.split(';').next());
        if kind.map(str::trim) != Some("application/json") {
            return Err(NO_JSON);
        }
        Ok(())
    }

    fn is_the_proxy_s(&self, origin: &str) -> bool {
        let last = self.places.last().filter(|_| self.proxied);
        last.is_some_and(|place| place.origin.eq_ignore_ascii_case(origin))
    }

    /// Whom a proxy on this machine asks for, where it says that.
    fn brought(&self, headers: &HeaderMap, who: Who) -> Option<Who> {
        if !self.proxied || !who.is_here() {
            return None;
        }
        let all = headers.get_all(FORWARDED).iter().next_back()?;
        let last = all.to_str().ok()?.rsplit(',').next()?.trim();
        let bare = || last.trim_matches(['[', ']']).parse().ok();
        let ip = last.parse().map(|at: SocketAddr| at.ip()).ok();
        Some(who.behind(ip.or_else(bare)?))
    }

    /// Whether the key, or a pass, is right; a pass is used up by it.
    fn opens(&self, key: &str, now: Instant) -> Result<(), Refusal> {
        let (right, refusal) = match key.strip_prefix(passes::PREFIX) {
            Some(word) => (self.passes.take(word, Clocks::at(now)), NO_PASS),
            None => (same(key, &self.key), WRONG_KEY),
        };
        match right {
            true => Ok(()),
            false => Err(refusal),
        }
    }

    /// Lets a browser in that has the key or a pass; gives its session's token. One that is in already stays in
    /// its own session, so that however often it comes by a pass, nobody else's is the oldest. What `who` tries is
    /// no one else's loss.
    ///
    /// # Errors
    /// 403 for another page or another key, 415, 429 after too many.
    pub fn enter(
        &self,
        headers: &HeaderMap,
        key: &str,
        who: Who,
        now: Instant,
    ) -> Result<String, Refusal> {
        self.own(headers)?;
        let held = self.session(headers).ok();
        let mut inside = self.inside();
        let counted = match self.brought(headers, who) {
            Some(brought) => vec![(brought, MOST_TRIES), (who.through(), MOST_BROUGHT)],
            None => vec![(who, MOST_TRIES)],
        };
        let mut all = counted.iter();
        if !all.all(|&(who, most)| has_room(inside.tries(who, now), now, most, TRY_WINDOW)) {
            return Err(TOO_MANY);
        }
        if let Err(refusal) = self.opens(key, now) {
            for (who, _) in counted {
                inside.tries(who, now).push_back(now);
            }
            return Err(refusal);
        }
        let held = inside.sessions.iter().find(|one| Some(one.number) == held);
        if let Some(held) = held {
            return Ok(held.token.clone());
        }
        let token = crate::files::random_hex(SESSION_BYTES).map_err(|_| {
            let text = term!("the system gives no random numbers; try again");
            (StatusCode::SERVICE_UNAVAILABLE, text)
        })?;
        inside.open(token.clone());
        if let Err(error) = self.keep(&inside) {
            tracing::warn!(%error, "a restart of the daemon will ask for the page's key");
        }
        Ok(token)
    }

    /// A request that needs a session; gives its number.
    ///
    /// # Errors
    /// 401 without one, 403 for another page.
    pub fn session(&self, headers: &HeaderMap) -> Result<u64, Refusal> {
        Guard::site(headers)?;
        let token = only(headers, &SESSION).ok_or(NO_SESSION)?;
        // Every one is compared, so that the time tells nothing.
        let found = self.inside().sessions.iter().fold(None, |found, session| {
            match same(&session.token, token) {
                true => Some(session.number),
                false => found,
            }
        });
        found.ok_or(NO_SESSION)
    }

    /// A request that changes something: with a session, from our own page, as JSON, and not too many.
    ///
    /// # Errors
    /// 401, 403, 415, 429.
    pub fn change(&self, headers: &HeaderMap, now: Instant) -> Result<(), Refusal> {
        let number = self.session(headers)?;
        self.own(headers)?;
        let mut inside = self.inside();
        let mut sessions = inside.sessions.iter_mut();
        let changes = sessions.find(|session| session.number == number);
        let changes = &mut changes.ok_or(NO_SESSION)?.changes;
        if !has_room(changes, now, MOST_CHANGES, CHANGE_WINDOW) {
            return Err(TOO_MANY);
        }
        changes.push_back(now);
        Ok(())
    }

    fn inside(&self) -> std::sync::MutexGuard<'_, Inside> {
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::display::peer::Owner;

    fn headers(pairs: &[(&str, &str)]) -> HeaderMap {
        let mut map = HeaderMap::new();
        for (name, value) in pairs {
            let name: HeaderName = name.parse().unwrap();
            map.append(name, value.parse().unwrap());
        }
        map
    }

    fn guard() -> Guard {
        Guard::new("127.0.0.1:8417".parse().unwrap(), "secret".into())
    }

    fn who(last: u8) -> Who {
        Who::new([192, 0, 2, last].into(), Owner::Untold)
    }

    const OWN: [(&str, &str); 3] = [
        ("host", "127.0.0.1:8417"),
        ("origin", "http://127.0.0.1:8417"),
        ("content-type", "application/json"),
    ];

    fn enter(guard: &Guard, key: &str, who: Who, now: Instant) -> Result<String, Refusal> {
        guard.enter(&headers(&OWN), key, who, now)
    }

    /// What a press of the page that has `token` sends.
    fn press(token: &str) -> HeaderMap {
        let mut press = headers(&OWN);
        press.insert(SESSION, token.parse().unwrap());
        press
    }

    #[test]
    fn only_our_own_addresses_are_hosts() {
        let guard = guard().shown_at("https://bench.example");
        for host in ["127.0.0.1:8417", "LocalHost:8417", "bench.example"] {
            assert_eq!(guard.host(&headers(&[("host", host)])), Ok(()), "{host}");
        }
        for host in [
            "evil.example:8417",
            "127.0.0.1",
            "127.0.0.1:80",
            "",
            "bench.example:8417",
        ] {
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
        let guard = guard().shown_at("https://bench.example");
        let now = Instant::now();
        let token = enter(&guard, "secret", who(1), now).unwrap();
        assert_eq!(guard.change(&press(&token), now), Ok(()));
        assert_eq!(guard.change(&headers(&OWN), now), Err(NO_SESSION));
        for (spoilt, value, refused) in [
            ("origin", "http://evil.example", FOREIGN),
            ("origin", "null", FOREIGN),
            ("origin", "https://127.0.0.1:8417", FOREIGN),
            ("origin", "http://localhost:8417", FOREIGN),
            ("origin", "https://bench.example", HOST_CHANGED),
            ("host", "bench.example", FOREIGN),
            ("content-type", "text/plain", NO_JSON),
            ("sec-fetch-site", "cross-site", FOREIGN),
            ("sec-fetch-site", "same-site", FOREIGN),
        ] {
            let mut changed = press(&token);
            let name: HeaderName = spoilt.parse().unwrap();
            changed.insert(&name, value.parse().unwrap());
            assert_eq!(guard.change(&changed, now), Err(refused), "{value}");
            if spoilt != "origin" && spoilt != "host" {
                continue;
            }
            changed.remove(name);
            assert_eq!(guard.change(&changed, now), Err(FOREIGN), "no {spoilt}");
        }
        let mut outside = press(&token);
        outside.insert(HOST, "bench.example".parse().unwrap());
        outside.insert(ORIGIN, "https://bench.example".parse().unwrap());
        assert_eq!(guard.change(&outside, now), Ok(()));
    }

    #[test]
    fn the_key_opens_a_session_and_few_wrong_ones_are_heard_from_each() {
        let guard = guard();
        let now = Instant::now();
        let token = enter(&guard, "secret", who(1), now).unwrap();
        assert!(is_hex(&token, SESSION_BYTES));
        assert!(guard.session(&press(&token)).is_ok());
        // No cookie opens anything, whatever is in it.
        let cookie = headers(&[("cookie", &format!("bismar-8417={token}"))]);
        assert_eq!(guard.session(&cookie), Err(NO_SESSION));
        let mut twice = press(&token);
        twice.append(SESSION, token.parse().unwrap());
        assert_eq!(guard.session(&twice), Err(NO_SESSION));
        for wrong in ["", "00", &token[1..], &format!("{token}0")] {
            assert_eq!(guard.session(&press(wrong)), Err(NO_SESSION), "{wrong}");
        }
        for _ in 0..MOST_TRIES {
            assert_eq!(enter(&guard, "guess", who(1), now), Err(WRONG_KEY));
        }
        assert_eq!(enter(&guard, "guess", who(1), now), Err(TOO_MANY));
        // Nor the right one: the answer must not tell.
        assert_eq!(enter(&guard, "secret", who(1), now), Err(TOO_MANY));
        assert!(enter(&guard, "secret", who(2), now).is_ok());
        assert!(enter(&guard, "secret", who(1), now + TRY_WINDOW).is_ok());
    }

    #[test]
    fn a_pass_opens_one_session_and_a_bad_one_is_counted_as_a_wrong_key_is() {
        let guard = guard();
        let now = Instant::now();
        let first = enter(&guard, "secret", who(1), now).unwrap();
        let link = guard.passes().give(Clocks::at(now)).unwrap();
        let (origin, pass) = link.split_once("/#").unwrap();
        assert_eq!(origin, "http://127.0.0.1:8417");
        // From another page it is not even used up.
        let mut foreign = headers(&OWN);
        foreign.insert(ORIGIN, "http://evil.example".parse().unwrap());
        let refused = guard.enter(&foreign, pass, who(2), now);
        assert_eq!(refused, Err(FOREIGN));
        let second = enter(&guard, pass, who(2), now).unwrap();
        assert_ne!(first, second);
        assert!(guard.session(&press(&first)).is_ok() && guard.session(&press(&second)).is_ok());
        for _ in 0..MOST_TRIES {
            assert_eq!(enter(&guard, pass, who(2), now), Err(NO_PASS));
        }
        assert_eq!(enter(&guard, "secret", who(2), now), Err(TOO_MANY));
        // Nor is a good one used up by who is not heard.
        let link = guard.passes().give(Clocks::at(now)).unwrap();
        let (_, pass) = link.split_once("/#").unwrap();
        assert_eq!(enter(&guard, pass, who(2), now), Err(TOO_MANY));
        assert!(enter(&guard, pass, who(3), now).is_ok());
        let proxied = Guard::new("127.0.0.1:8417".parse().unwrap(), "secret".into())
            .shown_at("https://bench.example");
        let link = proxied.passes().give(Clocks::at(now)).unwrap();
        assert!(link.starts_with("https://bench.example/#once-"), "{link}");
    }

    #[test]
    fn strangers_behind_a_proxy_use_up_their_own_tries() {
        let guard = guard().shown_at("https://bench.example");
        let now = Instant::now();
        let proxy = Who::new([127, 0, 0, 1].into(), Owner::User(33));
        let from = |forwarded: &str, key| {
            let mut heads = headers(&OWN);
            heads.insert(HOST, "bench.example".parse().unwrap());
            heads.insert(ORIGIN, "https://bench.example".parse().unwrap());
            heads.append(FORWARDED, forwarded.parse().unwrap());
            guard.enter(&heads, key, proxy, now).map(|_| ())
        };
        // What a stranger writes in front of what the proxy adds makes nobody else of them.
        for n in 0..MOST_TRIES {
            let forged = format!("198.51.100.{n}, 192.0.2.66");
            assert_eq!(from(&forged, "guess"), Err(WRONG_KEY));
        }
        for same in ["192.0.2.66", "203.0.113.5,192.0.2.66", "192.0.2.66:5123"] {
            assert_eq!(from(same, "secret"), Err(TOO_MANY), "{same}");
        }
        for maker in ["192.0.2.7", "127.0.0.1", "[2001:db8::1]:443", "2001:db8::1"] {
            assert_eq!(from(maker, "secret"), Ok(()), "{maker}");
        }
        // A user of this machine who speaks as a proxy does is not heard for ever.
        let mut heard = 0;
        for n in 0..250 {
            heard += usize::from(from(&format!("10.0.0.{n}"), "guess") == Err(WRONG_KEY));
        }
        assert_eq!(heard, MOST_BROUGHT - MOST_TRIES);
        assert!(enter(&guard, "secret", who(1), now).is_ok());
    }

    #[test]
    fn without_a_proxy_on_this_machine_nobody_is_believed_to_be_another() {
        let now = Instant::now();
        let proxied = || guard().shown_at("https://bench.example");
        let here = Who::new([127, 0, 0, 1].into(), Owner::Untold);
        for (guard, who) in [(guard(), here), (proxied(), who(1))] {
            let mut last = Ok(String::new());
            for n in 0..=MOST_TRIES {
                let mut heads = headers(&OWN);
                heads.insert(FORWARDED, format!("192.0.2.{n}").parse().unwrap());
                last = guard.enter(&heads, "guess", who, now);
            }
            assert_eq!(last, Err(TOO_MANY));
        }
    }

    #[test]
    fn the_port_that_a_browser_leaves_out_is_none() {
        let at = Guard::new("127.0.0.1:80".parse().unwrap(), "secret".into());
        let guard = at.shown_at("https://bench.example:443");
        for host in ["127.0.0.1", "localhost", "bench.example"] {
            assert_eq!(guard.host(&headers(&[("host", host)])), Ok(()), "{host}");
        }
    }

    #[test]
    fn however_many_try_keys_the_memory_of_them_is_bounded() {
        let guard = guard();
        let now = Instant::now();
        for n in 0..3000_u32 {
            let [_, _, a, b] = n.to_be_bytes();
            let who = Who::new([10, 0, a, b].into(), Owner::Untold);
            let now = now + Duration::from_millis(u64::from(n));
            assert_eq!(enter(&guard, "guess", who, now), Err(WRONG_KEY));
        }
        assert!(guard.inside().tries.len() <= MOST_TRYING);
    }

    #[test]
    fn what_one_session_presses_is_no_one_else_s_loss() {
        let guard = guard();
        let now = Instant::now();
        let busy = enter(&guard, "secret", who(1), now).unwrap();
        let maker = enter(&guard, "secret", who(1), now).unwrap();
        for _ in 0..MOST_CHANGES {
            assert_eq!(guard.change(&press(&busy), now), Ok(()));
        }
        assert_eq!(guard.change(&press(&busy), now), Err(TOO_MANY));
        for _ in 0..500 {
            let refused = guard.change(&press("guess"), now);
            assert_eq!(refused, Err(NO_SESSION));
        }
        assert_eq!(guard.change(&press(&maker), now), Ok(()));
        assert_eq!(guard.change(&press(&busy), now + CHANGE_WINDOW), Ok(()));
    }

    #[test]
    fn who_comes_again_by_a_pass_is_in_its_own_session_and_throws_nobody_out() {
        let guard = guard();
        let now = Instant::now();
        let tablet = enter(&guard, "secret", who(2), now).unwrap();
        let maker = enter(&guard, "secret", who(1), now).unwrap();
        for other in 10..42 {
            let link = guard.passes().give(Clocks::at(now)).unwrap();
            let (_, pass) = link.split_once("/#").unwrap();
            let again = guard.enter(&press(&maker), pass, who(1), now);
            assert_eq!(again.as_ref(), Ok(&maker));
            // It is used up all the same.
            assert_eq!(enter(&guard, pass, who(other), now), Err(NO_PASS));
        }
        assert!(guard.session(&press(&tablet)).is_ok());
        // A session that was none gets a new one.
        let other = guard.enter(&press("guess"), "secret", who(1), now);
        assert_ne!(other.unwrap(), maker);
    }

    #[test]
    fn the_oldest_session_goes() {
        let guard = guard();
        let now = Instant::now();
        let first = enter(&guard, "secret", who(1), now).unwrap();
        for _ in 0..MOST_SESSIONS {
            enter(&guard, "secret", who(1), now).unwrap();
        }
        assert_eq!(guard.session(&press(&first)), Err(NO_SESSION));
    }
}
