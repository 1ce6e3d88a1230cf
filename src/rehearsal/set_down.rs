//! The vessel that the hands set down, and what goes wrong before and after.

use super::acts::Act;
use super::habits::Fault;
use super::hands::Hands;
use super::pan::Vessel;
use super::pour::Pour;
use super::scale::Key;
use super::table::Table;
use crate::formula::VesselWay;
use crate::mass::Mass;

impl Hands {
    /// Sets down the vessel for `step`, with what goes wrong before and after.
    pub(super) fn set_down(&mut self, step: usize, table: &mut Table) {
        self.prepare(step, table);
        let scale = self.scale_of(step);
        if self.fault(Fault::Away) {
            let away = self.secs(3.0, 9.0);
            self.queue
                .extend([Act::Tell("walk away for a while"), Act::Wait(away)]);
        }
        if self.fault(Fault::KeyOnEmptyPan) {
            self.queue.extend([
                Act::Tell("press TARE on the empty pan"),
                Act::Key(scale, Key::Tare),
                Act::Wait(800_000),
            ]);
        }
        let vessel = self.vessel(step, scale, table);
        // Another bottle that weighs just the target less is the one thing that no scale can tell
        // from a pour; by difference, nobody swaps the source.
        if self.way(step) != VesselWay::Difference && self.fault(Fault::SwapVessel) {
            let other = self.vessel(step, scale, table);
            let stands = self.secs(0.5, 2.0);
            self.queue.extend([
                Act::Place(scale, Some(Box::new(other))),
                Act::Wait(stands),
                Act::Tell("take another vessel"),
                Act::Lift { scale, slow: false },
                Act::Wait(500_000),
                // Not `Away`: a bowl that was not taken must not come back as the batch's bowl.
                Act::Discard,
            ]);
        }
        let reach = self.reach();
        self.queue
            .extend([Act::Wait(reach), Act::Place(scale, Some(Box::new(vessel)))]);
        self.after_set_down(step, scale);
    }

    fn after_set_down(&mut self, step: usize, scale: usize) {
        if self.way(step) == VesselWay::Difference {
            return;
        }
        let forgets = self.fault(Fault::ForgetTare);
        if forgets {
            self.queue.push_back(Act::Tell("forget the TARE key"));
        }
        if self.fault(Fault::TareKey) && !forgets {
            let wait = self.secs(0.4, 1.1);
            self.queue.extend([
                Act::Wait(wait),
                Act::Tell("press TARE"),
                Act::Key(scale, Key::Tare),
            ]);
        } else if self.target > Mass::ZERO
            && self.step == step
            && self.fault(Fault::PourBeforeSteady)
        {
            let grams = self.target.to_g_f64() * (0.3 + 0.5 * self.rng.f64());
            let style = self.style(grams);
            let pour = Pour::new(grams, style, 1.5, &mut self.rng).enough(1.0);
            self.poured_early = Some(grams);
            self.queue.extend([
                Act::Tell("pour before the scale is at rest"),
                Act::Pour {
                    scale,
                    step,
                    pour: Box::new(pour),
                },
            ]);
        }
    }

    /// The batch's bowl, from the hand or from where it was put away.
    fn bowl_at_hand(&mut self) -> Option<Vessel> {
        let held = self.hand.as_ref().map(|vessel| self.way(vessel.step));
        if held == Some(VesselWay::Bowl) {
            return self.hand.take();
        }
        self.bowl.take()
    }

    fn vessel(&mut self, step: usize, scale: usize, table: &Table) -> Vessel {
        let capacity = table
            .places
            .get(scale)
            .map_or(Mass::from_g(500), |place| place.scale.spec().capacity);
        let fresh = |rng: &mut fastrand::Rng, low: i64, high: i64| {
            // In thousandths of the capacity, with a few milligrams of its own.
            capacity.ratio(rng.i64(low..high), 1000) + Mass::from_ng(rng.i64(0..50_000_000))
        };
        let mut vessel = Vessel {
            empty: Mass::ZERO,
            residue: Mass::ZERO,
            contents: Mass::ZERO,
            step,
        };
        match self.way(step) {
            VesselWay::Bowl => match self.bowl_at_hand() {
                Some(bowl) => return Vessel { step, ..bowl },
                None => vessel.empty = fresh(&mut self.rng, 60, 160),
            },
            // Jars of one kind: they differ by a few grams.
            VesselWay::Jar => vessel.empty = fresh(&mut self.rng, 46, 50),
            VesselWay::Beaker => {
                let again = self
                    .fault(Fault::SameVessel)
                    .then_some(self.last_beaker)
                    .flatten();
                vessel.empty = again.unwrap_or_else(|| fresh(&mut self.rng, 25, 120));
                if self.fault(Fault::Residue) {
                    vessel.residue = vessel.empty.ratio(self.rng.i64(2..40), 1000);
                }
            }
            VesselWay::Difference => {
                vessel.empty = fresh(&mut self.rng, 30, 100);
                vessel.contents = self.target.ratio(self.rng.i64(150..300), 100)
                    + capacity.ratio(self.rng.i64(5..50), 1000);
            }
        }
        vessel
    }
}
