//! What is held against the rows of a case, and the tables of it.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use bismar::formula::VesselWay;
use bismar::mass::Mass;
use bismar::rehearsal::literal::{CaseSpec, End, Mishap, Outcome, Written};
use bismar::time::Moment;
use bismar::vocabulary::entry::{RowKind, Verdict};

use crate::bench_side::agreed;

/// What the cases of one kind came to.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    pub steps: usize,
    pub recorded: usize,
    pub within: usize,
    /// Last rows further than 2 U from the truth; of them those after a guess of the person.
    pub wrong: Vec<String>,
    pub wrong_guessed: usize,
    /// Right as a weighing, but bowl or receiver held something of the step from before it began anew.
    pub carried: Vec<String>,
    /// Wrong where no reading could tell: it went in while the scale still showed the landing.
    pub hidden: Vec<String>,
    /// Earlier rows further than 2 U from the truth of their moment.
    pub wrong_then: Vec<String>,
    pub doubled: Vec<String>,
    pub skipped: Vec<String>,
    pub worded: usize,
    /// Of those, steps into which (or out of whose source) more went than is surely in the window: that word is due.
    pub overdone: usize,
    pub words: u32,
    pub stuck: Vec<String>,
    pub silent: Vec<String>,
    pub refused: Vec<String>,
    pub waits: Vec<f64>,
    pub corrected: usize,
    pub worst: f64,
    /// Sentences that stood when it was stuck, silent or not understood.
    pub ends: BTreeMap<String, usize>,
    pub unclear: BTreeMap<String, usize>,
}

impl Tally {
    pub fn add(&mut self, other: &Tally) {
        self.steps += other.steps;
        self.recorded += other.recorded;
        self.within += other.within;
        self.wrong.extend(other.wrong.iter().cloned());
        self.wrong_guessed += other.wrong_guessed;
        self.carried.extend(other.carried.iter().cloned());
        self.hidden.extend(other.hidden.iter().cloned());
        self.wrong_then.extend(other.wrong_then.iter().cloned());
        self.doubled.extend(other.doubled.iter().cloned());
        self.skipped.extend(other.skipped.iter().cloned());
        self.worded += other.worded;
        self.overdone += other.overdone;
        self.words += other.words;
        self.stuck.extend(other.stuck.iter().cloned());
        self.silent.extend(other.silent.iter().cloned());
        self.refused.extend(other.refused.iter().cloned());
        self.waits.extend(&other.waits);
        self.corrected += other.corrected;
        self.worst = self.worst.max(other.worst);
        for (text, count) in &other.ends {
            *self.ends.entry(text.clone()).or_default() += count;
        }
        for (text, count) in &other.unclear {
            *self.unclear.entry(text.clone()).or_default() += count;
        }
    }

    pub fn head() -> String {
        "| what | steps | recorded | wrong | after a guess | carried | hidden | wrong then | within U | twice | \
         skipped | worded steps | words | stuck | silent | wait p50 s | p95 s | worst U | after too much |\n\
         | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | \
         ---: | ---: | ---: |"
            .to_owned()
    }

    pub fn line(&self, what: &str) -> String {
        format!(
            "| {what} | {} | {} | {} | {} | {} | {} | {} | {:.1} % | {} | {} | {} | {} | {} | {} | {} | {} | {:.1} | {} |",
            self.steps,
            self.recorded,
            self.wrong.len(),
            self.wrong_guessed,
            self.carried.len(),
            self.hidden.len(),
            self.wrong_then.len(),
            100.0 * self.within as f64 / self.recorded.max(1) as f64,
            self.doubled.len(),
            self.skipped.len(),
            self.worded,
            self.words,
            self.stuck.len(),
            self.silent.len(),
            self.wait(0.5),
            self.wait(0.95),
            self.worst,
            self.overdone,
        )
    }

    /// The columns of `tests/FAULTS.md`.
    pub fn short_head() -> &'static str {
        "| | steps | recorded | wrong | within U | stuck | silent | steps with a word | of them after too much | wait p50 s | p95 s |\n\
         | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |\n"
    }

    pub fn short_line(&self, what: &str) -> String {
        format!(
            "| {what} | {} | {} | {} | {:.1} % | {} | {} | {} | {} | {} | {} |\n",
            self.steps,
            self.recorded,
            self.wrong.len(),
            100.0 * self.within as f64 / self.recorded.max(1) as f64,
            self.stuck.len(),
            self.silent.len(),
            self.worded,
            self.overdone,
            self.wait(0.5),
            self.wait(0.95),
        )
    }

    /// Seconds from the last pour to the record, at this share of the steps.
    fn wait(&self, share: f64) -> String {
        let mut waits = self.waits.clone();
        waits.sort_by(f64::total_cmp);
        let index = (share * waits.len() as f64) as usize;
        let at = waits.get(index.min(waits.len().saturating_sub(1)));
        at.map_or("-".to_owned(), |wait| format!("{wait:.1}"))
    }

    /// At most `most` seeds of each kind of fault found.
    pub fn examples(&self, most: usize) -> String {
        let mut text = String::new();
        for (what, seeds) in [
            ("wrong", &self.wrong),
            ("carried", &self.carried),
            ("hidden", &self.hidden),
            ("wrong then", &self.wrong_then),
            ("twice", &self.doubled),
            ("skipped", &self.skipped),
            ("stuck", &self.stuck),
            ("silent", &self.silent),
            ("refused", &self.refused),
        ] {
            for seed in seeds.iter().take(most) {
                let _ = writeln!(text, "    {what}: {seed}");
            }
        }
        text
    }
}

/// A sentence without its numbers.
pub fn bare(sentence: &str) -> String {
    let mut text = String::new();
    let mut digits = false;
    for c in sentence.chars() {
        if c.is_ascii_digit() {
            if !digits {
                text.push('#');
            }
            digits = true;
        } else if c != '.' || !digits {
            digits = false;
            text.push(c);
        }
    }
    text
}

/// Judges one case under the name by which it can be run again.
pub fn judge(name: &str, spec: &CaseSpec, outcome: &Outcome) -> Tally {
    let mut tally = Tally::default();
    let rows = outcome.rows.iter().map(|row| (row.seq, row.draft.clone()));
    agreed::of_plan(name, &spec.plan, rows);
    let closed = outcome
        .rows
        .iter()
        .find(|row| row.draft.kind == RowKind::Closed);
    let stopped = closed.filter(|row| row.draft.note.starts_with("stopped"));
    let complete = closed.is_some() && stopped.is_none();
    for story in outcome.stories.values() {
        tally.steps += 1;
        tally.words += story.words;
        if let Some(waited) = story.waited {
            tally.waits.push(waited);
        }
        let rows: Vec<&Written> = outcome
            .rows
            .iter()
            .filter(|row| matches!(row.draft.kind, RowKind::Weighed | RowKind::Filled))
            .filter(|row| row.draft.step == story.step)
            .collect();
        let what = |row: &Written, truth: Mass, ratio: f64| {
            let mishaps: Vec<_> = outcome.done.iter().map(|(p, _)| p.mishap).collect();
            format!(
                "{name} step {} seq {}: {:?} recorded, truth {truth:?}, U {:?}, {ratio:.1} U, {:?}, {:?}, {:?} {}",
                story.step,
                row.seq,
                row.draft.net.unwrap_or_default(),
                row.draft.uncertainty.unwrap_or_default(),
                spec.plan.steps[story.step - 1].vessel,
                row.draft.verdict,
                mishaps,
                if outcome.guessed { "(guessed)" } else { "" },
            )
        };
        let corrects = |row: &&&Written| row.draft.note.starts_with("corrects");
        let firsts = rows.len() - rows.iter().filter(corrects).count();
        // A row without a net weight takes one back, and the step is weighed once more.
        let taken_back = rows.iter().filter(|row| row.draft.net.is_none()).count();
        if firsts > 1 + taken_back {
            tally.doubled.push(format!("{name} step {}", story.step));
        }
        // Filling may end before the last jar.
        if complete && rows.is_empty() && spec.plan.filling.is_none() {
            tally.skipped.push(format!("{name} step {}", story.step));
        }
        if story.words > 0 {
            tally.worded += 1;
            // What is nearer to the window's end than U cannot be proven to lie in it.
            let u = rows.iter().filter_map(|row| row.draft.uncertainty).max();
            let most = outcome
                .tracks
                .get(&story.step)
                .map(|track| track.range(Moment(0), outcome.now).1);
            let over = most.is_some_and(|most| {
                most + u.unwrap_or_default() > spec.plan.steps[story.step - 1].highest
            });
            tally.overdone += usize::from(over);
        }
        let Some(last) = rows.last() else { continue };
        tally.corrected += usize::from(rows.len() > 1);
        if last.draft.net.is_some() {
            tally.recorded += 1;
        }
        for row in &rows {
            let Some((truth, ratio)) = error(spec, outcome, row, row.seq == last.seq) else {
                continue;
            };
            let held = matches!(
                row.draft.verdict,
                Some(Verdict::Inside | Verdict::Kept) | None
            );
            let is_last = row.seq == last.seq;
            if is_last {
                tally.within += usize::from(ratio <= 1.0);
                tally.worst = tally.worst.max(ratio);
            }
            if ratio > 2.0 && held {
                match is_last {
                    true if carries(outcome, row, truth) => {
                        tally.carried.push(what(row, truth, ratio))
                    }
                    true if is_hidden(spec, outcome, row) => {
                        tally.hidden.push(what(row, truth, ratio))
                    }
                    true => {
                        tally.wrong.push(what(row, truth, ratio));
                        tally.wrong_guessed += usize::from(outcome.guessed);
                    }
                    false => tally.wrong_then.push(what(row, truth, ratio)),
                }
            }
        }
    }
    let mut ended = |sentence: &str| {
        *tally.ends.entry(bare(sentence)).or_default() += 1;
        format!("{name} step {}: {sentence}", outcome.ended_in)
    };
    match &outcome.end {
        End::Closed { .. } => {}
        End::Stuck(sentence) => {
            let text = ended(sentence);
            tally.stuck.push(text);
        }
        End::Silent(sentence) => {
            let text = ended(sentence);
            tally.silent.push(text);
        }
        End::TooLong => {
            let text = ended("more than an hour");
            tally.silent.push(text);
        }
        End::Refused(why) => tally.refused.push(format!("{name}: {why}")),
    }
    for sentence in &outcome.unclear {
        *tally.unclear.entry(bare(sentence)).or_default() += 1;
    }
    tally
}

/// The truth that a row is held to, and how far it is from it in U.
fn error(spec: &CaseSpec, outcome: &Outcome, row: &Written, last: bool) -> Option<(Mass, f64)> {
    let step = row.draft.step;
    let track = outcome.tracks.get(&step)?;
    let (net, u) = (row.draft.net?, row.draft.uncertainty?);
    let way = spec.plan.steps[step - 1].vessel;
    let stopped = outcome
        .rows
        .iter()
        .find(|row| row.draft.kind == RowKind::Closed);
    let end = stopped
        .filter(|row| row.draft.note.starts_with("stopped"))
        .map_or(outcome.now, |row| row.at);
    let dries = outcome
        .done
        .iter()
        .any(|(p, _)| p.mishap == Mishap::Evaporation);
    // The first lift after the row: what the maker does with the vessel after that is no weighing.
    let lift = track.lifts.iter().find(|&&lift| lift >= row.at);
    let lift = lift.copied().unwrap_or(end);
    let nearest = |low: Mass, high: Mass| net.max(low).min(high);
    let truth = match (last, way) {
        // Between the record and the lift it dries on; any moment of that is as good.
        (true, VesselWay::Beaker | VesselWay::Jar) if dries => {
            let (low, high) = track.range(row.at, lift);
            nearest(low, high)
        }
        (true, VesselWay::Bowl) if dries => {
            let (low, high) = track.range(row.at, outcome.now);
            nearest(low, high)
        }
        (true, VesselWay::Beaker | VesselWay::Jar) => track.net_at(lift),
        (true, VesselWay::Bowl) => track.net_at(end),
        // What landed within the scale's own lag no indication tells yet.
        (true, VesselWay::Difference) | (false, _) => {
            let lag = Moment(row.at.0.saturating_sub(lag_us(spec)));
            let (low, high) = track.range(lag, row.at);
            nearest(low, high)
        }
    };
    let ratio = (net - truth).abs().to_g_f64() / u.to_g_f64().max(1e-9);
    Some((truth, ratio))
}

/// Whether the row is right for what came since the vessel was set down.
fn carries(outcome: &Outcome, row: &Written, truth: Mass) -> bool {
    let forgets = |mishap: Mishap| {
        mishap.is_kill() || matches!(mishap, Mishap::WordAgain | Mishap::WordUnasked)
    };
    let Some(track) = outcome.tracks.get(&row.draft.step) else {
        return false;
    };
    // Whoever was not killed, and was not told to begin anew, has to know what was in it.
    if !outcome
        .done
        .iter()
        .any(|(planned, _)| forgets(planned.mishap))
    {
        return false;
    }
    let (Some(net), Some(u)) = (row.draft.net, row.draft.uncertainty) else {
        return false;
    };
    let before = track.carried.iter().filter(|(at, _)| *at <= row.at);
    let mut before = before.filter(|(_, mass)| *mass > Mass::ZERO);
    before.any(|&(_, carried)| (truth - carried - net).abs() <= u * 2)
}

/// Whether no reading could tell: what went in early had gone in before the scale could show the vessel
/// alone; a spill beside a bowl stays under it; a lid that comes on in the pour goes with the beaker.
fn is_hidden(spec: &CaseSpec, outcome: &Outcome, row: &Written) -> bool {
    let way = spec.plan.steps[row.draft.step - 1].vessel;
    let did = |mishap: Mishap| outcome.done.iter().any(|(p, _)| p.mishap == mishap);
    if way == VesselWay::Bowl && did(Mishap::Spilt) {
        return true;
    }
    let lift = outcome.tracks.get(&row.draft.step);
    let lift = lift.and_then(|track| track.lifts.iter().find(|&&lift| lift >= row.at));
    let goes_along = |&(mishap, from, until): &(Mishap, Moment, Moment)| {
        mishap == Mishap::LidOn && from < row.at && lift.is_none_or(|&lift| until > lift)
    };
    if outcome.things.iter().any(goes_along) {
        return true;
    }
    let mut early = outcome.early.iter();
    early.any(|early| {
        let after = early.poured.since(early.landed) as f64 / 1e6;
        early.step == row.draft.step && after < settles(spec)
    })
}

/// Seconds until a vessel that was set down is shown to a step: the filter, the landing's ringing, a line.
fn settles(spec: &CaseSpec) -> f64 {
    use bismar::rehearsal::Filter;
    let scale = &spec.scale;
    let steps = 0.05 * scale.capacity.to_g_f64() / scale.d.to_g_f64();
    let filter = match scale.filter {
        Filter::Lag if scale.two_stages => scale.tau * (steps.ln() + 2.0),
        Filter::Lag => scale.tau * steps.ln(),
        Filter::Average { seconds } => seconds,
        Filter::TwoSpeed { slow, band } => {
            scale.tau * (steps / band).max(1.0).ln() + slow * band.ln()
        }
    };
    filter + 0.3 + 1.0 / scale.rate
}

/// How long the scale takes to show what lies on it.
fn lag_us(spec: &CaseSpec) -> u64 {
    use bismar::rehearsal::Filter;
    let seconds = match spec.scale.filter {
        Filter::Lag => 8.0 * spec.scale.tau,
        Filter::Average { seconds } => seconds,
        Filter::TwoSpeed { slow, .. } => 6.0 * slow,
    };
    ((seconds + 1.0 / spec.scale.rate).max(0.6) * 1e6) as u64
}
