//! Repeated weighings of one load: what they tell, their rows in the log of the checks, and its words.

use super::scale_check::CheckLog;
use crate::guide::Taken;
use crate::journal::error::LogError;
use crate::language::{Sentence, Slot, phrase, remark};
use crate::mass::Mass;
use crate::metrology::Repeatability;
use crate::metrology::repeatability::USP_FRACTION;

/// Shares of a weight for which the smallest net weight is told: 0.10 % is that of USP <41>, the
/// others are tolerances of a maker's formula.
const SHARES: [(f64, &str); 3] = [(USP_FRACTION, "0.10 %"), (0.01, "1 %"), (0.05, "5 %")];

/// What its rows are called.
fn load() -> Sentence {
    remark!("repeated load")
}

/// What came of the weighings at readability `d`; `None` of fewer than two.
pub fn found(taken: &[Taken], d: Mass) -> Option<Repeatability> {
    let nets: Vec<Mass> = taken.iter().map(Taken::net).collect();
    Repeatability::of(&nets, d)
}

/// Writes a row for each weighing and one of what came of them; they are on the disk when this returns.
///
/// # Errors
/// When a row cannot be written.
pub fn log(record: &mut CheckLog, taken: &[Taken], found: &Repeatability) -> Result<(), LogError> {
    for (i, one) in taken.iter().enumerate() {
        let mut draft = record.draft(&load(), Some(*one));
        draft.step = i + 1;
        let which = remark!(
            "repeatability, weighing {number} of {of}",
            number = i + 1,
            of = taken.len()
        );
        draft.note = which.into();
        record.add(&draft)?;
    }
    let mut summary = record.draft(&load(), None);
    summary.note = remark!("repeatability: {said}", said = first_line(found)).into();
    record.add(&summary)
}

/// The figures in one line.
fn first_line(found: &Repeatability) -> Sentence {
    let number = |mass: f64| Slot::number(format!("{mass:.4}"));
    remark!(
        "s = {s} g of {count} weighings, mean {mean} g",
        s = number(found.measured),
        count = found.count,
        mean = number(found.mean),
    )
}

/// What it means for small weights, lines.
pub fn words(found: &Repeatability) -> Sentence {
    let number = |mass: String| Slot::number(mass);
    let first = first_line(found);
    let floor = match found.measured < found.floor() {
        true => phrase!(
            "\nFor the smallest weights a scale is not believed below 0.41 of its step: {floor} g counts.",
            floor = number(format!("{:.4}", found.floor())),
        ),
        false => Sentence::none(),
    };
    let least = SHARES.into_iter().filter_map(|(share, name)| {
        let least = found.smallest_net(share)?.grams(found.d).to_string();
        let row = phrase!(
            "\n  {name}  {least} g",
            name = number(format!("{name:>7}")),
            least = number(format!("{least:>9}")),
        );
        Some(match share == USP_FRACTION {
            true => phrase!(
                "{row}  (USP <41>, a yardstick made for pharmacopoeial work)",
                row
            ),
            false => row,
        })
    });
    let least = least.reduce(|all, row| phrase!("{all}{row}", all, row));
    phrase!(
        "{first}{floor}\nSmallest net weight at which 2 s is within a share of it:{least}",
        first,
        floor,
        least = least.unwrap_or_default(),
    )
}
