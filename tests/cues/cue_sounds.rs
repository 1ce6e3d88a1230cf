//! Sounds and speech with stub programs that record how they were called, and with the real
//! espeak-ng and the real freedesktop sound theme.
//!
//! Needs the Debian packages espeak-ng and sound-theme-freedesktop.

use std::path::{Path, PathBuf};
use std::process::Command;

use bismar::config::CueConfig;
use bismar::cue::{CueHub, Surroundings};
use bismar::language::{Language, phrase};
use bismar::mass::Mass;
use bismar::vocabulary::cue::{Cue, CueKind};

use super::hub::{cue, until};
use crate::bench_side::desk::GUARD;

/// Nothing here takes this long; it only turns a hang into a failure.
const THEME: &str = "/usr/share/sounds/freedesktop/stereo";

#[test]
fn each_cue_plays_its_sound_of_the_freedesktop_theme_by_file_or_by_name() {
    assert!(
        Path::new(THEME).is_dir(),
        "this test needs the Debian package sound-theme-freedesktop"
    );
    let bench = Bench::new();
    bench.stub("paplay", "");
    let played = bench.run(
        &CueConfig::default(),
        CueKind::ALL.map(|kind| cue(kind, "now")),
    );
    assert_eq!(played.len(), CueKind::ALL.len());
    for line in &played {
        let file = line.strip_prefix("paplay ").unwrap();
        assert!(
            file.starts_with(THEME) && Path::new(file).is_file(),
            "{line}"
        );
    }
    // Ten cues, ten sounds: none can be taken for another.
    let mut different = played.clone();
    different.sort();
    different.dedup();
    assert_eq!(different.len(), played.len());

    // A player that knows the theme itself comes first and gets the name.
    bench.stub("canberra-gtk-play", "");
    let played = bench.run(&CueConfig::default(), [cue(CueKind::Lift, "recorded")]);
    assert_eq!(played, ["canberra-gtk-play -i complete"]);
}

#[test]
fn a_sound_of_the_configuration_takes_the_place_of_ours_or_silences_it() {
    let bench = Bench::new();
    bench.stub("pw-play", "");
    let gong = bench.file("data/sounds/gong.wav");
    let own = bench.file("-own.oga");
    let config = CueConfig {
        sounds: vec![
            ("add".to_owned(), "gong".to_owned()),
            ("lift".to_owned(), own.display().to_string()),
            ("hold".to_owned(), "none".to_owned()),
            ("mix".to_owned(), "gong-of-the-large-kind".to_owned()),
            ("done".to_owned(), "/no/such/file.wav".to_owned()),
        ],
        ..CueConfig::default()
    };
    let cues = ["hold", "add", "lift", "mix", "done"].map(|name| {
        CueKind::ALL
            .into_iter()
            .find(|kind| kind.name() == name)
            .unwrap()
    });
    let (hub, runtime) = bench.hub(&config);
    runtime.block_on(async {
        for kind in cues {
            hub.say(&cue(kind, "now"));
            assert!(hub.settled(GUARD).await);
        }
        let state = status(&hub, "sound");
        assert_eq!(
            state,
            "no sound file /no/such/file.wav; see `sounds` in the configuration"
        );
    });
    // The third is the theme specification's fallback: the name without its last parts.
    let gong = format!("pw-play {}", gong.display());
    assert_eq!(
        bench.calls(),
        [gong.clone(), format!("pw-play {}", own.display()), gong]
    );
}

#[test]
fn a_player_of_plain_waves_never_gets_a_packed_file() {
    let bench = Bench::new();
    bench.stub("aplay", "");
    bench.file("data/sounds/freedesktop/stereo/message.oga");
    let wave = bench.file("data/sounds/freedesktop/stereo/message.wav");
    bench.file("data/sounds/freedesktop/stereo/complete.oga");
    let (hub, runtime) = bench.hub_in(&CueConfig::default(), vec![bench.path("data")]);
    runtime.block_on(async {
        hub.say(&cue(CueKind::Add, "now"));
        assert!(hub.settled(GUARD).await);
        hub.say(&cue(CueKind::Lift, "now"));
        assert!(hub.settled(GUARD).await);
        let state = status(&hub, "sound");
        assert!(
            state.starts_with("no sound named complete that "),
            "{state}"
        );
    });
    assert_eq!(bench.calls(), [format!("aplay -q {}", wave.display())]);
}

#[test]
fn the_next_player_is_tried_when_one_fails_and_is_kept() {
    let bench = Bench::new();
    bench.stub("canberra-gtk-play", "exit 1");
    bench.stub("paplay", "");
    let cues = [cue(CueKind::Lift, "one"), cue(CueKind::Fault, "two")];
    let played = bench.run(&CueConfig::default(), cues);
    let players: Vec<&str> = played
        .iter()
        .filter_map(|line| line.split(' ').next())
        .collect();
    assert_eq!(players, ["canberra-gtk-play", "paplay", "paplay"]);
    // All of them failing is said, with the reason.
    bench.stub("paplay", "exit 3");
    let (hub, runtime) = bench.hub(&CueConfig::default());
    runtime.block_on(async {
        hub.say(&cue(CueKind::Lift, "one"));
        assert!(hub.settled(GUARD).await);
        assert_eq!(status(&hub, "sound"), "paplay ended with code 3");
    });
}

#[test]
fn no_player_and_no_speaker_is_said_in_the_status() {
    let bench = Bench::new();
    let config = CueConfig {
        speech: true,
        ..CueConfig::default()
    };
    let (hub, runtime) = bench.hub(&config);
    runtime.block_on(async {
        hub.say(&cue(CueKind::Add, "now"));
        assert!(hub.settled(GUARD).await);
    });
    let sound = status(&hub, "sound");
    assert!(sound.starts_with("no player program (canberra-gtk-play, pw-play"));
    assert!(
        sound.ends_with("install pulseaudio-utils or pipewire"),
        "{sound}"
    );
    assert!(status(&hub, "speech").starts_with("no spd-say and no espeak-ng"));
    let config = CueConfig {
        speech_program: Some("parrot".to_owned()),
        ..config
    };
    let (hub, runtime) = bench.hub(&config);
    runtime.block_on(async {
        hub.say(&cue(CueKind::Add, "now"));
        assert!(hub.settled(GUARD).await);
    });
    assert!(status(&hub, "speech").contains("parrot is neither spd-say nor espeak-ng"));
}

#[test]
fn a_running_pour_sounds_once_and_not_with_each_number() {
    let bench = Bench::new();
    bench.stub("paplay", "");
    let mut next_step = cue(CueKind::Add, "of the next step");
    next_step.step += 1;
    let cues = [
        cue(CueKind::Add, "4.20 g"),
        cue(CueKind::Add, "3.10 g"),
        cue(CueKind::Add, "2.00 g"),
        next_step,
    ];
    assert_eq!(bench.run(&CueConfig::default(), cues).len(), 2);
}

#[test]
fn hung_programs_never_pile_up_and_end_with_the_hub() {
    let bench = Bench::new();
    let hang = format!(
        "echo $$ >> '{}'\nsleep 1000 & echo $! >> '{0}'\nwait",
        bench.path("pids").display()
    );
    bench.stub("paplay", &hang);
    bench.stub("spd-say", &hang);
    let config = CueConfig {
        speech: true,
        ..CueConfig::default()
    };
    let (hub, runtime) = bench.hub(&config);
    let pids = || -> Vec<String> {
        let text = std::fs::read_to_string(bench.path("pids")).unwrap_or_default();
        text.lines().map(str::to_owned).collect()
    };
    runtime.block_on(async {
        for n in 0..30usize {
            let kind = if n % 2 == 0 {
                CueKind::Lift
            } else {
                CueKind::Place
            };
            hub.say(&cue(kind, &format!("cue {n}")));
            // A script and its `sleep`, of the player and of the speaker.
            until(|| pids().len() == 4 * (n + 1)).await;
            until(|| pids().iter().filter(|pid| alive(pid)).count() <= 4).await;
        }
        assert_eq!(pids().iter().filter(|pid| alive(pid)).count(), 4);
        drop(hub);
        until(|| pids().iter().all(|pid| !alive(pid))).await;
    });
}

#[test]
fn text_is_spoken_as_text_in_the_language_and_never_as_an_option() {
    let bench = Bench::new();
    bench.stub("spd-say", "");
    bench.stub("espeak-ng", "");
    let config = CueConfig {
        sound: false,
        speech: true,
        language: Some("en-GB".to_owned()),
        ..CueConfig::default()
    };
    let cues = [
        cue(CueKind::Add, "--stop 0.42 g"),
        cue(CueKind::Hold, "-1.5 g; $(reboot)"),
    ];
    assert_eq!(
        bench.run(&config, cues),
        [
            "spd-say --wait --application-name bismar --language en-GB -- --stop 0.42 grams",
            "spd-say --wait --application-name bismar --language en-GB -- \
             minus 1.5 grams; $(reboot)",
        ]
    );
    let config = CueConfig {
        speech_program: Some("espeak-ng".to_owned()),
        ..config
    };
    assert_eq!(
        bench.run(&config, [cue(CueKind::Add, "0.42 g")]),
        ["espeak-ng -v en-GB -- 0.42 grams"]
    );
}

#[test]
fn a_new_sentence_interrupts_but_a_running_number_lets_the_old_one_end() {
    let bench = Bench::new();
    // Speaks until the file `quiet` is there; says `end` only when it was not interrupted.
    let speaks = format!(
        "while ! [ -e '{0}' ]; do sleep 0.01; done\necho end >> '{1}'",
        bench.path("quiet").display(),
        bench.path("calls").display()
    );
    bench.stub("espeak-ng", &speaks);
    let config = CueConfig {
        sound: false,
        speech: true,
        ..CueConfig::default()
    };
    let (hub, runtime) = bench.hub(&config);
    runtime.block_on(async {
        hub.say(&cue(CueKind::Place, "Put the beaker on"));
        until(|| bench.calls().len() == 1).await;
        hub.say(&cue(CueKind::Add, "4 g"));
        until(|| bench.calls().len() == 2).await;
        for n in (1..4).rev() {
            hub.say(&cue(CueKind::Add, &format!("{n} g")));
            tokio::task::yield_now().await;
        }
        bench.file("quiet");
        assert!(hub.settled(GUARD).await);
    });
    assert_eq!(
        bench.calls(),
        [
            "espeak-ng -- Put the beaker on",
            "espeak-ng -- 4 grams",
            "end",
            "espeak-ng -- 1 gram",
            "end",
        ]
    );
}

#[test]
fn the_real_espeak_ng_reads_our_arguments_as_text() {
    let phonemes = |arguments: &[&str]| {
        let output = Command::new("espeak-ng")
            .args(["-q", "-x"])
            .args(arguments)
            .output();
        let output = output.expect("this test needs the Debian package espeak-ng");
        assert!(output.status.success(), "{output:?}");
        String::from_utf8(output.stdout).unwrap()
    };
    // The same text through standard input, where nothing can be an option.
    let plain = |text: &str| {
        let mut command = Command::new("espeak-ng");
        command.args(["-q", "-x", "--stdin"]);
        let mut child = command
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        std::io::Write::write_all(&mut child.stdin.take().unwrap(), text.as_bytes()).unwrap();
        String::from_utf8(child.wait_with_output().unwrap().stdout).unwrap()
    };
    for text in ["--help", "0.42 grams", "-q 1 gram"] {
        assert_eq!(phonemes(&["--", text]).trim(), plain(text).trim());
    }
    assert!(!phonemes(&["-v", "en-GB", "--", "0.42 grams"]).is_empty());
}

#[test]
fn a_sentence_is_spoken_in_the_language_by_its_voice() {
    let mut bench = Bench::new();
    bench.stub("espeak-ng", "");
    let config = CueConfig {
        sound: false,
        speech: true,
        ..CueConfig::default()
    };
    let said = || {
        let (missing, name) = (Mass::from_mg(4_200).grams_rounded(2), "Salz 1.5");
        let mut add = cue(CueKind::Add, "");
        add.say = phrase!("{missing} g to add: {name}.", missing, name);
        [add]
    };
    for (language, call) in [
        (
            Language::English,
            "espeak-ng -- 4.20 grams to add: Salz 1.5.",
        ),
        (
            Language::German,
            "espeak-ng -v de -- 4,20 Gramm zugeben: Salz 1.5.",
        ),
        (
            Language::French,
            "espeak-ng -v fr -- 4,20 grammes à ajouter : Salz 1.5.",
        ),
    ] {
        bench.language = language;
        assert_eq!(bench.run(&config, said()), [call]);
    }
    // A voice that was chosen is kept; a German sentence's units are no words of another language's.
    let config = CueConfig {
        language: Some("nl".to_owned()),
        ..config
    };
    bench.language = Language::German;
    let call = "espeak-ng -v nl -- 4,20 g zugeben: Salz 1.5.";
    assert_eq!(bench.run(&config, said()), [call]);
}

/// How a decimal number is read aloud: the sign by its name, the digits behind it one by one in German, as a number in
/// French. From memory, no source; the voices are the synthesizer's own.
#[test]
fn the_real_espeak_ng_reads_weights_right_in_each_language() {
    let sounds = |voice: &str, text: &str| {
        let output = Command::new("espeak-ng")
            .args(["-q", "-x", "-v", voice, "--", text])
            .output();
        let output = output.expect("this test needs the Debian package espeak-ng");
        let said = String::from_utf8(output.stdout).unwrap().to_lowercase();
        // Stress and pauses are not what is said.
        said.replace(['\'', ',', '_', '|', ' ', '\n'], "")
    };
    for (voice, written, read) in [
        ("de", "4,20 Gramm", "vier Komma zwei null Gramm"),
        ("de", "0,05 Gramm", "null Komma null fünf Gramm"),
        ("fr", "4,20 grammes", "quatre virgule vingt grammes"),
        ("fr", "0,05 grammes", "zéro virgule zéro cinq grammes"),
    ] {
        assert_eq!(sounds(voice, written), sounds(voice, read), "{written}");
    }
    // What would be read from a point, or from the symbol.
    assert_ne!(sounds("de", "4.20 Gramm"), sounds("de", "4,20 Gramm"));
    assert_ne!(sounds("de", "4,20 g"), sounds("de", "4,20 Gramm"));
}

// ---------------------------------------------------------------- the bench

struct Bench {
    dir: tempfile::TempDir,
    language: Language,
}

impl Bench {
    fn new() -> Bench {
        let bench = Bench {
            dir: tempfile::tempdir().unwrap(),
            language: Language::English,
        };
        std::fs::create_dir(bench.path("bin")).unwrap();
        bench
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn file(&self, name: &str) -> PathBuf {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, "").unwrap();
        path
    }

    /// A program that writes down how it was called, then does `then`.
    fn stub(&self, name: &str, then: &str) {
        let calls = self.path("calls");
        let text = format!(
            "#!/bin/sh\necho \"{name} $*\" >> '{}'\n{then}\n",
            calls.display()
        );
        let path = self.path("bin").join(name);
        // Written by another process: were the file open for writing here while another test
        // starts a child, it could not be started ("text file busy").
        let write = [
            "-c",
            "printf '%s' \"$1\" > \"$2\" && chmod 755 \"$2\"",
            "sh",
            &text,
        ];
        let status = Command::new("/bin/sh").args(write).arg(&path).status();
        assert!(status.unwrap().success());
    }

    fn calls(&self) -> Vec<String> {
        let text = std::fs::read_to_string(self.path("calls")).unwrap_or_default();
        text.lines().map(str::to_owned).collect()
    }

    fn hub(&self, config: &CueConfig) -> (CueHub, tokio::runtime::Runtime) {
        self.hub_in(config, vec![self.path("data"), "/usr/share".into()])
    }

    fn hub_in(
        &self,
        config: &CueConfig,
        data_dirs: Vec<PathBuf>,
    ) -> (CueHub, tokio::runtime::Runtime) {
        let around = Surroundings {
            path: self.path("bin").into(),
            data_dirs,
            language: self.language,
            ..Surroundings::default()
        };
        let config = CueConfig {
            desktop: false,
            ..config.clone()
        };
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        let hub = runtime.block_on(async { CueHub::start_in(&config, &around, |_| {}) });
        (hub, runtime)
    }

    /// Says the cues one after another, each heard out; what was called for them.
    fn run(&self, config: &CueConfig, cues: impl IntoIterator<Item = Cue>) -> Vec<String> {
        let before = self.calls().len();
        let (hub, runtime) = self.hub(config);
        runtime.block_on(async {
            for cue in cues {
                hub.say(&cue);
                assert!(hub.settled(GUARD).await);
            }
        });
        self.calls().split_off(before)
    }
}

fn status(hub: &CueHub, output: &str) -> String {
    let status = hub.status();
    let one = status.iter().find(|status| status.output == output);
    one.unwrap_or_else(|| panic!("no {output} in {status:?}"))
        .state
        .clone()
}

/// A killed process that nobody has waited for yet is dead.
fn alive(pid: &str) -> bool {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
    let state = stat
        .rsplit(')')
        .next()
        .and_then(|rest| rest.trim().chars().next());
    state.is_some_and(|state| state != 'Z' && state != 'X')
}
