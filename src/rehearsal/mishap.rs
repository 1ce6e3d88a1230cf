//! Mishaps while the hands work: during a pour, after it, and by the clock.

use super::acts::Act;
use super::habits::Fault;
use super::hands::Hands;
use super::pan::Push;
use super::scale::Key;
use super::table::Table;
use crate::time::Moment;

impl Hands {
    /// Faults that come while something is poured.
    pub(super) fn plan_during_pour(&mut self, now: Moment, scale: usize, seconds: f64) {
        for fault in [
            Fault::TareMidPour,
            Fault::Bump,
            Fault::Unplug,
            Fault::UnitSlip,
            Fault::PowerCycle,
        ] {
            // Half of those that can also come later.
            if (fault == Fault::TareMidPour || self.rng.bool()) && self.fault(fault) {
                let at = now.0 + self.secs(0.2, seconds.max(0.3));
                self.timed.push((at, scale, fault));
            }
        }
    }

    /// A pour is over and everything has landed.
    pub(super) fn poured(&mut self, step: usize, now: Moment, table: &mut Table) {
        self.poured_at = now.0;
        self.quiet_since = now.0;
        if let Some(truth) = table.truths.get_mut(&step)
            && truth.first_stop.is_none()
        {
            truth.first_stop = Some(truth.net());
        }
        self.fault(Fault::OverPour);
        let Some(standing) = self.standing(table) else {
            return;
        };
        for fault in [
            Fault::Bump,
            Fault::Draught,
            Fault::RestHand,
            Fault::UnitSlip,
            Fault::Unplug,
            Fault::PowerCycle,
        ] {
            if self.fault(fault) {
                let at = now.0 + self.secs(0.0, 2.0);
                self.timed.push((at, standing.scale, fault));
            }
        }
        if self.fault(Fault::EarlyLift) {
            let (before, held) = (self.secs(0.1, 1.2), self.secs(1.0, 3.0));
            let slow = self.rng.bool();
            self.queue.extend([
                Act::Wait(before),
                Act::Tell("lift the vessel too early"),
                Act::Lift {
                    scale: standing.scale,
                    slow,
                },
                Act::Wait(held),
                Act::Tell("put it back"),
                Act::Place(standing.scale, None),
            ]);
        }
    }

    /// Faults whose time has come; they need no free hand.
    pub(super) fn fire_timed(&mut self, now: Moment, table: &mut Table) {
        self.unit_back.retain(|&(at, scale)| {
            if at <= now.0 {
                table.press(scale, Key::Unit);
            }
            at > now.0
        });
        let mut index = 0;
        while let Some(&(at, scale, fault)) = self.timed.get(index) {
            if at > now.0 {
                index += 1;
                continue;
            }
            self.timed.remove(index);
            self.fire(now, scale, fault, table);
        }
    }

    fn fire(&mut self, now: Moment, scale: usize, fault: Fault, table: &mut Table) {
        let d = table
            .places
            .get(scale)
            .map_or(0.01, |place| place.scale.spec().d.to_g_f64());
        let rng = &mut self.rng;
        match fault {
            Fault::Bump => {
                table.tell(now, "bump the bench".to_string());
                let bump = Push::Bump {
                    from: now.0,
                    grams: d * (200.0 + 1500.0 * rng.f64()),
                    hertz: 2.0 + 4.0 * rng.f64(),
                    decay: 0.15 + 0.25 * rng.f64(),
                };
                self.push(scale, bump, table);
            }
            Fault::Draught => {
                table.tell(now, "a draught".to_string());
                let draught = Push::Draught {
                    from: now.0,
                    until: now.0 + rng.u64(2_000_000..6_000_000),
                    grams: d * (1.0 + 4.0 * rng.f64()),
                    phase: 6.0 * rng.f64(),
                };
                self.push(scale, draught, table);
            }
            Fault::RestHand => {
                table.tell(now, "rest a hand on the pan".to_string());
                // Now and then a whole arm: more than the scale can bear.
                let whole = if rng.f64() < 0.15 { 100_000.0 } else { 0.0 };
                let rest = Push::Rest {
                    from: now.0,
                    until: now.0 + rng.u64(500_000..2_500_000),
                    grams: d * (100.0 + 3000.0 * rng.f64() + whole),
                };
                self.push(scale, rest, table);
            }
            Fault::UnitSlip => {
                table.tell(now, "touch the UNIT key".to_string());
                table.press(scale, Key::Unit);
                let units = table
                    .places
                    .get(scale)
                    .map_or(1, |p| p.scale.spec().units.len());
                let seen = now.0 + rng.u64(2_000_000..5_000_000);
                for press in 1..units as u64 {
                    self.unit_back.push((seen + press * 300_000, scale));
                }
            }
            Fault::Unplug => {
                table.tell(now, "the cable comes out".to_string());
                table.unplug(scale, now, now.0 + rng.u64(1_000_000..5_000_000));
            }
            Fault::PowerCycle => {
                table.tell(now, "the scale goes off and on".to_string());
                table.switch_off(scale, now.0 + rng.u64(500_000..3_000_000));
            }
            Fault::TareMidPour => {
                table.tell(now, "press TARE while pouring".to_string());
                table.press(scale, Key::Tare);
            }
            Fault::TareKey
            | Fault::ForgetTare
            | Fault::KeyOnEmptyPan
            | Fault::OverPour
            | Fault::PourBeforeSteady
            | Fault::EarlyLift
            | Fault::AddAfterRecord
            | Fault::SwapVessel
            | Fault::SameVessel
            | Fault::Residue
            | Fault::Away => {}
        }
    }

    fn push(&mut self, scale: usize, push: Push, table: &mut Table) {
        if let Some(pan) = table.pan(scale) {
            pan.push(push);
        }
    }
}
