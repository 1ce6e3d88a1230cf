//! Captures: what is written is read back, whatever it is.

use bismar::scale::capture::{CaptureReader, CaptureWriter, HEADER, Record};
use bismar::time::Moment;
use bismar::vocabulary::command::Command;
use bismar::vocabulary::command::Way;
use proptest::prelude::*;

#[derive(Debug, Clone, PartialEq)]
enum Written {
    Bytes(Vec<u8>),
    Command(Command),
    Comment(String),
}

fn written() -> impl Strategy<Value = Written> {
    prop_oneof![
        4 => prop::collection::vec(any::<u8>(), 0..60).prop_map(Written::Bytes),
        2 => prop::collection::vec(prop::sample::select(b"!# \\\"\t\r\n+1.g".to_vec()), 0..20)
            .prop_map(Written::Bytes),
        1 => prop::sample::select(vec![
            Command::Next, Command::Again, Command::Keep, Command::Stop,
            Command::Residue(None), Command::Residue(Some(3)),
            Command::Remedy(Way::Keep), Command::Remedy(Way::InProportion),
            Command::Remedy(Way::LeastAdded),
        ]).prop_map(Written::Command),
        1 => any::<String>().prop_map(|text| Written::Command(Command::Lot(text))),
        1 => any::<String>().prop_map(|text| Written::Command(Command::Note(text))),
        1 => any::<String>().prop_map(Written::Comment),
    ]
}

/// The form as it stands in the file: a record that begins with `!` must never read as a command.
#[test]
fn a_first_exclamation_mark_is_written_as_its_number() {
    let mut writer = CaptureWriter::new(Vec::new()).unwrap();
    for data in [&b"!next"[..], b"!", b"! 1.5 g!!\r\n", b"1!2"] {
        writer.bytes(Moment::default(), data).unwrap();
    }
    let file = String::from_utf8(writer.into_inner()).unwrap();
    let lines: Vec<&str> = file.lines().skip(1).collect();
    assert_eq!(
        lines,
        [
            r"0.000000	\x21next",
            r"0.000000	\x21",
            r"0.000000	\x21 1.5 g!!\r\n",
            "0.000000\t1!2"
        ]
    );
    let mut reader = CaptureReader::new(file.as_bytes()).unwrap();
    let record = reader.next_record().unwrap().unwrap();
    let at = Moment::default();
    assert_eq!(record, Record::Bytes { at, data: b"!next" });
}

proptest! {
    #[test]
    fn a_capture_reads_back_as_it_was_written(
        records in prop::collection::vec((0u64..3_000_000, written()), 0..20),
    ) {
        let mut writer = CaptureWriter::new(Vec::new()).unwrap();
        let mut at = 0;
        let mut want = Vec::new();
        for (step, record) in &records {
            at += step;
            let moment = Moment::from_micros(at);
            match record {
                Written::Bytes(data) => {
                    writer.bytes(moment, data).unwrap();
                    want.push(format!("{:?}", Record::Bytes { at: moment, data }));
                }
                Written::Command(command) => {
                    writer.command(moment, command).unwrap();
                    let command = command.clone();
                    want.push(format!("{:?}", Record::Command { at: moment, command }));
                }
                Written::Comment(text) => {
                    writer.comment(text).unwrap();
                    want.push(format!("{:?}", Record::Comment));
                }
            }
        }
        let file = writer.into_inner();
        prop_assert!(file.starts_with(HEADER.as_bytes()));
        let mut reader = CaptureReader::new(&file[..]).unwrap();
        let mut got = Vec::new();
        while let Some(record) = reader.next_record().unwrap() {
            got.push(format!("{record:?}"));
        }
        prop_assert_eq!(got, want);
        prop_assert_eq!(reader.line() as usize, records.len() + 1);
    }

    #[test]
    fn any_file_is_read_or_refused_with_its_place(
        body in prop_oneof![
            prop::collection::vec(any::<u8>(), 0..300),
            "[0-9.!\t\\\\xrn \"a-f\n]{0,80}".prop_map(String::into_bytes),
            "([0-9]\\.[0-9]\t[!a-z\\\\\" ]{0,9}\n){0,6}".prop_map(String::into_bytes),
        ],
    ) {
        let file = [HEADER.as_bytes(), b"\n", &body].concat();
        let mut reader = CaptureReader::new(&file[..]).unwrap();
        let mut last = Moment::default();
        loop {
            match reader.next_record() {
                Ok(None) => break,
                Ok(Some(Record::Bytes { at, .. } | Record::Command { at, .. })) => {
                    prop_assert!(at >= last);
                    last = at;
                }
                Ok(Some(Record::Comment)) => {}
                Err(error) => {
                    let text = error.to_string();
                    let line: u64 = text.split(':').next().unwrap().parse().unwrap();
                    prop_assert_eq!(line, reader.line());
                    prop_assert!(text.contains("; "), "{}", text);
                    break;
                }
            }
        }
    }

    #[test]
    fn a_time_that_steps_back_while_writing_is_held(times in prop::collection::vec(0u64..100, 1..9)) {
        let mut writer = CaptureWriter::new(Vec::new()).unwrap();
        for &at in &times {
            writer.bytes(Moment::from_micros(at), b"x").unwrap();
        }
        let file = writer.into_inner();
        let mut reader = CaptureReader::new(&file[..]).unwrap();
        let mut count = 0;
        while reader.next_record().unwrap().is_some() {
            count += 1;
        }
        prop_assert_eq!(count, times.len());
    }
}
