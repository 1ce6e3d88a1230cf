//! Rules: the times and factors of the engine.

/// The engine's times and factors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rules {
    /// Seconds over which all readings must lie within 1 d.
    pub steady_window: f64,
    /// Seconds steady and inside the window before a weight is captured.
    pub dwell: f64,
    /// Seconds a hand needs to stop after a cue.
    pub reaction: f64,
    /// Coverage factor of the guard band (JCGM 106, 8.3.2.3).
    pub guard: f64,
    /// Seconds without a line after which the scale counts as silent.
    pub stale: f64,
    /// Two presses on the pan mean `next` or `keep`.
    pub presses: bool,
    /// Early cue on.
    pub early_cue: bool,
}

impl Default for Rules {
    fn default() -> Self {
        Rules {
            steady_window: 1.0,
            dwell: 0.5,
            reaction: 0.35,
            guard: 2.0,
            stale: 3.0,
            presses: true,
            early_cue: true,
        }
    }
}
