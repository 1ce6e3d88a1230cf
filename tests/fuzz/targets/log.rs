//! A batch log: the scan, the record of it, and every text that is made of it.
#![no_main]

use std::path::Path;

use bismar::journal::batch::record::Record;
use bismar::journal::read::scan::Scan;
use bismar::sheet::{SheetRecord, html};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let path = Path::new("soak.csv");
    let mut scan = Scan::new(path, data);
    let mut rows = Vec::new();
    while let Ok(Some(row)) = scan.next_row() {
        rows.push(row);
    }
    let record = Record::of_rows(rows.iter().cloned());
    let _ = record.total();
    let page = html(&SheetRecord::new(rows, scan.torn()));
    // Nothing of a log becomes a tag or a script.
    assert!(!page.to_lowercase().contains("<script"));
});
