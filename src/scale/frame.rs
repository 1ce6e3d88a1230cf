//! Cutting a byte stream into lines.
//!
//! A [`Framer`] is fed bytes in any pieces and keeps the unfinished tail; it knows no port and no
//! clock. What has no end yet is not a line: a weight is never read from it.

use super::Reject;

/// The longest line or frame that is kept, in bytes without its end. Bench scales send up to about
/// 40; a longer one is noise or a wrong speed, and is skipped to its end.
pub const LONGEST_LINE: usize = 128;

const STX: u8 = 0x02;
const ETX: u8 = 0x03;
const CR: u8 = b'\r';
const LF: u8 = b'\n';

/// How a layout marks where a line begins and ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Framing {
    /// A line ends at CR, LF or CR LF; empty lines are ignored. The line comes without its end.
    Lines,
    /// A frame begins at STX and ends at CR, LF or ETX. It comes with its STX and without its end;
    /// with `check` the CR and the one check byte after it belong to the frame.
    Stx { check: bool },
    /// A frame ends at ETX and may hold several lines. It comes without the ETX.
    Etx,
}

/// What is known about the first byte of a stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Start {
    /// It begins a line (a capture begins there).
    LineStart,
    /// It may stand anywhere (a port just opened): the first line may be cut and is thrown away.
    MidStream,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Inside a line or frame; the tail holds what came so far.
    Inside,
    /// The line was too long and was reported; nothing is kept up to its end.
    Skipping,
    /// Before the first end or STX of a stream that was opened anywhere.
    Partial { any: bool },
    /// Between two STX frames; `stray` once a byte that belongs to no frame was reported.
    Outside { stray: bool },
    /// The next byte is the frame's check byte.
    Check,
}

/// Cuts bytes into lines; see [`Framing`].
#[derive(Debug, Clone)]
pub struct Framer {
    framing: Framing,
    state: State,
    tail: [u8; LONGEST_LINE],
    len: usize,
    garbage: bool,
}

impl Framer {
    /// A framer for a stream whose first byte begins a line.
    pub fn at_line_start(framing: Framing) -> Framer {
        Framer::new(framing, Start::LineStart)
    }

    /// A framer for a stream that was opened anywhere: the first, possibly cut, line is thrown
    /// away as [`Reject::Partial`], unless the stream proves that it began between two lines.
    pub fn mid_stream(framing: Framing) -> Framer {
        Framer::new(framing, Start::MidStream)
    }

    pub fn new(framing: Framing, start: Start) -> Framer {
        let mut framer = Framer {
            framing,
            state: State::Inside,
            tail: [0; LONGEST_LINE],
            len: 0,
            garbage: false,
        };
        framer.restart(start);
        framer
    }

    /// Forgets the unfinished tail and begins anew, after a port was opened again.
    pub fn restart(&mut self, start: Start) {
        self.len = 0;
        self.garbage = false;
        self.state = match (start, self.framing) {
            (Start::MidStream, _) => State::Partial { any: false },
            (Start::LineStart, Framing::Stx { .. }) => State::Outside { stray: false },
            (Start::LineStart, Framing::Lines | Framing::Etx) => State::Inside,
        };
    }

    /// Whether nothing is kept of what came so far: the same bytes give the same lines wherever this is so.
    pub fn is_between_lines(&self) -> bool {
        let between = match self.framing {
            Framing::Lines | Framing::Etx => State::Inside,
            Framing::Stx { .. } => State::Outside { stray: false },
        };
        self.state == between && self.len == 0 && !self.garbage
    }

    /// Takes the next bytes and gives each line that they finish, and each reject, in order.
    /// Never allocates; the same bytes in other pieces give the same lines.
    pub fn feed(&mut self, bytes: &[u8], mut each: impl FnMut(Result<&[u8], Reject>)) {
        match self.framing {
            Framing::Lines => self.feed_ended(bytes, &LINE_CLASS, &mut each),
            Framing::Etx => self.feed_ended(bytes, &ETX_CLASS, &mut each),
            Framing::Stx { check } => self.feed_stx(bytes, check, &mut each),
        }
    }

    /// Lines that only their end marks.
    fn feed_ended(
        &mut self,
        mut bytes: &[u8],
        class: &[u8; 256],
        each: &mut impl FnMut(Result<&[u8], Reject>),
    ) {
        while !bytes.is_empty() {
            let of = |byte: &u8| class[usize::from(*byte)];
            let special = bytes.iter().position(|byte| of(byte) != TEXT);
            let special = special.unwrap_or(bytes.len());
            let rest = bytes.get(special..).unwrap_or_default();
            // Nearly always this is the end already.
            let end = rest.iter().position(|byte| of(byte) == END);
            let garbage = !matches!(end, Some(0)) && !rest.is_empty();
            let Some(end) = end.map(|end| special + end) else {
                self.keep(bytes, garbage, each);
                return;
            };
            let (line, rest) = bytes.split_at(end);
            bytes = rest.get(1..).unwrap_or_default();
            if self.state == State::Inside && self.len == 0 && line.len() <= LONGEST_LINE {
                // The common case: the whole line is in these bytes and need not be copied.
                if garbage {
                    each(Err(Reject::Garbage));
                } else if !line.is_empty() {
                    each(Ok(line));
                }
                continue;
            }
            self.keep(line, garbage, each);
            self.finish(each);
        }
    }

    /// Adds to the tail, within the limit.
    fn keep(&mut self, part: &[u8], garbage: bool, each: &mut impl FnMut(Result<&[u8], Reject>)) {
        match &mut self.state {
            State::Partial { any } => *any |= !part.is_empty(),
            State::Skipping | State::Outside { .. } | State::Check => {}
            State::Inside => match self.tail.get_mut(self.len..self.len + part.len()) {
                Some(room) => {
                    room.copy_from_slice(part);
                    self.len += part.len();
                    self.garbage |= garbage;
                }
                None => {
                    self.state = State::Skipping;
                    self.len = 0;
                    self.garbage = false;
                    each(Err(Reject::TooLong));
                }
            },
        }
    }

    /// The end of a line came: gives the tail, or what became of it.
    fn finish(&mut self, each: &mut impl FnMut(Result<&[u8], Reject>)) {
        let state = std::mem::replace(&mut self.state, State::Inside);
        match state {
            State::Partial { any: true } => each(Err(Reject::Partial)),
            State::Partial { any: false } | State::Skipping | State::Outside { .. } => {}
            State::Inside | State::Check => {
                if self.garbage {
                    each(Err(Reject::Garbage));
                } else if self.len > 0 {
                    each(Ok(self.tail.get(..self.len).unwrap_or_default()));
                }
            }
        }
        self.len = 0;
        self.garbage = false;
    }

    /// Frames that begin at STX.
    fn feed_stx(
        &mut self,
        bytes: &[u8],
        check: bool,
        each: &mut impl FnMut(Result<&[u8], Reject>),
    ) {
        for &byte in bytes {
            if self.state == State::Check {
                // Whatever it is, even an STX: this byte is the check byte.
                self.state = State::Inside;
                self.keep_in_frame(CR, false, each);
                self.keep_in_frame(byte, byte >= 0x80, each);
                self.end_frame(each);
                continue;
            }
            if byte == STX {
                match self.state {
                    State::Inside => each(Err(Reject::Form)),
                    State::Partial { any: true } => each(Err(Reject::Partial)),
                    State::Partial { any: false } | State::Skipping => {}
                    State::Outside { .. } | State::Check => {}
                }
                self.len = 0;
                self.garbage = false;
                self.state = State::Inside;
                self.keep_in_frame(STX, false, each);
                continue;
            }
            let ends = matches!(byte, CR | LF | ETX);
            match &mut self.state {
                State::Inside if byte == CR && check => self.state = State::Check,
                State::Inside if ends => self.end_frame(each),
                State::Inside => {
                    let garbage = LINE_CLASS[usize::from(byte)] == GARBAGE;
                    self.keep_in_frame(byte, garbage, each);
                }
                State::Skipping if ends => self.state = State::Outside { stray: false },
                State::Partial { any } => *any |= !ends,
                State::Outside { stray } if !ends && !*stray => {
                    *stray = true;
                    each(Err(Reject::Form));
                }
                State::Skipping | State::Outside { .. } | State::Check => {}
            }
        }
    }

    fn keep_in_frame(
        &mut self,
        byte: u8,
        garbage: bool,
        each: &mut impl FnMut(Result<&[u8], Reject>),
    ) {
        self.keep(&[byte], garbage, each);
    }

    fn end_frame(&mut self, each: &mut impl FnMut(Result<&[u8], Reject>)) {
        self.finish(each);
        self.state = State::Outside { stray: false };
    }
}

const TEXT: u8 = 0;
const END: u8 = 1;
const GARBAGE: u8 = 2;

/// What each byte is in a line that CR or LF ends.
static LINE_CLASS: [u8; 256] = classes(&[CR, LF], &[]);
/// What each byte is in a frame of several lines that ETX ends.
static ETX_CLASS: [u8; 256] = classes(&[ETX], &[CR, LF]);

const fn classes(ends: &[u8], also_text: &[u8]) -> [u8; 256] {
    let mut table = [GARBAGE; 256];
    let mut byte = 0x20;
    while byte < 0x7f {
        table[byte] = TEXT;
        byte += 1;
    }
    let mut i = 0;
    while i < also_text.len() {
        table[also_text[i] as usize] = TEXT;
        i += 1;
    }
    let mut i = 0;
    while i < ends.len() {
        table[ends[i] as usize] = END;
        i += 1;
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    type Heard = Vec<Result<Vec<u8>, Reject>>;

    fn all(mut framer: Framer, pieces: &[&[u8]]) -> Heard {
        let mut heard = Vec::new();
        for piece in pieces {
            framer.feed(piece, |line| heard.push(line.map(<[u8]>::to_vec)));
        }
        heard
    }

    fn ok(line: &str) -> Result<Vec<u8>, Reject> {
        Ok(line.as_bytes().to_vec())
    }

    #[test]
    fn cr_lf_and_crlf_end_a_line_and_empty_lines_are_ignored() {
        let framer = Framer::at_line_start(Framing::Lines);
        let heard = all(framer, &[b"a\rb\nc\r\n\r\n\n", b"d", b"e\r", b"\nf"]);
        assert_eq!(heard, [ok("a"), ok("b"), ok("c"), ok("de")]);
    }

    #[test]
    fn the_first_line_after_opening_is_thrown_away_unless_a_boundary_comes_first() {
        let framer = || Framer::mid_stream(Framing::Lines);
        assert_eq!(
            all(framer(), &[b"34 g\r\n12 g\r\n"]),
            [Err(Reject::Partial), ok("12 g")]
        );
        assert_eq!(
            all(framer(), &[b"3", b"4 g\r", b"\n1\r"]),
            [Err(Reject::Partial), ok("1")]
        );
        assert_eq!(all(framer(), &[b"\n12 g\r\n"]), [ok("12 g")]);
    }

    #[test]
    fn a_megabyte_without_an_end_is_one_reject_and_the_next_line_is_whole() {
        let long = vec![b'7'; 1 << 20];
        for piece in [1, 100, 1 << 20] {
            let mut framer = Framer::at_line_start(Framing::Lines);
            let mut heard = Vec::new();
            for part in long.chunks(piece).chain([&b"\r\n12 g\r\n"[..]]) {
                framer.feed(part, |line| heard.push(line.map(<[u8]>::to_vec)));
            }
            assert_eq!(heard, [Err(Reject::TooLong), ok("12 g")]);
        }
        assert!(std::mem::size_of::<Framer>() < 256);
    }

    #[test]
    fn the_longest_line_is_kept_and_one_byte_more_is_not() {
        let line = "x".repeat(LONGEST_LINE);
        let text = format!("{line}\r\n{line}x\r\n");
        let framer = Framer::at_line_start(Framing::Lines);
        assert_eq!(
            all(framer, &[text.as_bytes()]),
            [ok(&line), Err(Reject::TooLong)]
        );
    }

    #[test]
    fn nul_control_and_eighth_bit_bytes_make_the_line_garbage() {
        for bad in [0u8, 1, 2, 3, 7, 9, 0x1b, 0x7f, 0x80, 0xb1, 0xff] {
            let text = [b"12", &[bad][..], b".34 g\r\n1 g\r\n"].concat();
            let framer = Framer::at_line_start(Framing::Lines);
            assert_eq!(all(framer, &[&text]), [Err(Reject::Garbage), ok("1 g")]);
        }
    }

    #[test]
    fn stx_frames_end_at_cr_lf_or_etx_and_a_second_stx_ends_a_cut_one() {
        let framer = Framer::at_line_start(Framing::Stx { check: false });
        let heard = all(
            framer,
            &[b"\x02ab\r\n\x02c", b"d\x03\x02ef\x02gh\nzz\x02i\r"],
        );
        assert_eq!(
            heard,
            [
                ok("\x02ab"),
                ok("\x02cd"),
                Err(Reject::Form),
                ok("\x02gh"),
                Err(Reject::Form),
                ok("\x02i")
            ]
        );
        let framer = Framer::mid_stream(Framing::Stx { check: false });
        assert_eq!(
            all(framer, &[b"xx\r\n\x02a\r"]),
            [Err(Reject::Partial), ok("\x02a")]
        );
        let cut = |bytes: &[u8]| all(Framer::mid_stream(Framing::Stx { check: false }), &[bytes]);
        assert_eq!(cut(b"xx\x02a\r"), [Err(Reject::Partial), ok("\x02a")]);
        assert_eq!(cut(b"\r\n\x02a\r"), [ok("\x02a")]);
    }

    #[test]
    fn what_stands_between_frames_is_told_after_one_that_was_too_long_as_well() {
        let long = [b"\x02", &[b'7'; LONGEST_LINE + 9][..], b"\rzz\x02i\r"].concat();
        let framer = Framer::at_line_start(Framing::Stx { check: false });
        assert_eq!(
            all(framer, &[&long]),
            [Err(Reject::TooLong), Err(Reject::Form), ok("\x02i")]
        );
        // What was too long is told once, however long it is.
        let long = [b"\x02", &[b'7'; LONGEST_LINE + 9][..], b"\r\x02i\r"].concat();
        let framer = Framer::at_line_start(Framing::Stx { check: false });
        assert_eq!(all(framer, &[&long]), [Err(Reject::TooLong), ok("\x02i")]);
    }

    #[test]
    fn the_check_byte_may_be_any_byte_even_an_stx_or_a_line_end() {
        for check in [0x02u8, 0x03, 0x0a, 0x0d, 0x31, 0x7f] {
            let text = [b"\x02ab\r", &[check][..], b"\x02cd\r\x40"].concat();
            let framer = Framer::at_line_start(Framing::Stx { check: true });
            let first = [b"\x02ab\r", &[check][..]].concat();
            assert_eq!(all(framer, &[&text]), [Ok(first), ok("\x02cd\r\x40")]);
        }
    }

    #[test]
    fn an_etx_frame_holds_its_inner_lines() {
        let framer = Framer::at_line_start(Framing::Etx);
        let heard = all(framer, &[b"\n 1g\r\nS00\r", b"\x03\n?\r\x03"]);
        assert_eq!(heard, [ok("\n 1g\r\nS00\r"), ok("\n?\r")]);
    }
}
