//! The room: the scale on its bench, every vessel in it, and what really lies in each.

use std::collections::BTreeMap;

use crate::formula::VesselWay;
use crate::mass::Mass;
use crate::rehearsal::pan::{Push, Vessel};
use crate::rehearsal::scale::SimScaleSpec;
use crate::rehearsal::table::Table;
use crate::time::Moment;

/// What a spill on the pan is called.
pub const SPILT: &str = "spilt";

/// Index of a vessel in [`Room::wares`].
pub type WareId = usize;

/// A vessel, or a source that is weighed before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct Ware {
    /// For the print-out of a case.
    pub name: String,
    pub way: VesselWay,
    /// Clean and empty.
    pub glass: Mass,
    /// What is in it and belongs to no step: residue, leftovers, a source's stock.
    pub foreign: Mass,
    /// What is in it, by step.
    pub contents: Vec<(usize, Mass)>,
    /// The step that it was last taken for.
    pub step: usize,
}

impl Ware {
    pub fn new(name: impl Into<String>, way: VesselWay, glass: Mass) -> Ware {
        Ware {
            name: name.into(),
            way,
            glass,
            foreign: Mass::ZERO,
            contents: Vec::new(),
            step: 0,
        }
    }

    pub fn mass(&self) -> Mass {
        let contents: Mass = self.contents.iter().map(|&(_, mass)| mass).sum();
        self.glass + self.foreign + contents
    }

    /// What of this step is in it.
    pub fn of(&self, step: usize) -> Mass {
        let mine = self.contents.iter().find(|&&(of, _)| of == step);
        mine.map_or(Mass::ZERO, |&(_, mass)| mass)
    }

    /// Whether nothing was put into it since it was taken clean.
    pub fn is_unused(&self) -> bool {
        self.contents.iter().all(|&(_, mass)| mass == Mass::ZERO)
    }

    pub fn change(&mut self, step: usize, by: Mass) {
        match self.contents.iter_mut().find(|(of, _)| *of == step) {
            Some((_, mass)) => *mass += by,
            None => self.contents.push((step, by)),
        }
    }
}

/// The truth about one step.
#[derive(Debug, Clone, PartialEq)]
pub struct Track {
    pub step: usize,
    pub way: VesselWay,
    /// The vessel in service: the last one on the pan that was taken for this step, or into which
    /// something of it went.
    pub ware: Option<WareId>,
    /// When the vessel in service left the pan with something of the step in it (a source: after
    /// something was given), each time.
    pub lifts: Vec<Moment>,
    /// When something of the step last landed.
    pub poured_at: Option<Moment>,
    /// What was in bowl or receiver of this step each time the vessel was set down, and when: what a
    /// weighing that begins there cannot know of.
    pub carried: Vec<(Moment, Mass)>,
    history: Vec<(Moment, Mass)>,
    given: Mass,
}

impl Track {
    fn new(step: usize, way: VesselWay) -> Track {
        Track {
            step,
            way,
            ware: None,
            lifts: Vec::new(),
            poured_at: None,
            carried: Vec::new(),
            history: Vec::new(),
            given: Mass::ZERO,
        }
    }

    /// What was in the vessel in service at `at`.
    pub fn net_at(&self, at: Moment) -> Mass {
        let after = self.history.partition_point(|&(when, _)| when <= at);
        after
            .checked_sub(1)
            .and_then(|index| self.history.get(index))
            .map_or(Mass::ZERO, |&(_, net)| net)
    }

    pub fn net(&self) -> Mass {
        self.history.last().map_or(Mass::ZERO, |&(_, net)| net)
    }

    /// Least and greatest content in service between two moments.
    pub fn range(&self, from: Moment, to: Moment) -> (Mass, Mass) {
        let first = self.net_at(from);
        let within = self.history.iter();
        let within = within.filter(|&&(at, _)| at > from && at <= to);
        within.fold((first, first), |(low, high), &(_, net)| {
            (low.min(net), high.max(net))
        })
    }

    pub fn carry(&mut self, at: Moment) {
        self.carried.push((at, self.net()));
    }

    fn note(&mut self, at: Moment, net: Mass) {
        if self.net() == net {
            return;
        }
        match self.history.last_mut() {
            Some((when, last)) if *when == at => *last = net,
            Some(_) | None => self.history.push((at, net)),
        }
    }
}

/// See the module's text.
#[derive(Debug, Clone)]
pub struct Room {
    pub table: Table,
    pub wares: Vec<Ware>,
    pub tracks: BTreeMap<usize, Track>,
    /// The vessel on the pan.
    pub standing: Option<WareId>,
    /// What lies on the pan beside it.
    pub beside: Vec<(String, Mass)>,
    /// A lid on a vessel.
    pub lid: Option<(WareId, Mass)>,
    /// Whether a thing that lay there was taken away since a vessel was last set down.
    pub gone: bool,
    /// Share of the content that dries up in a second.
    pub drying: f64,
    dried: f64,
}

impl Room {
    pub fn new(scale: SimScaleSpec, seed: u64) -> Room {
        Room {
            table: Table::new(vec![scale], seed),
            wares: Vec::new(),
            tracks: BTreeMap::new(),
            standing: None,
            beside: Vec::new(),
            lid: None,
            gone: false,
            drying: 0.0,
            dried: 0.0,
        }
    }

    pub fn add(&mut self, ware: Ware) -> WareId {
        self.wares.push(ware);
        self.wares.len() - 1
    }

    pub fn ware(&self, id: WareId) -> Option<&Ware> {
        self.wares.get(id)
    }

    /// Whether a lid is on the vessel on the pan.
    pub fn is_lidded(&self) -> bool {
        self.lid.is_some_and(|(id, _)| self.standing == Some(id))
    }

    pub fn d(&self) -> f64 {
        let place = self.table.places.first();
        place.map_or(0.01, |place| place.scale.spec().d.to_g_f64())
    }

    pub fn push(&mut self, push: Push) {
        if let Some(pan) = self.table.pan(0) {
            pan.push(push);
        }
    }

    pub fn begin(&mut self, step: usize, way: VesselWay) {
        self.tracks
            .entry(step)
            .or_insert_with(|| Track::new(step, way));
    }

    /// Brings what the scale feels and what is known of the truth up to date.
    pub fn settle(&mut self, now: Moment) {
        let standing = self.standing.and_then(|id| self.wares.get(id));
        let lid = self.lid.filter(|&(id, _)| self.standing == Some(id));
        let lid = lid.map_or(Mass::ZERO, |(_, mass)| mass);
        if let Some(pan) = self.table.pan(0) {
            pan.beside = self.beside.iter().map(|&(_, mass)| mass).sum();
            match (&mut pan.vessel, standing) {
                (Some(vessel), Some(ware)) => vessel.empty = ware.mass() + lid,
                (Some(_), None) => pan.vessel = None,
                (None, Some(ware)) => {
                    pan.vessel = Some(Vessel {
                        empty: ware.mass() + lid,
                        residue: Mass::ZERO,
                        contents: Mass::ZERO,
                        step: ware.step,
                    });
                }
                (None, None) => {}
            }
        }
        if let (Some(id), Some(ware)) = (self.standing, standing)
            && let Some(track) = self.tracks.get_mut(&ware.step)
        {
            track.ware = Some(id);
        }
        for track in self.tracks.values_mut() {
            let held = track.ware.and_then(|id| self.wares.get(id));
            let net = match track.way {
                VesselWay::Difference => track.given,
                VesselWay::Beaker | VesselWay::Bowl | VesselWay::Jar => {
                    held.map_or(Mass::ZERO, |ware| ware.of(track.step))
                }
            };
            track.note(now, net);
        }
    }

    pub fn support(&mut self, share: f64) {
        if let Some(pan) = self.table.pan(0) {
            pan.support = share;
        }
    }

    pub fn set_down(&mut self, ware: WareId, now: Moment) {
        self.standing = Some(ware);
        let fresh = |ware: &Ware| ware.is_unused() && ware.foreign == Mass::ZERO;
        self.gone &= !self.wares.get(ware).is_some_and(fresh);
        self.support(0.0);
        self.settle(now);
    }

    /// The vessel begins to leave the pan.
    pub fn begin_lift(&mut self, now: Moment) {
        let Some(ware) = self.standing else { return };
        for track in self.tracks.values_mut() {
            let apart = track.way != VesselWay::Bowl;
            if track.ware == Some(ware) && apart && track.net() != Mass::ZERO {
                track.lifts.push(now);
            }
        }
    }

    pub fn end_lift(&mut self, now: Moment) -> Option<WareId> {
        let ware = self.standing.take();
        self.settle(now);
        ware
    }

    /// Whether more than what was spilt lies on the pan: that is no thing to lift.
    pub fn things_lie_there(&self) -> bool {
        self.beside.iter().any(|(what, _)| what != SPILT)
    }

    /// Something of `step` lands in the vessel on the pan, or beside it where none stands.
    pub fn land(&mut self, step: usize, grams: Mass, now: Moment) {
        if grams == Mass::ZERO {
            return;
        }
        let Some(id) = self.standing else {
            self.beside.push((SPILT.to_owned(), grams));
            self.settle(now);
            return;
        };
        self.put_into(id, step, grams, now);
    }

    /// Something of `step` goes into (or out of) a vessel, wherever that is.
    pub fn put_into(&mut self, id: WareId, step: usize, grams: Mass, now: Moment) {
        if let Some(ware) = self.wares.get_mut(id) {
            ware.change(step, grams);
        }
        if let Some(track) = self.tracks.get_mut(&step) {
            track.ware = Some(id);
            track.poured_at = Some(now);
        }
        self.settle(now);
    }

    /// Takes `grams` out of a vessel, of the newest step in it first; what was really taken.
    pub fn take_out(&mut self, id: WareId, grams: Mass, now: Moment) -> Mass {
        let mut left = grams;
        if let Some(ware) = self.wares.get_mut(id) {
            for (_, mass) in ware.contents.iter_mut().rev() {
                let taken = left.min(*mass).max(Mass::ZERO);
                *mass -= taken;
                left -= taken;
            }
            let taken = left.min(ware.foreign).max(Mass::ZERO);
            ware.foreign -= taken;
            left -= taken;
        }
        self.settle(now);
        grams - left
    }

    /// What was given of a step is thrown away.
    pub fn throw_away(&mut self, id: Option<WareId>, step: usize, now: Moment) {
        if let Some(ware) = id.and_then(|id| self.wares.get_mut(id)) {
            let of = ware.of(step);
            ware.change(step, -of);
            if ware.way == VesselWay::Bowl && ware.is_unused() {
                // Emptied, it is clean.
                ware.foreign = Mass::ZERO;
            }
        }
        if let Some(track) = self.tracks.get_mut(&step) {
            track.given = Mass::ZERO;
        }
        self.settle(now);
    }

    /// Gives out of a source.
    pub fn give(&mut self, id: WareId, step: usize, grams: Mass, now: Moment) {
        let Some(ware) = self.wares.get_mut(id) else {
            return;
        };
        let grams = grams.min(ware.foreign);
        ware.foreign -= grams;
        if let Some(track) = self.tracks.get_mut(&step) {
            track.given += grams;
            track.poured_at = Some(now);
        }
        self.settle(now);
    }

    /// What dries up in `dt` microseconds.
    pub fn dry(&mut self, dt: u64, now: Moment) {
        if self.drying == 0.0 {
            return;
        }
        let Some(id) = self.standing else { return };
        let content = self.wares.get(id).and_then(|ware| ware.contents.last());
        let Some(&(step, content)) = content else {
            return;
        };
        self.dried += self.drying * content.to_g_f64() * dt as f64 / 1e6;
        if self.dried > 1e-5 {
            let gone = Mass::from_g_f64(self.dried).unwrap_or(Mass::ZERO);
            self.dried -= gone.to_g_f64();
            if let Some(ware) = self.wares.get_mut(id) {
                ware.change(step, -gone);
            }
            self.settle(now);
        }
    }
}
