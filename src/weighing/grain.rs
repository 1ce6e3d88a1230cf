//! The step in which a scale really counts, where its display shows finer digits.
//!
//! A 0.1 g scale that pads a zero, or a 0.01 g scale read in ounces with four decimals, shows digits
//! that prove nothing. The readings give the true step away: all of them are multiples of it.

use std::collections::VecDeque;

use crate::mass::{Mass, Unit};

/// Changes of noise alone, in digits, and how many must have been seen before the least of them counts:
/// where the step is no whole number of digits (another unit's), nothing else tells it.
const SMALL: i64 = 6;
const ENOUGH: u32 = 16;
/// Larger changes are a pour, and say nothing of the step, in digits.
const LARGEST: i64 = 200;
/// Steps that are asked about, in digits: a scale counts in 1, 2 or 5 (OIML R 76-1:2006, 4.2.2.1).
/// Each with the readings by which it is believed: as many multiples of it a finer scale shows by chance in one
/// case of ten or less. Where nobody told the readability, the coarser step is the safer guess.
const STEPS: [(i64, u32); 9] = [
    (250, 1),
    (200, 1),
    (100, 1),
    (50, 1),
    (25, 2),
    (20, 1),
    (10, 1),
    (5, 2),
    (2, 4),
];
/// A carat is 0.2 g exactly (NIST Handbook 44, appendix C): 5 mg are 25 digits of a thousandth of it.
const OF_CARATS: [i64; 2] = [25, 250];
/// A reading counts once for as long as it is among the last so many.
const RECENT: usize = 16;
/// Against the maker's word on the readability so many changes of different sizes must have been seen too: a
/// steady pour, or one in round numbers, makes the same ones.
const ENOUGH_SIZES: u32 = 7;
/// One reading in so many may be a garbled one.
const GARBLED: u32 = 20;

/// See the module's text.
#[derive(Debug, Clone, Default)]
pub struct Grain {
    unit: Option<Unit>,
    digit: Mass,
    /// The last reading, and the same in digits.
    last: Option<(Mass, i64)>,
    /// Different readings of late, each with the [`STEPS`] that divide it, one bit for each.
    recent: VecDeque<(i64, u16)>,
    /// Of how many different readings each of [`STEPS`] is a divisor, and of how many not.
    divides: [u32; STEPS.len()],
    breaks: [u32; STEPS.len()],
    /// Different changes seen, one bit for each size modulo 64.
    sizes: u64,
    least: i64,
    small: u32,
    coarse: Option<Range>,
    /// What [`Grain::step`] says where nobody told the readability, and where somebody did; `push`, which alone changes
    /// what it is found from, finds it anew.
    found: [Option<Mass>; 2],
}

/// From this load on the scale counts in this step, both in digits.
#[derive(Debug, Clone, Copy)]
struct Range {
    from: i64,
    step: i64,
}

/// The nearest number of digits: a unit's digit is no whole number of nanograms.
fn in_digits(weight: Mass, digit: Mass) -> i64 {
    (weight.ng() as f64 / digit.ng() as f64).round() as i64
}

impl Grain {
    pub fn push(&mut self, weight: Mass, digit: Mass, unit: Option<Unit>) {
        // Many a scale names its unit at rest only.
        let another = matches!((unit, self.unit), (Some(now), Some(before)) if now != before);
        if another || digit != self.digit || digit.ng() <= 0 {
            *self = Grain {
                digit,
                ..Grain::default()
            };
        }
        self.unit = unit.or(self.unit);
        if digit.ng() <= 0 {
            return;
        }
        // What is among those of late, and did not change, tells no more than was known before.
        if self.last.is_some_and(|(last, _)| last == weight) {
            return;
        }
        let digits = in_digits(weight, digit);
        let last = self.last.replace((weight, digits)).map(|last| last.1);
        if last == Some(digits) {
            return;
        }
        self.count(digits);
        if let Some(last) = last {
            let change = (digits - last).abs();
            if change <= LARGEST {
                self.sizes |= 1 << (change % 64);
            }
            if change <= SMALL {
                self.least = if self.small == 0 {
                    change
                } else {
                    self.least.min(change)
                };
                self.small += 1;
            }
        }
        self.found = [false, true].map(|told| self.find(told));
    }

    /// Zero is a multiple of everything and says nothing.
    fn count(&mut self, digits: i64) {
        if digits == 0 || self.recent.iter().any(|&(known, _)| known == digits) {
            return;
        }
        let mut by = 0;
        for (i, (step, _)) in STEPS.iter().enumerate() {
            let divides = digits % step == 0;
            by |= u16::from(divides) << i;
            let counts = if divides {
                &mut self.divides
            } else {
                &mut self.breaks
            };
            counts[i] = counts[i].saturating_add(1);
        }
        if self.recent.len() >= RECENT {
            self.recent.pop_front();
        }
        self.recent.push_back((digits, by));
        self.follow_range(digits);
    }

    /// The step seen, if it is coarser than the last digit; `told`: the maker told the readability.
    pub fn step(&self, told: bool) -> Option<Mass> {
        let [untold, known] = self.found;
        if told { known } else { untold }
    }

    /// Whether a scale that counts in 1, 2 or 5 of some unit may show this many digits of its unit as its step.
    fn may_be(&self, step: i64) -> bool {
        self.unit == Some(Unit::Carat) || !OF_CARATS.contains(&step)
    }

    fn find(&self, told: bool) -> Option<Mass> {
        let by_readings = STEPS.iter().zip(self.divides).zip(self.breaks);
        let by_readings = by_readings
            .filter(|&((&(_, enough), divides), breaks)| {
                divides >= enough && breaks.saturating_mul(GARBLED) <= divides
            })
            .filter(|_| !told || self.sizes.count_ones() >= ENOUGH_SIZES)
            .filter(|&((&(step, _), _), _)| self.may_be(step))
            .map(|((&(step, _), _), _)| step)
            .max();
        // A step of 3.5 digits shows as one of 3 or of 4.
        let broken = i64::from(self.least > 1 && by_readings != Some(self.least));
        let by_least = (self.small >= ENOUGH).then_some(self.least + broken);
        let here = self.last.map_or(0, |(_, digits)| digits.abs());
        let coarse = self.coarse.filter(|range| here >= range.from);
        let coarse = coarse.map(|range| range.step);
        let digits = by_readings.max(by_least).max(coarse)?;
        (digits >= 2).then(|| self.digit * digits)
    }

    /// Follows where the scale counts coarser: one of two ranges does so above a load (OIML R 76-1:2006, T.3.2.6
    /// and T.3.2.7), and many a one pads that range with a zero. Whatever was told and seen below that load says
    /// nothing against it.
    fn follow_range(&mut self, digits: i64) {
        let broken = |range: &Range| digits.abs() >= range.from && digits % range.step != 0;
        if self.coarse.as_ref().is_some_and(broken) {
            self.coarse = None;
        }
        if let Some(found) = self.of_late() {
            let known = self.coarse.filter(|range| range.step >= found.step);
            let from = known.map_or(found.from, |range| range.from.min(found.from));
            self.coarse = Some(Range {
                from,
                ..known.unwrap_or(found)
            });
        }
    }

    /// The step of all readings of late. A finer scale shows so many multiples by chance in one case of 65,000, or
    /// in far fewer; and a scale that counts in a step shows it as a change, where a steady pour in round numbers
    /// shows another, or only that.
    fn of_late(&self) -> Option<Range> {
        let of_late = |i: usize, step: i64| {
            let enough = match step {
                10.. => RECENT / 2,
                5.. => RECENT * 3 / 4,
                _ => RECENT,
            };
            let recent = self.recent.iter().rev().take(enough);
            if recent.len() < enough || recent.clone().any(|&(_, by)| by & (1 << i) == 0) {
                return None;
            }
            let recent = recent.map(|(digits, _)| digits);
            let sizes = recent.clone().zip(recent.clone().skip(1));
            let sizes = sizes.map(|(a, b)| (a - b).abs());
            let counts = sizes.clone().min() == Some(step) && sizes.max() > Some(step);
            let from = recent.map(|digits| digits.abs()).min()?;
            counts.then_some(Range { from, step })
        };
        let newest = self.recent.iter().rev().take(RECENT / 2);
        if newest.fold(u16::MAX, |all, &(_, by)| all & by) == 0 {
            // Nearly every reading ends it here: no step is that of all of them.
            return None;
        }
        let found = STEPS.iter().enumerate();
        let found = found.filter(|(_, (step, _))| self.may_be(*step));
        let found = found.filter_map(|(i, &(step, _))| of_late(i, step));
        found.max_by_key(|range| range.step)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(grain: &mut Grain, mg: i64) {
        grain.push(Mass::from_mg(mg), Mass::from_mg(10), Some(Unit::Gram));
    }

    #[test]
    fn a_padded_zero_is_no_digit() {
        let mut grain = Grain::default();
        shown(&mut grain, 0);
        assert_eq!(grain.step(false), None);
        shown(&mut grain, 300);
        // One reading says little, but nobody told that the scale is any finer.
        assert_eq!(grain.step(false), Some(Mass::from_mg(100)));
        assert_eq!(grain.step(true), None);
        for tenths in [5, 11, 18, 4, 5, 9, 20, 21, 23, 26, 30, 35, 41] {
            shown(&mut grain, tenths * 100);
        }
        assert_eq!(grain.step(true), Some(Mass::from_mg(100)));
        shown(&mut grain, 3010);
        shown(&mut grain, 3020);
        assert_eq!(grain.step(true), None);
        assert_eq!(grain.step(false), None);
    }

    #[test]
    fn a_scale_of_two_ranges_is_as_coarse_as_the_one_it_is_in() {
        let mut grain = Grain::default();
        (1..60).for_each(|n| shown(&mut grain, n * n * 10));
        assert_eq!(grain.step(true), None);
        (0..7).for_each(|n| shown(&mut grain, 100_000 + n * (n + 1) / 2 * 100));
        assert_eq!(grain.step(true), None);
        shown(&mut grain, 103_600);
        assert_eq!(grain.step(true), Some(Mass::from_mg(100)));
        // Below it counts finer, and above it as coarse as it did, be it never so slow.
        shown(&mut grain, 99_910);
        assert_eq!(grain.step(true), None);
        shown(&mut grain, 110_000);
        assert_eq!(grain.step(true), Some(Mass::from_mg(100)));
        shown(&mut grain, 110_010);
        assert_eq!(grain.step(true), None);
    }

    #[test]
    fn a_line_without_its_unit_is_of_the_same_scale() {
        let mut grain = Grain::default();
        for n in 1..30 {
            let unit = (n % 3 == 0).then_some(Unit::Gram);
            grain.push(
                Mass::from_mg(n * (n + 1) / 2 * 100),
                Mass::from_mg(10),
                unit,
            );
        }
        assert_eq!(grain.step(true), Some(Mass::from_mg(100)));
    }

    /// 0.005 g are 0.025 ct, shown with three decimals: 25 digits, and no other unit's step is.
    #[test]
    fn a_scale_of_five_milligrams_counts_in_25_digits_of_carats() {
        for (unit, step) in [(Unit::Carat, 5_000), (Unit::Gram, 1_000)] {
            let mut grain = Grain::default();
            for n in [3, 7, 12, 31, 33] {
                grain.push(Mass::from_mg(n * 5), Mass::from_ng(200_000), Some(unit));
            }
            assert_eq!(
                grain.step(false),
                Some(Mass::from_ng(step * 1_000)),
                "{unit:?}"
            );
        }
    }

    #[test]
    fn one_garbled_digit_makes_no_scale_finer() {
        let mut grain = Grain::default();
        (1..30).for_each(|n| shown(&mut grain, n * (n + 1) / 2 * 100));
        shown(&mut grain, 1030);
        assert_eq!(grain.step(true), Some(Mass::from_mg(100)));
    }

    #[test]
    fn a_weight_that_comes_and_goes_says_no_more_than_once() {
        let mut grain = Grain::default();
        (0..40).for_each(|i| shown(&mut grain, i % 2 * 50_000));
        assert_eq!(grain.step(true), None);
    }

    #[test]
    fn a_step_that_is_no_whole_number_of_digits_is_less_than_a_digit_more_than_the_least_change_of_sixteen()
     {
        // Nothing is a multiple of anything here, but each change is of three digits and more, or of six: a step
        // of 3.5 digits shows as one of three or of four.
        let noise = |of: &[i64], changes: usize| {
            let mut grain = Grain::default();
            let digits = of.iter().cycle().take(changes + 1);
            digits.for_each(|digits| shown(&mut grain, digits * 10));
            grain.step(false)
        };
        assert_eq!(noise(&[1, 4], 15), None);
        assert_eq!(noise(&[1, 4], 16), Some(Mass::from_mg(40)));
        assert_eq!(noise(&[1, 7], 16), Some(Mass::from_mg(70)));
        assert_eq!(noise(&[1, 7, 13, 16, 13, 7], 16), Some(Mass::from_mg(40)));
        // What does not change says nothing, and seven digits are more than noise.
        assert_eq!(noise(&[1], 40), None);
        assert_eq!(noise(&[1, 8], 40), None);
        assert_eq!(noise(&[1, 1, 1, 4], 30), None);
    }

    #[test]
    fn against_a_told_readability_seven_sizes_of_change_are_needed() {
        let after = |last: i64| {
            let mut grain = Grain::default();
            for digits in [100, 120, 150, 190, 240, 300, 370, last] {
                shown(&mut grain, digits * 10);
            }
            grain.step(true)
        };
        assert_eq!(after(450), Some(Mass::from_mg(100)));
        assert_eq!(after(570), Some(Mass::from_mg(100)));
        // A size that was seen, none at all, and one so large that it is a pour.
        assert_eq!(after(440), None);
        assert_eq!(after(370), None);
        assert_eq!(after(580), None);
    }

    #[test]
    fn a_range_in_steps_of_five_takes_twelve_readings() {
        let mut grain = Grain::default();
        let digits: Vec<i64> = (0..12).map(|n| 1000 + n / 2 * 15 + n % 2 * 5).collect();
        digits[..11]
            .iter()
            .for_each(|digits| shown(&mut grain, digits * 10));
        assert_eq!(grain.step(true), None);
        shown(&mut grain, digits[11] * 10);
        assert_eq!(grain.step(true), Some(Mass::from_mg(50)));
        // Below it counts finer.
        shown(&mut grain, 9_930);
        assert_eq!(grain.step(true), None);
        shown(&mut grain, 10_000);
        assert_eq!(grain.step(true), Some(Mass::from_mg(50)));
        shown(&mut grain, 10_030);
        assert_eq!(grain.step(true), None);
    }

    /// 0.0001 oz (troy, 31.1034768 g: NIST Handbook 44, appendix C) are 3 110 347.68 ng: ten of them are a little
    /// less than ten times what one is rounded to, and ten digits all the same.
    #[test]
    fn a_digit_that_is_no_whole_number_of_nanograms_is_counted_to_the_nearest() {
        let ounces = |ten_thousandths: i64| {
            Mass::from_ng((ten_thousandths as f64 * 3_110_347.68).round() as i64)
        };
        let mut grain = Grain::default();
        for n in 1..30 {
            grain.push(ounces(n * (n + 1) / 2 * 10), ounces(1), None);
        }
        assert_eq!(grain.step(true), Some(ounces(1) * 10));
    }

    #[test]
    fn a_line_whose_last_digit_is_not_known_says_nothing() {
        let mut grain = Grain::default();
        for mg in [100, 300, 600] {
            grain.push(Mass::from_mg(mg), Mass::ZERO, None);
        }
        assert_eq!(grain.step(false), None);
    }
}
