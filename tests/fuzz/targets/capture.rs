//! A capture's file, and what is in it through the writer and back.
#![no_main]

use bismar::scale::capture::{CaptureReader, CaptureWriter, Record};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let Ok(mut reader) = CaptureReader::new(data) else {
        return;
    };
    let mut writer = CaptureWriter::new(Vec::new()).expect("memory takes it");
    let mut records = 0;
    loop {
        match reader.next_record() {
            Ok(Some(Record::Bytes { at, data })) => {
                records += 1;
                writer.bytes(at, data).expect("memory takes it");
            }
            Ok(Some(Record::Command { at, command })) => {
                records += 1;
                writer.command(at, &command).expect("memory takes it");
            }
            Ok(Some(Record::Comment)) => {}
            Ok(None) => break,
            Err(_) => return,
        }
    }
    let written = writer.into_inner();
    let mut again = CaptureReader::new(&written[..]).expect("what we write reads");
    let mut read = 0;
    while let Some(record) = again.next_record().expect("what we write reads") {
        read += usize::from(!matches!(record, Record::Comment));
    }
    assert_eq!(read, records);
});
