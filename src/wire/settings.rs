//! Settings of a bench and the gatherer on the wire: the configuration's part, the secrets, who the bench is.

use std::io::Read as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use super::WireError;
use super::message::is_id;
use super::seal::Key;
use crate::config::WorkshopConfig;
use crate::config::paths::Places;
use crate::files;
use crate::journal::read::folder::BENCH_ID;
use crate::language::{Sentence, Term, phrase, term};
use crate::problem::{Problem, Problems};

/// A text that is never shown.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret(...)")
    }
}

/// What the file of secrets has.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Secrets {
    pub key: Key,
    /// The broker's user and password.
    pub login: Option<(String, Secret)>,
}

/// The name of the file among a unit's credentials (`LoadCredential=`).
const CREDENTIAL: &str = "bismar-workshop";

/// The shortest key of a workshop, in characters.
const SHORTEST_KEY: usize = 32;

impl Secrets {
    /// Reads them from where they are: a unit's credentials, the file that is configured, or the usual one.
    ///
    /// # Errors
    /// Where they are not, are open to others, or are wrong; never with what stands there.
    pub fn find(config: &WorkshopConfig) -> Result<Secrets, Problems> {
        let places = Places::from_env();
        let credential = std::env::var_os("CREDENTIALS_DIRECTORY")
            .map(|folder| PathBuf::from(folder).join(CREDENTIAL))
            .filter(|path| path.exists());
        if let Some(path) = credential {
            return Secrets::parse(&text(&path)?, &path);
        }
        let usual = || places.secrets_file();
        let Some(path) = config.secrets.clone().or_else(usual) else {
            let message =
                phrase!("the file of the workshop's secrets is not known, since HOME is not set");
            return Err(problem(
                Path::new(""),
                0,
                message,
                phrase!("Set secrets in [workshop]"),
            ));
        };
        let open = std::fs::metadata(&path).map(|about| about.permissions().mode() & 0o077 != 0);
        let text = text(&path)?;
        if open.unwrap_or(true) {
            let message = phrase!("others may read or write the workshop's secrets");
            let file = path.display().to_string();
            let remedy = phrase!("Close it: chmod 600 {file}", file);
            return Err(problem(&path, 0, message, remedy));
        }
        Secrets::parse(&text, &path)
    }

    /// Lines of `key = ...`, `user = ...`, `password = ...`; empty ones and those after `#` count for nothing.
    ///
    /// # Errors
    /// The first line that is none, by its number; what is missing.
    pub fn parse(text: &str, path: &Path) -> Result<Secrets, Problems> {
        const REMEDY: Term =
            term!("Write lines of key = ..., user = ... and password = ..., without quotes");
        let [mut key, mut user, mut password] = [const { None::<&str> }; 3];
        for (number, line) in (1..).zip(text.lines()) {
            let line = line.trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            let (name, value) = line
                .split_once('=')
                .map_or((line, ""), |(name, value)| (name.trim(), value.trim()));
            let place = match name {
                "key" => &mut key,
                "user" => &mut user,
                "password" => &mut password,
                _ => {
                    return Err(problem(
                        path,
                        number,
                        phrase!("this line is no secret that is known"),
                        REMEDY,
                    ));
                }
            };
            if value.is_empty() {
                return Err(problem(
                    path,
                    number,
                    phrase!("nothing stands after the name"),
                    REMEDY,
                ));
            }
            if place.replace(value).is_some() {
                let message = phrase!("this secret stands here a second time");
                let remedy = phrase!("Remove one of the two");
                return Err(problem(path, number, message, remedy));
            }
        }
        let Some(key) = key else {
            let remedy =
                phrase!("Add key = and what `openssl rand -hex 32` prints, the same on each bench");
            return Err(problem(path, 0, phrase!("has no key"), remedy));
        };
        if key.len() < SHORTEST_KEY {
            let message = phrase!(
                "the key has fewer than {least} characters",
                least = SHORTEST_KEY,
            );
            let remedy = phrase!("Take what `openssl rand -hex 32` prints, the same on each bench");
            return Err(problem(path, 0, message, remedy));
        }
        let login = match (user, password) {
            (Some(user), Some(password)) => Some((user.to_owned(), Secret(password.to_owned()))),
            (None, None) => None,
            _ => {
                return Err(problem(
                    path,
                    0,
                    phrase!("has one of user and password alone"),
                    phrase!("Add the other"),
                ));
            }
        };
        Ok(Secrets {
            key: Key::new(key.as_bytes()),
            login,
        })
    }
}

fn problem(
    path: &Path,
    line: usize,
    message: impl Into<Sentence>,
    remedy: impl Into<Sentence>,
) -> Problems {
    Problems::from(Problem {
        path: path.display().to_string(),
        line,
        column: usize::from(line > 0),
        message: message.into(),
        remedy: remedy.into(),
    })
}

fn text(path: &Path) -> Result<String, Problems> {
    files::text(path).map_err(|mut problems| {
        // Where it is missing, the one who reads this has to make it.
        if !path.exists() {
            let remedy = phrase!(
                "Write the workshop's secrets there (key = ..., user = ..., password = ...), then chmod 600 it"
            );
            for one in &mut problems.0 {
                one.remedy = remedy.clone();
            }
        }
        problems
    })
}

/// Everything for a connection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    pub config: WorkshopConfig,
    pub secrets: Secrets,
    /// PEM.
    pub ca: Option<Vec<u8>>,
    /// PEM: the certificate, and its key.
    pub certificate: Option<(Vec<u8>, Secret)>,
}

/// The certificates that a Debian trusts.
const SYSTEM_CA: &str = "/etc/ssl/certs/ca-certificates.crt";

impl Settings {
    /// Reads the files that the configuration names.
    ///
    /// # Errors
    /// Which file is wrong.
    pub fn read(config: &WorkshopConfig) -> Result<Settings, Problems> {
        let secrets = Secrets::find(config)?;
        let ca = match (config.tls, &config.ca) {
            (false, _) => None,
            (true, Some(path)) => Some(files::text(path)?.into_bytes()),
            (true, None) => Some(files::text(Path::new(SYSTEM_CA))?.into_bytes()),
        };
        let certificate = match &config.certificate {
            Some((certificate, key)) if config.tls => Some((
                files::text(certificate)?.into_bytes(),
                Secret(files::text(key)?),
            )),
            Some(_) | None => None,
        };
        Ok(Settings {
            config: config.clone(),
            secrets,
            ca,
            certificate,
        })
    }
}

/// Who this bench is: a number of its own, made once and kept in `folder`, by which one that was put in its place is
/// told from it.
///
/// # Errors
/// When it cannot be read or kept.
pub fn identity(folder: &Path) -> Result<String, WireError> {
    let path = folder.join(BENCH_ID);
    match std::fs::File::open(&path) {
        Ok(file) => {
            let mut text = String::new();
            let read = file.take(64).read_to_string(&mut text);
            read.map_err(WireError::io(&path, term!("read who this bench is")))?;
            if is_id(text.trim_end()) {
                return Ok(text.trim_end().to_owned());
            }
            let remedy =
                phrase!("Remove the file; the gatherer then has to be told that this is the bench");
            let message = phrase!("does not say who this bench is");
            Err(problem(&path, 0, message, remedy).into())
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let id = super::word()?;
            files::create(&path, &format!("{id}\n"))
                .map_err(WireError::io(&path, term!("keep who this bench is")))?;
            Ok(id)
        }
        Err(error) => Err(WireError::io(&path, term!("read who this bench is"))(error)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_of_secrets_is_read_and_an_error_never_shows_one() {
        let path = Path::new("workshop.secrets");
        let key = "0123456789abcdef0123456789abcdef";
        let good = format!("# ours\n\nkey = {key}\nuser= bench-1\npassword =pass=word \n");
        let read = Secrets::parse(&good, path).unwrap();
        assert_eq!(read.key, Key::new(key.as_bytes()));
        let (user, password) = read.login.clone().unwrap();
        assert_eq!((user.as_str(), password.expose()), ("bench-1", "pass=word"));
        assert!(!format!("{read:?}").contains("pass=word"));
        for (text, place) in [
            ("hunter2secret", "workshop.secrets:1:1: "),
            ("key = x\nhunter2secret = y", "workshop.secrets:2:1: "),
            ("key =", "workshop.secrets:1:1: "),
            ("user = hunter2secret", "workshop.secrets: has no key"),
            (
                "key = hunter2secret",
                "workshop.secrets: the key has fewer than 32",
            ),
            (
                &format!("key={key}\npassword = hunter2secret"),
                "workshop.secrets: has one of",
            ),
            (&format!("key={key}\nkey={key}"), "workshop.secrets:2:1: "),
        ] {
            let error = Secrets::parse(text, path).unwrap_err().to_string();
            assert!(error.starts_with(place), "{text}: {error}");
            assert!(
                !error.contains("hunter2") && !error.contains(key),
                "{error}"
            );
        }
    }
}
