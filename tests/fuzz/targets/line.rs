//! What comes over the serial line, for every layout, in two pieces: the same readings wherever it is cut.
#![no_main]

use bismar::time::Moment;
use bismar::scale::decode::{Decoder, Heard};
use bismar::scale::frame::Start;
use bismar::scale::layout::{ALL, Chosen};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: (u8, u8, &[u8])| {
    let (layout, cut, bytes) = input;
    let layout = ALL[usize::from(layout) % ALL.len()];
    let heard = |pieces: &[&[u8]]| {
        let mut decoder = Decoder::new(Chosen::BuiltIn(layout), Start::LineStart);
        let mut all = Vec::new();
        for piece in pieces {
            decoder.feed(Moment::default(), piece, |heard| {
                if let Heard::Reading(reading) = heard {
                    all.push((reading.weight, reading.unit));
                }
            });
        }
        all
    };
    let at = usize::from(cut).min(bytes.len());
    assert_eq!(heard(&[bytes]), heard(&[&bytes[..at], &bytes[at..]]));
});
