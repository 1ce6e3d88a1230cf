//! Formulas and lots handed out to the benches from one place, as one text with its version and a signature.
//!
//! The signature is Ed25519 (RFC 8032): who signs has the private key, in one file at the place that hands out, and a
//! bench knows the public one alone; so neither the broker nor another bench can change a formula. A bench takes a
//! version as a whole and between batches, keeps what stood there before, and takes nothing over what was changed at it.

use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use ring::signature::{ED25519, Ed25519KeyPair, KeyPair as _, UnparsedPublicKey};
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use super::WireError;
use super::message::LONGEST_TEXT;
use crate::files;
use crate::formula::{Formula, substances};
use crate::language::{Sentence, phrase, term};
use crate::lots::Lot;
use crate::problem::{Problem, Problems};
use crate::text::hex;

/// What is signed begins with this, so that no other text of the key can be taken for it.
const CONTEXT: &str = "bismar handed 1\n";

/// The file in the folder that is handed out: the text and its signature.
pub const ENVELOPE: &str = "handed.json";

/// The list of lots among what is handed out.
const LOTS: &str = "lots.toml";

/// The longest name of a file, in bytes.
const LONGEST_NAME: usize = 100;

/// What is handed out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Bundle {
    /// From 1; a later one has a larger one.
    version: u64,
    /// Each text by the name of its file.
    files: BTreeMap<String, String>,
}

impl Bundle {
    /// The SHA-256 of each file.
    fn hashes(&self) -> BTreeMap<String, String> {
        let files = self.files.iter();
        files
            .map(|(name, text)| (name.clone(), hash(text)))
            .collect()
    }
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Envelope {
    /// A [`Bundle`] as it was signed.
    bundle: String,
    /// 128 hexadecimal digits.
    signature: String,
}

/// What was handed out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HandedOut {
    pub version: u64,
    pub files: usize,
    /// Whether it is another one than before.
    pub new: bool,
    /// The public key that benches know it by, 64 hexadecimal digits.
    pub by: String,
}

/// Signs what lies in `folder` as its next version, by the key in `key`, which is made where it is missing.
///
/// # Errors
/// A file that does not read, with its place; a key that is open to others; or what the disk says. Nothing is handed out
/// then.
pub fn hand_out(folder: &Path, key: &Path) -> Result<HandedOut, WireError> {
    let files = read(folder)?;
    let pair = pair(key)?;
    let by = hex(pair.public_key().as_ref());
    let path = folder.join(ENVELOPE);
    let before = match std::fs::read(&path) {
        Ok(text) => Some(opened(&text, pair.public_key().as_ref()).ok_or_else(|| {
            problem(
                &path,
                phrase!("what was handed out last is not of this key"),
                phrase!(
                    "Put the key back that signed it; or remove the file and give each bench the new key, and what it took \
                     before is told as older"
                ),
            )
        })?),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => None,
        Err(error) => return Err(WireError::io(&path, term!("read what was handed out last"))(error)),
    };
    if let Some(before) = before.as_ref().filter(|before| before.files == files) {
        return Ok(HandedOut {
            version: before.version,
            files: files.len(),
            new: false,
            by,
        });
    }
    let version = before.map_or(0, |before| before.version) + 1;
    let bundle = Bundle { version, files };
    let text = serde_json::to_string(&bundle).unwrap_or_default();
    let signature = hex(pair.sign(format!("{CONTEXT}{text}").as_bytes()).as_ref());
    let envelope = Envelope {
        bundle: text,
        signature,
    };
    let text = serde_json::to_string(&envelope).unwrap_or_default();
    if text.len() > LONGEST_TEXT - 4096 {
        let message = phrase!(
            "all files together are {bytes} bytes as a message, and one has at most {most}",
            bytes = text.len(),
            most = LONGEST_TEXT - 4096,
        );
        let remedy = phrase!("Move what is not weighed any more into another folder");
        return Err(problem(folder, message, remedy).into());
    }
    files::replace(&path, &text, 0o600)
        .map_err(WireError::io(&path, term!("write what is handed out")))?;
    Ok(HandedOut {
        version,
        files: bundle.files.len(),
        new: true,
        by,
    })
}

/// The files that a folder hands out, proved.
fn read(folder: &Path) -> Result<BTreeMap<String, String>, WireError> {
    let entries =
        std::fs::read_dir(folder).map_err(WireError::io(folder, term!("read the folder")))?;
    let mut all = BTreeMap::new();
    for entry in entries {
        let path = entry
            .map_err(WireError::io(folder, term!("read the folder")))?
            .path();
        if path.extension().is_none_or(|end| end != "toml") {
            continue;
        }
        let name = path
            .file_name()
            .and_then(|name| name.to_str())
            .unwrap_or_default();
        if !is_file(name) {
            let remedy =
                phrase!("Name it with letters (a to z), digits, - and _, and .toml at the end");
            return Err(problem(
                &path,
                phrase!("this file cannot be handed out by its name"),
                remedy,
            )
            .into());
        }
        let text = files::text(&path)?;
        proved(name, &text, &path.display().to_string())?;
        all.insert(name.to_owned(), text);
    }
    if all.is_empty() {
        let remedy = phrase!(
            "Put formulas (name.toml) and, where the lots are handed out as well, lots.toml there"
        );
        return Err(problem(
            folder,
            phrase!("nothing lies there that could be handed out"),
            remedy,
        )
        .into());
    }
    Ok(all)
}

/// Whether a file reads as what its name says it is.
fn proved(name: &str, text: &str, path: &str) -> Result<(), Problems> {
    match name {
        LOTS => Lot::parse_all(text, path).map(drop),
        substances::FILE => substances::parse(text, path).map(drop),
        _ => Formula::parse(text, path).map(drop),
    }
}

fn is_file(name: &str) -> bool {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-_".contains(&byte);
    let stem = name.strip_suffix(".toml").unwrap_or_default();
    !stem.is_empty() && name.len() <= LONGEST_NAME && stem.bytes().all(plain)
}

/// The key pair whose seed is in a file of its owner alone; made where it is missing.
fn pair(path: &Path) -> Result<Ed25519KeyPair, WireError> {
    if !path.exists() {
        let seed = files::random_hex(32).map_err(WireError::System)?;
        files::create(path, &format!("{seed}\n"))
            .map_err(WireError::io(path, term!("make the key")))?;
    }
    let about = std::fs::metadata(path).map_err(WireError::io(path, term!("read the key")))?;
    if about.permissions().mode() & 0o077 != 0 {
        let remedy = phrase!(
            "Close it: chmod 600 {file}",
            file = path.display().to_string()
        );
        let message = phrase!("others may read or write the key that signs");
        return Err(problem(path, message, remedy).into());
    }
    let seed = bytes::<32>(files::text(path)?.trim_end());
    let pair = seed.and_then(|seed| Ed25519KeyPair::from_seed_unchecked(&seed).ok());
    let none = || {
        let remedy = phrase!(
            "Put back the one that was made; without it remove the file, and each bench needs the new handed_by"
        );
        problem(
            path,
            phrase!("this is no key of 64 hexadecimal digits"),
            remedy,
        )
        .into()
    };
    pair.ok_or_else(none)
}

/// As many bytes as `N`, in hexadecimal digits.
fn bytes<const N: usize>(text: &str) -> Option<[u8; N]> {
    let mut all = [0; N];
    if text.len() != 2 * N || !text.is_ascii() {
        return None;
    }
    for (at, byte) in all.iter_mut().enumerate() {
        *byte = u8::from_str_radix(text.get(2 * at..2 * at + 2)?, 16).ok()?;
    }
    Some(all)
}

/// What an envelope holds, where the key signed it.
fn opened(text: &[u8], by: &[u8]) -> Option<Bundle> {
    let envelope: Envelope = serde_json::from_slice(text).ok()?;
    let signature = bytes::<64>(&envelope.signature)?;
    let signed = format!("{CONTEXT}{}", envelope.bundle);
    let key = UnparsedPublicKey::new(&ED25519, by);
    key.verify(signed.as_bytes(), &signature).ok()?;
    let bundle: Bundle = serde_json::from_str(&envelope.bundle).ok()?;
    let named = bundle.version > 0 && bundle.files.keys().all(|name| is_file(name));
    named.then_some(bundle)
}

fn problem(path: &Path, message: Sentence, remedy: Sentence) -> Problems {
    Problems::from(Problem {
        path: path.display().to_string(),
        line: 0,
        column: 0,
        message,
        remedy,
    })
}

/// Where a bench puts what it takes.
#[derive(Debug, Clone)]
pub struct Places {
    pub formulas: PathBuf,
    pub lots: Option<PathBuf>,
}

/// What a bench took last.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct TakenLast {
    version: u64,
    /// The SHA-256 of each file.
    files: BTreeMap<String, String>,
}

/// What is handed to a bench.
#[derive(Debug)]
pub struct Handed {
    folder: PathBuf,
    by: [u8; 32],
    last: TakenLast,
    /// What is to be taken.
    offer: Option<Bundle>,
    /// Why something is not taken.
    pub fault: Option<Sentence>,
}

impl Handed {
    /// `folder` keeps what was taken, and what stood there before; `by` is the public key. `None` where that is none.
    pub fn open(folder: &Path, by: &str) -> Option<Handed> {
        let text = std::fs::read_to_string(folder.join("taken.json")).unwrap_or_default();
        Some(Handed {
            folder: folder.to_owned(),
            by: bytes(by)?,
            last: serde_json::from_str(&text).unwrap_or_default(),
            offer: None,
            fault: None,
        })
    }

    /// The version that was taken last; 0: none.
    pub fn version(&self) -> u64 {
        self.last.version
    }

    /// Something is handed out.
    pub fn hear(&mut self, text: &[u8]) {
        self.offer = None;
        // Taken back.
        if text.is_empty() {
            self.fault = None;
            return;
        }
        let taken = self.last.version;
        let Some(bundle) = opened(text, &self.by) else {
            self.fault = Some(phrase!(
                "Formulas that somebody hands out are not taken: they are not signed by the key that this bench trusts. See to \
                 handed_by in the configuration, and to who may send on the broker."
            ));
            return;
        };
        let version = bundle.version;
        if version < taken || version == taken && bundle.hashes() != self.last.files {
            self.fault = Some(phrase!(
                "Formulas of version {version} are not taken: this bench has version {taken} already. Hand out a newer one, \
                 with the file handed.json that was there before.",
                version = version.to_string(),
                taken = taken.to_string(),
            ));
            return;
        }
        self.fault = None;
        if version > taken {
            self.offer = Some(bundle);
        }
    }

    /// Whether something waits to be taken.
    pub fn waits(&self) -> bool {
        self.offer.is_some()
    }

    /// Takes what waits, as a whole or not at all; for a time when no batch is under way. What stood there before is kept
    /// below `before-<version>`. Blocks.
    pub fn take(&mut self, places: &Places) {
        let Some(offer) = self.offer.take() else {
            return;
        };
        let taken = self.put(&offer, places);
        let version = offer.version;
        match taken {
            Ok(()) => tracing::info!(version, "took the formulas and lots that are handed out"),
            Err(Untaken::Changed(file)) => {
                self.fault = Some(phrase!(
                    "Formulas of version {version} wait: {file} was changed at this bench. Bring the change to where they are \
                     handed out from, or move the file away here.",
                    version = version.to_string(),
                    file,
                ));
                // The person may have moved it meanwhile.
                self.offer = Some(offer);
            }
            Err(Untaken::Problems(why)) => {
                self.fault = Some(phrase!(
                    "Formulas of version {version} are not taken: {why}",
                    version = version.to_string(),
                    why = why.to_string(),
                ));
            }
            Err(Untaken::Disk(why)) => {
                self.fault = Some(phrase!(
                    "Formulas of version {version} are not taken: {why}",
                    version = version.to_string(),
                    why = why.to_string(),
                ));
                self.offer = Some(offer);
            }
        }
    }

    fn put(&mut self, offer: &Bundle, places: &Places) -> Result<(), Untaken> {
        let mut all = Vec::new();
        for (name, text) in &offer.files {
            let path = match (name.as_str(), &places.lots) {
                (LOTS, Some(lots)) => lots.clone(),
                (LOTS, None) => continue,
                _ => places.formulas.join(name),
            };
            proved(name, text, name).map_err(Untaken::Problems)?;
            let there = match std::fs::read(&path) {
                Ok(there) => Some(there),
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => None,
                Err(error) => return Err(Untaken::Disk(error)),
            };
            if let Some(there) = &there {
                let last = self.last.files.get(name);
                let goes_on = name == LOTS && text.as_bytes().starts_with(there);
                let same = there == text.as_bytes();
                if !same && !goes_on && last != Some(&hash(there)) {
                    return Err(Untaken::Changed(path.display().to_string()));
                }
                if same {
                    continue;
                }
            }
            all.push((name, path, there, text));
        }
        let before = self.folder.join(format!("before-{}", offer.version));
        for (name, path, there, text) in all {
            if let Some(there) = there {
                let kept = before.join(name);
                if !kept.exists() {
                    files::create(&kept, &String::from_utf8_lossy(&there))
                        .map_err(Untaken::Disk)?;
                }
            }
            files::replace(&path, text, 0o600).map_err(Untaken::Disk)?;
        }
        let last = TakenLast {
            version: offer.version,
            files: offer.hashes(),
        };
        let text = serde_json::to_string(&last).unwrap_or_default();
        files::replace(&self.folder.join("taken.json"), &text, 0o600).map_err(Untaken::Disk)?;
        self.last = last;
        self.fault = None;
        Ok(())
    }
}

/// Why a version is not taken.
#[derive(Debug)]
enum Untaken {
    /// This file was changed at the bench.
    Changed(String),
    /// A file does not read here.
    Problems(Problems),
    Disk(std::io::Error),
}

fn hash(text: impl AsRef<[u8]>) -> String {
    hex(&Sha256::digest(text.as_ref()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8032 (Edwards-Curve Digital Signature Algorithm), 7.1, TEST 1, from memory: the seed's public key.
    #[test]
    fn the_key_is_that_of_the_standard() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("key");
        let seed = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60";
        files::create(&path, &format!("{seed}\n")).unwrap();
        let pair = pair(&path).unwrap();
        let public = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a";
        assert_eq!(hex(pair.public_key().as_ref()), public);
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o644)).unwrap();
        assert!(
            super::pair(&path)
                .unwrap_err()
                .to_string()
                .contains("chmod 600")
        );
    }

    #[test]
    fn a_file_s_name_leads_nowhere_else() {
        for good in ["soak.toml", "lots.toml", "Balm_2-b.toml"] {
            assert!(is_file(good), "{good}");
        }
        let long = format!("{}.toml", "x".repeat(96));
        for bad in [
            "../x.toml",
            "a/b.toml",
            ".toml",
            "x",
            "x.toml/",
            "x.y.toml",
            "é.toml",
            &long,
        ] {
            assert!(!is_file(bad), "{bad}");
        }
    }
}
