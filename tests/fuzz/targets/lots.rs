//! The list of lots: no panic; an error names the place; what was read is written the same.
#![no_main]

use bismar::lots::Lot;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    match Lot::parse_all(text, "lots.toml") {
        Ok(lots) => {
            let written: String = lots.iter().map(Lot::to_toml).collect();
            let again = Lot::parse_all(&written, "lots.toml").expect("what we write reads");
            assert_eq!(again.len(), lots.len());
        }
        Err(problems) => assert!(problems.to_string().starts_with("lots.toml:"), "{problems}"),
    }
});
