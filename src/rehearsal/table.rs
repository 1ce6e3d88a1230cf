//! The bench itself: scales, their pans, cables and switches, and the truth.

use std::collections::{BTreeMap, VecDeque};

use super::pan::Pan;
use super::scale::{Key, SimScale, SimScaleSpec};
use super::stage::StageOutput;
use super::truth::Truth;
use crate::mass::Mass;
use crate::time::Moment;
use crate::vocabulary::command::Command;

/// One scale with what belongs to it.
#[derive(Debug, Clone)]
pub struct Place {
    pub scale: SimScale,
    pub pan: Pan,
    /// When the cable goes in again.
    cable_back: Option<u64>,
    /// When the scale is switched on again.
    power_back: Option<u64>,
    /// The first line after the cable went in begins in its middle.
    cut_next: bool,
    /// Chance of each line to be lost, and to have a digit changed.
    pub drops: f64,
    pub garbles: f64,
}

/// See the module's text.
#[derive(Debug, Clone)]
pub struct Table {
    pub places: Vec<Place>,
    pub truths: BTreeMap<usize, Truth>,
    pub out: VecDeque<StageOutput>,
    rng: fastrand::Rng,
    lines: Vec<(Moment, Vec<u8>)>,
    /// Lines of one tick, to be put in order of time over all scales.
    sorted: Vec<(Moment, usize, Vec<u8>)>,
}

impl Table {
    pub fn new(scales: Vec<SimScaleSpec>, seed: u64) -> Table {
        Table {
            places: scales
                .into_iter()
                .map(|spec| Place {
                    scale: SimScale::new(spec),
                    pan: Pan::default(),
                    cable_back: None,
                    power_back: None,
                    cut_next: false,
                    drops: 0.0,
                    garbles: 0.0,
                })
                .collect(),
            truths: BTreeMap::new(),
            out: VecDeque::new(),
            rng: fastrand::Rng::with_seed(seed),
            lines: Vec::new(),
            sorted: Vec::new(),
        }
    }

    pub fn pan(&mut self, index: usize) -> Option<&mut Pan> {
        self.places.get_mut(index).map(|place| &mut place.pan)
    }

    pub fn press(&mut self, index: usize, key: Key) {
        if let Some(place) = self.places.get_mut(index) {
            place.scale.press(key);
        }
    }

    pub fn say(&mut self, at: Moment, command: Command) {
        self.out.push_back(StageOutput::Command { at, command });
    }

    pub fn tell(&mut self, at: Moment, text: String) {
        self.out.push_back(StageOutput::Hands { at, text });
    }

    pub fn change(&mut self, step: usize, at: Moment, by: Mass) {
        if let Some(truth) = self.truths.get_mut(&step) {
            truth.change(at, by);
        }
    }

    /// Pulls the cable until `back`. The line that was on its way is cut.
    pub fn unplug(&mut self, scale: usize, at: Moment, back: u64) {
        let Some(place) = self.places.get_mut(scale) else {
            return;
        };
        if place.cable_back.is_some() {
            return;
        }
        place.cable_back = Some(back);
        if place.scale.is_on() {
            let mut bytes = place.scale.spec().shape.line(place.scale.display());
            bytes.truncate(self.rng.usize(0..bytes.len().max(1)));
            self.out.push_back(StageOutput::Bytes { at, scale, bytes });
        }
        self.out.push_back(StageOutput::Lost { at, scale });
    }

    /// Switches the scale off until `back`.
    pub fn switch_off(&mut self, scale: usize, back: u64) {
        if let Some(place) = self.places.get_mut(scale) {
            place.scale.power(false);
            place.power_back = Some(back);
        }
    }

    /// Bytes that came down the line to the scale.
    pub fn receive(&mut self, scale: usize, bytes: &[u8]) {
        let Some(place) = self.places.get_mut(scale) else {
            return;
        };
        if place.cable_back.is_none() {
            place.scale.receive(bytes, &mut self.lines);
            for (at, bytes) in self.lines.drain(..) {
                self.out.push_back(StageOutput::Bytes { at, scale, bytes });
            }
        }
    }

    /// Lets time pass from `from` to `to` with the pans as they stand.
    pub fn tick(&mut self, from: Moment, to: Moment) {
        self.sorted.clear();
        for (index, place) in self.places.iter_mut().enumerate() {
            if place.cable_back.is_some_and(|back| back <= from.0) {
                place.cable_back = None;
                place.cut_next = true;
                self.out.push_back(StageOutput::Back {
                    at: from,
                    scale: index,
                });
            }
            if place.power_back.is_some_and(|back| back <= from.0) {
                place.power_back = None;
                place.scale.power(true);
            } else if !place.scale.is_on() && place.power_back.is_none() {
                // It went off by itself; somebody sees the dark display and presses ON.
                place.power_back = Some(from.0 + self.rng.u64(1_500_000..4_000_000));
            }
            let load = place.pan.load(to);
            place.scale.set_load(load);
            place.scale.advance(to, &mut self.lines);
            for (at, mut bytes) in self.lines.drain(..) {
                if place.cable_back.is_some() {
                    continue;
                }
                if place.drops > 0.0 && self.rng.f64() < place.drops {
                    continue;
                }
                if place.garbles > 0.0 && self.rng.f64() < place.garbles {
                    garble(&mut bytes, &mut self.rng);
                }
                if std::mem::take(&mut place.cut_next) {
                    bytes.drain(..self.rng.usize(0..bytes.len().max(1)));
                }
                self.sorted.push((at, index, bytes));
            }
        }
        self.sorted.sort_by_key(|&(at, index, _)| (at, index));
        for (at, scale, bytes) in self.sorted.drain(..) {
            self.out.push_back(StageOutput::Bytes { at, scale, bytes });
        }
    }
}

/// Another digit, or another character, in one place of a line.
fn garble(bytes: &mut [u8], rng: &mut fastrand::Rng) {
    let digits: Vec<usize> = (0..bytes.len())
        .filter(|&i| bytes.get(i).is_some_and(u8::is_ascii_digit))
        .collect();
    let place = match rng.choice(digits) {
        Some(place) if rng.f64() < 0.7 => place,
        Some(_) | None => rng.usize(0..bytes.len().max(1)),
    };
    if let Some(byte) = bytes.get_mut(place) {
        *byte = if byte.is_ascii_digit() {
            b'0' + rng.u8(0..10)
        } else {
            rng.u8(0x20..0x7f)
        };
    }
}
