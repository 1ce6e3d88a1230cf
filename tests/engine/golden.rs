//! What the engine says and writes in chosen cases of the four worlds and in scripts, word for word, as it was when
//! somebody last read it.
//!
//! A pin, not a proof: it shows that something changed, not that it is wrong, and what stands in it may be wrong
//! itself. It is here because a changed bound shows in no unit test and too late in the tables of the worlds.
//! The cases stand in `fixtures/golden`, each under the name that its world gives it: some in full in a file for each
//! world, many more in `short.txt` by a line each, their weights and how often what was said, and scripts in `scripts.txt`.
//! A case is added by a line with its name. After a meant change of the engine
//!
//! `BISMAR_GOLDEN=write cargo test --locked --test engine golden && git diff fixtures/golden`
//!
//! writes them anew and shows what it did to each: read it before it is committed.
//!
//! `BISMAR_GOLDEN_CASE="script 4711"` prints any case, pinned or not.
//!
//! In a case a line begins with seconds. What the maker does begins with `-` and what befalls her with `**`; what the
//! engine says begins with the kind of cue and ends with the answers offered; what it writes begins with `row`.

#[allow(dead_code)]
mod fourth;
mod scripts;
#[allow(dead_code)]
mod second;
#[allow(dead_code)]
mod third;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use bismar::rehearsal::literal::{Told, run};
use bismar::weighing::event::Event;

use crate::bench_side::told::{cue, row};
use crate::worlds;

/// Largest size of the files together: more nobody reads.
const MOST_BYTES: usize = 200_000;

/// One case, by the words of its name.
type Play = fn(&str) -> String;

const WORLDS: [(&str, Play); 5] = [
    ("first", first),
    ("second", second),
    ("third", third),
    ("fourth", fourth),
    ("script", script),
];

/// `Tare:17`, as [`worlds`] names it.
fn first(name: &str) -> String {
    let (_, spec) = worlds::named(name);
    let mut text = String::new();
    run(&spec, false, |at, told| {
        let told = match told {
            Told::Event(Event::Cue(said)) => cue(said),
            Told::Event(Event::Fault { code, over, .. }) => {
                format!("fault {}{}", code.name(), if *over { " over" } else { "" })
            }
            Told::Event(Event::Closed { complete: true }) => "closed complete".to_owned(),
            Told::Event(Event::Closed { complete: false }) => "closed incomplete".to_owned(),
            Told::Event(_) => return,
            Told::Hands(hands) => format!("- {hands}"),
            Told::Word(word, answer) => format!("- says {word:?}: {answer}"),
            Told::Row(written) => row(&written.draft),
            Told::Calm => "** calm".to_owned(),
            Told::Killed => "** killed".to_owned(),
            Told::Begun(progress) => format!("** begun anew, {} weighed", progress.weighed.len()),
        };
        writeln!(text, "{:7.2} {told}", at.seconds()).unwrap();
    });
    text
}

/// `TareKey 6 42`: mishap, kind of scale, seed.
fn second(name: &str) -> String {
    let (mishap, kind, seed) = three(name, second::mishap::ALL);
    let outcome = second::world::World::new(seed, Some(kind), mishap, true).run();
    told(&outcome.trace)
}

/// `Clean 3 12`: deed, kind of scale, seed.
fn third(name: &str) -> String {
    let (deed, kind, seed) = three(name, third::deeds::ALL);
    let outcome = third::world::World::new(seed, kind, deed, true).run();
    told(&outcome.trace)
}

/// `Door 3 12`: mishap, kind of scale, seed.
fn fourth(name: &str) -> String {
    let (mishap, kind, seed) = three(name, fourth::mishap::ALL);
    let outcome = fourth::world::World::new(seed, kind, mishap, true).run();
    told(&outcome.trace)
}

/// `4711`: the seed.
fn script(name: &str) -> String {
    scripts::play(name.parse().unwrap())
}

/// One of `all` by its name, kind of scale, seed.
fn three<T: Copy + std::fmt::Debug>(name: &str, all: &[T]) -> (T, usize, u64) {
    let words: Vec<&str> = name.split(' ').collect();
    let [what, kind, seed] = words[..] else {
        panic!("not a case: {name}");
    };
    let what = all.iter().find(|one| format!("{one:?}") == what);
    let what = what.unwrap_or_else(|| panic!("no such case: {name}"));
    (*what, kind.parse().unwrap(), seed.parse().unwrap())
}

/// A world's own trace without the scale's lines and without what is only meant to be done.
fn told(trace: &[String]) -> String {
    trace.iter().fold(String::new(), |mut text, line| {
        let line = line.trim_end();
        if !line.contains(" | ") && !line.contains(" - [") {
            text.push_str(line);
            text.push('\n');
        }
        text
    })
}

fn path(world: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("fixtures/golden/{world}.txt"))
}

const CASE: &str = "== ";

/// What stands in a file: the name of each case, and what was told of it.
fn cases(text: &str) -> Vec<(&str, &str)> {
    let parts = text.split(CASE).skip(1);
    parts
        .map(|part| part.split_once('\n').unwrap_or((part, "")))
        .collect()
}

fn compare(world: &str, play: Play) {
    let path = path(world);
    let stands = std::fs::read_to_string(&path).unwrap();
    let mut fresh = String::new();
    let mut changed = Vec::new();
    for (name, stood) in cases(&stands) {
        let told = play(name);
        if told != stood {
            let mut both = stood.lines().zip(told.lines());
            let (was, is) = both
                .find(|(was, is)| was != is)
                .unwrap_or(("", "more or less"));
            changed.push(format!("{world} {name}\n  was {was}\n  is  {is}"));
        }
        write!(fresh, "{CASE}{name}\n{told}").unwrap();
    }
    judge(&path, &fresh, &changed);
}

fn judge(path: &Path, fresh: &str, changed: &[String]) {
    assert!(fresh.len() > 1_000, "no cases in {}", path.display());
    if std::env::var("BISMAR_GOLDEN").is_ok_and(|word| word == "write") {
        std::fs::write(path, fresh).unwrap();
        return;
    }
    assert!(
        changed.is_empty(),
        "{} of the golden cases have changed; if that was meant, see {}\n{}",
        changed.len(),
        file!(),
        changed.join("\n")
    );
}

#[test]
fn golden_first() {
    compare(WORLDS[0].0, WORLDS[0].1);
}

#[test]
fn golden_second() {
    compare(WORLDS[1].0, WORLDS[1].1);
}

#[test]
fn golden_third() {
    compare(WORLDS[2].0, WORLDS[2].1);
}

/// A case in one line: each row of a weight, how many other rows, how many cues of each kind (of a script the sum of
/// all that was told and shown), and when the last of all that was.
fn short(told: &str) -> String {
    let (mut rows, mut others) = (Vec::new(), 0);
    let mut cues: BTreeMap<&str, usize> = BTreeMap::new();
    let (mut last, mut shown) = ("", "");
    for line in told.lines() {
        let Some((at, what)) = line.trim_start().split_once(' ') else {
            continue;
        };
        let what = what.trim_start();
        if what.starts_with("shown ") {
            shown = what;
        } else if let Some(row) = what.strip_prefix("row ") {
            // Only of weights there is a U.
            match row
                .split_once(" net ")
                .filter(|(_, net)| net.contains(" U "))
            {
                Some((row, net)) => {
                    let step = row.split(' ').nth(1).unwrap_or_default();
                    let net = net.split(" (").next().unwrap_or_default();
                    rows.push(format!("{step}: {}", net.replace(" U ", " ±")));
                }
                None => others += 1,
            }
        } else if let Some((kind, _)) = what
            .split_once(": ")
            .filter(|_| !what.starts_with(['-', '*']))
        {
            *cues.entry(kind).or_default() += 1;
        }
        last = at;
    }
    let mut text = rows.join(", ");
    write!(text, "; {others} more; ").unwrap();
    // The sum of all that was told and shown is shorter.
    if shown.is_empty() {
        for (kind, many) in cues {
            write!(text, "{many} {kind}, ").unwrap();
        }
    }
    write!(text, "{last} s").unwrap();
    if !shown.is_empty() {
        write!(text, ", {shown}").unwrap();
    }
    text
}

fn compare_short(file: &str) {
    let path = path(file);
    let stands = std::fs::read_to_string(&path).unwrap();
    let (mut fresh, mut changed) = (String::new(), Vec::new());
    for line in stands.lines() {
        let case = line.split(" = ").next().unwrap();
        let (world, name) = case.split_once(' ').unwrap();
        let play = WORLDS.iter().find(|(other, _)| *other == world);
        let now = format!("{case} = {}", short(&(play.expect("a world").1)(name)));
        if now != line {
            changed.push(format!("  was {line}\n  is  {now}"));
        }
        writeln!(fresh, "{now}").unwrap();
    }
    judge(&path, &fresh, &changed);
}

#[test]
fn golden_short() {
    compare_short("short");
}

#[test]
fn golden_scripts() {
    compare_short("scripts");
}

#[test]
fn golden_case() {
    let Ok(case) = std::env::var("BISMAR_GOLDEN_CASE") else {
        return;
    };
    let (world, name) = case.split_once(' ').unwrap();
    let play = WORLDS.iter().find(|(other, _)| *other == world);
    let told = (play.expect("a world").1)(name);
    println!("{told}{}", short(&told));
}

#[test]
fn golden_cases_can_be_read_by_a_person() {
    let files = ["first", "second", "third", "short", "scripts"];
    let all: usize = files
        .map(|name| std::fs::read(path(name)).unwrap().len())
        .iter()
        .sum();
    assert!(all <= MOST_BYTES, "{all} bytes");
}
