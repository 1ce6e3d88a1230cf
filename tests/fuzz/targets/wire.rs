//! What the broker hands on, to the gatherer, to who looks at all benches, and to a bench: some messages one after the
//! other, with a seal, with a wrong one and without. `kind place seal more length text` each: one byte for each of the
//! first four, two for the length.
//!
//! Nothing panics; what is gathered is whole rows of good logs, in the folders of the benches that are named and nowhere
//! else; and without a seal nothing is taken.
#![no_main]

use std::path::Path;

use bismar::journal::read::scan::scan_file;
use bismar::wire::benches::{Benches, Moment};
use bismar::wire::intake::{Intake, Then, take};
use bismar::wire::joined::Joined;
use bismar::wire::message::{Ask, GATHERER, Kind, Message, RowMessage, handed, sealed, topic};
use bismar::wire::seal::Key;
use bismar::wire::shelf::Shelf;
use bismar::wire::tail::Tail;
use libfuzzer_sys::fuzz_target;

const WORKSHOP: &str = "saltmarsh";
const BENCHES: [&str; 2] = ["bench-1", "bench-2"];
const ID: &str = "0123456789abcdef0123456789abcdef";
const LOG: &str = "soak";

/// One message, and whether this workshop's key made it.
fn next(data: &mut &[u8], key: &Key, chain: &mut u64) -> Option<(String, Vec<(String, String)>, Vec<u8>, bool)> {
    let (head, rest) = data.split_at_checked(6)?;
    let &[kind, place, seal, more, high, low] = head else {
        return None;
    };
    let length = usize::from(u16::from_be_bytes([high, low])).min(rest.len());
    let (text, rest) = rest.split_at(length);
    *data = rest;
    let text = text.to_vec();
    let kind = Kind::ALL[usize::from(kind) % Kind::ALL.len()];
    let bench = match place % 8 {
        0 => GATHERER,
        1 => "stranger",
        2 => "..",
        other => BENCHES[usize::from(other) % 2],
    };
    let mut topic = match place {
        250.. => String::from_utf8_lossy(&text).into_owned(),
        249 => handed(WORKSHOP),
        _ => topic(WORKSHOP, bench, kind),
    };
    if kind == Kind::Taken {
        topic.push_str(&format!("/{more:016x}"));
    }
    let mut about = match kind {
        Kind::Row => {
            // Mostly the row that comes next.
            *chain += 1;
            let row = match more {
                0..128 => *chain,
                255 => u64::MAX,
                other => u64::from(other),
            };
            let (log, id) = (LOG.to_owned(), ID.to_owned());
            let line = text.clone();
            RowMessage { log, row, id, line }.properties(WORKSHOP, bench, key)
        }
        _ => sealed(kind, WORKSHOP, bench, &text, key),
    };
    let ours = match seal % 8 {
        0 => {
            about.clear();
            false
        }
        1 => {
            about.iter_mut().for_each(|(_, value)| value.push('0'));
            false
        }
        2 => {
            about.extend(about.clone());
            false
        }
        _ => true,
    };
    Some((topic, about, text, ours))
}

/// Every log of the folder reads to its end; nothing else lies there but what belongs.
fn proved(folder: &Path) -> u64 {
    let mut rows = 0;
    for entry in std::fs::read_dir(folder).expect("the folder") {
        let path = entry.expect("an entry").path();
        let name = path.file_name().and_then(|name| name.to_str()).expect("a name").to_owned();
        if name == "gather.lock" {
            continue;
        }
        assert!(BENCHES.contains(&name.as_str()), "{name}");
        for entry in std::fs::read_dir(&path).expect("the folder of a bench") {
            let path = entry.expect("an entry").path();
            match path.file_name().and_then(|name| name.to_str()) {
                Some("bench.id" | "refused.jsonl") => continue,
                Some("soak.csv") => {}
                other => panic!("{other:?}"),
            }
            let mut scan = scan_file(&path).expect("a log");
            while scan.next_row().expect("a good row").is_some() {
                rows += 1;
            }
            assert_eq!(scan.torn(), 0);
        }
    }
    rows
}

fuzz_target!(|data: &[u8]| {
    let home = tempfile::tempdir().expect("a folder");
    let key = Key::new(b"key of the workshop");
    let names = BENCHES.map(str::to_owned);
    let folder = home.path().join("benches");
    let mut joined = Joined::open(&folder).expect("the folder");
    let mut benches = Benches::new(&names);
    let own = home.path().join("own");
    let mut shelf = Shelf::open(&own, BENCHES[0], ID, None);
    let mut tail = Tail::open(&own.join("sent"));
    let of = Intake {
        workshop: WORKSHOP,
        benches: &names,
        key: &key,
        word: "word",
    };
    let (mut data, mut chain, mut then) = (data, 0, Then::default());
    let mut sealed = false;
    shelf.connected();
    while let Some((topic, about, text, ours)) = next(&mut data, &key, &mut chain) {
        sealed |= ours;
        let message = Message {
            topic: topic.as_bytes(),
            about: &about,
            text: &text,
            retained: text.len() % 2 == 0,
        };
        take(&mut joined, &of, &message, &mut then).expect("a disk that works");
        let heard = benches.hear(WORKSHOP, &key, &message, Moment::now());
        assert!(ours || !heard, "{topic}");
        let _ = shelf.hear_of(WORKSHOP, &key, &message);
        if let Some(Ask::Rows { log, from }) = message.unsealed(Kind::Ask, WORKSHOP, BENCHES[0], &key) {
            tail.again(&own, &log, from);
        }
    }
    joined.sync().expect("a disk that works");
    let _ = serde_json::to_string(&benches.overview(Moment::now())).expect("a JSON form");
    let rows = proved(&folder);
    assert!(sealed || rows == 0 && then.came.is_empty() && then.missing.is_empty());
    assert_eq!(rows > 0, then.added);
});
