//! Losses: the part of a batch that got into no jar, as its log tells it.

use super::record::Record;
use crate::formula::Percent;
use crate::mass::Mass;

/// The share of what was weighed that got into no jar: what stayed in bowl and tools, and what was thrown away.
/// `None` where the log tells too little of it: the batch was not planned in jars, or was filled into others;
/// it is not filled to its end; a damaged log; more than a jar was left, so that nobody knows whether that was
/// lost or kept; a tenth of a jar or more was made beyond what was planned (by a remedy, or a pour that was kept), which
/// was meant for no jar and may stand there still; or more than one jar is missing, as where filling was given up.
///
/// Where one jar is missing, the bowl may have held a part of it: what went beyond a whole one is surely lost.
pub fn lost(record: &Record) -> Option<Percent> {
    let (planned, fill) = record.opening.as_ref()?.jars?;
    let as_planned = record.fillings.iter().all(|one| one.nominal == fill);
    record.filling_closed.as_ref()?;
    if !record.ended || !as_planned || record.fault.is_some() {
        return None;
    }
    let made = record.total();
    let left = made - record.jarred();
    // A jar more than planned is of what came on top.
    let more = record.filled.len().saturating_sub(planned as usize);
    let beyond = made - record.opening.as_ref()?.batch - fill * i64::try_from(more).ok()?;
    if beyond * 10 >= fill {
        return None;
    }
    let missing = (planned as usize).checked_sub(record.filled.len());
    let lost = match missing.unwrap_or(0) {
        0 if left < fill => left.max(Mass::ZERO),
        1 if left > fill && left < fill * 2 => left - fill,
        _ => return None,
    };
    let share = i128::from(lost.ng()) * i128::from(Percent::HUNDRED.0);
    let share = share.checked_div(i128::from(made.ng()))?;
    // A log that somebody wrote may say anything.
    let share = i64::try_from(share).ok().map(Percent)?;
    (made > Mass::ZERO && share < Percent::HUNDRED).then_some(share)
}
