//! The configuration's file: no panic, and an error names the place.
#![no_main]

use bismar::config::Config;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    if let Err(problems) = Config::parse(text, "c.toml") {
        assert!(problems.to_string().starts_with("c.toml:"), "{problems}");
    }
});
