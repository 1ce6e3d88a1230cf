//! Sounds: one short sound by cue, played by the first player program that works.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio::time::Instant;

use super::child::{self, CommandLine, Job, Programs, Turn, Unheard};
use super::{Inbox, Output, Report, Surroundings};
use crate::config::CueConfig;
use crate::vocabulary::cue::{Cue, CueKind};

/// A sound is short; a player that takes longer than this is hung.
const LIMIT: Duration = Duration::from_secs(8);
/// The same cue again sounds again only after this, or at once when it is urgent and
/// [`URGENT_REPEAT`] has passed: a number that changes ten times a second must not rattle.
const REPEAT: Duration = Duration::from_secs(10);
const URGENT_REPEAT: Duration = Duration::from_secs(2);

/// The sound of each cue, as a name of the freedesktop sound theme (sound-theme-freedesktop 0.8;
/// names of the freedesktop Sound Naming Specification 0.7). They differ in rhythm and length, not
/// in pitch alone, so that a noisy room or a weak ear can tell them apart.
pub(super) const fn default_sound(kind: CueKind) -> &'static str {
    match kind {
        CueKind::Place => "device-added",
        CueKind::Add => "message",
        CueKind::EaseOff => "bell",
        CueKind::Hold => "audio-volume-change",
        CueKind::TakeOut => "dialog-warning",
        CueKind::Lift => "complete",
        CueKind::Mix => "message-new-instant",
        CueKind::Choose => "window-question",
        CueKind::Fault => "dialog-error",
        CueKind::Done => "service-login",
    }
}

/// The configured sound of each cue; `None` for silence (`""` or `none`).
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct SoundNames(Vec<(CueKind, Option<String>)>);

impl SoundNames {
    fn new(config: &CueConfig) -> SoundNames {
        let of = |kind: CueKind| {
            let named = config
                .sounds
                .iter()
                .rev()
                .find(|(cue, _)| cue == kind.name());
            let sound = named.map_or(default_sound(kind), |(_, sound)| sound.as_str());
            let silent = sound.is_empty() || sound == "none";
            (kind, (!silent).then(|| sound.to_owned()))
        };
        SoundNames(CueKind::ALL.into_iter().map(of).collect())
    }

    pub(super) fn of(&self, kind: CueKind) -> Option<&str> {
        let (_, sound) = self.0.iter().find(|(k, _)| *k == kind)?;
        sound.as_deref()
    }
}

/// A program that plays a sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Player {
    /// Knows the desktop's sound theme.
    Themed,
    /// Plays any sound file.
    File,
    /// Plays uncompressed files only; anything else it would play as noise.
    Wave,
}

const PLAYERS: [(&str, Player); 4] = [
    ("canberra-gtk-play", Player::Themed),
    ("pw-play", Player::File),
    ("paplay", Player::File),
    ("aplay", Player::Wave),
];

pub(super) struct Sound {
    names: SoundNames,
    data_dirs: Vec<PathBuf>,
    players: Programs<Player>,
    /// Whether there is a notification to sound in our place.
    server_plays: bool,
    heard: Option<(CueKind, usize, Instant)>,
}

impl Sound {
    pub(super) fn new(config: &CueConfig, around: &Surroundings) -> Sound {
        Sound {
            names: SoundNames::new(config),
            data_dirs: around.data_dirs.clone(),
            players: Programs::find(PLAYERS, &around.path),
            server_plays: config.desktop,
            heard: None,
        }
    }

    pub(super) fn can_play(&self) -> bool {
        !self.players.is_empty()
    }

    pub(super) fn names(&self) -> SoundNames {
        self.names.clone()
    }
}

impl Output for Sound {
    const NAME: &'static str = "sound";

    async fn run(self, inbox: Inbox, report: Report) {
        if !self.can_play() {
            let names: Vec<&str> = PLAYERS.iter().map(|(name, _)| *name).collect();
            let remedy = if self.server_plays {
                "the notification server is asked to play instead"
            } else {
                "install pulseaudio-utils or pipewire"
            };
            let names = names.join(", ");
            report.failed(format!("no player program ({names}); {remedy}"), None);
        }
        child::run(self, inbox, report).await;
    }
}

impl Job for Sound {
    fn turn(&mut self, next: &Cue, _running: Option<&Cue>, now: Instant) -> Turn {
        let wait = if next.urgent { URGENT_REPEAT } else { REPEAT };
        let soon = self.heard.is_some_and(|(kind, step, at)| {
            kind == next.kind && step == next.step && now.saturating_duration_since(at) < wait
        });
        if soon || !self.can_play() {
            return Turn::Skip;
        }
        self.heard = Some((next.kind, next.step, now));
        self.players.try_all();
        Turn::Now
    }

    fn command(&self, cue: &Cue) -> Result<Option<CommandLine>, Unheard> {
        let (Some(sound), Some((program, player))) =
            (self.names.of(cue.kind), self.players.current())
        else {
            return Ok(None);
        };
        let arguments: Vec<OsString> = if sound.contains('/') {
            let file = Path::new(sound);
            if !file.is_file() {
                return Err(Unheard::NoFile(sound.to_owned()));
            }
            file_arguments(*player, file)?
        } else {
            match player {
                Player::Themed => vec!["-i".into(), sound.into()],
                Player::File | Player::Wave => match themed_file(&self.data_dirs, sound, *player) {
                    Found::File(file) => file_arguments(*player, &file)?,
                    Found::Disabled => return Ok(None),
                    Found::Nothing => {
                        return Err(Unheard::NoSound {
                            name: sound.to_owned(),
                            program: program.clone(),
                        });
                    }
                },
            }
        };
        Ok(Some(CommandLine {
            program: program.clone(),
            arguments,
        }))
    }

    fn next_program(&mut self) -> bool {
        self.players.next()
    }

    fn limit(&self) -> Duration {
        LIMIT
    }
}

fn file_arguments(player: Player, file: &Path) -> Result<Vec<OsString>, Unheard> {
    // An absolute path cannot be taken for an option.
    let file = std::path::absolute(file).map_err(|error| Unheard::Relative {
        file: file.to_owned(),
        error,
    })?;
    match player {
        Player::Themed => Ok(vec!["-f".into(), file.into()]),
        Player::File => Ok(vec![file.into()]),
        Player::Wave if is_wave(&file) => Ok(vec!["-q".into(), file.into()]),
        Player::Wave => Err(Unheard::NoWave(file)),
    }
}

fn is_wave(file: &Path) -> bool {
    file.extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("wav"))
}

#[derive(Debug, PartialEq, Eq)]
enum Found {
    File(PathBuf),
    /// The theme says that this sound is to be silent.
    Disabled,
    Nothing,
}

/// The file of a named sound in the theme `freedesktop`, which every system has as the last resort
/// (freedesktop Sound Theme Specification 0.8, "Sound lookup", from memory: extensions `disabled`,
/// `oga`, `ogg`, `wav` in this order; a name without a sound is tried again without its last
/// `-part`; then sounds outside any theme).
fn themed_file(data_dirs: &[PathBuf], name: &str, player: Player) -> Found {
    let mut name = name;
    loop {
        for folder in ["sounds/freedesktop/stereo", "sounds/freedesktop", "sounds"] {
            for data in data_dirs {
                for extension in ["disabled", "oga", "ogg", "wav"] {
                    let file = data.join(folder).join(format!("{name}.{extension}"));
                    if !file.is_file() {
                        continue;
                    }
                    if extension == "disabled" {
                        return Found::Disabled;
                    }
                    if player != Player::Wave || is_wave(&file) {
                        return Found::File(file);
                    }
                }
            }
        }
        match name.rsplit_once('-') {
            Some((shorter, _)) => name = shorter,
            None => return Found::Nothing,
        }
    }
}
