//! The simulated scale and hands, checked against their own physics and over a real pty.

use std::io::Read;
use std::os::unix::fs::OpenOptionsExt;

use bismar::formula::{Plan, PlannedPhase, Step, VesselWay};
use bismar::mass::{Decimal, Mass, Unit};
use bismar::rehearsal::pty::{PtyLine, PtyLines};
use bismar::rehearsal::table::Table;
use bismar::rehearsal::{
    Fault, Habits, Key, LineShape, SimScale, SimScaleSpec, Stage, StageOutput, StageSpec,
    demo_stage,
};
use bismar::time::Moment;
use bismar::vocabulary::command::{Choice, Command};
use bismar::vocabulary::cue::{Cue, CueKind};
use bismar::vocabulary::entry::Verdict;
use bismar::weighing::event::{Event, Live};

fn at(seconds: f64) -> Moment {
    Moment((seconds * 1e6) as u64)
}

/// The lines sent until `seconds`.
fn lines(scale: &mut SimScale, seconds: f64) -> Vec<String> {
    let mut out = Vec::new();
    scale.advance(at(seconds), &mut out);
    out.into_iter()
        .map(|(_, bytes)| String::from_utf8(bytes).expect("lines are ASCII"))
        .collect()
}

/// The weight of a 16-character line, by its columns.
fn columns_16(line: &str) -> Mass {
    assert_eq!(line.len(), 16, "{line:?}");
    let unit = Unit::from_symbol(line[11..14].trim().as_bytes()).unwrap_or(Unit::Gram);
    let number = format!("{}{}", &line[0..1], line[2..10].trim_start());
    Decimal::parse(number.as_bytes())
        .and_then(|value| value.in_unit(unit))
        .unwrap_or_else(|error| panic!("{line:?}: {error}"))
}

fn quiet_spec() -> SimScaleSpec {
    SimScaleSpec {
        noise: 0.0,
        ..SimScaleSpec::default()
    }
}

/// The shapes as byte strings, column by column (common practice, no source: from memory).
#[test]
fn each_shape_has_its_columns() {
    let table: [(LineShape, f64, &str); 5] = [
        (LineShape::SignNumberUnit16, 123.45, "+   123.45 g  \r\n"),
        (
            LineShape::CommaHeader { gross_net: false },
            12.34,
            "ST,+00012.34  g\r\n",
        ),
        (
            LineShape::CommaHeader { gross_net: true },
            12.34,
            "ST,GS,+00012.34  g\r\n",
        ),
        (LineShape::ReplyCode, 12.34, "S S      12.34 g\r\n"),
        (LineShape::QuestionMark, 12.34, "     12.34 g      \r\n"),
    ];
    for (shape, grams, steady) in table {
        let mut scale = SimScale::new(SimScaleSpec {
            shape,
            ..quiet_spec()
        });
        scale.set_load(grams);
        assert_eq!(
            lines(&mut scale, 5.0).last().map(String::as_str),
            Some(steady),
            "{shape:?}"
        );
    }
}

#[test]
fn a_moving_load_is_marked_as_such() {
    for (shape, mark) in [
        (LineShape::SignNumberUnit16, "   \r\n"),
        (LineShape::CommaHeader { gross_net: false }, "US,"),
        (LineShape::ReplyCode, "S D "),
        (LineShape::QuestionMark, "?\r\n"),
    ] {
        let mut scale = SimScale::new(SimScaleSpec {
            shape,
            ..quiet_spec()
        });
        lines(&mut scale, 3.0);
        scale.set_load(50.0);
        let moving = lines(&mut scale, 3.2);
        assert!(!moving.is_empty());
        assert!(
            moving.iter().all(|line| line.contains(mark)),
            "{shape:?}: {moving:?}"
        );
    }
}

/// Settles to the true load within half a division and five standard deviations of the noise.
#[test]
fn settles_to_the_rounded_truth() {
    for seed in 0..50 {
        let mut rng = fastrand::Rng::with_seed(seed);
        let truth = Mass::from_ng(rng.i64(1_000_000_000..590_000_000_000));
        let spec = SimScaleSpec {
            seed,
            rate: f64::from(rng.u32(2..=50)),
            two_stages: rng.bool(),
            ..SimScaleSpec::default()
        };
        let allowed = spec.d.ng() as f64 * (0.5 + 5.0 * spec.noise);
        let mut scale = SimScale::new(spec);
        lines(&mut scale, 2.0);
        scale.set_load(truth.to_g_f64());
        lines(&mut scale, 8.0);
        let later = lines(&mut scale, 12.0);
        assert!(later.len() >= 7, "{}", later.len());
        for line in later {
            let shown = columns_16(&line);
            let off = (shown - truth).abs().ng() as f64;
            assert!(off <= allowed, "seed {seed}: {shown:?} for {truth:?}");
        }
    }
}

#[test]
fn tare_shows_zero_and_the_lift_shows_the_vessel_below_zero() {
    let shape = LineShape::CommaHeader { gross_net: true };
    let mut scale = SimScale::new(SimScaleSpec {
        shape,
        ..quiet_spec()
    });
    scale.set_load(87.654);
    lines(&mut scale, 3.0);
    scale.press(Key::Tare);
    let tared = lines(&mut scale, 5.0);
    assert_eq!(
        tared.last().map(String::as_str),
        Some("ST,NT,+00000.00  g\r\n")
    );
    scale.set_load(0.0);
    let lifted = lines(&mut scale, 8.0);
    assert_eq!(
        lifted.last().map(String::as_str),
        Some("ST,NT,-00087.65  g\r\n")
    );
    scale.press(Key::Tare);
    let cleared = lines(&mut scale, 9.0);
    assert_eq!(
        cleared.last().map(String::as_str),
        Some("ST,GS,+00000.00  g\r\n")
    );
}

#[test]
fn a_tare_key_on_a_moving_load_waits_for_rest_or_is_forgotten() {
    // The load comes to rest within the second that the key waits.
    let mut scale = SimScale::new(quiet_spec());
    lines(&mut scale, 2.0);
    scale.set_load(0.2);
    lines(&mut scale, 2.4);
    scale.press(Key::Tare);
    assert!(!scale.is_net(), "not while it moves");
    lines(&mut scale, 4.0);
    assert!(scale.is_net());
    // It goes on moving for three seconds.
    let mut scale = SimScale::new(quiet_spec());
    for tick in 0..300 {
        scale.set_load(f64::from(tick));
        lines(&mut scale, 0.3 + f64::from(tick) * 0.01);
        if tick == 10 {
            scale.press(Key::Tare);
        }
    }
    lines(&mut scale, 8.0);
    assert!(scale.is_steady() && !scale.is_net());
}

#[test]
fn above_the_capacity_no_number_is_sent() {
    for (shape, word) in [
        (LineShape::SignNumberUnit16, "High"),
        (LineShape::CommaHeader { gross_net: false }, "OL,"),
        (LineShape::CommaHeader { gross_net: true }, "OL,"),
        (LineShape::ReplyCode, "S +"),
        (LineShape::QuestionMark, "OVERLOAD"),
    ] {
        let mut scale = SimScale::new(SimScaleSpec {
            shape,
            ..quiet_spec()
        });
        scale.set_load(700.0);
        let last = lines(&mut scale, 4.0).pop().expect("a line");
        assert!(last.contains(word), "{shape:?}: {last:?}");
        // Nine divisions above the capacity the number is still there (OIML R 76-1, from memory).
        scale.set_load(600.05);
        let last = lines(&mut scale, 9.0).pop().expect("a line");
        assert!(last.contains("600.0"), "{shape:?}: {last:?}");
    }
}

/// Zero tracking swallows what comes slower than 0.5 d/s (OIML R 76-1, 4.5.7), not what is faster.
#[test]
fn zero_tracking_swallows_slow_drops_only() {
    for (d_per_second, swallowed) in [(0.2, true), (3.0, false)] {
        let mut scale = SimScale::new(quiet_spec());
        lines(&mut scale, 3.0);
        for tick in 0..1000 {
            let seconds = f64::from(tick) * 0.01;
            scale.set_load(seconds * d_per_second * 0.01);
            lines(&mut scale, 3.0 + seconds);
        }
        let shown = columns_16(&lines(&mut scale, 16.0).pop().expect("a line"));
        assert_eq!(shown == Mass::ZERO, swallowed, "{shown:?}");
    }
}

#[test]
fn the_unit_key_and_a_power_cycle() {
    let mut scale = SimScale::new(quiet_spec());
    scale.set_load(100.0);
    lines(&mut scale, 4.0);
    scale.press(Key::Unit);
    // 100 g / 28.349 523 125 g = 3.527 40 oz (NIST SP 811, B.8); 0.001 oz is the finest power of
    // ten that is not finer than 0.01 g.
    assert_eq!(
        lines(&mut scale, 5.0).last().map(String::as_str),
        Some("+    3.527 oz \r\n")
    );
    scale.power(false);
    assert!(lines(&mut scale, 7.0).is_empty());
    scale.power(true);
    assert!(lines(&mut scale, 8.0).is_empty(), "it starts up in silence");
    let last = lines(&mut scale, 12.0).pop().expect("a line");
    assert_eq!(columns_16(&last), Mass::ZERO);
}

#[test]
fn it_goes_off_by_itself_when_nothing_moves() {
    let mut scale = SimScale::new(SimScaleSpec {
        auto_off: Some(5.0),
        ..quiet_spec()
    });
    assert!(!lines(&mut scale, 4.9).is_empty() && scale.is_on());
    lines(&mut scale, 5.5);
    assert!(!scale.is_on());
    assert!(lines(&mut scale, 8.0).is_empty());
}

#[test]
fn a_polled_scale_speaks_when_asked() {
    let spec = SimScaleSpec {
        polled: true,
        shape: LineShape::ReplyCode,
        ..quiet_spec()
    };
    let mut scale = SimScale::new(spec);
    assert!(lines(&mut scale, 2.0).is_empty());
    let mut out = Vec::new();
    scale.receive(b"SI\r", &mut out);
    assert_eq!(out.len(), 1);
    scale.set_load(10.0);
    lines(&mut scale, 2.1);
    scale.receive(b"\nS\r\n", &mut out);
    assert_eq!(out.len(), 1, "not before it is steady");
    assert_eq!(lines(&mut scale, 6.0), ["S S      10.00 g\r\n"]);
}

// The hands, told what to do by a prompter that looks at the truth. It is no weighing engine: it
// lets the hands run through every script where no engine's fault can hide one of theirs.

struct Prompter {
    steps: Vec<(VesselWay, Mass)>,
    step: usize,
    said: Option<CueKind>,
    since: u64,
    /// The true net weight as last looked at, and when; and its rate in grams a second.
    seen: (Mass, Moment),
    rate: f64,
}

impl Prompter {
    fn new(steps: Vec<(VesselWay, Mass)>) -> Prompter {
        Prompter {
            steps,
            step: 0,
            said: None,
            since: 0,
            seen: Default::default(),
            rate: 0.0,
        }
    }

    fn cue(&mut self, kind: CueKind, missing: Option<Mass>, now: Moment) -> Option<Event> {
        // Again when nothing came of it.
        if self.said == Some(kind) && now.0 < self.since + 4_000_000 {
            return None;
        }
        self.said = Some(kind);
        self.since = now.0;
        Some(Event::Cue(cue(kind, missing, vec![])))
    }

    fn begin(&mut self, step: usize) -> Event {
        self.step = step;
        self.said = None;
        let Some(&(_, target)) = self.steps.get(step - 1) else {
            return Event::Closed { complete: true };
        };
        Event::Step {
            step,
            of: self.steps.len(),
            phase: "A".into(),
            ingredient: format!("ingredient {step}"),
            target,
            low: target.ratio(98, 100),
            high: target.ratio(102, 100),
            scale: 0,
        }
    }

    /// What to say at `now`, with eyes on the true weight.
    fn prompt(&mut self, table: &Table, now: Moment) -> Vec<Event> {
        if self.step == 0 {
            return vec![self.begin(1)];
        }
        let Some(&(way, target)) = self.steps.get(self.step - 1) else {
            return Vec::new();
        };
        let place = &table.places[0];
        let Some(vessel) = &place.pan.vessel else {
            return match self.said {
                Some(CueKind::Done) => vec![self.begin(self.step + 1)],
                _ => self.cue(CueKind::Place, None, now).into_iter().collect(),
            };
        };
        if self.said == Some(CueKind::Done) {
            let stays = way == VesselWay::Bowl;
            return if stays {
                vec![self.begin(self.step + 1)]
            } else {
                Vec::new()
            };
        }
        if vessel.step != self.step && way != VesselWay::Bowl {
            return self.cue(CueKind::Lift, None, now).into_iter().collect();
        }
        let net = table
            .truths
            .get(&self.step)
            .map_or(Mass::ZERO, |truth| truth.net());
        let steady = place.scale.is_steady();
        let mut events = vec![live(net, target - net, steady)];
        events.extend(self.guide(target, net, steady, now));
        if self.said == Some(CueKind::Done) && way != VesselWay::Bowl {
            events.push(Event::Cue(cue(CueKind::Lift, None, vec![])));
        }
        events
    }

    fn guide(&mut self, target: Mass, net: Mass, steady: bool, now: Moment) -> Option<Event> {
        let missing = target - net;
        let (before, when) = self.seen;
        if now > when {
            let seconds = now.since(when) as f64 / 1e6;
            let rate = (net - before).to_g_f64() / seconds;
            self.rate += (rate - self.rate) * (seconds / 0.12).min(1.0);
            self.seen = (net, now);
        }
        if !steady {
            let coming = self.rate * 0.4;
            let near = missing.to_g_f64() < coming && self.said == Some(CueKind::Add);
            return near
                .then(|| self.cue(CueKind::EaseOff, Some(missing), now))
                .flatten();
        }
        if missing.abs() <= allowed(target) {
            self.said = Some(CueKind::Done);
            return Some(Event::Recorded {
                step: self.step,
                ingredient: String::new(),
                net,
                verdict: Some(Verdict::Inside),
                seq: 1,
                readability: Mass::from_mg(10),
            });
        }
        let kind = if missing > Mass::ZERO {
            CueKind::Add
        } else {
            CueKind::TakeOut
        };
        self.cue(kind, Some(missing), now)
    }
}

fn cue(kind: CueKind, missing: Option<Mass>, choices: Vec<Choice>) -> Cue {
    Cue {
        kind,
        say: "".into(),
        step: 1,
        missing,
        choices,
        urgent: false,
        lead: 0,
        asks: None,
    }
}

fn live(net: Mass, missing: Mass, steady: bool) -> Event {
    Event::Reading(Live {
        scale: 0,
        weight: net,
        net: Some(net),
        missing: Some(missing),
        steady,
        readability: Mass::from_mg(10),
    })
}

fn allowed(target: Mass) -> Mass {
    target.ratio(2, 100).max(Mass::from_mg(30))
}

struct Run {
    outputs: Vec<StageOutput>,
    stage: Stage,
    finished: bool,
}

/// Runs a stage to its end with the prompter.
fn rehearse(mut stage: Stage, steps: Vec<(VesselWay, Mass)>) -> Run {
    let count = steps.len();
    let mut prompter = Prompter::new(steps);
    let mut outputs = Vec::new();
    while let Some(output) = stage.next() {
        let now = output.at();
        if let StageOutput::Command {
            command: Command::Again,
            ..
        } = &output
        {
            prompter.said = None;
        }
        outputs.push(output);
        for event in prompter.prompt(stage.table(), now) {
            stage.hear(&event);
        }
        assert!(now < at(20_000.0), "it does not end");
    }
    Run {
        outputs,
        stage,
        finished: prompter.step > count,
    }
}

const STEPS: [(VesselWay, Mass); 6] = [
    (VesselWay::Beaker, Mass::from_g(50)),
    (VesselWay::Beaker, Mass::from_g(12)),
    (VesselWay::Bowl, Mass::from_g(30)),
    (VesselWay::Bowl, Mass::from_g(80)),
    (VesselWay::Difference, Mass::from_g(5)),
    (VesselWay::Beaker, Mass::from_g(100)),
];

fn spec(habits: Habits, seed: u64) -> StageSpec {
    StageSpec {
        scales: vec![SimScaleSpec {
            seed,
            ..SimScaleSpec::default()
        }],
        steps: STEPS.iter().map(|&(way, _)| (way, 0)).collect(),
        habits,
        script: None,
        seed,
    }
}

fn rehearse_all(spec: StageSpec) -> Run {
    rehearse(Stage::new(spec), STEPS.to_vec())
}

#[test]
fn the_same_seed_gives_the_same_bytes() {
    let run = |seed| rehearse_all(spec(Habits::clumsy(), seed)).outputs;
    assert_eq!(run(7), run(7));
    assert_ne!(run(7), run(8));
}

#[test]
fn outputs_come_in_order_of_time() {
    for seed in 0..20 {
        let run = rehearse_all(spec(Habits::clumsy(), seed));
        assert!(run.outputs.is_sorted_by_key(StageOutput::at), "seed {seed}");
    }
}

#[test]
fn careful_hands_finish_every_step_without_a_word() {
    for seed in 0..40 {
        let run = rehearse_all(spec(Habits::careful(), seed));
        assert!(run.finished && run.stage.gave_up().is_none(), "seed {seed}");
        let words = run
            .outputs
            .iter()
            .filter(|o| matches!(o, StageOutput::Command { .. }));
        assert_eq!(words.count(), 0, "seed {seed}");
        assert_eq!(run.stage.truths().count(), STEPS.len());
        for (truth, (_, target)) in run.stage.truths().zip(STEPS) {
            let off = (truth.net_at_lift() - target).abs();
            assert!(
                off <= allowed(target),
                "seed {seed} step {}: {off:?}",
                truth.step
            );
        }
    }
}

#[test]
fn clumsy_hands_end_every_script() {
    let mut met = std::collections::HashSet::new();
    let mut finished = 0;
    for seed in 0..120 {
        let run = rehearse_all(spec(Habits::clumsy(), seed));
        met.extend(run.stage.truths().flat_map(|truth| truth.faults.clone()));
        finished += usize::from(run.finished);
    }
    assert_eq!(met.len(), Fault::ALL.len(), "each fault is met");
    assert!(
        finished >= 110,
        "only {finished} of 120 batches were finished"
    );
}

#[test]
fn each_fault_alone_ends() {
    for fault in Fault::ALL {
        for seed in 0..4 {
            let mut spec = spec(Habits::careful(), seed);
            spec.script = Some((1..=STEPS.len()).map(|step| (step, fault)).collect());
            let run = rehearse_all(spec);
            assert!(
                run.finished && run.stage.gave_up().is_none(),
                "{fault:?} seed {seed}"
            );
        }
    }
}

/// What drips in after the record is known to the truth: more at the lift than at the record.
#[test]
fn the_truth_tells_the_record_from_the_lift() {
    for (fault, more) in [(None, false), (Some(Fault::AddAfterRecord), true)] {
        let mut spec = spec(Habits::careful(), 11);
        spec.script = Some(fault.map(|fault| (1, fault)).into_iter().collect());
        let mut stage = Stage::new(spec);
        let mut prompter = Prompter::new(STEPS.to_vec());
        let mut recorded = None;
        while let Some(output) = stage.next() {
            for event in prompter.prompt(stage.table(), output.at()) {
                if let Event::Recorded { step: 1, net, .. } = &event {
                    recorded = Some((output.at(), *net));
                }
                stage.hear(&event);
            }
        }
        let (when, net) = recorded.expect("a record");
        let truth = stage.truth(1).expect("a truth");
        assert_eq!(truth.net_at(when), net);
        assert_eq!(truth.net_at_lift() > net, more, "{fault:?}");
        assert_eq!(truth.net_at(Moment(0)), Mass::ZERO);
    }
}

/// Whenever nothing has moved for two seconds, the lines show what the truth says stands there.
#[test]
fn the_scale_shows_what_the_truth_says() {
    let mut compared = 0;
    for seed in 0..10 {
        let mut stage = Stage::new(spec(Habits::careful(), seed));
        let mut prompter = Prompter::new(STEPS.to_vec());
        let mut since = (Mass::ZERO, 0.0, Moment::default());
        while let Some(output) = stage.next() {
            let pan = &stage.table().places[0].pan;
            if !pan.is_free() || (since.0, since.1) != (pan.mass(), pan.support) {
                since = (pan.mass(), pan.support, output.at());
            }
            let still = output.at().since(since.2) > 2_000_000;
            if let (StageOutput::Bytes { bytes, .. }, true) = (&output, still) {
                let shown = columns_16(&String::from_utf8_lossy(bytes));
                let off = (shown - since.0).abs();
                // Half a division, five standard deviations, and what zero tracking took.
                assert!(
                    off <= Mass::from_mg(16),
                    "seed {seed}: {shown:?} for {:?}",
                    since.0
                );
                compared += usize::from(since.0 > Mass::ZERO);
            }
            for event in prompter.prompt(stage.table(), output.at()) {
                stage.hear(&event);
            }
        }
    }
    assert!(compared > 100, "only {compared} lines compared");
}

#[test]
fn hands_that_hear_nothing_give_up() {
    let mut stage = Stage::new(spec(Habits::clumsy(), 3));
    let mut stopped = false;
    while let Some(output) = stage.next() {
        stopped |= matches!(
            output,
            StageOutput::Command {
                command: Command::Stop,
                ..
            }
        );
    }
    assert!(stopped);
    assert_eq!(stage.gave_up(), Some(0));
}

#[test]
fn a_choice_is_answered() {
    let mut stage = Stage::new(spec(Habits::careful(), 3));
    let mut asked = false;
    let mut kept = false;
    while let Some(output) = stage.next() {
        kept |= matches!(
            output,
            StageOutput::Command {
                command: Command::Keep,
                ..
            }
        );
        if !std::mem::replace(&mut asked, true) {
            let choices = vec![Choice::Keep, Choice::Again];
            let over = Some(Mass::from_g(-3));
            stage.hear(&Event::Cue(cue(CueKind::Choose, over, choices)));
        }
    }
    assert!(kept);
}

/// Two presses on the pan: two spikes, and then the same weight as before.
#[test]
fn two_presses_come_back_to_the_same_weight() {
    let habits = Habits {
        mix_by_presses: 1.0,
        give_up: 8.0,
        ..Habits::careful()
    };
    let mut stage = Stage::new(spec(habits, 3));
    let (mut asked, mut high, mut spikes) = (false, false, 0);
    let mut last = String::new();
    while let Some(output) = stage.next() {
        if !std::mem::replace(&mut asked, true) {
            stage.hear(&Event::Cue(cue(CueKind::Mix, None, vec![Choice::Next])));
        }
        if let StageOutput::Bytes { bytes, .. } = output {
            last = String::from_utf8(bytes).expect("ASCII");
            let above = columns_16(&last) > Mass::from_g(15);
            spikes += usize::from(above && !high);
            high = above;
        }
    }
    assert_eq!(spikes, 2);
    assert_eq!(columns_16(&last), Mass::ZERO);
}

fn plan() -> Plan {
    let masses = [(0, 180), (0, 60), (1, 45), (1, 120), (2, 12)];
    let steps = masses
        .iter()
        .enumerate()
        .map(|(index, &(phase, grams))| Step {
            number: index + 1,
            phase,
            part: 0,
            ingredient: format!("ingredient {}", index + 1),
            target: Mass::from_g(grams),
            lowest: Mass::from_g(grams).ratio(99, 100),
            highest: Mass::from_g(grams).ratio(101, 100),
            vessel: VesselWay::Beaker,
            caution: None,
            lot_required: false,
            last_of_phase: index % 2 == 1,
            scale: 0,
        });
    Plan {
        batch: Mass::from_g(500),
        jars: None,
        formula: "Marsh bath salt".into(),
        version: "1".into(),
        phases: ["A", "B", "C"]
            .map(|name| PlannedPhase {
                name: name.into(),
                mix: Some("Stir".into()),
            })
            .to_vec(),
        steps: steps.map(Into::into).collect(),
        parts: vec![],
        limits: vec![],
        filling: None,
    }
}

#[test]
fn the_demo_shows_what_it_promises_in_under_a_minute() {
    for seed in 0..20 {
        let plan = plan();
        let steps = plan
            .steps
            .iter()
            .map(|step| (step.vessel, step.target))
            .collect();
        let run = rehearse(demo_stage(seed, &plan), steps);
        assert!(run.finished, "seed {seed}");
        for text in [
            "bump the bench",
            "forget the TARE key",
            "press TARE",
            "take some out with a spoon",
        ] {
            let told = |output: &StageOutput| match output {
                StageOutput::Hands { text: line, .. } => line == text,
                _ => false,
            };
            assert!(run.outputs.iter().any(told), "seed {seed}: {text}");
        }
        let end = run.outputs.last().map(StageOutput::at).expect("outputs");
        assert!(end < at(60.0), "seed {seed}: {end:?}");
    }
}

/// A plain `open(2)` at the other end, without any terminal setting of its own: the bytes must come
/// through unchanged.
#[test]
fn bytes_come_through_a_real_pty_and_an_unplug_is_a_hang_up() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut line = PtyLine::open(folder.path().join("scale")).expect("a pty");
    let open = |line: &PtyLine| {
        std::fs::OpenOptions::new()
            .read(true)
            .write(true)
            .custom_flags(rustix::fs::OFlags::NOCTTY.bits() as i32)
            .open(line.path())
            .expect("the slave opens")
    };
    let mut other = open(&line);
    let sent = b"+   123.45 g  \r\nST,+00012.34  g\r\n";
    assert_eq!(line.write(sent), sent.len());
    let mut got = vec![0; sent.len()];
    other.read_exact(&mut got).expect("the bytes");
    assert_eq!(got, sent);
    std::io::Write::write_all(&mut other, b"SI\r\n").expect("a poll");
    let mut asked = [0; 16];
    let count = line.read(&mut asked);
    assert_eq!(&asked[..count], b"SI\r\n");
    line.unplug();
    assert!(!line.path().exists());
    assert!(
        matches!(other.read(&mut got), Ok(0) | Err(_)),
        "a hang-up, not bytes"
    );
    line.replug().expect("a pty");
    let mut again = open(&line);
    assert_eq!(line.write(b"S D\r\n"), 5);
    let mut got = [0; 5];
    again.read_exact(&mut got).expect("the bytes");
    assert_eq!(&got, b"S D\r\n");
}

/// A whole run over a pty, fifty times as fast as life: what the other end reads is what the same
/// stage says in virtual time.
#[tokio::test]
async fn a_stage_on_a_pty_sends_what_it_sends_in_virtual_time() {
    let make = || {
        Stage::new(spec(
            Habits {
                give_up: 10.0,
                ..Habits::careful()
            },
            5,
        ))
    };
    let mut expected = Vec::new();
    let mut silent = make();
    while let Some(output) = silent.next() {
        if let StageOutput::Bytes { bytes, .. } = output {
            expected.extend(bytes);
        }
    }
    let lines = PtyLines::open(1).expect("ptys");
    let path = lines.paths().remove(0);
    let mut other = std::fs::File::open(&path).expect("the slave opens");
    let wanted = expected.len();
    let reader = std::thread::spawn(move || {
        let mut got = vec![0; wanted];
        other.read_exact(&mut got).map(|()| got)
    });
    let (_says, events) = tokio::sync::mpsc::unbounded_channel();
    let (commands, mut words) = tokio::sync::mpsc::unbounded_channel();
    let run = bismar::rehearsal::pty::run(make(), lines, 50.0, events, commands, |_, _| {});
    let (stage, lines) = run.await.expect("the run");
    assert_eq!(stage.gave_up(), Some(0));
    assert_eq!(words.recv().await, Some(Command::Stop));
    let got = reader.join().expect("the reader").expect("all bytes");
    assert_eq!(got, expected);
    drop(lines);
    assert!(!path.exists(), "the link is gone with the lines");
}

/// A polled scale answers over the pty, in the middle of a run.
#[tokio::test]
async fn a_polled_scale_answers_over_the_pty() {
    let mut spec = spec(
        Habits {
            give_up: 10.0,
            ..Habits::careful()
        },
        5,
    );
    for scale in &mut spec.scales {
        (scale.polled, scale.shape) = (true, LineShape::ReplyCode);
    }
    let lines = PtyLines::open(1).expect("ptys");
    let mut other = std::fs::OpenOptions::new()
        .read(true)
        .write(true)
        .open(&lines.paths()[0])
        .expect("the slave opens");
    std::io::Write::write_all(&mut other, b"SI\r\n").expect("a poll");
    let (_says, events) = tokio::sync::mpsc::unbounded_channel();
    let (commands, _words) = tokio::sync::mpsc::unbounded_channel();
    let mut told = Vec::new();
    let run = bismar::rehearsal::pty::run(
        Stage::new(spec),
        lines,
        50.0,
        events,
        commands,
        |_, text| {
            told.push(text.to_string());
        },
    );
    let (_stage, _lines) = run.await.expect("the run");
    let mut answer = [0; 18];
    other.read_exact(&mut answer).expect("an answer");
    assert_eq!(
        (&answer[..4], &answer[14..]),
        (&b"S D "[..], &b" g\r\n"[..])
    );
    assert_eq!(told, ["give up on this step"]);
}
