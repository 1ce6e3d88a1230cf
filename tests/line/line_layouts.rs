//! Every line layout against the tables under fixtures/lines: what each line gives, and that no
//! cut, glued or broken line ever gives another weight.

use std::fs;
use std::path::Path;

use bismar::mass::{Decimal, Unit};
use bismar::scale::decode::{Decoder, Heard};
use bismar::scale::frame::{Framer, Framing, Start};
use bismar::scale::layout::{ALL, Chosen, Columns, Layout, Pattern};
use bismar::scale::{Indication, Line, Reject};
use bismar::time::Moment;
use bismar::vocabulary::reading::Shown;
use proptest::prelude::*;

struct Row {
    place: String,
    bytes: Vec<u8>,
    want: Line,
}

fn table(path: &str) -> Vec<(String, Vec<String>)> {
    let file = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/lines")
        .join(path);
    let text = fs::read_to_string(&file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    text.lines()
        .enumerate()
        .filter(|(_, line)| !line.starts_with('#'))
        .map(|(i, line)| {
            let cells = line.split('\t').map(str::to_owned).collect();
            (format!("{path}:{}", i + 1), cells)
        })
        .collect()
}

fn unescape(text: &str) -> Vec<u8> {
    let mut out = Vec::new();
    let mut rest = text.as_bytes();
    while let [first, tail @ ..] = rest {
        let (byte, tail) = match (first, tail) {
            (b'\\', [b'r', tail @ ..]) => (b'\r', tail),
            (b'\\', [b'n', tail @ ..]) => (b'\n', tail),
            (b'\\', [b't', tail @ ..]) => (b'\t', tail),
            (b'\\', [b'\\', tail @ ..]) => (b'\\', tail),
            (b'\\', [b'x', high, low, tail @ ..]) => {
                let hex = String::from_utf8(vec![*high, *low]).unwrap();
                (u8::from_str_radix(&hex, 16).unwrap(), tail)
            }
            (b'\\', _) => panic!("escape in {text}"),
            (byte, tail) => (*byte, tail),
        };
        out.push(byte);
        rest = tail;
    }
    out
}

/// The table's own reading of `123.45 g`, apart from the code that is tested.
fn decimal(number: &str) -> Decimal {
    let decimals = number.split_once('.').map_or(0, |(_, part)| part.len());
    Decimal {
        digits: number.replace('.', "").parse().unwrap(),
        decimals: decimals as u8,
        negative: number.starts_with('-'),
    }
}

fn rows(layout: &dyn Layout) -> Vec<Row> {
    table(&format!("{}/lines.tsv", layout.name()))
        .into_iter()
        .map(|(place, cells)| {
            let [line, weight, steady, shown] = &cells[..] else {
                panic!("{place}: {} cells", cells.len());
            };
            let want = match weight.as_str() {
                "overload" => Line::Overload,
                "underload" => Line::Underload,
                "no-weight" => Line::NoWeight,
                "not-a-mass" => Line::NotAMass,
                weight => {
                    let (number, unit) = weight.split_once(' ').unwrap();
                    let known = Unit::ALL.into_iter().find(|known| known.symbol() == unit);
                    assert!(known.is_some() || unit == "?", "{place}: {unit}");
                    Line::Weight(Indication {
                        value: decimal(number),
                        unit: known,
                        steady: match steady.as_str() {
                            "steady" => Some(true),
                            "unsteady" => Some(false),
                            "unknown" => None,
                            other => panic!("{place}: {other}"),
                        },
                        shown: match shown.as_str() {
                            "net" => Some(Shown::Net),
                            "gross" => Some(Shown::Gross),
                            "-" => None,
                            other => panic!("{place}: {other}"),
                        },
                    })
                }
            };
            Row {
                place,
                bytes: unescape(line),
                want,
            }
        })
        .collect()
}

/// The one line or frame of a row, as the framer gives it.
fn framed(layout: &dyn Layout, bytes: &[u8]) -> Vec<Result<Vec<u8>, Reject>> {
    let mut lines = Vec::new();
    Framer::at_line_start(layout.framing())
        .feed(bytes, |line| lines.push(line.map(<[u8]>::to_vec)));
    lines
}

fn only_line(layout: &dyn Layout, row: &Row) -> Vec<u8> {
    match &framed(layout, &row.bytes)[..] {
        [Ok(line)] => line.clone(),
        other => panic!("{}: framed as {other:?}", row.place),
    }
}

fn end_of(layout: &dyn Layout) -> &'static [u8] {
    match layout.framing() {
        Framing::Lines => b"\r\n",
        Framing::Stx { .. } => b"\r",
        Framing::Etx => b"\x03",
    }
}

fn hear(layout: &'static dyn Layout, start: Start, bytes: &[u8]) -> Vec<Heard> {
    let mut heard = Vec::new();
    Decoder::new(Chosen::BuiltIn(layout), start)
        .feed(Moment::default(), bytes, |one| heard.push(one));
    heard
}

#[test]
fn every_line_of_the_tables_gives_what_its_row_says() {
    let mut count = 0;
    for layout in ALL {
        for row in rows(layout) {
            let line = only_line(layout, &row);
            assert_eq!(layout.parse(&line), Ok(row.want), "{}", row.place);
            count += 1;
        }
    }
    assert!(count > 100, "only {count} rows");
}

#[test]
fn broken_lines_give_no_weight_in_any_layout() {
    for (place, cells) in table("broken.tsv") {
        let bytes = unescape(&cells[0]);
        for layout in ALL {
            for line in framed(layout, &bytes).into_iter().flatten() {
                let heard = layout.parse(&line);
                assert!(
                    !matches!(heard, Ok(Line::Weight(_))),
                    "{place} ({}) in {}: {heard:?}",
                    cells[1],
                    layout.name()
                );
            }
        }
    }
}

/// Whether a cut line may give this: the same number, and no better word on its steadiness.
fn is_as_good(cut: &Indication, full: &Line) -> bool {
    let Line::Weight(full) = full else {
        return false;
    };
    (cut.value, cut.unit) == (full.value, full.unit)
        && (cut.steady != Some(true) || full.steady == Some(true))
}

/// `gn` without its end is `g`, `ozt` is `oz`: no line without fixed columns can tell by itself.
fn lost_the_end_of_its_unit(cut: &Indication, full: &Line) -> bool {
    let Line::Weight(full) = full else {
        return false;
    };
    cut.value == full.value
        && matches!(
            (full.unit, cut.unit),
            (Some(Unit::Grain), Some(Unit::Gram)) | (Some(Unit::TroyOunce), Some(Unit::Ounce))
        )
}

#[test]
fn no_beginning_of_a_line_gives_another_weight() {
    for layout in ALL {
        for row in rows(layout) {
            let line = only_line(layout, &row);
            for end in 0..line.len() {
                let Ok(Line::Weight(cut)) = layout.parse(&line[..end]) else {
                    continue;
                };
                let fine = match layout.columns() {
                    Columns::Fixed => false,
                    Columns::OpenEnd | Columns::Open => {
                        is_as_good(&cut, &row.want) || lost_the_end_of_its_unit(&cut, &row.want)
                    }
                };
                assert!(fine, "{} cut at {end}: {cut:?}", row.place);
            }
        }
    }
}

#[test]
fn no_end_of_a_line_gives_another_weight() {
    for layout in ALL {
        for row in rows(layout) {
            let line = only_line(layout, &row);
            for begin in 1..line.len() {
                let Ok(Line::Weight(cut)) = layout.parse(&line[begin..]) else {
                    continue;
                };
                // `2.35 g` may be a whole line where no column is fixed: the stream tells, below.
                let open = layout.columns() == Columns::Open;
                assert!(open, "{} from {begin}: {cut:?}", row.place);
            }
        }
    }
}

/// The reading of a row that has a weight and a unit.
fn reading_of(row: &Row) -> Option<(bismar::mass::Mass, Option<bool>)> {
    let Line::Weight(weight) = row.want else {
        return None;
    };
    Some((weight.value.in_unit(weight.unit?).unwrap(), weight.steady))
}

#[track_caller]
fn only_true_weights(place: &str, full: &Row, heard: &[Heard]) {
    let want = reading_of(full).unwrap();
    for one in heard {
        if let Heard::Reading(reading) = one {
            assert_eq!(reading.weight, want.0, "{place}");
            assert!(
                reading.steady != Some(true) || want.1 == Some(true),
                "{place}"
            );
        }
    }
}

#[test]
fn a_cut_line_in_a_stream_never_gives_another_weight() {
    for layout in ALL {
        for row in rows(layout).iter().filter(|row| reading_of(row).is_some()) {
            let line = only_line(layout, row);
            let whole = row.bytes.repeat(3);
            let readings = |heard: &[Heard]| {
                heard
                    .iter()
                    .filter(|one| matches!(one, Heard::Reading(_)))
                    .count()
            };
            for at in 1..line.len() {
                for part in [&line[..at], &line[at..]] {
                    let ended = [part, end_of(layout)].concat();
                    let stream = [&whole[..], &ended, &whole].concat();
                    let heard = hear(layout, Start::LineStart, &stream);
                    only_true_weights(&format!("{} at {at}", row.place), row, &heard);
                    // The whole lines around it are heard: not a test that nothing can fail.
                    assert!(readings(&heard) >= 5, "{} at {at}: {heard:?}", row.place);

                    // As the first after a port was opened, with and without its end.
                    for first in [&ended[..], part] {
                        let stream = [first, &whole].concat();
                        let heard = hear(layout, Start::MidStream, &stream);
                        only_true_weights(&format!("{} first, {at}", row.place), row, &heard);
                        assert!(
                            readings(&heard) >= 1,
                            "{} first, {at}: {heard:?}",
                            row.place
                        );
                    }
                }
            }
        }
    }
}

#[test]
fn glued_lines_and_a_cut_line_glued_to_the_next_give_no_weight() {
    for layout in ALL {
        let rows = rows(layout);
        for one in &rows {
            for other in &rows {
                let (a, b) = (only_line(layout, one), only_line(layout, other));
                for kept in 1..=a.len() {
                    let glued = [&a[..kept], &b[..]].concat();
                    let place = format!("{} to {kept} + {}", one.place, other.place);
                    // Blanks before a line of free width change nothing.
                    if a[..kept].iter().all(|&byte| byte == b' ') && b.first() != Some(&0x02) {
                        continue;
                    }
                    let parsed = layout.parse(&glued);
                    // A sign or nothing but zeros before a bare number is a whole line, where no
                    // column is fixed; its length gives it away in a stream.
                    let open = layout.columns() == Columns::Open && kept < a.len();
                    assert!(
                        open || !matches!(parsed, Ok(Line::Weight(_))),
                        "{place}: {parsed:?}"
                    );
                    if open && reading_of(other).is_some() {
                        let whole = other.bytes.repeat(3);
                        let stream = [&whole, &glued[..], end_of(layout), &whole].concat();
                        let heard = hear(layout, Start::LineStart, &stream);
                        only_true_weights(&place, other, &heard);
                    }
                }
            }
        }
    }
}

#[test]
fn a_check_that_does_not_fit_is_named_so() {
    for name in ["comma-header", "stx-status-bytes-checked"] {
        let layout = bismar::scale::layout::by_name(name).unwrap();
        let row = rows(layout).pop().unwrap();
        let mut line = only_line(layout, &row);
        let last = line.last_mut().unwrap();
        *last = if *last == b'0' { b'1' } else { b'0' };
        assert_eq!(layout.parse(&line), Err(Reject::Checksum), "{name}");
    }
}

/// A check is two hexadecimal digits; some scales write them small.
#[test]
fn a_check_counts_in_either_case() {
    let layout = bismar::scale::layout::by_name("comma-header").unwrap();
    let mut letters = 0;
    for digit in '0'..='9' {
        let body = format!("ST,+00012.3{digit}  g");
        let (mut xor, mut sum) = (0u8, 0u8);
        for byte in body.bytes() {
            xor ^= byte;
            sum = sum.wrapping_add(byte);
        }
        for check in [format!("{xor:02x}"), format!("{sum:02x}")] {
            letters += usize::from(check.contains(char::is_alphabetic));
            for check in [check.to_uppercase(), check] {
                let read = layout.parse(format!("{body}*{check}").as_bytes());
                assert!(
                    matches!(read, Ok(Line::Weight(_))),
                    "{body}*{check}: {read:?}"
                );
            }
        }
    }
    assert!(letters > 0);
}

#[test]
fn a_word_with_more_behind_it_than_a_code_is_no_word() {
    let layout = bismar::scale::layout::by_name("sign-number-unit-16").unwrap();
    let said = |word: &str| layout.parse(format!("{word:^14}").as_bytes());
    assert_eq!(said("High"), Ok(Line::Overload));
    assert_eq!(said("Error 12"), Ok(Line::NoWeight));
    assert_eq!(said("Error #12"), Err(Reject::Form));
    assert_eq!(said("High+ 1"), Err(Reject::Form));
}

/// 18 digits are exact, more are no number; a mark of motion is kept before the mark of net.
#[test]
fn a_number_has_eighteen_digits_at_most_and_a_mark_stands_before_another() {
    let layout = bismar::scale::layout::by_name("question-mark").unwrap();
    let parse = |line: &str| layout.parse(line.as_bytes());
    let Ok(Line::Weight(read)) = parse("0.12345678901234567 g") else {
        panic!("18 digits");
    };
    assert_eq!(
        (read.value.digits, read.value.decimals),
        (12_345_678_901_234_567, 17)
    );
    assert_eq!(parse("0.123456789012345678 g"), Err(Reject::Form));
    let Ok(Line::Weight(read)) = parse("    -0.05 g     ?N") else {
        panic!("18 columns");
    };
    assert_eq!((read.steady, read.shown), (Some(false), Some(Shown::Net)));
}

#[test]
fn a_layout_that_there_is_none_of_is_told_with_those_that_there_are() {
    let mut settings = crate::bench_side::scale_config("bench", Path::new("/dev/null"), "nome");
    let told = Chosen::from_config(&settings).unwrap_err().to_string();
    assert!(
        told.starts_with("no line layout is called \"nome\". Write one of: "),
        "{told}"
    );
    assert!(
        ALL.iter().all(|layout| told.contains(layout.name())),
        "{told}"
    );
    assert!(told.ends_with(", pattern."), "{told}");
    settings.layout = ALL[0].name().into();
    assert!(Chosen::from_config(&settings).is_ok());
}

#[test]
fn a_number_without_a_unit_takes_the_last_unit_and_says_that_it_has_none() {
    let layout = bismar::scale::layout::by_name("sign-number-unit-16").unwrap();
    let line = |number: &str, unit: &str| format!("+{number:>9} {unit:<3}\r\n").into_bytes();
    let moving = line("0.500", "");
    assert_eq!(hear(layout, Start::LineStart, &moving), [Heard::NoUnit]);
    let heard = hear(
        layout,
        Start::LineStart,
        &[line("0.100", "oz"), moving].concat(),
    );
    let [Heard::Reading(steady), Heard::Reading(moving)] = heard[..] else {
        panic!("{heard:?}");
    };
    // Half an ounce: 14.174 761 562 5 g.
    assert_eq!(moving.weight.ng(), 14_174_761_562);
    assert_eq!((steady.unit, moving.unit), (Some(Unit::Ounce), None));
    assert_eq!(moving.steady, Some(false));
    // A thousandth of an ounce, 28 349 523.125 ng, rounded up.
    assert_eq!(moving.digit.ng(), 28_349_524);
}

/// Whatever came before a port was opened again is over: half a line, the unit, and the lengths of lines.
#[test]
fn a_port_opened_again_begins_anew() {
    let layout = bismar::scale::layout::by_name("sign-number-unit-16").unwrap();
    let opened_again = |chosen: Chosen, before: &[u8], start: Start, after: &[u8]| {
        let mut decoder = Decoder::new(chosen, Start::LineStart);
        decoder.feed(Moment::default(), before, |_| ());
        let good = decoder.good_lines();
        decoder.restart(start);
        let mut heard = Vec::new();
        decoder.feed(Moment::default(), after, |what| heard.push(what));
        // The counts are of the scale, not of one opening.
        assert!(decoder.good_lines() >= good);
        heard
    };
    let built_in = || Chosen::BuiltIn(layout);
    let (ounces, bare) = (&b"+    0.100 oz \r\n"[..], &b"+    0.500    \r\n"[..]);
    let heard = opened_again(built_in(), ounces, Start::LineStart, bare);
    assert_eq!(heard, [Heard::NoUnit], "the UNIT key may have been pressed");
    let torn = b"+   123.45 g  \r\n+   12";
    let heard = opened_again(built_in(), torn, Start::LineStart, b"+   123.46 g  \r\n");
    assert!(matches!(heard[..], [Heard::Reading(_)]), "{heard:?}");
    let heard = opened_again(built_in(), torn, Start::MidStream, b"3.45 g  \r\n");
    assert_eq!(heard, [Heard::Rejected(Reject::Partial)]);
    let pattern = r"(?<number>\d+\.\d+) (?<unit>[a-z]+)";
    let free = Chosen::Pattern(Box::new(Pattern::new(pattern, None).unwrap()));
    let lines = b"12.35 g\r\n12.35 g\r\n";
    let heard = opened_again(free, lines, Start::LineStart, b"12.35 g\r\n12.35 g\r\n");
    assert!(
        matches!(
            heard[..],
            [Heard::Rejected(Reject::Form), Heard::Reading(_)]
        ),
        "{heard:?}"
    );
}

#[test]
fn a_pattern_of_free_width_is_guarded_by_the_lengths_of_its_neighbours() {
    let pattern = r"(?<sign>-)?(?<number>\d+\.\d+) (?<unit>[a-z]+)";
    let chosen = Chosen::Pattern(Box::new(Pattern::new(pattern, None).unwrap()));
    let weights = |stream: &[u8]| {
        let mut grams = Vec::new();
        let mut decoder = Decoder::new(chosen.clone(), Start::LineStart);
        decoder.feed(Moment::default(), stream, |heard| {
            if let Heard::Reading(reading) = heard {
                grams.push(reading.weight.grams_rounded(2).to_string());
            }
        });
        grams
    };
    // The first line of a length is held back, so is a single line of another length.
    let cut = b"12.35 g\r\n12.35 g\r\n2.35 g\r\n12.35 g\r\n12.3\r\n12.35 g\r\n";
    assert_eq!(weights(cut), ["12.35", "12.35", "12.35"]);
    // A weight that truly became longer is believed at its second line.
    let growing = b"9.98 g\r\n9.99 g\r\n10.00 g\r\n10.01 g\r\n9.99 g\r\n10.00 g\r\n";
    assert_eq!(weights(growing), ["9.99", "10.01", "9.99", "10.00"]);
}

#[test]
fn a_megabyte_without_an_end_and_garbage_are_counted_and_the_next_line_is_a_weight() {
    let layout = bismar::scale::layout::by_name("sign-number-unit-16").unwrap();
    let mut stream = vec![b'7'; 1 << 20];
    stream.extend(b"\r\n+   12\x00.45 g  \r\n+    12.45 g  \r\n+   ");
    let heard = hear(layout, Start::LineStart, &stream);
    let [
        Heard::Rejected(Reject::TooLong),
        Heard::Rejected(Reject::Garbage),
        Heard::Reading(last),
    ] = heard[..]
    else {
        panic!("{heard:?}");
    };
    assert_eq!(last.weight.ng(), 12_450_000_000);
}

/// The example that a person compares with what her scale sends is one that the layout reads.
#[test]
fn the_example_of_a_layouts_description_is_a_line_of_it() {
    for layout in ALL.into_iter().filter(|l| l.framing() == Framing::Lines) {
        let mut parts = layout.describe().english().split('`');
        let examples = std::iter::from_fn(|| {
            parts.next()?;
            parts.next()
        });
        let read: Vec<_> = examples.map(|line| layout.parse(line.as_bytes())).collect();
        assert!(
            read.iter().all(Result::is_ok),
            "{}: {read:?}",
            layout.name()
        );
        let weight = |line: &Result<Line, Reject>| matches!(line, Ok(Line::Weight(_)));
        assert!(read.iter().any(weight), "{}", layout.name());
    }
    let frames = ALL.into_iter().filter(|l| l.framing() != Framing::Lines);
    for layout in frames {
        let said = layout.describe().english();
        assert!(
            said.starts_with("STX, ") || said.contains("ended by ETX"),
            "{said}"
        );
    }
    let pattern = Pattern::new(r"(?<number>\d+) (?<unit>g)", None).unwrap();
    assert!(
        pattern
            .describe()
            .english()
            .contains("pattern of the configuration")
    );
    assert_eq!(pattern.name(), "pattern");
}

/// What an overload has for digits means nothing, but a longer text than any field is no overload.
#[test]
fn an_overload_has_a_field_and_no_more() {
    let layout = bismar::scale::layout::by_name("comma-header").unwrap();
    let said = |field: &str| layout.parse(format!("OL,{field}").as_bytes());
    assert_eq!(said(""), Ok(Line::Overload));
    assert_eq!(said(&"9".repeat(20)), Ok(Line::Overload));
    assert_eq!(said(&"9".repeat(21)), Err(Reject::Form));
    assert_eq!(said("-9"), Ok(Line::Underload));
    assert_eq!(said("+9;"), Err(Reject::Form));
}

/// A mark of net or gross stands behind a blank or the question mark; a unit that ends in such a letter is a unit.
#[test]
fn a_mark_of_gross_stands_behind_a_unit() {
    let layout = bismar::scale::layout::by_name("question-mark").unwrap();
    let said = |text: &str| layout.parse(format!("{text:>18}").as_bytes());
    let shown = |text: &str| match said(text) {
        Ok(Line::Weight(found)) => Some((found.unit, found.shown)),
        _ => None,
    };
    assert_eq!(
        shown("12.34 g G"),
        Some((Some(Unit::Gram), Some(Shown::Gross)))
    );
    assert_eq!(
        shown("12.34 g N"),
        Some((Some(Unit::Gram), Some(Shown::Net)))
    );
    assert_eq!(shown("12.34 G"), Some((Some(Unit::Gram), None)));
    // Something that is counted is a short word; a longer one is no unit at all.
    assert_eq!(said("12 PCS"), Ok(Line::NotAMass));
    assert_eq!(said("12 pieces"), Err(Reject::Form));
    // Where a letter is all that the unit is, it is not gross.
    assert_eq!(shown("12.34 ?G"), None);
}

/// An answer that says there is no weight has none behind it: that is two answers run together.
#[test]
fn an_answer_without_a_weight_has_nothing_behind_it() {
    let layout = bismar::scale::layout::by_name("reply-code").unwrap();
    for (status, want) in [
        ("I", Line::NoWeight),
        ("L", Line::NoWeight),
        ("E", Line::NoWeight),
        ("+", Line::Overload),
        ("-", Line::Underload),
    ] {
        assert_eq!(layout.parse(format!("S {status}").as_bytes()), Ok(want));
        let more = format!("S {status}      12.34 g");
        assert_eq!(layout.parse(more.as_bytes()), Err(Reject::Form), "{more}");
    }
}

#[test]
fn names_are_unique_and_found_in_any_spelling() {
    for (i, layout) in ALL.iter().enumerate() {
        assert!(
            ALL.iter()
                .skip(i + 1)
                .all(|other| other.name() != layout.name())
        );
        let spelled = layout.name().to_uppercase().replace('-', "_");
        let found = bismar::scale::layout::by_name(&spelled).unwrap();
        assert_eq!(found.name(), layout.name());
        assert!(!layout.describe().english().is_empty());
    }
    assert!(bismar::scale::layout::by_name("").is_none());
}

/// Whole lines of all tables with noise between them.
fn noisy_stream() -> impl Strategy<Value = Vec<u8>> {
    let mut parts: Vec<Vec<u8>> = ALL
        .into_iter()
        .flat_map(rows)
        .map(|row| row.bytes)
        .collect();
    parts.extend(
        table("broken.tsv")
            .iter()
            .map(|(_, cells)| unescape(&cells[0])),
    );
    let part = prop_oneof![
        6 => prop::sample::select(parts),
        1 => prop::collection::vec(any::<u8>(), 0..200),
        1 => prop::collection::vec(prop::sample::select(b"+-. 0123456789gkoz\r\n\x02\x03".to_vec()), 0..40),
    ];
    prop::collection::vec(part, 0..12).prop_map(|parts| parts.concat())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn the_pieces_in_which_bytes_arrive_change_nothing(
        stream in noisy_stream(),
        cuts in prop::collection::vec(any::<prop::sample::Index>(), 0..20),
        mid in any::<bool>(),
    ) {
        let start = if mid { Start::MidStream } else { Start::LineStart };
        let mut cuts: Vec<usize> = cuts.iter().map(|cut| cut.index(stream.len() + 1)).collect();
        cuts.extend([0, stream.len()]);
        cuts.sort_unstable();
        for layout in ALL {
            let whole = hear(layout, start, &stream);
            let mut pieces = Vec::new();
            let mut decoder = Decoder::new(Chosen::BuiltIn(layout), start);
            for ends in cuts.windows(2) {
                decoder.feed(Moment::default(), &stream[ends[0]..ends[1]], |one| pieces.push(one));
            }
            prop_assert_eq!(&whole, &pieces, "{}", layout.name());
            let bytewise = stream.chunks(1).fold(
                (Decoder::new(Chosen::BuiltIn(layout), start), Vec::new()),
                |(mut decoder, mut heard), byte| {
                    decoder.feed(Moment::default(), byte, |one| heard.push(one));
                    (decoder, heard)
                },
            );
            // A number without a unit is told once more when one is heard.
            let lines = (bytewise.0.good_lines() + bytewise.0.rejected_lines()) as usize;
            let unitless = whole.iter().filter(|heard| **heard == Heard::NoUnit).count();
            prop_assert!((lines..=lines + unitless).contains(&whole.len()), "{}", layout.name());
            prop_assert_eq!(whole, bytewise.1, "{}", layout.name());
        }
    }

    #[test]
    fn no_bytes_make_a_layout_panic(line in prop::collection::vec(any::<u8>(), 0..60)) {
        for layout in ALL {
            let _ = layout.parse(&line);
        }
    }
}
