//! The zero was lost: nothing is believed until the pan was seen empty.

use super::event::{CueKind, Event, ScaleIndex};
use super::order::vessel_at_least;
use super::pan::{JumpCause, Seen};
use super::state::{State, Tared};
use super::steady::Level;
use super::zero::{inexact, shows_zero};
use super::{Engine, net_of};
use crate::formula::VesselWay;
use crate::mass::Mass;

impl Engine {
    /// Readings were missing. Nothing is believed until the pan was seen empty, or the weight is the
    /// one that it was.
    pub(super) fn in_recheck(&mut self, scale: ScaleIndex, seen: &Seen, mut tared: Tared) {
        let zero = self.zero(scale);
        let vessel = tared.vessel.unwrap_or(tared.base - zero);
        if seen.after_gap {
            // Once more: what was seen in between was another frame.
            tared.highest = None;
            tared.jumped = None;
            tared.held = None;
            tared.moving_at_gap = true;
        }
        if let Some(jump) = seen.jump.filter(|jump| jump.cause != JumpCause::Slight) {
            // The TARE key is no lift; a lift at once shows when the vessel is back.
            tared.jumped = Some(jump.from);
            tared.highest = None;
            tared.moving_at_gap = true;
        }
        if seen.plateau {
            let highest = tared.highest.unwrap_or(seen.weight);
            tared.highest = Some(highest.max(seen.weight));
        }
        let emptied = tared
            .highest
            .is_some_and(|highest| highest - seen.weight >= vessel.ratio(4, 5));
        if emptied && vessel > vessel_at_least(seen.d) {
            // It was off the pan: what shows the same number later may be another load.
            tared.moving_at_gap = true;
        }
        let Some(level) = seen.steady else {
            if let (Some(held), Some(highest)) = (tared.held, tared.highest) {
                let loaded = highest - seen.weight < vessel.ratio(2, 5);
                tared.follow_rest(seen, held.weight, loaded);
                tared.held = Some(held);
            }
            self.keep(State::Recheck(tared));
            return;
        };
        let Some(step) = self.step_now() else { return };
        if tared.away && (level.weight - zero).abs() <= level.d * 3 {
            // What stood there in between may have been poured into.
            let between = tared
                .highest
                .is_some_and(|highest| highest - zero > vessel_at_least(level.d));
            tared.moved |= between;
            tared.away = false;
            tared.held = None;
            tared.highest = None;
            self.set_state(State::Away(tared));
            return;
        }
        // An empty pan can show what a tared vessel did, where its zero is far from 0.
        let tells = !tared.moving_at_gap
            && !shows_zero(tared.shown_at_rest(step.vessel), level.d)
            && (!tared.away || zero.abs() <= vessel_at_least(level.d));
        let same = self
            .pans
            .get(scale)
            .is_some_and(|pan| pan.same(level.weight, tared.shown_at_rest(step.vessel), level.d));
        if let Some(from) = tared.jumped
            && self
                .pans
                .get(scale)
                .is_some_and(|pan| pan.same(level.weight, from, level.d))
        {
            let empty = Level {
                weight: Mass::ZERO,
                ..level
            };
            self.lift_shows_zero(&mut tared, empty, zero);
            self.see_zero(scale, Mass::ZERO);
            self.lifted_after_gap(scale, tared, Mass::ZERO);
            return;
        }
        // Lifted: at least four fifths of the vessel went since the readings came back.
        let fell = tared
            .highest
            .map_or(Mass::ZERO, |highest| highest - level.weight);
        let least = vessel.ratio(4, 5).max(vessel_at_least(level.d));
        let lighter = tared
            .vessel
            .is_some_and(|vessel| fell < vessel - vessel.ratio(1, 50).max(Mass::from_g(1)));
        let shows_old_zero = (level.weight - zero).abs() <= level.d * 3
            && fell > vessel.ratio(1, 5).max(vessel_at_least(level.d));
        if same && tells && !tared.tainted && !tared.restart && tared.doubt.is_none() {
            if let Some(pan) = self.pans.get_mut(scale) {
                pan.frame_stands();
            }
            self.vessel_returned(level, tared);
        } else if lighter && (fell >= least || shows_old_zero) && self.can_begin_afresh() {
            // What went weighs less than the empty vessel: another one stood there.
            self.see_zero(scale, level.weight);
            self.tare_lost(scale, level.weight, &tared);
        } else if fell >= least {
            self.lift_shows_zero(&mut tared, level, zero);
            self.see_zero(scale, level.weight);
            self.lifted_after_gap(scale, tared, level.weight);
        } else {
            let first = tared.away && tared.held.is_none();
            // Another number at the first rest: that it comes to the old one later proves nothing.
            tared.moving_at_gap = true;
            tared.held = Some(level);
            tared.moved = false;
            self.keep(State::Recheck(tared));
            if first {
                self.ask_lift_and_back(&step);
            }
        }
    }

    /// The pan is empty and shows `level`: the base is that and the vessel's mass. Where the mass is
    /// not known, the frame may have moved or not.
    pub(super) fn lift_shows_zero(&self, tared: &mut Tared, level: Level, old_zero: Mass) {
        if let Some(vessel) = tared.vessel {
            // The empty pan shows what it always did, to a step: the zero was not lost.
            let stands = (level.weight + vessel - tared.base).abs() <= level.d;
            if !stands || tared.tainted {
                tared.carried += 2;
                tared.base = level.weight + vessel;
            }
            return;
        }
        tared.carried += 2;
        let off = level.weight - old_zero;
        tared.unproven = tared.unproven.max(off.abs());
        if off.abs() > vessel_at_least(level.d) {
            tared.base += off;
            tared.unproven = inexact(tared.base - level.weight);
        }
    }

    /// The vessel is off and the zero known again.
    pub(super) fn lifted_after_gap(&mut self, scale: ScaleIndex, mut tared: Tared, zero: Mass) {
        let afresh = self.can_begin_afresh();
        tared.doubt = None;
        tared.highest = None;
        tared.jumped = None;
        tared.moving_at_gap = false;
        if std::mem::take(&mut tared.away) {
            // What stood there since is not known to be the vessel.
            tared.held = None;
        }
        if tared.restart {
            self.wait_empty(None);
        } else if tared.unproven > Mass::ZERO && afresh {
            self.tare_lost(scale, zero, &tared);
        } else {
            if !tared.poured && afresh {
                self.suspect();
            }
            self.rest_before_lift(&mut tared, zero);
            let less = tared
                .rest
                .is_some_and(|net| net < -vessel_at_least(self.readability(scale)));
            if less && afresh {
                // Lighter than the empty vessel: another one.
                self.tare_lost(scale, zero, &tared);
                return;
            }
            self.set_state(State::Away(tared));
        }
    }

    /// Whether nothing but this step's ingredient is in the vessel, so that it can be emptied.
    pub(super) fn can_begin_afresh(&self) -> bool {
        self.step_now().is_some_and(|step| match step.vessel {
            VesselWay::Beaker | VesselWay::Jar => true,
            VesselWay::Bowl => self.is_fresh_bowl(),
            VesselWay::Difference => false,
        })
    }

    /// Nothing proves what the beaker took up: the step begins again.
    pub(super) fn tare_lost(&mut self, scale: ScaleIndex, zero: Mass, tared: &Tared) {
        let d = self.readability(scale);
        self.note(format!(
            "tare lost: the empty scale shows {} g; {} g on the pan were not recorded",
            zero.grams(d),
            tared.rest.unwrap_or(Mass::ZERO).grams(d)
        ));
        self.out.push_back(Event::Fault {
            scale: Some(scale),
            code: "tare-lost",
            over: false,
        });
        // Put back as it is, it weighs the same again, and then it is asked about.
        if let Some(run) = &mut self.run {
            let stood = tared.held.or(tared.last_level);
            run.refused = stood.map(|level| level.weight - zero);
            run.lost_vessel = Some(tared.vessel);
            run.suspect = true;
        }
        self.set_state(State::Empty { carry: None });
        let thing = "The tare was lost. Begin this step again with an empty vessel.";
        self.cue_urgent(CueKind::Fault, thing.into(), &[]);
        self.cue_place();
    }

    /// What the vessel held when it was last seen at rest before this lift, the empty pan showing
    /// `zero`: it is expected back with that.
    pub(super) fn rest_before_lift(&self, tared: &mut Tared, zero: Mass) {
        let Some(step) = self.step_now() else { return };
        match tared.held.take() {
            Some(held) if held.weight - zero > vessel_at_least(held.d) => {
                tared.rest = Some(net_of(&step, tared.base, held.weight));
            }
            // What came in the gap nobody saw.
            Some(_) | None => tared.moved = true,
        }
        tared.tainted = false;
    }
}
