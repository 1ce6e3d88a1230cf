//! The hash chain: each row carries a short hash of the row before it and of itself.
//!
//! `chain` of a row is the first 16 hexadecimal digits, in lower case, of the SHA-256 (FIPS 180-4)
//! of these bytes: the `chain` cell of the row before, a comma, and the row's own line up to but
//! without the last comma (so without the `chain` cell and the line end). Before the first row
//! stands, instead of a chain, the text `bismar batch log 1 ` and the batch's name.
//!
//! Anyone can check a log with a shell:
//!
//! ```sh
#![doc = include_str!("chain.sh")]
//! ```
//!
//! What it shows: any changed byte, a row taken out, put in or moved. What it cannot show: rows
//! taken off the end (a log that ends without a `closed` row tells that much), and the work of
//! somebody who computes the whole chain anew; it is a seal, not a signature.

use sha2::{Digest, Sha256};

use crate::text::hex;

/// What stands for the chain before the first row.
pub fn start(batch: &str) -> String {
    format!("bismar batch log 1 {batch}")
}

/// The chain cell of the row whose line, without its last comma and chain, is `body`.
pub fn link(previous: &str, body: &[u8]) -> String {
    let mut hash = Sha256::new();
    hash.update(previous.as_bytes());
    hash.update(b",");
    hash.update(body);
    hex(&hash.finalize()[..8])
}

/// The SHA-256 of a log's file up to and including a row, as `sha256sum` prints it: the whole of it, where
/// the chain has a quarter.
#[derive(Debug, Clone, Default)]
pub struct FileDigest(Sha256);

impl FileDigest {
    pub fn add(&mut self, bytes: &[u8]) {
        self.0.update(bytes);
    }

    /// Of what was added so far.
    pub fn text(&self) -> String {
        hex(&self.0.clone().finalize())
    }
}

/// All 64 hexadecimal digits of a text's SHA-256, as `sha256sum` prints them.
pub fn sha256(text: &str) -> String {
    hex(&Sha256::digest(text.as_bytes()))
}
