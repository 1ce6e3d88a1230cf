//! A whole session: any bytes on the line, any words, and the process killed at any moment, also in the middle of a row or
//! between a row and the word that it is written; begun again from the log alone, as the daemon does it. No panic, the log
//! verifies, and each row that was written is in it once, where it was written.
#![no_main]

use std::io::Write as _;
use std::path::PathBuf;

use bismar::bench::Bench;
use bismar::config::Config;
use bismar::formula::plan::BatchSize;
use bismar::formula::{Formula, Plan, examples};
use bismar::journal::format::opening::Opening;
use bismar::journal::format::row::{Row, Stamp};
use bismar::journal::read::scan::scan_file;
use bismar::journal::read::verify::verify;
use bismar::journal::store::log::LogFile;
use bismar::mass::Mass;
use bismar::time::Moment;
use bismar::vocabulary::command::{Command, Way};
use bismar::vocabulary::entry::Draft;
use bismar::vocabulary::progress::Progress;
use bismar::weighing::event::Event;
use jiff::{SignedDuration, Timestamp};
use libfuzzer_sys::fuzz_target;

const CONFIG: &str = "[[scale]]\nname = \"bench\"\nport = \"/dev/null\"\nlayout = \"sign-number-unit-16\"\nreadability = \"0.01 g\"\n";

/// Kills of one session: each proves the log anew.
const MOST_KILLS: usize = 12;

fuzz_target!(|deeds: Vec<(u8, i16, u8)>| {
    // Each row is synced; in memory that costs nothing.
    let dir = tempfile::tempdir_in("/dev/shm").expect("a folder");
    let config = Config::parse(CONFIG, "c").expect("it is right");
    let formula = Formula::parse(examples::TIDELINE, "f").expect("it is right");
    let mut session = Session::begin(dir.path().to_owned(), &config, &formula);
    for (deed, value, times) in deeds {
        session.does(deed, value, times);
    }
    session.killed(0);
});

struct Session<'c> {
    config: &'c Config,
    formula: &'c Formula,
    path: PathBuf,
    bench: Bench,
    log: Option<LogFile>,
    /// Every row as it was written.
    written: Vec<Draft>,
    now: u64,
    /// What the clocks of earlier processes came to.
    before: u64,
    kills: usize,
    /// The next row is written, and nobody hears of it.
    dies: bool,
}

impl<'c> Session<'c> {
    fn begin(dir: PathBuf, config: &'c Config, formula: &'c Formula) -> Session<'c> {
        let opening = Opening {
            text: examples::TIDELINE.into(),
            batch: Mass::from_g(200),
            jars: None,
        };
        let log = LogFile::begin(&dir, formula, &opening, Timestamp::UNIX_EPOCH).expect("a log");
        let amount = BatchSize::Batch(opening.batch);
        let plan = Plan::new(formula, amount, &config.abilities(), config.weighing.guard);
        let mut bench = Bench::new(config).expect("the layout is there");
        let begun = bench.begin(
            plan.expect("it can be weighed"),
            Progress::default(),
            Moment::default(),
        );
        begun.expect("it begins");
        let mut session = Session {
            config,
            formula,
            path: log.path().to_owned(),
            bench,
            log: Some(log),
            written: opening
                .drafts(&formula.label())
                .expect("it is short")
                .to_vec(),
            now: 0,
            before: 0,
            kills: 0,
            dies: false,
        };
        session.drain();
        session
    }

    fn does(&mut self, deed: u8, value: i16, times: u8) {
        let at = Moment::from_millis(self.now);
        let command = match deed % 32 {
            0 => Some(Command::Next),
            1 => Some(Command::Again),
            2 => Some(Command::Keep),
            3 => Some(Command::Lot(format!("L-{times}"))),
            4 => Some(Command::Residue(None)),
            5 => Some(Command::Remedy(Way::ALL[usize::from(times) % 3])),
            6 => Some(Command::Stop),
            7 => Some(Command::Undo),
            8 => Some(Command::Cancel),
            9 => Some(Command::Skip("it is out".into())),
            10 => Some(Command::Note(format!("=note {value}"))),
            17 => Some(Command::LotOf(
                usize::from(value.unsigned_abs() % 6),
                format!("L-{times}"),
            )),
            _ => None,
        };
        if let Some(command) = command {
            let _ = self.bench.command(command, at);
            return self.drain();
        }
        match deed % 32 {
            11 => self.bench.lost(0, at),
            12 => self.bench.back(0, at),
            13 => self
                .bench
                .bytes(0, at, &[value.to_le_bytes(), [times, deed]].concat()),
            14 => return self.killed(usize::from(times)),
            15 => self.dies = true,
            16 => self
                .bench
                .bytes(0, at, &line(value)[..usize::from(times) % 16]),
            _ => {
                for _ in 0..=(times % 24) {
                    self.now += 100;
                    let at = Moment::from_millis(self.now);
                    while self.bench.pass(at).is_some() {
                        self.drain();
                    }
                    self.bench.bytes(0, at, &line(value));
                    self.drain();
                }
            }
        }
        self.drain();
    }

    /// Writes what comes out, as the daemon's loop does.
    fn drain(&mut self) {
        while let Some(event) = self.bench.poll() {
            let (Event::Log(draft), Some(log)) = (event, &mut self.log) else {
                continue;
            };
            let millis = i64::try_from(self.before + self.now).unwrap_or(i64::MAX);
            let at = Timestamp::UNIX_EPOCH + SignedDuration::from_millis(millis);
            let ticket = draft.ticket;
            let draft = *draft;
            let seq = log.append(&draft, at).expect("it is written");
            if seq > self.written.len() as u64 {
                self.written.push(draft);
            }
            if std::mem::take(&mut self.dies) {
                return self.killed(0);
            }
            self.bench
                .logged(ticket, seq, Moment::from_millis(self.now));
        }
    }

    /// Everything in memory is gone; of the row that was on its way the first `torn` bytes are in the file.
    fn killed(&mut self, torn: usize) {
        self.kills += 1;
        if self.kills > MOST_KILLS {
            return;
        }
        self.log = None;
        let text = std::fs::read(&self.path).expect("the log");
        let whole = text
            .split_inclusive(|byte| *byte == b'\n')
            .last()
            .expect("a row");
        let part = &whole[..torn.min(whole.len() - 1)];
        let mut file = std::fs::File::options()
            .append(true)
            .open(&self.path)
            .expect("the log");
        file.write_all(part).expect("it is written");
        let (log, found) = LogFile::open(&self.path).expect("it goes on");
        assert_eq!(found.torn.map_or(0, |torn| torn.bytes), part.len() as u64);
        self.check();
        let opening = found.record.opening.as_ref().expect("it was opened");
        let (scales, guard) = (self.config.abilities(), self.config.weighing.guard);
        let plan = found
            .record
            .plan(self.formula, opening.amount(), &scales, guard);
        let plan = plan.expect("it was weighed by it");
        let progress = found.record.progress(&plan);
        self.bench = Bench::new(self.config).expect("the layout is there");
        self.before += self.now;
        self.now = 0;
        self.dies = false;
        self.log = Some(log);
        // One that is over is no more gone on with.
        if !found.record.ended {
            let begun = self.bench.begin(plan, progress, Moment::default());
            begun.expect("it goes on");
        }
        self.drain();
    }

    fn check(&self) {
        let report = verify(&self.path).expect("it reads");
        assert!(report.is_ok(), "{report:?}");
        let mut scan = scan_file(&self.path).expect("it reads");
        let mut rows: Vec<Row> = Vec::new();
        while let Some(row) = scan.next_row().expect("a good row") {
            rows.push(row);
        }
        assert_eq!(rows.len(), self.written.len());
        for (nth, (row, draft)) in rows.iter().zip(&self.written).enumerate() {
            let stamp = Stamp {
                batch: &row.batch,
                seq: nth as u64 + 1,
                at: row.at,
                formula: &row.formula,
            };
            assert_eq!(row.cells(), Row::from_draft(draft, stamp).cells());
        }
    }
}

/// What a scale shows, in hundredths of a gram.
fn line(value: i16) -> Vec<u8> {
    let sign = if value < 0 { '-' } else { '+' };
    let (whole, part) = (value.unsigned_abs() / 100, value.unsigned_abs() % 100);
    format!("{sign} {:>8} g  \r\n", format!("{whole}.{part:02}")).into_bytes()
}
