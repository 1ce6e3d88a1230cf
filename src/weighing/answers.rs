//! What a person says: commands and presses on the pan.

use super::event::{Choice, Command, CueKind, RowKind, Verdict};
use super::state::{Asked, State, Tared};
use super::{Engine, net_of};
use crate::bench::Refused;
use crate::formula::VesselWay;
use crate::mass::Mass;
use crate::scale::Moment;

/// Longest remark or lot name, in characters; the rest is cut off.
const LONGEST_TEXT: usize = 400;

impl Engine {
    /// A person's word. Says in one sentence what it did; a command that nothing waits for does
    /// nothing and says so.
    ///
    /// # Errors
    /// Only what would lose or falsify a weight is refused, with what to do instead.
    pub fn command(&mut self, command: Command, at: Moment) -> Result<String, Refused> {
        self.now = self.now.max(at);
        if !self.is_busy() {
            return Err(Refused(
                "No batch is under way. Begin one with `bismar begin FORMULA --batch 500g`.".into(),
            ));
        }
        match command {
            Command::Next => Ok(self.next()),
            Command::Again => self.again(),
            Command::Keep => self.keep_weight(),
            Command::Lot(_) if self.fill().is_some() => Err(Refused(
                "Jars are being filled; no ingredient waits for a lot.".into(),
            )),
            Command::Lot(lot) => Ok(self.lot(&lot)),
            Command::Note(text) => {
                let text: String = text.chars().take(LONGEST_TEXT).collect();
                self.note(text);
                Ok("Noted.".into())
            }
            Command::Remedy(way) => self.take_remedy(way),
            Command::Residue(step) => self.weigh_residue(step),
            Command::Stop => {
                if let Some(State::Lift(written)) = self.run.as_ref().map(|run| &run.state) {
                    // What came after the record is said before the log is closed.
                    let mut written = written.clone();
                    let scale = self.scale_needed().unwrap_or_default();
                    self.correct_at_lift(scale, &mut written);
                }
                let complete = self.is_complete();
                self.finish(complete);
                let said = self.last_cue.as_ref().filter(|_| self.fill().is_some());
                Ok(said.map_or("Stopped.".into(), |cue| cue.say.clone()))
            }
        }
    }

    /// Two presses on the pan mean `next` where that is waited for, else `keep`. Returns whether
    /// anything was waited for.
    pub(super) fn on_presses(&mut self) -> bool {
        if !self.rules.presses {
            return false;
        }
        let Some(run) = &self.run else { return false };
        match &run.state {
            State::Mix { .. } => {
                self.next();
                true
            }
            State::Tared(tared) if self.is_over(tared) => self.keep_weight().is_ok(),
            State::Tared(_)
            | State::Clear
            | State::Empty { .. }
            | State::Landing { .. }
            | State::Unsure { .. }
            | State::Stranger { .. }
            | State::Away(_)
            | State::Recheck(_)
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
        let window = self.window(&step, tared.base_d, tared.carried);
        tared.rest.is_some_and(|net| net > window.high)
    }

    fn next(&mut self) -> String {
        let Some(run) = &mut self.run else {
            return String::new();
        };
        match run.state.clone() {
            State::Mix { .. } => {
                self.mixing_done("confirmed");
                self.keep(State::Clear);
                self.go_on();
                "Mixed. On to the next.".into()
            }
            State::Unsure {
                level,
                same_again: true,
                ..
            } => {
                let bowl = self
                    .step_now()
                    .is_some_and(|step| step.vessel == VesselWay::Bowl && !self.is_fresh_bowl());
                let (noted, said) = match bowl {
                    true => (
                        "the maker says that nothing of this step is in the bowl yet",
                        "The bowl is taken as it stands; nothing of this step is in it.",
                    ),
                    false => (
                        "the maker says that the vessel is empty",
                        "The vessel on the scale is taken as empty.",
                    ),
                };
                self.note(noted.into());
                self.tare_at(level.weight, level.d);
                said.into()
            }
            State::Stranger { mut tared, level } => {
                let Some(step) = self.step_now() else {
                    return String::new();
                };
                if !self.is_plausible(&tared, level) {
                    return super::say::stranger(step.vessel, false);
                }
                // A word proves nothing: what it does not explain stays in the uncertainty.
                let off = (level.weight - tared.shown_at_rest(step.vessel)).abs();
                tared.unproven += off;
                self.note(format!(
                    "the maker says it is the same vessel; {} g are not explained",
                    off.grams(level.d)
                ));
                self.vessel_returned(level, tared);
                "The same vessel; the weighing goes on.".into()
            }
            State::Residue(emptied) => self.next_after_residue(emptied),
            State::Choose => self.close_out_of_limits(),
            State::Tared(_)
            | State::Clear
            | State::Empty { .. }
            | State::Landing { .. }
            | State::Unsure { .. }
            | State::Away(_)
            | State::Recheck(_)
            | State::Writing(_)
            | State::Lift(_)
            | State::Done => {
                let said = self.last_cue.as_ref().map_or("", |cue| cue.say.as_str());
                format!("Nothing waits for next. Now: {said}")
            }
        }
    }

    fn again(&mut self) -> Result<String, Refused> {
        let Some(step) = self.step_now() else {
            return Ok("Every step is weighed; nothing to begin again.".into());
        };
        // Nothing else is in the first ingredient's bowl: it can be emptied.
        let fresh = self.is_fresh_bowl();
        let Some(run) = &mut self.run else {
            return Ok(String::new());
        };
        let discarded = match run.state.clone() {
            State::Recheck(_) if step.vessel == VesselWay::Bowl => {
                return Err(Refused("The bowl cannot be begun again. Lift it, wait for the scale to rest, put it back.".into()));
            }
            State::Tared(tared) | State::Away(tared) | State::Recheck(tared) => {
                let mixed_in = tared.poured || tared.tainted || tared.doubt.is_some();
                if step.vessel == VesselWay::Bowl && mixed_in && !fresh {
                    return Err(Refused(format!(
                        "{} is in the bowl already and cannot be weighed again. Take some out, or keep it.",
                        step.ingredient
                    )));
                }
                tared.rest
            }
            State::Stranger { .. } if step.vessel == VesselWay::Bowl => {
                return Err(Refused(
                    "The bowl cannot be begun again. Say next if it is the same bowl.".into(),
                ));
            }
            State::Stranger { tared, .. } => tared.rest,
            State::Lift(written) => {
                run.corrects = Some(written.seq);
                Some(written.net)
            }
            State::Writing(_) => {
                return Err(Refused(
                    "The weight is being written; say again when it is recorded.".into(),
                ));
            }
            State::Residue(_) => {
                return Ok("An emptied beaker is waited for; say next to leave it.".into());
            }
            State::Mix { .. }
            | State::Clear
            | State::Empty { .. }
            | State::Landing { .. }
            | State::Choose
            | State::Unsure { .. } => None,
            State::Done => return Ok("The batch is over.".into()),
        };
        if matches!(run.state, State::Mix { .. }) {
            return Ok("The phase is weighed; say next when it is mixed.".into());
        }
        // By difference, and in a bowl with earlier steps in it, what stands there is the new tare; a
        // bowl of its own may hold what was poured too early.
        let in_doubt = matches!(&run.state, State::Tared(tared) if tared.doubt.is_some());
        let known = matches!(run.state, State::Tared(_) | State::Lift(_) | State::Away(_));
        let sure = known && !self.is_fresh_bowl();
        let d = self.readability(step.scale);
        if let Some(net) = discarded.filter(|net| net.abs() > d) {
            let what = match step.vessel {
                VesselWay::Jar => "taken back out of the jar".to_owned(),
                VesselWay::Beaker | VesselWay::Bowl | VesselWay::Difference => {
                    format!("{} thrown away, not in the batch", step.ingredient)
                }
            };
            self.note(format!("begun again: {} g {what}", net.grams(d)));
        }
        if let Some(State::Recheck(tared)) = self.run.as_mut().map(|run| &mut run.state) {
            // The zero was lost: an indication of zero is no empty pan. It must be seen lifted.
            tared.restart = true;
            self.cue_urgent(CueKind::Lift, super::say::clear(step.vessel), &[]);
            return Ok("This step begins again once the scale is empty.".into());
        }
        if in_doubt {
            // The vessel may stand there still, tared by the key.
            if let Some(run) = &mut self.run {
                run.maybe_tared = true;
            }
        }
        self.begin_again(step.scale, step.vessel, sure);
        Ok("This step begins again.".into())
    }

    /// Whether the newest reading shows something on the pan.
    fn is_loaded(&self, scale: usize) -> bool {
        self.pans.get(scale).is_some_and(|pan| {
            pan.last.is_some_and(|last| {
                last.weight - pan.zero.unwrap_or_default() > super::order::vessel_at_least(pan.d())
            })
        })
    }

    /// Whether the running step is the first into its bowl.
    pub(super) fn is_fresh_bowl(&self) -> bool {
        let Some(run) = &self.run else { return false };
        let Some(step) = run.current() else {
            return false;
        };
        let before = run.step.checked_sub(1).and_then(|i| run.plan.steps.get(i));
        step.vessel == VesselWay::Bowl
            && before.is_none_or(|b| b.vessel != VesselWay::Bowl || b.scale != step.scale)
    }

    /// `sure`: what stands on the pan is known, so that it can be tared where it stands.
    fn begin_again(&mut self, scale: usize, way: VesselWay, sure: bool) {
        let Some(pan) = self.pans.get(scale) else {
            return;
        };
        let loaded = self.is_loaded(scale);
        let level = pan.level(self.now);
        match (way, loaded, level) {
            // The source is weighed as it stands; the bowl had nothing of this step in it.
            (VesselWay::Difference | VesselWay::Bowl, true, Some(level)) if sure => {
                self.tare_at(level.weight, level.d);
            }
            (_, true, _) => {
                self.set_state(State::Clear);
                self.cue(CueKind::Lift, super::say::clear(way), None, &[]);
            }
            (_, false, _) => {
                self.set_state(State::Empty { carry: None });
                self.cue_place();
            }
        }
    }

    /// Keeps a weight outside its window: the last one at rest with the vessel on the pan.
    fn keep_weight(&mut self) -> Result<String, Refused> {
        let Some(step) = self.step_now() else {
            return Ok("Nothing to keep.".into());
        };
        let Some(run) = &mut self.run else {
            return Ok(String::new());
        };
        let (tared, away) = match run.state.clone() {
            State::Lift(_) => {
                return Ok("It is recorded as it stands; lift it to leave it so.".into());
            }
            State::Tared(tared) => (tared, false),
            State::Away(tared) => (tared, true),
            State::Clear
            | State::Empty { .. }
            | State::Landing { .. }
            | State::Unsure { .. }
            | State::Stranger { .. }
            | State::Recheck(_)
            | State::Writing(_)
            | State::Mix { .. }
            | State::Residue(_)
            | State::Choose
            | State::Done => return Ok("There is no weight to keep now.".into()),
        };
        if tared.doubt.is_some() || tared.tainted {
            return Err(Refused("The tare is not sure, so the weight is not. Lift the vessel and put it back first.".into()));
        }
        let steady = self
            .pans
            .get(step.scale)
            .and_then(|pan| pan.level(self.now));
        // After a key or a gap only a weight that stands there is one.
        let carried = tared.carried > 0 || tared.unproven > Mass::ZERO;
        if away
            && (tared.moved
                || carried
                || step.vessel == VesselWay::Difference
                || self.is_loaded(step.scale))
        {
            return Err(Refused(
                "What is on the scale is not at rest yet. Put it back, wait a moment, then say keep again.".into(),
            ));
        }
        let level = match (away, steady, tared.last_level) {
            (false, Some(level), _) => level,
            // The frame may have moved since: what it held is known as a net weight.
            (true, _, Some(level)) => super::steady::Level {
                weight: tared.shown_at_rest(step.vessel),
                ..level
            },
            (false, None, _) | (true, _, None) => {
                return Err(Refused(
                    "The scale is not at rest. Wait a moment, then say keep again.".into(),
                ));
            }
        };
        let net = net_of(&step, tared.base, level.weight);
        if net <= level.d || !tared.poured {
            return Ok("Nothing was poured yet; there is nothing to keep.".into());
        }
        let d = level.d;
        let window = self.window(&step, d.max(tared.base_d), tared.carried);
        let proven = window.proven && tared.unproven == Mass::ZERO;
        let verdict = if proven && window.holds(net) {
            Verdict::Inside
        } else {
            Verdict::Kept
        };
        self.record(step.scale, tared, level, Some(verdict), away);
        Ok(format!("Kept: {} g.", net.grams(d)))
    }

    fn lot(&mut self, lot: &str) -> String {
        // No control characters: the answer goes to a terminal.
        let plain = |c: char| if crate::text::misleads(c) { ' ' } else { c };
        let lot: String = lot.trim().chars().map(plain).take(LONGEST_TEXT).collect();
        if lot.is_empty() {
            return "The lot has no name; nothing changed.".into();
        }
        let Some(step) = self.step_now() else {
            return "Every step is weighed; no ingredient waits for a lot.".into();
        };
        let Some(run) = &mut self.run else {
            return String::new();
        };
        run.lots.insert(step.ingredient.clone(), lot.clone());
        let mut draft = self.draft(RowKind::Note);
        draft.note = format!("lot of {}: {lot}", step.ingredient);
        self.log(draft);
        self.record_what_waited_for_its_lot();
        if let Some(State::Tared(tared)) = self.run.as_mut().map(|run| &mut run.state) {
            tared.asked = None;
        }
        format!("Lot {lot} for {}.", step.ingredient)
    }

    /// A weight that waited only for its lot, with its vessel lifted meanwhile.
    fn record_what_waited_for_its_lot(&mut self) {
        let Some(step) = self.step_now() else { return };
        let Some(run) = &self.run else { return };
        let State::Away(tared) = &run.state else {
            return;
        };
        let sure = tared.doubt.is_none() && !tared.tainted && !tared.moved;
        if let (Some(Asked::Lot), Some(level), Some(net)) =
            (tared.asked, tared.last_level, tared.rest)
            && sure
        {
            let mut tared = tared.clone();
            let d = level.d.max(tared.base_d);
            if !self.window(&step, d, tared.carried).holds(net) {
                return;
            }
            // The frame may have moved since: the net weight has not.
            tared.held = Some(super::steady::Level {
                weight: tared.shown_at_rest(step.vessel),
                ..level
            });
            self.record_held(step.scale, tared, true);
        }
    }
}

impl Choice {
    /// The command that this answer stands for.
    pub const fn command(self) -> Command {
        match self {
            Choice::Next => Command::Next,
            Choice::Again => Command::Again,
            Choice::Keep => Command::Keep,
        }
    }
}
