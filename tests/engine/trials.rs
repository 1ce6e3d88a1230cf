//! Trials of the engine on the simulated bench, shared by the test and the benchmark.
#![allow(dead_code)]

use std::collections::BTreeMap;
use std::fmt;
use std::path::Path;

use bismar::bench::Bench;
use bismar::config::Config;
use bismar::formula::filling::Fill;
use bismar::formula::{Plan, PlannedPhase, Step, VesselWay};
use bismar::mass::Mass;
use bismar::metrology::prepackage::Rule;
use bismar::metrology::{Errors, ScaleAbility};
use bismar::rehearsal::trial::{Told, play_from};
use bismar::rehearsal::{Habits, LineShape, SimScaleSpec, Stage, StageSpec};
use bismar::scale::settings::ScaleSettings;
use bismar::time::Moment;
use bismar::vocabulary::cue::CueKind;
use bismar::vocabulary::entry::{Draft, RowKind};
use bismar::vocabulary::rules::Rules;
use bismar::weighing::event::Event;

use crate::bench_side;

/// What a run of trials came to.
#[derive(Debug, Default)]
pub struct Tally {
    pub batches: usize,
    pub steps: usize,
    pub recorded: usize,
    pub corrected: usize,
    pub kept: usize,
    pub touched: usize,
    pub gave_up: usize,
    /// First stops seen, and those of them over the tolerance.
    pub first_stops: usize,
    pub over_pours: usize,
    pub worst_over_u: f64,
    pub wrong: Vec<String>,
    pub doubled: Vec<String>,
    pub skipped: Vec<String>,
    pub stuck: Vec<String>,
    pub faults: BTreeMap<String, usize>,
    pub cues: BTreeMap<&'static str, usize>,
    pub readings: u64,
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "| what | count |\n| --- | ---: |")?;
        let mut row = |what: &str, count: String| writeln!(f, "| {what} | {count} |");
        row("batches", self.batches.to_string())?;
        row("steps begun", self.steps.to_string())?;
        row("weights recorded", self.recorded.to_string())?;
        row(
            "of these corrected by a later row",
            self.corrected.to_string(),
        )?;
        row("kept outside the window", self.kept.to_string())?;
        row(
            "recorded outside the stated uncertainty",
            self.wrong.len().to_string(),
        )?;
        row("recorded twice", self.doubled.len().to_string())?;
        row("skipped", self.skipped.len().to_string())?;
        row(
            "largest error in units of U (k = 2)",
            format!("{:.2}", self.worst_over_u),
        )?;
        row("steps that needed a word", self.touched.to_string())?;
        row("batches given up by the hands", self.gave_up.to_string())?;
        row("first stops over the window", self.over_pours.to_string())?;
        row("scale lines read", self.readings.to_string())?;
        for (fault, count) in &self.faults {
            row(&format!("fault: {fault}"), count.to_string())?;
        }
        Ok(())
    }
}

pub fn scale_config(spec: &SimScaleSpec, index: usize) -> ScaleSettings {
    let name = format!("scale{index}");
    ScaleSettings {
        readability: Some(spec.d),
        capacity: Some(spec.capacity),
        // Measured, with many weighings: more than any of these scales scatters. One of which nothing was
        // measured has a window narrower by a step, which hands that aim at it hit less often.
        repeatability: Some(spec.d.ratio(41, 100)),
        errors: Errors {
            weighings: Some(1_000),
            ..Errors::default()
        },
        ..bench_side::scale_config(&name, Path::new("/dev/null"), layout_of(spec.shape))
    }
}

fn layout_of(shape: LineShape) -> &'static str {
    match shape {
        LineShape::SignNumberUnit16 => "sign-number-unit-16",
        LineShape::CommaHeader { .. } => "comma-header",
        LineShape::ReplyCode => "reply-code",
        LineShape::QuestionMark => "question-mark",
    }
}

/// A plan drawn from the seed: three to six steps in one to three phases.
pub fn random_plan(rng: &mut fastrand::Rng, d: Mass) -> Plan {
    let phases = rng.usize(1..=3);
    let mut steps = Vec::new();
    let bowl = rng.u8(0..4) == 0;
    for phase in 0..phases {
        let count = rng.usize(1..=3);
        for i in 0..count {
            let grams = [2.0, 5.0, 8.0, 12.0, 20.0, 35.0, 60.0, 120.0][rng.usize(0..8)];
            let target = Mass::from_g_f64(grams * (0.8 + 0.4 * rng.f64()))
                .unwrap()
                .round_to(d);
            let percent = rng.i64(1..=3);
            let vessel = match (bowl, rng.u8(0..8)) {
                (true, _) => VesselWay::Bowl,
                (false, 0) => VesselWay::Difference,
                (false, _) => VesselWay::Beaker,
            };
            let band = target.ratio(percent, 100).max(d * 4);
            steps.push(Step {
                number: steps.len() + 1,
                phase,
                part: steps.len(),
                ingredient: format!("ingredient {}", steps.len() + 1),
                target,
                lowest: target - band,
                highest: target + band,
                vessel,
                caution: None,
                lot_required: false,
                last_of_phase: i + 1 == count,
                scale: 0,
            });
        }
    }
    Plan {
        batch: steps.iter().map(|s| s.target).sum(),
        jars: None,
        formula: "Trial".into(),
        version: "1".into(),
        phases: (0..phases)
            .map(|n| PlannedPhase {
                name: format!("phase {}", n + 1),
                mix: rng.bool().then(|| "Stir".into()),
            })
            .collect(),
        steps: steps.into_iter().map(Into::into).collect(),
        parts: vec![],
        limits: vec![],
        filling: None,
    }
}

/// Two to eight jars of one size, drawn from the seed.
pub fn random_jars(rng: &mut fastrand::Rng, d: Mass) -> Plan {
    let nominal = Mass::from_g([15, 30, 55, 100, 250][rng.usize(0..5)]);
    let last = rng.usize(2..=8);
    let fill = Fill {
        nominal,
        over: nominal.ratio(1, 50).max(d * 20),
        rule: Rule::Eu76211,
        made: nominal * (last as i64) + nominal.ratio(1, 3),
        first: 1,
        last,
    };
    let scale = ScaleAbility {
        readability: d,
        ..ScaleAbility::assumed("scale0")
    };
    Plan::filling(fill, "Trial 1", &[scale], 2.0).unwrap()
}

pub fn random_scale(rng: &mut fastrand::Rng, seed: u64) -> SimScaleSpec {
    let shapes = [
        LineShape::SignNumberUnit16,
        LineShape::CommaHeader { gross_net: false },
        LineShape::CommaHeader { gross_net: true },
        LineShape::ReplyCode,
        LineShape::QuestionMark,
    ];
    SimScaleSpec {
        shape: shapes[rng.usize(0..shapes.len())],
        stable_flag: rng.u8(0..4) > 0,
        rate: [2.0, 5.0, 10.0, 10.0, 25.0, 50.0][rng.usize(0..6)],
        tau: 0.05 + 0.15 * rng.f64(),
        two_stages: rng.bool(),
        noise: 0.05 + 0.2 * rng.f64(),
        zero_tracking: rng.bool(),
        capacity: Mass::from_g(2000),
        seed,
        ..SimScaleSpec::default()
    }
}

struct Row {
    seq: u64,
    at: Moment,
    draft: Draft,
}

/// Plays batches until `steps` steps were begun.
pub fn run_trials(steps: usize, clumsy: bool, seed: u64) -> Tally {
    run_with(steps, clumsy, seed, Rules::default())
}

/// The same under other rules.
pub fn run_with(steps: usize, clumsy: bool, seed: u64, rules: Rules) -> Tally {
    run_plans(steps, clumsy, seed, rules, random_plan)
}

/// Fills jars until `jars` were begun.
pub fn run_jars(jars: usize, clumsy: bool, seed: u64) -> Tally {
    run_plans(jars, clumsy, seed, Rules::default(), random_jars)
}

type Plans = fn(&mut fastrand::Rng, Mass) -> Plan;

fn run_plans(steps: usize, clumsy: bool, seed: u64, rules: Rules, plans: Plans) -> Tally {
    let mut tally = Tally::default();
    let only = std::env::var("BISMAR_TRIAL_SEED")
        .ok()
        .and_then(|s| s.parse::<u64>().ok());
    let mut n = only.unwrap_or(0);
    while tally.steps < steps {
        let habits = if clumsy {
            Habits::clumsy()
        } else {
            Habits::careful()
        };
        let seed = seed << 32 | n;
        trial_of(&mut tally, habits, rules, seed, only.is_some(), plans);
        n += 1;
        if only.is_some() {
            break;
        }
    }
    tally
}

pub fn one_trial(tally: &mut Tally, habits: Habits, rules: Rules, seed: u64, verbose: bool) {
    trial_of(tally, habits, rules, seed, verbose, random_plan);
}

fn trial_of(
    tally: &mut Tally,
    habits: Habits,
    rules: Rules,
    seed: u64,
    verbose: bool,
    plans: Plans,
) {
    let mut rng = fastrand::Rng::with_seed(seed);
    let spec = random_scale(&mut rng, seed);
    let plan = plans(&mut rng, spec.d);
    let config = Config {
        scales: vec![scale_config(&spec, 0)],
        weighing: rules,
        ..Config::default()
    };
    if verbose {
        println!("{spec:?}\n{plan:#?}");
    }
    let mut bench = Bench::at_line_start(&config).unwrap();
    bench.set_readings(true);
    let stage = Stage::new(StageSpec::for_plan(&plan, vec![spec], habits, seed));
    let written = |_: &Draft| {};
    one_batch(
        tally,
        Moment::default(),
        &mut bench,
        plan,
        stage,
        seed,
        verbose,
        written,
    );
}

/// Weighs `plan` on `stage` with a bench that is at `start` of its time, and judges the record.
#[expect(clippy::too_many_arguments, reason = "one call in two places")]
pub fn one_batch(
    tally: &mut Tally,
    start: Moment,
    bench: &mut Bench,
    plan: Plan,
    mut stage: Stage,
    seed: u64,
    verbose: bool,
    mut written: impl FnMut(&Draft),
) -> Moment {
    let before = bench.line_counts().0;
    let mut rows: Vec<Row> = Vec::new();
    let mut cues: BTreeMap<&'static str, usize> = BTreeMap::new();
    let log = |draft: &Draft| {
        let seq = rows.len() as u64 + 1;
        written(draft);
        rows.push(Row {
            seq,
            at: Moment(draft.at.since(start)),
            draft: draft.clone(),
        });
        Ok(seq)
    };
    let mut last = 0.0;
    let mut mixing = false;
    let mut step = 0;
    let mut touched: Vec<usize> = Vec::new();
    let told = |told: Told<'_>| match told {
        Told::Event(at, event) => {
            if let Event::Step { step: number, .. } = event {
                step = *number;
            }
            if let Event::Cue(cue) = event {
                assert!(cue.say.is_ours(), "goes round the messages: {cue:?}");
                mixing = cue.kind == CueKind::Mix;
                *cues.entry(cue.kind.name()).or_default() += 1;
            }
            if verbose {
                match event {
                    Event::Reading(live) => {
                        if at.seconds() - last > 0.25 {
                            last = at.seconds();
                            println!(
                                "{:8.2} {:?} net {:?} {}",
                                at.seconds(),
                                live.weight,
                                live.net,
                                if live.steady { "steady" } else { "" }
                            );
                        }
                    }
                    Event::Log(draft) => println!(
                        "{:8.2} LOG {:?} {:?} {}",
                        at.seconds(),
                        draft.kind,
                        draft.net,
                        draft.note
                    ),
                    Event::Cue(cue) => {
                        println!("{:8.2} CUE {} {}", at.seconds(), cue.kind.name(), cue.say)
                    }
                    other => println!("{:8.2} {other:?}", at.seconds()),
                }
            }
        }
        Told::Word(at, command) => {
            // Saying that it is mixed is part of the work; any other word is a touch.
            if !mixing && !touched.contains(&step) {
                touched.push(step);
            }
            if verbose {
                println!("{:8.2} HANDS say {command:?}", at.seconds());
            }
        }
        Told::Hands(at, text) => {
            if verbose {
                println!("{:8.2} HANDS {text}", at.seconds());
            }
        }
    };
    play_from(start, bench, plan.clone(), &mut stage, log, told).unwrap();
    tally.batches += 1;
    tally.touched += touched.len();
    tally.readings += bench.line_counts().0 - before;
    for (cue, count) in cues {
        *tally.cues.entry(cue).or_default() += count;
    }
    if let Some(step) = stage.gave_up() {
        tally.gave_up += 1;
        tally
            .stuck
            .push(format!("seed {} step {step}", seed & 0xffff_ffff));
    }
    judge(tally, &plan, &stage, &rows, seed);
    start.plus_micros(stage.now().0)
}

fn judge(tally: &mut Tally, plan: &Plan, stage: &Stage, rows: &[Row], seed: u64) {
    let seed = seed & 0xffff_ffff;
    let drafts = rows.iter().map(|row| (row.seq, row.draft.clone()));
    bench_side::agreed::of_plan(&format!("seed {seed}"), plan, drafts);
    for truth in stage.truths() {
        tally.steps += 1;
        for fault in &truth.faults {
            *tally.faults.entry(format!("{fault:?}")).or_default() += 1;
        }
        let mine: Vec<&Row> = rows
            .iter()
            .filter(|row| matches!(row.draft.kind, RowKind::Weighed | RowKind::Filled))
            .filter(|row| row.draft.step == truth.step)
            .collect();
        let firsts = mine
            .iter()
            .filter(|row| !row.draft.note.starts_with("corrects"))
            .count();
        // A row without a net weight takes one back, and the step is weighed once more.
        let (mine, taken_back): (Vec<_>, Vec<_>) =
            mine.into_iter().partition(|row| row.draft.net.is_some());
        if firsts > 1 + taken_back.len() {
            tally
                .doubled
                .push(format!("seed {seed} step {}", truth.step));
        }
        // What falls after the maker has stopped the batch is nobody's record.
        let stopped = rows
            .iter()
            .find(|row| row.draft.kind == RowKind::Closed && row.draft.note.starts_with("stopped"));
        let complete = rows
            .iter()
            .any(|row| row.draft.kind == RowKind::Closed && row.draft.note.starts_with("complete"));
        if complete && mine.is_empty() {
            tally
                .skipped
                .push(format!("seed {seed} step {}", truth.step));
        }
        let Some(last) = mine.last() else { continue };
        tally.recorded += 1;
        tally.corrected += usize::from(mine.len() > 1);
        let verdict = last.draft.verdict;
        tally.kept += usize::from(verdict == Some(bismar::vocabulary::entry::Verdict::Kept));
        if let Some(stop) = truth.first_stop {
            let step = &plan.steps[truth.step - 1];
            tally.first_stops += 1;
            tally.over_pours += usize::from(stop > step.highest);
        }
        // The last row of a step must be the truth at the lift; each earlier one that of its moment.
        for row in &mine {
            let net = row.draft.net.unwrap();
            let u = row.draft.uncertainty.unwrap();
            let is_last = row.seq == last.seq;
            let at_row = truth.net_at(row.at);
            // What landed within the scale's own lag no indication tells yet; a row that a later one
            // corrects is held to the truth of that while, the last row to the truth itself.
            let error_now = [0, 200_000, 400_000, 600_000]
                .map(|lag| net - truth.net_at(Moment(row.at.0.saturating_sub(lag))))
                .into_iter()
                .min_by_key(|error| error.abs())
                .unwrap_or(net - at_row);
            let end = stopped.map_or(truth.net(), |row| truth.net_at(row.at));
            let lift = truth
                .lifted_at
                .filter(|lifted| stopped.is_none() || *lifted >= row.at);
            let at_lift = lift.map_or(end, |at| truth.net_at(at));
            let error_end = net - at_lift;
            // The last row must be the truth at the end: of the beaker at its lift, of the bowl for
            // good. What comes out of a source after its record, in the air, no scale sees.
            let error = match (is_last, truth.vessel) {
                (true, VesselWay::Beaker | VesselWay::Jar) => error_end,
                (true, VesselWay::Bowl) => net - end,
                (true, VesselWay::Difference) | (false, _) => error_now,
            };
            let ratio = error.to_g_f64().abs() / u.to_g_f64();
            tally.worst_over_u = tally.worst_over_u.max(ratio);
            if ratio > 2.0 {
                tally.wrong.push(format!(
                    "seed {seed} step {} seq {}: recorded {net:?}, truth then {at_row:?}, at the lift {:?}, U {u:?}, {:?} {:?}",
                    truth.step, row.seq, truth.net_at_lift(), truth.vessel, truth.faults
                ));
            }
        }
    }
}
