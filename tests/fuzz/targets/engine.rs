//! The engine with any readings and any words: no panic, and nothing is recorded outside its window without
//! a word, or twice.
#![no_main]

use bismar::vocabulary::progress::Progress;
use bismar::config::Config;
use bismar::formula::plan::BatchSize;
use bismar::vocabulary::command::Way;
use bismar::formula::{Formula, Plan, examples};
use bismar::mass::{Mass, Unit};
use bismar::time::Moment;
use bismar::vocabulary::reading::Reading;
use bismar::weighing::{Engine, Setup};
use bismar::vocabulary::command::Command;
use bismar::weighing::event::{Event, Input};
use bismar::vocabulary::entry::{RowKind, Verdict};
use libfuzzer_sys::fuzz_target;

const CONFIG: &str = "[[scale]]\nname = \"bench\"\nport = \"/dev/null\"\nlayout = \"sign-number-unit-16\"\nreadability = \"0.01 g\"\n";

fuzz_target!(|deeds: Vec<(u8, i16, u8)>| {
    let config = Config::parse(CONFIG, "c").expect("it is right");
    let formula = Formula::parse(examples::TIDELINE, "f").expect("it is right");
    let amount = BatchSize::Batch(Mass::from_g(200));
    let Ok(plan) = Plan::new(&formula, amount, &config.abilities(), 2.0) else {
        return;
    };
    let mut engine = Engine::new(Setup::from(&config));
    let _ = engine.begin(plan, Progress::default(), Moment::default());
    let mut now = 0u64;
    let mut seq = 0;
    let mut keeps = 0;
    for (deed, value, times) in deeds {
        let command = match deed % 32 {
            0 => Some(Command::Next),
            1 => Some(Command::Again),
            2 => Some(Command::Keep),
            3 => Some(Command::Lot("L".into())),
            4 => Some(Command::Residue(None)),
            5 => Some(Command::Remedy(Way::ALL[usize::from(times) % 3])),
            6 => Some(Command::Stop),
            8 => Some(Command::Undo),
            9 => Some(Command::Cancel),
            10 => Some(Command::Skip("it is out".into())),
            _ => None,
        };
        if let Some(command) = command {
            keeps += u32::from(matches!(command, Command::Keep | Command::Skip(_)));
            let _ = engine.command(command, Moment::from_millis(now));
        } else if deed % 32 == 7 {
            let input = [Input::Lost, Input::Back, Input::Overload, Input::Underload];
            engine.handle(0, input[usize::from(times) % 4].clone(), Moment::from_millis(now));
        } else {
            for _ in 0..=(times % 24) {
                now += 100;
                let reading = Reading {
                    at: Moment::from_millis(now),
                    weight: Mass::from_mg(10 * i64::from(value)),
                    digit: Mass::from_mg(10),
                    unit: Some(Unit::Gram),
                    steady: None,
                    shown: None,
                };
                engine.handle(0, Input::Reading(reading), Moment::from_millis(now));
                drain(&mut engine, &mut seq, now, keeps);
            }
        }
        drain(&mut engine, &mut seq, now, keeps);
    }
});

fn drain(engine: &mut Engine, seq: &mut u64, now: u64, keeps: u32) {
    while let Some(event) = engine.poll() {
        if let Event::Log(draft) = event {
            *seq += 1;
            if draft.kind == RowKind::Weighed && draft.verdict == Some(Verdict::Inside) {
                let (low, high) = (draft.low.unwrap_or_default(), draft.high.unwrap_or_default());
                let net = draft.net.unwrap_or_default();
                assert!(low <= net && net <= high, "{draft:?}");
            }
            assert!(draft.verdict != Some(Verdict::Kept) || keeps > 0, "{draft:?}");
            let answer = Input::Logged { ticket: draft.ticket, seq: *seq };
            engine.handle(0, answer, Moment::from_millis(now));
        }
    }
}
