//! Filling jars: the same weighing, held against a label.

use super::Engine;
use super::event::Event;
use super::state::State;
use crate::formula::filling::Fill;
use crate::language::remark::joined;
use crate::language::{Sentence, Slot, phrase, remark};
use crate::mass::Mass;
use crate::metrology::prepackage::{Filling, JarVerdict};
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::entry::RowKind;

impl Engine {
    /// How jars are filled, where that is what is done.
    pub(super) fn fill(&self) -> Option<Fill> {
        self.run.plan.filling
    }

    /// The jars of this filling that are recorded.
    fn filled(&self) -> Option<Filling> {
        let fill = self.fill()?;
        let run = &self.run;
        let mut filling = Filling::new(fill.nominal, fill.rule)?;
        for jar in run.done.iter().skip(fill.first - 1).flatten() {
            filling.fill(jar.net);
        }
        Some(filling)
    }

    /// The remark of a jar that holds less than its rule tolerates; it is there only when the maker
    /// kept it so.
    pub(super) fn short_jar(&self, net: Mass) -> Sentence {
        let filling = |fill: Fill| Filling::new(fill.nominal, fill.rule);
        let Some((fill, filling)) = self.fill().and_then(|fill| Some((fill, filling(fill)?)))
        else {
            return Sentence::none();
        };
        let term = fill.rule.source();
        match filling.judge(net) {
            JarVerdict::Adequate => Sentence::none(),
            JarVerdict::Short => remark!("shorter than {term} tolerates in one package", term),
            JarVerdict::FarShort => {
                remark!("short by more than twice what {term} tolerates", term)
            }
        }
    }

    /// Running mean, and how many more the bowl holds.
    pub(super) fn jars_so_far(&self, d: Mass) -> Option<Sentence> {
        let fill = self.fill()?;
        let filled = self.filled()?;
        let mean = Mass::from_g_f64(filled.mean()?)?;
        let left = (fill.made - filled.total()).max(Mass::ZERO);
        let more = filled.jars_left(left);
        let planned = self.run.done.iter().filter(|jar| jar.is_none()).count();
        let more = more.min(u64::try_from(planned).unwrap_or(u64::MAX));
        let more = match (more, planned) {
            (_, 0) => Sentence::none(),
            (0, _) => phrase!("; not enough for a full one more: say stop when the bowl is empty"),
            (more, _) => phrase!("; enough for {more} more", more),
        };
        Some(phrase!(
            "{jars} filled, mean {mean} g{more}.",
            jars = filled.jars(),
            mean = mean.round_to(d).grams(d),
            more
        ))
    }

    /// The filling ends: when the last jar is recorded, or at the maker's word.
    pub(super) fn finish_filling(&mut self) -> State {
        let (Some(fill), Some(filled)) = (self.fill(), self.filled()) else {
            return State::Done;
        };
        let scale = self.run.plan.steps.first().map_or(0, |step| step.scale);
        let d = self.readability(scale);
        let rest = fill.made - filled.total();
        let shown = |mass: Mass| mass.grams(d);
        let mean = filled.mean().and_then(Mass::from_g_f64);
        let mean = mean.map(|mean| shown(mean.round_to(d)));
        let share = filled.balance(fill.made, Mass::ZERO).yield_percent;
        let share = share.map(|share| Slot::Number(format!("{share:.1}")));
        let figures = match (mean, share) {
            (Some(mean), Some(share)) => remark!(", mean {mean} g, yield {share} %", mean, share),
            (Some(mean), None) => remark!(", mean {mean} g", mean),
            (None, Some(share)) => remark!(", yield {share} %", share),
            (None, None) => Sentence::none(),
        };
        let not_in = match rest.is_negative() {
            true => remark!(
                "{more} g more than was weighed in: look at the rows",
                more = shown(-rest)
            ),
            false => remark!(
                "{rest} g not in a jar (in the bowl, or lost)",
                rest = shown(rest)
            ),
        };
        let mean_is_low = match filled.average_is_met() {
            Some(false) => remark!("the mean is below the label"),
            Some(true) | None => Sentence::none(),
        };
        let short = match filled.few_are_short() {
            true => Sentence::none(),
            false => remark!(
                "{short} too short for {term}",
                short = filled.short(),
                term = fill.rule.source()
            ),
        };
        let (total, jars) = (shown(filled.total()), filled.jars());
        let words = match jars {
            1 => remark!("1 jar filled, {total} g{said}", total, said = figures),
            _ => remark!(
                "{jars} jars filled, {total} g{said}",
                jars,
                total,
                said = figures
            ),
        };
        let words = [not_in, mean_is_low, short].into_iter().fold(words, joined);
        let mut draft = self.batch_draft(RowKind::Closed);
        draft.phase = crate::formula::filling::phase().into();
        draft.readability = d;
        draft.target = Some(fill.made);
        draft.net = Some(filled.total());
        draft.note = remark!("filling: {said}", said = &words).into();
        self.log(draft);
        self.cue(
            CueKind::Done,
            phrase!("Filling done. {words}.", words),
            None,
            &[],
        );
        self.out.push_back(Event::Closed { complete: true });
        State::Done
    }
}
