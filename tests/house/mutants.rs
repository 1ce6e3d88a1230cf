//! What `tests/mutants/equivalent.md` lists stands in the code still: a line that was changed may well be seen now.

use std::path::Path;

#[test]
fn what_is_listed_as_equivalent_stands_in_the_code() {
    let top = Path::new(env!("CARGO_MANIFEST_DIR"));
    let list = std::fs::read_to_string(top.join("tests/mutants/equivalent.md")).unwrap();
    let mut listed = 0;
    for line in list.lines().filter_map(|line| line.strip_prefix("- src/")) {
        let (file, what) = line.split_once(": ").unwrap();
        let code = std::fs::read_to_string(top.join("src").join(file));
        let code = code.unwrap_or_else(|why| panic!("{file}: {why}"));
        let text = match what.split_once(" of `") {
            Some((_, text)) => text.strip_suffix("`:").expect(line).to_owned(),
            None => {
                let (_, function) = what.rsplit_once("::").expect(line);
                format!("fn {}(", function.strip_suffix(':').expect(line))
            }
        };
        assert!(code.contains(&text), "not in src/{file} any more: {text}");
        listed += 1;
    }
    assert!(listed > 20, "{listed}");
}
