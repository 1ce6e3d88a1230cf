//! Telling the layout, the unit and the readability from what a scale sends.

use bismar::mass::{Mass, Unit};
use bismar::scale::identify::{Hint, LineSettings, Listener, Verdict, stanza};
use bismar::scale::settings::{Parity, PortSelector};
use bismar::time::Moment;
use proptest::prelude::*;

fn listen(bytes: &[u8]) -> Listener {
    let mut listener = Listener::new();
    listener.hear(Moment::default(), bytes);
    listener
}

fn lines(numbers: impl IntoIterator<Item = u32>) -> Vec<u8> {
    let line = |n| format!("+ {:>8} g  \r\n", format!("{}.{:02}", n / 100, n % 100));
    numbers
        .into_iter()
        .map(line)
        .collect::<String>()
        .into_bytes()
}

#[track_caller]
fn found(bytes: &[u8], layout: &str, readability: &str) {
    let findings = listen(bytes).findings();
    let found = findings
        .identified()
        .unwrap_or_else(|| panic!("{:?}", findings.verdict));
    assert_eq!(found.layout.name(), layout);
    assert_eq!(found.readability.unwrap().to_string(), readability);
}

#[track_caller]
fn hint(bytes: &[u8], want: Hint) {
    match listen(bytes).findings().verdict {
        Verdict::None(hint) => assert_eq!(hint, want),
        Verdict::Identified(found) => panic!("{found:?}"),
    }
}

#[test]
fn three_lines_of_each_layout_are_enough() {
    let three = |line: &str| line.repeat(3).into_bytes();
    found(
        &three("+   123.45 g  \r\n"),
        "sign-number-unit-16",
        "0.01 g",
    );
    found(
        &three("N     +   123.45 g  \r\n"),
        "sign-number-unit-22",
        "0.01 g",
    );
    found(&three("ST,+00012.34  g\r\n"), "comma-header", "0.01 g");
    found(&three("ST,GS,+ 001.234kg\r\n"), "comma-header", "0.001 kg");
    found(&three("S S      12.3 g\r\n"), "reply-code", "0.1 g");
    found(&three("     12.34 g     ?\r\n"), "question-mark", "0.01 g");
    found(&three("     12.34 g      \r\n"), "question-mark", "0.01 g");
    found(&three("\x02   0.123OG \r\n"), "stx-readable", "0.001 oz");
    found(
        &three("\x02,0!001234000000\r"),
        "stx-status-bytes",
        "0.01 g",
    );
    found(
        &three("\n   12.34g  \r\nS00\r\x03"),
        "status-reply",
        "0.01 g",
    );
    found(&three("S S  1:03.45 lb:oz\r\n"), "reply-code", "0.01 oz");
    found(&three("+      123 g  \r\n"), "sign-number-unit-16", "1 g");
    // The sum of the frame with its check byte 0x35 is a multiple of 128.
    let frame = "\x02,0!001234000000\r";
    let check = 128 - (frame.bytes().map(u32::from).sum::<u32>() % 128);
    let checked = format!("{frame}{}", char::from(check as u8));
    found(&three(&checked), "stx-status-bytes-checked", "0.01 g");
}

#[test]
fn a_beginning_of_noise_and_cut_lines_does_not_matter() {
    let noise = b"\xfe\x86\x00\x00\r\n\x00\x00.45 g  \r\n3.45 g  \r\n+   12\r\n";
    found(
        &[noise, &lines([12345, 12345, 12350])[..]].concat(),
        "sign-number-unit-16",
        "0.01 g",
    );
    let long = vec![b'7'; 1 << 20];
    let stream = [&long[..], b"\r\n", &lines([1, 2, 3])].concat();
    found(&stream, "sign-number-unit-16", "0.01 g");
}

#[test]
fn two_lines_are_too_few_and_other_text_is_no_layout() {
    hint(b"", Hint::Silent);
    hint(&lines([1, 2]), Hint::TooFew(2));
    hint(
        b"Weight is 12.34 grams\r\n".repeat(9).as_slice(),
        Hint::UnknownForm,
    );
}

#[test]
fn moving_lines_without_a_unit_count_as_weights() {
    let stream = b"+   123.45    \r\n".repeat(5);
    let stream = [&stream[..], &lines([12345])].concat();
    found(&stream, "sign-number-unit-16", "0.01 g");
    let findings = listen(&b"+   123.45    \r\n".repeat(5)).findings();
    assert_eq!(
        findings.identified().map(|found| found.readability),
        Some(None)
    );
}

#[test]
fn one_glitch_does_not_change_the_readability() {
    let glitch = b"+  12.3456 g  \r\n+     1.234 oz\r\n+    1.234 oz \r\n";
    let stream = [glitch, &lines([5, 10, 12, 13, 14])[..]].concat();
    found(&stream, "sign-number-unit-16", "0.01 g");
}

#[test]
fn steps_of_two_and_five_need_twenty_different_numbers() {
    found(
        &lines((0..30).map(|n| 1000 + 5 * n)),
        "sign-number-unit-16",
        "0.05 g",
    );
    found(
        &lines((0..30).map(|n| 1000 + 2 * n)),
        "sign-number-unit-16",
        "0.02 g",
    );
    found(
        &lines((0..30).map(|n| 1000 + n)),
        "sign-number-unit-16",
        "0.01 g",
    );
    found(
        &lines((0..19).map(|n| 1000 + 5 * n)),
        "sign-number-unit-16",
        "0.01 g",
    );
    // Twenty lines of one number prove nothing.
    found(
        &lines((0..60).map(|n| 1000 + 5 * (n % 3))),
        "sign-number-unit-16",
        "0.01 g",
    );
    let mut stream = lines((0..30).map(|n| 1000 + 5 * n));
    stream.extend(lines([1001]));
    found(&stream, "sign-number-unit-16", "0.01 g");
}

#[test]
fn a_parity_bit_read_as_data_is_told_apart() {
    let even = |byte: u8| byte | if byte.count_ones() % 2 == 1 { 0x80 } else { 0 };
    let odd = |byte: u8| {
        byte | if byte.count_ones().is_multiple_of(2) {
            0x80
        } else {
            0
        }
    };
    let text = lines([1234, 1235, 1240, 5678]);
    let with = |parity: fn(u8) -> u8| text.iter().map(|&byte| parity(byte)).collect::<Vec<u8>>();
    hint(&with(even), Hint::SevenBits(Parity::Even));
    hint(&with(odd), Hint::SevenBits(Parity::Odd));
    assert!(Hint::SevenBits(Parity::Odd).to_string().contains("7O1"));
    // A hash of a counter: bytes without any order, as from a wrong speed.
    let noise = |n: u32| (n.wrapping_mul(2_654_435_761) >> 13) as u8;
    hint(&(0..2000).map(noise).collect::<Vec<u8>>(), Hint::WrongSpeed);
    hint(&[0; 500], Hint::WrongSpeed);
}

#[test]
fn the_rate_is_lines_a_second() {
    let mut listener = Listener::new();
    for n in 0..21u32 {
        listener.hear(Moment::from_millis(u64::from(n) * 100), &lines([n]));
    }
    let findings = listener.findings();
    let rate = findings.identified().unwrap().lines_per_second.unwrap();
    assert!((rate - 10.0).abs() < 1e-9, "{rate}");
}

#[test]
fn the_readability_is_a_mass() {
    let findings = listen(&lines((0..30).map(|n| 1000 + 5 * n))).findings();
    let readability = findings.identified().unwrap().readability.unwrap();
    assert_eq!(readability.mass(), Mass::from_mg(50));
    assert_eq!(
        Mass::parse_with_unit(&readability.to_string()),
        Ok(Mass::from_mg(50))
    );
    assert_eq!(readability.unit, Unit::Gram);
}

#[test]
fn the_stanza_is_toml_whatever_the_names_hold() {
    let findings = listen(&lines([1, 2, 3])).findings();
    let found = findings.identified().unwrap();
    let mut settings = LineSettings {
        port: PortSelector::Usb {
            vendor: 0x0403,
            product: 0x6001,
            serial: Some("A\"1\\".into()),
        },
        baud: 2400,
        data_bits: 7,
        parity: Parity::Even,
        stop_bits: 1,
    };
    let read = |text: &str| text.parse::<toml::Table>().unwrap();
    let table = read(&stanza("bench \"1\"", &settings, found));
    let scale = &table["scale"][0];
    assert_eq!(scale["name"].as_str(), Some("bench \"1\""));
    assert_eq!(scale["usb"]["vendor"].as_integer(), Some(0x0403));
    assert_eq!(scale["usb"]["serial"].as_str(), Some("A\"1\\"));
    assert_eq!(scale["parity"].as_str(), Some("even"));
    assert_eq!(scale["baud"].as_integer(), Some(2400));
    assert_eq!(scale["layout"].as_str(), Some("sign-number-unit-16"));
    assert_eq!(scale["readability"].as_str(), Some("0.01 g"));
    settings.port = PortSelector::Path("/dev/serial/by-id/x".into());
    let table = read(&stanza("bench", &settings, found));
    assert_eq!(
        table["scale"][0]["port"].as_str(),
        Some("/dev/serial/by-id/x")
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_bytes_are_listened_to_in_bounded_memory_and_with_one_answer(
        pieces in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..300), 0..20),
    ) {
        let mut one = Listener::new();
        for piece in &pieces {
            one.hear(Moment::default(), piece);
        }
        let other = listen(&pieces.concat());
        prop_assert_eq!(format!("{:?}", one.findings()), format!("{:?}", other.findings()));
    }
}
