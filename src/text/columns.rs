//! Text in the columns of a terminal: its width, beginnings that fit, folding, tables. A wide character
//! takes two columns, a combining one none (Unicode Standard Annex 11, as `unicode-width` has it).

use unicode_width::UnicodeWidthStr;

/// Columns that a text takes.
pub fn width(text: &str) -> usize {
    UnicodeWidthStr::width(text)
}

/// The longest beginning that takes no more than `columns`.
pub fn cut(text: &str, columns: usize) -> &str {
    let ends = text.char_indices().map(|(at, c)| at + c.len_utf8());
    let beginnings = ends.filter_map(|end| text.get(..end));
    let fit = beginnings.take_while(|beginning| width(beginning) <= columns);
    fit.last().unwrap_or_default()
}

/// Breaks a text between words so that no line is wider than `columns`; a longer word is cut. Gives
/// at least one line.
pub fn fold(text: &str, columns: usize) -> Vec<String> {
    // A no-break space is none to break at.
    let text = Vec::from_iter(text.split_ascii_whitespace()).join(" ");
    let options = textwrap::Options::new(columns.max(1))
        .word_separator(textwrap::WordSeparator::AsciiSpace)
        .word_splitter(textwrap::WordSplitter::NoHyphenation)
        .wrap_algorithm(textwrap::WrapAlgorithm::FirstFit);
    let lines = textwrap::wrap(&text, options);
    lines.into_iter().map(String::from).collect()
}

/// A column of a table: how wide it is, and the side at which its cells stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Column {
    Left(usize),
    Right(usize),
}

impl Column {
    pub const fn width(self) -> usize {
        match self {
            Column::Left(width) | Column::Right(width) => width,
        }
    }
}

/// Of empty cells: the gap is twice as wide there.
pub const GAP: Column = Column::Left(0);
/// The last one, as wide as each of its cells.
pub const REST: Column = Column::Left(0);

/// One line of a table, its cells `gap` columns apart. A cell that is too wide is written whole.
pub fn line<const N: usize>(gap: usize, columns: &[Column; N], cells: [&str; N]) -> String {
    let mut line = String::new();
    for (i, (column, cell)) in columns.iter().zip(cells).enumerate() {
        let lead = if i == 0 { 0 } else { gap };
        let rest = column.width().saturating_sub(width(cell));
        let (before, after) = match column {
            Column::Left(_) => (lead, rest),
            Column::Right(_) => (lead + rest, 0),
        };
        line.extend(std::iter::repeat_n(' ', before));
        line.push_str(cell);
        line.extend(std::iter::repeat_n(' ', after));
    }
    line
}

/// Lines of a table two columns apart, each column as wide as its widest cell; those of `right` stand
/// at the right.
pub fn aligned<const N: usize>(rows: &[[String; N]], right: &[usize]) -> String {
    let columns = std::array::from_fn(|i| {
        let cells = rows.iter().filter_map(|row| row.get(i));
        let widest = cells.map(|cell| width(cell)).max().unwrap_or(0);
        match right.contains(&i) {
            true => Column::Right(widest),
            false => Column::Left(widest),
        }
    });
    let mut out = String::new();
    for row in rows {
        let cells = row.each_ref().map(String::as_str);
        out.push_str(line::<N>(2, &columns, cells).trim_end());
        out.push('\n');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is Wide or Fullwidth takes two columns, what is Narrow one; a combining mark is drawn over
    /// what stands before it (Unicode Standard Annex 11, "East Asian Width", sections 4.1 and 5.2, and
    /// its data file: U+6D77 and U+5869 W, U+FF33 F, U+0061 Na).
    #[test]
    fn a_table_stays_straight_under_wide_and_combining_characters() {
        for (name, columns) in [("salt", 4), ("海塩", 4), ("Ｓａ", 4), ("se\u{301}lo", 4)] {
            assert_eq!(width(name), columns, "{name}");
            let table = [Column::Left(6), Column::Right(6)];
            let row = line(1, &table, [name, name]);
            assert_eq!(row, format!("{name}     {name}", name = name), "{name}");
        }
        let rows = [["海塩", "1"], ["salt of the sea", "22"]].map(|row| row.map(String::from));
        assert_eq!(
            aligned(&rows, &[1]),
            "海塩              1\nsalt of the sea  22\n"
        );
    }

    #[test]
    fn what_is_cut_or_folded_fits_and_no_mark_loses_its_letter() {
        assert_eq!(cut("海塩 of the sea", 3), "海");
        assert_eq!(cut("se\u{301}l", 2), "se\u{301}");
        assert_eq!(cut("salt", 9), "salt");
        assert_eq!(cut("", 3), "");
        assert_eq!(fold("海塩 海塩 海塩", 9), ["海塩 海塩", "海塩"]);
        assert_eq!(fold("海塩海塩 of", 6), ["海塩海", "塩 of"]);
        assert_eq!(fold("  one   two\tthree ", 7), ["one two", "three"]);
        assert_eq!(fold("", 7), [""]);
        for columns in 0..12 {
            let lines = fold("a mark of two well-known characters", columns);
            assert!(lines.iter().all(|line| width(line) <= columns.max(1)));
            assert_eq!(
                lines.concat().replace(' ', ""),
                "amarkoftwowell-knowncharacters"
            );
        }
    }
}
