//! Names and remarks that are markup, in the pages that bismar writes, opened in a real browser: no
//! script runs, no element comes to be, and the text is there to read.
//!
//! Needs the Debian package chromium.

use std::path::{Path, PathBuf};
use std::process::Command;

use bismar::formula::Formula;
use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind, Verdict};

use crate::bench_side::faults;
use crate::bench_side::logs::Begun;
use crate::bench_side::person::prints;

/// Each would set the page's title, were it markup; the last ones break out of other contexts.
const MARKUP: [&str; 8] = [
    "<script>document.title='ran'</script>",
    "\"><img src=x onerror=\"document.title='ran'\">",
    "'><svg onload=document.title='ran'></svg>",
    "</title></style></pre><script>document.title='ran'</script>",
    "--><iframe srcdoc=\"<script>parent.document.title='ran'</script>\"></iframe>",
    "<a href=javascript:document.title='ran' autofocus onfocus=document.title='ran'>x</a>",
    "&lt;b&gt; &amp;lt; & ; ]]><b>x</b>",
    "}*{content:'x'}<body onload=document.title='ran'>",
];

/// The page after its scripts had their time, as the browser's own tree of it.
fn tree(folder: &Path, page: &Path) -> String {
    let profile = format!("--user-data-dir={}", folder.join("profile").display());
    let mut command = Command::new("chromium");
    command.args(["--headless", "--no-sandbox", "--disable-gpu"]);
    command.args([&profile, "--virtual-time-budget=2000", "--dump-dom"]);
    command.arg(format!("file://{}", page.display()));
    let out = command.env("HOME", folder).output();
    let out = out.unwrap_or_else(|e| panic!("needs the Debian package chromium: {e}"));
    let text = String::from_utf8(out.stdout).unwrap();
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success() && !text.trim().is_empty(), "{said}");
    text
}

/// What stands between the tags of the first title.
fn title(tree: &str) -> &str {
    let after = tree.split_once("<title>").map_or("", |(_, after)| after);
    after.split("</title>").next().unwrap_or_default()
}

/// Text as a browser writes it out between tags (HTML standard, "serializing HTML fragments").
fn between_tags(text: &str) -> String {
    let text = text.replace('&', "&amp;");
    text.replace('<', "&lt;").replace('>', "&gt;")
}

/// The page as it would be, were nothing escaped.
fn raw(page: &str) -> String {
    let page = page.replace("&lt;", "<").replace("&gt;", ">");
    let page = page.replace("&quot;", "\"").replace("&#39;", "'");
    page.replace("&amp;", "&")
}

fn formula_text() -> String {
    let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
    let mut text = format!(
        "[formula]\nname = {0}\nversion = 1\nnotes = {0}\n[[phase]]\nname = {0}\nmix = {0}\n",
        quoted(MARKUP[3])
    );
    for (number, name) in MARKUP.iter().enumerate() {
        let name = quoted(name);
        let share = if number == 0 {
            "balance = true"
        } else {
            "percent = 10"
        };
        text.push_str(&format!(
            "[[phase.ingredient]]\nname = {name}\ninci = {name}\n{share}\ncaution = {name}\n\
             tolerance = {{ percent = 5.0 }}\n"
        ));
    }
    text
}

fn weighed(step: usize, evil: &str, net: i64) -> Draft {
    let mass = Mass::from_mg;
    Draft {
        step,
        phase: MARKUP[3].into(),
        ingredient: evil.into(),
        lot: evil.into(),
        vessel: evil.into(),
        scale: evil.into(),
        target: Some(mass(100_000)),
        low: Some(mass(99_000)),
        high: Some(mass(101_000)),
        net: Some(mass(net)),
        verdict: Some(Verdict::Kept),
        readability: mass(10),
        ..Draft::new(RowKind::Weighed, evil)
    }
}

/// Twelve logs of one formula, so that there is a control chart; the first one's path.
fn logs(folder: &Path) -> PathBuf {
    std::fs::create_dir(folder).unwrap();
    let text = formula_text();
    let formula = Formula::parse(&text, "evil.toml").unwrap();
    let label = formula.label();
    for number in 0..12 {
        let begun = Begun {
            formula: &text,
            label: &label,
            size: Mass::from_g(1000),
            jars: None,
            at: &format!("2026-03-{:02}T09:00:00Z", number + 1),
        };
        let rows = (1..).zip(MARKUP);
        let mut rows: Vec<Draft> = rows
            .map(|(step, evil)| weighed(step, evil, 100_000 + number * 10))
            .collect();
        let notes = [
            RowKind::Note,
            RowKind::ScaleCheck,
            RowKind::Remedy,
            RowKind::Filled,
        ];
        rows.extend(notes.map(|kind| Draft {
            kind,
            ..weighed(0, MARKUP[1], 100_000)
        }));
        begun.written(folder, &format!("b-{number}"), &rows);
    }
    folder.join("b-0.csv")
}

#[test]
fn no_name_becomes_markup_in_a_real_browser() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path();
    let log = logs(&folder.join("logs"));
    prints(
        folder,
        &["sheet", log.to_str().unwrap(), "--out", "sheet.html"],
    );
    let seen = tree(folder, &folder.join("sheet.html"));
    assert_eq!(title(&seen), "Batch sheet b-0");
    for element in ["<script", "<img", "<iframe", "<a ", "<b>x", "<svg onload"] {
        assert!(!seen.contains(element), "{element}: {seen}");
    }
    for name in MARKUP {
        assert!(
            seen.contains(&between_tags(name)),
            "{name} is not to be read"
        );
    }

    // The same page without escapes: the browser runs scripts, and the page's own policy is a second wall.
    let page = std::fs::read_to_string(folder.join("sheet.html")).unwrap();
    let bare = folder.join("raw.html");
    std::fs::write(&bare, raw(&page)).unwrap();
    assert_ne!(title(&tree(folder, &bare)), "ran");
    std::fs::write(&bare, raw(&page).replace("Content-Security-Policy", "x")).unwrap();
    assert_eq!(title(&tree(folder, &bare)), "ran");

    let chart = folder.join("chart.svg");
    for name in MARKUP {
        prints(
            folder,
            &[
                "history",
                "--logs",
                "logs",
                "--svg",
                "chart.svg",
                "--",
                name,
            ],
        );
        let seen = tree(folder, &chart);
        assert!(
            title(&seen).starts_with(&between_tags(name)),
            "{name}: {seen}"
        );
        assert!(
            !seen.contains("<script") && !seen.contains("<img"),
            "{seen}"
        );
        if name == MARKUP[0] {
            let page = std::fs::read_to_string(&chart).unwrap();
            let bare = folder.join("raw.svg");
            std::fs::write(&bare, raw(&page)).unwrap();
            assert!(
                tree(folder, &bare).contains("<script"),
                "the check cannot fail"
            );
        }
        std::fs::remove_file(&chart).unwrap();
    }
    faults::report(
        "names that are markup",
        "scripts, handlers, frames and broken-out contexts in every text of a log; its sheet and charts in \
         Chromium",
        MARKUP.len(),
        "no script runs, no element comes to be, each text is shown",
        "-",
    );
}
