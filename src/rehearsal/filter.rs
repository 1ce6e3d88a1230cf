//! The way from the load on the pan to the number: the filter of the scale, and creep.

use std::collections::VecDeque;

use super::scale::SimScaleSpec;

/// How the scale smooths its weight. Common practice without a source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Filter {
    /// One or two first-order stages.
    Lag,
    /// The mean of the last seconds.
    Average { seconds: f64 },
    /// A lag that grows to `slow` seconds once the load is within `band` steps of the number.
    TwoSpeed { slow: f64, band: f64 },
}

/// A weight that goes on growing a little after loading, and is late to go back.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Creep {
    /// Share of the load.
    pub share: f64,
    /// Time constant in seconds.
    pub tau: f64,
}

impl Creep {
    pub const NONE: Creep = Creep {
        share: 0.0,
        tau: 60.0,
    };
}

/// The state of filter and creep, in grams.
#[derive(Debug, Clone, Default)]
pub(super) struct Lag {
    first: f64,
    second: f64,
    crept: f64,
    /// Seconds and grams, for a moving average.
    past: VecDeque<(f64, f64)>,
    span: f64,
    sum: f64,
}

impl Lag {
    /// Lets `dt` seconds pass under `load`; the weight behind the filter.
    pub(super) fn flow(&mut self, spec: &SimScaleSpec, d: f64, load: f64, dt: f64) -> f64 {
        match spec.filter {
            Filter::Lag => self.two_stages(spec.tau, spec.two_stages, load, dt),
            Filter::Average { seconds } => self.average(seconds, load, dt),
            Filter::TwoSpeed { slow, band } => {
                let near = (load - self.second).abs() <= band * d;
                let tau = if near { slow } else { spec.tau };
                self.two_stages(tau, false, load, dt);
            }
        }
        if spec.creep.share == 0.0 {
            return self.second;
        }
        let wanted = spec.creep.share * load;
        self.crept += (wanted - self.crept) * (1.0 - (-dt / spec.creep.tau).exp());
        self.second + self.crept
    }

    fn two_stages(&mut self, tau: f64, two: bool, load: f64, dt: f64) {
        let share = if tau > 0.0 {
            1.0 - (-dt / tau).exp()
        } else {
            1.0
        };
        self.first += (load - self.first) * share;
        if two {
            self.second += (self.first - self.second) * share;
        } else {
            self.second = self.first;
        }
    }

    fn average(&mut self, seconds: f64, load: f64, dt: f64) {
        if self.past.is_empty() {
            // It has been on for longer than that.
            self.past.push_back((seconds, self.second));
            (self.span, self.sum) = (seconds, seconds * self.second);
        }
        self.past.push_back((dt, load));
        self.span += dt;
        self.sum += dt * load;
        while self.span > seconds
            && let Some(oldest) = self.past.front_mut()
        {
            let gone = oldest.0.min(self.span - seconds);
            oldest.0 -= gone;
            self.span -= gone;
            self.sum -= gone * oldest.1;
            if oldest.0 > 1e-9 {
                break;
            }
            self.past.pop_front();
        }
        // A running sum would gather rounding errors over hours.
        if self.past.len() == 1 {
            (self.span, self.sum) = (dt, dt * load);
        }
        self.second = if self.span > 0.0 {
            self.sum / self.span
        } else {
            load
        };
        self.first = self.second;
    }
}
