//! JSON as this protocol writes it: compact, with no character in it that misleads a terminal.

use std::io::{self, Write};

use serde::Serialize;
use serde_json::ser::{CharEscape, CompactFormatter, Formatter, Serializer};

use crate::text::misleads;
use crate::vocabulary::weight::Digits;

/// Appends `value` as one line with its line feed.
pub fn line<T: Serialize>(out: &mut Vec<u8>, value: &T) {
    let before = out.len();
    // Writing into a Vec cannot fail, and a line that is half one would mislead more than none.
    if value
        .serialize(&mut Serializer::with_formatter(&mut *out, Plain))
        .is_err()
    {
        out.truncate(before);
    }
    out.push(b'\n');
}

/// Every character that [`misleads`] is a `\u` escape (RFC 8259, section 7), and a float, which is always
/// a moment in seconds, has the six decimals of a microsecond.
struct Plain;

impl Formatter for Plain {
    fn write_f64<W: ?Sized + Write>(&mut self, writer: &mut W, value: f64) -> io::Result<()> {
        // Exact for the first seventy years.
        let micros = (value * 1e6).round() as u64;
        writer.write_all(Digits::new(false, micros, 6).as_bytes())
    }

    fn write_string_fragment<W: ?Sized + Write>(
        &mut self,
        writer: &mut W,
        fragment: &str,
    ) -> io::Result<()> {
        // The control characters below the space come as escapes.
        if fragment.bytes().all(|byte| byte < 0x7f) {
            return writer.write_all(fragment.as_bytes());
        }
        let mut rest = fragment;
        while let Some((at, c)) = rest.char_indices().find(|(_, c)| misleads(*c)) {
            let (before, after) = rest.split_at(at);
            writer.write_all(before.as_bytes())?;
            // All of them are in the basic plane: one unit.
            write!(writer, "\\u{:04x}", u32::from(c))?;
            rest = after.get(c.len_utf8()..).unwrap_or_default();
        }
        writer.write_all(rest.as_bytes())
    }

    fn write_char_escape<W: ?Sized + Write>(
        &mut self,
        writer: &mut W,
        escape: CharEscape,
    ) -> io::Result<()> {
        match escape {
            CharEscape::Backspace => writer.write_all(b"\\u0008"),
            CharEscape::FormFeed => writer.write_all(b"\\u000c"),
            plain => CompactFormatter.write_char_escape(writer, plain),
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::protocol::json::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn any_text_comes_back_the_same(value in any::<String>()) {
            let mut out = Vec::new();
            line(&mut out, &value);
            let text = String::from_utf8(out).unwrap();
            prop_assert!(!text.trim_end_matches('\n').contains(misleads));
            prop_assert_eq!(serde_json::from_str::<String>(&text).unwrap(), value);
        }
    }
}
