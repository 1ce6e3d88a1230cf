//! Words that went round the files of messages, in a text of the language of tests.

/// What stands outside the brackets of [`bismar::language::Language::Marked`], which may go over several lines.
pub fn outside(text: &str) -> String {
    let mut depth = 0;
    let mut keep = |c: &char| {
        depth += i32::from(*c == '⟦') - i32::from(*c == '⟧');
        depth == 0 && *c != '⟧'
    };
    text.chars().filter(|c| keep(c)).collect()
}

/// The words out there, in small letters, that are none of `names`. What has a digit or one of `signs` in it is none:
/// an address, a file, a date, a lot.
pub fn unknown(text: &str, names: &[&str], signs: &str) -> Vec<String> {
    outside(text)
        .split(|c: char| c.is_whitespace() || "<>,;:()\"`".contains(c))
        .filter(|word| !word.contains(|c: char| c.is_ascii_digit() || signs.contains(c)))
        .map(str::to_lowercase)
        .filter(|word| word.chars().any(char::is_alphabetic))
        .filter(|word| !names.contains(&word.as_str()))
        .collect()
}
