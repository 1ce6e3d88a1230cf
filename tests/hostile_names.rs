//! What a terminal gets to see of texts from outside: no escape sequence, no bidirectional control.

mod person;

use bismar::text::{harmless, harmless_json, misleads};
use person::Person;
use proptest::prelude::*;

const TRICKS: [&str; 6] = [
    "\u{1b}[2K\r",
    "\u{202e}",
    "\u{2066}",
    "\u{9b}1A",
    "\u{200f}",
    "\u{7f}\u{8}",
];

fn shows_nothing_false(text: &str) -> bool {
    !text.contains(|c| misleads(c) && c != '\n')
}

#[test]
fn no_word_of_the_command_line_and_no_name_in_a_file_steers_the_terminal() {
    let person = Person::new();
    let mut cases = 0;
    for trick in TRICKS {
        let name = format!("a{trick}b");
        person.file(
            "f.toml",
            &format!("[formula]\nname = \"{name}\"\n[[phase]]\nname = \"x\"\n{name} = 1\n"),
        );
        let odd = person.file(&format!("{name}.toml"), "no formula");
        let odd = odd.to_str().unwrap();
        let words: [&[&str]; 10] = [
            &["check", "f.toml", "--batch", "100g"],
            &["plan", "f.toml", "--batch", "100g"],
            &["check", odd, "--batch", "100g"],
            &["check", "f.toml", "--batch", &name],
            &["trace", &name],
            &["history", &name],
            &["sheet", &name],
            &["declaration", &name],
            &["log", "verify", odd],
            &[&name],
        ];
        for words in words {
            let said = person.run(words);
            assert_ne!(said.code, Some(0), "{words:?}: {said:?}");
            assert!(!said.err.contains("panicked"), "{said:?}");
            let all = said.out.clone() + &said.err;
            assert!(shows_nothing_false(&all), "{words:?}: {said:?}");
            cases += 1;
        }
    }
    println!(
        "FAULT | names that steer a terminal | escape, C1, bidi in arguments, paths and files | {cases} | \
         none reaches it | -"
    );
}

proptest! {
    #[test]
    fn no_text_is_harmful_after_it(text in any::<String>()) {
        let shown = harmless(&text);
        prop_assert!(!shown.contains(|c| misleads(c) && !matches!(c, '\n' | '\t')));
        prop_assert_eq!(shown.chars().count(), text.chars().count());
        let json = serde_json::Value::from(text.as_str());
        let safe = harmless_json(&json.to_string());
        prop_assert!(!safe.contains(misleads));
        prop_assert_eq!(serde_json::from_str::<serde_json::Value>(&safe).unwrap(), json);
    }
}
