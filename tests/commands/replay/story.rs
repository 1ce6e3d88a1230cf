//! What happens at the bench in each capture. The names are those of the files in
//! `fixtures/captures/`.

use super::scale::Session;
use super::shape::Shape;

/// Two beakers, 60 g and 40 g; 1 % on each side.
pub const TWO_BEAKERS: &str = r#"[formula]
name = "Two beakers"

[[phase]]
name = "Dry"

[[phase.ingredient]]
name = "Sea salt"
percent = 60
tolerance = { percent = 1 }

[[phase.ingredient]]
name = "Oat flour"
percent = 40
tolerance = { percent = 1 }
"#;

/// The same in one bowl, with a mixing at the end.
pub const BOWL: &str = r#"[formula]
name = "Bowl"

[[phase]]
name = "Melt"
mix = "Stir until clear"

[[phase.ingredient]]
name = "Sunflower oil"
percent = 60
tolerance = { percent = 1 }
vessel = "bowl"

[[phase.ingredient]]
name = "Beeswax"
percent = 40
tolerance = { percent = 1 }
vessel = "bowl"
"#;

/// A beaker, then 4 g out of a bottle whose lot is asked for.
pub const DIFFERENCE: &str = r#"[formula]
name = "Difference"

[[phase]]
name = "Base"

[[phase.ingredient]]
name = "Sea salt"
percent = 96
tolerance = { percent = 1 }

[[phase.ingredient]]
name = "Lavender oil"
percent = 4
tolerance = { percent = 2 }
vessel = "difference"
lot_required = true
"#;

/// Wide enough for an ounce scale and for a kilogram scale.
pub const COARSE: &str = r#"[formula]
name = "Coarse"

[[phase]]
name = "Dry"

[[phase.ingredient]]
name = "Sea salt"
percent = 60
tolerance = { percent = 3 }

[[phase.ingredient]]
name = "Oat flour"
percent = 40
tolerance = { percent = 3 }
"#;

/// A capture, how it is to be replayed, and what must come out.
pub struct Story {
    pub name: &'static str,
    pub formula: &'static str,
    pub batch: &'static str,
    pub session: Session,
    /// Whether the batch is complete at its end.
    pub complete: bool,
    /// Verdict of the last row of each step that was recorded.
    pub verdicts: &'static [&'static str],
}

impl Story {
    /// The file in `fixtures/captures/` that holds the formula.
    pub fn formula_file(&self) -> &'static str {
        match self.formula {
            BOWL => "bowl.toml",
            DIFFERENCE => "difference.toml",
            COARSE => "coarse.toml",
            _ => "two_beakers.toml",
        }
    }
}

fn story(name: &'static str, formula: &'static str, session: Session) -> Story {
    Story {
        name,
        formula,
        batch: "100g",
        session,
        complete: true,
        verdicts: &["inside", "inside"],
    }
}

/// One beaker step without a key.
fn beaker(s: &mut Session, vessel: f64, grams: f64) {
    s.place(vessel).pour(grams, 4.0).true_now().lift();
}

/// Two beakers that only bismar tares.
pub fn beaker_without_tare(shape: Shape) -> Story {
    let mut s = Session::new(shape, 1);
    s.wait(2.0);
    beaker(&mut s, 150.2, 60.03);
    beaker(&mut s, 87.4, 39.96);
    story("beaker_without_tare", TWO_BEAKERS, s)
}

/// The same at another rate of readings a second; each is waited for.
pub fn beakers_at_rate(rate: f64) -> Story {
    let mut s = Session::new(Shape::Sixteen, 20).at_rate(rate);
    s.wait(2.0);
    for (vessel, grams) in [(150.2, 60.03), (87.4, 39.96)] {
        s.place(vessel)
            .wait(1.0)
            .pour(grams, 6.0)
            .wait(1.5)
            .true_now()
            .lift();
    }
    story("beakers_at_rate", TWO_BEAKERS, s)
}

/// The same with the scale's TARE key on each empty beaker.
pub fn beaker_with_tare(shape: Shape) -> Story {
    let mut s = Session::new(shape, 2);
    s.wait(2.0);
    s.place(150.2).tare_key().pour(60.1, 4.0).true_now().lift();
    s.place(87.4).tare_key().pour(39.9, 4.0).true_now().lift();
    story("beaker_with_tare", TWO_BEAKERS, s)
}

pub fn bowl(shape: Shape) -> Story {
    let mut s = Session::new(shape, 3);
    s.wait(2.0).place(410.0).pour(60.05, 5.0).true_now();
    let first = s.truth[0];
    s.pour(39.95, 4.0).true_now();
    s.truth[1] -= first;
    // The mix cue comes when the bowl has stayed as it is for a while.
    s.wait(2.0).say("next").lift();
    story("bowl", BOWL, s)
}

pub fn difference(shape: Shape) -> Story {
    let mut s = Session::new(shape, 4);
    s.wait(2.0);
    beaker(&mut s, 150.2, 96.1);
    s.say(r#"lot "LV-26""#);
    s.place(131.0)
        .lift()
        .take_away(4.02)
        .put_back()
        .wait(2.0)
        .true_now()
        .lift();
    s.truth[1] = -s.truth[1];
    story("difference", DIFFERENCE, s)
}

pub fn over_pour_taken_back(shape: Shape) -> Story {
    let mut s = Session::new(shape, 5);
    s.wait(2.0);
    s.place(150.2)
        .pour(61.8, 4.0)
        .pour(-1.75, 2.0)
        .true_now()
        .lift();
    beaker(&mut s, 87.4, 40.0);
    story("over_pour_taken_back", TWO_BEAKERS, s)
}

pub fn over_pour_kept(shape: Shape) -> Story {
    let mut s = Session::new(shape, 6);
    s.wait(2.0);
    s.place(150.2)
        .pour(61.8, 4.0)
        .say("keep")
        .wait(1.0)
        .true_now()
        .lift();
    beaker(&mut s, 87.4, 40.0);
    Story {
        verdicts: &["kept", "inside"],
        ..story("over_pour_kept", TWO_BEAKERS, s)
    }
}

/// The same by two presses on the pan.
pub fn two_presses(shape: Shape) -> Story {
    let mut s = Session::new(shape, 7);
    s.wait(2.0);
    s.place(150.2)
        .pour(61.8, 4.0)
        .press_twice()
        .true_now()
        .lift();
    beaker(&mut s, 87.4, 40.0);
    Story {
        verdicts: &["kept", "inside"],
        ..story("two_presses", TWO_BEAKERS, s)
    }
}

/// No bytes for 9 s in the middle of a pour; the pour rested.
pub fn line_silent(shape: Shape) -> Story {
    let mut s = Session::new(shape, 8);
    s.wait(2.0);
    s.place(150.2)
        .pour(30.0, 3.0)
        .silent(9.0)
        .wait(2.0)
        .pour(30.02, 3.0)
        .true_now()
        .lift();
    beaker(&mut s, 87.4, 40.0);
    story("line_silent", TWO_BEAKERS, s)
}

/// Something is poured while the line is silent: the tare must be seen again.
pub fn line_silent_while_poured(shape: Shape) -> Story {
    let mut s = Session::new(shape, 9);
    s.wait(2.0);
    s.place(150.2)
        .pour(30.0, 3.0)
        .silent(9.0)
        .pour(10.0, 0.2)
        .wait(2.0);
    // As the cue asks: lift, rest, back.
    s.lift().put_back().pour(20.02, 3.0).true_now().lift();
    beaker(&mut s, 87.4, 40.0);
    story("line_silent_while_poured", TWO_BEAKERS, s)
}

/// Switched off and on with a half full beaker on it: it shows zero then.
pub fn power_cycle(shape: Shape) -> Story {
    let mut s = Session::new(shape, 10);
    s.wait(2.0);
    s.place(150.2).pour(30.0, 3.0).power_cycle();
    s.lift().put_back().pour(30.02, 3.0).true_now().lift();
    beaker(&mut s, 87.4, 40.0);
    story("power_cycle", TWO_BEAKERS, s)
}

pub fn bump(shape: Shape) -> Story {
    let mut s = Session::new(shape, 11);
    s.wait(2.0).place(150.2).bump().pour(30.0, 3.0).bump();
    s.pour(30.02, 3.0).true_now().lift();
    beaker(&mut s, 87.4, 40.0);
    story("bump", TWO_BEAKERS, s)
}

/// Lot, remark and words that nothing waits for.
pub fn words(shape: Shape) -> Story {
    let mut s = Session::new(shape, 12);
    s.wait(2.0)
        .say("next")
        .say(r#"lot "SB-0412, \"late\" harvest""#);
    s.place(150.2).pour(60.0, 4.0).true_now().lift();
    s.say(r#"note "=1+1; the salt was damp""#).say("keep");
    beaker(&mut s, 87.4, 40.0);
    story("words", TWO_BEAKERS, s)
}

pub fn stopped_early(shape: Shape) -> Story {
    let mut s = Session::new(shape, 13);
    s.wait(2.0);
    beaker(&mut s, 150.2, 60.0);
    s.place(87.4).pour(20.0, 3.0).say("stop");
    Story {
        complete: false,
        verdicts: &["inside"],
        ..story("stopped_early", TWO_BEAKERS, s)
    }
}

/// Whatever a bad line can bring, between good lines and in the middle of them.
pub fn garbage(shape: Shape) -> Story {
    let mut s = Session::new(shape, 14);
    s.wait(2.0).place(150.2);
    noise(&mut s);
    s.pour(30.0, 3.0);
    noise(&mut s);
    s.pour(30.0, 3.0).true_now();
    noise(&mut s);
    s.wait(1.0).lift();
    noise(&mut s);
    beaker(&mut s, 87.4, 40.0);
    story("garbage", TWO_BEAKERS, s)
}

fn noise(s: &mut Session) {
    let good = s.line_of(777.77);
    let (head, tail) = good.split_at(good.len() / 2);
    // A frame begins at its STX, so that what stands before is no part of it: there it is left out.
    let second = good.strip_prefix(b"\x02").unwrap_or(&good);
    let glued = [&good[..good.len() - 2], second].concat();
    let seven_even: Vec<u8> = good
        .iter()
        .map(|byte| byte | u8::from(byte.count_ones() % 2 == 1) << 7)
        .collect();
    let with_nul = [head, b"\0", tail].concat();
    let end: &[u8] = if s.shape == Shape::Status {
        b"\x03"
    } else {
        b"\r\n"
    };
    for bytes in [
        b"\xfe\x86\xe6\x78\x1e\x98\x80\r\n".as_slice(),
        b"\0\0\0\0",
        end,
        &with_nul,
        &seven_even,
        &[seven_even.as_slice(), end].concat(),
        &glued,
        // Head of a line that was cut off, with the end of another.
        &[head, end].concat(),
        b"~x\x7f<fx~\x1e",
        end,
    ] {
        s.raw(bytes);
    }
}

/// The story of the two beakers with `shape`, in ounces.
pub fn ounces(shape: Shape) -> Story {
    // 1 oz = 28.349523125 g (NIST SP 811:2008, B.8, avoirdupois ounce).
    let mut s = Session::new(shape, 15).in_unit("oz", 28.349_523_125, 3);
    s.wait(2.0);
    beaker(&mut s, 150.2, 60.1);
    beaker(&mut s, 87.4, 39.9);
    story("ounces", COARSE, s)
}

pub fn kilograms(shape: Shape) -> Story {
    let mut s = Session::new(shape, 16).in_unit("kg", 1000.0, 3);
    s.wait(2.0);
    beaker(&mut s, 900.0, 6010.0);
    beaker(&mut s, 900.0, 3990.0);
    Story {
        batch: "10kg",
        ..story("kilograms", COARSE, s)
    }
}

/// Lines cut over two reads, as a slow line gives them.
pub fn in_pieces(shape: Shape) -> Story {
    let mut s = Session::new(shape, 17);
    s.in_pieces = true;
    s.wait(2.0);
    beaker(&mut s, 150.2, 60.0);
    beaker(&mut s, 87.4, 40.0);
    story("in_pieces", TWO_BEAKERS, s)
}

/// The UNIT key in the middle of a pour, and back.
pub fn unit_key(shape: Shape) -> Story {
    let mut s = Session::new(shape, 18);
    s.wait(2.0).place(150.2).pour(30.0, 3.0);
    s.switch_unit("oz", 28.349_523_125, 3)
        .wait(1.0)
        .switch_unit("g", 1.0, 2);
    s.pour(30.02, 3.0).true_now().lift();
    beaker(&mut s, 87.4, 40.0);
    story("unit_key", TWO_BEAKERS, s)
}

/// A megabyte without an end, before a pour.
pub fn endless_line(shape: Shape) -> Story {
    let mut s = Session::new(shape, 19);
    s.wait(2.0)
        .place(150.2)
        .raw(&vec![b'7'; 1 << 20])
        .raw(b"\r\n");
    s.pour(60.0, 4.0).true_now().lift();
    beaker(&mut s, 87.4, 40.0);
    story("endless_line", TWO_BEAKERS, s)
}

/// Those that lie in `fixtures/captures/`, small enough to read.
pub fn kept() -> Vec<Story> {
    vec![
        beaker_without_tare(Shape::Sixteen),
        beaker_with_tare(Shape::CommaGrossNet),
        bowl(Shape::Reply),
        difference(Shape::Question),
        over_pour_taken_back(Shape::Sixteen),
        over_pour_kept(Shape::TwentyTwo),
        two_presses(Shape::Sixteen),
        line_silent(Shape::Comma),
        line_silent_while_poured(Shape::Comma),
        power_cycle(Shape::Reply),
        bump(Shape::Sixteen),
        words(Shape::StxReadable),
        stopped_early(Shape::StxChecked),
        garbage(Shape::Sixteen),
        ounces(Shape::Question),
        kilograms(Shape::CommaGrossNet),
        in_pieces(Shape::Status),
        unit_key(Shape::Sixteen),
    ]
}
