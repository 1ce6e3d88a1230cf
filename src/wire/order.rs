//! The order of a bench to its person, and whether it waits for one: kept of the events of the loop, as the page at the
//! bench keeps it.

use std::time::{Duration, Instant};

use super::message::Told;
use crate::protocol::event::{self, Event};
use crate::vocabulary::code::FaultCode;
use crate::vocabulary::cue::CueKind;

/// Where nothing happens for so long in a batch, nobody is at the bench.
const STALLS: Duration = Duration::from_secs(120);

/// See the module's text.
#[derive(Debug, Default)]
pub struct Order {
    cue: Option<Cue>,
    /// It hides the cue and does not end it.
    fault: Option<Cue>,
    /// What was told last of a fault, and is not over.
    trouble: Option<(Option<String>, FaultCode)>,
    /// When something happened last.
    moved: Option<Instant>,
}

#[derive(Debug)]
struct Cue {
    of: event::Cue<'static>,
    /// What the fault is that it tells of.
    from: Option<(Option<String>, FaultCode)>,
    /// Since when an answer is asked for.
    asks_since: Option<Instant>,
}

impl Order {
    /// Hears an event of the loop; whether it was a cue.
    pub fn hear(&mut self, line: &[u8], now: Instant) -> bool {
        let Ok(told) = event::Told::read(line) else {
            return false;
        };
        self.moved = Some(now);
        match told.event {
            Event::Cue(cue) => {
                self.cue(cue, now);
                return true;
            }
            Event::Fault(fault) => {
                let of = (fault.scale.map(|name| name.into_owned()), fault.code);
                if fault.over {
                    let is_it = |cue: &Cue| cue.from.as_ref().is_some_and(|from| ends(&of, from));
                    self.fault.take_if(|cue| is_it(cue));
                    self.trouble = None;
                } else {
                    self.trouble = Some(of);
                }
            }
            Event::Closed { .. } => (self.cue, self.fault) = (None, None),
            Event::Reading(_)
            | Event::Recorded(_)
            | Event::Step(_)
            | Event::Tare(_)
            | Event::Other => {}
        }
        false
    }

    fn cue(&mut self, of: event::Cue<'static>, now: Instant) {
        let is_fault = of.kind == CueKind::Fault;
        let from = self.trouble.clone().filter(|_| is_fault);
        // A mix waits for her too, and she is at it; a lot may be named while she pours.
        let asks = of.kind != CueKind::Mix && (of.urgent || !of.choices.is_empty());
        let place = match is_fault {
            true => &mut self.fault,
            false => &mut self.cue,
        };
        // What is asked again is asked since then: after a new connection the loop tells it anew.
        let same = |before: &&Cue| before.of.step == of.step && before.of.kind == of.kind;
        let before = place
            .as_ref()
            .filter(same)
            .and_then(|before| before.asks_since);
        *place = Some(Cue {
            of,
            from,
            asks_since: asks.then(|| before.unwrap_or(now)),
        });
        if !is_fault {
            self.fault = None;
        }
    }

    fn stands(&self) -> Option<&Cue> {
        self.fault.as_ref().or(self.cue.as_ref())
    }

    /// What the person is told.
    pub fn told(&self) -> Option<Told> {
        let event::Cue {
            kind,
            say,
            urgent,
            lead,
            ..
        } = &self.stands()?.of;
        Some(Told {
            kind: *kind,
            say: say.clone().into_owned(),
            urgent: *urgent,
            lead: *lead,
        })
    }

    /// Whether a weight is poured now.
    pub fn is_pour(&self) -> bool {
        self.cue.as_ref().is_some_and(|cue| match cue.of.kind {
            CueKind::Add | CueKind::EaseOff | CueKind::Hold | CueKind::TakeOut => true,
            CueKind::Place
            | CueKind::Lift
            | CueKind::Mix
            | CueKind::Choose
            | CueKind::Fault
            | CueKind::Done => false,
        })
    }

    /// For how many seconds the bench has waited for a person, in a batch; `None` where it does not.
    pub fn waits(&self, now: Instant) -> Option<u64> {
        let asks = [&self.fault, &self.cue].into_iter().flatten();
        let asked = asks.filter_map(|cue| cue.asks_since).min();
        let mixes = self
            .cue
            .as_ref()
            .is_some_and(|cue| cue.of.kind == CueKind::Mix);
        let still = self
            .moved
            .filter(|moved| !mixes && now.saturating_duration_since(*moved) >= STALLS);
        let since = asked.into_iter().chain(still).min()?;
        Some(now.saturating_duration_since(since).as_secs())
    }
}

/// Whether what is over ends what was told: a line that speaks again was silent or lost.
fn ends(over: &(Option<String>, FaultCode), told: &(Option<String>, FaultCode)) -> bool {
    let down = |code: FaultCode| matches!(code, FaultCode::Silent | FaultCode::Lost);
    over.0 == told.0 && (over.1 == told.1 || down(over.1) && down(told.1))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cue(kind: &str, say: &str, more: &str) -> Vec<u8> {
        format!(
            "{{\"at\":1.0,\"event\":\"cue\",\"cue\":\"{kind}\",\"say\":\"{say}\",\"step\":1,\"missing\":null,{more}}}"
        )
        .into_bytes()
    }

    const PLAIN: &str = "\"choices\":[],\"urgent\":false";
    const ASKED: &str = "\"choices\":[\"next\"],\"urgent\":true";

    #[test]
    fn a_question_waits_since_it_was_asked_first_and_a_fault_hides_and_ends_nothing() {
        let (mut order, begun) = (Order::default(), Instant::now());
        let at = |seconds| begun + Duration::from_secs(seconds);
        assert!(order.hear(&cue("place", "Place it", PLAIN), at(0)));
        assert_eq!(order.waits(at(10)), None);
        order.hear(&cue("choose", "Which?", ASKED), at(10));
        order.hear(&cue("choose", "Which?", ASKED), at(40));
        assert_eq!(order.waits(at(50)), Some(40));
        let fault = |over| {
            format!(
                "{{\"at\":2.0,\"event\":\"fault\",\"scale\":\"bench\",\"code\":\"silent\",\"over\":{over}}}"
            )
        };
        order.hear(fault(false).as_bytes(), at(60));
        order.hear(
            &cue("fault", "Silent", "\"choices\":[],\"urgent\":true"),
            at(60),
        );
        assert_eq!(order.told().unwrap().say, "Silent");
        assert_eq!(order.waits(at(70)), Some(60));
        order.hear(fault(true).as_bytes(), at(80));
        assert_eq!(order.told().unwrap().say, "Which?");
        order.hear(&cue("add", "12 g to add", PLAIN), at(90));
        assert!(order.is_pour());
        assert_eq!(order.waits(at(100)), None);
        order.hear(
            b"{\"at\":3.0,\"event\":\"closed\",\"complete\":true}",
            at(110),
        );
        assert_eq!(order.told(), None);
    }

    #[test]
    fn a_bench_where_nothing_happens_waits_but_in_a_mixing() {
        let (mut order, begun) = (Order::default(), Instant::now());
        order.hear(&cue("place", "Place it", PLAIN), begun);
        assert_eq!(order.waits(begun + Duration::from_secs(119)), None);
        assert_eq!(order.waits(begun + Duration::from_secs(130)), Some(130));
        order.hear(
            &cue("mix", "Stir", "\"choices\":[\"next\"],\"urgent\":false"),
            begun,
        );
        assert_eq!(order.waits(begun + Duration::from_secs(900)), None);
        assert!(!order.hear(b"no event", begun));
    }
}
