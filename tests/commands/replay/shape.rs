//! The line shapes, written down a second time from the tables in `fixtures/lines/` and without the
//! crate's own code, so that no parser is tested by itself.

/// A form of line, by the name of its layout.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    Sixteen,
    TwentyTwo,
    Comma,
    CommaGrossNet,
    Reply,
    Question,
    Status,
    StxReadable,
    StxStatus,
    StxChecked,
    /// No built-in layout: `W:+12.34:g:R` at rest, `:M` while it moves.
    Own,
}

impl Shape {
    /// Each that is built in.
    pub const BUILT_IN: [Shape; 10] = [
        Shape::Sixteen,
        Shape::TwentyTwo,
        Shape::Comma,
        Shape::CommaGrossNet,
        Shape::Reply,
        Shape::Question,
        Shape::Status,
        Shape::StxReadable,
        Shape::StxStatus,
        Shape::StxChecked,
    ];
}

/// What the display shows.
#[derive(Debug, Clone, Copy)]
pub struct Face<'a> {
    /// Counts of the last digit.
    pub counts: i64,
    pub decimals: usize,
    pub unit: &'a str,
    pub steady: bool,
    pub net: bool,
}

impl Face<'_> {
    /// The number without its sign.
    fn digits(&self) -> String {
        let text = format!(
            "{:0width$}",
            self.counts.unsigned_abs(),
            width = self.decimals + 1
        );
        let (whole, part) = text.split_at(text.len() - self.decimals);
        if part.is_empty() {
            whole.to_owned()
        } else {
            format!("{whole}.{part}")
        }
    }

    pub fn number(&self) -> String {
        let sign = if self.counts < 0 { "-" } else { "" };
        format!("{sign}{}", self.digits())
    }
}

/// The bytes of one line.
pub fn line(shape: Shape, face: Face<'_>) -> Vec<u8> {
    let (digits, number, unit) = (face.digits(), face.number(), face.unit);
    let sign = if face.counts < 0 { '-' } else { '+' };
    let moving = !face.steady;
    let shown = if moving { "" } else { unit };
    let kind = if face.net { 'N' } else { 'G' };
    match shape {
        Shape::Sixteen => format!("{sign} {digits:>8} {shown:<3}\r\n").into_bytes(),
        Shape::TwentyTwo => format!("{kind}     {sign} {digits:>8} {shown:<3}\r\n").into_bytes(),
        Shape::Comma | Shape::CommaGrossNet => {
            let head = if moving { "US" } else { "ST" };
            let which = match (shape == Shape::CommaGrossNet, face.net) {
                (true, true) => "NT,",
                (true, false) => "GS,",
                (false, _) => "",
            };
            format!("{head},{which}{sign}{digits:0>8}{unit:>3}\r\n").into_bytes()
        }
        Shape::Reply => {
            let head = if moving { 'D' } else { 'S' };
            format!("S {head} {number:>10} {unit}\r\n").into_bytes()
        }
        Shape::Question => {
            let mark = if moving { '?' } else { ' ' };
            format!("{number:>10} {unit:<5} {mark}\r\n").into_bytes()
        }
        Shape::Status => {
            let first = if moving { '1' } else { '0' };
            format!("\n{number:>8}{unit:<3}\r\nS{first}0\r\x03").into_bytes()
        }
        Shape::StxReadable => {
            let sign = if face.counts < 0 { '-' } else { ' ' };
            let letter = unit.to_ascii_uppercase().chars().next().unwrap_or('G');
            let status = if moving { 'M' } else { ' ' };
            format!("\x02{sign}{digits:>7}{letter}{kind}{status}\r\n").into_bytes()
        }
        Shape::StxStatus | Shape::StxChecked => {
            // Two decimals of grams; bit 0 net, bit 1 negative, bit 3 motion.
            let second =
                0x30 | u8::from(face.net) | u8::from(face.counts < 0) << 1 | u8::from(moving) << 3;
            let mut frame = vec![0x02, b',', second, b'!'];
            frame.extend(format!("{:06}000000\r", face.counts.unsigned_abs()).bytes());
            if shape == Shape::StxChecked {
                let sum = frame.iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte)) & 0x7f;
                frame.push((128 - sum) & 0x7f);
            }
            frame
        }
        Shape::Own => {
            let rest = if moving { 'M' } else { 'R' };
            format!("W:{sign}{digits}:{unit}:{rest}\r\n").into_bytes()
        }
    }
}
