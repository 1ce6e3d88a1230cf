//! How fast lines are read. Prints counts, asserts none: run it by hand with
//! `cargo test --release --test line line_speed -- --ignored --nocapture`.

use std::hint::black_box;
use std::time::Instant;

use bismar::mass::Mass;
use bismar::scale::capture::{CaptureReader, CaptureWriter, Record};
use bismar::scale::decode::{Decoder, Heard};
use bismar::scale::frame::{Framer, Framing, Start};
use bismar::scale::layout::{Chosen, by_name};
use bismar::time::Moment;

const LINES: usize = 1_000_000;

fn report(what: &str, lines: usize, from: Instant) {
    let seconds = from.elapsed().as_secs_f64();
    println!("{what:<50} {:>8.2} M lines/s", lines as f64 / seconds / 1e6);
}

fn stream(line: impl Fn(usize) -> String) -> Vec<u8> {
    (0..LINES).map(line).collect::<String>().into_bytes()
}

fn decode(name: &str, bytes: &[u8]) {
    let layout = by_name(name).unwrap();
    let from = Instant::now();
    let mut weights = 0;
    let mut sum = Mass::ZERO;
    let mut decoder = Decoder::new(Chosen::BuiltIn(layout), Start::LineStart);
    for piece in bytes.chunks(4096) {
        decoder.feed(Moment::default(), piece, |heard| {
            if let Heard::Reading(reading) = heard {
                weights += 1;
                sum += reading.weight;
            }
        });
    }
    report(name, weights, from);
    black_box(sum);
    assert!(weights + 1 >= LINES, "{name}: {weights}");
}

#[test]
#[ignore = "a benchmark, for release builds"]
fn lines_a_second() {
    let number = |n: usize| format!("{}.{:02}", n % 100_000 / 100, n % 100);
    let sixteen = stream(|n| format!("+{:>9} g  \r\n", number(n)));
    let from = Instant::now();
    let mut count = 0;
    let mut framer = Framer::at_line_start(Framing::Lines);
    for piece in sixteen.chunks(4096) {
        framer.feed(piece, |line| count += usize::from(line.is_ok()));
    }
    report("framing alone", count, from);
    decode("sign-number-unit-16", &sixteen);
    decode(
        "comma-header",
        &stream(|n| format!("ST,GS,+{:>9} g\r\n", number(n))),
    );
    decode(
        "reply-code",
        &stream(|n| format!("S S {:>10} g\r\n", number(n))),
    );
    decode(
        "question-mark",
        &stream(|n| format!("{:>10} g      \r\n", number(n))),
    );
    decode(
        "stx-readable",
        &stream(|n| format!("\x02 {:>7}GG \r\n", number(n))),
    );

    let mut writer = CaptureWriter::new(Vec::new()).unwrap();
    for (n, line) in sixteen.chunks(16).enumerate() {
        writer
            .bytes(Moment::from_millis(n as u64 * 100), line)
            .unwrap();
    }
    let file = writer.into_inner();
    let from = Instant::now();
    let mut reader = CaptureReader::new(&file[..]).unwrap();
    let mut records = 0;
    while let Some(record) = reader.next_record().unwrap() {
        black_box(&record);
        records += 1;
    }
    report("capture records", records, from);

    let from = Instant::now();
    let mut reader = CaptureReader::new(std::io::BufReader::new(&file[..])).unwrap();
    let layout = by_name("sign-number-unit-16").unwrap();
    let mut decoder = Decoder::new(Chosen::BuiltIn(layout), Start::LineStart);
    let mut readings = 0;
    while let Some(record) = reader.next_record().unwrap() {
        if let Record::Bytes { at, data } = record {
            decoder.feed(at, data, |heard| {
                readings += usize::from(matches!(heard, Heard::Reading(_)))
            });
        }
    }
    report("capture to readings", readings, from);
    assert_eq!(readings, LINES);
}
