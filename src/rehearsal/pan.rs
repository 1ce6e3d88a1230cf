//! The pan of a simulated scale: the vessel on it and the forces that are no weight.

use crate::mass::Mass;
use crate::time::Moment;

/// A vessel, or a source that is weighed before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct Vessel {
    /// Clean and empty.
    pub empty: Mass,
    /// What clings to it from before.
    pub residue: Mass,
    pub contents: Mass,
    /// The step it serves, from 1.
    pub step: usize,
}

impl Vessel {
    pub fn mass(&self) -> Mass {
        self.empty + self.residue + self.contents
    }
}

/// A force that is no weight, in grams; `from` is when it begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Push {
    /// The bench is hit: a damped swing both ways.
    Bump {
        from: u64,
        grams: f64,
        hertz: f64,
        decay: f64,
    },
    /// Moving air: slow and low, for a while.
    Draught {
        from: u64,
        until: u64,
        grams: f64,
        phase: f64,
    },
    /// A finger or a hand on the pan: half a sine for a press, flat for a rest.
    Press {
        from: u64,
        until: u64,
        grams: f64,
    },
    Rest {
        from: u64,
        until: u64,
        grams: f64,
    },
    /// The number wanders at an even pace and stays where it came to: a zero that drifts.
    Slide {
        from: u64,
        until: u64,
        grams_a_second: f64,
    },
    /// A vessel set down: rings around its weight.
    Impact {
        from: u64,
        grams: f64,
        decay: f64,
    },
}

impl Push {
    /// Grams at `at`; `None` when it is over.
    fn force(self, at: u64) -> Option<f64> {
        let (from, until) = self.span();
        if let Push::Slide { grams_a_second, .. } = self {
            let passed = at.clamp(from, until) - from;
            return Some(grams_a_second * passed as f64 / 1e6);
        }
        if at < from {
            return Some(0.0);
        }
        if at >= until {
            return None;
        }
        let t = (at - from) as f64 / 1e6;
        Some(match self {
            Push::Bump {
                grams,
                hertz,
                decay,
                ..
            } => grams * (-t / decay).exp() * (std::f64::consts::TAU * hertz * t).sin(),
            Push::Draught { grams, phase, .. } => {
                grams * ((1.1 * t + phase).sin() + 0.6 * (2.9 * t + 2.0 * phase).sin())
            }
            Push::Press { grams, .. } => {
                let part = (at - from) as f64 / (until - from).max(1) as f64;
                grams * (std::f64::consts::PI * part).sin()
            }
            Push::Slide { .. } => 0.0,
            Push::Rest { grams, .. } => grams * (1.0 + 0.15 * (9.0 * t).sin()),
            Push::Impact { grams, decay, .. } => {
                grams * (-t / decay).exp() * (std::f64::consts::TAU * 6.0 * t).cos()
            }
        })
    }

    fn span(self) -> (u64, u64) {
        let ringing = |from: u64, decay: f64| (from, from.saturating_add((decay * 12e6) as u64));
        match self {
            Push::Bump { from, decay, .. } | Push::Impact { from, decay, .. } => {
                ringing(from, decay)
            }
            Push::Draught { from, until, .. }
            | Push::Press { from, until, .. }
            | Push::Slide { from, until, .. }
            | Push::Rest { from, until, .. } => (from, until),
        }
    }
}

/// See the module's text.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Pan {
    pub vessel: Option<Vessel>,
    /// How much of the vessel the pan carries, 0 (held in the hand) to 1.
    pub support: f64,
    /// What lies on the pan beside the vessel.
    pub beside: Mass,
    pushes: Vec<Push>,
}

impl Pan {
    pub fn push(&mut self, push: Push) {
        self.pushes.push(push);
    }

    /// From now on nothing moves the air and no hand rests here; what rings rings out, and a zero that
    /// drifted stays where it came to.
    pub fn calm(&mut self, now: Moment) {
        for push in &mut self.pushes {
            match push {
                Push::Draught { from, until, .. }
                | Push::Press { from, until, .. }
                | Push::Rest { from, until, .. }
                | Push::Slide { from, until, .. } => *until = now.0.min(*until).max(*from),
                Push::Bump { .. } | Push::Impact { .. } => {}
            }
        }
    }

    /// The true mass that stands on the pan, without what lies beside it.
    pub fn mass(&self) -> Mass {
        self.vessel.as_ref().map_or(Mass::ZERO, Vessel::mass)
    }

    /// Whether no force acts that is no weight.
    pub fn is_free(&self) -> bool {
        self.pushes.is_empty()
    }

    /// Grams the scale feels at `at`, forces included.
    pub fn load(&mut self, at: Moment) -> f64 {
        let mut grams = self.mass().to_g_f64() * self.support;
        if self.beside != Mass::ZERO {
            grams += self.beside.to_g_f64();
        }
        self.pushes.retain(|push| match push.force(at.0) {
            Some(force) => {
                grams += force;
                true
            }
            None => false,
        });
        grams
    }
}
