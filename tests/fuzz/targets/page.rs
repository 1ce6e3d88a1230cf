//! Bytes at the page's door and behind it: what a browser may send, and what none would. `{session}` stands
//! for a session that was let in, `{n}` for the length of what follows the head.
#![no_main]

use std::sync::LazyLock;
use std::time::{Duration, Instant};

use axum::http::HeaderMap;
use bismar::config::{Config, Holder};
use bismar::display::guard::Guard;
use bismar::display::peer::{Owner, Who};
use bismar::display::{Answers, Context};
use libfuzzer_sys::fuzz_target;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, duplex};
use tokio::sync::mpsc;

const AT: &str = "127.0.0.1:8417";
const FORMULA: &str = "[formula]\nname = \"Marram soak\"\nversion = 1\n[[phase]]\nname = \"Dry\"\n\
    [[phase.ingredient]]\nname = \"Sea salt\"\npercent = 60\n[[phase.ingredient]]\nname = \"Oats\"\nbalance = true\n";

static HOME: LazyLock<tempfile::TempDir> = LazyLock::new(|| {
    let home = tempfile::tempdir().expect("a folder");
    for folder in ["logs", "formulas"] {
        std::fs::create_dir(home.path().join(folder)).expect("a folder");
    }
    std::fs::write(home.path().join("formulas/soak.toml"), FORMULA).expect("a formula");
    home
});

static RUNTIME: LazyLock<tokio::runtime::Runtime> = LazyLock::new(|| {
    let mut builder = tokio::runtime::Builder::new_current_thread();
    builder.enable_all().build().expect("a runtime")
});

fn replaced(data: &[u8], what: &str, with: &str) -> Vec<u8> {
    let Some(at) = data.windows(what.len()).position(|part| part == what.as_bytes()) else {
        return data.to_vec();
    };
    let (before, after) = (&data[..at], &data[at + what.len()..]);
    [before, with.as_bytes(), after].concat()
}

fuzz_target!(|data: &[u8]| {
    let who = Who::new([127, 0, 0, 1].into(), Owner::Untold);
    let guard = Guard::new(AT.parse().expect("an address"), "samphire0thrift7".into());
    let mut headers = HeaderMap::new();
    for (name, value) in [("host", AT), ("origin", "http://127.0.0.1:8417"), ("content-type", "application/json")] {
        headers.insert(name, value.parse().expect("a header"));
    }
    let session = guard.enter(&headers, "samphire0thrift7", who, Instant::now()).expect("the key");
    let body = data.windows(4).position(|part| part == b"\r\n\r\n").map_or(0, |at| data.len() - at - 4);
    let bytes = replaced(&replaced(data, "{session}", &session), "{n}", &body.to_string());

    let config = Config {
        log_dir: Some(HOME.path().join("logs")),
        formula_dir: Some(HOME.path().join("formulas")),
        ..Config::default()
    };
    let said = RUNTIME.block_on(async {
        let holder = Holder::new(config);
        // A daemon that answers nothing: each call's reply is dropped.
        let (calls, mut heard) = mpsc::channel(8);
        let daemon = tokio::spawn(async move { while heard.recv().await.is_some() {} });
        let lots = HOME.path().join("lots.toml");
        let answers = Answers::new(guard, calls, Context::new(holder.held(), None, Some(lots)), None);
        let (mut browser, page) = duplex(1 << 16);
        let talk = tokio::spawn(answers.talk(page, who, false, &Default::default()));
        let _ = browser.write_all(&bytes).await;
        let _ = browser.shutdown().await;
        let mut said = Vec::new();
        let _ = tokio::time::timeout(Duration::from_secs(3), browser.read_to_end(&mut said)).await;
        talk.abort();
        daemon.abort();
        said
    });
    assert!(said.is_empty() || said.starts_with(b"HTTP/1."), "{:?}", String::from_utf8_lossy(&said));
    // Who shows no session gets a page to type the key into, and nothing of the bench.
    if !data.windows(9).any(|part| part == b"{session}") {
        let text = String::from_utf8_lossy(&said);
        assert!(!text.contains("Marram soak"), "{text}");
    }
});
