//! The seal of a message: who has the workshop's key wrote it, and for this place.
//!
//! HMAC with SHA-256 (RFC 2104; FIPS 198-1). The log's chain shows what was changed by accident; anybody can compute it
//! anew, and the seal nobody can who has not the key.

use hmac::{Hmac, KeyInit, Mac as _};
use sha2::Sha256;
use subtle::ConstantTimeEq as _;

use crate::text::hex;

/// The key of a workshop; never shown.
#[derive(Clone, PartialEq, Eq)]
pub struct Key(Vec<u8>);

impl std::fmt::Debug for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Key(...)")
    }
}

impl Key {
    pub fn new(bytes: &[u8]) -> Key {
        Key(bytes.to_owned())
    }

    /// The seal of a message: `heads` say where it belongs and stand apart from each other and from `body`, since none
    /// holds a line feed. 64 hexadecimal digits.
    pub fn seal(&self, heads: &[&str], body: &[u8]) -> String {
        let mut text = heads.join("\n").into_bytes();
        text.extend_from_slice(b"\n\n");
        text.extend_from_slice(body);
        hex(&self.hmac(&text))
    }

    /// Whether `seal` is that of the message; takes as long for each wrong one.
    pub fn fits(&self, seal: &str, heads: &[&str], body: &[u8]) -> bool {
        let plain = heads.iter().all(|head| !head.contains('\n'));
        plain && bool::from(self.seal(heads, body).as_bytes().ct_eq(seal.as_bytes()))
    }

    fn hmac(&self, text: &[u8]) -> [u8; 32] {
        // A key of any length is one of HMAC: what is longer than a block is hashed first.
        let mut mac = <Hmac<Sha256> as KeyInit>::new_from_slice(&self.0)
            .unwrap_or_else(|_| unreachable!("HMAC takes a key of any length"));
        mac.update(text);
        mac.finalize().into_bytes().into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4231 (Identifiers and Test Vectors for HMAC-SHA-256), 4.2, 4.3 and 4.7, from memory; the command line's
    /// `openssl dgst -sha256 -hmac` gives the same.
    #[test]
    fn the_seal_is_the_hmac_of_the_standard() {
        let of = |key: &[u8], text: &[u8]| hex(&Key::new(key).hmac(text));
        assert_eq!(
            of(&[0x0b; 20], b"Hi There"),
            "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"
        );
        assert_eq!(
            of(b"Jefe", b"what do ya want for nothing?"),
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
        );
        assert_eq!(
            of(
                &[0xaa; 131],
                b"Test Using Larger Than Block-Size Key - Hash Key First"
            ),
            "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"
        );
    }

    #[test]
    fn a_seal_fits_its_message_its_place_and_its_key_alone() {
        let key = Key::new(b"one");
        let seal = key.seal(&["row", "bench-1"], b"text");
        assert!(key.fits(&seal, &["row", "bench-1"], b"text"));
        for (heads, body) in [
            (["row", "bench-2"], &b"text"[..]),
            (["row", "bench-1"], b"texts"),
            (["row\nbench-1", ""], b"text"),
        ] {
            assert!(!key.fits(&seal, &heads, body));
        }
        assert!(!Key::new(b"two").fits(&seal, &["row", "bench-1"], b"text"));
        assert!(!key.fits("", &["row", "bench-1"], b"text"));
        assert_eq!(format!("{key:?}"), "Key(...)");
    }
}
