//! Names that are one though their bytes differ, and names that only look like one, as they are read on the page. The pairs
//! are those of `src/text/alike.rs`, whose tests name the standards; `tests/records/names_alike.rs` asks the commands.

use std::fs;

use bismar::mass::Mass;
use bismar::vocabulary::entry::Draft;
use serde_json::{Value, json};

use crate::bench_side::logs::{Begun, LOGS, closed, weighed};
use crate::bench_side::person::Person;
use crate::bench_side::scale::Scale;
use crate::bench_side::script::Seat;
use crate::bench_side::served::Served;
use crate::rooms::{Screen, has};

/// `é` as one character, and as two after a second space and one that does not break.
const ONE: &str = "Sel de Gu\u{e9}rande";
const TWO: &str = "Sel  de\u{a0}Gue\u{301}rande";
const LATIN: &str = "Oat flour, farm";
/// With a Cyrillic `а`.
const CYRILLIC: &str = "Oat flour, f\u{430}rm";

/// `batch` took 60 g of `salt` from `lot` and 40 g of `flour`.
fn made(person: &Person, batch: &str, day: u32, (salt, lot): (&str, &str), flour: &str) {
    let formula = format!(
        "[formula]\nname = \"Marram soak\"\nversion = 1\n[[phase]]\n[[phase.ingredient]]\nname = \"{salt}\"\n\
         percent = 60\n[[phase.ingredient]]\nname = \"{flour}\"\npercent = 40\n"
    );
    let begun = Begun {
        formula: &formula,
        label: "Marram soak 1",
        size: Mass::from_g(100),
        jars: None,
        at: &format!("2026-03-{day:02}T09:00:00Z"),
    };
    let of = |grams, draft| Draft {
        target: Some(Mass::from_g(grams)),
        ..draft
    };
    let rows = [
        of(60, weighed(1, salt, lot, 60_000)),
        of(40, weighed(2, flour, "", 40_000)),
        closed(),
    ];
    fs::create_dir_all(person.path(LOGS)).unwrap();
    begun.written(&person.path(LOGS), batch, &rows);
}

fn times(seen: &Value, words: &str) -> usize {
    seen["inside"].as_str().unwrap().matches(words).count()
}

#[test]
fn what_looks_alike_is_read_where_it_is_asked_for_and_what_is_one_counts_as_one() {
    let seat = Seat::take();
    let served = Served::on(Scale::start, "", |person| {
        made(person, "soak-1", 1, (ONE, "S-1"), LATIN);
        made(person, "soak-2", 2, (TWO, "S\u{200b}-1"), LATIN);
        made(person, "soak-3", 3, (ONE, "S-l"), CYRILLIC);
    });
    let address = format!("http://127.0.0.1:{}/#{}", served.port, served.key);
    let mut screen = Screen::at(seat, &address);
    screen.until("idle", |seen| seen["view"] == "idle");

    // The lot with a character that nobody sees is the same, the one with an `l` for the `1` is another.
    screen.tell(&json!(["go", "#/trace/S-1"]));
    let seen = screen.reads("S-1 went into 2 batches");
    for batch in ["soak-1", "soak-2"] {
        assert!(has(&seen, "inside", batch), "{batch}: {seen:#}");
    }
    let told = "\"S-l\" in ";
    assert_eq!(times(&seen, told), 1, "{seen:#}");
    assert_eq!(times(&seen, "looks like \"S-1\" in "), 1, "{seen:#}");
    assert_eq!(
        times(&seen, "and is another: each is traced by itself"),
        1,
        "{seen:#}"
    );
    // What the lot went into does not name the other's batch, but in that sentence.
    assert_eq!(times(&seen, "soak-3"), 1, "{seen:#}");
    screen.pictures("room-trace-alike");
    screen.tell(&json!(["go", "#/trace/S-l"]));
    screen.reads("S-l went into 1 batch");

    // What two normal forms and three kinds of space are in is one ingredient, with nothing to tell of it.
    screen.tell(&json!(["go", "#/batches/soak-1"]));
    screen.write("Chart of", ONE);
    let seen = screen.until("its chart", |seen| seen["pictures"] == 1);
    assert_eq!(times(&seen, "looks like"), 0, "{seen:#}");
    screen.write("Chart of", LATIN);
    let told = format!(
        "\"{CYRILLIC}\" in soak-3 looks like \"{LATIN}\" in soak-1 and is another: each is counted by itself"
    );
    let seen = screen.reads(&told);
    assert_eq!(times(&seen, &told), 1, "{seen:#}");
    screen.pictures("room-chart-alike");
    // The whole batches again: of a formula's name nothing is told.
    screen.write("Chart of", "the whole batches");
    screen.until("nothing is told", |seen| times(seen, "looks like") == 0);
    let console = screen.tell(&json!(["console"]));
    assert_eq!(console["console"], json!([]));
}
