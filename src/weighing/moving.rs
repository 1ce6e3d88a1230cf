//! A tared vessel whose load moves: when to ease off, to stop and to hold.

use super::order::vessel_at_least;
use super::pan::Observation;
use super::pour::{landing_weight, two_digits};
use super::state::{Asked, Dip, Disturbed, State, Tared};
use super::{Engine, net_of, phrases};
use crate::formula::{Step, VesselWay};
use crate::language::phrase;
use crate::mass::Mass;
use crate::metrology::Window;
use crate::vocabulary::code::FaultCode;
use crate::vocabulary::command::Choice;
use crate::vocabulary::cue::CueKind;
use crate::vocabulary::reading::ScaleIndex;

/// Nearly right but not at rest for this long: something moves the air or the bench.
const RESTLESS_US: u64 = 8_000_000;
/// After "stop", too little for so long without a rest: 1 s.
const FELL_BACK_US: u64 = 1_000_000;
/// A filter that holds back a pour for longer than this is waited for: 0.4 s.
const SLOW_LAG: f64 = 0.4;

impl Engine {
    /// The load moves.
    pub(super) fn moving(
        &mut self,
        seen: &Observation,
        step: &Step,
        mut tared: Box<Tared>,
    ) -> State {
        let net = net_of(step, tared.tare.base, seen.weight);
        tared.approach.inside_since = None;
        let rest = tared.content.rest.unwrap_or(Mass::ZERO);
        let pours = step.vessel != VesselWay::Difference;
        if pours {
            tared.follow_rest(seen, tared.tare.base + rest, net * 2 > rest);
        }
        tared.content.most = tared.content.most.max(net);
        let near = net <= seen.d * 5 && -net <= vessel_at_least(seen.d);
        let unpoured = tared.tare.carried == 0 && rest.abs() <= seen.d * 5 && near;
        let stands = tared.suspect.is_none() && tared.disturbed.is_none();
        if pours && unpoured && stands && self.pans[step.scale].flat().is_some() {
            // What is poured in stays: what had shown more was a hand, or a spoon that stirred. What stayed for a while may
            // be in it, if something as heavy went.
            let stayed = std::mem::replace(&mut tared.content.stayed.most, net).max(Mass::ZERO);
            tared.content.poured = false;
            tared.content.above = None;
            tared.content.most = net;
            tared.content.dip.stood(stayed - net, seen.d);
        }
        let keyed = tared.suspect.is_some_and(|suspect| suspect.exact);
        if let Some(flat) = self.pans[step.scale].flat().filter(|_| pours && keyed)
            && !tared.content.poured
            && net.is_negative()
            && near
        {
            // The key came before the rest: with nothing in it the vessel fell on to what it weighs.
            tared.fell_to(flat.weight);
        }
        let came = seen
            .before
            .map_or(Mass::ZERO, |before| seen.weight - before);
        if !came.is_negative() {
            // What falls is on its way off.
            tared.content.flow = came.max(tared.content.flow.ratio(1, 2));
        }
        let lag = self.pans[step.scale].lag();
        let shows = (lag * 1e6) as u64;
        tared.content.stayed.push(seen.at, net, shows);
        if pours && self.sinks_below_base(seen, step, net, &mut tared) {
            return self.say_add(tared, Mass::ZERO);
        }
        if pours {
            self.follow_dip(seen, step.scale, net, &mut tared);
        }
        self.follow_spoon(seen, step.scale, net, &tared);
        let window = self.window(step, seen.d.max(tared.tare.d), tared.tare.carried);
        let d = seen.d;
        // Poured is what stays: a bump comes and goes in less than half a second.
        tared.content.above = match tared.content.above {
            Some((since, n)) if net > d * 5 => Some((since, n + 1)),
            None if net > d * 5 => Some((seen.at, 1)),
            Some(_) | None => None,
        };
        tared.content.poured |= tared
            .content
            .above
            .is_some_and(|(since, n)| n >= 3 && seen.at.since(since) >= 500_000);
        if self.watch_restless(seen, net, window, &mut tared) {
            return self.record_restless(step.scale, step, tared, seen.at);
        }
        // While it is not known whether a vessel landed, a number too large means that one did.
        let absurd = tared.suspect.is_some_and(|suspect| {
            !suspect.exact || net > step.highest.ratio(3, 2) + Mass::from_g(5)
        });
        // Until the tare is seen again nothing is said over that.
        let asked = tared.asked == Some(Asked::Lift);
        let exchanged = tared.disturbed.is_some_and(|was| was.replaced);
        let says_how_much = [CueKind::Add, CueKind::EaseOff, CueKind::TakeOut];
        if pours && (absurd || exchanged) && !asked && self.was_said(&says_how_much) {
            self.amount_is_unknown(&mut tared);
        }
        if !pours || net <= d * 5 || absurd || asked || exchanged {
            return State::Tared(tared);
        }
        // What came back may be another one: no word before it is at rest.
        let off = tared.disturbed.is_some() || tared.content.dip.lasted > Mass::ZERO;
        let short = window.low - net > (d * 20).max(step.target.ratio(1, 50));
        let fell_back = tared.approach.stopped && short;
        // While it goes down it is on its way off, and what the filter holds back is still to be shown.
        let held_back = self.held_back(step.scale);
        let goes_on = came < -d || held_back > d;
        tared.approach.short_since = tared
            .approach
            .short_since
            .or(Some(seen.at))
            .filter(|_| fell_back && !off && !goes_on);
        let since = tared.approach.short_since;
        if since.is_some_and(|since| seen.at.since(since) >= FELL_BACK_US) {
            // What made it enough had only pressed on it: who was told to stop is told to go on.
            tared.approach.short_since = None;
            return self.say_add(tared, net);
        }
        // Where it rested with too much already, a flicker is no pour.
        let rested_over = tared.content.rest.filter(|&rest| rest > window.high);
        let grows = rested_over.is_none_or(|rest| net > rest + d * 3);
        let rate = || self.pans[step.scale].rate.grams_per_second();
        let to_ease = self.rules.early_cue && tared.approach.eased.is_none() && net < window.low;
        let on_its_way = to_ease.then(rate).filter(|rate| *rate > 0.0).map(|rate| {
            let after = self.run.after_flow.get(&step.ingredient);
            let after = after.map_or(0.0, |flow| flow.grams());
            let will_be = landing_weight(net, rate, lag, self.rules.reaction, after);
            (will_be, landing_weight(net, rate, lag, 0.0, 0.0))
        });
        // Above what was there a spoon presses on it.
        let is_taken = rested_over.is_some_and(|rest| net < rest - d * 3)
            && self.was_said(&[CueKind::TakeOut])
            && net + held_back <= window.high;
        let is_in =
            net < window.low && tared.approach.eased.is_some() && net + held_back >= step.target;
        let shows_late = held_back != Mass::ZERO && (is_taken || is_in);
        if net > window.high && grows && !tared.approach.stopped && rate() > d.to_g_f64() {
            tared.approach.stopped = true;
            self.cue(
                CueKind::Hold,
                phrase!("Stop."),
                Some(step.target - net),
                &[],
            );
        } else if let Some((will_be, is)) = on_its_way.filter(|(will_be, _)| *will_be >= window.low)
        {
            tared.approach.eased = Some((will_be, seen.at));
            // What she is still to pour: what the filter holds back is in it, by a rate; so two digits of it.
            let missing = two_digits(step.target - is, d);
            if missing > Mass::ZERO {
                let say = phrases::ease_off(missing, d);
                self.cue(CueKind::EaseOff, say, Some(missing), &[]);
            } else {
                self.cue(CueKind::Hold, phrases::hold(), Some(missing), &[]);
            }
        } else if (window.holds(net) || shows_late)
            && !tared.approach.stopped
            && !matches!(
                tared.asked,
                Some(Asked::Draught | Asked::Strays | Asked::Lot)
            )
        {
            tared.approach.stopped = true;
            self.cue(CueKind::Hold, phrases::hold(), Some(step.target - net), &[]);
        }
        State::Tared(tared)
    }

    /// What a filter that is slow to follow holds back of what comes, or (less than nothing) of what goes; of a quick one
    /// the hand's own delay is more.
    fn held_back(&self, scale: ScaleIndex) -> Mass {
        let pan = &self.pans[scale];
        let lag = Some(pan.lag()).filter(|lag| *lag >= SLOW_LAG);
        let held = lag.map(|lag| pan.rate.grams_per_second() * lag);
        held.and_then(Mass::from_g_f64).unwrap_or_default()
    }

    /// So much "to add" or "to take" must not stand there while nobody knows how much it is.
    pub(super) fn amount_is_unknown(&mut self, tared: &mut Tared) {
        tared.approach.said = None;
        self.cue(CueKind::Hold, phrases::hold(), None, &[]);
    }

    /// Nothing of this step is in it, and it stands below its tare: what lay there when it was tared is
    /// gone, and what comes next comes onto this, be there a rest before it or not.
    fn sinks_below_base(
        &mut self,
        seen: &Observation,
        step: &Step,
        net: Mass,
        tared: &mut Tared,
    ) -> bool {
        let own = tared.tare.base - self.zero(step.scale);
        let below = !tared.content.poured
            && tared.content.most <= seen.d * 5
            && tared.suspect.is_none()
            && net < -vessel_at_least(seen.d)
            && net.abs() <= own.ratio(1, 3);
        if !below || !seen.unit_known {
            tared.content.sunk = None;
            return false;
        }
        let pan = &self.pans[step.scale];
        let Some(sunk) = pan.stands(&mut tared.content.sunk, seen, net.abs()) else {
            return false;
        };
        tared.content.sunk = None;
        tared.tare.wander = tared.tare.wander.max(sunk.high - sunk.low);
        tared.fell_to(sunk.middle());
        if self.run.is_in_the_same_bowl() {
            self.taken_from_bowl(step.scale, net.abs());
        }
        true
    }

    /// It stood below its tare for a moment, and what comes now comes onto that: something that was tared, or
    /// weighed with what is in it, may have gone, and by how much no rest says.
    fn follow_dip(&mut self, seen: &Observation, scale: ScaleIndex, net: Mass, tared: &mut Tared) {
        // With some of this step in it that is no return, but the way through.
        let at_base = |shown: Mass| (shown - tared.tare.base).abs() <= seen.d * 5;
        let stays = at_base(seen.weight) && seen.before.is_some_and(at_base);
        let near = stays && !tared.content.poured;
        // Another unit makes less than two thirds of it, or more: a pennyweight is 1.555 g.
        let unit = seen.unit_known || seen.weight >= tared.tare.base.ratio(7, 10);
        let lag = self.pans[scale].lag();
        let returned = near && seen.plateau && tared.content.dip.returns(seen.at, lag);
        if tared.suspect.is_some() || seen.unit_changed || returned {
            tared.content.dip = Dip::default();
            return;
        }
        // Nobody takes anything out of an empty vessel.
        let least = match tared.content.poured {
            true => vessel_at_least(seen.d),
            false => seen.d * 10,
        };
        let below = (net < -least).then_some(-net);
        tared.content.dip.follow(seen.at, below);
        if !unit {
            // Whether it is another unit the next line that has one tells.
            return;
        }
        let above = tared.content.above.is_some_and(|(_, n)| n >= 2) && net > seen.d * 5;
        let dip = tared.content.dip.lasted;
        if !above || dip == Mass::ZERO || tared.disturbed.is_some() {
            return;
        }
        tared.content.dip.lasted = Mass::ZERO;
        if tared.content.poured {
            // All that was in it was gone, and more: it was off, or another one stands there.
            tared.disturbed = Some(Disturbed {
                poured: true,
                replaced: true,
                held: tared.seen_in_it(),
            });
            return;
        }
        tared.tare.unproven += dip;
        if self.run.is_in_the_same_bowl() {
            self.taken_from_bowl(scale, dip);
        }
    }

    /// Asked to take some out, a spoon presses on it and comes away: to and fro, and no wander of the scale.
    fn follow_spoon(&mut self, seen: &Observation, scale: ScaleIndex, net: Mass, tared: &Tared) {
        let over = tared.approach.said.map_or(Mass::ZERO, |said| -said);
        let rest = tared.content.rest.unwrap_or(net);
        // No draught that this step can stand moves it by so much.
        let by_hand = over > Mass::ZERO && (net - rest).abs() >= (seen.d * 3).max(over.ratio(1, 3));
        if by_hand {
            self.pans[scale].wander.forget_stretch();
        }
    }

    /// Nearly right, and never at rest: a draught or a shaking bench. Returns whether it is mere noise about
    /// what is right.
    fn watch_restless(
        &mut self,
        seen: &Observation,
        net: Mass,
        window: Window,
        tared: &mut Tared,
    ) -> bool {
        let run = &mut self.run;
        let near = net >= window.low - seen.d * 10 && net <= window.high + seen.d * 10;
        // A spoon in the vessel moves more than any draught.
        let handled = seen
            .before
            .is_some_and(|before| (seen.weight - before).abs() > seen.d * 20);
        if !near || handled {
            run.restless_since = None;
            return false;
        }
        let since = *run.restless_since.get_or_insert(seen.at);
        // A trickle only grows; a draught comes and goes, and mere noise goes nowhere.
        let pan = self.scale_needed().map(|scale| &self.pans[scale]);
        let wanders = pan.is_some_and(|pan| pan.wander.amount(seen.d) > seen.d);
        let stays = pan
            .and_then(|pan| pan.wander.lately())
            .is_some_and(|range| range <= seen.d * 2);
        let settles = pan.map_or(0, |pan| pan.settles_in());
        let long = seen.at.since(since).saturating_sub(settles);
        let wanders = long > RESTLESS_US && wanders;
        let noise = long > RESTLESS_US * 2 && stays;
        let clear = tared.suspect.is_none() && tared.asked.is_none();
        if noise && !wanders && clear && window.holds(net) {
            return true;
        }
        let restless = noise || wanders;
        if restless && !matches!(tared.asked, Some(Asked::Draught | Asked::Lot)) {
            let scale = self.scale_needed();
            self.fault_begins(scale, FaultCode::Unsteady);
            self.say_draught(tared);
        }
        false
    }

    /// Whether it is kept as it stands is for the maker to say.
    pub(super) fn say_draught(&mut self, tared: &mut Tared) {
        tared.asked = Some(Asked::Draught);
        self.cue_urgent(CueKind::Fault, phrases::draught(), &[Choice::Keep]);
    }
}
