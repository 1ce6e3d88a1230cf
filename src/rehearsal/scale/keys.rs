//! Operation of the scale: its keys, its switch, and the commands down its line.

use super::{BOOT_US, INITIAL_ZERO, Key, SimScale, ZERO_RANGE};
use crate::rehearsal::lines::LineShape;
use crate::time::Moment;

impl SimScale {
    /// A key is pressed now. A scale that is off hears none.
    pub fn press(&mut self, key: Key) {
        self.moved_at = self.now;
        if !self.on || self.now < self.boot_until {
            return;
        }
        match key {
            Key::Tare if self.spec.tare_needs_steady && !self.steady => {
                let wait = (self.spec.tare_wait.clamp(0.0, 60.0) * 1e6) as u64;
                self.tare_pending = Some(self.now + wait);
            }
            Key::Tare => self.take_tare(),
            Key::Zero => self.set_zero(),
            Key::Unit => self.unit = (self.unit + 1) % self.spec.units.len().max(1),
        }
    }

    pub(super) fn pending_tare(&mut self) {
        if let Some(until) = self.tare_pending {
            if self.steady {
                self.tare_pending = None;
                self.take_tare();
            } else if self.now > until {
                self.tare_pending = None;
            }
        }
    }

    /// The weight as it stands, unrounded. On an empty pan the key clears the tare instead.
    fn take_tare(&mut self) {
        let gross = self.gross();
        self.locked = None;
        if gross < 0.5 * self.d {
            self.set_zero();
        } else if gross <= self.capacity {
            self.tare = Some(gross);
        }
    }

    fn set_zero(&mut self) {
        let gross = self.gross();
        if gross.abs() <= ZERO_RANGE * self.capacity {
            self.locked = None;
            self.zero += gross;
            self.tare = None;
        }
    }

    /// Switches the scale on or off. Switched on, it takes the load as its zero (if that is no more
    /// than a fifth of its capacity) and has forgotten its tare.
    pub fn power(&mut self, on: bool) {
        if on && !self.on {
            self.boot_until = self.now + BOOT_US;
            self.moved_at = self.now;
            self.tare = None;
            self.tare_pending = None;
            self.locked = None;
            self.zero = 0.0;
            if self.gross().abs() <= INITIAL_ZERO * self.capacity {
                self.zero = self.gross();
            }
        }
        self.on = on;
    }

    /// Bytes sent to the scale: `S` asks for a steady weight, `SI` for one at once, `T` and `Z` are
    /// its keys; anything else is answered with a line at once. Commands end with CR, LF or both.
    pub fn receive(&mut self, bytes: &[u8], out: &mut Vec<(Moment, Vec<u8>)>) {
        for &byte in bytes {
            if byte != b'\r' && byte != b'\n' {
                if self.typed.len() < 32 {
                    self.typed.push(byte);
                }
                continue;
            }
            let command = std::mem::take(&mut self.typed);
            if command.is_empty() || !self.on || self.now < self.boot_until {
                continue;
            }
            match command.as_slice() {
                b"S" => self.asked = Some(self.now + 2_000_000),
                b"T" => self.press(Key::Tare),
                b"Z" => self.press(Key::Zero),
                _ => out.push((Moment(self.now), self.spec.shape.line(self.display()))),
            }
        }
    }

    pub(super) fn answer_when_steady(&mut self, out: &mut Vec<(Moment, Vec<u8>)>) {
        let Some(until) = self.asked else { return };
        if self.steady {
            self.asked = None;
            out.push((Moment(self.now), self.spec.shape.line(self.display())));
        } else if self.now > until {
            self.asked = None;
            if self.spec.shape == LineShape::ReplyCode {
                out.push((Moment(self.now), b"S I\r\n".to_vec()));
            }
        }
    }
}
