//! A person's words: commands and presses on the pan.

use std::sync::Arc;

use super::bowl::is_a_pour;
use super::capture::verdict_of;
use super::resting::PROVEN;
use super::run::Deed;
use super::state::{Asked, Mismatch, Removed, State, TareUnknown, Tared, Why};
use super::{Engine, net_of};
use crate::formula::{Step, VesselWay};
use crate::language::{Sentence, phrase, remark};
use crate::mass::Mass;
use crate::time::Moment;
use crate::vocabulary::code::Help;
use crate::vocabulary::command::Command;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::entry::Verdict;
use crate::vocabulary::progress::{Recorded, Refused};

/// Longest remark or lot name, in characters; the rest is cut off.
const LONGEST_TEXT: usize = 400;

/// A person's text as it is kept: no control characters, since it goes to terminals, and not too long.
pub(super) fn plain_text(text: &str) -> String {
    let plain = |c: char| if crate::text::misleads(c) { ' ' } else { c };
    let text: String = text.trim().chars().map(plain).take(LONGEST_TEXT).collect();
    text.trim().to_owned()
}

impl Engine {
    /// A person's word. Says in one sentence what it did; a command that nothing waits for does
    /// nothing and says so.
    ///
    /// # Errors
    /// Only what would lose or falsify a weight is refused, with what to do instead.
    pub fn command(&mut self, command: Command, at: Moment) -> Result<Sentence, Refused> {
        self.now = self.now.max(at);
        self.run.quiet = None;
        if !self.is_busy() {
            return Err(Refused::helped(
                phrase!("No batch is under way."),
                Help::Begin,
            ));
        }
        match command {
            Command::Next => Ok(self.next()),
            Command::Again => self.again(),
            Command::Keep => self.keep_weight(),
            Command::Lot(_) if self.fill().is_some() => Err(Refused::new(phrase!(
                "Jars are being filled; no ingredient waits for a lot."
            ))),
            Command::Lot(lot) => self.lot(&lot),
            Command::LotOf(step, lot) => self.lot_of(step, &lot),
            Command::Note(text) => {
                let text: String = text.chars().take(LONGEST_TEXT).collect();
                self.note(text);
                Ok("Noted.".into())
            }
            Command::Remedy(way) => self.take_remedy(way),
            Command::Residue(step) => self.weigh_residue(step),
            Command::Undo => self.undo(),
            Command::Skip(reason) => self.skip(&reason),
            Command::Cancel => Ok(self.cancel()),
            Command::Stop => {
                if let State::Lift(written) = &self.run.state {
                    // What came after the record is said before the log is closed.
                    let mut written = written.clone();
                    let scale = self.scale_needed().unwrap_or_default();
                    self.correct_at_lift(scale, &mut written);
                }
                let complete = self.is_complete();
                let whole = self.fill().is_some() || self.unrecorded().is_some();
                let state = self.finish(complete);
                self.enter(state);
                let said = self.last_cue.as_ref().filter(|_| whole);
                Ok(said.map_or(phrase!("Stopped."), |cue| cue.say.clone()))
            }
        }
    }

    /// Two presses on the pan mean `next` where that is waited for, else `keep`. Returns whether
    /// anything was waited for.
    pub(super) fn on_presses(&mut self) -> bool {
        if !self.rules.presses {
            return false;
        }
        let run = &self.run;
        match &run.state {
            State::Mix { .. } => {
                self.next();
                true
            }
            State::Tared(tared) if self.is_over(tared) => self.keep_weight().is_ok(),
            State::Tared(_)
            | State::Clear { .. }
            | State::Empty
            | State::Landing(_)
            | State::TareUnknown(_)
            | State::VesselMismatch { .. }
            | State::Removed(_)
            | State::Writing(_)
            | State::Lift(_)
            | State::Residue(_)
            | State::Choose
            | State::Done => false,
        }
    }

    fn is_over(&self, tared: &Tared) -> bool {
        let Some(step) = self.step_now() else {
            return false;
        };
        let window = self.window(&step, tared.tare.d, tared.tare.carried);
        tared.content.rest.is_some_and(|net| net > window.high)
    }

    fn next(&mut self) -> Sentence {
        let run = &mut self.run;
        match run.state.clone() {
            State::Mix { .. } => {
                self.mixing_done("confirmed");
                let state = self.go_on();
                self.enter(state);
                match self.step_now() {
                    Some(_) => phrase!("Mixed. On to the next."),
                    None => phrase!("Mixed; that was the last."),
                }
            }
            State::TareUnknown(unsure) if unsure.why.takes_a_word() => self.believe_empty(*unsure),
            State::Clear { .. } if self.close_unseen() => phrase!("Every step is weighed."),
            State::Clear { .. } if self.step_now().is_none() => {
                self.run.give_up_lift_check();
                let state = self.go_on();
                self.enter(state);
                phrase!("The bowl stays on the scale.")
            }
            State::Clear { .. } => self.believe_cleared(),
            State::Lift(mut written) if written.doubt.is_some() || self.may_be_lifted() => {
                let scale = self.scale_needed().unwrap_or_default();
                if written.doubt.is_none() {
                    self.was_no_key(scale, &mut written);
                }
                let state = self.lifted_after_record(scale, *written);
                self.enter(state);
                self.believe_cleared()
            }
            State::Lift(written) if self.way_now() == VesselWay::Bowl => {
                // It stays where it is.
                let (base, d) = (written.weight.shown, written.weight.tare.d);
                let state = self.next_in_bowl(*written, base, d);
                self.enter(state);
                let closes = self.step_now().is_none();
                if closes && matches!(self.run.state, State::Clear { .. }) {
                    return self.next();
                }
                phrase!("The bowl stays on the scale.")
            }
            State::VesselMismatch {
                mut tared,
                level,
                what,
            } => {
                let Some(step) = self.step_now() else {
                    return Sentence::none();
                };
                // What never left is itself, however much is in it.
                let net = net_of(&step, tared.tare.base, level.weight);
                let stands = matches!(what, Mismatch::Fell) && net >= -(level.d * 5);
                if !stands && !self.is_plausible(&tared, level) {
                    if step.vessel == VesselWay::Bowl {
                        return self.go_on_with_what_is_left(tared, level);
                    }
                    let afresh = self.can_begin_afresh();
                    return super::phrases::stranger(step.vessel, false, afresh);
                }
                // A word proves nothing: what it does not explain stays in the uncertainty.
                let off = (level.weight - tared.shown_at_rest(step.vessel)).abs();
                if step.vessel == VesselWay::Bowl {
                    let remark = remark!("the bowl lost or gained something between its steps");
                    self.bowl_changed(step.scale, off, &remark);
                }
                let grams = off.grams(level.d);
                let (noted, said) = match what {
                    Mismatch::Fell => {
                        // So much was taken out.
                        // It had been less before: what came since may be of this step.
                        let deepest = tared.content.dip.lasted;
                        tared.tare.unproven += (deepest - net.abs()).max(crate::mass::Mass::ZERO);
                        tared.content.rest = Some(net);
                        (
                            remark!(
                                "the maker says that what is less was taken out, or had only pressed on it; {net} g \
                                 are in it now",
                                net = net.grams(level.d)
                            ),
                            phrase!("The weighing goes on with what is in it now."),
                        )
                    }
                    Mismatch::AsItLeft => {
                        // It weighs what it seemed to hold when it left, and it is the same: that is what it holds.
                        tared.tare.carried += 2;
                        (
                            remark!("the maker says it is the same vessel"),
                            phrase!("The same vessel; the weighing goes on."),
                        )
                    }
                    Mismatch::Other => {
                        tared.tare.unproven += off;
                        (
                            remark!(
                                "the maker says it is the same vessel; {grams} g are not explained",
                                grams
                            ),
                            phrase!("The same vessel; the weighing goes on."),
                        )
                    }
                };
                self.note(noted);
                let state = self.vessel_returned(level, tared);
                self.enter(state);
                said
            }
            State::Residue(emptied) => self.next_after_residue(emptied),
            State::Choose => self.close_out_of_limits(),
            state @ (State::Landing(_) | State::Removed(_)) if self.sways_there() => {
                self.take_restless(state)
            }
            State::Tared(_)
            | State::Empty
            | State::Landing(_)
            | State::TareUnknown(_)
            | State::Removed(_)
            | State::Writing(_)
            | State::Lift(_)
            | State::Done => {
                let said = self.last_cue.as_ref().map(|cue| cue.say.clone());
                phrase!("Nothing waits for next. Now:").and(said.unwrap_or_default())
            }
        }
    }

    /// The bowl holds less, or more, than was recorded, and the maker goes on with it: no record in it
    /// claims what it does not prove.
    fn go_on_with_what_is_left(
        &mut self,
        mut tared: Box<Tared>,
        level: super::steady::Level,
    ) -> Sentence {
        let Some(step) = self.step_now() else {
            return Sentence::none();
        };
        let off = (level.weight - tared.shown_at_rest(step.vessel)).abs();
        self.note(remark!(
            "the maker goes on with the bowl as it is; {grams} g are not explained",
            grams = off.grams(level.d)
        ));
        self.run.give_up_lift_check();
        let remark = remark!("the bowl came back with another weight");
        self.bowl_changed(step.scale, off, &remark);
        // What was in it for less than a moment was seen as well.
        if !tared.content.poured && tared.content.most <= level.d * 5 {
            // So much of the difference may be of this step: it was asked for before the bowl left.
            let more = off.min(step.highest);
            let state = self.tare_at(step.scale, level);
            let state = state.with_tared(|tared| tared.tare.unproven += more);
            self.enter(state);
            return phrase!("The bowl is taken as it stands; its next weight is not sure.");
        }
        // What was seen of this step is taken to be in it still; the record will say how little is sure.
        tared.tare.base = level.weight - tared.content.rest.unwrap_or_default();
        tared.tare.unproven = tared.tare.unproven.max(step.highest).max(off);
        let state = self.vessel_returned(level, tared);
        self.enter(state);
        phrase!("The bowl is taken as it stands; what is in it is not sure.")
    }

    /// The maker says that what stands there is empty, or just what it was.
    fn believe_empty(&mut self, unsure: TareUnknown) -> Sentence {
        match self.take_at_word(unsure) {
            Some((state, said)) => {
                self.enter(state);
                said
            }
            None => phrase!("The scale is not at rest; it is taken as empty as soon as it is."),
        }
    }

    /// The same, and what follows; `None` while what the word is about is not at rest yet.
    pub(super) fn take_at_word(&mut self, unsure: TareUnknown) -> Option<(State, Sentence)> {
        let step = self.step_now()?;
        let pan = &self.pans[step.scale];
        // What never rests is taken as it flickers, as it was when it was asked about.
        let restless = pan.restless(self.now).filter(|_| unsure.level.flickers());
        let now = pan.level(self.now).or(restless.map(|(level, _)| level));
        let range = restless.map_or(Mass::ZERO, |(_, range)| range);
        let stands = now.is_some_and(|now| unsure.stands_at(now, range));
        self.run.coming.word_empty = !stands;
        if !stands {
            return None;
        }
        if unsure.why == Why::Restart
            && let Some(more) = self.came_into_bowl(&unsure)
        {
            return Some(self.count_what_came(&step, unsure, more));
        }
        if let Some(tared) = unsure.onto.filter(|_| unsure.why == Why::Onto) {
            return Some(self.was_poured_at_once(&step, &unsure, tared));
        }
        let (state, said) = self.take_as_it_stands(&step, unsure);
        let state = state.with_tared(|tared| {
            tared.tare.unproven = tared.tare.unproven.max(range);
        });
        Some((state, said))
    }

    /// What came in one go is of this step, by the maker's word.
    fn was_poured_at_once(
        &mut self,
        step: &Step,
        unsure: &TareUnknown,
        mut tared: Tared,
    ) -> (State, Sentence) {
        let level = unsure.level;
        let grams = net_of(step, tared.tare.base, level.weight).grams(level.d);
        self.note(match unsure.why {
            Why::InHand => remark!(
                "the maker says that {grams} g were poured in while the vessel was off",
                grams
            ),
            Why::Lighter => remark!(
                "the maker says that {grams} g were taken out before the source was at rest",
                grams
            ),
            _ => remark!(
                "the maker says that the {grams} g that came in one go were poured in",
                grams
            ),
        });
        self.run.coming.lost_vessel = None;
        tared.content.poured = true;
        let state = self.vessel_returned(level, Box::new(tared));
        (
            state,
            phrase!("The weighing goes on with what is in it now."),
        )
    }

    /// What is in the bowl is of this step, by the maker's word: it weighs so much more than with all that
    /// was recorded in it before.
    fn count_what_came(
        &mut self,
        step: &Step,
        unsure: TareUnknown,
        more: Mass,
    ) -> (State, Sentence) {
        let (level, scale) = (unsure.level, step.scale);
        let grams = more.grams(level.d);
        self.note(remark!(
            "the maker says that {grams} g of this step were in the bowl already",
            grams
        ));
        let stirred = self.stirred_off(scale, level.d);
        let mixed = self.run.was_mixed_before() || unsure.why == Why::OtherBowl;
        self.known_by_a_word();
        let mut tared = self.tared_as(scale, level.weight - more, level.d);
        // Two readings more, of the bowl's last record; and what the spoon took of it.
        tared.tare.carried += 2;
        if mixed {
            tared.tare.unproven += stirred;
        }
        let state = self.vessel_returned(level, tared);
        (state, phrase!("What is in the bowl already is counted."))
    }

    /// Nothing speaks any more against what stands there; gives what the bowl weighed with all that was recorded in it.
    fn known_by_a_word(&mut self) -> Option<Mass> {
        let run = &mut self.run;
        run.coming.last_gross = None;
        run.coming.suspect = None;
        run.bowl.gross.take()
    }

    pub(super) fn take_as_it_stands(
        &mut self,
        step: &Step,
        unsure: TareUnknown,
    ) -> (State, Sentence) {
        let bowl = self.run.is_in_the_same_bowl();
        let (noted, said) = match (bowl, step.vessel) {
            (true, _) => (
                remark!("the maker says that nothing of this step is in the bowl yet"),
                phrase!("The bowl is taken as it stands; nothing of this step is in it."),
            ),
            (false, VesselWay::Difference) => (
                remark!("the maker says that nothing was taken out for this step yet"),
                phrase!("The bottle is taken as it stands."),
            ),
            (false, VesselWay::Beaker | VesselWay::Bowl | VesselWay::Jar) => (
                remark!("the maker says that the vessel is empty"),
                phrase!("The vessel on the scale is taken as empty."),
            ),
        };
        self.note(noted);
        if unsure.why == Why::Light {
            self.learn_vessel(unsure.mass, unsure.level.d);
        }
        self.bowl_came_back_as(step.scale, unsure.mass, unsure.level.d);
        let gross = self.known_by_a_word();
        let state = match (self.tare_at(step.scale, unsure.level), gross) {
            (State::Tared(mut tared), Some(gross)) if bowl => {
                // What is more in it may be of this step all the same.
                let more = unsure.mass - gross;
                if is_a_pour(step, more, unsure.level.d) {
                    tared.tare.unproven += more;
                }
                State::Tared(tared)
            }
            (state, _) => state,
        };
        (state, said)
    }

    /// The maker says that nothing is on the scale: what it shows is the empty pan.
    fn believe_cleared(&mut self) -> Sentence {
        let step = self.step_now();
        let scale = step.map_or_else(|| self.run.last_scale(), |step| step.scale);
        let pan = &self.pans[scale];
        let rests = pan.level(self.now);
        let Some(level) = pan.level_or_flicker(self.now) else {
            return phrase!("The scale is not at rest. Wait a moment, then say next again.");
        };
        self.note(remark!(
            "the maker says that nothing is on the scale; it shows {grams} g",
            grams = level.weight.grams(level.d)
        ));
        // By her word this is the empty pan: what it shows speaks of the record before.
        let waits = self.run.lift_check.as_mut();
        if let Some(check) = waits.filter(|check| check.scale == scale) {
            if std::mem::take(&mut check.missed) {
                // What it showed before the next vessel came too soon was on its way.
                check.low = None;
            }
            self.pan_speaks(level, rests.is_some());
        }
        match rests {
            Some(level) => self.see_zero(scale, level.weight),
            None => self.guess_zero(scale, level.weight),
        }
        self.run.coming.suspect = None;
        self.run.coming.maybe_there = false;
        self.run.coming.stood = None;
        self.run.give_up_lift_check();
        let state = match self.closes_now() {
            Some(_) => self.closing(),
            None => self.wait_empty(),
        };
        self.enter(state);
        phrase!("The scale is taken as empty.")
    }

    fn again(&mut self) -> Result<Sentence, Refused> {
        let Some(step) = self.step_now() else {
            return Ok(phrase!("Every step is weighed; nothing to begin again."));
        };
        let unsure = match &self.run.state {
            State::TareUnknown(unsure) => Some(**unsure),
            _ => None,
        };
        if let Some(unsure) = unsure.filter(|unsure| self.came_into_bowl(unsure).is_some()) {
            // None of it is of this step: it stays in the bowl, and no step counts it.
            let (state, said) = self.take_as_it_stands(&step, unsure);
            self.enter(state);
            return Ok(said);
        }
        let fresh = self.can_begin_afresh();
        let refused = |text: Sentence| Err(Refused::new(text));
        let run = &mut self.run;
        // What comes next is another one, and empty.
        run.coming.lost_vessel.take_if(|lost| lost.unpoured);
        let in_the_bowl = phrase!(
            "{name} is in the bowl already and cannot be weighed again. Take some out, or keep it.",
            name = &step.ingredient
        );
        let mut recorded = None;
        let full = match &run.state {
            State::Removed(removed) if step.vessel != VesselWay::Difference => removed.full(),
            _ => None,
        };
        // `known`: what stands there is.
        let (discarded, known, suspect) = match run.state.clone() {
            State::Tared(tared) | State::Removed(Removed { tared, .. }) => {
                let mixed_in = tared.content.poured || tared.suspect.is_some();
                if step.vessel == VesselWay::Bowl && mixed_in && !fresh {
                    return refused(in_the_bowl);
                }
                // Another bottle is to come where this one gives nothing.
                let known = !tared.gives_nothing(step.vessel);
                (tared.content.rest, known, tared.suspect)
            }
            State::VesselMismatch { .. } if step.vessel == VesselWay::Bowl && !fresh => {
                return refused(phrase!(
                    "The bowl cannot be begun again. Say next if it is the same bowl."
                ));
            }
            State::VesselMismatch { tared, .. } => (tared.content.rest, false, None),
            State::Lift(_) if step.vessel == VesselWay::Bowl && !fresh => {
                return refused(in_the_bowl);
            }
            State::Lift(written) => {
                recorded = Some(written.seq);
                (Some(written.weight.net), true, None)
            }
            State::Writing(_) => {
                return refused(phrase!(
                    "The weight is being written; say again when it is recorded."
                ));
            }
            State::Residue(_) => {
                return Ok(phrase!(
                    "An emptied beaker is waited for; say cancel to leave it."
                ));
            }
            State::Mix { .. } => {
                return Ok(phrase!(
                    "The phase is weighed; say next when it is mixed, undo to weigh the last step again."
                ));
            }
            State::Clear { .. }
            | State::Empty
            | State::Landing(_)
            | State::Choose
            | State::TareUnknown(_) => (None, false, None),
            State::Done => return Ok(phrase!("The batch is over.")),
        };
        // By difference, and in a bowl with earlier steps in it, what stands there is the new tare; a
        // bowl of its own may hold what was poured too early.
        let sure = known && suspect.is_none() && !self.is_fresh_bowl();
        let d = self.readability(step.scale);
        if let Some(net) = discarded.filter(|net| net.abs() > d) {
            let (net, name) = (net.grams(d), &step.ingredient);
            self.note(match step.vessel {
                VesselWay::Jar => remark!("begun again: {net} g taken back out of the jar", net),
                VesselWay::Difference => remark!(
                    "begun again: {net} g of {name} are not counted; they came out of it",
                    net,
                    name
                ),
                VesselWay::Beaker | VesselWay::Bowl => remark!(
                    "begun again: {net} g {name} thrown away, not in the batch",
                    net,
                    name
                ),
            });
        }
        if let Some(seq) = recorded {
            self.withdraw(self.index_now(), seq);
        }
        if let Some(suspect) = suspect {
            // An indication of zero is no empty pan now: it must be seen lifted.
            let shown = self.pans[step.scale].last;
            let least = super::order::vessel_at_least(d);
            let unseen =
                shown.is_none_or(|shown| (shown.weight - suspect.before.zero).abs() <= least);
            let state = self.ask_clear(step.vessel, unseen);
            self.enter(state);
            return Ok(phrase!("This step begins again once the scale is empty."));
        }
        if let Some(full) = full {
            // Put back as it is, it is not empty.
            self.run.coming.refused = Some(full);
        }
        let state = self.begin_again(step.scale, step.vessel, sure);
        self.enter(state);
        let taken = discarded.filter(|net| *net > d && step.vessel == VesselWay::Difference);
        if let Some(net) = taken {
            // The source does not tell where it went.
            let first = phrase!(
                "{net} g came out and are not counted: keep them out of the batch, or put them back first.",
                net = super::phrases::grams(net, d)
            );
            self.tell_beside(first, CueKind::Fault, &[]);
        }
        Ok(phrase!("This step begins again."))
    }

    /// Whether the newest reading shows something on the pan.
    pub(super) fn is_loaded(&self, scale: usize) -> bool {
        let pan = &self.pans[scale];
        pan.last.is_some_and(|last| {
            last.weight - pan.zero_shown().unwrap_or_default()
                > super::order::vessel_at_least(pan.d())
        })
    }

    /// Whether the running step is the first into its bowl.
    pub(super) fn is_fresh_bowl(&self) -> bool {
        self.run.is_bowl(self.run.step) && !self.run.is_in_the_same_bowl()
    }

    /// `sure`: what stands on the pan is known, so that it can be tared where it stands.
    pub(super) fn begin_again(&mut self, scale: usize, way: VesselWay, sure: bool) -> State {
        let pan = &self.pans[scale];
        let loaded = self.is_loaded(scale);
        let level = pan.level(self.now);
        match (way, loaded, level) {
            // The source is weighed as it stands; the bowl had nothing of this step in it.
            (VesselWay::Difference | VesselWay::Bowl, true, Some(level)) if sure => {
                self.tare_at(scale, level)
            }
            (_, true, _) => self.ask_clear(way, false),
            (_, false, _) => {
                self.cue_place();
                State::Empty
            }
        }
    }

    /// Keeps a weight outside its window: the last one at rest with the vessel on the pan.
    fn keep_weight(&mut self) -> Result<Sentence, Refused> {
        let Some(step) = self.step_now() else {
            return Ok(phrase!("Nothing to keep."));
        };
        let without_lot = self.lacks_lot(&step);
        if let State::TareUnknown(unsure) = &self.run.state
            && unsure.why.is_kept()
        {
            let unsure = **unsure;
            let rests = self.pans[step.scale].level(self.now);
            if rests.is_some_and(|level| unsure.stands_at(level, Mass::ZERO)) {
                let (state, said) = match (unsure.onto, self.came_into_bowl(&unsure)) {
                    (Some(tared), _) => self.was_poured_at_once(&step, &unsure, tared),
                    (None, Some(more)) => self.count_what_came(&step, unsure, more),
                    (None, None) => return Ok(phrase!("There is no weight to keep now.")),
                };
                self.enter(state);
                return Ok(said);
            }
            return Err(Refused::new(phrase!(
                "The scale is not at rest. Wait a moment, then say keep again."
            )));
        }
        let run = &mut self.run;
        let (tared, away) = match run.state.clone() {
            State::Lift(_) => {
                return Ok(phrase!(
                    "It is recorded as it stands; lift it to leave it so."
                ));
            }
            State::Tared(tared) => (tared, false),
            State::Removed(removed) => (removed.tared, true),
            State::Clear { .. }
            | State::Empty
            | State::Landing(_)
            | State::TareUnknown(_)
            | State::VesselMismatch { .. }
            | State::Writing(_)
            | State::Mix { .. }
            | State::Residue(_)
            | State::Choose
            | State::Done => return Ok(phrase!("There is no weight to keep now.")),
        };
        if tared.suspect.is_some() {
            return Err(Refused::new(phrase!(
                "The tare is not sure, so the weight is not. Lift the vessel and put it back first."
            )));
        }
        let steady = self.pans[step.scale].level(self.now);
        let difference = step.vessel == VesselWay::Difference;
        if away && (!tared.rest_counts() || difference || self.is_loaded(step.scale)) {
            if !self.is_loaded(step.scale) {
                let say = super::phrases::back_to_weigh(step.vessel);
                self.cue(CueKind::Place, say, None, &[]);
            }
            return Err(Refused::new(phrase!(
                "What is on the scale is not at rest yet. Put it back, wait a moment, then say keep again."
            )));
        }
        let mut tared = tared;
        // What was told to be kept as it is may go to and fro by more than a flicker.
        let most = (step.target.ratio(1, 20)).max(self.readability(step.scale) * 50);
        let restless = self.pans[step.scale]
            .restless_by(self.now, most)
            .filter(|_| !away && steady.is_none());
        if let Some((_, range)) = restless {
            // It never rested: the record says by how much.
            tared.tare.unproven = tared.tare.unproven.max(range);
        }
        let steady = steady.or(restless.map(|(level, _)| level));
        let level = match (away, steady, tared.content.level) {
            (false, Some(level), _) => level,
            // The frame may have moved since: what it held is known as a net weight.
            (true, _, Some(level)) => super::steady::Level {
                weight: tared.shown_at_rest(step.vessel),
                ..level
            },
            (false, None, _) | (true, _, None) => {
                return Err(Refused::new(phrase!(
                    "The scale is not at rest. Wait a moment, then say keep again."
                )));
            }
        };
        let net = net_of(&step, tared.tare.base, level.weight);
        if net <= level.d || !tared.content.poured {
            return Ok(phrase!("Nothing was poured yet; there is nothing to keep."));
        }
        if without_lot {
            return Err(Refused::new(super::phrases::lot(&step.ingredient).say));
        }
        let d = level.d;
        if tared.approach.futile > PROVEN && net > step.target {
            // It did not go when it was taken out: nobody knows that it is in there.
            tared.tare.unproven = tared.tare.unproven.max(net - step.target);
        }
        // The window that its row will have.
        let amid = d.max(tared.tare.d);
        let window = self.window_amid(&step, amid, tared.tare.carried, tared.wander);
        let verdict = match verdict_of(window, net, &tared.tare) {
            Some(Verdict::Inside) => Verdict::Inside,
            Some(_) | None => Verdict::Kept,
        };
        let state = self.record(step.scale, tared, level, Some(verdict), away);
        self.enter(state);
        Ok(phrase!("Kept: {net} g.", net = net.grams(d)))
    }

    fn lot(&mut self, lot: &str) -> Result<Sentence, Refused> {
        let lot = plain_text(lot);
        if lot.is_empty() {
            return Ok(phrase!("The lot has no name; nothing changed."));
        }
        let Some(step) = self.step_now() else {
            return Ok(phrase!(
                "Every step is weighed; no ingredient waits for a lot."
            ));
        };
        let index = self.index_now();
        let run = &mut self.run;
        if matches!(run.state, State::Writing(_)) || run.corrections.iter().any(|c| c.step == index)
        {
            return Err(Refused::new(phrase!(
                "The weight is being written; say the lot again when it is recorded."
            )));
        }
        let name = &step.ingredient;
        if matches!(run.state, State::Lift(_)) {
            return self.lot_of(step.number, &lot);
        }
        let before = run.lots.insert(step.ingredient.clone(), lot.clone());
        run.deeds.push(Deed::Lot {
            ingredient: step.ingredient.clone(),
            before,
            of: None,
        });
        self.note_lot(Some(&step), name, &lot);
        self.record_what_waited_for_its_lot();
        if let State::Tared(tared) = &mut self.run.state {
            tared.asked = None;
        }
        Ok(phrase!("Lot {lot} for {name}.", lot, name))
    }

    /// What is recorded of the step `number`, to name its lot; `None` where that step is the one that waits.
    ///
    /// # Errors
    /// Where nothing is recorded of it, or its row is on the way.
    pub fn recorded_of(&self, number: usize) -> Result<Option<Recorded>, Refused> {
        let refused = |text: Sentence| Err(Refused::new(text));
        let run = &self.run;
        if self.fill().is_some() {
            return refused(phrase!(
                "Jars are being filled; name the lot when that is done."
            ));
        }
        let index = number.checked_sub(1);
        let Some((index, step)) = index.and_then(|index| Some((index, self.step_at(index)?)))
        else {
            let of = run.plan.steps.len();
            return refused(phrase!(
                "There is no step {number}: the steps of this batch are 1 to {of}.",
                number,
                of
            ));
        };
        let name = &step.ingredient;
        if run.corrections.iter().any(|c| c.step == index) {
            return refused(phrase!(
                "The weight is being written; say the lot again when it is recorded."
            ));
        }
        match (run.done.get(index).copied().flatten(), run.rows.get(&index)) {
            (Some(weighed), Some(row)) => Ok(Some(Recorded {
                ingredient: name.clone(),
                lot: row.lot.clone(),
                net: weighed.net,
            })),
            (Some(_), None) => refused(phrase!(
                "Step {number} ({name}) was left out: nothing of it has a lot.",
                number,
                name
            )),
            (None, _) if index == run.step => Ok(None),
            (None, _) => refused(phrase!(
                "Step {number} ({name}) is not weighed yet; name its lot when it is there.",
                number,
                name
            )),
        }
    }

    /// The lot of a step by its number.
    fn lot_of(&mut self, number: usize, lot: &str) -> Result<Sentence, Refused> {
        let Some(Recorded {
            ingredient: name, ..
        }) = self.recorded_of(number)?
        else {
            return self.lot(lot);
        };
        let (index, lot) = (number.saturating_sub(1), plain_text(lot));
        if lot.is_empty() {
            return Ok(phrase!("The lot has no name; nothing changed."));
        }
        let Some((ingredient, before)) = self.correct_lot(index, &lot) else {
            return Ok(phrase!(
                "Step {number} ({name}) is of lot {lot} already.",
                number,
                name,
                lot
            ));
        };
        let run = &mut self.run;
        run.deeds.push(Deed::Lot {
            ingredient,
            before,
            of: Some(index),
        });
        let to_come =
            |(step, done): (&Arc<Step>, &Option<_>)| done.is_none() && step.ingredient == name;
        let to_come = run.plan.steps.iter().zip(&run.done).any(to_come);
        let said = phrase!(
            "Lot {lot} for step {number}, {name}; its record is corrected.",
            lot,
            number,
            name = &name
        );
        Ok(match run.lots.get(&name).filter(|_| to_come) {
            Some(lot) => said.and(phrase!("What comes of it is of lot {lot}.", lot)),
            None => said,
        })
    }

    /// A weight that waited only for its lot, with its vessel lifted meanwhile.
    fn record_what_waited_for_its_lot(&mut self) {
        let Some(step) = self.step_now() else { return };
        let run = &self.run;
        let State::Removed(Removed { tared, .. }) = &run.state else {
            return;
        };
        let sure = tared.suspect.is_none() && !tared.content.moved;
        if let (Some(Asked::Lot), Some(level), Some(net)) =
            (tared.asked, tared.content.level, tared.content.rest)
            && sure
        {
            let tared = tared.clone();
            let d = level.d.max(tared.tare.d);
            if !self.window(&step, d, tared.tare.carried).holds(net) {
                return;
            }
            // The frame may have moved since: the net weight has not.
            let level = super::steady::Level {
                weight: tared.shown_at_rest(step.vessel),
                ..level
            };
            let state = self.record_inside(step.scale, tared, level, true);
            self.enter(state);
        }
    }
}
