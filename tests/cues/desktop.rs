//! The desktop cue against real notification servers on a private D-Bus session: one of our own
//! (zbus), python3-dbusmock's, and dunst. What is checked is the freedesktop Desktop Notifications
//! Specification 1.2: Notify's arguments, hints, urgency levels, `replaces_id`, ActionInvoked.
//!
//! Needs the Debian packages dbus-daemon, python3-dbusmock, dunst and xvfb.

use std::io::Read;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use bismar::config::CueConfig;
use bismar::cue::{CueHub, Surroundings};
use bismar::vocabulary::command::Choice;
use bismar::vocabulary::cue::CueKind;
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};
use zbus::{Connection, OwnedVariant, Variant};

use super::hub::{cue, until};
use crate::bench_side::desk::{Bus, GUARD, Manner, NAME, PATH, Program, Server, runtime, script};
use crate::bench_side::{again, faults};

// ---------------------------------------------------------------- what is said

#[test]
fn one_notification_is_replaced_in_place_with_urgency_hints_and_buttons() {
    on_a_bus(async |bus| {
        let mut server = Server::start(&bus, Manner::Answering).await;
        let (hub, _choices) = hub(&bus);
        hub.say(&cue(CueKind::Add, "4.20 g salt to go"));
        let first = server.shown().await;
        assert_eq!(
            (first.app.as_str(), first.replaces, first.id),
            ("bismar", 0, 1)
        );
        assert_eq!(first.summary, "4.20 g salt to go");
        assert_eq!(first.body, "Step 2");
        assert_eq!(first.hint::<u8>("urgency"), Some(1), "normal");
        assert_eq!(first.hint::<bool>("transient"), Some(true));
        assert_eq!(first.hint::<String>("category").as_deref(), Some("device"));
        assert_eq!(
            first.hint::<bool>("suppress-sound"),
            Some(true),
            "sound is turned off"
        );
        assert!(first.actions.is_empty());

        let mut over = cue(CueKind::Choose, "0.30 g too much");
        over.urgent = true;
        over.choices = vec![Choice::Again, Choice::Keep];
        hub.say(&over);
        let second = server.shown().await;
        assert_eq!((second.replaces, second.id), (1, 1));
        assert_eq!(second.hint::<u8>("urgency"), Some(2), "critical");
        assert_eq!(second.hint::<bool>("transient"), None);
        assert_eq!(second.expire, 0, "stays until it is answered");
        let labels: Vec<&str> = second
            .actions
            .iter()
            .skip(1)
            .step_by(2)
            .map(|s| &**s)
            .collect();
        assert_eq!(labels, ["Again", "Keep"]);
        assert_eq!(second.actions.len(), 4);
        // A question that nobody waits for any more is taken from the screen.
        hub.close(GUARD).await;
        assert_eq!(server.closed.recv().await, Some(1));
    });
}

/// A hub that ends without a word, as one of a daemon that dies; the next one takes what is left from the screen, once, and
/// on the same bus and server alone: there the id is its own (specification 1.2, "Notify": ids are unique for the time
/// that the server runs).
#[test]
fn what_a_dead_daemon_left_on_the_screen_is_taken_away_by_the_next_one() {
    on_a_bus(async |bus| {
        let folder = tempfile::tempdir().unwrap();
        let note = folder.path().join("notification");
        let around = Surroundings {
            note: Some(note.clone()),
            ..surroundings(&bus)
        };
        let start = || CueHub::start_in(&desktop_only(), &around, |_| {});
        let mut server = Server::start(&bus, Manner::Answering).await;
        let dead = start();
        dead.say(&cue(CueKind::TakeOut, "16.00 g to take out"));
        server.shown().await;
        while !note.exists() {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        let left = std::fs::read_to_string(&note).unwrap();
        drop(dead);
        // Nothing is said yet.
        let hub = start();
        assert_eq!(server.closed.recv().await, Some(1));
        hub.say(&cue(CueKind::Add, "4.00 g to add"));
        let shown = server.shown().await;
        assert_eq!(shown.replaces, 0, "{shown:?}");
        hub.close(GUARD).await;
        assert!(!note.exists(), "a note of nothing");

        // Another bus, another server, no note at all: nobody's notification is touched.
        let [bus_id, name, id]: [&str; 3] = left
            .split_whitespace()
            .collect::<Vec<_>>()
            .try_into()
            .unwrap();
        for other in [
            format!("{} {name} {id}\n", "0".repeat(bus_id.len())),
            format!("{bus_id} :1.99999 {id}\n"),
            format!("{bus_id} {name} many\n"),
            "\0\n\n".to_owned(),
            String::new(),
        ] {
            std::fs::write(&note, &other).unwrap();
            let hub = start();
            hub.say(&cue(CueKind::Add, "5.00 g to add"));
            server.shown().await;
            hub.close(GUARD).await;
            assert!(server.closed.try_recv().is_err(), "{other:?}");
        }
    });
}

#[test]
fn the_body_is_escaped_for_a_server_that_reads_markup() {
    on_a_bus(async |bus| {
        let mut server = Server::start(&bus, Manner::Answering).await;
        let (hub, _choices) = hub(&bus);
        let say = "Add 4.20 g of <i>salt</i> & powder to the bowl, in three parts, slowly";
        hub.say(&cue(CueKind::Add, say));
        let shown = server.shown().await;
        assert_eq!(shown.summary, say, "a summary is never markup");
        let escaped = "Add 4.20 g of &lt;i&gt;salt&lt;/i&gt; &amp; powder to the bowl, \
                       in three parts, slowly";
        assert_eq!(shown.body, format!("{escaped}\nStep 2"));
    });
}

#[test]
fn who_plays_the_sound_is_told_to_the_server_so_that_nothing_sounds_twice() {
    on_a_bus(async |bus| {
        let mut server = Server::start(&bus, Manner::Answering).await;
        let mut config = desktop_only();
        config.sound = true;
        config.sounds = vec![
            ("lift".to_owned(), "none".to_owned()),
            ("mix".to_owned(), "/srv/sounds/gong.wav".to_owned()),
        ];
        // No player of ours anywhere: the server plays, by name or by file.
        let mut around = surroundings(&bus);
        let hub = CueHub::start_in(&config, &around, |_| {});
        for (kind, name, file) in [
            (CueKind::TakeOut, Some("dialog-warning"), None),
            (CueKind::Mix, None, Some("/srv/sounds/gong.wav")),
            (CueKind::Lift, None, None),
        ] {
            hub.say(&cue(kind, "now"));
            let shown = server.shown().await;
            assert_eq!(shown.hint::<String>("sound-name").as_deref(), name);
            assert_eq!(shown.hint::<String>("sound-file").as_deref(), file);
            let silent = name.is_none() && file.is_none();
            assert_eq!(shown.hint::<bool>("suppress-sound"), silent.then_some(true));
        }
        drop(hub);
        // A player of ours is there: we play, the server is told not to.
        let folder = tempfile::tempdir().unwrap();
        std::os::unix::fs::symlink("/bin/true", folder.path().join("paplay")).unwrap();
        around.path = folder.path().into();
        let hub = CueHub::start_in(&config, &around, |_| {});
        hub.say(&cue(CueKind::TakeOut, "now"));
        let shown = server.shown().await;
        assert_eq!(shown.hint::<String>("sound-name"), None);
        assert_eq!(shown.hint::<bool>("suppress-sound"), Some(true));
    });
}

#[test]
fn a_fast_changing_number_is_paced_and_the_latest_wins() {
    on_a_bus(async |bus| {
        let mut server = Server::start(&bus, Manner::Answering).await;
        let (hub, _choices) = hub(&bus);
        let mut said = Vec::new();
        // As fast as the desktop can take them up, until the pace has held some of them back.
        for n in 0..50 {
            said.push(format!("{n}.00 g"));
            hub.say(&cue(CueKind::Add, &said[n]));
            if n == 0 {
                assert!(hub.settled(GUARD).await);
            } else {
                tokio::task::yield_now().await;
            }
        }
        assert!(hub.settled(GUARD).await);
        let mut shown = vec![server.shown().await.summary];
        while let Ok(more) = server.log.try_recv() {
            shown.push(more.summary);
        }
        assert_eq!(shown.last(), said.last());
        assert!(shown.len() < said.len() / 2, "{shown:?}");
    });
}

// ---------------------------------------------------------------- what comes back

#[test]
fn a_button_comes_back_as_its_choice_sent_to_us_alone_or_to_everybody() {
    on_a_bus(async |bus| {
        let mut server = Server::start(&bus, Manner::Answering).await;
        let (hub, mut choices) = hub(&bus);
        for (choice, alone) in [
            (Choice::Next, true),
            (Choice::Again, false),
            (Choice::Keep, true),
        ] {
            let mut question = cue(CueKind::Choose, "which?");
            question.choices = vec![Choice::Next, Choice::Again, Choice::Keep];
            hub.say(&question);
            let shown = server.shown().await;
            let to = alone.then_some(&*shown.sender);
            server.press(to, shown.id, shown.key(choice)).await;
            assert_eq!(next(&mut choices).await, choice);
            // A second press on the same notification is not a second answer; one on the next is.
            server.press(to, shown.id, shown.key(choice)).await;
            assert!(hub.settled(GUARD).await);
            question.step += 1;
            hub.say(&question);
            let shown = server.shown().await;
            let other = match choice {
                Choice::Next => Choice::Again,
                Choice::Again | Choice::Keep | Choice::Undo | Choice::Cancel => Choice::Next,
            };
            server.press(to, shown.id, shown.key(other)).await;
            assert_eq!(next(&mut choices).await, other);
        }
    });
}

#[test]
fn a_late_press_on_an_older_question_answers_nothing() {
    on_a_bus(async |bus| {
        let mut server = Server::start(&bus, Manner::Answering).await;
        let (hub, mut choices) = hub(&bus);
        let mut question = cue(CueKind::Choose, "0.30 g too much");
        question.choices = vec![Choice::Keep, Choice::Again];
        hub.say(&question);
        let old = server.shown().await;
        // The same question with a newer number: the old button still means it.
        question.say = "0.31 g too much".into();
        hub.say(&question);
        let same = server.shown().await;
        assert_eq!(old.key(Choice::Keep), same.key(Choice::Keep));
        // The next step asks the same of another weight.
        question.step = 3;
        hub.say(&question);
        let new = server.shown().await;
        server
            .press(Some(&new.sender), new.id, old.key(Choice::Keep))
            .await;
        server.press(Some(&new.sender), new.id, "keep").await;
        server.press(Some(&new.sender), new.id, "default").await;
        // The button of another notification is none of ours, whatever it is called.
        let key = new.key(Choice::Keep);
        server.press(Some(&new.sender), new.id + 1, key).await;
        server.press(Some(&new.sender), 0, key).await;
        // Somebody else on the bus is not the server.
        let other = zbus::conn::Builder::address(&*bus.address)
            .build()
            .await
            .unwrap();
        let body = (new.id, new.key(Choice::Keep));
        let to = Some(&*new.sender);
        other
            .emit_signal(to, PATH, NAME, "ActionInvoked", &body)
            .await
            .unwrap();
        // A round trip on that connection: the bus has passed the signal on.
        let bus_name = Some("org.freedesktop.DBus");
        other
            .call_method(bus_name, "/", bus_name, "GetId", &())
            .await
            .unwrap();
        question.say = "0.32 g too much".into();
        hub.say(&question);
        let again = server.shown().await;
        // Signals keep their order: were one of those taken, it would come first.
        let key = again.key(Choice::Again);
        server.press(Some(&again.sender), again.id, key).await;
        assert_eq!(next(&mut choices).await, Choice::Again);
    });
}

#[test]
fn a_flood_of_signals_keeps_neither_cues_nor_readings_from_their_turn() {
    on_a_bus(async |bus| {
        let mut server = Server::start(&bus, Manner::Answering).await;
        let (hub, mut choices) = hub(&bus);
        let mut question = cue(CueKind::Choose, "which?");
        question.choices = vec![Choice::Next];
        hub.say(&question);
        let shown = server.shown().await;
        let key = shown.key(Choice::Next).to_owned();
        let connection = server.connection.clone();
        let sent = Arc::new(AtomicU32::new(0));
        let sending = Arc::clone(&sent);
        let (stop, stopped) = std::sync::mpsc::channel::<()>();
        let flood = std::thread::spawn(move || {
            runtime().block_on(async {
                while stopped.try_recv() == Err(std::sync::mpsc::TryRecvError::Empty) {
                    let n = sending.fetch_add(1, Ordering::Relaxed);
                    let key = if n.is_multiple_of(2) {
                        key.as_str()
                    } else {
                        "x"
                    };
                    let body = (shown.id, key);
                    let to = Some(&*shown.sender);
                    connection
                        .emit_signal(to, PATH, NAME, "ActionInvoked", &body)
                        .await
                        .unwrap();
                }
            })
        });
        assert_eq!(next(&mut choices).await, Choice::Next);
        while sent.load(Ordering::Relaxed) < 3000 {
            tokio::task::yield_now().await;
        }
        hub.say(&cue(CueKind::Hold, "hold"));
        // This future stands for the reader of the scale: same thread, still polled.
        let mut turns = 0u32;
        while sent.load(Ordering::Relaxed) < 10_000 {
            tokio::task::yield_now().await;
            turns += 1;
        }
        assert!(turns > 100, "{turns}");
        assert_eq!(server.shown().await.summary, "hold");
        assert!(hub.settled(GUARD).await);
        assert_eq!(hub.status()[0].state, "ok");
        drop(stop);
        flood.join().unwrap();
        assert!(choices.try_recv().is_err(), "one press, one answer");
    });
}

// ---------------------------------------------------------------- servers in trouble

#[test]
fn a_missing_server_is_said_and_the_cue_appears_when_it_comes() {
    on_a_bus(async |bus| {
        let (hub, _choices) = hub(&bus);
        hub.say(&cue(CueKind::Add, "4.20 g"));
        assert!(hub.settled(GUARD).await);
        let status = hub.status();
        assert!(!status[0].ok);
        let state = &status[0].state;
        assert!(state.starts_with("no notification server: "), "{state}");
        assert!(state.contains(", trying again in "), "{state}");
        let mut server = Server::start(&bus, Manner::Answering).await;
        assert_eq!(server.shown().await.summary, "4.20 g");
        until(|| hub.status()[0].state == "ok").await;
    });
}

#[test]
fn a_restarted_server_gets_the_next_cue_without_a_pause() {
    on_a_bus(async |bus| {
        let mut server = Server::start(&bus, Manner::Answering).await;
        let (hub, mut choices) = hub(&bus);
        hub.say(&cue(CueKind::Add, "before"));
        server.shown().await;
        server.end().await;
        hub.say(&cue(CueKind::Hold, "while it is away"));
        assert!(hub.settled(GUARD).await);
        let mut server = Server::start(&bus, Manner::Answering).await;
        let shown = server.shown().await;
        assert_eq!(shown.summary, "while it is away");
        assert_eq!(
            shown.replaces, 0,
            "an id of the old server may be another's here"
        );
        let mut question = cue(CueKind::Mix, "after");
        question.choices = vec![Choice::Next];
        hub.say(&question);
        let shown = server.shown().await;
        assert_eq!(shown.summary, "after");
        server
            .press(Some(&shown.sender), shown.id, shown.key(Choice::Next))
            .await;
        assert_eq!(next(&mut choices).await, Choice::Next);
    });
}

#[test]
fn a_question_that_stands_is_shown_again_by_the_next_server_and_on_the_next_bus() {
    on_a_bus(async |mut bus| {
        let mut server = Server::start_after(&bus, Manner::Answering, 40).await;
        let around = Surroundings {
            bus: Some(bus.place().to_owned()),
            ..Surroundings::default()
        };
        let (sender, mut choices) = unbounded_channel();
        let hub = CueHub::start_in(&desktop_only(), &around, move |choice| {
            let _ = sender.send(choice);
        });
        let mut question = cue(CueKind::Mix, "Stir, then go on");
        question.choices = vec![Choice::Next];
        hub.say(&question);
        assert_eq!(server.shown().await.id, 41);
        server.end().await;
        let mut server = Server::start_after(&bus, Manner::Answering, 70).await;
        let shown = server.shown().await;
        assert_eq!((shown.replaces, shown.id), (0, 71));
        bus.daemon.stop();
        until(|| !hub.status()[0].ok).await;
        bus.start_again();
        // Unique names begin anew on another bus, so the server may well have the name of the one before.
        let mut server = Server::start_after(&bus, Manner::Answering, 90).await;
        let shown = server.shown().await;
        assert_eq!((shown.replaces, shown.id), (0, 91));
        assert_eq!(shown.summary, "Stir, then go on");
        server
            .press(Some(&shown.sender), shown.id, shown.key(Choice::Next))
            .await;
        assert_eq!(next(&mut choices).await, Choice::Next);
        until(|| hub.status()[0].ok).await;
    });
}

#[test]
fn a_refusing_server_is_left_alone_for_a_while() {
    on_a_bus(async |bus| {
        let mut server = Server::start(&bus, Manner::Refusing).await;
        let (hub, _choices) = hub(&bus);
        for kind in [CueKind::Add, CueKind::Hold, CueKind::Lift, CueKind::Fault] {
            let mut cue = cue(kind, "now");
            cue.urgent = kind == CueKind::Fault;
            hub.say(&cue);
            assert!(hub.settled(GUARD).await);
        }
        assert_eq!(server.shown().await.summary, "now");
        assert!(
            server.log.try_recv().is_err(),
            "asked once, then left alone"
        );
        let state = &hub.status()[0].state;
        assert!(
            state.contains("refused") && state.contains("too many"),
            "{state}"
        );
    });
}

#[test]
fn a_server_that_dies_at_once_is_not_started_again_and_again() {
    let folder = tempfile::tempdir().unwrap();
    let started = folder.path().join("started");
    let server = script(
        folder.path(),
        "server",
        &format!("echo started >> '{}'\nexit 1", started.display()),
    );
    on_bus(Bus::start(server.to_str()), async |bus| {
        let (hub, _choices) = hub(&bus);
        for n in 0..5 {
            hub.say(&cue(CueKind::Add, &format!("{n} g")));
            assert!(hub.settled(GUARD).await);
        }
        let starts = std::fs::read_to_string(&started).unwrap();
        assert_eq!(starts.lines().count(), 1);
        assert!(!hub.status()[0].ok);
    });
}

#[test]
fn a_bus_that_is_not_there_costs_nothing_but_the_notification() {
    runtime().block_on(async {
        let around = Surroundings {
            bus: Some("unix:path=/nonexistent/bus".to_owned()),
            ..Surroundings::default()
        };
        let hub = CueHub::start_in(&desktop_only(), &around, |_| {});
        hub.say(&cue(CueKind::Add, "4.20 g"));
        assert!(hub.settled(GUARD).await);
        assert!(
            hub.status()[0].state.starts_with("no session bus: "),
            "{:?}",
            hub.status()
        );
    });
}

#[test]
fn a_dying_bus_ends_nothing_else() {
    on_a_bus(async |mut bus| {
        let mut server = Server::start(&bus, Manner::Answering).await;
        let (hub, _choices) = hub(&bus);
        hub.say(&cue(CueKind::Add, "4.20 g"));
        server.shown().await;
        bus.daemon.stop();
        until(|| !hub.status()[0].ok).await;
        hub.say(&cue(CueKind::Hold, "hold"));
        assert!(hub.settled(GUARD).await);
        assert!(!hub.status()[0].ok);
        faults::report(
            "session bus dies",
            "the private bus's daemon is stopped between two cues",
            "1",
            "nothing else ends; status says it",
            hub.status()[0].state.clone(),
        );
        hub.close(GUARD).await;
    });
}

#[test]
fn a_hung_server_delays_no_other_output_and_no_say() {
    on_a_bus(async |bus| {
        let folder = tempfile::tempdir().unwrap();
        let heard = folder.path().join("heard");
        let speaker = format!("printf '%s\\n' \"$2\" >> '{}'", heard.display());
        script(folder.path(), "espeak-ng", &speaker);
        let mut server = Server::start(&bus, Manner::Silent).await;
        let mut around = surroundings(&bus);
        around.path = folder.path().into();
        let config = CueConfig {
            speech: true,
            ..desktop_only()
        };
        let hub = CueHub::start_in(&config, &around, |_| {});
        hub.say(&cue(CueKind::Add, "first"));
        server.shown().await;
        // The notification hangs now. Nothing else can run on this thread while these are said.
        for n in 0..10_000 {
            hub.say(&cue(CueKind::Lift, &format!("cue {n}")));
        }
        hub.say(&cue(CueKind::Hold, "last"));
        let lines = || std::fs::read_to_string(&heard).unwrap_or_default();
        until(|| lines().ends_with("last\n")).await;
        // After its time limit the desktop says so, and the server has not been asked twice.
        until(|| hub.status()[0].state.contains("no answer within 2 s")).await;
        assert!(server.log.try_recv().is_err());
        faults::report(
            "notification server hangs",
            "a server on a private bus takes the call and never answers, while 10,000 cues are said",
            "10,000 cues",
            "no other output and no `say` waits; the last cue is spoken; status says what is wrong",
            hub.status()[0].state.clone(),
        );
    });
}

// ---------------------------------------------------------------- processes

#[test]
fn a_hung_server_does_not_keep_the_process_from_ending() {
    on_a_bus(async |bus| {
        let mut server = Server::start(&bus, Manner::Silent).await;
        let mut child = this_test_as_a_child("child_that_ends_while_a_notification_hangs", &bus);
        server.shown().await;
        drop(child.stdin.take());
        assert!(ended(&mut child).await.success());
    });
}

#[test]
#[ignore = "run as a child process by the test above"]
fn child_that_ends_while_a_notification_hangs() {
    let Ok(address) = std::env::var("BISMAR_TEST_BUS") else {
        return;
    };
    runtime().block_on(async {
        let around = Surroundings {
            bus: Some(address),
            ..Surroundings::default()
        };
        let hub = CueHub::start_in(&desktop_only(), &around, |_| {});
        hub.say(&cue(CueKind::Add, "4.20 g"));
        let (sender, receiver) = tokio::sync::oneshot::channel();
        std::thread::spawn(move || {
            let _ = std::io::stdin().read_to_end(&mut Vec::new());
            let _ = sender.send(());
        });
        receiver.await.unwrap();
    });
}

#[test]
fn five_hundred_cues_leave_no_file_descriptor_behind() {
    on_a_bus(async |bus| {
        let mut server = Server::start(&bus, Manner::Answering).await;
        let mut child = this_test_as_a_child("child_that_says_five_hundred_cues", &bus);
        assert!(ended(&mut child).await.success());
        let mut shown = 0;
        while server.log.try_recv().is_ok() {
            shown += 1;
        }
        assert_eq!(shown, 510);
    });
}

#[test]
#[ignore = "run as a child process by the test above"]
fn child_that_says_five_hundred_cues() {
    let Ok(address) = std::env::var("BISMAR_TEST_BUS") else {
        return;
    };
    let open = || std::fs::read_dir("/proc/self/fd").unwrap().count();
    runtime().block_on(async {
        let around = Surroundings {
            bus: Some(address),
            ..Surroundings::default()
        };
        let hub = CueHub::start_in(&desktop_only(), &around, |_| {});
        let mut before = 0;
        for n in 0..510 {
            let kind = if n % 2 == 0 {
                CueKind::Add
            } else {
                CueKind::Hold
            };
            hub.say(&cue(kind, &format!("{n} g")));
            assert!(hub.settled(GUARD).await);
            if n == 9 {
                before = open();
            }
        }
        assert_eq!(hub.status()[0].state, "ok");
        assert_eq!(open(), before);
    });
}

// ---------------------------------------------------------------- other people's servers

#[test]
fn dbusmock_takes_the_cues_and_its_buttons_come_back() {
    on_a_bus(async |bus| {
        let python = ["python3", "/usr/bin/python3"]
            .into_iter()
            .find(|python| {
                let mut command = Command::new(python);
                command
                    .args(["-c", "import dbusmock"])
                    .stderr(Stdio::null());
                command.status().is_ok_and(|status| status.success())
            })
            .expect("this test needs the Debian package python3-dbusmock");
        let mut mock = Command::new(python);
        mock.args(["-m", "dbusmock", "--template", "notification_daemon"]);
        mock.stdout(Stdio::null());
        let _mock = Program::start(mock.env("DBUS_SESSION_BUS_ADDRESS", &bus.address));
        let other = client(&bus).await;
        let (hub, mut choices) = hub(&bus);
        hub.say(&cue(CueKind::Place, "Put the beaker on"));
        assert!(hub.settled(GUARD).await);
        let mut question = cue(CueKind::Choose, "0.30 g too much");
        question.choices = vec![Choice::Keep];
        hub.say(&question);
        assert!(hub.settled(GUARD).await);
        assert_eq!(hub.status()[0].state, "ok");
        let mock = Some("org.freedesktop.DBus.Mock");
        let reply = other
            .call_method(Some(NAME), PATH, mock, "GetMethodCalls", &"Notify")
            .await;
        let reply = reply.unwrap().body();
        let calls: Vec<(u64, Vec<OwnedVariant>)> = reply.deserialize().unwrap();
        let replaces: Vec<u32> = calls
            .iter()
            .map(|(_, arguments)| u32::try_from(arguments[1].clone()).unwrap())
            .collect();
        assert_eq!(replaces, [0, 1], "replaced in place");
        let body = String::try_from(calls[1].1[4].clone()).unwrap();
        assert_eq!(
            body, "Step 2\nKeep: bismar keep",
            "this server shows no buttons"
        );
        let actions = Vec::<String>::try_from(calls[1].1[5].clone()).unwrap();
        let arguments = vec![Variant::from(1u32), Variant::from(actions[0].as_str())];
        let signal = (NAME, "ActionInvoked", "us", arguments);
        other
            .call_method(Some(NAME), PATH, mock, "EmitSignal", &signal)
            .await
            .unwrap();
        assert_eq!(next(&mut choices).await, Choice::Keep);
    });
}

#[test]
fn dunst_shows_one_notification_and_its_button_comes_back() {
    on_a_bus(async |bus| {
        for program in ["dunst", "xvfb-run"] {
            let found = Command::new(program).arg("--help").output();
            found.unwrap_or_else(|_| panic!("this test needs the Debian packages dunst and xvfb"));
        }
        let mut dunst = Command::new("xvfb-run");
        dunst
            .args(["-a", "dunst", "-conf", "/dev/null"])
            .stdout(Stdio::null());
        let _dunst = Program::start(dunst.env("DBUS_SESSION_BUS_ADDRESS", &bus.address));
        let other = client(&bus).await;
        let (hub, mut choices) = hub(&bus);
        for n in 0..3 {
            let mut place = cue(CueKind::Place, &format!("Put beaker {n} on"));
            place.urgent = true;
            hub.say(&place);
            assert!(hub.settled(GUARD).await);
        }
        let mut mix = cue(CueKind::Mix, "Mix phase A, then go on");
        mix.choices = vec![Choice::Next];
        hub.say(&mix);
        assert!(hub.settled(GUARD).await);
        assert_eq!(hub.status()[0].state, "ok");
        let count = async |property: &str| {
            let body = ("org.dunstproject.cmd0", property);
            let properties = Some("org.freedesktop.DBus.Properties");
            let reply = other
                .call_method(Some(NAME), PATH, properties, "Get", &body)
                .await;
            let value: OwnedVariant = reply.unwrap().body().deserialize().unwrap();
            u32::try_from(value).unwrap()
        };
        // dunst takes what came in from its queue to the screen a moment later.
        while count("displayedLength").await == 0 {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        assert_eq!(
            (count("displayedLength").await, count("waitingLength").await),
            (1, 0)
        );
        assert_eq!(count("historyLength").await, 0, "replaced, not piled up");
        // What a click on it does. dunst sends the signal to the sender's connection alone.
        let dunst = Some("org.dunstproject.cmd0");
        let click = other.call_method(Some(NAME), PATH, dunst, "NotificationAction", &0u32);
        click.await.unwrap();
        assert_eq!(next(&mut choices).await, Choice::Next);
    });
}

// ---------------------------------------------------------------- the bus

fn on_a_bus(test: impl AsyncFnOnce(Bus)) {
    on_bus(Bus::start(None), test);
}

fn on_bus(bus: Bus, test: impl AsyncFnOnce(Bus)) {
    runtime().block_on(async { tokio::time::timeout(3 * GUARD, test(bus)).await.unwrap() });
}

/// A connection of somebody else, once a server is there.
async fn client(bus: &Bus) -> Connection {
    let other = zbus::conn::Builder::address(&*bus.address)
        .build()
        .await
        .unwrap();
    let proxy = zbus::fdo::DBusProxy::new(&other).await.unwrap();
    let wait = async {
        while !proxy
            .name_has_owner(NAME.try_into().unwrap())
            .await
            .unwrap()
        {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    };
    tokio::time::timeout(GUARD, wait)
        .await
        .expect("the notification server did not start");
    drop(proxy);
    other
}

fn this_test_as_a_child(name: &str, bus: &Bus) -> Child {
    again(module_path!(), name)
        .env("BISMAR_TEST_BUS", &bus.address)
        .stdin(Stdio::piped())
        .spawn()
        .unwrap()
}

async fn ended(child: &mut Child) -> std::process::ExitStatus {
    let wait = async {
        loop {
            if let Some(status) = child.try_wait().unwrap() {
                return status;
            }
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    };
    let status = tokio::time::timeout(2 * GUARD, wait).await;
    status.unwrap_or_else(|_| {
        child.kill().unwrap();
        panic!("the process did not end")
    })
}

// ---------------------------------------------------------------- cues

fn desktop_only() -> CueConfig {
    CueConfig {
        desktop: true,
        sound: false,
        speech: false,
        ..CueConfig::default()
    }
}

fn surroundings(bus: &Bus) -> Surroundings {
    Surroundings {
        bus: Some(bus.address.clone()),
        ..Surroundings::default()
    }
}

fn hub(bus: &Bus) -> (CueHub, UnboundedReceiver<Choice>) {
    let (sender, receiver) = unbounded_channel();
    let hub = CueHub::start_in(&desktop_only(), &surroundings(bus), move |choice| {
        let _ = sender.send(choice);
    });
    (hub, receiver)
}

async fn next(choices: &mut UnboundedReceiver<Choice>) -> Choice {
    let choice = tokio::time::timeout(GUARD, choices.recv()).await;
    choice.expect("no choice came back").unwrap()
}
