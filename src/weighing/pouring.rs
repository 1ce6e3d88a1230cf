//! The load moves.

use super::event::{CueKind, Event};
use super::pan::Seen;
use super::pour::landing_weight;
use super::state::{Asked, State, Tared};
use super::{Engine, net_of, say};
use crate::formula::{Step, VesselWay};
use crate::mass::Mass;

/// Nearly right but not at rest for this long: something moves the air or the bench.
const RESTLESS_US: u64 = 8_000_000;

impl Engine {
    /// The load moves.
    pub(super) fn moving(&mut self, seen: &Seen, step: &Step, mut tared: Tared) {
        let net = net_of(step, tared.base, seen.weight);
        tared.inside_since = None;
        let rest = tared.rest.unwrap_or(Mass::ZERO);
        let pours = step.vessel != VesselWay::Difference;
        if pours {
            tared.follow_rest(seen, tared.base + rest, net * 2 > rest);
        }
        let window = self.window(step, seen.d.max(tared.base_d), tared.carried);
        let pouring = step.vessel != VesselWay::Difference;
        let d = seen.d;
        // Poured is what stays: a bump comes and goes in less than half a second.
        tared.above = match tared.above {
            Some((since, n)) if net > d * 5 => Some((since, n + 1)),
            None if net > d * 5 => Some((seen.at, 1)),
            Some(_) | None => None,
        };
        tared.poured |= tared
            .above
            .is_some_and(|(since, n)| n >= 3 && seen.at.since(since) >= 500_000);
        self.watch_restless(seen, net, window.low, window.high, &mut tared);
        // While it is not known whether a vessel landed, a number too large means that one did.
        let absurd = tared.doubt.is_some() && net > step.highest.ratio(3, 2) + Mass::from_g(5);
        if !pouring || net <= d * 5 || absurd {
            self.keep(State::Tared(tared));
            return;
        }
        let (rate, lag) = self
            .pans
            .get(step.scale)
            .map_or((0.0, 0.25), |pan| (pan.rate.grams_per_second(), pan.lag));
        let after = self
            .run
            .as_ref()
            .and_then(|run| run.after_flow.get(&step.ingredient))
            .map_or(0.0, |flow| flow.grams());
        let will_be = landing_weight(net, rate, lag, self.rules.reaction, after);
        if net > window.high && rate > 0.0 && !tared.stopped {
            tared.stopped = true;
            self.keep(State::Tared(tared));
            self.cue(CueKind::Hold, "Stop.".into(), Some(step.target - net), &[]);
        } else if self.rules.early_cue
            && tared.eased.is_none()
            && net < window.low
            && rate > 0.0
            && will_be >= window.low
        {
            tared.eased = Some((will_be, seen.at));
            self.keep(State::Tared(tared));
            let missing = step.target - net;
            self.cue(
                CueKind::EaseOff,
                say::ease_off(missing, d),
                Some(missing),
                &[],
            );
        } else if window.holds(net) && !tared.stopped {
            tared.stopped = true;
            self.keep(State::Tared(tared));
            self.cue(
                CueKind::Hold,
                "Hold. Let it come to rest.".into(),
                Some(step.target - net),
                &[],
            );
        } else {
            self.keep(State::Tared(tared));
        }
    }

    /// Nearly right, and never at rest: a draught or a shaking bench.
    pub(super) fn watch_restless(
        &mut self,
        seen: &Seen,
        net: Mass,
        low: Mass,
        high: Mass,
        tared: &mut Tared,
    ) {
        let Some(run) = &mut self.run else { return };
        let near = net >= low - seen.d * 10 && net <= high + seen.d * 10;
        // A spoon in the vessel moves more than any draught.
        let handled = seen
            .before
            .is_some_and(|before| (seen.weight - before).abs() > seen.d * 20);
        if !near || handled {
            run.restless_since = None;
            return;
        }
        let since = *run.restless_since.get_or_insert(seen.at);
        // A trickle only grows; a draught comes and goes.
        let wanders = self
            .scale_needed()
            .and_then(|scale| self.pans.get(scale))
            .is_some_and(|pan| pan.wander.amount(seen.d) > seen.d);
        if seen.at.since(since) > RESTLESS_US && wanders && tared.asked != Some(Asked::Draught) {
            tared.asked = Some(Asked::Draught);
            let scale = self.scale_needed();
            self.out.push_back(Event::Fault {
                scale,
                code: "unsteady",
                over: false,
            });
            self.cue_urgent(CueKind::Fault, say::draught(), &[]);
        }
    }
}
